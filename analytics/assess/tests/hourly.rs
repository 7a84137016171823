//! A large fleet's statistics are made once an hour: a result is still a function of the rows alone, and what a reading
//! states by itself is told at once. The fleet here is small and told to be large.

use analytics_assess::{Assessed, Engine, Settings};
use analytics_detect::{Finding, Kind};
use ingest_model::{Reading, Tag, UtcMicros};
use ingest_store::Store;
use std::path::Path;

/// 2024-10-05T00:00:00Z.
const BEGIN_S: i64 = 20_001 * 86_400;
const HISTORY_MIN: i64 = 4 * 1_440 + 10 * 60;

fn at(minute: i64) -> UtcMicros {
    UtcMicros((BEGIN_S + 60 * minute) * 1_000_000)
}

/// Loop 2 drifts from the second day on, loop 3 has a status bit on the third, loop 4 is silent from `silent` on, loop 1's
/// wire is open in `broken`, loop 5 is saturated an hour each noon.
fn reading(n: i64, minute: i64, broken: std::ops::Range<i64>, silent: i64) -> Reading {
    let day = minute as f64 / 1_440.0;
    let pv = 50.0 + 30.0 * (minute as f64 / 307.0 + n as f64).sin();
    let drift = if n == 2 {
        0.6 * (day - 1.0).max(0.0)
    } else {
        0.0
    };
    let wobble = 0.004 * ((minute * 7_919 % 101) as f64 / 50.0 - 1.0);
    if n == 4 && minute >= silent {
        return Reading {
            analog_ma: 4.0 + 0.16 * pv,
            ..Reading::empty(at(minute))
        };
    }
    Reading {
        pv,
        reported_ma: 4.0 + 0.16 * pv,
        analog_ma: if n == 1 && broken.contains(&minute) {
            2.0
        } else if n == 5 && (720..780).contains(&minute.rem_euclid(1_440)) {
            20.6
        } else {
            4.0 + 0.16 * (pv + drift) + wobble
        },
        response_code: Some(0),
        device_status: Some(if n == 3 && day > 2.0 && day < 2.5 {
            128
        } else {
            0
        }),
        ..Reading::empty(at(minute))
    }
}

fn tag(n: i64) -> Tag {
    Tag::new(&format!("FT-{n}")).unwrap()
}

struct Site {
    store: Store,
    broken: std::ops::Range<i64>,
    silent: i64,
}

impl Site {
    fn new(dir: &Path, broken: std::ops::Range<i64>, silent: i64) -> Self {
        let store = Store::open(&dir.join("store"), "test", at(0)).unwrap();
        let loops: String = (1..=5)
            .map(|n| format!("FT-{n},m3/h,0,100,A,GW-1\n"))
            .collect();
        let register = format!("tag,pv_unit,lrv,urv,area,gateway\n{loops}");
        store.register_apply(&register, at(0)).unwrap();
        let site = Self {
            store,
            broken,
            silent,
        };
        site.lands(0..HISTORY_MIN);
        site.store.seal(at(HISTORY_MIN)).unwrap();
        site
    }

    fn lands(&self, minutes: std::ops::Range<i64>) {
        let rows = minutes.flat_map(|m| (1..=5).map(move |n| (n, m)));
        let rows = rows.map(|(n, m)| (tag(n), reading(n, m, self.broken.clone(), self.silent)));
        self.store.landing().append(rows.collect()).unwrap();
    }

    fn assess(&self, engine: &mut Engine) -> Assessed {
        let snapshot = self.store.reader().snapshot().unwrap();
        engine.assess(&snapshot, None, &mut |_| {}).unwrap()
    }

    fn bytes(&self, engine: &mut Engine) -> String {
        serde_json::to_string(&self.assess(engine).result).unwrap()
    }
}

fn hourly() -> Engine {
    Engine::new(Settings {
        hourly_from: 1,
        ..Settings::default()
    })
}

fn findings(a: &Assessed) -> impl Iterator<Item = (&Tag, &Finding)> {
    let rows = a.result.attention.iter();
    rows.flat_map(|r| r.findings.iter().map(move |f| (&r.tag, f)))
}

fn of(a: &Assessed, n: i64, kind: Kind) -> Vec<&Finding> {
    let tag = tag(n);
    findings(a)
        .filter(|(t, f)| **t == tag && f.kind == kind)
        .map(|(_, f)| f)
        .collect()
}

#[test]
fn after_a_full_hour_it_says_what_an_assessment_of_all_says() {
    let dir = tempfile::tempdir().unwrap();
    let site = Site::new(dir.path(), 0..0, i64::MAX);
    let whole = site.assess(&mut Engine::new(Settings::default()));
    site.lands(HISTORY_MIN..HISTORY_MIN + 1);
    let now = site.assess(&mut hourly());
    let said = |a: &Assessed| -> Vec<_> {
        findings(a)
            .map(|(t, f)| {
                (
                    t.clone(),
                    f.id.clone(),
                    f.cause,
                    f.onset,
                    f.deviation_pct,
                    f.ended,
                )
            })
            .collect()
    };
    assert!(!of(&whole, 2, Kind::AnalogDigitalDrift).is_empty());
    assert!(!of(&whole, 3, Kind::DeviceStatus).is_empty());
    assert_eq!(said(&whole), said(&now));
    assert_eq!(whole.result.not_judged, now.result.not_judged);
    assert_eq!(now.result.to, Some(at(HISTORY_MIN)));
    assert_eq!(
        (whole.statistics_to, now.statistics_to),
        (None, Some(at(HISTORY_MIN)))
    );
    assert_eq!(now.result.readings, whole.result.readings + 5);
}

