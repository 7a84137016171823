//! From a day's rows to its hour blocks.
//!
//! Every reading of every loop goes through here, so it is written for the processor: columns first, then one short pass over
//! the rows of an hour for each thing that is summed, its sums in registers, nothing allocated for a row. `plain.rs` has the
//! same without that; a test holds both equal to the bit.

use super::deviation::{Samples, deviations};
use super::movement::track;
use super::select::{key, quantile_of};
use super::{HourBlock, Moments, N_BITS, add_increment};
use ingest_model::{
    LoopEntry, Range, Series, Transfer, instant::MICROS_PER_HOUR, percent_of_current,
    signal_limits_ma,
};
use std::ops;

/// Blocks of one loop on one UTC day, in order of time. `entry` is the register entry in force.
///
/// `series` must be strictly increasing in time and lie within one UTC day.
pub fn day_blocks(entry: &LoopEntry, series: &Series<'_>) -> Vec<HourBlock> {
    let (Some(first), Some(last)) = (series.time.first(), series.time.last()) else {
        return Vec::new();
    };
    let n = series.len();
    let hours = last.div_euclid(MICROS_PER_HOUR) - first.div_euclid(MICROS_PER_HOUR);
    let mut out = Vec::with_capacity(hours.clamp(0, 23) as usize + 1);
    let mut room = Room::default();
    room.keys.reserve(n);
    let derived = Derived::new(entry, series, &mut room.keys);
    let mut from = 0;
    while from < n {
        let hour = series.time[from].div_euclid(MICROS_PER_HOUR);
        // Times increase: the hour ends before its first microsecond's successor hour.
        let end = hour.saturating_add(1).saturating_mul(MICROS_PER_HOUR);
        let to = from + series.time[from..].partition_point(|t| *t < end).max(1);
        out.push(one_block(
            entry,
            series,
            &derived,
            hour,
            from..to,
            &mut room,
        ));
        from = to;
    }
    out
}

/// What is allocated once a day and used for each hour.
#[derive(Default)]
pub(super) struct Room {
    pub keys: Vec<i64>,
    pub samples: Samples,
}

/// Per-row quantities of a day that blocks are summed from.
pub(super) struct Derived {
    pub good: Vec<bool>,
    /// Digital position, unclipped; known only of a good reply.
    pub x: Vec<f64>,
    /// Registered current as position, clipped as NE 43 says; known where `x` is.
    pub f: Vec<f64>,
    pub m: Vec<f64>,
    pub r: Vec<f64>,
    /// Whether the next row follows after a normal gap.
    pub near: Vec<bool>,
    period_us: f64,
    /// Gaps below are normal.
    pub longest_us: i64,
    /// Square of an ordinary step: beyond, readings weigh less.
    pub knee: f64,
}

fn position(ma: f64) -> f64 {
    if ma.is_finite() {
        percent_of_current(ma) - 50.0
    } else {
        f64::NAN
    }
}

/// The lesser; of equal ones and beside NaN the first.
#[inline]
pub(super) fn lesser(a: f64, b: f64) -> f64 {
    if b < a { b } else { a }
}

/// The greater; of equal ones and beside NaN the first.
#[inline]
pub(super) fn greater(a: f64, b: f64) -> f64 {
    if b > a { b } else { a }
}

/// `x` and `f` of every process value that is a number.
fn positions(range: &Range, pv: &[f64], percent: impl Fn(f64) -> f64) -> (Vec<f64>, Vec<f64>) {
    let known = |pv: f64, position: f64| if pv.is_finite() { position } else { f64::NAN };
    let x: Vec<f64> = pv.iter().map(|pv| percent(*pv)).collect();
    let f = pv.iter().zip(&x).map(|(pv, pct)| {
        let registered = range.registered_ma_of(*pct);
        known(*pv, percent_of_current(registered) - 50.0)
    });
    let f = f.collect();
    let mut x = x;
    for (x, pv) in x.iter_mut().zip(pv) {
        *x = known(*pv, *x - 50.0);
    }
    (x, f)
}

