//! What assessments do to cases.

mod common;

use analytics_cases::{Shown, What};
use analytics_detect::{Evidence, Kind, NotJudged};
use common::*;
use ingest_model::UtcMicros;

const ID: &str = "FT-1:no-reply:2026-03-02";

fn silent() -> Vec<analytics_detect::AttentionRow> {
    vec![row(
        "FT-1",
        "control",
        vec![finding("FT-1", Kind::NoReply, T0)],
    )]
}

/// A bench whose one case is open since T0 + 31 min.
fn opened() -> Bench {
    let mut b = Bench::default();
    assert_eq!(b.assess(T0 + MIN, silent(), vec![]), [""; 0]);
    assert_eq!(b.assess(T0 + 30 * MIN, silent(), vec![]), [""; 0]);
    assert_eq!(b.assess(T0 + 31 * MIN, silent(), vec![]), ["opened"]);
    assert!(b.cases.get(ID).is_some());
    b
}

fn shown(b: &Bench, id: &str, t: i64) -> Shown {
    b.cases.get(id).unwrap().shown(UtcMicros(t))
}

fn attended(when: i64) -> What {
    What::Attended {
        when: UtcMicros(when),
        found: "water in the box".into(),
        done: "dried, new gland".into(),
        as_found_pct: Some(-0.8),
        as_left_pct: Some(0.02),
    }
}

#[test]
fn a_finding_that_persists_opens_one_case() {
    let mut b = opened();
    for n in 0..50 {
        assert_eq!(
            b.assess(T0 + 32 * MIN + n * MIN, silent(), vec![]),
            [""; 0],
            "told once"
        );
    }
    // Another kind of the same family joins it.
    let mut rows = silent();
    rows[0]
        .findings
        .push(finding("FT-1", Kind::RisingErrors, T0));
    assert_eq!(b.assess(T0 + 2 * HOUR, rows, vec![]), ["seen"]);
    assert_eq!(b.cases.len(), 1);
    assert_eq!(b.cases.get(ID).unwrap().kinds.len(), 2);
}

#[test]
fn a_safety_loop_does_not_wait_and_a_flicker_opens_nothing() {
    let mut b = Bench::default();
    let rows = vec![row(
        "FT-2",
        "safety",
        vec![finding("FT-2", Kind::CurrentOutOfRange, T0)],
    )];
    assert_eq!(b.assess(T0, rows, vec![]), ["opened"]);
    let mut b = Bench::default();
    for n in 0..15 {
        let rows = if n % 2 == 0 { silent() } else { vec![] };
        assert_eq!(b.assess(T0 + n * 20 * MIN, rows, vec![]), [""; 0]);
    }
    // What is old by its own evidence has persisted when it is seen first.
    let mut b = Bench::default();
    assert_eq!(b.assess(T0 + 6 * HOUR, silent(), vec![]), ["opened"]);
    // Weak evidence opens nothing, what has ended neither.
    let mut b = Bench::default();
    let mut rows = silent();
    rows[0].findings[0].confidence = 0.4;
    assert_eq!(b.assess(T0 + DAY, rows, vec![]), [""; 0]);
    let mut rows = silent();
    rows[0].findings[0].ended = Some(UtcMicros(T0 + HOUR));
    assert_eq!(b.assess(T0 + DAY, rows, vec![]), [""; 0]);
}

#[test]
fn evidence_goes_and_comes_and_an_acknowledged_case_clears() {
    let mut b = opened();
    let t = T0 + 2 * HOUR;
    assert_eq!(b.assess(t, vec![], vec![]), [""; 0]);
    assert_eq!(b.assess(t + 30 * MIN, vec![], vec![]), ["gone"]);
    // Nobody has seen it: it stays.
    assert_eq!(b.assess(t + 9 * DAY, vec![], vec![]), [""; 0]);
    assert_eq!(b.assess(t + 9 * DAY + MIN, silent(), vec![]), ["seen"]);
    b.person(t + 9 * DAY + HOUR, ID, What::Acknowledged)
        .unwrap();
    assert!(
        b.person(t + 9 * DAY + HOUR, ID, What::Acknowledged)
            .is_err()
    );
    let t = t + 10 * DAY;
    b.assess(t, vec![], vec![]);
    assert_eq!(b.assess(t + HOUR, vec![], vec![]), ["gone"]);
    assert_eq!(b.assess(t + 71 * HOUR, vec![], vec![]), [""; 0]);
    assert_eq!(b.assess(t + 72 * HOUR, vec![], vec![]), ["cleared"]);
    assert_eq!(shown(&b, ID, t + 72 * HOUR), Shown::Closed);
    // Within a month it is the same case that comes back.
    let t = t + 5 * DAY;
    assert_eq!(b.assess(t, silent(), vec![]), [""; 0]);
    assert_eq!(b.assess(t + 30 * MIN, silent(), vec![]), ["returned"]);
    assert_eq!(shown(&b, ID, t + HOUR), Shown::Returned);
}

