//! Readings land, are seen at once, and move to day files exactly once.

mod common;

use common::*;
use ingest_model::{LoopEntry, Range, Reading, Tag, Transfer, UtcMicros};
use ingest_store::{Store, StoreReader};
use std::sync::atomic::{AtomicBool, Ordering};

fn reading(time: i64, pv: f64) -> Reading {
    Reading {
        pv,
        response_code: Some(0),
        ..Reading::empty(UtcMicros(time))
    }
}

fn batch(rows: &[(&str, i64, f64)]) -> Vec<(Tag, Reading)> {
    rows.iter()
        .map(|(t, time, pv)| (tag(t), reading(*time, *pv)))
        .collect()
}

const DAY: i64 = 86_400_000_000;

#[test]
fn landed_rows_are_seen_at_once_and_once_after_the_seal() {
    let dir = tempfile::tempdir().unwrap();
    let site = site(
        dir.path(),
        &[
            ("loops.csv", LOOPS),
            (
                "readings/a.csv",
                "time,tag,pv\n1970-01-02T00:00:00Z,PT-2,1\n1970-01-02T00:00:01Z,PT-2,2\n",
            ),
        ],
    );
    let store = open(dir.path());
    import(&store, &site).unwrap();
    let landing = store.landing();
    let before = store.reader().snapshot().unwrap();
    // Same time as an imported row, a row twice, two days, a tag nobody knows, a time nobody can write.
    landing
        .append(batch(&[
            ("PT-2", DAY + 1_000_000, 7.0),
            ("FT-1", DAY, 3.0),
            ("FT-1", 5, 1.0),
            ("FT-1", DAY, 4.0),
            ("XX", DAY, 4.0),
            ("FT-1", i64::MAX, 4.0),
        ]))
        .unwrap();
    let expected: Vec<(String, i64, String)> = [
        ("FT-1", 5, "1"),
        ("FT-1", DAY, "4"),
        ("PT-2", DAY, "1"),
        ("PT-2", DAY + 1_000_000, "7"),
    ]
    .map(|(t, time, pv)| (t.to_owned(), time, pv.to_owned()))
    .into();
    let landed = store.reader().snapshot().unwrap();
    assert_eq!(flat(&landed), expected);
    assert_eq!(landed.rejected(), 2);
    assert_eq!(
        flat(
            &StoreReader::open(&dir.path().join("store"))
                .unwrap()
                .snapshot()
                .unwrap()
        ),
        expected
    );
    assert_ne!(landed.days()[1], before.days()[0]);
    assert_eq!(before.days().len(), 1);
    assert_eq!(flat(&before).len(), 2);

    let report = store.seal(now()).unwrap();
    assert_eq!((report.rows, report.repeats, report.day_files), (3, 1, 2));
    assert_eq!(store.seal(now()).unwrap(), Default::default());
    assert_eq!(flat(&store.reader().snapshot().unwrap()), expected);
    assert_eq!(flat(&landed), expected, "an older snapshot stays readable");

    // A later import does not beat what was collected.
    std::fs::write(
        site.join("readings/b.csv"),
        "time,tag,pv\n1970-01-02T00:00:01Z,PT-2,9\n1970-01-02T00:00:00Z,PT-2,8\n",
    )
    .unwrap();
    import(&store, &site).unwrap();
    let pv = |store: &Store| {
        flat(&store.reader().snapshot().unwrap())
            .iter()
            .map(|r| r.2.clone())
            .collect::<Vec<_>>()
    };
    assert_eq!(pv(&store), ["1", "4", "8", "7"]);
    drop((landing, store));
    let store = open(dir.path());
    assert_eq!(pv(&store), ["1", "4", "8", "7"]);
    store
        .landing()
        .append(batch(&[("PT-2", DAY, 6.0)]))
        .unwrap();
    assert_eq!(
        pv(&store),
        ["1", "4", "6", "7"],
        "numbers of landed batches go on after the landing was empty"
    );
    let rejects = std::fs::read_to_string(dir.path().join("store/rejects/collected.csv")).unwrap();
    assert!(rejects.contains("XX"), "{rejects}");
}

