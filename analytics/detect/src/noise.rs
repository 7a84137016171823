//! Noise change: short-term scatter against the loop's own past at like level.
//!
//! Measure: log of the hour's root mean square step (von Neumann), active hours only, in blocks of 6 h,
//! regressed on the log of the level with shrinkage (flow noise grows with flow). Test: likelihood ratio of
//! one lasting change over the residual variance, autocorrelation of blocks counted. A loop whose usual step
//! is within three quanta, or that is idle, cannot be judged.

use crate::context::Context;
use crate::finding::Kind;
use crate::history::{Draft, LoopRecord, Window, hour_in, median};
use crate::limits::{Limits, Test};
use crate::spans::each_promising;
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};
use std::ops::Range;

const BLOCK_H: i64 = 6;
/// Blocks of a change that ended.
const ENDED_MIN_BLOCKS: usize = 4;
pub const MIN_LOG_RATIO: f64 = 0.35;

#[derive(Debug, Default)]
pub struct Outcome {
    pub draft: Option<Draft>,
    pub not_judged: Option<&'static str>,
}

pub fn detect(l: &LoopRecord<'_>, ctx: &Context, to: UtcMicros, skip: &[Window]) -> Outcome {
    detect_at(l, ctx, to, skip, &Limits::default())
}

pub fn detect_at(
    l: &LoopRecord<'_>,
    ctx: &Context,
    to: UtcMicros,
    skip: &[Window],
    limits: &Limits,
) -> Outcome {
    let mut out = Outcome::default();
    let quantum = l
        .blocks
        .iter()
        .map(|b| b.move_d.quantum)
        .fold(f64::INFINITY, f64::min);
    let hours: Vec<(i64, f64, f64)> = l
        .blocks
        .iter()
        .filter(|b| !hour_in(skip, b.hour) && !ctx.idle(l, b.hour))
        .filter_map(|b| {
            let mv = if b.move_d.n >= 4 { b.move_d } else { b.move_m };
            let level = if b.d.n > 0 { b.d.mean() } else { b.m.mean() };
            let rms = (mv.sum_sq / f64::from(mv.n.max(1))).sqrt();
            // The median step resists a single jump; the rms resists quantisation: their smaller, scaled alike.
            let step = if mv.median > 0.0 {
                rms.min(1.4826 * mv.median)
            } else {
                rms
            };
            (mv.n >= 4 && step > 0.0).then(|| (b.hour, step.ln(), (level + 52.0).max(1.0).ln()))
        })
        .collect();
    if hours.len() < 72 {
        out.not_judged = Some("record too short");
        return out;
    }
    let usual = median(hours.iter().map(|h| h.1).collect()).exp();
    if quantum.is_finite() && usual < 3.0 * quantum || usual < 0.03 {
        out.not_judged = Some("scatter below the resolution of the value");
        return out;
    }
    let mut blocks: Vec<(i64, f64, f64, f64)> = Vec::new(); // hour, mean log step, mean log level, n
    for (hour, step, level) in hours {
        let h = hour.div_euclid(BLOCK_H) * BLOCK_H;
        match blocks.last_mut() {
            Some(b) if b.0 == h => {
                b.1 += step;
                b.2 += level;
                b.3 += 1.0;
            }
            _ => blocks.push((h, step, level, 1.0)),
        }
    }
    blocks.retain(|b| b.3 >= 2.0);
    for b in &mut blocks {
        b.1 /= b.3;
        b.2 /= b.3;
    }
    let m = blocks.len();
    if m < 16 {
        out.not_judged = Some("record too short");
        return out;
    }
    out.draft = change(&blocks, to, limits);
    out
}