#[test]
fn no_look_is_no_evidence() {
    let mut b = opened();
    b.not_judged = vec![NotJudged {
        tag: tag("FT-1"),
        what: "all",
        why: "no readings".into(),
    }];
    assert_eq!(b.assess(T0 + 2 * HOUR, vec![], vec![]), [""; 0]);
    assert_eq!(b.assess(T0 + 40 * HOUR, vec![], vec![]), [""; 0]);
    b.not_judged.clear();
    b.retired.insert(tag("FT-1"));
    assert_eq!(b.assess(T0 + 41 * HOUR, vec![], vec![]), [""; 0]);
    assert_eq!(b.assess(T0 + 90 * HOUR, vec![], vec![]), [""; 0]);
    b.retired.clear();
    // The clock alone moves nothing: the reference time stands still.
    assert_eq!(
        b.assess_at(T0 + 91 * HOUR, T0 + 90 * HOUR, vec![], vec![]),
        [""; 0]
    );
    assert_eq!(
        b.assess_at(T0 + 99 * HOUR, T0 + 90 * HOUR, vec![], vec![]),
        [""; 0]
    );
    assert_eq!(b.assess(T0 + 100 * HOUR, vec![], vec![]), ["gone"]);

    // A loop that does not answer says nothing of its current.
    let mut b = Bench::default();
    let rail = || finding("FT-1", Kind::CurrentOutOfRange, T0);
    b.assess(T0 + DAY, vec![row("FT-1", "control", vec![rail()])], vec![]);
    assert_eq!(b.cases.len(), 1);
    b.assess(T0 + 2 * DAY, silent(), vec![]);
    assert!(!b.assess(T0 + 3 * DAY, silent(), vec![]).contains(&"gone"));
}

#[test]
fn shelving_ends_by_itself() {
    let mut b = opened();
    let until = T0 + 5 * HOUR;
    b.person(
        T0 + HOUR,
        ID,
        What::Shelved {
            until: UtcMicros(until),
        },
    )
    .unwrap();
    assert_eq!(shown(&b, ID, until - 1), Shown::Shelved);
    // Also while nothing is assessed.
    assert_eq!(shown(&b, ID, until), Shown::Unacknowledged);
    assert_eq!(b.assess(T0 + 4 * HOUR, silent(), vec![]), [""; 0]);
    assert_eq!(b.assess(until, silent(), vec![]), ["shelf-ended"]);
    for bad in [T0, T0 + 40 * DAY] {
        let what = What::Shelved {
            until: UtcMicros(bad),
        };
        assert!(b.person(until, ID, what).unwrap_err().is_content());
    }
    b.person(until, ID, What::OutOfService).unwrap();
    b.person(until, ID, What::Closed).unwrap();
    assert!(b.person(until, ID, What::Acknowledged).is_err());
    b.person(until, ID, What::Noted { note: None }).unwrap();
}