#[test]
fn facts_are_told_within_the_hour_and_end_within_it() {
    let dir = tempfile::tempdir().unwrap();
    let (open, mended) = (HISTORY_MIN + 5, HISTORY_MIN + 40);
    let site = Site::new(dir.path(), open..mended, HISTORY_MIN - 100);
    let mut engine = hourly();
    site.lands(HISTORY_MIN..open + 3);
    let now = site.assess(&mut engine);
    let wire = of(&now, 1, Kind::CurrentOutOfRange);
    assert_eq!(wire.len(), 1);
    assert_eq!(
        (wire[0].cause, wire[0].onset),
        (Some("failure-low"), at(open))
    );
    assert_eq!(wire[0].ended, None);
    assert!(
        of(&now, 4, Kind::NoReply).is_empty(),
        "silent for 108 minutes"
    );
    // Silent for two hours, of which most lie before the full hour.
    site.lands(open + 3..HISTORY_MIN + 25);
    let now = site.assess(&mut engine);
    let silence = of(&now, 4, Kind::NoReply);
    assert_eq!(silence.len(), 1);
    assert_eq!(silence[0].onset, at(HISTORY_MIN - 100));
    site.lands(HISTORY_MIN + 25..HISTORY_MIN + 59);
    let now = site.assess(&mut engine);
    let wire = of(&now, 1, Kind::CurrentOutOfRange);
    assert_eq!(wire.len(), 1);
    assert_eq!(wire[0].onset, at(open));
    assert_eq!(engine.times_settled(), 1);
    // What the next hour's statistics say of it is the same event.
    site.lands(HISTORY_MIN + 59..HISTORY_MIN + 190);
    let later = site.assess(&mut engine);
    let wire = of(&later, 1, Kind::CurrentOutOfRange);
    assert_eq!(
        (wire.len(), wire[0].onset, wire[0].ended),
        (1, at(open), Some(at(mended - 1)))
    );
    assert_eq!(of(&later, 4, Kind::NoReply).len(), 1);
}

#[test]
fn what_is_kept_changes_nothing_and_is_made_anew_only_when_an_hour_or_old_rows_come() {
    let dir = tempfile::tempdir().unwrap();
    let site = Site::new(
        dir.path(),
        HISTORY_MIN + 30..HISTORY_MIN + 95,
        HISTORY_MIN + 10,
    );
    let mut kept = hourly().with_rollups(site.store.rollups());
    let mut settled = 0;
    for (n, from) in (HISTORY_MIN..HISTORY_MIN + 180).step_by(6).enumerate() {
        site.lands(from..from + 6);
        if n % 2 == 1 {
            site.store.seal(at(from)).unwrap();
        }
        assert_eq!(
            site.bytes(&mut kept),
            site.bytes(&mut hourly()),
            "minute {from}"
        );
        settled += u64::from(n % 10 == 0);
        assert_eq!(kept.times_settled(), settled, "minute {from}");
    }
    // A late row of an hour that is over.
    let late = Reading {
        analog_ma: 3.0,
        ..Reading::empty(UtcMicros(at(HISTORY_MIN - 700).0 + 1_000_000))
    };
    site.store.landing().append(vec![(tag(5), late)]).unwrap();
    assert_eq!(site.bytes(&mut kept), site.bytes(&mut hourly()));
    assert_eq!(kept.times_settled(), settled + 1);
    site.store.seal(at(HISTORY_MIN + 200)).unwrap();
    assert_eq!(site.bytes(&mut kept), site.bytes(&mut hourly()));
    assert_eq!(
        kept.times_settled(),
        settled + 1,
        "the same rows in other files"
    );
}

#[test]
fn pages_draw_the_newest_hour_too() {
    let dir = tempfile::tempdir().unwrap();
    let site = Site::new(dir.path(), 0..0, i64::MAX);
    site.lands(HISTORY_MIN..HISTORY_MIN + 20);
    let now = site.assess(&mut hourly());
    let hours = now.hour_blocks(&tag(1));
    assert_eq!(
        hours.last().map(|b| (b.hour, b.rows)),
        Some((at(HISTORY_MIN).hour(), 20))
    );
    let days = now.day_blocks(&tag(1));
    assert!(days.is_sorted_by(|a, b| a.day < b.day));
    let newest = days.last().unwrap();
    assert_eq!((newest.hours, newest.rows), (11, 620));
    assert_eq!(
        now.newest_day_blocks(&tag(1), newest.day),
        vec![newest.clone()]
    );
}

#[test]
fn a_habit_is_no_news() {
    let dir = tempfile::tempdir().unwrap();
    let site = Site::new(dir.path(), 0..0, i64::MAX);
    let mut engine = hourly();
    for from in (HISTORY_MIN..HISTORY_MIN + 240).step_by(7) {
        site.lands(from..from + 7);
        let now = site.assess(&mut engine);
        assert!(
            of(&now, 5, Kind::CurrentOutOfRange).is_empty(),
            "minute {from}: what the whole record does not call a finding is none in between"
        );
    }
}
