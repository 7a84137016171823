//! The day that still grows: its newest rows are read without the rest, and its rows are not rewritten with each seal.

mod common;

use common::*;
use ingest_model::{Columns, Reading, Tag, UtcMicros};
use ingest_store::{Snapshot, Store};

const MIN_US: i64 = 60_000_000;
const HOUR_US: i64 = 60 * MIN_US;

/// One reading of two loops a minute.
fn lands(store: &Store, minutes: std::ops::Range<i64>) {
    let rows = minutes.flat_map(|m| {
        ["FT-1", "PT-2"].map(|name| {
            let reading = Reading {
                pv: m as f64,
                response_code: Some(0),
                ..Reading::empty(UtcMicros(m * MIN_US))
            };
            (tag(name), reading)
        })
    });
    store.landing().append(rows.collect()).unwrap();
}

fn rows_from(snapshot: &Snapshot, from: UtcMicros) -> Vec<(Tag, Columns)> {
    let whole = snapshot.day_parts_from(from, &|_| true).unwrap();
    let mut out = Vec::new();
    for n in 0..whole.count() {
        let mut each = |tag: &Tag, c: Columns| {
            out.push((tag.clone(), c));
            Ok(())
        };
        whole.read(n, &mut each).unwrap();
    }
    out
}

#[test]
fn rows_from_an_instant_on_are_those_of_the_whole_day_without_the_earlier() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    store.register_apply(LOOPS, now()).unwrap();
    for n in 0..40 {
        lands(&store, 3 * n..3 * n + 3);
        if n % 10 < 8 {
            store.seal(now()).unwrap();
        }
        // What comes late stands in a later file.
        lands(&store, n..n + 1);
    }
    let snapshot = store.reader().snapshot().unwrap();
    let all = rows_from(&snapshot, UtcMicros(0));
    assert_eq!(all.iter().map(|(_, c)| c.len()).sum::<usize>(), 240);
    for from in [0, HOUR_US, HOUR_US + 1, 119 * MIN_US, 120 * MIN_US] {
        let some = rows_from(&snapshot, UtcMicros(from));
        let expected: Vec<(Tag, Vec<i64>)> = all
            .iter()
            .map(|(t, c)| {
                let times = c.time.iter().copied().filter(|t| *t >= from);
                (t.clone(), times.collect::<Vec<_>>())
            })
            .filter(|(_, times)| !times.is_empty())
            .collect();
        let found: Vec<_> = some
            .iter()
            .map(|(t, c)| (t.clone(), c.time.clone()))
            .collect();
        assert_eq!(found, expected, "from {from}");
    }
}

#[test]
fn a_key_of_the_rows_before_an_hour_stands_while_later_ones_come() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    store.register_apply(LOOPS, now()).unwrap();
    let key = || {
        let snapshot = store.reader().snapshot().unwrap();
        snapshot.key_before(0, UtcMicros(HOUR_US))
    };
    lands(&store, 0..60);
    let landed = key();
    lands(&store, 60..70);
    assert_eq!(key(), landed);
    store.seal(now()).unwrap();
    let sealed = key();
    lands(&store, 70..75);
    store.seal(now()).unwrap();
    assert_eq!(key(), sealed, "a file of later rows only");
    lands(&store, 59..60);
    assert_ne!(key(), sealed, "a late row");
}

#[test]
fn a_row_of_the_newest_day_is_rewritten_a_few_times_only() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    store.register_apply(LOOPS, now()).unwrap();
    let history = dir.path().join("store/history");
    let names = || -> std::collections::BTreeSet<String> {
        let files = std::fs::read_dir(&history).unwrap();
        let names = files.map(|f| f.unwrap().file_name().into_string().unwrap());
        names.collect()
    };
    const SEALS: i64 = 480;
    let largest = || {
        let size = |f: &String| std::fs::metadata(history.join(f)).unwrap().len();
        names().into_iter().max_by_key(size)
    };
    let (mut in_file, mut rewritten) = (None, 0);
    for n in 0..SEALS {
        lands(&store, 3 * n..3 * n + 3);
        // Later each time, so that replaced files are gone.
        store.seal(now().plus_s(700.0 * n as f64)).unwrap();
        assert!(
            names().len() <= 24,
            "{} files after {n} seals",
            names().len()
        );
        let now_in = largest();
        rewritten += usize::from(now_in != in_file);
        in_file = now_in;
    }
    assert_eq!(
        flat(&store.reader().snapshot().unwrap()).len() as i64,
        2 * 3 * SEALS
    );
    // With every eighth seal it would be 60 times.
    assert!(
        rewritten <= 20,
        "the oldest rows were rewritten {rewritten} times"
    );
    // The day is over: one file.
    lands(&store, 1_440..1_441);
    for n in 0..3 {
        store
            .seal(now().plus_s(700.0 * (SEALS + n) as f64))
            .unwrap();
    }
    assert!(names().len() <= 10, "{:?}", names());
}
