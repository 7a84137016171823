//! How far the measured current lies from the registered one in an hour: normal equations, eighths of the range, excursions,
//! and the reported current beside the registered.

use super::build::{Derived, Room, greater, lesser};
use super::select::{deciles_of, key};
use super::{EXCURSION_PCT, Eighth, HourBlock, Moments, Normal, ReportedFit};
use ingest_model::{LoopEntry, Series, Transfer};
use std::ops;

/// A device that says that its current is fixed.
fn is_fixed(device_status: i16) -> bool {
    device_status >= 0 && device_status & 0x08 != 0
}

/// Readings whose deviation counts: position, steps from the one before and to the one after, deviation, weight.
#[derive(Default)]
pub(super) struct Samples {
    f: Vec<f64>,
    back: Vec<f64>,
    forth: Vec<f64>,
    e: Vec<f64>,
    w: Vec<f64>,
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
    b.er = reported(s, v, rows.clone(), root, &cut);
    let samples = &mut room.samples;
    if root || !all_count(b, s, v, rows.clone(), samples) {
        gather(b, s, v, rows, &cut, samples);
    }
    // The weight of a reading: how still the digital value was around it.
    let steps = samples.back.iter().zip(&samples.forth);
    samples.w.clear();
    let weight = |(b, f): (&f64, &f64)| 1.0 / (1.0 + (b * b + f * f) / v.knee);
    samples.w.extend(steps.map(weight));
    b.fit = normal(samples);
    b.e = by_eighths(samples, &mut b.eighths);
    room.keys.clear();
    room.keys.extend(samples.e.iter().map(|e| key(*e)));
    (b.e_p10, b.e_p90) = deciles_of(&mut room.keys);
}

/// Clipped registered currents say nothing of the scale. Nothing is inside that is not known.
fn inside(f: f64) -> bool {
    (f > -50.0 - 0.1 / 0.16) & (f < 50.0 + 0.4 / 0.16)
}

/// 3.9 < f < 20.4 mA; what is not known is not.
fn in_range(f: f64) -> bool {
    (f > -50.625) & (f < 52.5)
}

/// 3.7 < m < 20.6 mA.
fn is_carried(m: f64) -> bool {
    (m > -51.875) & (m < 53.75)
}

/// The reported current against the registered one.
fn reported(
    s: &Series<'_>,
    v: &Derived,
    rows: ops::Range<usize>,
    root: bool,
    cut: &impl Fn(f64) -> bool,
) -> ReportedFit {
    let mut q = ReportedFit::default();
    let (f, r) = (&v.f[rows.clone()], &v.r[rows.clone()]);
    let status = &s.device_status[rows.clone()];
    let mut far = 0_usize;
    let mut add = |f: f64, r: f64| {
        let er = r - f;
        q.sum += er;
        q.sx += f;
        q.sxx += f * f;
        q.sxy += f * er;
        q.syy += er * er;
        far = far.wrapping_add(usize::from(er.abs() > 0.05));
    };
    let both = f.iter().zip(r);
    let known = both
        .clone()
        .fold(true, |all, (f, r)| all & inside(*f) & r.is_finite());
    let each = both.zip(status).zip(&s.pv[rows.clone()]);
    let counts = |((f, r), status): ((&f64, &f64), &i16), pv: &f64| {
        inside(*f) && r.is_finite() && !is_fixed(*status) && !cut(*pv)
    };
    if known && !root && !any_fixed(status) {
        f.iter().zip(r).for_each(|(f, r)| add(*f, *r));
        q.n = f.len() as u32;
    } else {
        let mut n = 0_usize;
        for (row, pv) in each.clone() {
            if counts(row, pv) {
                add(*row.0.0, *row.0.1);
                n += 1;
            }
        }
        q.n = n as u32;
    }
    q.off = far as u32;
    if far > 0 {
        let mut off = each.zip(&s.time[rows]);
        let first = off.find(|((row, pv), _)| counts(*row, pv) && (row.0.1 - row.0.0).abs() > 0.05);
        q.first_off = first.map_or(i64::MAX, |(_, t)| *t);
    }
    q
}

fn any_fixed(status: &[i16]) -> bool {
    status.iter().fold(false, |any, s| any | is_fixed(*s))
}

/// The hour mostly: every reading counts, so that all is done by the column. `false` where one does not; then nothing is said.
fn all_count(
    b: &mut HourBlock,
    s: &Series<'_>,
    v: &Derived,
    rows: ops::Range<usize>,
    samples: &mut Samples,
) -> bool {
    if rows.start == 0 || rows.end >= s.len() {
        return false;
    }
    let (f, m) = (&v.f[rows.clone()], &v.m[rows.clone()]);
    let near = &v.near[rows.start - 1..rows.end];
    let (before, after) = (v.f[rows.start - 1], v.f[rows.end]);
    let ok = f
        .iter()
        .zip(m)
        .fold(before.is_finite() & after.is_finite(), |all, (f, m)| {
            all & in_range(*f) & is_carried(*m)
        });
    if !ok || near.contains(&false) || any_fixed(&s.device_status[rows.clone()]) {
        return false;
    }
    samples.f.clear();
    samples.f.extend_from_slice(f);
    let around = &v.f[rows.start - 1..rows.end + 1];
    let (first, rest) = (&around[..f.len()], &around[2..]);
    samples.back.clear();
    samples.back.extend(f.iter().zip(first).map(|(f, p)| f - p));
    samples.forth.clear();
    samples.forth.extend(rest.iter().zip(f).map(|(n, f)| n - f));
    samples.e.clear();
    samples.e.extend(m.iter().zip(f).map(|(m, f)| m - f));
    b.excursion_n = f.len() as u32;
    let steps = samples.back.iter().zip(&samples.forth);
    let far = samples.e.iter().zip(f).zip(steps.clone());
    let far = far.fold(false, |any, ((e, f), (back, forth))| {
        let (over, under) = outside(*e, *f, *back, *forth);
        any | (over > EXCURSION_PCT[0]) | (under < -EXCURSION_PCT[0])
    });
    if far {
        let all = samples.e.iter().zip(f).zip(steps).zip(&s.time[rows]);
        for (((e, f), (back, forth)), t) in all {
            excursion(b, outside(*e, *f, *back, *forth), *t);
        }
    }
    true
}

