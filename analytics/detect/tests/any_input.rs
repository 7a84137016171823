//! Every detector on every kind of bad record: empty, one point, constant, gaps, NaN, huge numbers, clock jumps.

use analytics_detect::{Blocks, Fleet, LoopSource, Params, assess, day_blocks};
use ingest_model::instant::MICROS_PER_DAY;
use ingest_model::{Columns, LoopEntry, Range, Reading, Tag, Transfer, UtcMicros};
use proptest::prelude::*;

fn assess_columns(entry: &LoopEntry, c: &Columns) -> analytics_detect::Assessment {
    let mut blocks = Vec::new();
    let mut from = 0;
    while from < c.len() {
        let day = c.time[from].div_euclid(MICROS_PER_DAY);
        let to = c
            .time
            .partition_point(|t| t.div_euclid(MICROS_PER_DAY) <= day);
        blocks.extend(day_blocks(entry, &c.slice(from, to)));
        from = to;
    }
    let to = UtcMicros(c.time.last().copied().unwrap_or(0));
    let fleet = Fleet {
        loops: vec![LoopSource {
            entry,
            blocks: Blocks::Plain(&blocks),
        }],
        from: c.time.first().map(|t| UtcMicros(*t)),
        to,
        work: vec![],
        readings: c.len() as u64,
        rejected: 0,
    };
    assess(&fleet, &Params::default())
}

fn entry(transfer: Transfer, multidrop: bool) -> LoopEntry {
    let mut e = LoopEntry::new(
        Tag::new("FT-1").unwrap(),
        "bar",
        Range {
            lrv: 0.0,
            urv: 10.0,
            transfer,
        },
    );
    e.multidrop = multidrop;
    e
}

fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        5 => 0.0..10.0_f64,
        1 => Just(f64::NAN),
        1 => Just(5.0),
        1 => Just(0.0),
        1 => Just(-1e30),
        1 => Just(3.4e38),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn never_panics(
        rows in prop::collection::vec((1_i64..40_000_000_000, value(), value(), value(), -1_i16..256, -1_i16..256, -1_i64..70_000, -1_i64..70_000, -1_i32..65_536), 0..400),
        root in any::<bool>(), multidrop in any::<bool>(), start in -1_000_000_000_000_000_i64..2_000_000_000_000_000,
    ) {
        let mut c = Columns::default();
        let mut t = start;
        for (dt, pv, m, r, code, status, ex, er, conf) in rows {
            t += dt;
            let byte = |v: i16| u8::try_from(v).ok();
            c.push(&Reading {
                pv,
                analog_ma: if m.is_finite() { 4.0 + 1.6 * m } else { m },
                reported_ma: if r.is_finite() { 4.0 + 1.6 * r } else { r },
                sv: r,
                response_code: byte(code),
                device_status: byte(status),
                extended_status: byte(status),
                exchanges: u32::try_from(ex).ok(),
                comm_errors: u32::try_from(er).ok(),
                config_changes: u16::try_from(conf).ok(),
                ..Reading::empty(UtcMicros(t))
            });
        }
        let transfer = if root { Transfer::SquareRoot } else { Transfer::Linear };
        let a = assess_columns(&entry(transfer, multidrop), &c);
        // What is said can be written as JSON, and equal input gives equal output.
        let b = assess_columns(&entry(transfer, multidrop), &c);
        prop_assert_eq!(serde_json::to_string(&a).unwrap(), serde_json::to_string(&b).unwrap());
        for row in &a.attention {
            prop_assert!(row.score >= 0.0 && row.score <= 1.0);
            for f in &row.findings {
                prop_assert!((0.0..=1.0).contains(&f.confidence));
                prop_assert!(f.onset_low <= f.onset && f.onset <= f.onset_high);
            }
        }
    }
}

#[test]
fn silence_is_accounted_for() {
    let a = assess_columns(&entry(Transfer::Linear, false), &Columns::default());
    assert!(a.attention.is_empty());
    assert_eq!(a.not_judged.len(), 1);
    assert_eq!(
        (a.not_judged[0].what, a.not_judged[0].why.as_str()),
        ("all", "no readings")
    );
    // One point: too short for drift and says so.
    let mut c = Columns::default();
    c.push(&Reading {
        pv: 5.0,
        analog_ma: 12.0,
        response_code: Some(0),
        ..Reading::empty(UtcMicros(0))
    });
    let a = assess_columns(&entry(Transfer::Linear, false), &c);
    assert!(
        a.not_judged
            .iter()
            .any(|n| n.what == "analog-digital-drift" && n.why.starts_with("record too short"))
    );
}

/// A healthy constant loop, and one whose numbers are shifted and scaled: nothing is found on either.
#[test]
fn constant_and_healthy_records_are_quiet() {
    for moving in [false, true] {
        let mut c = Columns::default();
        for k in 0..(10 * 720_i64) {
            let pv = if moving {
                5.0 + 3.0 * (k as f64 / 37.0).sin()
            } else {
                5.0
            };
            // Bounded, deterministic receiver error.
            let noise = 0.002 * ((k * 7919 % 101) as f64 / 50.0 - 1.0);
            c.push(&Reading {
                pv,
                analog_ma: 4.0 + 1.6 * pv + noise,
                reported_ma: 4.0 + 1.6 * pv,
                response_code: Some(0),
                device_status: Some(0),
                ..Reading::empty(UtcMicros(k * 120_000_000))
            });
        }
        let a = assess_columns(&entry(Transfer::Linear, false), &c);
        assert!(a.attention.is_empty(), "{:#?}", a.attention);
    }
}
