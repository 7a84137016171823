//! The journal: whole appends or nothing, across crashes, torn files and failing accesses; readers beside the writer.

mod common;

use common::trouble::{Plan, Trouble};
use common::*;
use ingest_store::{Store, StoreReader};
use std::path::Path;
use std::sync::Arc;

fn texts(from: usize, n: usize) -> Vec<String> {
    (from..from + n)
        .map(|i| format!("event {i} é\n\u{0}end"))
        .collect()
}

fn read(dir: &Path) -> Vec<String> {
    let entries = StoreReader::open(&dir.join("store"))
        .unwrap()
        .journal(0)
        .unwrap();
    assert!(entries.windows(2).all(|w| w[0].seq < w[1].seq));
    entries.into_iter().map(|e| e.text).collect()
}

#[test]
fn order_and_numbers_survive_reopening() {
    let dir = tempfile::tempdir().unwrap();
    {
        let store = open(dir.path());
        assert_eq!(store.reader().journal(0).unwrap(), []);
        assert_eq!(store.journal_append(&texts(0, 3)).unwrap(), 3);
        assert_eq!(store.journal_append(&[]).unwrap(), 3);
        // A reader beside the writer.
        assert_eq!(read(dir.path()), texts(0, 3));
    }
    let store = open(dir.path());
    assert_eq!(store.journal_append(&texts(3, 2)).unwrap(), 5);
    assert_eq!(read(dir.path()), texts(0, 5));
    let tail = store.reader().journal(3).unwrap();
    assert_eq!(tail.iter().map(|e| e.seq).collect::<Vec<_>>(), [4, 5]);
    assert_eq!(store.reader().journal(i64::MAX).unwrap(), []);
}

#[test]
fn nothing_can_be_changed_or_removed() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    store.journal_append(&texts(0, 2)).unwrap();
    let other = rusqlite::Connection::open(dir.path().join("store/journal.sqlite")).unwrap();
    for sql in ["DELETE FROM journal", "UPDATE journal SET text = ''"] {
        let refused = other.execute(sql, []).unwrap_err().to_string();
        assert!(refused.contains("append-only"), "{refused}");
    }
    assert_eq!(read(dir.path()), texts(0, 2));
}

#[test]
fn a_newer_layout_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    store.journal_append(&texts(0, 1)).unwrap();
    drop(store);
    rusqlite::Connection::open(dir.path().join("store/journal.sqlite"))
        .unwrap()
        .pragma_update(None, "user_version", 9)
        .unwrap();
    let store = open(dir.path());
    let error = store.reader().journal(0).unwrap_err().to_string();
    assert!(
        error.contains("format 9") && error.contains("newer program"),
        "{error}"
    );
    assert!(store.journal_append(&texts(1, 1)).is_err());
}

/// The machine stops at any point of the write-ahead log, which is then cut or has a torn page at its end: what is there
/// is a prefix in whole appends, and the next append goes on from it.
#[test]
fn a_torn_log_leaves_whole_appends() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    let sizes = [1, 7, 2, 30, 1];
    let mut ends = vec![0];
    for n in sizes {
        let from = *ends.last().unwrap();
        store.journal_append(&texts(from, n)).unwrap();
        ends.push(from + n);
    }
    let source = dir.path().join("store");
    let wal = std::fs::read(source.join("journal.sqlite-wal")).unwrap();
    assert!(wal.len() > 20_000, "{}", wal.len());
    let cut = tempfile::tempdir().unwrap();
    let target = cut.path().join("store");
    let mut seen = std::collections::BTreeSet::new();
    for (n, size) in (0..=wal.len()).step_by(1999).chain([wal.len()]).enumerate() {
        let _ = std::fs::remove_dir_all(&target);
        std::fs::create_dir_all(&target).unwrap();
        for name in [
            "state.sqlite",
            "landing.sqlite",
            "journal.sqlite",
            "state.sqlite-wal",
            "landing.sqlite-wal",
        ] {
            if source.join(name).exists() {
                std::fs::copy(source.join(name), target.join(name)).unwrap();
            }
        }
        let mut torn = wal[..size].to_vec();
        if n % 2 == 1 {
            torn.extend(std::iter::repeat_n(0xa5, 3000));
        }
        std::fs::write(target.join("journal.sqlite-wal"), torn).unwrap();
        let store = open(cut.path());
        let before: Vec<String> = store
            .reader()
            .journal(0)
            .unwrap()
            .into_iter()
            .map(|e| e.text)
            .collect();
        assert_eq!(before, texts(0, before.len()));
        assert!(
            ends.contains(&before.len()),
            "{} is no whole append",
            before.len()
        );
        seen.insert(before.len());
        store.journal_append(&texts(before.len(), 2)).unwrap();
        assert_eq!(read(cut.path()), texts(0, before.len() + 2));
    }
    assert_eq!(
        seen.into_iter().collect::<Vec<_>>(),
        ends,
        "each append was cut off once"
    );
}

#[test]
fn readers_beside_the_writer_see_whole_appends_in_order() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    let path = dir.path().join("store");
    let reading = std::thread::spawn(move || {
        let reader = StoreReader::open(&path).unwrap();
        let (mut got, mut last) = (Vec::new(), 0);
        while got.len() < 120 {
            for e in reader.journal(last).unwrap() {
                last = e.seq;
                got.push(e.text);
            }
            assert_eq!(got.len() % 3, 0, "an append was seen in part");
        }
        got
    });
    for n in 0..40 {
        store.journal_append(&texts(3 * n, 3)).unwrap();
    }
    assert_eq!(reading.join().unwrap(), texts(0, 120));
}

#[test]
fn a_store_that_cannot_be_written_keeps_what_it_had() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::open(&dir.path().join("store"), "test", now()).unwrap();
    // A folder where the file should be: no append can begin.
    std::fs::create_dir(dir.path().join("store/journal.sqlite")).unwrap();
    let error = store.journal_append(&texts(0, 1)).unwrap_err().to_string();
    assert!(error.contains("journal.sqlite"), "{error}");
    std::fs::remove_dir(dir.path().join("store/journal.sqlite")).unwrap();
    store.journal_append(&texts(0, 1)).unwrap();
    assert_eq!(read(dir.path()), texts(0, 1));
}

/// The n-th operation failing, alone or with all after it: what was told is there, in order, each append whole or not at
/// all, and going on works.
#[test]
fn a_failed_operation_loses_nothing_that_was_told() {
    let mut stopped = 0;
    for plan in [Plan::One, Plan::All] {
        for n in 0..60 {
            let dir = tempfile::tempdir().unwrap();
            drop(open(dir.path()));
            let files = Trouble::new(plan(n));
            let path = dir.path().join("store");
            let mut told = Vec::new();
            if let Ok(store) = Store::open_with(&path, "test", now(), Arc::new(files.clone())) {
                for k in 0..6 {
                    match store.journal_append(&texts(2 * k, 2)) {
                        Ok(_) => told.push(k),
                        Err(_) => stopped += 1,
                    }
                }
            }
            let kept = read(dir.path());
            assert_eq!(kept.len() % 2, 0, "operation {n}: an append in part");
            for k in &told {
                let pair = texts(2 * k, 2);
                let found = kept.chunks(2).filter(|c| *c == pair).count();
                assert_eq!(found, 1, "operation {n}: append {k}");
            }
            let store = open(dir.path());
            store.journal_append(&texts(100, 2)).unwrap();
            assert_eq!(read(dir.path()).len(), kept.len() + 2);
        }
    }
    assert!(stopped > 6, "{stopped}");
}