/// The readings whose deviation counts, and excursions of those and others.
fn gather(
    b: &mut HourBlock,
    s: &Series<'_>,
    v: &Derived,
    rows: ops::Range<usize>,
    cut: &impl Fn(f64) -> bool,
    samples: &mut Samples,
) {
    let Samples {
        f: fs,
        back,
        forth,
        e: es,
        ..
    } = samples;
    for column in [&mut *fs, back, forth, es] {
        column.clear();
    }
    // Both neighbours, each across a normal gap: not the day's first row nor its last.
    let rows = rows.start.max(1)..rows.end.min(s.len().saturating_sub(1));
    if rows.is_empty() {
        return;
    }
    let around = rows.start - 1..rows.end + 1;
    let near = v.near[rows.start - 1..rows.end].windows(2);
    let steps = v.f[around].windows(3).zip(near);
    let own = v.m[rows.clone()].iter().zip(&s.device_status[rows.clone()]);
    let beside = s.pv[rows.clone()].iter().zip(&s.time[rows]);
    for (((f3, near), (m, status)), (pv, t)) in steps.zip(own).zip(beside) {
        let f = f3[1];
        let (dxb, dxf) = (f - f3[0], f3[2] - f);
        let steps_known = dxb.is_finite() && dxf.is_finite() && near[0] && near[1];
        if !in_range(f) || !steps_known || !m.is_finite() || is_fixed(*status) {
            continue;
        }
        let e = m - f;
        b.excursion_n += 1;
        excursion(b, outside(e, f, dxb, dxf), *t);
        if is_carried(*m) && !cut(*pv) {
            fs.push(f);
            back.push(dxb);
            forth.push(dxf);
            es.push(e);
        }
    }
}

/// The normal equations of `[1, f, dxb, dxf]`, each product made once; two at a time, as a processor adds them.
fn normal(samples: &Samples) -> Normal {
    let mut sums = [[0.0; 2]; 8];
    let steps = samples.back.iter().zip(&samples.forth);
    let rows = samples.f.iter().zip(steps).zip(&samples.e).zip(&samples.w);
    for (((f, (b, c)), e), w) in rows {
        let times = |a: [f64; 2], b: [f64; 2]| [a[0] * b[0], a[1] * b[1]];
        let (steps, both) = ([*b, *c], [w * b, w * c]);
        let [w, wf] = [*w, w * f];
        let [we, wfe] = [w * e, wf * e];
        for (sum, products) in sums.iter_mut().zip([
            [w, wf],
            both,
            times([wf, wf], steps),
            times(both, steps),
            times([wf, both[0]], [*f, *c]),
            [we, wfe],
            times(both, [*e, *e]),
            times([we, w], [*e, w]),
        ]) {
            sum[0] += products[0];
            sum[1] += products[1];
        }
    }
    let [
        [n, f],
        [b, c],
        [fb, fc],
        [bb, cc],
        [ff, bc],
        [ne, fe],
        [be, ce],
        [yy, w2],
    ] = sums;
    Normal {
        n: samples.f.len() as u32,
        xx: [
            [n, f, b, c],
            [f, ff, fb, fc],
            [b, fb, bb, bc],
            [c, fc, bc, cc],
        ],
        xy: [ne, fe, be, ce],
        yy,
        w2,
    }
}

/// The same readings by eighth of the range, and the moments of all.
fn by_eighths(samples: &Samples, eighths: &mut [Eighth; 8]) -> Moments {
    let mut all = Moments {
        n: samples.e.len() as u32,
        ..Moments::default()
    };
    // Neighbours mostly lie in the same: its sums stay in registers.
    let (mut at, mut here) = (0, eighths[0]);
    let steps = samples.back.iter().zip(&samples.forth);
    let rows = samples.f.iter().zip(steps).zip(&samples.e).zip(&samples.w);
    for (((f, (b, c)), e), w) in rows {
        all.sum += e;
        all.sum_sq += e * e;
        all.min = lesser(all.min, *e);
        all.max = greater(all.max, *e);
        // Towards zero is down where it is not negative.
        let eighth = ((f + 50.0) / 12.5).clamp(0.0, 7.0) as i32 as usize;
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

/// How far the current lies above the highest and below the lowest that the digital value and its neighbours span.
#[inline]
fn outside(e: f64, f: f64, dxb: f64, dxf: f64) -> (f64, f64) {
    let (before, after) = (f - dxb, f + dxf);
    let lo = lesser(lesser(before, f), after);
    let hi = greater(greater(before, f), after);
    let m = f + e;
    (m - hi, m - lo)
}

/// Of what lies so far outside that it counts.
#[inline]
fn excursion(b: &mut HourBlock, (over, under): (f64, f64), t: i64) {
    if over > EXCURSION_PCT[0] {
        excursion_of(b, over, t);
    } else if under < -EXCURSION_PCT[0] {
        excursion_of(b, under, t);
    }
}

fn excursion_of(b: &mut HourBlock, out: f64, t: i64) {
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
