//! The sums of a block written as plainly as they are meant: what `build` must equal to the bit. Only for the test there.

use super::{EXCURSION_PCT, HourBlock, Movement, N_BITS, add_increment};
use ingest_model::{
    LoopEntry, Series, Transfer, instant::MICROS_PER_HOUR, percent_of_current, signal_limits_ma,
};

fn median_of(v: &mut [f64]) -> f64 {
    if v.is_empty() {
        return f64::NAN;
    }
    let mid = v.len() / 2;
    *v.select_nth_unstable_by(mid, f64::total_cmp).1
}

fn quantile_of(v: &mut [f64], q: f64) -> f64 {
    if v.is_empty() {
        return f64::NAN;
    }
    let k = ((v.len() - 1) as f64 * q).round() as usize;
    *v.select_nth_unstable_by(k, f64::total_cmp).1
}

/// Blocks of one loop on one UTC day, in order of time. `entry` is the register entry in force.
///
/// `series` must be strictly increasing in time and lie within one UTC day.
pub(super) fn day_blocks(entry: &LoopEntry, series: &Series<'_>) -> Vec<HourBlock> {
    let n = series.len();
    let mut out = Vec::new();
    if n == 0 {
        return out;
    }
    let derived = Derived::new(entry, series);
    let mut from = 0;
    while from < n {
        let hour = series.time[from].div_euclid(MICROS_PER_HOUR);
        let mut to = from + 1;
        while to < n && series.time[to].div_euclid(MICROS_PER_HOUR) == hour {
            to += 1;
        }
        out.push(one_block(entry, series, &derived, hour, from, to));
        from = to;
    }
    out
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
    period_us: f64,
    knee: f64,
}

impl Derived {
    fn new(entry: &LoopEntry, s: &Series<'_>) -> Self {
        let n = s.len();
        let other = matches!(entry.range.transfer, Transfer::Other(_));
        let mut good = vec![false; n];
        let (mut x, mut f) = (vec![f64::NAN; n], vec![f64::NAN; n]);
        let (mut m, mut r) = (vec![f64::NAN; n], vec![f64::NAN; n]);
        for i in 0..n {
            let code = s.response_code[i];
            good[i] = if code >= 0 {
                code < 0x80
            } else {
                s.pv[i].is_finite()
            };
            if s.analog_ma[i].is_finite() {
                m[i] = percent_of_current(s.analog_ma[i]) - 50.0;
            }
            if s.reported_ma[i].is_finite() {
                r[i] = percent_of_current(s.reported_ma[i]) - 50.0;
            }
            if good[i] && s.pv[i].is_finite() {
                if other {
                    x[i] = r[i];
                    f[i] = r[i];
                } else {
                    x[i] = entry.range.output_percent(s.pv[i]) - 50.0;
                    f[i] = percent_of_current(entry.range.registered_ma(s.pv[i])) - 50.0;
                }
            }
        }
        let mut gaps: Vec<f64> = s.time.windows(2).map(|w| (w[1] - w[0]) as f64).collect();
        let period_us = if gaps.is_empty() {
            60e6
        } else {
            median_of(&mut gaps).max(1e5)
        };
        let mut steps: Vec<f64> = (1..n)
            .filter(|&i| ((s.time[i] - s.time[i - 1]) as f64) < 2.5 * period_us)
            .map(|i| (f[i] - f[i - 1]).abs())
            .filter(|v| v.is_finite())
            .collect();
        let q60 = quantile_of(&mut steps, 0.6);
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
            period_us,
            knee,
        }
    }
}

fn track(values: &[f64], s: &Series<'_>, from: usize, to: usize, period_us: f64) -> Movement {
    let mut mv = Movement::default();
    let mut steps = Vec::with_capacity(to - from);
    // The last known value before a row, however long ago within the day, is what a change is against;
    // a step counts only across a normal gap.
    let mut last = (0..from).rev().take(40).find(|&i| values[i].is_finite());
    for i in from..to {
        if !values[i].is_finite() {
            continue;
        }
        if let Some(p) = last {
            let step = (values[i] - values[p]).abs();
            if ((s.time[i] - s.time[p]) as f64) < 2.5 * period_us {
                steps.push(step);
                mv.sum_sq += step * step;
            }
            if step > 1e-7 {
                mv.changes += 1;
                mv.quantum = mv.quantum.min(step);
                mv.first_change = mv.first_change.min(s.time[i]);
                mv.last_change = mv.last_change.max(s.time[i]);
            }
        }
        last = Some(i);
    }
    mv.n = steps.len() as u32;
    mv.median = median_of(&mut steps);
    mv
}

