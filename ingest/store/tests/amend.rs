//! What people change, and one loop read out of pages that hold several.

mod common;

use common::{LOOPS, all, import, now, open, site, tag};
use ingest_model::{Columns, UtcMicros};
use ingest_store::{Author, LoopAmendment, Store, StoreError};
use std::fmt::Write as _;

fn author() -> Author {
    Author {
        by: "A. Roca".into(),
        why: "survey".into(),
    }
}

fn amend(
    store: &Store,
    cells: &[(&str, Option<&str>)],
    valid_from: Option<UtcMicros>,
    at: UtcMicros,
) -> Result<ingest_store::AmendedLoop, StoreError> {
    let cells = cells
        .iter()
        .map(|(c, v)| ((*c).to_owned(), v.map(str::to_owned)));
    let amendment = LoopAmendment {
        cells: cells.collect(),
        confirmed: None,
        valid_from,
    };
    store.amend_loop(&tag("PT-2"), &amendment, &author(), at)
}

#[test]
fn a_change_before_another_holds_until_that_one() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    store.register_apply(LOOPS, now()).unwrap();
    let (early, late) = (
        UtcMicros(now().0 - 2_000_000),
        UtcMicros(now().0 - 1_000_000),
    );
    let done = amend(&store, &[("urv", Some("16"))], Some(late), now()).unwrap();
    assert_eq!(done.valid_to, None);
    let done = amend(&store, &[("urv", Some("12"))], Some(early), now()).unwrap();
    assert_eq!((done.entry.range.urv, done.valid_to), (12.0, Some(late)));
    let snapshot = store.reader().snapshot().unwrap();
    let urv = |t: i64| {
        let entry = snapshot.register().at(&tag("PT-2"), UtcMicros(t));
        entry.unwrap().range.urv
    };
    assert_eq!(
        (urv(early.0 - 1), urv(early.0), urv(late.0)),
        (10.0, 12.0, 16.0)
    );
    // A copy from some other time on is no change, and leaves no record.
    let done = amend(&store, &[("urv", Some("16"))], Some(now()), now()).unwrap();
    assert!(done.cells.is_empty());
    assert_eq!(store.reader().changes(None, 10).unwrap().len(), 2);
}

#[test]
fn a_change_that_is_refused_leaves_all_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    store.register_apply(LOOPS, now()).unwrap();
    let before = store.reader().snapshot().unwrap().register().version();
    let future = UtcMicros(now().0 + 1);
    for (cells, from, wanted) in [
        (("lrv", Some("10")), None, "both are 10"),
        (("pv_unit", None), None, "pv_unit"),
        (("device_id", Some("0x1000000")), None, "24-bit"),
        (("urv", Some("16")), Some(future), "in the future"),
    ] {
        let refused = amend(&store, &[cells], from, now()).unwrap_err();
        assert!(matches!(refused, StoreError::Refused { .. }), "{refused:?}");
        assert!(refused.to_string().contains(wanted), "{refused}");
    }
    store
        .register_apply("tag,pv_unit,lrv,urv\nFT-1,L/min,0,900\n", now())
        .unwrap();
    let retired = amend(&store, &[("urv", Some("16"))], None, now()).unwrap_err();
    assert!(retired.to_string().contains("retired"), "{retired}");
    store.register_apply(LOOPS, now()).unwrap();
    assert_eq!(
        store.reader().snapshot().unwrap().register().version(),
        before
    );
    assert!(store.reader().changes(None, 10).unwrap().is_empty());
}

#[test]
fn a_list_taken_before_does_not_undo_what_a_person_changed() {
    let dir = tempfile::tempdir().unwrap();
    let files = site(dir.path(), &[("loops.csv", LOOPS)]);
    let urv = |store: &Store| {
        let snapshot = store.reader().snapshot().unwrap();
        snapshot.register().current(&tag("PT-2")).unwrap().range.urv
    };
    let store = open(dir.path());
    import(&store, &files).unwrap();
    store.register_from_file(LOOPS, now()).unwrap();
    amend(&store, &[("urv", Some("16"))], None, now()).unwrap();
    drop(store);
    // After a restart both files are there again.
    let store = open(dir.path());
    assert!(!import(&store, &files).unwrap().changed);
    assert_eq!(store.register_from_file(LOOPS, now()).unwrap(), None);
    assert_eq!(urv(&store), 16.0);
    // Another list is taken, and then the first one is another again.
    let wider = LOOPS.replace("PT-2,bar,0,10", "PT-2,bar,0,25");
    let later = UtcMicros(now().0 + 1);
    assert!(store.register_from_file(&wider, later).unwrap().is_some());
    assert_eq!(urv(&store), 25.0);
    let later = UtcMicros(now().0 + 2);
    assert!(store.register_from_file(LOOPS, later).unwrap().is_some());
    assert_eq!(urv(&store), 10.0);
}

/// Pages hold parts of several loops; what is read of one loop is what the whole day says of it.
#[test]
fn one_loop_is_read_out_of_pages_that_hold_others() {
    let dir = tempfile::tempdir().unwrap();
    let mut loops = String::from("tag,pv_unit,lrv,urv\n");
    let mut readings = String::from("time,tag,pv\n");
    for n in 0..60 {
        writeln!(loops, "LT-{n:02},m,0,10").unwrap();
        // From few rows to more than a page.
        for row in 0..=n * n {
            let time = UtcMicros(now().0 + i64::from(row) * 1_000_000);
            writeln!(readings, "{time},LT-{n:02},{row}").unwrap();
        }
    }
    let files = [
        ("loops.csv", loops.as_str()),
        ("readings/1.csv", readings.as_str()),
    ];
    let files = site(dir.path(), &files);
    let store = open(dir.path());
    import(&store, &files).unwrap();
    let snapshot = store.reader().snapshot().unwrap();
    let days = all(&snapshot);
    assert_eq!(days.len(), 60);
    // Twice: the second time the footers are known.
    for _ in 0..2 {
        for (tag, rows) in &days {
            let read = snapshot
                .read_loop(tag, UtcMicros(i64::MIN), UtcMicros(i64::MAX))
                .unwrap();
            assert_eq!((&read.time, &read.pv), (&rows.time, &rows.pv), "{tag}");
        }
    }
    let nobody = snapshot.read_loop(&tag("LT-21a"), UtcMicros(0), UtcMicros(i64::MAX));
    assert_eq!(nobody.unwrap(), Columns::default());
    let day = now().day();
    assert_eq!(
        snapshot.days_between(UtcMicros(0), UtcMicros(i64::MAX)),
        [day]
    );
    let (begin, end) = (UtcMicros::from_day(day), UtcMicros::from_day(day + 1));
    assert_eq!(snapshot.days_between(begin, end), [day]);
    assert!(snapshot.days_between(end, UtcMicros(i64::MAX)).is_empty());
    assert!(snapshot.days_between(end, begin).is_empty());
}