#[test]
fn ten_loops_with_one_cause_are_one_case() {
    let mut b = Bench::default();
    let names: Vec<String> = (0..10).map(|n| format!("FT-{n}")).collect();
    let rows = |with: bool| -> Vec<_> {
        names
            .iter()
            .map(|n| {
                let mut f = finding(n, Kind::RisingErrors, T0);
                f.common_cause = with.then(|| "junction_box:JB-4:rising-errors".to_owned());
                row(n, "control", vec![f])
            })
            .collect()
    };
    let tags: Vec<&str> = names.iter().map(String::as_str).collect();
    let jb = || cause("JB-4", Kind::RisingErrors, &tags, T0);
    // Three opened on their own before the cause was known, one of them is planned.
    b.assess(T0 + DAY, rows(false).drain(..3).collect(), vec![]);
    assert_eq!(b.cases.len(), 3);
    let own = |n: usize| format!("FT-{n}:rising-errors:2026-03-02");
    b.person(
        T0 + DAY,
        &own(2),
        What::Planned {
            due: None,
            note: None,
        },
    )
    .unwrap();
    let told = b.assess(T0 + DAY + HOUR, rows(true), vec![jb()]);
    assert_eq!(told, ["opened", "adopted", "adopted"]);
    let id = "junction_box:JB-4:rising-errors:2026-03-02";
    let group = b.cases.get(id).unwrap();
    assert_eq!(group.tags.len(), 10);
    assert_eq!(b.cases.under(id).count(), 2);
    assert_eq!(shown(&b, &own(2), T0 + 2 * DAY), Shown::Planned);
    // The search does not find it in one assessment: the group keeps its loops.
    assert_eq!(b.assess(T0 + DAY + 2 * HOUR, rows(false), vec![]), [""; 0]);
    let open = b.cases.iter().filter(|c| c.is_open()).count();
    assert_eq!(open, 2);
}

#[test]
fn attended_is_watched_then_proved_or_returned() {
    let drift = || {
        vec![row(
            "FT-1",
            "control",
            vec![finding("FT-1", Kind::AnalogDigitalDrift, T0)],
        )]
    };
    let id = "FT-1:analog-digital-drift:2026-03-02";
    let mut b = Bench::default();
    b.assess(T0 + DAY, drift(), vec![]);
    let done = T0 + 2 * DAY;
    b.person(done, id, attended(done)).unwrap();
    // The detector needs some days to let go; that is no return.
    assert_eq!(b.assess(done + DAY, drift(), vec![]), [""; 0]);
    b.assess(done + 2 * DAY, vec![], vec![]);
    assert_eq!(b.assess(done + 2 * DAY + HOUR, vec![], vec![]), ["gone"]);
    let watched = |b: &mut Bench, hours: f64, days: &[f64]| {
        let w = analytics_cases::Watched {
            tolerance_pct: 0.5,
            hours,
            day_means_pct: days.to_vec(),
        };
        b.watched.insert(id.to_owned(), vec![w]);
    };
    // Too short, then too far from proof, then enough.
    watched(&mut b, 50.0, &[0.02, 0.03]);
    assert_eq!(b.assess(done + 3 * DAY, vec![], vec![]), [""; 0]);
    watched(&mut b, 80.0, &[0.5, 0.45, 0.55]);
    assert_eq!(b.assess(done + 4 * DAY, vec![], vec![]), [""; 0]);
    watched(&mut b, 80.0, &[0.02, 0.04, 0.03]);
    let mut proved = b.cases.clone();
    assert_eq!(b.assess(done + 4 * DAY + HOUR, vec![], vec![]), ["proved"]);
    assert_eq!(shown(&b, id, done + 5 * DAY), Shown::Proved);
    let last = b.log.last().unwrap();
    assert!(
        last.why.contains("gone with confidence 0.9") && last.why.contains("80 h of watch"),
        "{}",
        last.why
    );

    // The other way: still there after the stated time.
    std::mem::swap(&mut b.cases, &mut proved);
    b.watched.clear();
    b.assess(done + 5 * DAY, drift(), vec![]);
    let told = b.assess(done + 5 * DAY + HOUR, drift(), vec![]);
    assert!(told.is_empty());
    assert_eq!(shown(&b, id, done + 6 * DAY), Shown::Returned);
    assert_eq!(b.cases.get(id).unwrap().returned, 1);
}

#[test]
fn what_is_seen_at_once_returns_soon() {
    let mut b = opened();
    let done = T0 + 2 * HOUR;
    b.person(done, ID, attended(done)).unwrap();
    assert_eq!(b.assess(done + 3 * HOUR, silent(), vec![]), [""; 0]);
    assert_eq!(b.assess(done + 4 * HOUR, silent(), vec![]), ["returned"]);
}

