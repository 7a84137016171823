//! What can be wrong with a simulated loop, and what the contract calls it.

use serde::{Deserialize, Serialize};

/// How a fault acts. Names are those of the scenario files and of the control port.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Effect {
    OffsetRamp,
    OffsetStep,
    SpanRamp,
    SpanStep,
    /// The device has another range than the register; the configuration counter moves at the onset.
    Scaling,
    /// The control system scales the current otherwise than the device does: visible in the register alone.
    HostScaling,
    SupplySag,
    RainBursts,
    ContactBursts,
    StuckDigital,
    /// As before, but the device goes on to report its current.
    StuckPv,
    StuckAnalog,
    StuckBoth,
    ErrorsStep,
    ErrorsRamp,
    NoReply,
    BrokenWire,
    SaturatedLow,
    SaturatedHigh,
    FailureLow,
    FailureHigh,
    FixedCurrent,
    NoiseCollapse,
    NoiseRise,
    StatusMaintenance,
    StatusFailure,
    StatusFunctionCheck,
    StatusOutOfSpecification,
    Chatter,
    Restarts,
    ConfigurationChange,
    PeerDeparture,
    PeerRamp,
    /// Announced work: 20 minutes of fixed current, one configuration change. No fault.
    PlannedMaintenance,
    /// An announced new range that the register follows. No fault.
    Reranged,
    /// The process runs past its range for a while. No fault.
    Overrange,
    /// One cold start. No fault.
    PowerCycle,
}

/// What an effect is in the contract's words.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Naming {
    pub kind: &'static str,
    pub cause: Option<&'static str>,
    pub signal: Option<&'static str>,
    pub variant: &'static str,
    pub profile: &'static str,
    pub unit: Option<&'static str>,
}

const DRIFT: &str = "analog-digital-drift";
const STUCK: &str = "stuck-value";
const RANGE: &str = "current-out-of-range";
const STATUS: &str = "device-status";
const END_PCT: &str = "% of span at the record's end";