fn one_block(
    entry: &LoopEntry,
    s: &Series<'_>,
    v: &Derived,
    hour: i64,
    from: usize,
    to: usize,
) -> HourBlock {
    let mut b = HourBlock::new(hour, v.period_us / 1e6);
    let n = s.len();
    let mut es = Vec::with_capacity(to - from);
    for i in from..to {
        let t = s.time[i];
        b.rows += 1;
        b.first_row = b.first_row.min(t);
        b.last_row = b.last_row.max(t);
        let code = s.response_code[i];
        if v.good[i] {
            b.replies += 1;
            b.first_reply = b.first_reply.min(t);
            b.last_reply = b.last_reply.max(t);
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
        status(&mut b, s, v, i);
        configuration(&mut b, s, i);
        counters(&mut b, s, i);
        if !entry.multidrop {
            deviation(&mut b, entry, s, v, i, n, &mut es);
        }
    }
    b.e_p10 = quantile_of(&mut es, 0.1);
    b.e_p90 = quantile_of(&mut es, 0.9);
    b.move_d = track(&v.x, s, from, to, v.period_us);
    b.move_m = track(&v.m, s, from, to, v.period_us);
    b.move_r = track(&v.r, s, from, to, v.period_us);
    b
}

/// A level counts as reached when the input measured it, or came within the accuracy of an ordinary input
/// (0.05 mA, 0.3 % of span) while the device itself says it drives it; 0.03 mA where the device says nothing.
fn rails(b: &mut HourBlock, ma: f64, reported_ma: f64, t: i64) {
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

fn status(b: &mut HourBlock, s: &Series<'_>, v: &Derived, i: usize) {
    if !v.good[i] {
        return;
    }
    let before = (0..i)
        .rev()
        .take(8)
        .find(|&j| v.good[j] && s.device_status[j] >= 0);
    let now = [s.device_status[i], s.extended_status[i]];
    let prev = before.map(|j| [s.device_status[j], s.extended_status[j].max(0)]);
    if now[0] >= 0 {
        b.status_rows += 1;
    }
    if now[1] >= 0 {
        b.extended_rows += 1;
    }
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

fn counters(b: &mut HourBlock, s: &Series<'_>, i: usize) {
    let (ex, er) = (s.exchanges[i], s.comm_errors[i]);
    if ex < 0 || er < 0 {
        return;
    }
    // Inside the hour only: the border to the hour before is added when blocks are joined.
    let (pex, per) = b.counter_last;
    if pex >= 0 {
        // Since the counters were read last, not since the hour began: another counter must not pass as traffic.
        let seconds = ((s.time[i] - b.counter_last_at) as f64 / 1e6).max(60.0);
        add_increment(&mut b.counters, (pex, per), (ex, er), seconds);
    } else {
        b.counter_first = (ex, er);
    }
    b.counter_last = (ex, er);
    b.counter_last_at = s.time[i];
}

fn deviation(
    b: &mut HourBlock,
    entry: &LoopEntry,
    s: &Series<'_>,
    v: &Derived,
    i: usize,
    n: usize,
    es: &mut Vec<f64>,
) {
    let (f, m, r) = (v.f[i], v.m[i], v.r[i]);
    if !v.good[i] || !f.is_finite() {
        return;
    }
    let fixed_bit = s.device_status[i] >= 0 && s.device_status[i] & 0x08 != 0;
    // Clipped registered currents say nothing of the scale.
    let inside = |p: f64| p > -50.0 - 0.1 / 0.16 && p < 50.0 + 0.4 / 0.16;
    let root_cut =
        entry.range.transfer == Transfer::SquareRoot && entry.range.percent(s.pv[i]) < 1.0;
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
    if !m.is_finite() {
        return;
    }
    let near = |j: usize, k: usize| ((s.time[k] - s.time[j]) as f64) < 2.5 * v.period_us;
    let back = (i > 0 && v.f[i - 1].is_finite() && near(i - 1, i)).then(|| f - v.f[i - 1]);
    let forth = (i + 1 < n && v.f[i + 1].is_finite() && near(i, i + 1)).then(|| v.f[i + 1] - f);
    let (Some(dxb), Some(dxf)) = (back, forth) else {
        return;
    };
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
    b.fit.add([1.0, f, dxb, dxf], e, w);
    b.e.add(e);
    es.push(e);
    let eighth = (((f + 50.0) / 12.5).floor().clamp(0.0, 7.0)) as usize;
    b.eighths[eighth].add(e, w, dxb, dxf);
}

/// How far the current lies outside what the digital value and its neighbours span.
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
