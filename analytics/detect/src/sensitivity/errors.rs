//! Errors: the smallest share of failed exchanges that would stand out from the loop's own past.
//!
//! The same log likelihood ratio as the detector's, for a rise that begins now and lasts the days: the smallest count that
//! it believes, then the share whose 10 % quantile is that count. The loop's own failures scatter by their own dispersion,
//! added ones as Poisson counts do; the detector pools the dispersion of both sides, and so does this. One run
//! of the detector's search, with that count spread over copies of the last days, says whether it really is found.

use super::{Answer, Fault, Setting, WITHIN_DAYS, Z90};
use crate::errors::{Cell, MIN_ERRORS, MIN_RATIO, best_rise, cells};
use crate::limits::{Limits, Test};

/// The detector takes the best of all starts, this number the true one: what the ratio gains by that on average (2.2 to
/// 2.4 in simulated Poisson counts of 0.4 to 1.2 a cell, rises of 7 and 30 days).
const SEARCH_GAIN: f64 = 2.3;

pub(super) fn numbers(s: &Setting<'_>, open: bool) -> Vec<Answer> {
    let blind = |n: u32, why: &str| Answer::blind(Fault::MoreErrors, n, why);
    if s.l.blocks.iter().all(|b| b.replies == 0) {
        return WITHIN_DAYS
            .map(|n| blind(n, "no exchanges with the device"))
            .to_vec();
    }
    if open {
        return WITHIN_DAYS
            .map(|n| blind(n, "a rise of errors stands already"))
            .to_vec();
    }
    let own = cells(&s.l, &s.no_errors);
    WITHIN_DAYS
        .map(|n| number(&own, n).unwrap_or_else(|| blind(n, "record too short")))
        .to_vec()
}

fn log_term(k: f64, n: f64) -> f64 {
    if k > 0.0 && n > 0.0 {
        k * (k / n).ln()
    } else {
        0.0
    }
}

/// Pearson dispersion about the loop's own share, at least 1.
fn dispersion(own: &[Cell], share: f64) -> f64 {
    let (mut chi, mut dof) = (0.0, -1.0);
    for c in own {
        let mu = c.exchanges * share;
        if mu > 0.2 {
            chi += (c.errors - mu).powi(2) / mu;
            dof += 1.0;
        }
    }
    if dof > 2.0 { (chi / dof).max(1.0) } else { 1.0 }
}

/// `None` where the record is too short to tell.
fn number(own: &[Cell], days: u32) -> Option<Answer> {
    let (first, last) = (own.first()?.hour, own.last()?.hour);
    if own.len() < 8 {
        return None;
    }
    let have = ((last - first) / 24 + 1).max(1);
    let period = i64::from(days).min(have);
    let model: Vec<Cell> = own
        .iter()
        .filter(|c| c.hour > last - 24 * period)
        .copied()
        .collect();
    let (n0, k0) = own
        .iter()
        .fold((0.0, 0.0), |(n, k), c| (n + c.exchanges, k + c.errors));
    let times = f64::from(days) / period as f64;
    let n1 = times * model.iter().map(|c| c.exchanges).sum::<f64>();
    if !(n0 > 0.0 && n1 > 0.0) {
        return None;
    }
    let phi = dispersion(own, k0 / n0);
    let before = (k0 / n0).max(0.25 / n0);
    // Dispersion of the counts after the rise, and pooled as the detector does.
    let after_phi = |k1: f64| {
        let own_share = (before * n1 / k1).min(1.0);
        own_share * phi + (1.0 - own_share)
    };
    let (m0, m1) = (own.len() as f64, times * model.len() as f64);
    let pooled = |k1: f64| ((m0 * phi + m1 * after_phi(k1)) / (m0 + m1)).max(1.0);
    let believed = |k1: f64| {
        let phi = pooled(k1);
        let lr = 2.0 * (log_term(k1, n1) + log_term(k0, n0) - log_term(k1 + k0, n1 + n0));
        k1 / n1 > k0 / n0
            && lr / phi + SEARCH_GAIN >= accept_lr()
            && k1 / n1 >= MIN_RATIO * before
            && k1 >= MIN_ERRORS
    };
    let (mut low, mut high) = (0.0, n1);
    if !believed(high) {
        return Some(Answer::blind(
            Fault::MoreErrors,
            days,
            "too few exchanges for any rise to stand out",
        ));
    }
    for _ in 0..60 {
        let mid = 0.5 * (low + high);
        if believed(mid) {
            high = mid;
        } else {
            low = mid;
        }
    }
    // The mean whose 10 % quantile is that count.
    let phi = after_phi(high);
    let root = 0.5 * (Z90 * phi.sqrt() + (Z90 * Z90 * phi + 4.0 * high).sqrt());
    let share = root * root / n1;
    let found = (days == WITHIN_DAYS[0]).then(|| search_finds(own, &model, high / n1));
    match found {
        _ if share >= 1.0 => Some(Answer::blind(
            Fault::MoreErrors,
            days,
            "too few exchanges for any rise to stand out",
        )),
        Some(false) => Some(Answer::blind(
            Fault::MoreErrors,
            days,
            "the detectors did not find the added errors",
        )),
        found => Some(Answer::found(Fault::MoreErrors, days, share, found)),
    }
}

/// The detector's search over the record and a copy of its last days at `share`, a little above the boundary.
fn search_finds(own: &[Cell], model: &[Cell], share: f64) -> bool {
    let last = own.last().map_or(0, |c| c.hour);
    let first = model.first().map_or(last, |c| c.hour);
    let shift = last - first + 6;
    let mut both = own.to_vec();
    both.extend(model.iter().map(|c| Cell {
        hour: c.hour + shift,
        exchanges: c.exchanges,
        errors: 1.1 * share * c.exchanges,
    }));
    best_rise(&both).is_some_and(|r| {
        r.lr >= accept_lr() && r.after >= MIN_RATIO * r.before && r.errors_after >= MIN_ERRORS
    })
}

/// Likelihood ratio believed at the usual budget.
fn accept_lr() -> f64 {
    Limits::default().at(Test::Errors)
}
