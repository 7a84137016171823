//! Site folders in, days out; every bad input of the contract is named or counted.

mod common;

use common::*;
use ingest_model::UtcMicros;
use ingest_store::{Store, StoreError, StoreReader};
use std::fs;

const DAY1: &str = "time,tag,pv,analog_ma,response_code,exchanges\n\
    2026-03-02T00:00:10Z,PT-2,5.5,12.8,0,17\n\
    2026-03-02T00:00:00Z,FT-1,450,12.01,0,1\n\
    2026-03-02T00:00:00Z,PT-2,5,12.0,,\n\
    2026-03-03T01:00:00+01:00,FT-1,NaN,inf,0x,\n\
    2026-03-03T01:00:00+01:00,FT-1,NaN,inf,255,4294967295\n\
    2026-03-02T00:00:10Z,XX-9,1,4,0,1\n\
    2026-03-02 00:00,FT-1,1,4,0,1\n\
    2026-03-02T00:00:30Z,FT-1,1,4,256,1\n\
    2026-03-02T00:00:40Z,FT-1,one,4,0,1\n\
    2026-03-02T00:00:50Z,FT-1,1\n\
    ,FT-1,1,4,0,1\n";

#[test]
fn csv_rows_are_sorted_cut_by_day_and_rejects_are_counted_with_reasons() {
    let dir = tempfile::tempdir().unwrap();
    let site = site(
        dir.path(),
        &[("loops.csv", LOOPS), ("readings/a.csv", DAY1)],
    );
    let store = open(dir.path());
    let report = import(&store, &site).unwrap();
    assert!(report.changed);
    assert_eq!(
        (
            report.rows_read,
            report.readings,
            report.rejects,
            report.repeats
        ),
        (11, 4, 7, 0)
    );
    let snapshot = store.reader().snapshot().unwrap();
    assert_eq!(snapshot.rejected(), 7);
    let t = |s: &str| UtcMicros::parse_rfc3339(s).unwrap().0;
    let rows = [
        ("FT-1", t("2026-03-02T00:00:00Z"), "450"),
        ("PT-2", t("2026-03-02T00:00:00Z"), "5"),
        ("PT-2", t("2026-03-02T00:00:10Z"), "5.5"),
        ("FT-1", t("2026-03-03T00:00:00Z"), "NaN"),
    ];
    assert_eq!(
        flat(&snapshot),
        rows.map(|(a, b, c)| (a.to_owned(), b, c.to_owned()))
    );
    let (_, last) = &all(&snapshot)[2];
    assert!(last.analog_ma[0].is_nan());
    assert_eq!(
        (
            last.response_code[0],
            last.exchanges[0],
            last.config_changes[0]
        ),
        (255, 4_294_967_295, -1)
    );
    let rejects = fs::read_to_string(report.rejects_file.unwrap()).unwrap();
    for wanted in [
        "a.csv,5,FT-1,response_code is not a whole number 0 to 255",
        "a.csv,7,XX-9,unknown tag",
        "a.csv,8,FT-1,time: `2026-03-02 00:00` is not an RFC 3339 time",
        "a.csv,9,FT-1,response_code",
        "a.csv,10,FT-1,pv: `one` is not a number",
        "a.csv,11,FT-1,\"3 cells, the header has 6\"",
        "a.csv,12,FT-1,time is missing",
    ] {
        assert!(rejects.contains(wanted), "{wanted} not in\n{rejects}");
    }

    // The same again changes nothing, neither rows nor counts nor register.
    let before = (snapshot.days(), snapshot.register().version());
    let again = import(&store, &site).unwrap();
    assert!(!again.changed);
    assert_eq!(
        (again.files_known, again.files_read, again.rejects),
        (1, 0, 0)
    );
    let after = store.reader().snapshot().unwrap();
    assert_eq!((after.days(), after.register().version()), before);
    assert_eq!(after.rejected(), 7);
}

#[test]
fn later_file_and_later_import_win_and_read_loop_agrees_with_read_day() {
    let dir = tempfile::tempdir().unwrap();
    let head = "time,tag,pv\n";
    let row = |s: u32, pv: u32| format!("2026-03-02T00:00:{s:02}Z,PT-2,{pv}\n");
    let a = format!("{head}{}{}{}", row(1, 1), row(1, 2), row(2, 1));
    let b = format!("{head}{}{}", row(2, 7), row(3, 1));
    let site = site(
        dir.path(),
        &[
            ("loops.csv", LOOPS),
            ("readings/b.csv", &b),
            ("readings/a.csv", &a),
        ],
    );
    let store = open(dir.path());
    let report = import(&store, &site).unwrap();
    assert_eq!(
        (report.rows_read, report.readings, report.repeats),
        (5, 3, 2)
    );
    let pv = |store: &Store| {
        flat(&store.reader().snapshot().unwrap())
            .into_iter()
            .map(|r| r.2)
            .collect::<Vec<_>>()
    };
    assert_eq!(pv(&store), ["2", "7", "1"]);
    let key = store.reader().snapshot().unwrap().days();
    // Sorts before the others by name, but comes with a later import.
    fs::write(site.join("readings/0.csv"), format!("{head}{}", row(3, 9))).unwrap();
    assert_eq!(import(&store, &site).unwrap().files_known, 2);
    assert_eq!(pv(&store), ["2", "7", "9"]);
    let snapshot = store.reader().snapshot().unwrap();
    assert_ne!(snapshot.days(), key);
    let (from, to) = snapshot.time_range().unwrap();
    let one = snapshot
        .read_loop(&tag("PT-2"), from, UtcMicros(to.0 + 1))
        .unwrap();
    assert_eq!(one.pv, [2.0, 7.0, 9.0]);
    assert_eq!(
        snapshot
            .read_loop(&tag("PT-2"), UtcMicros(from.0 + 1), to)
            .unwrap()
            .pv,
        [7.0]
    );
    assert!(
        snapshot
            .read_loop(&tag("FT-1"), from, to)
            .unwrap()
            .is_empty()
    );
    assert!(
        snapshot
            .read_loop(&tag("PT-2"), to, from)
            .unwrap()
            .is_empty()
    );
}

