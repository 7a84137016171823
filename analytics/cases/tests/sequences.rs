//! Any sequence of events: no panic, nothing illegal taken, replay gives the same, shelving ends.

mod common;

use analytics_cases::{Case, Cases, Event, Key, Shown, Stage, Suppression, What};
use analytics_detect::Kind;
use common::*;
use ingest_model::UtcMicros;
use proptest::prelude::*;

fn sighting(n: i64, tag_no: u8) -> analytics_cases::Sighting {
    let name = format!("FT-{}", tag_no % 3);
    analytics_cases::Sighting {
        to: UtcMicros(T0 + n * HOUR),
        findings: vec![format!("{name}:x")],
        tags: vec![tag(&name)],
        kinds: vec![Kind::NoReply],
        kind: Kind::NoReply,
        cause: None,
        onset: UtcMicros(T0),
        deviation_pct: None,
        confidence: 0.9,
        times: None,
        score: 0.5,
        criticality: ingest_model::Criticality::Control,
        areas: vec![],
        summary: "No answer.".into(),
    }
}

fn what() -> impl Strategy<Value = What> {
    let note = prop_oneof![
        Just(None),
        Just(Some("seen".to_owned())),
        Just(Some(String::new())),
        Just(Some("a\u{7}".to_owned()))
    ];
    let pct = prop_oneof![
        Just(None),
        Just(Some(0.3)),
        Just(Some(f64::NAN)),
        Just(Some(1e9))
    ];
    let time = |t: i64| UtcMicros(T0 + t * HOUR);
    prop_oneof![
        (0..3_u8, -2..90_i64).prop_map(|(t, n)| What::Opened {
            key: Key::Loop {
                tag: tag(&format!("FT-{t}")),
                family: analytics_cases::Family::Exchange
            },
            sighting: sighting(n, t),
        }),
        (0..3_u8, 0..90_i64).prop_map(|(t, n)| What::Seen {
            sighting: sighting(n, t)
        }),
        (0..90_i64).prop_map(move |t| What::Gone { since: time(t) }),
        Just(What::Adopted { into: "x".into() }),
        Just(What::Acknowledged),
        Just(What::Acknowledged),
        (-10..2000_i64).prop_map(move |t| What::Shelved { until: time(t) }),
        (0..100_i64).prop_map(move |t| What::Shelved { until: time(t) }),
        Just(What::Unshelved),
        Just(What::ShelfEnded),
        Just(What::OutOfService),
        note.clone()
            .prop_map(|note| What::Planned { due: None, note }),
        (-5..100_i64, pct.clone(), pct).prop_map(move |(t, a, b)| What::Attended {
            when: time(t),
            found: "x".into(),
            done: "y".into(),
            as_found_pct: a,
            as_left_pct: b,
        }),
        note.prop_map(|note| What::Noted { note }),
        Just(What::Proved {
            confidence: 0.95,
            watched_h: 80.0,
            deviation_pct: None
        }),
        (0..3_u8, 0..90_i64).prop_map(|(t, n)| What::Returned {
            sighting: sighting(n, t)
        }),
        Just(What::Cleared {
            since: UtcMicros(T0)
        }),
        Just(What::Closed),
    ]
}

/// Events on up to three cases, mostly with time going on.
fn events() -> impl Strategy<Value = Vec<Event>> {
    let one = (what(), 0..3_u8, -3..12_i64, 0..12_u8);
    proptest::collection::vec(one, 0..60).prop_map(|list| {
        let mut now = T0;
        list.into_iter()
            .map(|(what, id, step, odd)| {
                now += step * HOUR;
                let id = match &what {
                    What::Opened { sighting, .. } => sighting.tags[0].to_string(),
                    _ => format!("FT-{id}"),
                };
                let who = if odd == 0 { "" } else { "R. Varga" };
                let why = if odd == 1 { "\u{1b}[2J" } else { "because" };
                Event::new(id, UtcMicros(now), who, why, what)
            })
            .collect()
    })
}