impl Effect {
    /// The names that the truth file uses. A ramp's profile is that of its growth instead.
    #[rustfmt::skip]
    pub(crate) fn naming(self) -> Naming {
        let n = |kind, cause, signal, variant, profile, unit| Naming { kind, cause, signal, variant, profile, unit };
        let drift = |cause, variant, profile, unit| n(DRIFT, Some(cause), None, variant, profile, Some(unit));
        let stuck = |signal, variant| n(STUCK, None, Some(signal), variant, "step", None);
        let out = |cause, variant, unit| n(RANGE, Some(cause), None, variant, "step", unit);
        let status = |cause, variant| n(STATUS, Some(cause), None, variant, "step", None);
        let plain = |kind, variant, profile, unit| n(kind, None, None, variant, profile, unit);
        const FULL_PCT: &str = "% of span at the record's end, at full scale";
        const BURST_PCT: &str = "% of span within bursts, at most";
        const TIMES_SCATTER: Option<&str> = Some("times the former scatter");
        const TIMES_ERRORS: Option<&str> = Some("times the base error share");
        match self {
            Self::OffsetRamp => drift("offset", "offset-ramp", "linear", END_PCT),
            Self::OffsetStep => drift("offset", "offset-step", "step", END_PCT),
            Self::SpanRamp => drift("span", "span-ramp", "linear", FULL_PCT),
            Self::SpanStep => drift("span", "span-step", "step", FULL_PCT),
            Self::Scaling => drift("scaling", "scaling", "step", "% change of the device's span against the register"),
            Self::HostScaling => drift("scaling", "host-scaling", "step", "% change of the host's span against the register"),
            Self::SupplySag => drift("supply-limited", "supply", "falling-ceiling", "mA of ceiling lost by the record's end"),
            Self::RainBursts => drift("intermittent", "rain-bursts", "bursts", BURST_PCT),
            Self::ContactBursts => drift("intermittent", "contact-bursts", "bursts", BURST_PCT),
            Self::StuckDigital => stuck("digital", "stuck-digital"),
            Self::StuckPv => stuck("digital", "stuck-pv"),
            Self::StuckAnalog => stuck("analog", "stuck-analog"),
            Self::StuckBoth => stuck("both", "stuck-both"),
            Self::ErrorsStep => plain("rising-errors", "errors-step", "step", TIMES_ERRORS),
            Self::ErrorsRamp => plain("rising-errors", "errors-ramp", "linear", TIMES_ERRORS),
            Self::NoReply => plain("no-reply", "no-reply", "step", None),
            Self::BrokenWire => plain("no-reply", "broken-wire", "step", None),
            Self::SaturatedLow => out("saturated-low", "sat-low", None),
            Self::SaturatedHigh => out("saturated-high", "sat-high", None),
            Self::FailureLow => out("failure-low", "fail-low", Some("mA")),
            Self::FailureHigh => out("failure-high", "fail-high", Some("mA")),
            Self::FixedCurrent => plain("fixed-current", "fixed", "step", Some("mA")),
            Self::NoiseCollapse => n("noise-change", Some("collapse"), None, "noise-collapse", "gradual", TIMES_SCATTER),
            Self::NoiseRise => n("noise-change", Some("rise"), None, "noise-rise", "step", TIMES_SCATTER),
            Self::StatusMaintenance => status("maintenance-required", "status-more-maint"),
            Self::StatusFailure => status("failure", "status-malfunction"),
            Self::StatusFunctionCheck => status("function-check", "status-check"),
            Self::StatusOutOfSpecification => status("out-of-specification", "status-nonpv-limits"),
            Self::Chatter => plain("status-chatter", "chatter", "step", None),
            Self::Restarts => plain("restarts", "restarts", "step", Some("cold starts")),
            Self::ConfigurationChange => plain("configuration-change", "config", "step", None),
            Self::PeerDeparture => plain("peer-disagreement", "peer", "step", Some("% of span away from the group")),
            Self::PeerRamp => plain("peer-disagreement", "peer-ramp", "linear", Some("% of span away from the group, at the record's end")),
            Self::PlannedMaintenance => plain("planned-maintenance", "planned", "step", None),
            Self::Reranged => plain("planned-maintenance", "re-ranged", "step", None),
            Self::Overrange => plain("overrange", "overrange", "step", None),
            Self::PowerCycle => plain("cold-start-once", "power-cycle", "step", None),
        }
    }

    /// False for what is no fault; [`Naming::kind`] is then the truth file's word for it.
    pub(crate) fn is_fault(self) -> bool {
        !matches!(
            self,
            Self::PlannedMaintenance | Self::Reranged | Self::Overrange | Self::PowerCycle
        )
    }

    /// True when it grows, as [`Growth`] says.
    pub(crate) fn grows(self) -> bool {
        matches!(
            self,
            Self::OffsetRamp | Self::SpanRamp | Self::ErrorsRamp | Self::PeerRamp
        )
    }

    /// True when the effect moves the configuration counter by one at its onset.
    pub(crate) fn changes_configuration(self) -> bool {
        matches!(
            self,
            Self::ConfigurationChange | Self::PlannedMaintenance | Self::Scaling | Self::Reranged
        )
    }

    /// What `POST /break` takes, with the magnitude used.
    pub(crate) fn from_control(name: &str) -> Option<(Self, f64)> {
        Some(match name {
            "broken-wire" => (Self::BrokenWire, 0.0),
            "stuck-digital" => (Self::StuckDigital, 0.0),
            "stuck-analog" => (Self::StuckAnalog, 0.0),
            "no-reply" => (Self::NoReply, 0.0),
            "failure-high" => (Self::FailureHigh, 21.8),
            "failure-low" => (Self::FailureLow, 3.55),
            "offset" => (Self::OffsetStep, 2.0),
            _ => return None,
        })
    }
}

/// How a ramp grows from 0 at its onset to 1 at the history's end, and on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Growth {
    #[default]
    Linear,
    /// With the square root of time: diffusion, moisture creeping in.
    Root,
    /// With the square of time: corrosion that feeds itself.
    Accelerating,
    /// Towards a limit, 95 % of it at the history's end.
    Saturating,
    /// Nothing for days, then in one day a fifth: seven stairs.
    Stairs,
}