#[test]
fn what_a_person_closed_stays_closed_until_it_is_worse() {
    let drift = |pct: f64| {
        let mut f = finding("FT-1", Kind::AnalogDigitalDrift, T0);
        f.deviation_pct = Some(pct);
        vec![row("FT-1", "control", vec![f])]
    };
    let id = "FT-1:analog-digital-drift:2026-03-02";
    let mut b = Bench::default();
    b.assess(T0 + DAY, drift(-0.3), vec![]);
    b.person(T0 + DAY, id, What::Closed).unwrap();
    assert_eq!(b.assess(T0 + 3 * DAY, drift(-0.4), vec![]), [""; 0]);
    assert_eq!(b.assess(T0 + 9 * DAY, drift(-0.7), vec![]), ["opened"]);
    assert!(b.cases.get(&format!("{id}:2")).is_some());
}

#[test]
fn a_configuration_change_waits_for_a_person() {
    let change = || {
        let mut f = finding("FT-1", Kind::ConfigurationChange, T0);
        f.ended = Some(UtcMicros(T0 + HOUR));
        vec![row("FT-1", "indication", vec![f])]
    };
    let mut b = Bench::default();
    assert_eq!(b.assess(T0 + 2 * HOUR, change(), vec![]), ["opened"]);
    let mut b = Bench::default();
    assert_eq!(b.assess(T0 + 20 * DAY, change(), vec![]), [""; 0]);
}

#[test]
fn what_comes_and_goes_needs_a_long_absence() {
    let mut f = finding("FT-1", Kind::Restarts, T0);
    // Four in eight days: one each 48 h.
    f.evidence.insert("cold_starts", Evidence::Count(4));
    let mut b = Bench::default();
    b.assess(T0 + 8 * DAY, vec![row("FT-1", "control", vec![f])], vec![]);
    let case = b.cases.iter().next().unwrap().clone();
    let w = |hours| analytics_cases::Watched {
        tolerance_pct: 0.5,
        hours,
        day_means_pct: Vec::new(),
    };
    let confidence = |hours| {
        analytics_cases::prove(&case, &[w(hours)])
            .unwrap()
            .confidence
    };
    // 1 - exp(-T/48 h): the exponential distribution.
    assert!((confidence(48.0) - 0.632_120_558_8).abs() < 1e-9);
    assert!((confidence(144.0) - 0.950_212_931_6).abs() < 1e-9);
}

/// t tail areas from mpmath's regularised incomplete beta function, 20 digits, apart from this code.
#[test]
fn equivalence_against_reference_values() {
    for (days, wanted) in [
        (&[0.05, 0.08, 0.02, 0.06, 0.04][..], 0.999_999_270_8),
        (&[0.30, 0.52, 0.41, 0.12], 0.923_596_059_4),
        (&[-0.6, -0.5, -0.7], 0.112_701_665_4),
    ] {
        let (got, _) = analytics_cases::equivalence(days, 0.5).unwrap();
        assert!((got - wanted).abs() < 1e-8, "{days:?}: {got}");
    }
    assert!(analytics_cases::equivalence(&[0.1, 0.1], 0.5).is_none());
    assert!(analytics_cases::equivalence(&[0.0; 3], 0.0).is_none());
}

/// A broken wire shows as 0 mA and as silence: one job, so one case (contract 3 names both findings).
#[test]
fn a_broken_wire_is_one_case() {
    let both = |apart: i64| {
        let mut rail = finding("FT-1", Kind::CurrentOutOfRange, T0);
        rail.cause = Some("failure-low");
        let silence = finding("FT-1", Kind::NoReply, T0 + apart);
        vec![row("FT-1", "safety", vec![rail, silence])]
    };
    let mut b = Bench::default();
    assert_eq!(b.assess(T0 + HOUR, both(2 * MIN), vec![]), ["opened"]);
    let case = b.cases.iter().next().unwrap();
    assert_eq!(case.kinds.len(), 2, "{:?}", case.kinds);
    // What does not begin together has a reason of its own.
    let mut b = Bench::default();
    assert_eq!(
        b.assess(T0 + 10 * HOUR, both(8 * HOUR), vec![]),
        ["opened", "opened"]
    );
    // A case of silence that is open already goes on.
    let mut b = Bench::default();
    let silence = finding("FT-1", Kind::NoReply, T0);
    let rows = vec![row("FT-1", "safety", vec![silence])];
    assert_eq!(b.assess(T0 + HOUR, rows, vec![]), ["opened"]);
    assert_eq!(b.assess(T0 + 2 * HOUR, both(0), vec![]), ["opened"]);
    assert_eq!(b.cases.iter().count(), 2);
}
