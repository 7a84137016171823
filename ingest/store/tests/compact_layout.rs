//! Old days go into the compact layout: the same rows, readers undisturbed, whatever fails.

mod common;

use common::judge::{copy, names};
use common::script::{DAY_US, batch};
use common::trouble::{Plan, Trouble};
use common::*;
use ingest_model::UtcMicros;
use ingest_store::{CompactReport, ExportOptions, Store, StoreReader};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

const DAY: Duration = Duration::from_secs(86_400);

/// Days 0, 1 and 2 collected, day 1 imported as well.
fn filled(dir: &Path) -> std::path::PathBuf {
    let site = site(
        dir,
        &[
            ("loops.csv", LOOPS),
            (
                "readings/a.csv",
                "time,tag,pv,analog_ma\n1970-01-02T12:00:00Z,PT-2,1,12.5\n1970-01-02T13:00:00Z,PT-2,1.25,\n",
            ),
        ],
    );
    let store = open(dir);
    import(&store, &site).unwrap();
    for b in [0, 10, 20] {
        store.landing().append(batch(b)).unwrap();
        store.seal(now()).unwrap();
    }
    site
}

fn rows(store: &Path) -> Vec<(String, i64, String)> {
    flat(&StoreReader::open(store).unwrap().snapshot().unwrap())
}

fn compact_files(store: &Path) -> usize {
    let names = names(&store.join("history"));
    names.iter().filter(|n| n.contains(".compact.")).count()
}

#[test]
fn old_days_become_compact_and_read_the_same() {
    let dir = fast_dir();
    filled(dir.path());
    let path = dir.path().join("store");
    let store = open(dir.path());
    let before = store.reader().snapshot().unwrap();
    let all = flat(&before);
    let per_loop = |s: &ingest_store::Snapshot| {
        let tags = s.register().tags().cloned().collect::<Vec<_>>();
        let read = |t| s.read_loop(t, UtcMicros(0), UtcMicros(9 * DAY_US)).unwrap();
        tags.iter()
            .map(|t| format!("{:?}", read(t)))
            .collect::<Vec<_>>()
    };
    let loops = per_loop(&before);
    // No more days than asked for.
    let none = store.compact_days_older_than(Duration::ZERO, 0, now());
    assert_eq!((none.unwrap().days, compact_files(&path)), (0, 0));
    // The newest reading is on day 2: day 0 ended more than a day before, day 1 and 2 did not.
    let report = store
        .compact_days_older_than(DAY, usize::MAX, now())
        .unwrap();
    assert_eq!((report.days, compact_files(&path)), (1, 1));
    assert!(report.rows > 0 && report.bytes > 0 && report.bytes_before > 0);
    let report = store
        .compact_days_older_than(Duration::ZERO, usize::MAX, now())
        .unwrap();
    assert_eq!(
        report.days, 1,
        "imported and collected of day 1, each a file"
    );
    assert_eq!(compact_files(&path), 3);
    let again = store
        .compact_days_older_than(DAY, usize::MAX, now())
        .unwrap();
    assert_eq!(again, CompactReport::default(), "nothing is done twice");
    let after = store.reader().snapshot().unwrap();
    assert_eq!((flat(&after), per_loop(&after)), (all.clone(), loops));
    assert_eq!(flat(&before), all, "an older snapshot still reads");
    // Ten minutes later the files before are gone.
    store
        .compact_days_older_than(DAY, usize::MAX, now().plus_s(601.0))
        .unwrap();
    store.seal(now().plus_s(601.0)).unwrap();
    assert_eq!(names(&path.join("history")).len(), 4);
    assert_eq!(rows(&path), all);

    // What comes late stands beside the compact file and goes into it the next time.
    store.landing().append(batch(1)).unwrap();
    store.seal(now()).unwrap();
    let late = rows(&path);
    assert!(late.len() > all.len());
    assert_eq!(
        store
            .compact_days_older_than(DAY, usize::MAX, now())
            .unwrap()
            .days,
        1
    );
    assert_eq!(rows(&path), late);

    // An exported folder is in the open layout, for any reader.
    let out = dir.path().join("out");
    let reader = store.reader();
    let done = reader
        .export(&out, ExportOptions::default(), &mut |_| {})
        .unwrap();
    assert_eq!(done.readings, late.len() as u64);
    let back = fast_dir();
    import(&open(back.path()), &out).unwrap();
    assert_eq!(rows(&back.path().join("store")), late);
}

#[test]
fn whatever_fails_every_row_is_there_once() {
    let dir = fast_dir();
    filled(dir.path());
    let (base, work) = (dir.path().join("store"), dir.path().join("work/store"));
    let all = rows(&base);
    for plan in [Plan::One, Plan::All] {
        let mut n = 0;
        loop {
            copy(&base, &work);
            let files = Trouble::new(plan(n));
            if let Ok(store) = Store::open_with(&work, "test", now(), Arc::new(files.clone())) {
                let _ = store.compact_days_older_than(DAY, usize::MAX, now());
                let _ = store.compact_days_older_than(DAY, usize::MAX, now().plus_s(601.0));
            }
            assert_eq!(rows(&work), all, "operation {n}");
            let store = Store::open(&work, "test", now()).unwrap();
            store
                .compact_days_older_than(DAY, usize::MAX, now())
                .unwrap();
            drop(store);
            assert_eq!(rows(&work), all, "operation {n}");
            assert_eq!(compact_files(&work), 1, "operation {n}");
            if files.failed() == 0 {
                break;
            }
            n += 1;
        }
        assert!(n > 15, "{n}");
    }
}