#[test]
fn days_in_many_files_are_joined_and_old_snapshots_still_read() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    store.register_apply(LOOPS, now()).unwrap();
    let history = dir.path().join("store/history");
    let mut old = None;
    for n in 0..9 {
        store
            .landing()
            .append(batch(&[("FT-1", n, n as f64), ("FT-1", 100, n as f64)]))
            .unwrap();
        if n == 8 {
            old = Some(store.reader().snapshot().unwrap());
        }
        let report = store.seal(now()).unwrap();
        assert_eq!(report.days_compacted, usize::from(n == 8));
    }
    let rows = flat(&store.reader().snapshot().unwrap());
    assert_eq!(rows.len(), 10);
    assert_eq!(rows[9].2, "8");
    assert_eq!(flat(&old.unwrap()), rows);
    assert_eq!(std::fs::read_dir(&history).unwrap().count(), 10);
    store.seal(now().plus_s(601.0)).unwrap();
    assert_eq!(std::fs::read_dir(&history).unwrap().count(), 1);
    assert_eq!(flat(&store.reader().snapshot().unwrap()), rows);
}

#[test]
fn every_accepted_reading_is_seen_once_while_others_append_seal_and_read() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    store.register_apply(LOOPS, now()).unwrap();
    let done = AtomicBool::new(false);
    let reader = StoreReader::open(&dir.path().join("store")).unwrap();
    std::thread::scope(|scope| {
        let mut producers = Vec::new();
        for (k, name) in ["FT-1", "PT-2", "TT-3"].into_iter().enumerate() {
            let landing = store.landing();
            producers.push(scope.spawn(move || {
                for n in 0..60 {
                    landing
                        .append(batch(&[(name, n * 10 + k as i64, n as f64)]))
                        .unwrap();
                }
            }));
        }
        let (done, store) = (&done, &store);
        let sealer = scope.spawn(move || {
            while !done.load(Ordering::Relaxed) {
                store.seal(now()).unwrap();
            }
        });
        for reader in [reader.clone(), store.reader()] {
            scope.spawn(move || {
                let mut seen = 0;
                while !done.load(Ordering::Relaxed) {
                    let rows = flat(&reader.snapshot().unwrap()).len();
                    assert!(rows >= seen, "{rows} rows after {seen}");
                    seen = rows;
                }
            });
        }
        for p in producers {
            p.join().unwrap();
        }
        done.store(true, Ordering::Relaxed);
        sealer.join().unwrap();
    });
    assert_eq!(flat(&reader.snapshot().unwrap()).len(), 180);
}

#[test]
fn shown_loops_are_entered_and_only_confirmed_ones_are_retired() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    let range = Range {
        lrv: 0.0,
        urv: 5.0,
        transfer: Transfer::Other(4),
    };
    let shown = |urv| LoopEntry::new(tag("Süd/3 #2"), "bar", Range { urv, ..range });
    store.enter_loops(vec![shown(5.0)], UtcMicros(10)).unwrap();
    store
        .landing()
        .append(batch(&[("Süd/3 #2", 1, 1.0)]))
        .unwrap();
    store.register_apply(LOOPS, UtcMicros(20)).unwrap();
    let changed = LOOPS
        .replace("900", "800")
        .replace("TT-3,degC,-50,150\n", "");
    let preview = store.register_preview(&changed, UtcMicros(30)).unwrap();
    assert_eq!(
        store
            .reader()
            .snapshot()
            .unwrap()
            .register()
            .current(&tag("FT-1"))
            .unwrap()
            .range
            .urv,
        900.0
    );
    let diff = store.register_apply(&changed, UtcMicros(30)).unwrap();
    assert_eq!(diff, preview);
    assert_eq!((diff.retired, diff.unchanged), (vec!["TT-3".to_owned()], 1));
    assert_eq!(diff.changed[0].cells[0].before, "900");
    // Ranged anew by somebody, and shown again: a new entry from now, the old one for what was before.
    store.enter_loops(vec![shown(6.0)], UtcMicros(40)).unwrap();
    let snapshot = store.reader().snapshot().unwrap();
    let r = snapshot.register();
    assert!(r.is_retired(&tag("TT-3")) && !r.is_retired(&tag("Süd/3 #2")));
    let urv = |t: &str, at: i64| r.at(&tag(t), UtcMicros(at)).unwrap().range.urv;
    assert_eq!(
        (
            urv("FT-1", 29),
            urv("FT-1", 30),
            urv("Süd/3 #2", 39),
            urv("Süd/3 #2", 40)
        ),
        (900.0, 800.0, 5.0, 6.0)
    );
    assert!(!r.current(&tag("Süd/3 #2")).unwrap().confirmed);
    // Its own CSV read back: ranges and history stay, what was shown is now confirmed.
    let csv = r.to_csv();
    let back = store.register_apply(&csv, UtcMicros(50)).unwrap();
    assert!(
        back.changed
            .iter()
            .all(|c| c.cells.iter().all(|c| c.column == "confirmed")),
        "{back:?}\n{csv}"
    );
    assert!(back.added.is_empty() && back.retired.is_empty() && back.returned.is_empty());
    assert!(
        store
            .register_apply(&csv, UtcMicros(60))
            .unwrap()
            .is_empty()
    );
    // The register of a store opened again is the same.
    let version = store.reader().snapshot().unwrap().register().version();
    drop(store);
    assert_eq!(
        open(dir.path())
            .reader()
            .snapshot()
            .unwrap()
            .register()
            .version(),
        version
    );
}

