//! Comparing groups of unequal size: what each group shows is drawn towards what all of them show, the more so the less
//! of it there is (partial pooling), so that a small group does not top a list by chance. And: has a rate changed?
//!
//! Both models are worked out on a grid, not by plugging an estimate in, so the intervals hold what is not known of the
//! spread between groups as well. Gelman, Carlin, Stern, Dunson, Vehtari & Rubin, *Bayesian Data Analysis*, 3rd ed. 2013,
//! chapter 5: shares by the beta-binomial model (5.3, equations 5.8 and 5.9, prior (a + b)^(-5/2)), means by the normal
//! model with known standard errors (5.4, equations 5.17 to 5.21, uniform prior of the spread).

use serde::Serialize;
use statrs::distribution::{Binomial, ContinuousCDF, DiscreteCDF, Normal};
use statrs::function::beta::beta_reg;
use statrs::function::gamma::ln_gamma;

/// Below so many groups nothing is known of the spread between them, and nothing is pooled.
pub const MIN_GROUPS: usize = 3;
/// Level of every interval here.
pub const LEVEL: f64 = 0.95;
const Z: f64 = 1.959_963_984_540_054;

/// A value with its 95 % interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Interval {
    pub value: f64,
    pub low: f64,
    pub high: f64,
}

impl Interval {
    /// The same through a rising function.
    #[must_use]
    pub fn map(self, f: impl Fn(f64) -> f64) -> Self {
        Self {
            value: f(self.value),
            low: f(self.low),
            high: f(self.high),
        }
    }
}

/// Groups after pooling.
#[derive(Clone, Debug, PartialEq)]
pub struct Pooled {
    /// Mean over the groups that there could be: where an unknown group would lie.
    pub fleet: Interval,
    /// In the order given.
    pub groups: Vec<Interval>,
}

/// Quantile of a mixture, by halving: `cdf` rises over `low..high`.
fn quantile(p: f64, mut low: f64, mut high: f64, cdf: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..40 {
        let mid = 0.5 * (low + high);
        if cdf(mid) < p {
            low = mid;
        } else {
            high = mid;
        }
    }
    0.5 * (low + high)
}

/// Weights that sum to 1 of log densities; with each the place it came from. Leaves out what all together weighs nothing.
fn weights(log_density: &[f64]) -> Vec<(usize, f64)> {
    let top = log_density
        .iter()
        .copied()
        .fold(f64::NEG_INFINITY, f64::max);
    let mut w: Vec<(usize, f64)> = log_density
        .iter()
        .map(|l| (l - top).exp())
        .enumerate()
        .filter(|(_, w)| *w > 1e-6)
        .collect();
    let sum: f64 = w.iter().map(|(_, w)| w).sum();
    for (_, w) in &mut w {
        *w /= sum;
    }
    w
}

/// One spread between groups on the grid.
struct Spread {
    tau: f64,
    mean: f64,
    mean_var: f64,
}

/// Steps of the grid over the spread, dense near zero.
const SPREADS: usize = 200;

/// Means with known standard errors. `None` below [`MIN_GROUPS`] groups, or of anything not finite.
pub fn pool_means(means: &[f64], errors: &[f64]) -> Option<Pooled> {
    let finite = |v: &[f64]| v.iter().all(|x| x.is_finite());
    if means.len() < MIN_GROUPS || means.len() != errors.len() || !finite(means) || !finite(errors)
    {
        return None;
    }
    let range = |v: &[f64]| {
        let low = v.iter().copied().fold(f64::INFINITY, f64::min);
        let high = v.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        (low, high)
    };
    let ((low, high), most) = (range(means), range(errors).1);
    // An error of nothing would leave nothing to divide by.
    let scale = (high - low).max(most).max(1e-12);
    let errors: Vec<f64> = errors.iter().map(|s| s.max(1e-6 * scale)).collect();
    let mut spreads = Vec::with_capacity(SPREADS);
    let mut log_density = Vec::with_capacity(SPREADS);
    for i in 0..SPREADS {
        let u = (i as f64 + 0.5) / SPREADS as f64;
        let tau = 5.0 * scale * u * u;
        let vars: Vec<f64> = errors.iter().map(|s| s * s + tau * tau).collect();
        let mean_var = 1.0 / vars.iter().map(|v| 1.0 / v).sum::<f64>();
        let mean = mean_var * means.iter().zip(&vars).map(|(y, v)| y / v).sum::<f64>();
        let fit: f64 = means
            .iter()
            .zip(&vars)
            .map(|(y, v)| v.ln() + (y - mean).powi(2) / v)
            .sum();
        // `u` is the width of the grid's step at this place.
        log_density.push(u.ln() + 0.5 * mean_var.ln() - 0.5 * fit);
        spreads.push(Spread {
            tau,
            mean,
            mean_var,
        });
    }
    let w = weights(&log_density);
    let normal = Normal::standard();
    let mixed = |part: &dyn Fn(&Spread) -> (f64, f64)| {
        let parts: Vec<(f64, f64, f64)> = w
            .iter()
            .filter_map(|(i, w)| spreads.get(*i).map(|s| (*w, part(s))))
            .map(|(w, (m, v))| (w, m, v.sqrt().max(1e-12 * scale)))
            .collect();
        let value = parts.iter().map(|(w, m, _)| w * m).sum();
        let reach = |f: fn(f64, f64) -> f64, sign: f64, from: f64| {
            parts
                .iter()
                .map(|(_, m, s)| m + sign * 8.0 * s)
                .fold(from, f)
        };
        let (a, b) = (
            reach(f64::min, -1.0, f64::INFINITY),
            reach(f64::max, 1.0, f64::NEG_INFINITY),
        );
        let cdf = |x: f64| -> f64 {
            parts
                .iter()
                .map(|(w, m, s)| w * normal.cdf((x - m) / s))
                .sum()
        };
        Interval {
            value,
            low: quantile(0.5 * (1.0 - LEVEL), a, b, cdf),
            high: quantile(0.5 * (1.0 + LEVEL), a, b, cdf),
        }
    };
    let groups = means
        .iter()
        .zip(&errors)
        .map(|(y, e)| {
            mixed(&|s: &Spread| {
                let pull = e * e / (e * e + s.tau * s.tau);
                let mean = pull * s.mean + (1.0 - pull) * y;
                (mean, (1.0 - pull) * e * e + pull * pull * s.mean_var)
            })
        })
        .collect();
    Some(Pooled {
        fleet: mixed(&|s: &Spread| (s.mean, s.mean_var)),
        groups,
    })
}

