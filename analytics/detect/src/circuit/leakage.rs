//! Leakage: current at the input that the device did not send, hour by hour, against the loop's own dry level.
//!
//! `m - r` of each hour is regressed on position and steps of the digital value over the hours in which it is lowest (a
//! leak beside the device only ever adds, and comes and goes), so that zero and span errors of device and input and the
//! sampling at two instants are taken out. What is left above is the excess. A leak that never pauses cannot be told
//! from a zero error this way and is bounded only.

use crate::block::{HourBlock, Normal, P};
use crate::history::{median, quantile};

/// Hours before anything is said.
pub(super) const MIN_HOURS: usize = 48;
/// What temperature does to device and input within a day and a season, % of span (common practice: 25 to 50 ppm a
/// kelvin over 10 to 20 kelvin).
pub const WANDER_PCT: f64 = 0.05;
/// Excess below this is not told from that, % of span.
pub const FLOOR_PCT: f64 = 0.1;

/// One hour's current at the input beyond what the device sent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HourExcess {
    /// Whole hours since 1970, UTC.
    pub hour: i64,
    /// Against the dry level, % of span.
    pub excess_pct: f64,
    /// Mean current at the input, mA.
    pub current_ma: f64,
}

/// All hours of a loop with their excess, and how well one hour is known.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Excess {
    pub hours: Vec<HourExcess>,
    /// Scatter of dry hours, % of span.
    pub scatter_pct: f64,
    /// Level of dry hours itself, `m - r` at the loop's usual position, % of span.
    pub dry_pct: f64,
}

struct Hour<'a> {
    b: &'a HourBlock,
    /// `r - f`, what the device itself adds, % of span.
    own: f64,
}

/// `None` where there are too few hours with both channels.
pub fn excess(blocks: &[HourBlock]) -> Option<Excess> {
    let hours: Vec<Hour<'_>> = blocks
        .iter()
        .filter(|b| b.fit.n >= 3 && b.m.n > 0 && b.bit_share(3) == 0.0)
        .map(|b| Hour {
            b,
            own: if b.er.n > 0 {
                b.er.sum / f64::from(b.er.n)
            } else {
                0.0
            },
        })
        .collect();
    if hours.len() < MIN_HOURS {
        return None;
    }
    let mut dry = vec![true; hours.len()];
    let mut left = Vec::new();
    let (mut base, mut scatter) = (0.0, 0.0);
    for _ in 0..5 {
        let beta = fit(hours.iter().zip(&dry).filter(|(_, d)| **d).map(|(h, _)| h));
        left = hours.iter().map(|h| residual(h, &beta)).collect();
        // The lowest fifth is dry: its edge and spread give level and scatter of a normal distribution (quantiles
        // -0.842 and -1.645).
        let (q05, q20) = (quantile(left.clone(), 0.05), quantile(left.clone(), 0.2));
        scatter = ((q20 - q05) / 0.803).max(0.002);
        base = q20 + 0.842 * scatter;
        for (d, r) in dry.iter_mut().zip(&left) {
            *d = (r - base).abs() <= 3.0 * scatter;
        }
        if dry.iter().filter(|d| **d).count() < MIN_HOURS / 4 {
            return None;
        }
    }
    let level = |h: &Hour<'_>| h.b.fit.xy[0] / h.b.fit.weight().max(1e-12) - h.own;
    Some(Excess {
        dry_pct: median(
            hours
                .iter()
                .zip(&dry)
                .filter(|(_, d)| **d)
                .map(|(h, _)| level(h))
                .collect(),
        ),
        hours: hours
            .iter()
            .zip(&left)
            .map(|(h, r)| HourExcess {
                hour: h.b.hour,
                excess_pct: r - base,
                current_ma: 12.0 + 0.16 * h.b.m.mean(),
            })
            .collect(),
        scatter_pct: scatter,
    })
}

fn residual(h: &Hour<'_>, beta: &[f64; P]) -> f64 {
    let f = &h.b.fit;
    let told: f64 = (0..P).map(|j| beta[j] * f.xx[0][j]).sum();
    (f.xy[0] - told) / f.weight().max(1e-12) - h.own
}

/// Least squares of `m - r` on `[1, x, dxb, dxf]` over hours.
fn fit<'a>(hours: impl Iterator<Item = &'a Hour<'a>>) -> [f64; P] {
    let mut sum = Normal::default();
    for h in hours {
        let mut own = h.b.fit;
        for j in 0..P {
            own.xy[j] -= h.own * own.xx[0][j];
        }
        sum.merge(&own);
    }
    let mut a = sum.xx;
    let mut y = sum.xy;
    // A trace of ridge, on the scale of the columns: a loop that stands still leaves them empty.
    for (i, scale) in [0.0, 0.01, 1e-4, 1e-4].into_iter().enumerate() {
        a[i][i] += scale * sum.weight() + 1e-9;
    }
    // Elimination without pivoting: the matrix is symmetric and positive.
    for i in 0..P {
        let (row, left) = (a[i], y[i]);
        for j in i + 1..P {
            let share = a[j][i] / row[i];
            for (v, w) in a[j].iter_mut().zip(row) {
                *v -= share * w;
            }
            y[j] -= share * left;
        }
    }
    let mut beta = [0.0; P];
    for i in (0..P).rev() {
        let known: f64 = (i + 1..P).map(|j| a[i][j] * beta[j]).sum();
        let v = (y[i] - known) / a[i][i];
        beta[i] = if v.is_finite() { v } else { 0.0 };
    }
    beta
}