impl Derived {
    fn new(entry: &LoopEntry, s: &Series<'_>, keys: &mut Vec<i64>) -> Self {
        let answers = s.response_code.iter().zip(s.pv);
        let good: Vec<bool> = answers
            .map(|(code, pv)| (*code < 0x80) & ((*code >= 0) | pv.is_finite()))
            .collect();
        let m: Vec<f64> = s.analog_ma.iter().map(|v| position(*v)).collect();
        let r: Vec<f64> = s.reported_ma.iter().map(|v| position(*v)).collect();
        let range = &entry.range;
        let (mut x, mut f) = match range.transfer {
            Transfer::Linear => positions(range, s.pv, |pv| range.percent(pv)),
            Transfer::SquareRoot => positions(range, s.pv, |pv| range.output_percent(pv)),
            Transfer::Other(_) => {
                let known = s.pv.iter().zip(&r);
                let known = known.map(|(pv, r)| if pv.is_finite() { *r } else { f64::NAN });
                let x: Vec<f64> = known.collect();
                (x.clone(), x)
            }
        };
        if good.contains(&false) {
            for ((good, x), f) in good.iter().zip(&mut x).zip(&mut f) {
                if !good {
                    (*x, *f) = (f64::NAN, f64::NAN);
                }
            }
        }
        keys.clear();
        keys.extend(s.time.windows(2).map(|w| w[1].wrapping_sub(w[0])));
        let period_us = if keys.is_empty() {
            60e6
        } else {
            let mid = keys.len() / 2;
            (*keys.select_nth_unstable(mid).1 as f64).max(1e5)
        };
        // A whole number is below a limit where it is below the next whole one.
        let longest_us = (2.5 * period_us).ceil() as i64;
        let gaps = s.time.windows(2);
        let near: Vec<bool> = gaps.map(|w| w[1].wrapping_sub(w[0]) < longest_us).collect();
        keys.clear();
        for (w, near) in f.windows(2).zip(&near) {
            let step = (w[1] - w[0]).abs();
            if *near && step.is_finite() {
                keys.push(key(step));
            }
        }
        let q60 = quantile_of(keys, 0.6);
        let knee = if q60.is_finite() {
            (4.0 * q60 * q60).max(0.05)
        } else {
            0.05
        };
        Self {
            good,
            x,
            f,
            m,
            r,
            near,
            period_us,
            longest_us,
            knee,
        }
    }
}

fn one_block(
    entry: &LoopEntry,
    s: &Series<'_>,
    v: &Derived,
    hour: i64,
    rows: ops::Range<usize>,
    room: &mut Room,
) -> HourBlock {
    let mut b = HourBlock::new(hour, v.period_us / 1e6);
    replies(&mut b, s, v, rows.clone());
    status(&mut b, s, v, rows.clone());
    let columns = [&v.x, &v.m, &v.r, s.sv].map(|column| &column[rows.clone()]);
    [b.d, b.m, b.r, b.sv] = moments(columns);
    for (m, f) in v.m[rows.clone()].iter().zip(&v.f[rows.clone()]) {
        let f = if m.is_finite() { *f } else { f64::NAN };
        b.f_max = greater(b.f_max, f);
    }
    rails(&mut b, s, v, rows.clone());
    configurations(&mut b, s, rows.clone());
    counters(&mut b, s, rows.clone());
    room.keys.clear();
    if !entry.multidrop {
        deviations(&mut b, entry, s, v, rows.clone(), room);
    }
    let keys = &mut room.keys;
    b.move_d = track(&v.x, s.time, v, rows.clone(), keys);
    b.move_m = track(&v.m, s.time, v, rows.clone(), keys);
    b.move_r = track(&v.r, s.time, v, rows, keys);
    b
}

/// Rows, and what became of the polls. Times increase, so the first is the least.
fn replies(b: &mut HourBlock, s: &Series<'_>, v: &Derived, rows: ops::Range<usize>) {
    let (time, good) = (&s.time[rows.clone()], &v.good[rows.clone()]);
    b.rows = time.len() as u32;
    b.first_row = time.first().copied().unwrap_or(i64::MAX);
    b.last_row = time.last().copied().unwrap_or(i64::MIN);
    b.replies = good.iter().filter(|g| **g).count() as u32;
    let mut replied = time.iter().zip(good).filter(|(_, good)| **good);
    b.first_reply = replied.next().map_or(i64::MAX, |(t, _)| *t);
    b.last_reply = replied.next_back().map_or(b.first_reply, |(t, _)| *t);
    if b.replies == 0 {
        b.last_reply = i64::MIN;
    }
    if b.replies < b.rows {
        let codes = s.response_code[rows].iter().zip(good);
        let failed = codes.filter(|(code, good)| !**good && **code >= 0x80);
        b.failed = failed.count() as u32;
        b.no_reply = b.rows - b.replies - b.failed;
    }
}