/// Steps of the grid in each direction.
const SHARES: usize = 40;
/// Least `a + b`: below it the distribution between groups can have a mode at each end, so that of few groups one of one
/// would be believed. Shares of groups that are alike enough to be compared have one mode.
const LEAST_SIZE: f64 = 2.0;

fn ln_beta(a: f64, b: f64) -> f64 {
    ln_gamma(a) + ln_gamma(b) - ln_gamma(a + b)
}

/// What is known of the beta distribution that shares come from: (weight, a, b).
fn beta_grid(hits: &[u64], of: &[u64]) -> Vec<(f64, f64, f64)> {
    let (sum, all) = (
        hits.iter().sum::<u64>() as f64,
        of.iter().sum::<u64>() as f64,
    );
    let centre = ((sum + 0.5) / (all - sum + 0.5)).ln();
    let step = |low: f64, high: f64, i: usize| low + (high - low) * i as f64 / (SHARES - 1) as f64;
    let mut places = Vec::with_capacity(SHARES * SHARES);
    let mut log_density = Vec::with_capacity(SHARES * SHARES);
    for i in 0..SHARES {
        let odds = step(centre - 4.0, centre + 4.0, i);
        for j in 0..SHARES {
            let size = step(LEAST_SIZE.ln(), 11.0, j).exp();
            let a = size / (1.0 + (-odds).exp());
            let b = size - a;
            let likelihood: f64 = hits
                .iter()
                .zip(of)
                .map(|(y, n)| ln_beta(a + *y as f64, b + (n - y) as f64) - ln_beta(a, b))
                .sum();
            log_density.push(a.ln() + b.ln() - 2.5 * size.ln() + likelihood);
            places.push((a, b));
        }
    }
    weights(&log_density)
        .into_iter()
        .filter_map(|(i, w)| places.get(i).map(|(a, b)| (w, *a, *b)))
        .collect()
}

/// `hits` of `of` in each group. `None` below [`MIN_GROUPS`] groups, or of more hits than there can be.
pub fn pool_shares(hits: &[u64], of: &[u64]) -> Option<Pooled> {
    if hits.len() < MIN_GROUPS || hits.len() != of.len() || hits.iter().zip(of).any(|(y, n)| y > n)
    {
        return None;
    }
    let mut grid = beta_grid(hits, of);
    // The interval needs no more than what weighs.
    grid.sort_by(|x, y| y.0.total_cmp(&x.0));
    let mut sum = 0.0;
    grid.retain(|(w, ..)| {
        let keep = sum < 0.999;
        sum += w;
        keep
    });
    let kept: f64 = grid.iter().map(|(w, ..)| w).sum();
    for (w, ..) in &mut grid {
        *w /= kept;
    }
    let groups = hits
        .iter()
        .zip(of)
        .map(|(y, n)| {
            let (y, rest) = (*y as f64, (n - y) as f64);
            let cdf = |x: f64| -> f64 {
                grid.iter()
                    .map(|(w, a, b)| w * beta_reg(a + y, b + rest, x))
                    .sum()
            };
            Interval {
                value: grid
                    .iter()
                    .map(|(w, a, b)| w * (a + y) / (a + b + y + rest))
                    .sum(),
                low: quantile(0.5 * (1.0 - LEVEL), 0.0, 1.0, cdf),
                high: quantile(0.5 * (1.0 + LEVEL), 0.0, 1.0, cdf),
            }
        })
        .collect();
    let mut means: Vec<(f64, f64)> = grid.iter().map(|(w, a, b)| (a / (a + b), *w)).collect();
    means.sort_by(|x, y| x.0.total_cmp(&y.0));
    let at = |p: f64| {
        let mut sum = 0.0;
        let found = means.iter().find(|(_, w)| {
            sum += w;
            sum >= p
        });
        found.or(means.last()).map_or(f64::NAN, |m| m.0)
    };
    Some(Pooled {
        fleet: Interval {
            value: means.iter().map(|(m, w)| m * w).sum(),
            low: at(0.5 * (1.0 - LEVEL)),
            high: at(0.5 * (1.0 + LEVEL)),
        },
        groups,
    })
}

