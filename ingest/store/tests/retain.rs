//! Old days go as a whole, readers undisturbed, whatever fails.

mod common;

use common::judge::{copy, names};
use common::script::{DAY_US, batch};
use common::trouble::{Plan, Trouble};
use common::*;
use ingest_model::UtcMicros;
use ingest_store::{DropReport, Store, StoreReader};
use std::path::Path;
use std::sync::Arc;

/// Days 0, 1 and 2 collected, day 1 imported as well, something landed on day 0.
fn filled(dir: &Path) -> std::path::PathBuf {
    let site = site(
        dir,
        &[
            ("loops.csv", LOOPS),
            (
                "readings/a.csv",
                "time,tag,pv\n1970-01-02T12:00:00Z,PT-2,1\n1970-01-02T13:00:00Z,PT-2,1\n",
            ),
        ],
    );
    let store = open(dir);
    import(&store, &site).unwrap();
    for b in [0, 10, 20] {
        store.landing().append(batch(b)).unwrap();
        store.seal(now()).unwrap();
    }
    store.landing().append(batch(1)).unwrap();
    site
}

fn days(store: &Path) -> Vec<i64> {
    let snapshot = StoreReader::open(store).unwrap().snapshot().unwrap();
    snapshot.days().iter().map(|d| d.day).collect()
}

#[test]
fn old_days_go_as_a_whole_and_older_snapshots_still_read() {
    let dir = fast_dir();
    let site = filled(dir.path());
    let path = dir.path().join("store");
    let store = open(dir.path());
    let before = store.reader().snapshot().unwrap();
    let rows = flat(&before);
    // Ended before: a day that ends one microsecond later stays.
    let none = store
        .drop_days_before(UtcMicros(DAY_US - 1), now())
        .unwrap();
    assert_eq!(none, DropReport::default());
    let report = store
        .drop_days_before(UtcMicros(2 * DAY_US), now())
        .unwrap();
    assert_eq!((report.days, report.day_files), (2, 6));
    // Day 0 is there with what landed since; it goes when that is sealed.
    assert_eq!(days(&path), [0, 2]);
    store.seal(now()).unwrap();
    let report = store
        .drop_days_before(UtcMicros(2 * DAY_US), now())
        .unwrap();
    assert_eq!((report.days, report.day_files), (1, 1));
    assert_eq!(days(&path), [2]);
    assert_eq!(flat(&before), rows, "an older snapshot still reads");
    // Known files do not come back, and the register stays.
    assert!(!import(&store, &site).unwrap().changed);
    assert_eq!(store.reader().snapshot().unwrap().register().len(), 3);
    let files = names(&path.join("history")).len();
    store
        .drop_days_before(UtcMicros(0), now().plus_s(601.0))
        .unwrap();
    assert_eq!(names(&path.join("history")).len(), 1, "of {files}");
}

#[test]
fn age_counts_from_the_newest_reading() {
    let dir = fast_dir();
    filled(dir.path());
    let store = open(dir.path());
    let days = |n: u64| std::time::Duration::from_secs(n * 86_400);
    // The newest reading is on day 2, the clock half a century later.
    let keep = |n| store.drop_days_older_than(days(n), now()).unwrap().days;
    assert_eq!((keep(30), keep(2), keep(1)), (0, 0, 1));
    // A clock that is behind drops less.
    let early = store
        .drop_days_older_than(days(1), UtcMicros(DAY_US))
        .unwrap();
    assert_eq!(early.days, 0);
}

#[test]
fn whatever_fails_all_old_days_are_there_or_none() {
    let dir = fast_dir();
    filled(dir.path());
    let (base, work) = (dir.path().join("store"), dir.path().join("work/store"));
    for plan in [Plan::One, Plan::All] {
        let mut n = 0;
        loop {
            copy(&base, &work);
            let files = Trouble::new(plan(n));
            let mut dropped = false;
            if let Ok(store) = Store::open_with(&work, "test", now(), Arc::new(files.clone())) {
                dropped = store.drop_days_before(UtcMicros(2 * DAY_US), now()).is_ok();
                let late = now().plus_s(601.0);
                let _ = store.drop_days_before(UtcMicros(0), late);
            }
            let now_there = days(&work);
            assert!(
                now_there == [0, 2] || (!dropped && now_there == [0, 1, 2]),
                "operation {n}: {now_there:?}"
            );
            let store = Store::open(&work, "test", now()).unwrap();
            store
                .drop_days_before(UtcMicros(2 * DAY_US), now())
                .unwrap();
            drop(store);
            assert_eq!(days(&work), [0, 2], "operation {n}");
            assert!(!work.join("set-aside").exists(), "operation {n}");
            if files.failed() == 0 {
                break;
            }
            n += 1;
        }
        assert!(n > 15, "{n}");
    }
}
