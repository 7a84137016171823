//! A store as a site folder again: an import of an export is the identity, and its export has the same bytes.

mod common;

use common::judge::{State, names};
use common::script::{batch, shown, stop};
use common::*;
use ingest_model::UtcMicros;
use ingest_store::{ExportOptions, ExportReport, Store, StoreError, StoreReader};
use std::fs;
use std::path::Path;

/// A store with all that an export has to carry: imported, collected and landed rows of the same times; changed, retired,
/// returned and unconfirmed loops; notes that look like columns; work.
fn full_store(dir: &Path) -> Store {
    let loops = "tag,pv_unit,lrv,urv,service,confirmed,rack \"B\",valid_from\n\
        FT-1,L/min,0,900,\"feed, north\",maybe,a\"b,\n\
        PT-2,bar,-0.1,10.30000000000000004,,,,\n\
        TT-3,degC,150,-50,,,,2026-01-01T00:00:00.000001Z\n\
        Süd/3 #2,bar,0,10,,,,\n";
    let site = site(
        dir,
        &[
            ("loops.csv", loops),
            (
                "readings/a.csv",
                "time,tag,pv,analog_ma,response_code,exchanges\n\
                1970-01-01T00:00:00.000005Z,TT-3,1,4,255,4294967295\n\
                1970-01-01T00:00:00Z,FT-1,0.1,,,\n\
                2026-03-02T00:00:00.25Z,PT-2,-0,20.5,128,0\n\
                2026-03-02T00:00:00Z,Süd/3 #2,NaN,inf,,\n\
                2026-03-02T00:00:00Z,XX,1,,,\n",
            ),
            (
                "work.csv",
                "tag,from,to,note\nPT-2,2026-03-02T00:00:00Z,2026-03-02T01:00:00Z,\"loop, \"\"check\"\"\"\n",
            ),
        ],
    );
    let store = open(dir);
    import(&store, &site).unwrap();
    store.announce_work(&[stop()]).unwrap();
    for b in 0..12 {
        store.landing().append(batch(b)).unwrap();
        if b < 11 {
            store.seal(now()).unwrap();
        }
    }
    store.enter_loops(vec![shown()], UtcMicros(40)).unwrap();
    let mut wider = shown();
    wider.range.urv = 1e-7;
    store.enter_loops(vec![wider], UtcMicros(50)).unwrap();
    // TT-3 and the odd name retired, the latter returned with another range.
    let fewer: String = loops
        .lines()
        .filter(|l| !l.starts_with("TT-3") && !l.starts_with('S'))
        .map(|l| l.to_owned() + "\n")
        .collect();
    store
        .register_apply(&fewer.replace("900", "800.5"), now().plus_s(1.0))
        .unwrap();
    let again = fewer.clone() + "Süd/3 #2,bar,0,12,,,,\n";
    store
        .register_apply(&again.replace("900", "700"), now().plus_s(2.0))
        .unwrap();
    store
}

fn export(store: &Path, out: &Path) -> ExportReport {
    let reader = StoreReader::open(store).unwrap();
    let report = reader.export(out, ExportOptions::default(), &mut |_| {});
    report.unwrap()
}

/// Every file below a folder with its bytes.
fn tree(dir: &Path) -> Vec<(String, Vec<u8>)> {
    let mut found = Vec::new();
    for name in names(dir) {
        let path = dir.join(&name);
        if path.is_dir() {
            let below = tree(&path).into_iter();
            found.extend(below.map(|(n, bytes)| (format!("{name}/{n}"), bytes)));
        } else {
            found.push((name, fs::read(path).unwrap()));
        }
    }
    found
}

#[test]
fn an_import_of_an_export_is_the_identity() {
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name);
    let a = full_store(dir.path());
    let report = export(&path("store"), &path("out/site-a"));
    let snapshot = a.reader().snapshot().unwrap();
    assert_eq!(report.readings as usize, flat(&snapshot).len());
    assert_eq!((report.loops, report.files, report.work_windows), (5, 3, 2));
    assert_eq!(report.range, snapshot.time_range());
    assert_eq!(
        names(&path("out/site-a")),
        ["loops.csv", "readings", "register-history.csv", "work.csv"]
    );
    assert_eq!(names(&path("out")), ["site-a"], "nothing is left beside it");

    let b = Store::open(&path("b"), "test", now()).unwrap();
    let imported = import(&b, &path("out/site-a")).unwrap();
    assert_eq!((imported.rejects, imported.repeats), (0, 0));
    let other = b.reader().snapshot().unwrap();
    // Register: every cell of every entry, confirmed, retired.
    let (r, s) = (snapshot.register(), other.register());
    assert_eq!(r.version(), s.version());
    for t in r.tags() {
        assert_eq!(r.entries(t), s.entries(t), "{t}");
        assert_eq!(r.is_retired(t), s.is_retired(t), "{t}");
    }
    assert_eq!(r.entries(&tag("FT-1")).len(), 3);
    assert_eq!(r.entries(&tag("XT-9")).len(), 2);
    assert!(r.is_retired(&tag("TT-3")) && !s.current(&tag("XT-9")).unwrap().confirmed);
    // Rows to the bit (the printed form of NaN is one), and work.
    assert_eq!(
        format!("{:?}", all(&other)),
        format!("{:?}", all(&snapshot))
    );
    assert_eq!(other.work(), snapshot.work());
    // What was rejected stays with the store that did it.
    assert_eq!((snapshot.rejected(), other.rejected()), (1, 0));

    export(&path("b"), &path("site-b"));
    assert!(tree(&path("out/site-a")) == tree(&path("site-b")));
    // Repeated, it changes nothing, also in a store that has moved on.
    let before = State::of(&path("b"));
    assert!(!import(&b, &path("out/site-a")).unwrap().changed);
    assert_eq!(State::of(&path("b")), before);
    let mut newer = s.current(&tag("PT-2")).unwrap().clone();
    newer.range.urv = 11.0;
    b.update_loop(newer, now().plus_s(9.0)).unwrap();
    assert!(!import(&b, &path("out/site-a")).unwrap().changed);
    // Into the store that it came from: the same rows once more, which are the same.
    import(&a, &path("out/site-a")).unwrap();
    let back = a.reader().snapshot().unwrap();
    assert_eq!(format!("{:?}", all(&back)), format!("{:?}", all(&snapshot)));
    assert_eq!(back.register().version(), snapshot.register().version());
}

