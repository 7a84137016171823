//! Baselines: begun by a person, by another range or by another device; kept over a restart and through an export.

mod common;

use common::{import, now, open, tag};
use ingest_model::{BaselineReason, LoopEntry, Range, Tag, Transfer, UtcMicros};
use ingest_store::{
    Author, EndOfBaseline, ExportOptions, LoopAmendment, NewBaseline, Store, StoreError,
};
use std::path::Path;

const LOOPS: &str = "tag,pv_unit,lrv,urv,device_type,device_revision,device_id,gateway,channel\n\
    FT-1,L/min,0,900,0xFA42,5,0x000001,GW-1,3\nPT-2,bar,0,10,,,,,\n";

fn author(why: &str) -> Author {
    Author {
        by: "A. Roca".into(),
        why: why.into(),
    }
}

fn at(s: f64) -> UtcMicros {
    now().plus_s(s)
}

/// An exchanged device as its gateway shows it: the tag is taken, so it has a loop of its own.
fn newcomer() -> LoopEntry {
    let range = Range {
        lrv: 0.0,
        urv: 800.0,
        transfer: Transfer::Linear,
    };
    let mut e = LoopEntry::new(tag("FT-1~0000A2"), "L/min", range);
    e.device_type = Some(0xFA42);
    e.device_revision = Some(6);
    e.device_id = Some(0xA2);
    e.gateway = Some("GW-1".into());
    e.channel = Some("4".into());
    e
}

fn with_loops(dir: &Path) -> Store {
    let store = open(dir);
    store.register_apply(LOOPS, now()).unwrap();
    store
}

fn reasons(store: &Store, of: &str) -> Vec<(BaselineReason, Option<String>, UtcMicros)> {
    let snapshot = store.reader().snapshot().unwrap();
    let all = snapshot.register().baselines(&tag(of));
    all.into_iter()
        .map(|b| (b.reason, b.note.map(|n| n.by), b.from))
        .collect()
}

#[test]
fn an_accepted_baseline_counts_until_its_date() {
    let dir = tempfile::tempdir().unwrap();
    let store = with_loops(dir.path());
    let (from, until) = (at(-3_600.0), at(86_400.0));
    let new = NewBaseline {
        from: Some(from),
        until: Some(until),
    };
    let begun = store
        .accept_baseline(&tag("PT-2"), new, &author("new card"), now())
        .unwrap();
    assert_eq!((begun.from, begun.reason), (from, BaselineReason::Accepted));
    let snapshot = store.reader().snapshot().unwrap();
    let counts = |t| {
        let found = snapshot.register().baseline_at(&tag("PT-2"), t);
        found.map(|b| b.from)
    };
    assert_eq!(counts(at(-3_601.0)), None);
    assert_eq!(counts(now()), Some(from));
    // From its date on, what was before counts again: here the whole history.
    assert_eq!(counts(until), None);
    let note = begun.note.unwrap();
    assert_eq!(
        (note.by.as_str(), note.why.as_str()),
        ("A. Roca", "new card")
    );
    let changes = store.reader().changes(None, 10).unwrap();
    assert_eq!(changes[0].what, "baseline");
    // The loop itself is as it was.
    let r = snapshot.register();
    assert_eq!(r.current(&tag("PT-2")).unwrap().range.urv, 10.0);
}

#[test]
fn a_baseline_that_is_refused_leaves_all_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let store = with_loops(dir.path());
    let accept = |of: &str, from: Option<UtcMicros>, until: Option<UtcMicros>| {
        store.accept_baseline(&tag(of), NewBaseline { from, until }, &author("x"), now())
    };
    accept("FT-1", Some(at(-9.0)), None).unwrap();
    let before = store.reader().snapshot().unwrap().register().version();
    for (of, from, until, wanted) in [
        ("FT-1", Some(at(1.0)), None, "in the future"),
        ("FT-1", None, Some(now()), "not in the future"),
        ("FT-1", Some(at(-9.0)), None, "already"),
        ("XX-1", None, None, "no loop"),
    ] {
        let e = accept(of, from, until).unwrap_err();
        assert!(matches!(e, StoreError::Refused { .. }), "{e:?}");
        assert!(e.to_string().contains(wanted), "{e}");
    }
    assert_eq!(
        store.reader().snapshot().unwrap().register().version(),
        before
    );
}

