//! Published trend tests, given as evidence beside what a detector found: they take no part in the decision.
//!
//! Mann-Kendall (Mann 1945; Kendall 1975) with ties, exact below a dozen values, variance with the ranks' own
//! correlation (Hamed and Rao 1998); Sen's slope (Sen 1968) with its interval by ranks; Laplace's test of a rate that
//! changes (NIST/SEMATECH e-Handbook 8.2.3.4). Check values: `tests/checks/statistics.rs`.

use crate::history::median;
use statrs::distribution::{ContinuousCDF, Normal};

/// Without ties and up to this many values the chance of S is counted out, not approximated.
const EXACT_UP_TO: usize = 12;

fn normal() -> Option<Normal> {
    Normal::new(0.0, 1.0).ok()
}

/// Kendall's S of a series against its order, and its variance for independent values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MannKendall {
    pub s: f64,
    pub variance: f64,
    pub z: f64,
    /// Two-sided chance of an S as far from 0.
    pub p: f64,
}

fn z_of(s: f64, variance: f64) -> f64 {
    // Continuity correction: S moves in steps of 2.
    (s - s.signum() * f64::from(u8::from(s != 0.0))) / variance.sqrt()
}

fn two_sided(z: f64) -> f64 {
    normal().map_or(1.0, |n| 2.0 * n.sf(z.abs()))
}

/// `None` below three values.
pub fn mann_kendall(y: &[f64]) -> Option<MannKendall> {
    let n = y.len();
    if n < 3 || y.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let mut s = 0_i64;
    for (i, a) in y.iter().enumerate() {
        for b in &y[i + 1..] {
            s += i64::from(b > a) - i64::from(b < a);
        }
    }
    let mut sorted = y.to_vec();
    sorted.sort_by(f64::total_cmp);
    let term = |t: f64| t * (t - 1.0) * (2.0 * t + 5.0);
    let ties: Vec<f64> = sorted
        .chunk_by(|a, b| a == b)
        .map(|c| c.len() as f64)
        .collect();
    let variance = (term(n as f64) - ties.iter().map(|t| term(*t)).sum::<f64>()) / 18.0;
    let z = if variance > 0.0 {
        z_of(s as f64, variance)
    } else {
        0.0
    };
    let p = if n <= EXACT_UP_TO && ties.len() == n {
        (2.0 * exact_tail(n, s.unsigned_abs() as usize)).min(1.0)
    } else {
        two_sided(z)
    };
    Some(MannKendall {
        s: s as f64,
        variance,
        z,
        p,
    })
}

/// P(S >= s) for `n` values in random order without ties: S = n(n-1)/2 - 2 x inversions (Mahonian numbers).
pub fn exact_tail(n: usize, s: usize) -> f64 {
    let most = n * n.saturating_sub(1) / 2;
    let mut count = vec![0.0; most + 1];
    count[0] = 1.0;
    for k in 1..n {
        let before = count.clone();
        for (i, c) in count.iter_mut().enumerate() {
            *c = (0..=k.min(i)).map(|j| before[i - j]).sum();
        }
    }
    let total: f64 = count.iter().sum();
    if s > most {
        return 0.0;
    }
    count[..=(most - s) / 2].iter().sum::<f64>() / total
}

/// Mann-Kendall with the variance widened (or narrowed) by the significant correlations of the detrended ranks.
pub fn mann_kendall_correlated(y: &[f64]) -> Option<MannKendall> {
    let plain = mann_kendall(y)?;
    let n = y.len() as f64;
    let t: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
    let slope = sen(&t, y)?.slope;
    let left: Vec<f64> = y.iter().zip(&t).map(|(v, t)| v - slope * t).collect();
    let ranks = ranks(&left);
    let mean = (n + 1.0) / 2.0;
    let lagged = |k: usize| -> f64 {
        ranks
            .iter()
            .zip(&ranks[k..])
            .map(|(a, b)| (a - mean) * (b - mean))
            .sum()
    };
    let whole = lagged(0);
    // Two-sided 5 % limit of a correlation of independent values.
    let limit = normal()?.inverse_cdf(0.975) / n.sqrt();
    let mut sum = 0.0;
    for k in 1..y.len() {
        let r = if whole > 0.0 { lagged(k) / whole } else { 0.0 };
        if r.abs() > limit {
            let left = n - k as f64;
            sum += left * (left - 1.0) * (left - 2.0) * r;
        }
    }
    let variance = plain.variance * (1.0 + 2.0 / (n * (n - 1.0) * (n - 2.0)) * sum);
    if !(variance > 0.0) {
        return Some(plain);
    }
    let z = z_of(plain.s, variance);
    Some(MannKendall {
        variance,
        z,
        p: two_sided(z),
        ..plain
    })
}

/// Ranks from 1, ties share their mean.
fn ranks(y: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..y.len()).collect();
    order.sort_by(|a, b| y[*a].total_cmp(&y[*b]));
    let mut out = vec![0.0; y.len()];
    let mut from = 0;
    for tied in order.chunk_by(|a, b| y[*a] == y[*b]) {
        let rank = from as f64 + (tied.len() as f64 + 1.0) / 2.0;
        for i in tied {
            out[*i] = rank;
        }
        from += tied.len();
    }
    out
}

/// Sen's slope with the 95 % interval by ranks of the pairwise slopes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sen {
    pub slope: f64,
    pub low: f64,
    pub high: f64,
}

/// Median of all pairwise slopes; `None` below three values or when no two times differ.
pub fn sen(t: &[f64], y: &[f64]) -> Option<Sen> {
    let n = y.len().min(t.len());
    let mut slopes = Vec::with_capacity(n * n / 2);
    for i in 0..n {
        for j in i + 1..n {
            if t[j] != t[i] {
                slopes.push((y[j] - y[i]) / (t[j] - t[i]));
            }
        }
    }
    if n < 3 || slopes.is_empty() || slopes.iter().any(|s| !s.is_finite()) {
        return None;
    }
    slopes.sort_by(f64::total_cmp);
    let m = slopes.len() as f64;
    // The variance of S, its ties taken on both sides (Sen 1968, equation 2.6).
    let term = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let ties = |v: &[f64]| -> f64 {
        let mut v = v[..n].to_vec();
        v.sort_by(f64::total_cmp);
        v.chunk_by(|a, b| a == b)
            .map(|c| term(c.len() as f64))
            .sum()
    };
    let variance = (term(n as f64) - ties(t) - ties(y)) / 18.0;
    let half = normal()?.inverse_cdf(0.975) * variance.max(0.0).sqrt();
    let upper = (((m + half) / 2.0).round() as usize).min(slopes.len() - 1);
    let lower = ((m - half) / 2.0).round() - 1.0;
    Some(Sen {
        slope: median(slopes.clone()),
        low: slopes[lower.max(0.0) as usize],
        high: slopes[upper],
    })
}

/// Laplace's z of events (instant, how many at it) within `0..end`: positive when the rate rises.
pub fn laplace(events: &[(f64, f64)], end: f64) -> Option<f64> {
    let n: f64 = events.iter().map(|e| e.1).sum();
    let sum: f64 = events.iter().map(|e| e.0 * e.1).sum();
    (n > 0.0 && end > 0.0).then(|| (sum / n - end / 2.0) / (end * (1.0 / (12.0 * n)).sqrt()))
}
