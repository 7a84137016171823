//! How far the measured current lies from the registered one in an hour: normal equations, eighths of the range, excursions,
//! and the reported current beside the registered.

use super::build::{Derived, Room, greater, lesser};
use super::select::{deciles_of, key};
use super::{EXCURSION_PCT, Eighth, HourBlock, Moments, Normal, P, ReportedFit};
use ingest_model::{LoopEntry, Series, Transfer};
use std::ops;

/// A device that says that its current is fixed.
fn is_fixed(device_status: i16) -> bool {
    device_status >= 0 && device_status & 0x08 != 0
}

/// What the rows of an hour say of the deviation.
pub(super) fn deviations(
    b: &mut HourBlock,
    entry: &LoopEntry,
    s: &Series<'_>,
    v: &Derived,
    rows: ops::Range<usize>,
    room: &mut Room,
) {
    let root = entry.range.transfer == Transfer::SquareRoot;
    // Near zero flow the root says little.
    let cut = |pv: f64| root && entry.range.percent(pv) < 1.0;
    b.er = reported(s, v, rows.clone(), &cut);
    room.samples.clear();
    gather(b, s, v, rows, &cut, &mut room.samples);
    b.fit = normal(&room.samples);
    b.e = by_eighths(&room.samples, &mut b.eighths);
    room.keys.clear();
    room.keys.extend(room.samples.iter().map(|s| key(s[3])));
    (b.e_p10, b.e_p90) = deciles_of(&mut room.keys);
}

/// The reported current against the registered one.
fn reported(
    s: &Series<'_>,
    v: &Derived,
    rows: ops::Range<usize>,
    cut: &impl Fn(f64) -> bool,
) -> ReportedFit {
    let mut q = ReportedFit::default();
    // Clipped registered currents say nothing of the scale. Nothing is inside that is not known.
    let inside = |p: f64| p > -50.0 - 0.1 / 0.16 && p < 50.0 + 0.4 / 0.16;
    let positions = v.f[rows.clone()].iter().zip(&v.r[rows.clone()]);
    let said = s.device_status[rows.clone()].iter().zip(&s.pv[rows.clone()]);
    for (((f, r), (status, pv)), t) in positions.zip(said).zip(&s.time[rows]) {
        if !inside(*f) || !r.is_finite() || is_fixed(*status) || cut(*pv) {
            continue;
        }
        let er = r - f;
        q.n = q.n.wrapping_add(1);
        q.sum += er;
        q.sx += f;
        q.sxx += f * f;
        q.sxy += f * er;
        q.syy += er * er;
        if er.abs() > 0.05 {
            q.off += 1;
            q.first_off = q.first_off.min(*t);
        }
    }
    q
}

/// The readings whose deviation counts, and excursions of those and others.
fn gather(
    b: &mut HourBlock,
    s: &Series<'_>,
    v: &Derived,
    rows: ops::Range<usize>,
    cut: &impl Fn(f64) -> bool,
    samples: &mut Vec<[f64; 5]>,
) {
    // Both neighbours, each across a normal gap: not the day's first row nor its last.
    let rows = rows.start.max(1)..rows.end.min(s.len().saturating_sub(1));
    if rows.is_empty() {
        return;
    }
    samples.reserve(rows.len());
    let around = rows.start - 1..rows.end + 1;
    let steps = v.f[around].windows(3).zip(v.near[rows.start - 1..rows.end].windows(2));
    let own = v.m[rows.clone()].iter().zip(&s.device_status[rows.clone()]);
    let beside = s.pv[rows.clone()].iter().zip(&s.time[rows]);
    let mut looked_at = 0_u32;
    for (((f3, near), (m, status)), (pv, t)) in steps.zip(own).zip(beside) {
        let f = f3[1];
        let (dxb, dxf) = (f - f3[0], f3[2] - f);
        // 3.9 < f < 20.4 mA; what is not known is not.
        let f_ok = f > -50.625 && f < 52.5;
        let steps_known = dxb.is_finite() && dxf.is_finite() && near[0] && near[1];
        if !f_ok || !steps_known || !m.is_finite() || is_fixed(*status) {
            continue;
        }
        let e = m - f;
        looked_at = looked_at.wrapping_add(1);
        let out = outside(e, f, dxb, dxf);
        if out.abs() > EXCURSION_PCT[0] {
            excursion(b, out, *t);
        }
        // 3.7 < m < 20.6 mA.
        if *m > -51.875 && *m < 53.75 && !cut(*pv) {
            let w = 1.0 / (1.0 + (dxb * dxb + dxf * dxf) / v.knee);
            samples.push([f, dxb, dxf, e, w]);
        }
    }
    b.excursion_n = looked_at;
}

/// The normal equations of `[1, f, dxb, dxf]`, each product made once.
fn normal(samples: &[[f64; 5]]) -> Normal {
    let (mut of_one, mut of_f, mut of_steps) = ([0.0; 4], [0.0; 3], [0.0; 3]);
    let (mut xy, mut yy, mut w2) = ([0.0; P], 0.0, 0.0);
    for [f, b, c, e, w] in samples {
        let [wf, wb, wc] = [w * f, w * b, w * c];
        let we = w * e;
        of_one[0] += w;
        of_one[1] += wf;
        of_one[2] += wb;
        of_one[3] += wc;
        of_f[0] += wf * f;
        of_f[1] += wf * b;
        of_f[2] += wf * c;
        of_steps[0] += wb * b;
        of_steps[1] += wb * c;
        of_steps[2] += wc * c;
        xy[0] += we;
        xy[1] += wf * e;
        xy[2] += wb * e;
        xy[3] += wc * e;
        yy += we * e;
        w2 += w * w;
    }
    let ([n, f, b, c], [ff, fb, fc], [bb, bc, cc]) = (of_one, of_f, of_steps);
    Normal {
        n: samples.len() as u32,
        xx: [[n, f, b, c], [f, ff, fb, fc], [b, fb, bb, bc], [c, fc, bc, cc]],
        xy,
        yy,
        w2,
    }
}

/// The same readings by eighth of the range, and the moments of all.
fn by_eighths(samples: &[[f64; 5]], eighths: &mut [Eighth; 8]) -> Moments {
    let mut all = Moments::default();
    // Neighbours mostly lie in the same: its sums stay in registers.
    let (mut at, mut here) = (0, eighths[0]);
    for [f, b, c, e, w] in samples {
        all.n = all.n.wrapping_add(1);
        all.sum += e;
        all.sum_sq += e * e;
        all.min = lesser(all.min, *e);
        all.max = greater(all.max, *e);
        // Towards zero is down where it is not negative.
        let eighth = ((f + 50.0) / 12.5).clamp(0.0, 7.0) as usize;
        if eighth != at {
            eighths[at] = here;
            (at, here) = (eighth, eighths[eighth]);
        }
        here.n = here.n.wrapping_add(1);
        let we = w * e;
        here.wxb += w * b;
        here.wxf += w * c;
        here.w += w;
        here.we += we;
        here.wee += we * e;
    }
    eighths[at] = here;
    all
}

/// How far the current lies outside what the digital value and its neighbours span.
#[inline]
fn outside(e: f64, f: f64, dxb: f64, dxf: f64) -> f64 {
    let (before, after) = (f - dxb, f + dxf);
    let lo = lesser(lesser(before, f), after);
    let hi = greater(greater(before, f), after);
    let m = f + e;
    if m > hi {
        m - hi
    } else if m < lo {
        m - lo
    } else {
        0.0
    }
}

fn excursion(b: &mut HourBlock, out: f64, t: i64) {
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