/// The table of transitions, written apart from the code: may this event move a case from this state?
fn legal(before: &Case, e: &Event) -> bool {
    use Shown as S;
    let s = before.shown(e.at);
    let open = !matches!(s, S::Proved | S::Closed);
    match &e.what {
        What::Opened { .. } => false,
        What::Noted { .. } => true,
        What::Gone { .. } => before.present,
        What::Seen { .. } | What::Closed | What::Planned { .. } | What::Attended { .. } => open,
        What::Acknowledged => matches!(s, S::Unacknowledged | S::Returned),
        What::Shelved { until } => {
            open && s != S::OutOfService
                && s != S::Attended
                && before.stage != Stage::Attended
                && *until > e.at
        }
        What::Unshelved => matches!(s, S::Shelved | S::OutOfService),
        What::ShelfEnded => {
            matches!(before.suppression, Some(Suppression::Shelved { until, .. }) if until <= e.at)
        }
        What::OutOfService => open && s != S::OutOfService,
        What::Adopted { .. } => matches!(s, S::Unacknowledged | S::Acknowledged),
        What::Proved { .. } => s == S::Attended && !before.present,
        What::Cleared { .. } => s == S::Acknowledged && !before.present,
        What::Returned { .. } => {
            before.stage == Stage::Attended
                || matches!(
                    before.closed,
                    Some((
                        _,
                        analytics_cases::Close::Proved { .. } | analytics_cases::Close::Cleared
                    ))
                )
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 700, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_sequence(events in events()) {
        let mut cases = Cases::default();
        let mut taken = Vec::new();
        for e in &events {
            let before = cases.clone();
            match cases.apply(e) {
                Ok(()) => {
                    if let Some(case) = before.get(&e.case) {
                        prop_assert!(legal(case, e), "{e:?} was taken in {:?}", case.shown(e.at));
                    }
                    prop_assert!(!e.who.is_empty() && e.why == "because");
                    taken.push(e.clone());
                }
                Err(_) => prop_assert!(cases == before, "a refused event changed something"),
            }
            // One open case about each key.
            let open: Vec<_> = cases.iter().filter(|c| c.is_open()).map(|c| &c.key).collect();
            prop_assert_eq!(open.iter().collect::<std::collections::BTreeSet<_>>().len(), open.len());
        }
        // The log, through its text form, gives the same cases.
        let mut again = Cases::default();
        for e in &taken {
            let read = Event::from_json(&e.to_json().unwrap()).unwrap();
            prop_assert_eq!(&read, e);
            again.apply(&read).unwrap();
        }
        prop_assert!(again == cases);
        // Nothing is lost from a history, and no shelf outlives its month.
        prop_assert_eq!(cases.iter().map(|c| c.history.len()).sum::<usize>(), taken.len());
        for c in cases.iter() {
            if let Some(Suppression::Shelved { until, .. }) = &c.suppression {
                prop_assert!(c.shown(*until) != Shown::Shelved);
                let shelved = c.history.iter().rev().find(|e| matches!(e.what, What::Shelved { .. })).unwrap();
                prop_assert!(until.0 - shelved.at.0 <= 31 * DAY);
            }
        }
    }

    #[test]
    fn any_text_is_an_event_or_an_error(text in ".{0,200}") {
        let _ = Event::from_json(&text);
        let _ = Event::from_json(&format!("{{\"v\":1,{text}}}"));
    }

    /// Random comings and goings of findings and causes, persons acting at random: what `decide` says can always be
    /// done, the log does not grow without news, and its replay gives the same cases.
    #[test]
    fn any_course_of_assessments(
        steps in proptest::collection::vec((0..16_u16, 0..4_u8, 1..200_i64, proptest::option::of((what(), 0..8_usize))), 1..40)
    ) {
        let mut b = Bench::default();
        let mut now = T0;
        for (mask, causes, step, act) in steps {
            now += step * 10 * MIN;
            let shown: Vec<String> = (0..4).filter(|n| mask & (1 << n) != 0).map(|n| format!("FT-{n}")).collect();
            let rows: Vec<_> = shown
                .iter()
                .map(|n| {
                    let mut f = finding(n, Kind::AnalogDigitalDrift, T0 + (step % 5) * HOUR);
                    f.common_cause = (causes > 1).then(|| "junction_box:JB:analog-digital-drift".to_owned());
                    let criticality = if n == "FT-3" { "safety" } else { "control" };
                    row(n, criticality, vec![f])
                })
                .collect();
            let tags: Vec<&str> = shown.iter().map(String::as_str).collect();
            let groups = if causes > 1 { vec![cause("JB", Kind::AnalogDigitalDrift, &tags, T0)] } else { vec![] };
            b.assess(now, rows.clone(), groups.clone());
            let told = b.assess(now, rows, groups);
            prop_assert!(told.is_empty(), "the same again is no news: {told:?}");
            let ids: Vec<String> = b.cases.iter().map(|c| c.id.clone()).collect();
            if let Some((what, n)) = act
                && let Some(id) = ids.get(n)
                // Persons do not speak for the evidence.
                && matches!(what, What::Acknowledged | What::Shelved { .. } | What::Unshelved | What::OutOfService
                    | What::Planned { .. } | What::Attended { .. } | What::Noted { .. } | What::Closed)
            {
                let _refused = b.person(now, id, what);
            }
        }
        let mut again = Cases::default();
        for e in &b.log {
            again.apply(&Event::from_json(&e.to_json().unwrap()).unwrap()).unwrap();
        }
        prop_assert!(again == b.cases);
    }
}