/// Moments of the values that are there.
fn moments(columns: [&[f64]; 4]) -> [Moments; 4] {
    let whole = |c: &[f64]| c.iter().fold(true, |all, v| all & v.is_finite());
    if columns.iter().all(|c| whole(c)) {
        return moments_of_whole(columns);
    }
    columns.map(|c| {
        if whole(c) {
            let [q] = moments_of_whole([c]);
            return q;
        }
        let mut q = Moments::default();
        c.iter().filter(|v| v.is_finite()).for_each(|v| q.add(*v));
        q
    })
}

/// Side by side, since each sum waits for its last addition. Columns of one length.
fn moments_of_whole<const N: usize>(columns: [&[f64]; N]) -> [Moments; N] {
    let rows = columns.iter().map(|c| c.len()).min().unwrap_or_default();
    let columns = columns.map(|c| &c[..rows]);
    let (mut sum, mut sum_sq) = ([0.0; N], [0.0; N]);
    let (mut min, mut max) = ([f64::INFINITY; N], [f64::NEG_INFINITY; N]);
    for i in 0..rows {
        for k in 0..N {
            let v = columns[k][i];
            sum[k] += v;
            sum_sq[k] += v * v;
            min[k] = lesser(min[k], v);
            max[k] = greater(max[k], v);
        }
    }
    std::array::from_fn(|k| Moments {
        n: rows as u32,
        sum: sum[k],
        sum_sq: sum_sq[k],
        min: min[k],
        max: max[k],
    })
}

/// Levels of NE 43 that the measured current reached.
fn rails(b: &mut HourBlock, s: &Series<'_>, v: &Derived, rows: ops::Range<usize>) {
    use signal_limits_ma as ne43;
    // Almost every reading is between the inner levels.
    let beyond = |ma: f64| (ma <= ne43::SATURATED_LOW + 0.05) | (ma >= ne43::SATURATED_HIGH - 0.05);
    let some = s.analog_ma[rows.clone()].iter();
    if !some.fold(false, |any, ma| any | beyond(*ma)) {
        return;
    }
    for i in rows {
        if v.m[i].is_finite() && beyond(s.analog_ma[i]) {
            rail(b, s.analog_ma[i], s.reported_ma[i], s.time[i]);
        }
    }
}

/// A level counts as reached when the input measured it, or came within the accuracy of an ordinary input
/// (0.05 mA, 0.3 % of span) while the device itself says it drives it; 0.03 mA where the device says nothing.
fn rail(b: &mut HourBlock, ma: f64, reported_ma: f64, t: i64) {
    use signal_limits_ma as ne43;
    let low = |level: f64| {
        ma <= level
            || (reported_ma <= level + 0.005 && ma <= level + 0.05)
            || (reported_ma.is_nan() && ma <= level + 0.03)
    };
    let high = |level: f64| {
        ma >= level
            || (reported_ma >= level - 0.005 && ma >= level - 0.05)
            || (reported_ma.is_nan() && ma >= level - 0.03)
    };
    let reached = [
        low(ne43::FAILURE_LOW),
        low(ne43::SATURATED_LOW),
        high(ne43::SATURATED_HIGH),
        high(ne43::FAILURE_HIGH),
    ];
    if !reached.contains(&true) {
        return;
    }
    let rails = b.rails.get_or_insert_with(Box::default);
    for (rail, hit) in rails.iter_mut().zip(reached) {
        if hit {
            rail.add(t);
        }
    }
}

