//! Hour blocks packed and unpacked, and day blocks merged: nothing is lost but the last digits.

use analytics_detect::block::Moments;
use analytics_detect::{DayBlock, HourBlock, PackError, day_blocks, pack, unpack};
use ingest_model::{Columns, LoopEntry, Range, Reading, Tag, Transfer, UtcMicros};
use proptest::prelude::*;

const DAY_US: i64 = 86_400_000_000;

fn entry() -> LoopEntry {
    let range = Range {
        lrv: 0.0,
        urv: 10.0,
        transfer: Transfer::Linear,
    };
    LoopEntry::new(Tag::new("FT-1").unwrap(), "bar", range)
}

/// A day at one reading a minute: a slow wave, sampling noise, a reply lost now and then, status bits, counters.
fn day(seed: u64, offset_pct: f64) -> Columns {
    let mut c = Columns::default();
    let mut state = seed;
    let mut noise = || {
        // A multiplicative generator is random enough to shake the last digits.
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        (state >> 33) as f64 / f64::from(1_u32 << 31) - 0.5
    };
    for k in 0..1440_i64 {
        // A triangle from 2 to 8: only exact operations, so the bytes are the same on every machine.
        let pv = 2.0 + 6.0 * (k % 610 - 305).abs() as f64 / 305.0 + 0.02 * noise();
        let lost = k % 211 == 17;
        let reading = Reading {
            analog_ma: 4.0 + 1.6 * pv + 0.16 * offset_pct + 0.005 * noise(),
            ..Reading::empty(UtcMicros(20_000 * DAY_US + k * 60_000_000 + (k * 37) % 900))
        };
        c.push(&if lost {
            reading
        } else {
            Reading {
                pv,
                reported_ma: 4.0 + 1.6 * pv,
                sv: 24.0 + noise(),
                response_code: Some(0),
                device_status: Some(if k % 97 == 3 { 0x10 } else { 0 }),
                extended_status: Some(0),
                exchanges: Some((65_000 + k as u32 * 3) % 65_536),
                comm_errors: Some(k as u32 / 50),
                config_changes: Some(if k > 700 { 8 } else { 7 }),
                ..reading
            }
        });
    }
    c
}

fn close(a: f64, b: f64, what: &str) {
    let same = (a.is_nan() && b.is_nan()) || a == b;
    assert!(
        same || (a - b).abs() <= 2e-6 * a.abs().max(b.abs()).max(1.0),
        "{what}: {a} and {b}"
    );
}

fn close_moments(a: &Moments, b: &Moments, what: &str) {
    assert_eq!(a.n, b.n, "{what}");
    close(a.min, b.min, what);
    close(a.max, b.max, what);
    close(a.mean(), b.mean(), what);
    let centred = |m: &Moments| m.sum_sq - m.sum * m.sum / f64::from(m.n.max(1));
    assert!(
        (centred(a) - centred(b)).abs() <= 1e-4 * centred(a).max(1e-3),
        "{what}: {} and {}",
        centred(a),
        centred(b)
    );
}

#[test]
fn packed_blocks_come_back() {
    let blocks = day_blocks(&entry(), &day(1, 0.4).slice(0, 1440));
    assert_eq!(blocks.len(), 24);
    let bytes = pack(&blocks);
    let mut back = Vec::new();
    unpack(&bytes, &mut back).unwrap();
    assert_eq!(back.len(), blocks.len());
    for (a, b) in blocks.iter().zip(&back) {
        // Counts and instants are exact.
        let exact = |b: &HourBlock| {
            (
                (b.hour, b.rows, b.replies, b.no_reply, b.failed),
                (b.first_row, b.last_row, b.first_reply, b.last_reply),
                (b.config_first, b.config_last, b.config_first_step),
                (b.counters, b.counter_first, b.counter_last),
                (b.counter_last_at, b.device_status(), b.bit(4)),
                (b.move_m.changes, b.move_m.first_change, b.excursion_n),
            )
        };
        assert_eq!(exact(a), exact(b));
        close_moments(&a.d, &b.d, "d");
        close_moments(&a.m, &b.m, "m");
        close_moments(&a.e, &b.e, "e");
        close(a.fit.yy, b.fit.yy, "yy");
        close(a.fit.xx[1][3], b.fit.xx[3][1], "xx");
        close(a.er.sxx, b.er.sxx, "sxx");
        for (x, y) in a.eighths.iter().zip(&b.eighths) {
            assert_eq!(x.n, y.n);
            close(x.we, y.we, "we");
        }
    }
}

