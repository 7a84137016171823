//! Announced work, shutdowns and idle areas explain what they cover, and the result says what work hid.

use crate::common::{Rng, assess_fleet, percent_loop};
use analytics_detect::{Kind, Work};
use ingest_model::{Columns, LoopEntry, Reading, Tag, UtcMicros};

const DAY_S: i64 = 86_400;

/// Five wandering loops of one area for twelve days; `edit` is told loop, second and reading.
fn fleet(mut edit: impl FnMut(usize, i64, &mut Reading)) -> Vec<(LoopEntry, Columns)> {
    (0..5)
        .map(|i| {
            let mut e = percent_loop(&format!("FT-{i}"));
            (e.area, e.gateway) = (Some("A".into()), Some("G".into()));
            let mut rng = Rng(i as u64 + 1);
            let (mut level, mut c) = (50.0_f64, Columns::default());
            for k in 0..12 * DAY_S / 120 {
                level = (level + 1.2 * rng.normal() + 0.01 * (50.0 - level)).clamp(3.0, 97.0);
                let mut r = Reading {
                    pv: level,
                    reported_ma: 4.0 + 0.16 * level,
                    analog_ma: 4.0 + 0.16 * level + 0.002 * rng.normal(),
                    response_code: Some(0),
                    device_status: Some(0),
                    config_changes: Some(7),
                    ..Reading::empty(UtcMicros(k * 120_000_000))
                };
                edit(i, k * 120, &mut r);
                c.push(&r);
            }
            (e, c)
        })
        .collect()
}

fn at(day: f64) -> UtcMicros {
    UtcMicros((day * DAY_S as f64 * 1e6) as i64)
}

fn announce(tag: Option<&str>, from: f64, to: f64) -> Vec<Work> {
    vec![Work {
        tag: tag.map(|t| Tag::new(t).unwrap()),
        from: at(from),
        to: at(to),
    }]
}

fn between(t: i64, from: f64, to: f64) -> bool {
    (from * DAY_S as f64..to * DAY_S as f64).contains(&(t as f64))
}

fn kinds(a: &analytics_detect::Assessment) -> Vec<(String, Kind)> {
    a.attention
        .iter()
        .flat_map(|r| r.findings.iter().map(|f| (r.tag.to_string(), f.kind)))
        .collect()
}

/// A loop taken out for eight hours: fixed current, a new configuration count, silence, a failure current.
fn workshop(i: usize, t: i64, r: &mut Reading) {
    if i != 1 {
        return;
    }
    if t as f64 >= 6.1 * DAY_S as f64 {
        r.config_changes = Some(8);
    }
    if between(t, 6.0, 6.15) {
        (r.reported_ma, r.analog_ma, r.device_status) = (12.0, 12.001, Some(0x08));
    }
    if between(t, 6.15, 6.33) {
        *r = Reading {
            analog_ma: 0.0,
            ..Reading::empty(r.time)
        };
    }
}

#[test]
fn announced_work_is_no_finding_and_is_told() {
    let members = fleet(workshop);
    let without = assess_fleet(&members, None, vec![]);
    let found = kinds(&without);
    for kind in [
        Kind::NoReply,
        Kind::CurrentOutOfRange,
        Kind::ConfigurationChange,
    ] {
        assert!(found.contains(&("FT-1".to_owned(), kind)), "{found:?}");
    }
    assert!(without.explained_by_work.is_empty());
    for tag in [Some("FT-1"), None] {
        let with = assess_fleet(&members, None, announce(tag, 5.99, 6.34));
        assert!(kinds(&with).is_empty(), "{:?}", kinds(&with));
        // Everything that was found is said to be explained, with the work's own times.
        for (tag, kind) in &found {
            assert!(
                with.explained_by_work
                    .iter()
                    .any(|e| e.tag.as_str() == tag && e.kind == *kind && e.work_from == at(5.99)),
                "{tag} {kind:?}: {:#?}",
                with.explained_by_work
            );
        }
        assert!(with.explained_by_work.iter().all(|e| !e.summary.is_empty()));
    }
    // Work on another loop, or on another day, explains nothing.
    for work in [
        announce(Some("FT-2"), 5.99, 6.34),
        announce(Some("FT-1"), 8.0, 8.3),
    ] {
        let a = assess_fleet(&members, None, work);
        assert_eq!(kinds(&a), found);
        assert!(a.explained_by_work.is_empty(), "{:#?}", a.explained_by_work);
    }
}

/// What outlasts the work stays a finding.
#[test]
fn work_does_not_hide_what_it_left_behind() {
    let members = fleet(|i, t, r| {
        if i == 1 && between(t, 6.0, 99.0) {
            r.analog_ma += 0.16 * 0.8;
        }
    });
    let a = assess_fleet(&members, None, announce(Some("FT-1"), 5.9, 6.3));
    assert_eq!(
        kinds(&a),
        [("FT-1".to_owned(), Kind::AnalogDigitalDrift)],
        "{:#?}",
        a.attention
    );
}

/// The whole area stands still for two days: a plant at rest, no stuck values, no noise change. One loop that alone stands
/// still while the others run is stuck.
#[test]
fn a_shutdown_is_no_finding() {
    for (from, to) in [(5.0, 7.0), (10.5, 99.0)] {
        let mut held = [None; 5];
        let members = fleet(|i, t, r| {
            if between(t, from, to) {
                let pv = *held[i].get_or_insert(r.pv);
                r.pv = pv;
                r.reported_ma = 4.0 + 0.16 * pv;
                r.analog_ma = 4.0 + 0.16 * pv + 0.0005 * ((t / 120 % 3) as f64 - 1.0);
            }
        });
        let a = assess_fleet(&members, None, vec![]);
        assert!(kinds(&a).is_empty(), "{from}: {:#?}", a.attention);
    }
    let mut held = None;
    let members = fleet(|i, t, r| {
        if i == 2 && between(t, 9.0, 99.0) {
            let pv = *held.get_or_insert(r.pv);
            r.pv = pv;
            r.reported_ma = 4.0 + 0.16 * pv;
            r.analog_ma = 4.0 + 0.16 * pv + 0.0005 * ((t / 120 % 3) as f64 - 1.0);
        }
    });
    let a = assess_fleet(&members, None, vec![]);
    assert_eq!(kinds(&a), [("FT-2".to_owned(), Kind::StuckValue)]);
}

/// Batches: every eight hours the process empties to 0 % for two, on all loops and every day.
#[test]
fn batches_are_no_finding() {
    let members = fleet(|i, t, r| {
        let in_batch = (t + 600 * i as i64) % 28_800;
        if in_batch < 7200 {
            r.pv = 0.0;
            r.reported_ma = 4.0;
            r.analog_ma = 4.0 + 0.0005 * ((t / 120 % 3) as f64 - 1.0);
        }
    });
    let a = assess_fleet(&members, None, vec![]);
    assert!(kinds(&a).is_empty(), "{:#?}", a.attention);
}