/// A share by itself with Wilson's interval (score method; Newcombe, *Statistics in Medicine* 17 (1998) 857, method 3).
pub fn share(hits: u64, of: u64) -> Option<Interval> {
    if of == 0 || hits > of {
        return None;
    }
    let (n, p) = (of as f64, hits as f64 / of as f64);
    let z2 = Z * Z;
    let mid = (p + z2 / (2.0 * n)) / (1.0 + z2 / n);
    let half = Z * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt() / (1.0 + z2 / n);
    Some(Interval {
        value: p,
        low: (mid - half).clamp(0.0, p),
        high: (mid + half).clamp(p, 1.0),
    })
}

/// A mean by itself with its standard error.
pub fn mean(value: f64, error: f64) -> Interval {
    Interval {
        value,
        low: value - Z * error,
        high: value + Z * error,
    }
}

/// Slope by Theil and Sen: the median of the slopes of all pairs (Sen, *J. Am. Stat. Assoc.* 63 (1968) 1379). `None` below
/// two different places.
pub fn sen_slope(points: &[(f64, f64)]) -> Option<f64> {
    let mut slopes: Vec<f64> = Vec::with_capacity(points.len() * points.len() / 2);
    for (i, (x1, y1)) in points.iter().enumerate() {
        slopes.extend(
            points
                .iter()
                .skip(i + 1)
                .filter(|(x2, _)| x2 != x1)
                .map(|(x2, y2)| (y2 - y1) / (x2 - x1)),
        );
    }
    let middle = crate::history::median(slopes);
    middle.is_finite().then_some(middle)
}

/// One change of a rate: events over exposure, in steps of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RateChange {
    /// First step of the new rate, and the steps within which it lies (likelihood ratio, 95 %).
    pub at: usize,
    pub low: usize,
    pub high: usize,
    /// Events by unit of exposure.
    pub before: f64,
    pub after: f64,
    /// Two-sided, exact for the place, times the number of places looked at.
    pub p_value: f64,
    pub log_likelihood_ratio: f64,
}

/// The most likely single change of a Poisson rate, leaving at least `margin` steps on each side. Given their number, events
/// fall before a place with the share of exposure that lies before it: a binomial tail, exact. `None` without events.
pub fn rate_change(events: &[u64], exposure: &[f64], margin: usize) -> Option<RateChange> {
    let steps = events.len();
    let margin = margin.max(1);
    let all: u64 = events.iter().sum();
    let exposed: f64 = exposure.iter().sum();
    if steps != exposure.len() || all == 0 || !(exposed > 0.0) || steps < 2 * margin {
        return None;
    }
    let term = |e: f64, x: f64| if e > 0.0 { e * (e / x).ln() } else { 0.0 };
    let whole = term(all as f64, exposed);
    let (mut e, mut x) = (0_u64, 0.0);
    let mut places: Vec<(usize, f64, u64, f64)> = Vec::new();
    for k in 1..steps {
        e += events.get(k - 1).copied().unwrap_or(0);
        x += exposure.get(k - 1).copied().unwrap_or(0.0);
        let rest = exposed - x;
        if k < margin || k + margin > steps || !(x > 0.0) || !(rest > 0.0) {
            continue;
        }
        let ratio = term(e as f64, x) + term((all - e) as f64, rest) - whole;
        places.push((k, ratio, e, x));
    }
    let (at, ratio, e, x) = places.iter().copied().max_by(|p, q| p.1.total_cmp(&q.1))?;
    let tails = Binomial::new(x / exposed, all).ok()?;
    let lower = tails.cdf(e);
    let upper = if e == 0 { 1.0 } else { tails.sf(e - 1) };
    // Half of the chi-square quantile with one degree of freedom.
    let near = |p: &&(usize, f64, u64, f64)| ratio - p.1 <= 0.5 * Z * Z;
    let inside: Vec<usize> = places.iter().filter(near).map(|p| p.0).collect();
    Some(RateChange {
        at,
        low: inside.first().copied().unwrap_or(at),
        high: inside.last().copied().unwrap_or(at),
        before: e as f64 / x,
        after: (all - e) as f64 / (exposed - x),
        p_value: (2.0 * lower.min(upper) * places.len() as f64).min(1.0),
        log_likelihood_ratio: ratio,
    })
}
