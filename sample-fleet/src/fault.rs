//! What can be wrong with a simulated loop, and what the contract calls it.

use serde::Deserialize;

/// How a fault acts. Names are those of the scenario file and of the control port.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Effect {
    OffsetRamp,
    OffsetStep,
    SpanRamp,
    Scaling,
    SupplySag,
    RainBursts,
    ContactBursts,
    StuckDigital,
    StuckAnalog,
    StuckBoth,
    ErrorsStep,
    ErrorsRamp,
    NoReply,
    BrokenWire,
    SaturatedHigh,
    FailureLow,
    FailureHigh,
    FixedCurrent,
    NoiseCollapse,
    NoiseRise,
    StatusMaintenance,
    StatusFailure,
    StatusOutOfSpecification,
    Chatter,
    Restarts,
    ConfigurationChange,
    PeerDeparture,
    /// Announced work: 20 minutes of fixed current, one configuration change. No fault.
    PlannedMaintenance,
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

impl Effect {
    /// The names that the truth file uses.
    pub(crate) fn naming(self) -> Naming {
        const DRIFT: &str = "analog-digital-drift";
        const END: &str = "% of span at the record's end";
        let n = |kind, cause, signal, variant, profile, unit| Naming {
            kind,
            cause,
            signal,
            variant,
            profile,
            unit,
        };
        match self {
            Self::OffsetRamp => n(
                DRIFT,
                Some("offset"),
                None,
                "offset-ramp",
                "linear",
                Some(END),
            ),
            Self::OffsetStep => n(
                DRIFT,
                Some("offset"),
                None,
                "offset-step",
                "step",
                Some(END),
            ),
            Self::SpanRamp => n(
                DRIFT,
                Some("span"),
                None,
                "span-ramp",
                "linear",
                Some("% of span at the record's end, at full scale"),
            ),
            Self::Scaling => n(
                DRIFT,
                Some("scaling"),
                None,
                "scaling",
                "step",
                Some("% change of the device's span against the register"),
            ),
            Self::SupplySag => n(
                DRIFT,
                Some("supply-limited"),
                None,
                "supply",
                "falling-ceiling",
                Some("mA of ceiling lost by the record's end"),
            ),
            Self::RainBursts => n(
                DRIFT,
                Some("intermittent"),
                None,
                "rain-bursts",
                "bursts",
                Some("% of span within bursts"),
            ),
            Self::ContactBursts => n(
                DRIFT,
                Some("intermittent"),
                None,
                "contact-bursts",
                "bursts",
                Some("% of span within bursts"),
            ),
            Self::StuckDigital => n(
                "stuck-value",
                None,
                Some("digital"),
                "stuck-digital",
                "step",
                None,
            ),
            Self::StuckAnalog => n(
                "stuck-value",
                None,
                Some("analog"),
                "stuck-analog",
                "step",
                None,
            ),
            Self::StuckBoth => n(
                "stuck-value",
                None,
                Some("both"),
                "stuck-both",
                "step",
                None,
            ),
            Self::ErrorsStep => n(
                "rising-errors",
                None,
                None,
                "errors-step",
                "step",
                Some("times the base error share"),
            ),
            Self::ErrorsRamp => n(
                "rising-errors",
                None,
                None,
                "errors-ramp",
                "linear",
                Some("times the base error share"),
            ),
            Self::NoReply => n("no-reply", None, None, "no-reply", "step", None),
            Self::BrokenWire => n("no-reply", None, None, "broken-wire", "step", None),
            Self::SaturatedHigh => n(
                "current-out-of-range",
                Some("saturated-high"),
                None,
                "sat-high",
                "step",
                None,
            ),
            Self::FailureLow => n(
                "current-out-of-range",
                Some("failure-low"),
                None,
                "fail-low",
                "step",
                Some("mA"),
            ),
            Self::FailureHigh => n(
                "current-out-of-range",
                Some("failure-high"),
                None,
                "fail-high",
                "step",
                Some("mA"),
            ),
            Self::FixedCurrent => n("fixed-current", None, None, "fixed", "step", Some("mA")),
            Self::NoiseCollapse => n(
                "noise-change",
                Some("collapse"),
                None,
                "noise-collapse",
                "gradual",
                Some("times the former scatter"),
            ),
            Self::NoiseRise => n(
                "noise-change",
                Some("rise"),
                None,
                "noise-rise",
                "step",
                Some("times the former scatter"),
            ),
            Self::StatusMaintenance => n(
                "device-status",
                Some("maintenance-required"),
                None,
                "status-more-maint",
                "step",
                None,
            ),
            Self::StatusFailure => n(
                "device-status",
                Some("failure"),
                None,
                "status-malfunction",
                "step",
                None,
            ),
            Self::StatusOutOfSpecification => n(
                "device-status",
                Some("out-of-specification"),
                None,
                "status-nonpv-limits",
                "step",
                None,
            ),
            Self::Chatter => n("status-chatter", None, None, "chatter", "step", None),
            Self::Restarts => n(
                "restarts",
                None,
                None,
                "restarts",
                "step",
                Some("cold starts"),
            ),
            Self::ConfigurationChange => {
                n("configuration-change", None, None, "config", "step", None)
            }
            Self::PeerDeparture => n(
                "peer-disagreement",
                None,
                None,
                "peer",
                "step",
                Some("% of span away from the group, at the record's end"),
            ),
            Self::PlannedMaintenance => {
                n("planned-maintenance", None, None, "planned", "step", None)
            }
        }
    }

    /// True when the effect moves the configuration counter by one at its onset.
    pub(crate) fn changes_configuration(self) -> bool {
        matches!(
            self,
            Self::ConfigurationChange | Self::PlannedMaintenance | Self::Scaling
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

/// One fault on one loop. Times are seconds since 1970.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Fault {
    pub effect: Effect,
    pub onset_s: f64,
    /// Infinity = still so.
    pub end_s: f64,
    pub magnitude: f64,
    /// When a ramp has grown to its magnitude (it grows on at the same rate).
    pub full_s: f64,
    /// Index of the common cause this belongs to.
    pub common: Option<usize>,
}

impl Fault {
    pub(crate) fn active(&self, t_s: f64) -> bool {
        t_s >= self.onset_s && t_s < self.end_s
    }

    /// 0 at the onset, 1 at `full_s`, growing on.
    pub(crate) fn grown(&self, t_s: f64) -> f64 {
        ((t_s - self.onset_s) / (self.full_s - self.onset_s).max(1.0)).max(0.0)
    }
}
