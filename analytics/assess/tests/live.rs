//! The statistics of a growing record are made now and then: a result is still a function of the rows alone, and what a
//! reading states by itself is told at once. The fleet here is small and told to be large.

use analytics_assess::{Assessed, Engine, Settings, Settled, TraceStep};
use analytics_detect::{Finding, Kind};
use ingest_model::{Reading, Tag, UtcMicros};
use ingest_store::Store;
use std::path::Path;
use std::sync::Arc;

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

    /// The whole record at once.
    fn whole(&self) -> Assessed {
        let snapshot = self.store.reader().snapshot().unwrap();
        Engine::new(Settings::default())
            .assess(&snapshot, None, &mut |_| {})
            .unwrap()
    }

    fn follow(&self, settled: &Settled) -> Assessed {
        let snapshot = self.store.reader().snapshot().unwrap();
        settled.follow(&snapshot, None).unwrap().unwrap()
    }
}

/// A service's two tasks in turn.
struct Live {
    engine: Engine,
    settled: Option<Arc<Settled>>,
}

impl Live {
    fn every(minutes: i64) -> Self {
        let engine = Engine::new(Settings {
            steps: vec![(1, minutes)],
            ..Settings::default()
        });
        Self {
            engine,
            settled: None,
        }
    }

    fn hourly() -> Self {
        Self::every(60)
    }

    fn settle(&mut self, site: &Site, late_rows: bool) -> Arc<Settled> {
        let snapshot = site.store.reader().snapshot().unwrap();
        let known = self.settled.take();
        let settled = self
            .engine
            .settle(&snapshot, None, known.as_ref(), late_rows, &mut |_| {});
        let settled = settled.unwrap();
        self.settled = Some(Arc::clone(&settled));
        settled
    }

    fn assess(&mut self, site: &Site) -> Assessed {
        let settled = self.settle(site, true);
        site.follow(&settled)
    }

    fn bytes(&mut self, site: &Site) -> String {
        serde_json::to_string(&self.assess(site).result).unwrap()
    }
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
    let whole = site.whole();
    site.lands(HISTORY_MIN..HISTORY_MIN + 1);
    let now = Live::hourly().assess(&site);
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
    let mut live = Live::hourly();
    site.lands(HISTORY_MIN..open + 3);
    let now = live.assess(&site);
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
    let now = live.assess(&site);
    let silence = of(&now, 4, Kind::NoReply);
    assert_eq!(silence.len(), 1);
    assert_eq!(silence[0].onset, at(HISTORY_MIN - 100));
    site.lands(HISTORY_MIN + 25..HISTORY_MIN + 59);
    let now = live.assess(&site);
    let wire = of(&now, 1, Kind::CurrentOutOfRange);
    assert_eq!(wire.len(), 1);
    assert_eq!(wire[0].onset, at(open));
    assert_eq!(live.engine.times_settled(), 1);
    // What the next hour's statistics say of it is the same event.
    site.lands(HISTORY_MIN + 59..HISTORY_MIN + 190);
    let later = live.assess(&site);
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
    let mut kept = Live::hourly();
    kept.engine = kept.engine.with_rollups(site.store.rollups());
    let mut settled = 0;
    for (n, from) in (HISTORY_MIN..HISTORY_MIN + 180).step_by(6).enumerate() {
        site.lands(from..from + 6);
        if n % 2 == 1 {
            site.store.seal(at(from)).unwrap();
        }
        assert_eq!(
            kept.bytes(&site),
            Live::hourly().bytes(&site),
            "minute {from}"
        );
        settled += u64::from(n % 10 == 0);
        assert_eq!(kept.engine.times_settled(), settled, "minute {from}");
    }
    // A late row of an hour that is over.
    let late = Reading {
        analog_ma: 3.0,
        ..Reading::empty(UtcMicros(at(HISTORY_MIN - 700).0 + 1_000_000))
    };
    site.store.landing().append(vec![(tag(5), late)]).unwrap();
    assert_eq!(kept.bytes(&site), Live::hourly().bytes(&site));
    assert_eq!(kept.engine.times_settled(), settled + 1);
    site.store.seal(at(HISTORY_MIN + 200)).unwrap();
    assert_eq!(kept.bytes(&site), Live::hourly().bytes(&site));
    assert_eq!(
        kept.engine.times_settled(),
        settled + 1,
        "the same rows in other files"
    );
}

#[test]
fn pages_draw_the_newest_hour_too() {
    let dir = tempfile::tempdir().unwrap();
    let site = Site::new(dir.path(), 0..0, i64::MAX);
    site.lands(HISTORY_MIN..HISTORY_MIN + 20);
    let now = Live::hourly().assess(&site);
    // The hour that is not over may come in pieces.
    let hours = now.hour_blocks(&tag(1));
    let newest = hours.iter().filter(|b| b.hour == at(HISTORY_MIN).hour());
    assert_eq!(newest.map(|b| b.rows).sum::<u32>(), 20);
    let trace = now.trace(&tag(1), TraceStep::Hour).unwrap();
    assert_eq!(trace.time.last(), Some(&at(HISTORY_MIN)));
    assert_eq!(trace.replies.last(), Some(&20));
    assert!(trace.time.is_sorted_by(|a, b| a < b));
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
    let mut live = Live::hourly();
    for from in (HISTORY_MIN..HISTORY_MIN + 240).step_by(7) {
        site.lands(from..from + 7);
        let now = live.assess(&site);
        assert!(
            of(&now, 5, Kind::CurrentOutOfRange).is_empty(),
            "minute {from}: what the whole record does not call a finding is none in between"
        );
    }
}

