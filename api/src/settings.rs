//! `[assessment]` of `site.toml`: what a site sets of ranking and of the devices' own verdicts.

use analytics_assess::Settings;
use analytics_detect::{Budget, Ne107, StatusMap, Weights};
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

#[cfg(test)]
mod tests {
    use super::RawAssessment;

    fn parse(text: &str) -> Result<analytics_assess::Settings, String> {
        toml::from_str::<RawAssessment>(text)
            .map_err(|e| e.message().to_owned())?
            .settings()
    }

    #[test]
    fn given_values_stand_and_the_rest_is_default() {
        let s = parse("weights = { control = 0.5 }\nne107 = { more-status-available = \"maintenance-required\", loop-current-saturated = \"none\" }").unwrap();
        assert_eq!(
            (s.params.weights.control, s.params.weights.safety),
            (0.5, 1.0)
        );
        assert_ne!(s.params.status, analytics_detect::StatusMap::default());
        assert_eq!(
            parse("").unwrap().params.weights,
            analytics_detect::Weights::default()
        );
    }

    #[test]
    fn the_budget_moves_the_thresholds() {
        use analytics_detect::{Limits, Test};
        let at = |text: &str| Limits::new(parse(text).unwrap().params.budget);
        let usual = at("");
        assert_eq!(usual, Limits::default());
        let strict = at("false_findings_per_1000_loop_months = 0.1");
        let loose = at("false_findings_per_1000_loop_months = 10");
        for t in Test::ALL {
            assert!(
                strict.at(t) > usual.at(t) && usual.at(t) > loose.at(t),
                "{t:?}"
            );
        }
        let rare = at("faults_per_1000_loop_months = 2");
        let s = usual.at(Test::DriftLasting);
        assert!(rare.confidence(Test::DriftLasting, s) < usual.confidence(Test::DriftLasting, s));
    }

    #[test]
    fn wrong_values_say_what_to_do() {
        for (text, says) in [
            (
                "weights = { control = 2.0 }",
                "weights.control: 2 is not between 0 and 1",
            ),
            (
                "false_findings_per_1000_loop_months = 0",
                "false_findings_per_1000_loop_months: 0 is not between",
            ),
            ("weights = { contrl = 1.0 }", "unknown field `contrl`"),
            (
                "ne107 = { loop-current = \"failure\" }",
                "no status bit that can be mapped; there are primary-variable-out-of-limits",
            ),
            (
                "ne107 = { cold-start = \"failure\" }",
                "no status bit that can be mapped",
            ),
            (
                "ne107 = { device-malfunction = \"red\" }",
                "unknown variant `red`",
            ),
        ] {
            let said = parse(text).unwrap_err();
            assert!(said.contains(says), "{said}");
        }
    }
}