/// The bytes of a known day, so that a change of what a block holds cannot pass unnoticed.
#[test]
fn a_change_of_the_blocks_raises_the_version() {
    let bytes = pack(&day_blocks(&entry(), &day(7, 0.1).slice(0, 1440)));
    let sum = bytes.iter().fold(0xcbf2_9ce4_8422_2325_u64, |h, b| {
        (h ^ u64::from(*b)).wrapping_mul(0x0100_0000_01b3)
    });
    assert_eq!(
        (analytics_detect::PACK_VERSION, bytes.len(), sum),
        (1, 8729, 1_233_596_244_049_929_446),
        "blocks changed: raise PACK_VERSION, then write the new figures here"
    );
    // About 365 bytes an hour with every column read.
    assert!(bytes.len() < 24 * 380, "{} bytes a day", bytes.len());
}

#[test]
fn a_day_block_is_the_sum_of_its_hours() {
    let columns = day(3, -0.7);
    let hours = day_blocks(&entry(), &columns.slice(0, 1440));
    let d = DayBlock::of(&hours).unwrap();
    assert_eq!((d.day, d.hours, d.rows), (20_000, 24, 1440));
    assert_eq!(d.no_reply, 7);
    assert_eq!(d.replies, 1433);
    // Against the rows themselves.
    let mean = columns
        .analog_ma
        .iter()
        .map(|m| (m - 12.0) / 0.16)
        .sum::<f64>()
        / 1440.0;
    close(d.m.mean(), mean, "mean current");
    let n: u32 = d.eighths.iter().map(|e| e.n).sum();
    assert_eq!(n, d.fit.n);
    assert!(
        d.eighths[..1].iter().all(|e| e.n == 0),
        "the wave stays above 20 %"
    );
    for e in d.eighths.iter().filter(|e| e.n > 20) {
        assert!((e.mean() + 0.7).abs() < 0.02, "{e:?}");
    }
    // Exchanges over the day, the wrap at 2^16 included: three for each of the minutes between first and last.
    assert_eq!(d.counters.exchanges, 3.0 * 1439.0);
    assert_eq!(
        (d.counters.resets, d.config_steps, d.device_status),
        (0, 1, 0x10)
    );
    let back = DayBlock::unpack(&d.pack()).unwrap();
    assert_eq!(
        (back.day, back.rows, back.first_row),
        (d.day, d.rows, d.first_row)
    );
    assert!(d.pack().len() < 400, "{}", d.pack().len());
    assert_eq!(DayBlock::of(&[]), None);
}

#[test]
fn other_versions_and_cut_bytes_are_refused() {
    let bytes = pack(&day_blocks(&entry(), &day(1, 0.0).slice(0, 200)));
    let mut other = bytes.clone();
    other[0] = 99;
    assert_eq!(unpack(&other, &mut Vec::new()), Err(PackError::Version(99)));
    for n in 0..bytes.len() {
        assert!(unpack(&bytes[..n], &mut Vec::new()).is_err(), "cut at {n}");
    }
}

proptest! {
    #[test]
    fn any_bytes_unpack_or_are_refused(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let mut with_version = vec![analytics_detect::PACK_VERSION];
        with_version.extend(&bytes);
        let mut out = Vec::new();
        if unpack(&with_version, &mut out).is_ok() {
            let _packed = pack(&out);
        }
        let _day = DayBlock::unpack(&with_version);
    }
}