#[test]
fn unlisted_day_files_are_set_aside() {
    let dir = tempfile::tempdir().unwrap();
    drop(open(dir.path()));
    let stray = dir
        .path()
        .join("store/history/2026-03-02.import.1-1.parquet");
    std::fs::write(&stray, "left by a crash").unwrap();
    std::fs::write(dir.path().join("store/staging/half"), "left by a crash").unwrap();
    let store = open(dir.path());
    assert!(store.reader().snapshot().unwrap().days().is_empty());
    assert!(!stray.exists());
    assert_eq!(
        std::fs::read_dir(dir.path().join("store/set-aside"))
            .unwrap()
            .count(),
        1
    );
    assert_eq!(
        std::fs::read_dir(dir.path().join("store/staging"))
            .unwrap()
            .count(),
        0
    );
}

#[test]
fn a_crash_between_manifest_and_clearing_repeats_nothing_and_a_lost_landing_hides_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let file = |name: &str| dir.path().join("store").join(name);
    {
        let store = open(dir.path());
        store.register_apply(LOOPS, now()).unwrap();
        store
            .landing()
            .append(batch(&[("FT-1", 1, 1.0), ("FT-1", 2, 2.0)]))
            .unwrap();
    }
    // Closed, so that the whole landing is in this one file.
    std::fs::copy(file("landing.sqlite"), file("kept")).unwrap();
    {
        let store = open(dir.path());
        assert_eq!(store.seal(now()).unwrap().rows, 2);
    }
    std::fs::rename(file("kept"), file("landing.sqlite")).unwrap();
    let rows = |reader: StoreReader| flat(&reader.snapshot().unwrap()).len();
    assert_eq!(
        rows(StoreReader::open(&file("")).unwrap()),
        2,
        "a reader skips what is sealed"
    );
    {
        let store = open(dir.path());
        assert_eq!(store.seal(now()).unwrap().rows, 0);
        assert_eq!(rows(store.reader()), 2);
    }
    for name in ["landing.sqlite", "landing.sqlite-wal", "landing.sqlite-shm"] {
        let _ = std::fs::remove_file(file(name));
    }
    let store = open(dir.path());
    store.landing().append(batch(&[("FT-1", 3, 3.0)])).unwrap();
    assert_eq!(rows(store.reader()), 3);
    assert_eq!(store.seal(now()).unwrap().rows, 1);
    assert_eq!(rows(store.reader()), 3);
}

#[test]
fn a_landing_outlives_its_store_and_keeps_the_lock() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("store");
    let store = open(dir.path());
    store.register_apply(LOOPS, now()).unwrap();
    let landing = store.landing();
    drop(store);
    landing.append(batch(&[("FT-1", 1, 1.0)])).unwrap();
    assert!(Store::open(&path, "test", now()).is_err());
    drop(landing);
    // The writer thread ends by itself now, at its own time.
    let opened = (0..200).find_map(|_| {
        std::thread::sleep(std::time::Duration::from_millis(10));
        Store::open(&path, "test", now()).ok()
    });
    assert_eq!(flat(&opened.unwrap().reader().snapshot().unwrap()).len(), 1);
}