impl Growth {
    const STAIRS: f64 = 7.0;

    /// The truth file's `profile`.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Linear => "linear",
            Self::Root => "root",
            Self::Accelerating => "accelerating",
            Self::Saturating => "saturating",
            Self::Stairs => "stairs",
        }
    }

    fn at(self, x: f64) -> f64 {
        match self {
            Self::Linear => x,
            Self::Root => x.sqrt(),
            Self::Accelerating => x * x,
            Self::Saturating => (1.0 - (-3.0 * x).exp()) / (1.0 - (-3.0_f64).exp()),
            Self::Stairs => {
                let y = x * Self::STAIRS;
                (y.floor() + ((y.fract() - 0.5) * 2.0).max(0.0)) / Self::STAIRS
            }
        }
    }

    /// Where it has grown to `y`; `None` = never.
    fn reaches(self, y: f64) -> Option<f64> {
        match self {
            Self::Linear => Some(y),
            Self::Root => Some(y * y),
            Self::Accelerating => Some(y.sqrt()),
            Self::Saturating => {
                let left = 1.0 - y * (1.0 - (-3.0_f64).exp());
                (left > 0.0).then(|| -left.ln() / 3.0)
            }
            Self::Stairs => {
                let s = y * Self::STAIRS;
                // The flat part comes first, so a full stair is reached at its own end.
                let stair = (s.ceil() - 1.0).max(0.0);
                Some((stair + 0.5 + 0.5 * (s - stair)) / Self::STAIRS)
            }
        }
    }
}

/// One fault on one loop. Times are seconds since 1970.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Fault {
    pub effect: Effect,
    pub onset_s: f64,
    /// Infinity = still so.
    pub end_s: f64,
    pub magnitude: f64,
    pub growth: Growth,
    /// When a ramp has grown to its magnitude (it grows on in the same way).
    pub full_s: f64,
    /// Index of the common cause this belongs to.
    pub common: Option<usize>,
}

impl Fault {
    /// From `onset_s` on, without end, on this loop alone.
    pub(crate) fn new(effect: Effect, onset_s: f64, magnitude: f64) -> Self {
        Self {
            effect,
            onset_s,
            end_s: f64::INFINITY,
            magnitude,
            growth: Growth::Linear,
            full_s: onset_s,
            common: None,
        }
    }

    pub(crate) fn active(&self, t_s: f64) -> bool {
        t_s >= self.onset_s && t_s < self.end_s
    }

    /// 0 at the onset, 1 at `full_s`, growing on.
    pub(crate) fn grown(&self, t_s: f64) -> f64 {
        let x = (t_s - self.onset_s) / (self.full_s - self.onset_s).max(1.0);
        self.growth.at(x.max(0.0))
    }

    /// When a ramp has grown to a share of its magnitude; `None` = never.
    pub(crate) fn reaches_s(&self, share: f64) -> Option<f64> {
        if share <= 0.0 {
            return Some(self.onset_s);
        }
        let x = self.growth.reaches(share)?;
        Some(self.onset_s + x * (self.full_s - self.onset_s))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn growth_and_its_inverse() {
        for growth in [
            Growth::Linear,
            Growth::Root,
            Growth::Accelerating,
            Growth::Saturating,
            Growth::Stairs,
        ] {
            assert!(growth.at(0.0).abs() < 1e-12 && (growth.at(1.0) - 1.0).abs() < 1e-12);
            for y in [0.05, 0.2, 0.5, 0.77, 0.99] {
                let x = growth.reaches(y).unwrap();
                assert!((growth.at(x) - y).abs() < 1e-9, "{growth:?} {y} {x}");
            }
        }
        // A limit of 1.052 times the end is never passed.
        assert!(Growth::Saturating.reaches(1.06).is_none());
        assert!(Growth::Linear.reaches(3.0).is_some());
    }
}
