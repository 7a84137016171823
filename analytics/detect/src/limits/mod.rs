//! Thresholds of all detectors from one budget of false findings, and what a finding's statistic is worth.
//!
//! A site sets how many false findings it accepts in 1,000 loop-months of healthy running. Each test gets a share of
//! that budget; its threshold is where the pooled statistics of healthy running (`tails`) exceed it just that often:
//!
//! `threshold = from + scale * ln(exceedances of from / (share * budget))`
//!
//! (peaks over a threshold with an exponential tail; Pickands 1975). The reciprocal, `1000 / (share * budget)`, is the
//! test's in-control run length in loop-months. So one number moves every threshold to the same side.
//!
//! Confidence is the posterior chance that the finding is real: prior odds (faults per 1,000 loop-months, a setting)
//! times the density of the statistic under faults over its density in healthy running.

mod tails;

use crate::history::Draft;
pub use tails::{HEALTHY_MONTHS, TAILS, TAILS_VERSION, Tail};

/// A test whose statistic is held against a threshold. What stands as a fact in the record (a step of the configuration
/// counter, two scales in the register) needs none.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[repr(usize)]
pub enum Test {
    DriftLasting,
    DriftEnded,
    DriftStanding,
    Bursts,
    Episodes,
    BurstsOfGroup,
    Ceiling,
    ReportedRange,
    Errors,
    ErrorsOfGroup,
    Noise,
    StuckWitnessed,
    StuckAlone,
    NoReply,
    RailFailure,
    RailSaturated,
    StatusHeld,
    Chatter,
    Restarts,
    Peers,
}

impl Test {
    pub const ALL: [Test; 20] = [
        Test::DriftLasting,
        Test::DriftEnded,
        Test::DriftStanding,
        Test::Bursts,
        Test::Episodes,
        Test::BurstsOfGroup,
        Test::Ceiling,
        Test::ReportedRange,
        Test::Errors,
        Test::ErrorsOfGroup,
        Test::Noise,
        Test::StuckWitnessed,
        Test::StuckAlone,
        Test::NoReply,
        Test::RailFailure,
        Test::RailSaturated,
        Test::StatusHeld,
        Test::Chatter,
        Test::Restarts,
        Test::Peers,
    ];

    pub fn tail(self) -> &'static Tail {
        &TAILS[self as usize]
    }
}

/// What a site sets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Budget {
    /// False findings accepted in 1,000 loop-months of healthy running, over all detectors.
    pub false_per_1000: f64,
    /// Faults expected in 1,000 loop-months: the prior of confidence.
    pub faults_per_1000: f64,
}

impl Default for Budget {
    fn default() -> Self {
        // 20 in 1,000 loop-months: one fault on a loop in four years (common practice, from memory).
        Self {
            false_per_1000: 1.0,
            faults_per_1000: 20.0,
        }
    }
}

/// Thresholds at one budget.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    budget: Budget,
    at: [f64; Test::ALL.len()],
}

impl Default for Limits {
    fn default() -> Self {
        Self::new(Budget::default())
    }
}

impl Limits {
    pub fn new(budget: Budget) -> Self {
        Self {
            budget,
            at: Test::ALL.map(|t| t.tail().threshold(budget.false_per_1000)),
        }
    }

    pub fn budget(&self) -> Budget {
        self.budget
    }

    pub fn at(&self, test: Test) -> f64 {
        self.at[test as usize]
    }

    /// Is the statistic believed at this budget? NaN is not.
    pub fn pass(&self, test: Test, statistic: f64) -> bool {
        statistic >= self.at(test)
    }

    /// How far beyond its threshold, in powers of e of false findings: comparable between tests.
    pub fn margin(&self, test: Test, statistic: f64) -> f64 {
        (statistic - self.at(test)) / test.tail().scale
    }

    /// The same of a draft; 0 where it states a fact.
    pub fn margin_of(&self, d: &Draft) -> f64 {
        d.judged.map_or(0.0, |(t, s)| self.margin(t, s))
    }