/// A batch as programs before layout 2 landed it: every column, in the types of a day file.
#[test]
fn a_batch_of_the_layout_before_is_read_and_sealed() {
    use arrow_array::types::Int32Type;
    use arrow_array::{
        ArrayRef, DictionaryArray, Float64Array, RecordBatch, StringArray,
        TimestampMicrosecondArray, UInt8Array, UInt16Array, UInt32Array,
    };
    use arrow_ipc::writer::StreamWriter;
    use std::sync::Arc;

    let dir = tempfile::tempdir().unwrap();
    let site = site(dir.path(), &[("loops.csv", LOOPS)]);
    let store = open(dir.path());
    import(&store, &site).unwrap();
    drop(store);

    let times = [DAY, 5, DAY + 1_000_000];
    let time: ArrayRef =
        Arc::new(TimestampMicrosecondArray::from(times.to_vec()).with_timezone("UTC"));
    let keys = arrow_array::Int32Array::from(vec![0, 1, 0]);
    let names = Arc::new(StringArray::from(vec!["PT-2", "FT-1"]));
    let tags: ArrayRef = Arc::new(DictionaryArray::<Int32Type>::new(keys, names));
    let pv: ArrayRef = Arc::new(Float64Array::from(vec![Some(1.5), None, Some(0.1)]));
    let no_float: ArrayRef = Arc::new(Float64Array::new_null(3));
    let no_time: ArrayRef = Arc::new(TimestampMicrosecondArray::new_null(3).with_timezone("UTC"));
    let byte: ArrayRef = Arc::new(UInt8Array::from(vec![0, 255, 0]));
    let count: ArrayRef = Arc::new(UInt32Array::from(vec![None, Some(7), None]));
    let changes: ArrayRef = Arc::new(UInt16Array::new_null(3));
    let columns = [
        ("time", &time),
        ("tag", &tags),
        ("pv", &pv),
        ("sv", &no_float),
        ("tv", &no_float),
        ("qv", &no_float),
        ("reported_ma", &no_float),
        ("analog_ma", &pv),
        ("analog_time", &no_time),
        ("response_code", &byte),
        ("device_status", &byte),
        ("extended_status", &byte),
        ("pv_status", &byte),
        ("exchanges", &count),
        ("comm_errors", &count),
        ("config_changes", &changes),
    ];
    let nullable = |name: &str| !matches!(name, "time" | "tag");
    let columns = columns.map(|(name, a)| (name, a.clone(), nullable(name)));
    let old = RecordBatch::try_from_iter_with_nullable(columns).unwrap();
    let mut out = StreamWriter::try_new(Vec::new(), &old.schema()).unwrap();
    out.write(&old).unwrap();
    let blob = out.into_inner().unwrap();
    let db = rusqlite::Connection::open(dir.path().join("store/landing.sqlite")).unwrap();
    db.execute(
        "INSERT INTO landing (t_min, t_max, rows, format, batch) VALUES (5, ?1, 3, 1, ?2)",
        rusqlite::params![DAY + 1_000_000, blob],
    )
    .unwrap();
    drop(db);

    let expected: Vec<(String, i64, String)> = [
        ("FT-1", 5, "NaN"),
        ("PT-2", DAY, "1.5"),
        ("PT-2", DAY + 1_000_000, "0.1"),
    ]
    .map(|(t, time, pv)| (t.to_owned(), time, pv.to_owned()))
    .into();
    let store = open(dir.path());
    let landed = store.reader().snapshot().unwrap();
    assert_eq!(flat(&landed), expected);
    let of = |name| landed.read_loop(&tag(name), UtcMicros(0), UtcMicros(2 * DAY));
    let (ft, pt) = (of("FT-1").unwrap(), of("PT-2").unwrap());
    assert_eq!((ft.exchanges, ft.response_code), (vec![7], vec![255]));
    assert_eq!((pt.analog_ma, pt.exchanges), (vec![1.5, 0.1], vec![-1, -1]));
    // With one of today's.
    store.landing().append(batch(&[("FT-1", 9, 3.0)])).unwrap();
    assert_eq!(store.seal(now()).unwrap().rows, 4);
    let sealed = flat(&store.reader().snapshot().unwrap());
    assert_eq!(sealed.len(), 4);
    assert!(expected.iter().all(|row| sealed.contains(row)));
}