#[test]
fn an_accepted_baseline_ends_early_and_stays_in_the_list() {
    let dir = tempfile::tempdir().unwrap();
    let store = with_loops(dir.path());
    let accept = |s: f64, until: Option<UtcMicros>, now: UtcMicros| {
        let new = NewBaseline {
            from: Some(at(s)),
            until,
        };
        store
            .accept_baseline(&tag("PT-2"), new, &author("card"), now)
            .unwrap();
    };
    accept(-7_200.0, None, now());
    accept(-3_600.0, Some(at(86_400.0)), now());
    let counts = |store: &Store, t: UtcMicros| {
        let snapshot = store.reader().snapshot().unwrap();
        let found = snapshot.register().baseline_at(&tag("PT-2"), t);
        found.map(|b| b.from)
    };
    let end = |baseline: Option<f64>, from: Option<f64>, now: UtcMicros| {
        let end = EndOfBaseline {
            baseline: baseline.map(at),
            from: from.map(at),
        };
        store.end_baseline(&tag("PT-2"), end, &author("card again"), now)
    };
    for (baseline, from, wanted) in [
        (Some(-1.0), None, "none begins"),
        (None, Some(120.0), "in the future"),
        (None, Some(-3_601.0), "had not begun"),
    ] {
        let e = end(baseline, from, at(60.0)).unwrap_err().to_string();
        assert!(e.contains(wanted), "{e}");
    }
    // Without a word on which: the newest that counts.
    let ended = end(None, None, at(60.0)).unwrap();
    let note = ended.note.clone().unwrap();
    assert_eq!((ended.from, note.until), (at(-3_600.0), Some(at(86_400.0))));
    let said = note.ended.unwrap();
    assert_eq!((said.from, said.at), (at(60.0), at(60.0)));
    assert_eq!(
        (said.by.as_str(), said.why.as_str()),
        ("A. Roca", "card again")
    );
    assert_eq!(counts(&store, at(59.0)), Some(at(-3_600.0)));
    assert_eq!(counts(&store, at(60.0)), Some(at(-7_200.0)));
    assert_eq!(reasons(&store, "PT-2").len(), 2);
    assert_eq!(
        store.reader().changes(None, 10).unwrap()[0].what,
        "baseline-ended"
    );
    let again = end(Some(-3_600.0), None, at(61.0)).unwrap_err();
    assert!(again.to_string().contains("ended already"), "{again}");
    // The one before by its begin, as though it had never counted.
    end(Some(-7_200.0), Some(-7_200.0), at(62.0)).unwrap();
    assert_eq!(counts(&store, at(62.0)), None);
    let none = end(None, None, at(63.0)).unwrap_err();
    assert!(none.to_string().contains("none to end"), "{none}");
    // A device or range that is another cannot be talked away.
    let changed = LOOPS.replace("PT-2,bar,0,10", "PT-2,bar,0,12");
    store.register_apply(&changed, at(70.0)).unwrap();
    let e = end(None, None, at(80.0)).unwrap_err().to_string();
    assert!(e.contains("only an accepted one"), "{e}");

    // Through a restart and through an export; an older export does not take the end back.
    let wanted = store.reader().snapshot().unwrap().register().version();
    drop(store);
    let store = open(dir.path());
    let snapshot = store.reader().snapshot().unwrap();
    assert_eq!(snapshot.register().version(), wanted);
    let out = dir.path().join("out");
    store
        .reader()
        .export(&out, ExportOptions::default(), &mut |_| {})
        .unwrap();
    let other = tempfile::tempdir().unwrap();
    let second = open(other.path());
    import(&second, &out).unwrap();
    assert_eq!(counts(&second, at(69.0)), None);
    let file = out.join("register-history.csv");
    let history = std::fs::read_to_string(&file).unwrap();
    let said = format!(",{},A. Roca,card again,{}", at(60.0), at(60.0));
    assert!(history.contains(&said), "{history}");
    std::fs::write(&file, history.replace(&said, ",,,,")).unwrap();
    import(&second, &out).unwrap();
    assert_eq!(counts(&second, at(69.0)), None);
}

#[test]
fn another_range_and_another_device_begin_baselines_with_who_said_so() {
    let dir = tempfile::tempdir().unwrap();
    let store = with_loops(dir.path());
    let amend = |cell: &str, value: &str, s: f64| {
        let amendment = LoopAmendment {
            cells: [(cell.to_owned(), Some(value.to_owned()))].into(),
            ..LoopAmendment::default()
        };
        store
            .amend_loop(&tag("FT-1"), &amendment, &author("exchange"), at(s))
            .unwrap();
    };
    amend("area", "North", 1.0);
    amend("urv", "800", 2.0);
    amend("device_id", "0x000002", 3.0);
    // A list from a file names nobody.
    store
        .register_apply(&LOOPS.replace("900", "700"), at(4.0))
        .unwrap();
    let by = Some("A. Roca".to_owned());
    assert_eq!(
        reasons(&store, "FT-1"),
        [
            (BaselineReason::ReRanged, by.clone(), at(2.0)),
            (BaselineReason::Exchanged, by, at(3.0)),
            (BaselineReason::Exchanged, None, at(4.0)),
        ]
    );
    // Who took a whole list is known too.
    let list = LOOPS.replace("PT-2,bar,0,10", "PT-2,bar,0,16");
    let (_, token) = store.register_propose(&list, at(5.0)).unwrap();
    store
        .register_confirm(&list, &token, &author("survey"), at(5.0))
        .unwrap();
    assert_eq!(
        reasons(&store, "PT-2"),
        [(
            BaselineReason::ReRanged,
            Some("A. Roca".to_owned()),
            at(5.0)
        )]
    );
}

