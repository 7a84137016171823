//! Families compared: figures against the loops they are made of, small families held back, and since when one gets worse.

use analytics_assess::{Engine, Families, FamilyQuery, Settings, families, families_csv};
use analytics_detect::Kind;
use ingest_model::UtcMicros;
use ingest_store::Store;
use std::collections::BTreeSet;
use std::fmt::Write as _;

const DAYS: i64 = 35;
/// From this day on loops of the bad revision step off, two a day.
const BAD_FROM: i64 = 21;

/// Type, revision, loops, of which so many step off by 1.2 % of span.
const PLANT: [(&str, u8, usize, usize); 5] = [
    ("0xFA42", 5, 12, 9),
    ("0xFA42", 4, 9, 0),
    ("0x1B07", 1, 12, 1),
    ("0x2C01", 2, 6, 0),
    ("0x3D05", 1, 1, 1),
];

fn plant(dir: &std::path::Path) -> Store {
    let site = dir.join("site");
    std::fs::create_dir_all(site.join("readings")).unwrap();
    let mut register = String::from("tag,pv_unit,lrv,urv,device_type,device_revision\n");
    let mut csv = String::from("time,tag,pv,reported_ma,analog_ma,response_code,device_status\n");
    let mut seed: u32 = 7;
    let mut noise = || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(seed) / 4_294_967_296.0 - 0.5
    };
    for (f, (kind, revision, loops, bad)) in PLANT.iter().enumerate() {
        for n in 0..*loops {
            let tag = format!("FT-{f}{n:02}");
            writeln!(register, "{tag},m3/h,0,100,{kind},{revision}").unwrap();
            let off = (n < *bad).then(|| BAD_FROM + n as i64 / 2);
            for k in 0..DAYS * 144 {
                let time = UtcMicros(crate::support::START + k * 600_000_000);
                let pv = 50.0 + 30.0 * (k as f64 / 69.0 + n as f64).sin();
                let shift = if off.is_some_and(|d| k >= d * 144) {
                    1.2
                } else {
                    0.0
                };
                let r = 4.0 + 0.16 * pv;
                let m = r + 0.16 * shift + 0.01 * noise();
                writeln!(csv, "{time},{tag},{pv:.4},{r:.4},{m:.4},0,0").unwrap();
            }
        }
    }
    register.push_str("FT-900,m3/h,0,100,,\n");
    std::fs::write(site.join("loops.csv"), register).unwrap();
    std::fs::write(site.join("readings/a.csv"), csv).unwrap();
    let store = Store::open(&dir.join("store"), "test", UtcMicros(0)).unwrap();
    store.import_site(&site, UtcMicros(0), &mut |_| {}).unwrap();
    store
}

#[test]
fn families_are_compared_and_the_bad_one_is_dated() {
    let dir = tempfile::tempdir().unwrap();
    let store = plant(dir.path());
    let snapshot = store.reader().snapshot().unwrap();
    let mut engine = Engine::new(Settings::default());
    let assessed = engine.assess(&snapshot, None, &mut |_| {}).unwrap();
    let ask = |days, kind| -> Families {
        families(&assessed, snapshot.register(), &FamilyQuery { days, kind }).unwrap()
    };
    let all = ask(90, Some(Kind::AnalogDigitalDrift));
    assert_eq!(all.without_type, 1);
    let revisions: Vec<_> = all
        .families
        .iter()
        .filter(|f| f.scope == "device_revision")
        .collect();
    assert_eq!(revisions.len(), PLANT.len());

    // What a family holds is what its loops say, reckoned here once more.
    let open: BTreeSet<&str> = assessed
        .result
        .attention
        .iter()
        .filter(|r| {
            r.findings
                .iter()
                .any(|f| f.kind == Kind::AnalogDigitalDrift && f.ended.is_none())
        })
        .map(|r| r.tag.as_str())
        .collect();
    assert!(open.len() >= 8, "{open:?}");
    for f in &revisions {
        assert_eq!(f.members, f.loops.len());
        let with = f
            .loops
            .iter()
            .filter(|m| open.contains(m.tag.as_str()))
            .count();
        assert_eq!(f.findings.loops as usize, with, "{}", f.name);
        let rates: Vec<f64> = f.loops.iter().filter_map(|m| m.rate_pct_per_day).collect();
        let mean = rates.iter().sum::<f64>() / rates.len() as f64;
        assert!((f.rate.mean.raw.unwrap().value - mean).abs() < 1e-12);
        assert_eq!(
            f.weeks.len(),
            4,
            "whole weeks of {DAYS} days, the last minutes missing"
        );
    }
    // One loop of one has a finding: by itself the worst of all, drawn towards the fleet it is not.
    let of = |name: &str| *revisions.iter().find(|f| f.name == name).unwrap();
    let (bad, single) = (of("0xFA42/5"), of("0x3D05/1"));
    assert_eq!(single.findings.share.raw.unwrap().value, 1.0);
    let pooled = |name: &str| of(name).findings.share.pooled.unwrap();
    assert!(pooled("0x3D05/1").value < 0.9);
    assert!(
        pooled("0x3D05/1").high - pooled("0x3D05/1").low
            > pooled("0xFA42/5").high - pooled("0xFA42/5").low
    );
    assert!(pooled("0xFA42/5").value > 3.0 * pooled("0x1B07/1").value);
    let rate = |name: &str| of(name).rate.mean.pooled.unwrap();
    // Steps late in the time bend a robust slope only a little, but past what chance does.
    assert!(rate("0xFA42/5").low > 0.0, "{:?}", rate("0xFA42/5"));
    assert!(rate("0xFA42/4").low < 0.0 && rate("0xFA42/4").high > 0.0);

    let change = bad.change.clone().expect("findings began");
    assert_eq!(
        (change.direction, change.evidenced),
        ("worse", true),
        "{change:?}"
    );
    let day =
        |t: &str| (UtcMicros::parse_rfc3339(t).unwrap().0 - crate::support::START) / 86_400_000_000;
    assert!((day(&change.since) - BAD_FROM).abs() <= 2, "{change:?}");
    assert!(day(&change.since_low) <= BAD_FROM + 1 && day(&change.since_high) >= BAD_FROM - 1);
    for other in revisions.iter().filter(|f| f.name != "0xFA42/5") {
        assert!(
            other.change.as_ref().is_none_or(|c| !c.evidenced),
            "{other:?}"
        );
    }
    // A type holds its revisions.
    let kind = all
        .families
        .iter()
        .find(|f| f.scope == "device_type" && f.name == "0xFA42")
        .unwrap();
    assert_eq!(
        (kind.members, kind.findings.loops),
        (21, bad.findings.loops)
    );

    let csv = families_csv(&all).unwrap();
    assert_eq!(csv.lines().count(), 1 + all.families.len());
    assert!(
        csv.starts_with("scope,family,members,") && csv.contains("0xFA42/5"),
        "{csv}"
    );
    // Other findings, other time.
    assert!(
        ask(90, Some(Kind::NoReply))
            .families
            .iter()
            .all(|f| f.findings.loops == 0)
    );
    assert!(ask(7, None).families.iter().all(|f| f.weeks.len() == 1));
}

#[tokio::test]
async fn without_types_there_are_no_families_and_that_is_said() {
    let f = crate::support::Fixture::new(true);
    let (status, answer) = f.get("/api/v1/families").await;
    assert_eq!(status, 200);
    assert_eq!(
        (&answer["without_type"], &answer["families"]),
        (&3.into(), &serde_json::json!([]))
    );
    assert!(answer["method"].as_array().unwrap().len() > 3);
}
