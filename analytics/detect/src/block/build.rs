//! From a day's rows to its hour blocks.
//!
//! Every reading of every loop goes through here, so it is written for the processor: columns first, then one pass over the
//! rows of an hour, nothing allocated for a row. `plain.rs` has the same without that; a test holds both equal to the bit.

use super::{EXCURSION_PCT, HourBlock, Movement, N_BITS, P, add_increment};
use ingest_model::{
    LoopEntry, Series, Transfer, instant::MICROS_PER_HOUR, percent_of_current, signal_limits_ma,
};

/// Blocks of one loop on one UTC day, in order of time. `entry` is the register entry in force.
///
/// `series` must be strictly increasing in time and lie within one UTC day.
pub fn day_blocks(entry: &LoopEntry, series: &Series<'_>) -> Vec<HourBlock> {
    let n = series.len();
    let mut out = Vec::new();
    if n == 0 {
        return out;
    }
    let mut keys = Vec::with_capacity(n);
    let derived = Derived::new(entry, series, &mut keys);
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
            &mut keys,
        ));
        from = to;
    }
    out
}

/// An integer in the order of `f64::total_cmp`, which compares faster; its own inverse on the bits.
fn key(v: f64) -> i64 {
    let bits = v.to_bits() as i64;
    bits ^ (((bits >> 63) as u64) >> 1) as i64
}

fn value(key: i64) -> f64 {
    f64::from_bits((key ^ (((key >> 63) as u64) >> 1) as i64) as u64)
}

/// The middle of the values behind these keys, the upper of two; NaN without any.
fn median_of(keys: &mut [i64]) -> f64 {
    if keys.is_empty() {
        return f64::NAN;
    }
    let mid = keys.len() / 2;
    value(*keys.select_nth_unstable(mid).1)
}

fn rank(len: usize, q: f64) -> usize {
    ((len - 1) as f64 * q).round() as usize
}

fn quantile_of(keys: &mut [i64], q: f64) -> f64 {
    if keys.is_empty() {
        return f64::NAN;
    }
    let k = rank(keys.len(), q);
    value(*keys.select_nth_unstable(k).1)
}

/// 10 % and 90 % quantile.
fn deciles_of(keys: &mut [i64]) -> (f64, f64) {
    if keys.is_empty() {
        return (f64::NAN, f64::NAN);
    }
    let (low, high) = (rank(keys.len(), 0.1), rank(keys.len(), 0.9));
    let (_, at_low, above) = keys.select_nth_unstable(low);
    let at_low = *at_low;
    // The higher one lies in what is above the lower one, unless it is the same.
    let at_high = match high.checked_sub(low + 1) {
        Some(k) => *above.select_nth_unstable(k).1,
        None => at_low,
    };
    (value(at_low), value(at_high))
}

/// Per-row quantities of a day that blocks are summed from.
struct Derived {
    good: Vec<bool>,
    /// Digital position, unclipped.
    x: Vec<f64>,
    /// Registered current as position, clipped as NE 43 says.
    f: Vec<f64>,
    m: Vec<f64>,
    r: Vec<f64>,
    /// Whether the next row follows after a normal gap.
    near: Vec<bool>,
    period_us: f64,
    knee: f64,
}

fn position(ma: f64) -> f64 {
    if ma.is_finite() {
        percent_of_current(ma) - 50.0
    } else {
        f64::NAN
    }
}

impl Derived {
    fn new(entry: &LoopEntry, s: &Series<'_>, keys: &mut Vec<i64>) -> Self {
        let n = s.len();
        let answers = s.response_code.iter().zip(s.pv);
        let good: Vec<bool> = answers
            .map(|(code, pv)| {
                if *code >= 0 {
                    *code < 0x80
                } else {
                    pv.is_finite()
                }
            })
            .collect();
        let m: Vec<f64> = s.analog_ma.iter().map(|v| position(*v)).collect();
        let r: Vec<f64> = s.reported_ma.iter().map(|v| position(*v)).collect();
        let known = |i: usize| good[i] && s.pv[i].is_finite();
        let (x, f) = if let Transfer::Other(_) = entry.range.transfer {
            let x: Vec<f64> = (0..n)
                .map(|i| if known(i) { r[i] } else { f64::NAN })
                .collect();
            (x.clone(), x)
        } else {
            let (mut x, mut f) = (vec![f64::NAN; n], vec![f64::NAN; n]);
            for i in 0..n {
                if known(i) {
                    let pct = entry.range.output_percent(s.pv[i]);
                    x[i] = pct - 50.0;
                    f[i] = percent_of_current(entry.range.registered_ma_of(pct)) - 50.0;
                }
            }
            (x, f)
        };
        keys.clear();
        keys.extend(s.time.windows(2).map(|w| w[1].wrapping_sub(w[0])));
        let period_us = if keys.is_empty() {
            60e6
        } else {
            let mid = keys.len() / 2;
            (*keys.select_nth_unstable(mid).1 as f64).max(1e5)
        };
        let longest = 2.5 * period_us;
        let near: Vec<bool> = s
            .time
            .windows(2)
            .map(|w| (w[1].wrapping_sub(w[0]) as f64) < longest)
            .collect();
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
            knee,
        }
    }
}