/// With steps of a minute and of five the statistics lag no more than that, and what is kept changes nothing.
#[test]
fn steps_within_an_hour() {
    let dir = tempfile::tempdir().unwrap();
    let site = Site::new(dir.path(), HISTORY_MIN + 33..HISTORY_MIN + 47, i64::MAX);
    let mut kept = [Live::every(1), Live::every(5)];
    for from in (HISTORY_MIN..HISTORY_MIN + 66).step_by(3) {
        site.lands(from..from + 3);
        if from % 2 == 0 {
            site.store.seal(at(from)).unwrap();
        }
        for (live, step) in kept.iter_mut().zip([1, 5]) {
            assert_eq!(
                live.bytes(&site),
                Live::every(step).bytes(&site),
                "minute {from}, step {step}"
            );
            let to = (from + 2) / step * step;
            assert_eq!(live.settle(&site, true).statistics_to(), at(to));
        }
    }
    let wire = of(&kept[0].assess(&site), 1, Kind::CurrentOutOfRange).len();
    assert_eq!(wire, 1);
    let drift = |a: &Assessed| of(a, 2, Kind::AnalogDigitalDrift)[0].onset;
    assert_eq!(drift(&kept[0].assess(&site)), drift(&kept[1].assess(&site)));
}

/// What a service does between two settlings: facts are told from the statistics of an hour ago.
#[test]
fn facts_do_not_wait_for_statistics() {
    let dir = tempfile::tempdir().unwrap();
    let open = HISTORY_MIN + 62;
    let site = Site::new(dir.path(), open..open + 30, i64::MAX);
    site.lands(HISTORY_MIN..HISTORY_MIN + 1);
    let mut live = Live::hourly();
    let settled = live.settle(&site, true);
    site.lands(HISTORY_MIN + 1..open + 3);
    let now = site.follow(&settled);
    assert_eq!(now.statistics_to, Some(at(HISTORY_MIN)));
    assert_eq!(now.result.to, Some(at(open + 2)));
    assert_eq!(of(&now, 1, Kind::CurrentOutOfRange)[0].onset, at(open));
    let next = live.settle(&site, true);
    assert_eq!(next.statistics_to(), at(HISTORY_MIN + 60));
    let now = site.follow(&next);
    assert_eq!(of(&now, 1, Kind::CurrentOutOfRange)[0].onset, at(open));
    // Over midnight too.
    site.lands(open + 3..open + 14 * 60);
    let late = site.follow(&next);
    assert_eq!(late.result.to, Some(at(open + 14 * 60 - 1)));
    let all = site.whole().result.readings;
    assert_eq!(late.result.readings, all, "each row once");
}

#[test]
fn late_rows_wait_until_they_are_allowed_and_another_register_is_not_followed() {
    let dir = tempfile::tempdir().unwrap();
    let site = Site::new(dir.path(), 0..0, i64::MAX);
    site.lands(HISTORY_MIN..HISTORY_MIN + 3);
    let mut live = Live::hourly();
    live.settle(&site, true);
    let late = Reading {
        analog_ma: 3.0,
        ..Reading::empty(UtcMicros(at(HISTORY_MIN - 700).0 + 1_000_000))
    };
    site.store.landing().append(vec![(tag(5), late)]).unwrap();
    live.settle(&site, false);
    assert_eq!(live.engine.times_settled(), 1);
    // The next minute looks at its rows, still without new statistics.
    site.lands(HISTORY_MIN + 3..HISTORY_MIN + 5);
    live.settle(&site, false);
    assert_eq!(live.engine.times_settled(), 1);
    assert_eq!(live.bytes(&site), Live::hourly().bytes(&site));
    assert_eq!(live.engine.times_settled(), 2);

    let settled = live.settle(&site, true);
    let register = "tag,pv_unit,lrv,urv,area,gateway\nFT-6,m3/h,0,100,A,GW-1\n";
    site.store
        .register_apply(register, at(HISTORY_MIN + 5))
        .unwrap();
    let snapshot = site.store.reader().snapshot().unwrap();
    assert!(settled.follow(&snapshot, None).unwrap().is_none());
    let anew = live.settle(&site, false);
    assert_eq!(site.follow(&anew).result.loops, 1);
}

#[test]
fn a_small_record_is_not_followed() {
    let dir = tempfile::tempdir().unwrap();
    let site = Site::new(dir.path(), 0..0, i64::MAX);
    let mut engine = Engine::new(Settings::default());
    let snapshot = site.store.reader().snapshot().unwrap();
    assert!(!engine.follows(&snapshot));
    let refused = engine.settle(&snapshot, None, None, true, &mut |_| {});
    assert!(refused.is_err());
}
