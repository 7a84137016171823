//! `[assessment]` and `[limits]` of `site.toml`: what a site sets of ranking, of the devices' own verdicts, and of what
//! the service may take of the machine.

use crate::state::Limits;
use analytics_assess::Settings;
use analytics_detect::{Budget, Ne107, StatusMap, Weights};
use ingest_store::LEAST_IMPORT_MEMORY;
use serde::Deserialize;
use std::collections::BTreeMap;

/// As written; everything has a default.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawAssessment {
    #[serde(default)]
    weights: RawWeights,
    /// False findings accepted in 1,000 loop-months of healthy running: moves every threshold.
    false_findings_per_1000_loop_months: Option<f64>,
    /// Faults expected in 1,000 loop-months: the prior of confidence.
    faults_per_1000_loop_months: Option<f64>,
    /// Status bit, by its name, to the NE 107 signal it raises, or `none`.
    #[serde(default)]
    ne107: BTreeMap<String, RawSignal>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawWeights {
    safety: Option<f64>,
    control: Option<f64>,
    indication: Option<f64>,
    ended: Option<f64>,
}

#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum RawSignal {
    Failure,
    FunctionCheck,
    OutOfSpecification,
    MaintenanceRequired,
    None,
}

impl RawAssessment {
    /// The checked settings, or what is wrong with them.
    pub fn settings(&self) -> Result<Settings, String> {
        let mut settings = Settings::default();
        settings.params.weights = self.weights.checked()?;
        let usual = Budget::default();
        settings.params.budget = Budget {
            false_per_1000: rate(
                "false_findings_per_1000_loop_months",
                self.false_findings_per_1000_loop_months,
                usual.false_per_1000,
            )?,
            faults_per_1000: rate(
                "faults_per_1000_loop_months",
                self.faults_per_1000_loop_months,
                usual.faults_per_1000,
            )?,
        };
        let mut status = StatusMap::default();
        for (name, signal) in &self.ne107 {
            let class = match signal {
                RawSignal::Failure => Some(Ne107::Failure),
                RawSignal::FunctionCheck => Some(Ne107::FunctionCheck),
                RawSignal::OutOfSpecification => Some(Ne107::OutOfSpecification),
                RawSignal::MaintenanceRequired => Some(Ne107::MaintenanceRequired),
                RawSignal::None => None,
            };
            status.set(name, class).map_err(|e| format!("ne107: {e}"))?;
        }
        settings.params.status = status;
        Ok(settings)
    }
}

/// A rate that thresholds and odds can be made of.
fn rate(name: &str, given: Option<f64>, usual: f64) -> Result<f64, String> {
    let v = given.unwrap_or(usual);
    if v.is_finite() && (1e-6..=1e9).contains(&v) {
        Ok(v)
    } else {
        Err(format!(
            "{name}: {v} is not between 0.000001 and 1000000000"
        ))
    }
}

impl RawWeights {
    fn checked(&self) -> Result<Weights, String> {
        let mut w = Weights::default();
        for (name, given, place) in [
            ("safety", self.safety, &mut w.safety),
            ("control", self.control, &mut w.control),
            ("indication", self.indication, &mut w.indication),
            ("ended", self.ended, &mut w.ended),
        ] {
            if let Some(v) = given {
                if !(0.0..=1.0).contains(&v) {
                    return Err(format!("weights.{name}: {v} is not between 0 and 1"));
                }
                *place = v;
            }
        }
        Ok(w)
    }
}

/// `[limits]` as written; everything has a default.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawLimits {
    requests: Option<usize>,
    long_answers: Option<usize>,
    waiting_answers: Option<usize>,
    event_streams: Option<usize>,
    points: Option<usize>,
    request_body: Option<String>,
    register_body: Option<String>,
    import_memory: Option<String>,
    assessment_memory: Option<String>,
}

impl RawLimits {
    /// The checked limits, or what is wrong with them.
    pub fn checked(&self) -> Result<Limits, String> {
        let mut l = Limits::default();
        for (name, given, least, most, place) in [
            ("requests", self.requests, 4, 100_000, &mut l.requests),
            (
                "long_answers",
                self.long_answers,
                1,
                1_000,
                &mut l.long_answers,
            ),
            (
                "waiting_answers",
                self.waiting_answers,
                1,
                100_000,
                &mut l.waiting,
            ),
            (
                "event_streams",
                self.event_streams,
                1,
                100_000,
                &mut l.streams,
            ),
            ("points", self.points, 1, 1_000_000, &mut l.points),
        ] {
            if let Some(v) = given {
                if !(least..=most).contains(&v) {
                    return Err(format!("{name}: {v} is not {least} to {most}"));
                }
                *place = v;
            }
        }
        let most = 1 << 40;
        for (name, given, least, most, place) in [
            (
                "request_body",
                &self.request_body,
                1 << 10,
                1 << 30,
                &mut l.request_body_bytes,
            ),
            (
                "register_body",
                &self.register_body,
                1 << 10,
                1 << 30,
                &mut l.register_body_bytes,
            ),
            (
                "import_memory",
                &self.import_memory,
                LEAST_IMPORT_MEMORY,
                most,
                &mut l.import_bytes,
            ),
            (
                "assessment_memory",
                &self.assessment_memory,
                1 << 20,
                most,
                &mut l.assessment_bytes,
            ),
        ] {
            if let Some(text) = given {
                let bytes = parse_size(text).map_err(|e| format!("{name}: {e}"))?;
                if !(least..=most).contains(&bytes) {
                    return Err(format!(
                        "{name}: `{text}` is not {} to {}",
                        size(least),
                        size(most)
                    ));
                }
                *place = bytes;
            }
        }
        Ok(l)
    }
}

/// Reads a size like `64K`, `256M`, `1G`: K, M and G are powers of 1024.
pub fn parse_size(text: &str) -> Result<u64, String> {
    let (number, shift) = match text.as_bytes().last() {
        Some(b'K' | b'k') => (text.get(..text.len() - 1), 10),
        Some(b'M' | b'm') => (text.get(..text.len() - 1), 20),
        Some(b'G' | b'g') => (text.get(..text.len() - 1), 30),
        _ => (Some(text), 0),
    };
    number
        .and_then(|n| n.parse::<u64>().ok())
        .and_then(|n| n.checked_mul(1 << shift))
        .ok_or_else(|| format!("`{text}` is not a size like 256M or 1G"))
}

/// A size as a person writes it.
pub(crate) fn size(bytes: u64) -> String {
    [(30, "G"), (20, "M"), (10, "K")]
        .into_iter()
        .find(|(shift, _)| bytes >> shift << shift == bytes && bytes >> shift > 0)
        .map_or_else(
            || bytes.to_string(),
            |(s, unit)| format!("{}{unit}", bytes >> s),
        )
}