fn track(
    values: &[f64],
    time: &[i64],
    rows: std::ops::Range<usize>,
    period_us: f64,
    keys: &mut Vec<i64>,
) -> Movement {
    let mut mv = Movement::default();
    keys.clear();
    let longest = 2.5 * period_us;
    // The last known value before a row, however long ago within the day, is what a change is against;
    // a step counts only across a normal gap.
    let before = (0..rows.start)
        .rev()
        .take(40)
        .find(|&i| values[i].is_finite());
    let (mut last, mut last_at) = before.map_or((f64::NAN, 0), |i| (values[i], time[i]));
    let mut any = before.is_some();
    for (v, t) in values[rows.clone()].iter().zip(&time[rows]) {
        if !v.is_finite() {
            continue;
        }
        if any {
            let step = (v - last).abs();
            if (t.wrapping_sub(last_at) as f64) < longest {
                keys.push(key(step));
                mv.sum_sq += step * step;
            }
            if step > 1e-7 {
                mv.changes += 1;
                mv.quantum = mv.quantum.min(step);
                mv.first_change = mv.first_change.min(*t);
                mv.last_change = mv.last_change.max(*t);
            }
        }
        (last, last_at, any) = (*v, *t, true);
    }
    mv.n = keys.len() as u32;
    mv.median = median_of(keys);
    mv
}

fn one_block(
    entry: &LoopEntry,
    s: &Series<'_>,
    v: &Derived,
    hour: i64,
    rows: std::ops::Range<usize>,
    keys: &mut Vec<i64>,
) -> HourBlock {
    let mut b = HourBlock::new(hour, v.period_us / 1e6);
    keys.clear();
    for i in rows.clone() {
        let t = s.time[i];
        b.rows += 1;
        b.first_row = b.first_row.min(t);
        b.last_row = b.last_row.max(t);
        let code = s.response_code[i];
        if v.good[i] {
            b.replies += 1;
            b.first_reply = b.first_reply.min(t);
            b.last_reply = b.last_reply.max(t);
            status(&mut b, s, v, i);
        } else if code >= 0x80 {
            b.failed += 1;
        } else {
            b.no_reply += 1;
        }
        if v.x[i].is_finite() {
            b.d.add(v.x[i]);
        }
        if v.m[i].is_finite() {
            b.m.add(v.m[i]);
            rails(&mut b, s.analog_ma[i], s.reported_ma[i], t);
            if v.f[i].is_finite() {
                b.f_max = b.f_max.max(v.f[i]);
            }
        }
        if v.r[i].is_finite() {
            b.r.add(v.r[i]);
        }
        if s.sv[i].is_finite() {
            b.sv.add(s.sv[i]);
        }
        configuration(&mut b, s, i);
        counters(&mut b, s, i);
    }
    if !entry.multidrop {
        let root = entry.range.transfer == Transfer::SquareRoot;
        for i in rows.clone() {
            deviation(&mut b, entry, s, v, (i, root), keys);
        }
        for i in 1..P {
            for j in 0..i {
                b.fit.xx[i][j] = b.fit.xx[j][i];
            }
        }
    }
    (b.e_p10, b.e_p90) = deciles_of(keys);
    b.move_d = track(&v.x, s.time, rows.clone(), v.period_us, keys);
    b.move_m = track(&v.m, s.time, rows.clone(), v.period_us, keys);
    b.move_r = track(&v.r, s.time, rows, v.period_us, keys);
    b
}

