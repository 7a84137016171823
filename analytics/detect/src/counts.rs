//! Counts: the ratio of two rates with its interval, and how far counts scatter beyond Poisson's.
//!
//! Given the sum of two Poisson counts the first is binomial, whatever the common rate (Przyborowski and Wilenski 1940):
//! exact limits of the ratio are those of Clopper and Pearson (1934) for that share. Dispersion is Pearson's (McCullagh
//! and Nelder 1989, 4.5). Check values: `tests/checks/statistics.rs`.

use statrs::function::beta::{beta_reg, inv_beta_reg};

/// Ratio of two rates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RateRatio {
    pub ratio: f64,
    /// Two-sided 95 %; infinite above where the second count is 0.
    pub low: f64,
    pub high: f64,
    /// Chance of a first count as high if both rates were equal.
    pub p_greater: f64,
}

/// `k1` events in exposure `n1` against `k0` in `n0`; `None` without exposure or events.
pub fn rate_ratio(k1: f64, n1: f64, k0: f64, n0: f64) -> Option<RateRatio> {
    if !(n1 > 0.0 && n0 > 0.0 && k1 >= 0.0 && k0 >= 0.0 && k1 + k0 > 0.0) {
        return None;
    }
    let odds = |share: f64| share / (1.0 - share) * n0 / n1;
    Some(RateRatio {
        ratio: k1 / n1 / (k0 / n0),
        low: if k1 > 0.0 {
            odds(inv_beta_reg(k1, k0 + 1.0, 0.025))
        } else {
            0.0
        },
        high: if k0 > 0.0 {
            odds(inv_beta_reg(k1 + 1.0, k0, 0.975))
        } else {
            f64::INFINITY
        },
        p_greater: if k1 > 0.0 {
            beta_reg(k1, k0 + 1.0, n1 / (n1 + n0))
        } else {
            1.0
        },
    })
}

/// Pearson's chi square of (observed, expected) pairs over `parameters` fitted ones, and its degrees of freedom.
pub fn pearson(pairs: impl Iterator<Item = (f64, f64)>, parameters: f64) -> (f64, f64) {
    pairs.fold((0.0, -parameters), |(chi, dof), (k, mu)| {
        (chi + (k - mu) * (k - mu) / mu, dof + 1.0)
    })
}