fn change(blocks: &[(i64, f64, f64, f64)], to: UtcMicros, limits: &Limits) -> Option<Draft> {
    let m = blocks.len();
    let ly = |i: usize| blocks[i].1;
    let lx = |i: usize| blocks[i].2;
    // Step at k with the load's slope beside it: project both out for each k (two-parameter partial fit).
    let n = m as f64;
    let (mx, my) = (
        (0..m).map(lx).sum::<f64>() / n,
        (0..m).map(ly).sum::<f64>() / n,
    );
    let ridge = 0.05 * n * 0.01;
    let sxx = (0..m).map(|i| (lx(i) - mx).powi(2)).sum::<f64>() + ridge;
    let sxy = (0..m).map(|i| (lx(i) - mx) * (ly(i) - my)).sum::<f64>();
    let slope = sxy / sxx;
    let r: Vec<f64> = (0..m).map(|i| ly(i) - my - slope * (lx(i) - mx)).collect();
    let suffix = |f: &dyn Fn(usize) -> f64| {
        let mut s = vec![0.0; m + 1];
        for i in (0..m).rev() {
            s[i] = s[i + 1] + f(i);
        }
        s
    };
    let sr = suffix(&|i| r[i]);
    let sx = suffix(&|i| lx(i) - mx);
    let gain = |a: usize, b: usize| -> (f64, f64) {
        let c = (b - a) as f64;
        let zr = sr[a] - sr[b];
        let zx = sx[a] - sx[b];
        let left = c - c * c / n - zx * zx / sxx;
        if left < 1e-3 * c {
            (0.0, 0.0)
        } else {
            (zr * zr / left, zr / left)
        }
    };
    let mut best = (0.0, 0, m, 0.0);
    for a in 4..m.saturating_sub(3) {
        let (g, s) = gain(a, m);
        if g > best.0 {
            best = (g, a, m, s);
        }
    }
    let lasting = best.0;
    let bound = |a: Range<usize>, b: Range<usize>| {
        let widest = |s: &[f64]| {
            let range = |part: &[f64]| {
                part.iter()
                    .fold((f64::INFINITY, f64::NEG_INFINITY), |r: (f64, f64), v| {
                        (r.0.min(*v), r.1.max(*v))
                    })
            };
            let (a, b) = (range(&s[a.clone()]), range(&s[b.clone()]));
            (a.1 - b.0).abs().max((b.1 - a.0).abs())
        };
        let (least, most) = (b.start.saturating_sub(a.end - 1), b.end - 1 - a.start);
        let (least, most) = (least.max(ENDED_MIN_BLOCKS) as f64, most as f64);
        // Of the stretch's length the part beside the mean is least at an end of its range.
        let beside = (least - least * least / n).min(most - most * most / n);
        let left = (beside - widest(&sx).powi(2) / sxx).max(1e-3 * least);
        widest(&sr).powi(2) / left * (1.0 + 1e-9)
    };
    let to_beat = |best: f64| f64::max(best, 1.3 * lasting);
    let ends_before = m.saturating_sub(3);
    each_promising(
        4..m,
        ENDED_MIN_BLOCKS,
        ends_before,
        to_beat(best.0),
        bound,
        |a, b| {
            let (g, s) = gain(a, b);
            if g > to_beat(best.0) {
                best = (g, a, b, s);
            }
            to_beat(best.0)
        },
    );
    let (g, a, b, size) = best;
    // Residual variance beside the change, lag-1 correlation counted.
    let left: Vec<f64> = (0..m)
        .map(|i| r[i] - if i >= a && i < b { size } else { 0.0 })
        .collect();
    let mean = left.iter().sum::<f64>() / n;
    let var = left.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 3.0);
    let r1 = (left
        .windows(2)
        .map(|w| (w[0] - mean) * (w[1] - mean))
        .sum::<f64>()
        / (n * var).max(1e-12))
    .clamp(0.0, 0.8);
    let scaled = var.max(0.003) * (1.0 + r1) / (1.0 - r1);
    let lr = g / scaled;
    // Change since the part of the record before and after: the last day must show it if it is open.
    if !limits.pass(Test::Noise, lr) || size.abs() < MIN_LOG_RATIO {
        return None;
    }
    // A change that grew: the start of the best slope into the new level, if that fits clearly better.
    let start = if b == m {
        gradual_start(&r, a, size, scaled).unwrap_or(a)
    } else {
        a
    };
    let near: Vec<usize> = (4..b.saturating_sub(2))
        .filter(|&k| gain(k, b).0 > g - 6.0 * scaled)
        .collect();
    let at = |k: usize| UtcMicros::from_hour(blocks[k.min(m - 1)].0);
    let onset = at(start);
    let low = at(near
        .first()
        .copied()
        .unwrap_or(a)
        .min(start)
        .saturating_sub(1));
    let high =
        UtcMicros(at(near.last().copied().unwrap_or(a)).0 + BLOCK_H * MICROS_PER_HOUR).min(to);
    let mut d = Draft::by(Test::Noise, lr, Kind::NoiseChange, onset)
        .within(low, high)
        .number("scatter_ratio", size.exp())
        .number("log_likelihood_ratio", lr)
        .number("load_slope", slope);
    d.cause = Some(if size > 0.0 { "rise" } else { "collapse" });
    if b < m {
        d.ended = Some(at(b));
    }
    Some(d)
}

/// Start of a linear change in log scatter that reaches its level at or after `a`; `None` when a step does as well.
fn gradual_start(r: &[f64], a: usize, size: f64, scaled: f64) -> Option<usize> {
    let m = r.len();
    let n = m as f64;
    // Sums of the values before each place, and of the values times their place.
    let (mut sums, mut moments) = (vec![0.0], vec![0.0]);
    let (mut sy, mut sm, mut syy) = (0.0, 0.0, 0.0);
    for (i, y) in r.iter().enumerate() {
        sy += y;
        sm += i as f64 * y;
        syy += y * y;
        sums.push(sy);
        moments.push(sm);
    }
    // Squares left beside a line from 0 at `s` to 1 at `e` and on.
    let sse = |s: usize, e: usize| {
        let (width, after) = ((e - s) as f64, (m - e) as f64);
        let sz = (width - 1.0).max(0.0) / 2.0 + after;
        let (szz, szy) = if e > s {
            let rising = moments[e] - moments[s] - s as f64 * (sums[e] - sums[s]);
            (
                (width - 1.0) * (2.0 * width - 1.0) / (6.0 * width) + after,
                rising / width + sy - sums[e],
            )
        } else {
            (after, sy - sums[e])
        };
        let den = szz - sz * sz / n;
        let num = szy - sz * sy / n;
        if den <= 0.0 || num * size <= 0.0 {
            f64::INFINITY
        } else {
            syy - sy * sy / n - num * num / den
        }
    };
    let mut best = (sse(a, a) - 12.0 * scaled, None);
    for s in 4..=a {
        for e in a.max(s + 2)..m.min(a + 60) {
            let v = sse(s, e);
            if v < best.0 {
                best = (v, Some(s));
            }
        }
    }
    best.1
}