#[test]
fn an_error_names_the_place_and_leaves_the_store_as_it_was() {
    let good = (
        "readings/a.csv",
        "time,tag,pv\n2026-03-02T00:00:00Z,FT-1,1\n",
    );
    let loops = |text: &'static str| vec![("loops.csv", text), good];
    type Case<'a> = (Vec<(&'a str, &'a str)>, Vec<&'a str>);
    let cases: Vec<Case<'_>> = vec![
        (
            loops("tag,pv_unit,lrv\nA,bar,0\n"),
            vec!["loops.csv", "`urv`", "missing"],
        ),
        (
            loops("tag,pv_unit,lrv,urv\nA,bar,0,1\nA,bar,0,2\n"),
            vec!["loops.csv", "line 3", "`A`", "line 2"],
        ),
        (
            loops("tag,pv_unit,lrv,urv\nA,bar,3,3\n"),
            vec!["loops.csv", "line 2", "`lrv`", "3"],
        ),
        (
            loops("tag,pv_unit,lrv,urv\nA,bar,\"1,5\",3\n"),
            vec!["line 2", "`lrv`", "1,5", "decimal point"],
        ),
        (
            loops("tag,pv_unit,lrv,urv\nA,bar,1\n"),
            vec!["loops.csv", "line 2", "3 cells"],
        ),
        (
            loops("tag,pv_unit,lrv,urv,criticality\nA,bar,1,2,high\n"),
            vec!["`criticality`", "`high`", "`safety`"],
        ),
        (
            loops("tag,pv_unit,lrv,urv,tag\nA,bar,1,2,B\n"),
            vec!["loops.csv", "`tag`", "twice"],
        ),
        (
            vec![("loops.csv", LOOPS), ("readings/a.csv", "time,pv\n")],
            vec!["a.csv", "`tag`", "missing"],
        ),
        (
            vec![
                ("loops.csv", LOOPS),
                good,
                ("readings/b.parquet", "PAR1 nothing PAR1"),
            ],
            vec!["b.parquet"],
        ),
        (
            vec![("loops.csv", LOOPS), good, ("work.csv", "tag,from\n")],
            vec!["work.csv", "`to`"],
        ),
        (vec![good], vec!["no loops.csv"]),
        (vec![], vec!["nothing to import"]),
    ];
    for (files, wanted) in cases {
        let dir = tempfile::tempdir().unwrap();
        let site = site(dir.path(), &files);
        let store = open(dir.path());
        let error = import(&store, &site).unwrap_err().to_string();
        for part in wanted {
            assert!(error.contains(part), "`{part}` not in: {error}");
        }
        let snapshot = store.reader().snapshot().unwrap();
        assert!(
            snapshot.days().is_empty()
                && snapshot.register().is_empty()
                && snapshot.rejected() == 0
        );
        for folder in ["staging", "history", "rejects"] {
            assert_eq!(
                fs::read_dir(dir.path().join("store").join(folder))
                    .unwrap()
                    .count(),
                0,
                "{folder}"
            );
        }
    }
}

#[test]
fn a_site_without_readings_is_fine_and_work_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    let work = "tag,from,to,note\n*,2026-03-02T00:00:00Z,2026-03-02T01:00:00Z,stop\n\
        XX,2026-03-02T00:00:00Z,2026-03-02T01:00:00Z,\nFT-1,2026-03-02T02:00:00Z,2026-03-02T01:00:00Z,\n";
    let site = site(dir.path(), &[("loops.csv", LOOPS), ("work.csv", work)]);
    let store = open(dir.path());
    let report = import(&store, &site).unwrap();
    assert_eq!(
        (report.loops, report.work_windows, report.rejects),
        (3, 1, 2)
    );
    assert!(!import(&store, &site).unwrap().changed);
    let snapshot = store.reader().snapshot().unwrap();
    assert_eq!(snapshot.work().len(), 1);
    assert_eq!(snapshot.work()[0].tag, None);
    assert_eq!(snapshot.time_range(), None);
}

#[test]
fn a_second_writer_is_refused_by_name_and_a_reader_is_not() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("store");
    assert!(matches!(
        StoreReader::open(&path),
        Err(StoreError::NoStore { .. })
    ));
    let store = Store::open(&path, "loopwitness serve", now()).unwrap();
    let refusal = Store::open(&path, "loopwitness import", now())
        .unwrap_err()
        .to_string();
    let pid = format!(
        "pid {}, loopwitness serve, since 2026-03-20T00:00:00Z",
        std::process::id()
    );
    assert!(refusal.contains(&pid), "{refusal}");
    assert!(
        StoreReader::open(&path)
            .unwrap()
            .snapshot()
            .unwrap()
            .days()
            .is_empty()
    );
    drop(store);
    Store::open(&path, "loopwitness import", now()).unwrap();
}