#[test]
fn a_replacing_device_carries_the_tag_on() {
    let dir = tempfile::tempdir().unwrap();
    let store = with_loops(dir.path());
    store.enter_loops(vec![newcomer()], at(10.0)).unwrap();
    let (new, old) = (tag("FT-1~0000A2"), tag("FT-1"));
    let replace = |new: &Tag, old: &Tag, from| {
        store.replace_device(new, old, from, &author("burnt out"), at(20.0))
    };
    for (refused, wanted) in [
        (replace(&old, &old, None), "itself"),
        (replace(&tag("PT-2"), &old, None), "device of `PT-2`"),
        (replace(&tag("XX"), &old, None), "no loop `XX`"),
        (replace(&new, &tag("XX"), None), "no loop `XX`"),
        (replace(&new, &old, Some(at(21.0))), "in the future"),
    ] {
        let e = refused.unwrap_err().to_string();
        assert!(e.contains(wanted), "{e}");
    }
    let done = replace(&new, &old, Some(at(15.0))).unwrap();
    assert_eq!(done.baseline.reason, BaselineReason::Replaced);
    let differs: Vec<_> = done
        .differs
        .iter()
        .map(|c| (&*c.column, &*c.after))
        .collect();
    assert_eq!(differs, [("urv", "800")], "the register's range stands");
    let snapshot = store.reader().snapshot().unwrap();
    let r = snapshot.register();
    let (now_is, was) = (r.current(&old).unwrap(), r.at(&old, at(14.0)).unwrap());
    assert_eq!((now_is.device_id, was.device_id), (Some(0xA2), Some(1)));
    assert_eq!((now_is.device_revision, now_is.range.urv), (Some(6), 900.0));
    assert_eq!(now_is.channel.as_deref(), Some("4"));
    assert!(r.is_retired(&new) && !r.is_retired(&old));
    // Said twice: the newcomer is no loop in use any more.
    let again = replace(&new, &old, None).unwrap_err().to_string();
    assert!(again.contains("in use"), "{again}");
}

#[test]
fn baselines_survive_a_restart_an_export_and_a_list_that_says_nothing_of_them() {
    let dir = tempfile::tempdir().unwrap();
    let store = with_loops(dir.path());
    store.enter_loops(vec![newcomer()], at(10.0)).unwrap();
    store
        .replace_device(
            &tag("FT-1~0000A2"),
            &tag("FT-1"),
            None,
            &author("a \"burnt\", out"),
            at(20.0),
        )
        .unwrap();
    let new = NewBaseline {
        from: Some(at(25.0)),
        until: Some(at(9e6)),
    };
    store
        .accept_baseline(&tag("FT-1"), new, &author("after the shift"), at(30.0))
        .unwrap();
    let all = |store: &Store| {
        let snapshot = store.reader().snapshot().unwrap();
        let r = snapshot.register();
        (r.version(), r.baselines(&tag("FT-1")))
    };
    let before = all(&store);
    assert_eq!(before.1.len(), 2);
    drop(store);
    let store = open(dir.path());
    assert_eq!(all(&store), before);
    // The register as a list, given back, changes nothing.
    let csv = store.reader().snapshot().unwrap().register().to_csv();
    let (diff, _) = store.register_propose(&csv, at(40.0)).unwrap();
    assert!(diff.is_empty(), "{diff:?}");

    let out = dir.path().join("copy");
    store
        .reader()
        .export(&out, ExportOptions::default(), &mut |_| {})
        .unwrap();
    let text = std::fs::read_to_string(out.join("register-history.csv")).unwrap();
    assert!(
        text.contains("baseline_own_tag") && text.contains("FT-1~0000A2"),
        "{text}"
    );
    let other = Store::open(&dir.path().join("other"), "test", now()).unwrap();
    import(&other, &out).unwrap();
    assert_eq!(all(&other), before);
    assert!(!import(&other, &out).unwrap().changed);
    // A damaged word is named with its place.
    std::fs::write(
        out.join("register-history.csv"),
        text.replace(",accepted,", ",agreed,"),
    )
    .unwrap();
    let third = Store::open(&dir.path().join("third"), "test", now()).unwrap();
    let e = import(&third, &out).unwrap_err().to_string();
    assert!(e.contains("baseline") && e.contains("agreed"), "{e}");
}