#[test]
fn a_changed_row_of_loops_csv_stands_above_the_history() {
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name);
    drop(full_store(dir.path()));
    export(&path("store"), &path("site-a"));
    let file = path("site-a").join("loops.csv");
    let text = fs::read_to_string(&file).unwrap();
    let text = text
        .replace("\nPT-2,bar,", "\nPT-2,kPa,")
        .replace("XT-9,L/min,", "XT-9,l/h,");
    fs::write(&file, text).unwrap();
    let b = Store::open(&path("b"), "test", now()).unwrap();
    let report = import(&b, &path("site-a")).unwrap();
    assert_eq!(
        (report.register.added.len(), report.register.unchanged),
        (5, 0)
    );
    let snapshot = b.reader().snapshot().unwrap();
    let r = snapshot.register();
    assert_eq!(r.current(&tag("PT-2")).unwrap().pv_unit, "kPa");
    assert!(
        r.current(&tag("XT-9")).unwrap().confirmed,
        "a person changed it"
    );
    assert!(r.is_retired(&tag("TT-3")));
}

#[test]
fn a_part_in_time() {
    let dir = tempfile::tempdir().unwrap();
    let store = full_store(dir.path());
    let reader = store.reader();
    let out = dir.path().join("part");
    let (from, to) = (UtcMicros(5), UtcMicros(86_400_000_000 + 10_000));
    let options = ExportOptions {
        from: Some(from),
        to: Some(to),
    };
    let mut told = Vec::new();
    let report = reader.export(&out, options, &mut |p| told.push(p)).unwrap();
    let expected = flat(&reader.snapshot().unwrap())
        .into_iter()
        .filter(|r| (from.0..to.0).contains(&r.1))
        .count();
    assert_eq!(
        (report.readings as usize, report.work_windows),
        (expected, 0)
    );
    assert_eq!(told.len(), 2);
    assert_eq!(
        names(&out.join("readings")),
        ["1970-01-01.parquet", "1970-01-02.parquet"]
    );
    // Nothing there: a register alone.
    let none = dir.path().join("none");
    let options = ExportOptions {
        from: Some(UtcMicros(3 * 86_400_000_000)),
        to: Some(UtcMicros(4 * 86_400_000_000)),
    };
    let report = reader.export(&none, options, &mut |_| {}).unwrap();
    assert_eq!((report.readings, report.files, report.range), (0, 0, None));
    let b = Store::open(&dir.path().join("b"), "test", now()).unwrap();
    assert_eq!(import(&b, &none).unwrap().loops, 4);
}

#[test]
fn only_a_new_or_empty_folder_is_exported_to_and_never_half() {
    use common::trouble::{Plan, Trouble};
    use std::sync::Arc;
    let dir = fast_dir();
    let path = |name: &str| dir.path().join(name);
    drop(full_store(dir.path()));
    fs::create_dir_all(path("full")).unwrap();
    fs::write(path("full/mine"), "").unwrap();
    let reader = StoreReader::open(&path("store")).unwrap();
    let error = reader
        .export(&path("full"), ExportOptions::default(), &mut |_| {})
        .unwrap_err();
    assert!(matches!(error, StoreError::NotEmpty { .. }), "{error}");
    assert_eq!(names(&path("full")), ["mine"]);
    fs::create_dir_all(path("empty")).unwrap();
    export(&path("store"), &path("empty"));
    let whole = tree(&path("empty"));
    // Whatever fails: the whole folder or none, and nothing beside it.
    let mut n = 0;
    loop {
        let files = Trouble::new(Plan::One(n));
        let reader = StoreReader::open_with(&path("store"), Arc::new(files.clone())).unwrap();
        let done = reader.export(&path("x/site"), ExportOptions::default(), &mut |_| {});
        if files.failed() == 0 {
            assert!(done.is_ok() && n > 30, "{n}");
            break;
        }
        match names(&path("x")).as_slice() {
            [] => assert!(done.is_err(), "operation {n}"),
            // The names of the finished folder could not be synced: it is whole all the same.
            [site] if site == "site" => assert!(tree(&path("x/site")) == whole, "operation {n}"),
            other => panic!("operation {n}: {other:?}"),
        }
        let _ = fs::remove_dir_all(path("x"));
        n += 1;
    }
    assert!(tree(&path("x/site")) == whole);
}