/// Of rows with a good reply.
fn status(b: &mut HourBlock, s: &Series<'_>, v: &Derived, rows: ops::Range<usize>) {
    let good = &v.good[rows.clone()];
    let (own, more) = (
        &s.device_status[rows.clone()],
        &s.extended_status[rows.clone()],
    );
    let known = |column: &[i16]| {
        let known = column.iter().zip(good).filter(|(c, g)| (**c >= 0) & **g);
        known.count() as u32
    };
    (b.status_rows, b.extended_rows) = (known(own), known(more));
    // Mostly no bit is set.
    let bytes = own.iter().zip(more);
    if bytes.fold(0, |most, (a, b)| most.max(*a).max(*b)) > 0 {
        for i in rows {
            let now = [s.device_status[i], s.extended_status[i]];
            if v.good[i] && (now[0] > 0 || now[1] > 0) {
                set_bits(b, s, v, i, now);
            }
        }
    }
}

fn set_bits(b: &mut HourBlock, s: &Series<'_>, v: &Derived, i: usize, now: [i16; 2]) {
    let before = (0..i)
        .rev()
        .take(8)
        .find(|&j| v.good[j] && s.device_status[j] >= 0);
    let prev = before.map(|j| [s.device_status[j], s.extended_status[j].max(0)]);
    for bit in 0..N_BITS {
        let (byte, mask) = if bit < 8 {
            (0, 1_i16 << bit)
        } else {
            (1, 1_i16 << (bit - 8))
        };
        if now[byte] < 0 || now[byte] & mask == 0 {
            continue;
        }
        let track = b.bit_mut(bit);
        track.set += 1;
        track.first = track.first.min(s.time[i]);
        track.last = track.last.max(s.time[i]);
        if prev.is_some_and(|p| p[byte] >= 0 && p[byte] & mask == 0) {
            track.rises += 1;
        }
    }
}

fn configurations(b: &mut HourBlock, s: &Series<'_>, rows: ops::Range<usize>) {
    let column = &s.config_changes[rows.clone()];
    let first = column.first().copied().unwrap_or(-1);
    // Mostly it stays what it was.
    if column.iter().fold(0, |other, c| other | (c ^ first)) == 0 {
        return configuration(b, s, rows.start);
    }
    for i in rows {
        configuration(b, s, i);
    }
}

fn configuration(b: &mut HourBlock, s: &Series<'_>, i: usize) {
    let c = s.config_changes[i];
    if c < 0 {
        return;
    }
    // The last known value of this day, found through the block or, for its first row, by looking back.
    let before = if b.config_last >= 0 {
        b.config_last
    } else {
        s.config_changes[..i]
            .iter()
            .rev()
            .find(|&&p| p >= 0)
            .copied()
            .unwrap_or(-1)
    };
    if before >= 0 && before != c {
        b.config_steps += 1;
        b.config_first_step = b.config_first_step.min(s.time[i]);
        b.config_last_step = b.config_last_step.max(s.time[i]);
    }
    if b.config_first < 0 {
        b.config_first = c;
    }
    b.config_last = c;
}

fn counters(b: &mut HourBlock, s: &Series<'_>, rows: ops::Range<usize>) {
    let (mut last, mut last_at) = ((-1, -1), i64::MIN);
    // Whole numbers, so that it is the same when they are added.
    let (mut more_in_all, mut failed_in_all) = (0_i64, 0_i64);
    let exchanges = s.exchanges[rows.clone()].iter();
    let columns = exchanges.zip(&s.comm_errors[rows.clone()]);
    for ((ex, er), t) in columns.zip(&s.time[rows]) {
        let now = (*ex, *er);
        if now.0 < 0 || now.1 < 0 {
            continue;
        }
        // Inside the hour only: the border to the hour before is added when blocks are joined.
        if last.0 >= 0 {
            let (more, failed) = (now.0.wrapping_sub(last.0), now.1.wrapping_sub(last.1));
            // So few may pass in any time (`add_increment` takes 400 at least), so the time need not be looked at.
            if (0..=400).contains(&more) && (0..=more + 2).contains(&failed) {
                more_in_all = more_in_all.wrapping_add(more);
                failed_in_all = failed_in_all.wrapping_add(failed);
            } else {
                // Since the counters were read last, not since the hour began: another counter must not pass as traffic.
                let seconds = (t.wrapping_sub(last_at) as f64 / 1e6).max(60.0);
                add_increment(&mut b.counters, last, now, seconds);
            }
        } else {
            b.counter_first = now;
        }
        (last, last_at) = (now, *t);
    }
    b.counters.exchanges += more_in_all as f64;
    b.counters.errors += failed_in_all as f64;
    (b.counter_last, b.counter_last_at) = (last, last_at);
}