/// A level counts as reached when the input measured it, or came within the accuracy of an ordinary input
/// (0.05 mA, 0.3 % of span) while the device itself says it drives it; 0.03 mA where the device says nothing.
#[inline]
fn rails(b: &mut HourBlock, ma: f64, reported_ma: f64, t: i64) {
    use signal_limits_ma as ne43;
    // Almost every reading is between the inner levels.
    if ma > ne43::SATURATED_LOW + 0.05 && ma < ne43::SATURATED_HIGH - 0.05 {
        return;
    }
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

/// Of a row with a good reply.
#[inline]
fn status(b: &mut HourBlock, s: &Series<'_>, v: &Derived, i: usize) {
    let now = [s.device_status[i], s.extended_status[i]];
    b.status_rows += u32::from(now[0] >= 0);
    b.extended_rows += u32::from(now[1] >= 0);
    // Mostly no bit is set.
    if now[0] > 0 || now[1] > 0 {
        set_bits(b, s, v, i, now);
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

#[inline]
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

#[inline]
fn counters(b: &mut HourBlock, s: &Series<'_>, i: usize) {
    let (ex, er) = (s.exchanges[i], s.comm_errors[i]);
    if ex < 0 || er < 0 {
        return;
    }
    // Inside the hour only: the border to the hour before is added when blocks are joined.
    let (pex, per) = b.counter_last;
    if pex >= 0 {
        let (more, failed) = (ex.wrapping_sub(pex), er.wrapping_sub(per));
        // So few may pass in any time (`add_increment` takes 400 at least), so the time need not be looked at.
        if (0..=400).contains(&more) && (0..=more + 2).contains(&failed) {
            b.counters.exchanges += more as f64;
            b.counters.errors += failed as f64;
        } else {
            // Since the counters were read last, not since the hour began: another counter must not pass as traffic.
            let seconds = ((s.time[i] - b.counter_last_at) as f64 / 1e6).max(60.0);
            add_increment(&mut b.counters, (pex, per), (ex, er), seconds);
        }
    } else {
        b.counter_first = (ex, er);
    }
    b.counter_last = (ex, er);
    b.counter_last_at = s.time[i];
}

#[inline]
fn deviation(
    b: &mut HourBlock,
    entry: &LoopEntry,
    s: &Series<'_>,
    v: &Derived,
    (i, root): (usize, bool),
    es: &mut Vec<i64>,
) {
    let (f, m, r) = (v.f[i], v.m[i], v.r[i]);
    if !v.good[i] || !f.is_finite() {
        return;
    }
    let fixed_bit = s.device_status[i] >= 0 && s.device_status[i] & 0x08 != 0;
    // Clipped registered currents say nothing of the scale.
    let inside = |p: f64| p > -50.0 - 0.1 / 0.16 && p < 50.0 + 0.4 / 0.16;
    let root_cut = root && entry.range.percent(s.pv[i]) < 1.0;
    if r.is_finite() && !fixed_bit && inside(f) && !root_cut {
        let er = r - f;
        b.er.n += 1;
        b.er.sum += er;
        b.er.sx += f;
        b.er.sxx += f * f;
        b.er.sxy += f * er;
        b.er.syy += er * er;
        if er.abs() > 0.05 {
            b.er.off += 1;
            b.er.first_off = b.er.first_off.min(s.time[i]);
        }
    }
    // Both neighbours, each across a normal gap.
    if !m.is_finite() || i == 0 || !v.near[i - 1] || !v.near.get(i).is_some_and(|n| *n) {
        return;
    }
    let (dxb, dxf) = (f - v.f[i - 1], v.f[i + 1] - f);
    if !v.f[i - 1].is_finite() || !v.f[i + 1].is_finite() {
        return;
    }
    let e = m - f;
    // 3.9 < f < 20.4 and 3.7 < m < 20.6 mA.
    let f_ok = f > -50.625 && f < 52.5;
    let m_ok = m > -51.875 && m < 53.75;
    if !fixed_bit && f_ok {
        excursion(b, e, f, dxb, dxf, s.time[i]);
    }
    if fixed_bit || !f_ok || !m_ok || root_cut {
        return;
    }
    let w = 1.0 / (1.0 + (dxb * dxb + dxf * dxf) / v.knee);
    b.fit.add_upper([1.0, f, dxb, dxf], e, w);
    b.e.add(e);
    es.push(key(e));
    // Towards zero is down where it is not negative.
    let eighth = ((f + 50.0) / 12.5).clamp(0.0, 7.0) as usize;
    b.eighths[eighth].add(e, w, dxb, dxf);
}

/// How far the current lies outside what the digital value and its neighbours span.
#[inline]
fn excursion(b: &mut HourBlock, e: f64, f: f64, dxb: f64, dxf: f64, t: i64) {
    let (lo, hi) = ((f - dxb).min(f).min(f + dxf), (f - dxb).max(f).max(f + dxf));
    let m = f + e;
    let out = if m > hi {
        m - hi
    } else if m < lo {
        m - lo
    } else {
        0.0
    };
    b.excursion_n += 1;
    if out.abs() <= EXCURSION_PCT[0] {
        return;
    }
    for (k, limit) in EXCURSION_PCT.iter().enumerate() {
        if out > *limit {
            b.above[k] += 1;
        } else if out < -*limit {
            b.below[k] += 1;
        }
    }
    if out.abs() > 0.5 {
        b.excursion_sum += out;
        b.first_excursion = b.first_excursion.min(t);
        b.last_excursion = b.last_excursion.max(t);
    }
}
