//! One loop a fault: each main kind is found with its cause and signal, and nothing else is said.
//! Invented series; what is checked against published numbers stands in `references.rs`.

use analytics_detect::{
    Blocks, Finding, Fleet, Kind, LoopSource, Params, Signal, assess, day_blocks,
};
use ingest_model::instant::MICROS_PER_DAY;
use ingest_model::{Columns, LoopEntry, Range, Reading, Tag, Transfer, UtcMicros};

const DAYS: i64 = 14;
const PERIOD_S: i64 = 120;
const PER_DAY: i64 = 86_400 / PERIOD_S;

struct Rng(u64);

impl Rng {
    fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// A loop of 0 to 100 % that wanders; `fault` edits each reading, told its day and the level asked for.
fn series(seed: u64, fault: &mut dyn FnMut(f64, f64, &mut Reading)) -> Columns {
    let mut rng = Rng(seed);
    let mut level: f64 = 50.0;
    let mut c = Columns::default();
    let mut exchanges = 60_000_u32;
    let mut errors = 500_u32;
    for k in 0..(DAYS * PER_DAY) {
        level = (level + 1.2 * rng.normal() + 0.01 * (50.0 - level)).clamp(3.0, 97.0);
        exchanges = (exchanges + 1) % 65_536;
        if rng.uniform() < 0.01 {
            errors = (errors + 1) % 65_536;
        }
        let mut r = Reading {
            pv: (level * 100.0).round() / 100.0,
            reported_ma: 4.0 + 0.16 * (level * 100.0).round() / 100.0,
            analog_ma: 4.0 + 0.16 * level + 0.002 * rng.normal(),
            response_code: Some(0),
            device_status: Some(0),
            exchanges: Some(exchanges),
            comm_errors: Some(errors),
            config_changes: Some(7),
            ..Reading::empty(UtcMicros(k * PERIOD_S * 1_000_000))
        };
        fault(k as f64 / PER_DAY as f64, level, &mut r);
        c.push(&r);
    }
    c
}

fn findings(columns: &Columns) -> Vec<Finding> {
    let entry = LoopEntry::new(
        Tag::new("PT-1").unwrap(),
        "bar",
        Range {
            lrv: 0.0,
            urv: 100.0,
            transfer: Transfer::Linear,
        },
    );
    let mut blocks = Vec::new();
    let mut from = 0;
    while from < columns.len() {
        let day = columns.time[from].div_euclid(MICROS_PER_DAY);
        let to = columns
            .time
            .partition_point(|t| t.div_euclid(MICROS_PER_DAY) <= day);
        blocks.extend(day_blocks(&entry, &columns.slice(from, to)));
        from = to;
    }
    let fleet = Fleet {
        loops: vec![LoopSource {
            entry: &entry,
            blocks: Blocks::Plain(&blocks),
        }],
        from: Some(UtcMicros(columns.time[0])),
        to: UtcMicros(*columns.time.last().unwrap()),
        work: vec![],
        readings: columns.len() as u64,
        rejected: 0,
    };
    assess(&fleet, &Params::default())
        .attention
        .into_iter()
        .flat_map(|r| r.findings)
        .collect()
}

/// Exactly one finding of this kind, cause and signal, its onset within `slack_h` of day `onset`.
#[track_caller]
fn check(
    columns: &Columns,
    kind: Kind,
    cause: Option<&str>,
    signal: Option<Signal>,
    onset: f64,
    slack_h: f64,
) -> Finding {
    let all = findings(columns);
    assert_eq!(all.len(), 1, "{all:#?}");
    let f = all.into_iter().next().unwrap();
    assert_eq!((f.kind, f.cause), (kind, cause), "{}", f.summary);
    if signal.is_some() {
        assert_eq!(f.signal, signal);
    }
    let off_h = (f.onset.0 as f64 / 3.6e9) - onset * 24.0;
    assert!(
        off_h.abs() <= slack_h,
        "onset off by {off_h} h: {}",
        f.summary
    );
    assert!(!f.summary.is_empty() && !f.checks.is_empty() && !f.cautions.is_empty());
    f
}

#[test]
fn a_healthy_loop_gives_nothing() {
    for seed in 1..=12 {
        let all = findings(&series(seed, &mut |_, _, _| {}));
        assert!(all.is_empty(), "seed {seed}: {all:#?}");
    }
}

#[test]
fn offset_step() {
    let c = series(2, &mut |d, _, r| {
        r.analog_ma += if d > 6.0 { 0.16 * 0.6 } else { 0.0 }
    });
    let f = check(&c, Kind::AnalogDigitalDrift, Some("offset"), None, 6.0, 6.0);
    assert!((f.deviation_pct.unwrap() - 0.6).abs() < 0.05);
    assert!(f.summary.contains("beyond the tolerance"), "{}", f.summary);
}

#[test]
fn span_ramp_with_a_date() {
    let c = series(3, &mut |d, level, r| {
        r.analog_ma -= 0.16 * 0.04 * (d - 5.0).max(0.0) * level / 100.0
    });
    let f = check(&c, Kind::AnalogDigitalDrift, Some("span"), None, 5.0, 24.0);
    let (low, at, high) = (
        f.reaches_tolerance_low.unwrap(),
        f.reaches_tolerance_at.unwrap(),
        f.reaches_tolerance_high.unwrap(),
    );
    assert!(low <= at && at <= high);
    // 0.5 % at the usual position (about 50 %) after 25 days of growth: day 30, within the interval.
    let day = |t: UtcMicros| t.0 as f64 / MICROS_PER_DAY as f64;
    assert!(
        day(low) < 33.0 && day(high) > 27.0,
        "{} to {}",
        day(low),
        day(high)
    );
}

#[test]
fn supply_limited_names_the_ceiling() {
    let c = series(4, &mut |d, _, r| {
        if d > 7.0 {
            r.analog_ma = r.analog_ma.min(13.2);
        }
    });
    let f = check(
        &c,
        Kind::AnalogDigitalDrift,
        Some("supply-limited"),
        None,
        7.0,
        24.0,
    );
    assert!(f.summary.contains("13.2"), "{}", f.summary);
}

#[test]
fn scaling_names_the_range() {
    let c = series(5, &mut |d, level, r| {
        if d > 7.0 {
            let ma = 4.0 + 16.0 * level / 120.0;
            r.reported_ma = ma;
            r.analog_ma = ma + 0.001;
        }
    });
    let f = check(
        &c,
        Kind::AnalogDigitalDrift,
        Some("scaling"),
        None,
        7.0,
        2.0,
    );
    assert!(f.summary.contains("120"), "{}", f.summary);
}

#[test]
fn stuck_digital_and_stuck_analog() {
    let mut held = 0.0;
    let c = series(6, &mut |d, _, r| {
        if d > 9.0 {
            if held == 0.0 {
                held = r.pv;
            }
            r.pv = held;
            r.reported_ma = 4.0 + 0.16 * held;
        }
    });
    check(&c, Kind::StuckValue, None, Some(Signal::Digital), 9.0, 1.0);
    let c = series(7, &mut |d, _, r| {
        if d > 9.0 {
            r.analog_ma = 11.25;
        }
    });
    check(&c, Kind::StuckValue, None, Some(Signal::Analog), 9.0, 2.0);
}

#[test]
fn fixed_current_is_told_from_a_stuck_input() {
    let c = series(8, &mut |d, _, r| {
        if d > 9.0 {
            r.reported_ma = 12.0;
            r.analog_ma = 12.003;
        }
    });
    check(&c, Kind::FixedCurrent, None, Some(Signal::Analog), 9.0, 2.0);
}

#[test]
fn rising_errors_through_a_wrap() {
    let mut rng = Rng(99);
    let mut extra = 65_400_u32;
    let c = series(9, &mut |d, _, r| {
        if d > 8.0 && rng.uniform() < 0.08 {
            extra += 1;
        }
        r.comm_errors = r.comm_errors.map(|e| (e + extra) % 65_536);
    });
    let f = check(&c, Kind::RisingErrors, None, None, 8.0, 12.0);
    assert!(f.summary.contains("rose from"), "{}", f.summary);
}

#[test]
fn silence_and_the_broken_wire() {
    let c = series(10, &mut |d, _, r| {
        if d > 12.0 {
            let analog_ma = r.analog_ma;
            *r = Reading {
                analog_ma,
                ..Reading::empty(r.time)
            };
        }
    });
    let f = check(&c, Kind::NoReply, None, None, 12.0, 0.2);
    assert!(f.summary.contains("still arrives"), "{}", f.summary);
    let c = series(11, &mut |d, _, r| {
        if d > 12.0 {
            *r = Reading {
                analog_ma: 0.0,
                ..Reading::empty(r.time)
            };
        }
    });
    let all = findings(&c);
    let kinds: Vec<(Kind, Option<&str>)> = all.iter().map(|f| (f.kind, f.cause)).collect();
    assert!(
        kinds.contains(&(Kind::NoReply, None))
            && kinds.contains(&(Kind::CurrentOutOfRange, Some("failure-low"))),
        "{kinds:?}"
    );
    assert_eq!(all.len(), 2);
}

#[test]
fn failure_current_needs_two_samples() {
    let c = series(12, &mut |d, _, r| {
        if d > 13.5 {
            r.analog_ma = 21.6;
        }
    });
    check(
        &c,
        Kind::CurrentOutOfRange,
        Some("failure-high"),
        None,
        13.5,
        0.2,
    );
    let mut n = 0;
    let c = series(13, &mut |d, _, r| {
        if d > 13.9 && n < 1 {
            n += 1;
            r.analog_ma = 21.6;
        }
    });
    assert!(findings(&c).is_empty());
}

#[test]
fn status_restarts_and_configuration() {
    let c = series(14, &mut |d, _, r| {
        if d > 10.0 {
            r.device_status = Some(0x80);
        }
    });
    let f = check(&c, Kind::DeviceStatus, Some("failure"), None, 10.0, 0.2);
    assert_eq!(f.ne107.map(|n| n.as_str()), Some("failure"));
    let c = series(15, &mut |d, _, r| {
        if d > 10.0 {
            r.config_changes = Some(8);
        }
    });
    let f = check(&c, Kind::ConfigurationChange, None, None, 10.0, 0.2);
    assert!(f.ended.is_some());
    let mut k = 0;
    let c = series(16, &mut |d, _, r| {
        if d > 10.0 {
            k += 1;
            if k % 180 < 2 {
                r.device_status = Some(0x20);
            }
        }
    });
    check(&c, Kind::Restarts, None, None, 10.0, 8.0);
}

/// A gateway exchanged or restarted with other counters is no traffic: the share before does not look high beside it.
#[test]
fn a_counter_that_jumps_is_another_counter() {
    let c = series(17, &mut |d, _, r| {
        // In the middle of an hour, an hour before the record ends.
        if d > 13.98 {
            r.exchanges = r.exchanges.map(|e| (e + 30_000) % 65_536);
            r.comm_errors = Some(700);
        }
    });
    assert!(findings(&c).is_empty(), "{:#?}", findings(&c));
}
