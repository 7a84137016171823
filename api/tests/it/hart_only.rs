//! No analog input mapped: everything that still works does, and the rest says plainly that it cannot judge.

use analytics_assess::{Engine, Settings, Watch};
use analytics_detect::Kind;
use ingest_model::UtcMicros;
use ingest_store::Store;
use sample_fleet::{Absent, FleetOptions, Profile, write_site};
use std::collections::{BTreeMap, BTreeSet};

/// 120 loops, 20 days, faults of every kind, and not one current: recall by kind of what the digital channel shows.
#[test]
fn a_fleet_without_analog_inputs() {
    let dir = tempfile::tempdir().unwrap();
    let site = dir.path().join("fleet");
    let options = FleetOptions {
        loops: 120,
        days: 20,
        period_s: 300.0,
        profile: Profile::Mixed,
        without: vec![Absent::AnalogMa],
        ..FleetOptions::new(5, UtcMicros::parse_rfc3339("2026-06-01T00:00:00Z").unwrap())
    };
    let truth = write_site(&site, &options, &mut |_| {}).unwrap();
    let store = Store::open(&dir.path().join("store"), "test", UtcMicros(0)).unwrap();
    store
        .import_site(&site.join("site"), UtcMicros(0), &mut |_| {})
        .unwrap();
    let snapshot = store.reader().snapshot().unwrap();
    let mut engine = Engine::new(Settings::default());
    let assessed = engine.assess(&snapshot, None, &mut |_| {}).unwrap();
    let a = &assessed.result;

    let found: BTreeSet<(&str, &str)> = a
        .attention
        .iter()
        .flat_map(|r| r.findings.iter().map(|f| (r.tag.as_str(), f.kind.as_str())))
        .collect();
    // What leaves its trace in the digital channel: a broken wire silences the device too, and a failing device says so.
    let remains = |f: &sample_fleet::FaultTruth| match f.kind {
        "analog-digital-drift" => f.variant == "scaling",
        "stuck-value" => f.signal != Some("analog"),
        "current-out-of-range" => false,
        _ => true,
    };
    let mut recall: BTreeMap<&str, (u32, u32)> = BTreeMap::new();
    for f in truth.faults.iter().filter(|f| remains(f)) {
        let r = recall.entry(f.kind).or_default();
        r.1 += 1;
        r.0 += u32::from(found.contains(&(f.tag.as_str(), f.kind)));
    }
    let (hit, all) = recall.values().fold((0, 0), |(h, n), r| (h + r.0, n + r.1));
    assert!(all >= 20, "{all}");
    assert!(hit * 100 >= all * 80, "{hit} of {all}: {recall:?}");
    for (kind, least) in [
        ("no-reply", 80),
        ("device-status", 80),
        ("fixed-current", 80),
    ] {
        if let Some((hit, all)) = recall.get(kind) {
            assert!(hit * 100 >= all * least, "{kind}: {hit} of {all}");
        }
    }

    // Nothing is said of a current that nobody saw.
    for r in &a.attention {
        for f in &r.findings {
            assert_ne!(f.kind, Kind::CurrentOutOfRange, "{}", f.summary);
            let drift = f.kind == Kind::AnalogDigitalDrift;
            assert!(!drift || f.cause == Some("scaling"), "{}", f.summary);
        }
    }
    // Every loop says what is missing.
    let missing: BTreeSet<&str> = a
        .not_judged
        .iter()
        .filter(|n| n.what == "analog-digital-drift")
        .map(|n| n.tag.as_str())
        .collect();
    assert_eq!(missing.len(), a.loops);
    let plain = a
        .not_judged
        .iter()
        .filter(|n| n.what == "current-out-of-range" && n.why.starts_with("no analog source"));
    assert!(
        plain.count() >= a.loops - 8,
        "parked loops have no current to miss"
    );

    // The wire: nothing can be told, and the numbers say why there are none.
    let register = snapshot.register();
    let watch = Watch::default().run(&assessed, &snapshot, &|| true);
    for tag in register.tags() {
        let terms = assessed.circuit(register.current(tag).unwrap());
        assert!(terms.says.is_empty(), "{tag}: {:?}", terms.says);
        assert!(!terms.cannot_tell.is_empty());
        let numbers = &watch.loops[tag].numbers;
        assert!(
            numbers
                .iter()
                .all(|n| n.size.is_some() || n.blind.is_some())
        );
        let drift = numbers
            .iter()
            .filter(|n| n.kind == Kind::AnalogDigitalDrift);
        assert!(drift.clone().count() > 0 && drift.clone().all(|n| n.size.is_none()));
    }
    // Errors need no current.
    let errors = watch
        .loops
        .values()
        .flat_map(|w| &w.numbers)
        .filter(|n| n.kind == Kind::RisingErrors && n.size.is_some());
    assert!(errors.count() > a.loops);
}
