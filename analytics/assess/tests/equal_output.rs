//! Equal rows, equal bytes: however a site's rows are ordered, cut into files, repeated or handed in over time, the
//! assessment is the same to the byte.

use analytics_assess::{Engine, Settings};
use ingest_model::UtcMicros;
use ingest_store::{ImportReport, Store};
use std::path::Path;

const DAYS: i64 = 10;
const HEAD: &str = "time,tag,pv,reported_ma,analog_ma,response_code,device_status,exchanges,comm_errors,config_changes";

/// A seeded order.
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as usize) % n
    }

    fn shuffle(&mut self, rows: &mut [String]) {
        for i in (1..rows.len()).rev() {
            rows.swap(i, self.below(i + 1));
        }
    }
}

/// Four loops at five minutes for ten days: a drift, rising errors over a counter's wrap, a status bit, a silence.
fn rows() -> Vec<String> {
    let mut out = Vec::new();
    for k in 0..DAYS * 288 {
        let time = UtcMicros((20_000 * 288 + k) * 300_000_000).to_rfc3339();
        let day = k as f64 / 288.0;
        for n in 1..=4 {
            let pv = 50.0 + 30.0 * (k as f64 / 61.0 + f64::from(n)).sin();
            let drift = if n == 2 {
                0.15 * (day - 3.0).max(0.0)
            } else {
                0.0
            };
            let wobble = 0.004 * ((k * 7919 % 101) as f64 / 50.0 - 1.0);
            let (r, m) = (4.0 + 0.16 * pv, 4.0 + 0.16 * (pv + drift) + wobble);
            let status = if n == 3 && day > 7.0 { 128 } else { 0 };
            let errors = k / 50 + if n == 4 { (k - 6 * 288).max(0) / 6 } else { 0 };
            let (sent, failed) = ((64_000 + k) % 65_536, errors % 65_536);
            if n == 1 && (5.0..5.5).contains(&day) {
                out.push(format!("{time},FT-1,,,{m:.4},,,,,"));
                continue;
            }
            out.push(format!(
                "{time},FT-{n},{pv:.4},{r:.4},{m:.4},0,{status},{sent},{failed},3"
            ));
        }
    }
    out.push("2024-10-04T00:00:01Z,FT-9,1,2,3,0,0,1,1,1".to_owned());
    out
}

fn write_site(dir: &Path, files: &[(String, Vec<String>)]) {
    std::fs::create_dir_all(dir.join("readings")).unwrap();
    let register: String = (1..=4)
        .map(|n| format!("FT-{n},m3/h,0,100,A,GW-1\n"))
        .collect();
    std::fs::write(
        dir.join("loops.csv"),
        format!("tag,pv_unit,lrv,urv,area,gateway\n{register}"),
    )
    .unwrap();
    std::fs::write(
        dir.join("work.csv"),
        "tag,from,to,note\nFT-3,2024-10-02T00:00:00Z,2024-10-02T06:00:00Z,cleaning\n",
    )
    .unwrap();
    for (name, rows) in files {
        let text = format!("{HEAD}\n{}\n", rows.join("\n"));
        std::fs::write(dir.join(format!("readings/{name}.csv")), text).unwrap();
    }
}

fn import(store: &Store, site: &Path) -> ImportReport {
    store.import_site(site, UtcMicros(0), &mut |_| {}).unwrap()
}

fn bytes(store: &Store, engine: &mut Engine) -> String {
    let snapshot = store.reader().snapshot().unwrap();
    let assessed = engine.assess(&snapshot, None, &mut |_| {}).unwrap();
    serde_json::to_string(&assessed.result).unwrap()
}

fn fresh() -> Engine {
    Engine::new(Settings::default())
}

/// A store of its own with the site that `files` make.
fn of(dir: &Path, name: &str, files: &[(String, Vec<String>)]) -> (Store, String) {
    let site = dir.join(format!("site-{name}"));
    write_site(&site, files);
    let store = Store::open(&dir.join(format!("store-{name}")), "test", UtcMicros(0)).unwrap();
    import(&store, &site);
    let result = bytes(&store, &mut fresh());
    (store, result)
}

#[test]
fn order_split_and_repetition_change_nothing() {
    let tmp = tempfile::tempdir().unwrap();
    let dir = tmp.path();
    let rows = rows();
    let (store, reference) = of(dir, "sorted", &[("a".to_owned(), rows.clone())]);
    for kind in [
        "analog-digital-drift",
        "device-status",
        "no-reply",
        "rising-errors",
    ] {
        assert!(reference.contains(kind), "{kind}: {reference}");
    }
    assert!(reference.contains("\"rejected\":1"), "{reference}");

    // The same folder again, and the same rows under another name: known, or equal to what is there.
    import(&store, &dir.join("site-sorted"));
    assert_eq!(bytes(&store, &mut fresh()), reference);

    let mut shuffled = rows.clone();
    Dice(1).shuffle(&mut shuffled);
    assert_eq!(
        of(dir, "shuffled", &[("a".to_owned(), shuffled.clone())]).1,
        reference
    );

    // Seven files of rows drawn by lot, whose times overlap.
    let mut dice = Dice(2);
    let mut parts: Vec<(String, Vec<String>)> =
        (0..7).map(|i| (format!("part-{i}"), Vec::new())).collect();
    for row in &shuffled {
        parts[dice.below(7)].1.push(row.clone());
    }
    assert_eq!(of(dir, "split", &parts).1, reference);

    // Every third usable row stands in another file too.
    for (i, row) in shuffled.iter().enumerate() {
        if i % 3 == 0 && !row.contains("FT-9") {
            parts[dice.below(7)].1.push(row.clone());
        }
    }
    assert_eq!(of(dir, "repeated", &parts).1, reference);
}

#[test]
fn incremental_equals_from_scratch() {
    let tmp = tempfile::tempdir().unwrap();
    let dir = tmp.path();
    let rows = rows();
    let (_, reference) = of(dir, "whole", &[("a".to_owned(), rows.clone())]);
    // Ten hours a file, in order of time and against it; one engine that remembers days lives through all of it.
    let size = rows.len() / 24 + 1;
    for (name, backwards) in [("forwards", false), ("backwards", true)] {
        let store = Store::open(&dir.join(format!("store-{name}")), "test", UtcMicros(0)).unwrap();
        let mut kept = fresh().with_rollups(store.rollups());
        let mut chunks: Vec<&[String]> = rows.chunks(size).collect();
        if backwards {
            chunks.reverse();
        }
        let site = dir.join(format!("site-{name}"));
        let mut last = String::new();
        for (i, chunk) in chunks.iter().enumerate() {
            write_site(&site, &[(format!("part-{i:02}"), chunk.to_vec())]);
            import(&store, &site);
            last = bytes(&store, &mut kept);
        }
        assert_eq!(last, reference, "{name}: the engine that lived through it");
        assert_eq!(
            bytes(&store, &mut fresh()),
            reference,
            "{name}: from scratch"
        );
        assert_eq!(
            bytes(&store, &mut fresh().with_rollups(store.rollups())),
            reference,
            "{name}: from rollups"
        );
    }
}