    /// Posterior chance that a finding of this statistic is a fault.
    pub fn confidence(&self, test: Test, statistic: f64) -> f64 {
        test.tail()
            .confidence(statistic, self.budget.faults_per_1000)
    }
}

impl Tail {
    /// Where healthy running exceeds the statistic `share * false_per_1000` times in 1,000 loop-months; never below the
    /// level down to which the tail is known.
    pub fn threshold(&self, false_per_1000: f64) -> f64 {
        let accepted = self.share * false_per_1000;
        (self.from + self.scale * (self.per_1000 / accepted).ln()).max(self.from)
    }

    /// False findings in 1,000 loop-months at and beyond the statistic.
    pub fn false_per_1000(&self, statistic: f64) -> f64 {
        self.per_1000 * (-(statistic - self.from) / self.scale).exp()
    }

    /// Loop-months between false findings at and beyond the statistic.
    pub fn run_length_months(&self, statistic: f64) -> f64 {
        1000.0 / self.false_per_1000(statistic)
    }

    /// Posterior chance of a fault: densities of the statistic under faults (log-normal) and in healthy running.
    pub fn confidence(&self, statistic: f64, faults_per_1000: f64) -> f64 {
        if !(statistic > 0.0) {
            return 0.0;
        }
        // Beyond the middle of real faults a larger statistic is no less a fault: the density is held there.
        let z = ((statistic.ln() - self.fault_log_mean) / self.fault_log_sd).min(0.0);
        let real = (-0.5 * z * z).exp()
            / (self.fault_log_sd * (2.0 * std::f64::consts::PI).sqrt())
            / statistic.min(self.fault_log_mean.exp())
            * faults_per_1000
            * self.fault_share;
        let chance = self.false_per_1000(statistic) / self.scale;
        (real / (real + chance)).clamp(0.001, 0.9999)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stricter_budget_raises_every_threshold_and_a_looser_one_lowers_it() {
        let at = |b: f64| {
            Limits::new(Budget {
                false_per_1000: b,
                ..Budget::default()
            })
        };
        let (strict, usual, loose) = (at(0.1), at(1.0), at(10.0));
        for t in Test::ALL {
            assert!(strict.at(t) > usual.at(t), "{t:?}");
            assert!(usual.at(t) > loose.at(t), "{t:?}");
        }
    }

    #[test]
    fn the_shares_make_up_the_budget() {
        let all: f64 = TAILS.iter().map(|t| t.share).sum();
        assert!((all - 1.0).abs() < 1e-9, "{all}");
        let faults: f64 = TAILS.iter().map(|t| t.fault_share).sum();
        assert!((faults - 1.0).abs() < 1e-6, "{faults}");
    }

    #[test]
    fn run_lengths_follow_from_the_shares() {
        for t in Test::ALL {
            let tail = t.tail();
            let months = tail.run_length_months(tail.threshold(1.0));
            assert!((months * tail.share / 1000.0 - 1.0).abs() < 1e-9, "{t:?}");
        }
    }

    #[test]
    fn confidence_grows_with_the_statistic_and_with_the_prior() {
        let limits = Limits::default();
        for t in Test::ALL {
            let c: Vec<f64> = (0..40)
                .map(|i| limits.confidence(t, limits.at(t) * (1.0 + 0.05 * f64::from(i))))
                .collect();
            assert!(c.windows(2).all(|w| w[1] >= w[0]), "{t:?} {c:?}");
            let s = limits.at(t);
            assert!(
                t.tail().confidence(s, 100.0) > t.tail().confidence(s, 5.0),
                "{t:?}"
            );
        }
    }

    #[test]
    fn nothing_is_no_evidence() {
        let l = Limits::default();
        assert!(!l.pass(Test::Noise, f64::NAN));
        assert_eq!(l.confidence(Test::Noise, f64::NAN), 0.0);
    }
}
