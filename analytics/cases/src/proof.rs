//! How sure it is that a fault is gone after attendance, from what was watched since.
//!
//! A deviation is gone when the day means since then lie within the tolerance: two one-sided t tests (D. J. Schuirmann,
//! J. Pharmacokinet. Biopharm. 15, 657, 1987); the confidence is 1 minus the larger of the two tail probabilities. Days
//! count as independent, as everywhere in this program.
//!
//! What comes and goes, or is there all the time, is gone when it stayed away long against how often it came: were the
//! fault still there and memoryless (Poisson), staying away for T would have the probability exp(-T/tau), tau being the mean
//! interval between two occurrences, or the time that the detector needs to see it. The confidence is 1 minus that.

use crate::case::Case;
use analytics_detect::Kind;
use statrs::distribution::{ContinuousCDF, StudentsT};

/// What was seen of one loop since it was attended.
#[derive(Clone, Debug, PartialEq)]
pub struct Watched {
    /// Allowed deviation, % of span.
    pub tolerance_pct: f64,
    /// Hours that have replies or currents.
    pub hours: f64,
    /// Mean deviation of each full 24 h after the attendance, those without running left out, % of span.
    pub day_means_pct: Vec<f64>,
}

/// The answer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Proof {
    pub confidence: f64,
    pub watched_h: f64,
    pub deviation_pct: Option<f64>,
}

/// Day means scatter at least so much, % of span: an input card's steps.
const LEAST_SCATTER_PCT: f64 = 0.005;
/// Days that a scatter can be taken from.
const LEAST_DAYS: usize = 3;

/// Hours within which the detector usually sees a kind that is there all the time (common practice for this program's
/// detectors, chosen on the slow side).
pub(crate) fn usual_delay_h(kind: Kind) -> f64 {
    match kind {
        Kind::NoReply | Kind::CurrentOutOfRange | Kind::DeviceStatus => 2.0,
        Kind::FixedCurrent | Kind::RisingErrors => 8.0,
        Kind::ConfigurationChange | Kind::StatusChatter | Kind::Restarts => 24.0,
        Kind::StuckValue | Kind::NoiseChange | Kind::PeerDisagreement => 36.0,
        Kind::AnalogDigitalDrift => 48.0,
    }
}

/// Confidence that the mean of `days` lies within `±bound`; `None` with fewer than three days.
pub fn equivalence(days: &[f64], bound: f64) -> Option<(f64, f64)> {
    let days: Vec<f64> = days.iter().copied().filter(|d| d.is_finite()).collect();
    if days.len() < LEAST_DAYS || !(bound > 0.0) {
        return None;
    }
    let n = days.len() as f64;
    let mean = days.iter().sum::<f64>() / n;
    let squares: f64 = days.iter().map(|d| (d - mean).powi(2)).sum();
    let error = (squares / (n - 1.0)).sqrt().max(LEAST_SCATTER_PCT) / n.sqrt();
    let t = StudentsT::new(0.0, 1.0, n - 1.0).ok()?;
    let confidence = t
        .cdf((mean + bound) / error)
        .min(t.cdf((bound - mean) / error));
    Some((confidence, mean))
}

/// Confidence that what came every `interval_h` on average is gone after `hours` without it.
pub fn absence(hours: f64, interval_h: f64) -> f64 {
    if !(hours > 0.0) || !(interval_h > 0.0) {
        return 0.0;
    }
    1.0 - (-hours / interval_h).exp()
}

/// Mean interval between two occurrences of what the case shows, hours.
fn interval_h(case: &Case, kind: Kind) -> f64 {
    let usual = usual_delay_h(kind);
    let s = &case.sighting;
    match s.times {
        Some(times) if times >= 1.0 && s.kind == kind => {
            (s.to.seconds_since(s.onset) / 3600.0 / times).max(usual)
        }
        _ => usual,
    }
}

/// The proof for a case from all of its loops: the weakest of them stands. `None` without any.
pub fn prove(case: &Case, loops: &[Watched]) -> Option<Proof> {
    let mut proof: Option<Proof> = None;
    for w in loops {
        let mut one = Proof {
            confidence: 1.0,
            watched_h: w.hours,
            deviation_pct: None,
        };
        for kind in &case.kinds {
            // What comes in episodes is not in a day's mean.
            let steady = *kind == Kind::AnalogDigitalDrift
                && case.sighting.cause.as_deref() != Some("intermittent");
            let confidence = if steady {
                let (c, mean) = equivalence(&w.day_means_pct, w.tolerance_pct)
                    .map_or((0.0, None), |(c, m)| (c, Some(m)));
                one.deviation_pct = mean;
                c
            } else {
                absence(w.hours, interval_h(case, *kind))
            };
            one.confidence = one.confidence.min(confidence);
        }
        proof = Some(match proof {
            Some(p) => Proof {
                confidence: p.confidence.min(one.confidence),
                watched_h: p.watched_h.min(one.watched_h),
                deviation_pct: p
                    .deviation_pct
                    .into_iter()
                    .chain(one.deviation_pct)
                    .max_by(|a, b| a.abs().total_cmp(&b.abs())),
            },
            None => one,
        });
    }
    proof
}
