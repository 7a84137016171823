//! A remembered day is worth a fresh one: with and without rollup files, over restarts, damage and new rows.

use analytics_assess::{Engine, Settings};
use ingest_model::UtcMicros;
use ingest_store::{Rollups, Store};
use std::path::Path;

const DAYS: i64 = 9;

/// Two loops at five minutes for nine days; the second drifts. `from_day` cuts the first days off.
fn write_site(dir: &Path, name: &str, from_day: i64, to_day: i64) {
    std::fs::create_dir_all(dir.join("readings")).unwrap();
    let register = "tag,pv_unit,lrv,urv\nFT-1,m3/h,0,100\nFT-2,m3/h,0,100\n";
    std::fs::write(dir.join("loops.csv"), register).unwrap();
    let mut csv = String::from("time,tag,pv,reported_ma,analog_ma,response_code,device_status\n");
    for k in from_day * 288..to_day * 288 {
        let time = UtcMicros((20_000 * 288 + k) * 300_000_000).to_rfc3339();
        for loop_no in 1..=2 {
            let pv = 50.0 + 30.0 * (k as f64 / 61.0 + f64::from(loop_no)).sin();
            let drift = f64::from(loop_no - 1) * 0.15 * (k as f64 / 288.0 - 3.0).max(0.0);
            let wobble = 0.004 * ((k * 7919 % 101) as f64 / 50.0 - 1.0);
            let (r, m) = (4.0 + 0.16 * pv, 4.0 + 0.16 * (pv + drift) + wobble);
            csv.push_str(&format!("{time},FT-{loop_no},{pv:.4},{r:.4},{m:.4},0,0\n"));
        }
    }
    std::fs::write(dir.join(format!("readings/{name}.csv")), csv).unwrap();
}

fn rank(store: &Store, engine: &mut Engine) -> String {
    let snapshot = store.reader().snapshot().unwrap();
    let assessed = engine.assess(&snapshot, None, &mut |_| {}).unwrap();
    assert!(assessed.block_bytes() > 0);
    serde_json::to_string(&assessed.result).unwrap()
}

fn files(dir: &Path) -> Vec<std::path::PathBuf> {
    let mut found: Vec<_> = std::fs::read_dir(dir.join("rollups"))
        .map(|d| d.map(|e| e.unwrap().path()).collect())
        .unwrap_or_default();
    found.sort();
    found
}

#[test]
fn remembered_days_give_equal_findings() {
    let dir = tempfile::tempdir().unwrap();
    let (site, dir) = (dir.path().join("site"), dir.path().join("store"));
    write_site(&site, "a", 0, DAYS - 1);
    let store = Store::open(&dir, "test", UtcMicros(0)).unwrap();
    store.import_site(&site, UtcMicros(0), &mut |_| {}).unwrap();
    let new = || Engine::new(Settings::default());
    let scratch = rank(&store, &mut new());
    assert!(scratch.contains("analog-digital-drift"), "{scratch}");

    // Who only reads keeps nothing.
    let reading = store.rollups().read_only();
    assert_eq!(
        rank(&store, &mut new().with_rollups(reading.clone())),
        scratch
    );
    assert!(files(&dir).is_empty());
    // One file for each day that is over, and it serves another engine.
    let mut kept = new().with_rollups(store.rollups());
    assert_eq!(rank(&store, &mut kept), scratch);
    assert_eq!(files(&dir).len() as i64, DAYS - 2);
    assert_eq!(
        rank(&store, &mut new().with_rollups(reading.clone())),
        scratch
    );

    // Damage costs time, not truth, and is mended by who keeps.
    let victim = &files(&dir)[3];
    let whole = std::fs::read(victim).unwrap();
    std::fs::write(victim, &whole[..whole.len() / 2]).unwrap();
    assert_eq!(rank(&store, &mut new().with_rollups(reading)), scratch);
    assert_eq!(
        rank(&store, &mut new().with_rollups(Rollups::new(&dir))),
        scratch
    );
    assert_eq!(std::fs::read(victim).unwrap(), whole);

    // New rows: of a new day, and late ones of an old day.
    write_site(&site, "b", DAYS - 1, DAYS);
    let mut late = std::fs::read_to_string(site.join("readings/a.csv")).unwrap();
    late.push_str("2024-10-05T00:02:30Z,FT-1,50,12,12,0,0\n");
    std::fs::write(site.join("readings/c.csv"), late).unwrap();
    store.import_site(&site, UtcMicros(0), &mut |_| {}).unwrap();
    let fresh = rank(&store, &mut new());
    assert_ne!(fresh, scratch);
    assert_eq!(rank(&store, &mut kept), fresh);
    assert_eq!(
        rank(&store, &mut new().with_rollups(store.rollups())),
        fresh
    );
    assert_eq!(files(&dir).len() as i64, DAYS - 1);
}

/// The day blocks say where in the range the loop ran.
#[test]
fn day_blocks_of_a_loop() {
    let dir = tempfile::tempdir().unwrap();
    let (site, dir) = (dir.path().join("site"), dir.path().join("store"));
    write_site(&site, "a", 0, 2);
    let store = Store::open(&dir, "test", UtcMicros(0)).unwrap();
    store.import_site(&site, UtcMicros(0), &mut |_| {}).unwrap();
    let snapshot = store.reader().snapshot().unwrap();
    let assessed = Engine::new(Settings::default())
        .assess(&snapshot, None, &mut |_| {})
        .unwrap();
    let days = assessed.day_blocks(&ingest_model::Tag::new("FT-1").unwrap());
    assert_eq!(days.len(), 2);
    assert_eq!(days[0].rows, 288);
    // 20 to 80 %: the first eighth and the last are never visited.
    assert_eq!(days[0].eighths[0].n + days[0].eighths[7].n, 0);
    assert!(days[0].eighths[3].n > 10);
}
