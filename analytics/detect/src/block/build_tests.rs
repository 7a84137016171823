//! The sums as they are made fast and as they are written plainly are equal to the bit.

use super::{HourBlock, build, pack, plain};
use ingest_model::{Columns, LoopEntry, Range, Reading, Tag, Transfer, UtcMicros};
use proptest::prelude::*;

/// A value that is mostly ordinary, sometimes missing, equal to the last or far out.
fn signal(low: f64, high: f64) -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => low..high,
        1 => Just(f64::NAN),
        1 => Just((low + high) / 2.0),
        1 => (low - (high - low))..(high + (high - low)),
        1 => Just(-0.0),
    ]
}

fn row() -> impl Strategy<Value = Reading> {
    let gap = prop_oneof![6 => 30_000_000_i64..90_000_000, 1 => 1_i64..3_000_000_000];
    let code = prop_oneof![8 => Just(Some(0_u8)), 1 => Just(Some(0x88)), 1 => Just(None)];
    let status =
        || prop_oneof![6 => Just(Some(0_u8)), 1 => any::<u8>().prop_map(Some), 1 => Just(None)];
    (
        (
            gap,
            signal(0.0, 250.0),
            signal(4.0, 20.0),
            signal(4.0, 20.0),
            signal(20.0, 25.0),
        ),
        (code, status(), status()),
        (
            prop::option::weighted(0.9, prop_oneof![8 => 0_u32..3_000, 1 => any::<u32>()]),
            prop::option::weighted(0.9, 0_u32..200),
            prop::option::weighted(0.9, 0_u16..3),
        ),
    )
        .prop_map(
            |(
                (gap, pv, reported_ma, analog_ma, sv),
                (response_code, device_status, extended_status),
                c,
            )| {
                Reading {
                    pv,
                    sv,
                    reported_ma,
                    analog_ma,
                    response_code,
                    device_status,
                    extended_status,
                    exchanges: c.0,
                    comm_errors: c.1,
                    config_changes: c.2,
                    ..Reading::empty(UtcMicros(gap))
                }
            },
        )
}

fn sums(b: &HourBlock) -> String {
    let moments = (b.d, b.m, b.r, b.sv, b.e);
    format!(
        "{moments:?} {:?} {:?} {:?}",
        b.er,
        b.eighths,
        [b.move_d, b.move_m, b.move_r]
    )
}

/// The reading with what is missing or far out put right, but for one in a hundred.
fn made_sound(r: &mut Reading) {
    r.time.0 = r.time.0.min(90_000_000);
    if r.exchanges.unwrap_or_default() % 100 == 7 {
        return;
    }
    let ordinary = |v: f64, low: f64, high: f64| {
        if v.is_nan() {
            (low + high) / 2.0
        } else {
            v.clamp(low, high)
        }
    };
    r.pv = ordinary(r.pv, 5.0, 245.0);
    r.sv = ordinary(r.sv, 20.0, 25.0);
    r.reported_ma = ordinary(r.reported_ma, 4.2, 19.8);
    r.analog_ma = ordinary(r.analog_ma, 4.2, 19.8);
    r.response_code = Some(0);
    r.device_status = r.device_status.filter(|s| s % 4 == 0).or(Some(0));
}

proptest! {
    #[test]
    fn blocks_equal_the_plain_sums_to_the_bit(
        rows in prop::collection::vec(row(), 0..300),
        close in any::<bool>(),
        sound in any::<bool>(),
        code in 0_u8..4,
        multidrop in prop::bool::weighted(0.1),
    ) {
        let transfer = if code == 3 { Transfer::Other(9) } else { Transfer::from_code(code & 1) };
        let range = Range { lrv: 0.0, urv: 250.0, transfer };
        let mut entry = LoopEntry::new(Tag::new("FT-1").unwrap(), "mbar", range);
        entry.multidrop = multidrop;
        let mut columns = Columns::default();
        let mut time = 20_000 * 86_400_000_000;
        for mut r in rows {
            if sound {
                // Hours in which every reading is there, now and then one is not.
                made_sound(&mut r);
            }
            time += r.time.0;
            r.time = UtcMicros(time);
            if close && r.pv.is_finite() {
                // As in a sound loop: all three say about the same.
                let ma = range.registered_ma(r.pv);
                if ma.is_finite() {
                    (r.reported_ma, r.analog_ma) = (ma, ma + (r.analog_ma - 12.0) / 200.0);
                }
            }
            if time < 20_001 * 86_400_000_000 {
                columns.push(&r);
            }
        }
        let series = columns.slice(0, columns.len());
        let (fast, plain) = (build::day_blocks(&entry, &series), plain::day_blocks(&entry, &series));
        prop_assert_eq!(fast.len(), plain.len());
        prop_assert!(pack(&fast) == pack(&plain), "the packed blocks differ");
        for (a, b) in fast.iter().zip(&plain) {
            // What packing rounds away too, as text: NaN is not equal to itself.
            prop_assert!(sums(a) == sums(b), "the sums differ");
        }
    }
}
