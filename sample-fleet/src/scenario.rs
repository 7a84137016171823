//! The scenario as written in `scenario/sable-point.toml`: areas, loops, wiring, faults, events.

use crate::FleetError;
use crate::fault::Effect;
use serde::Deserialize;

const SABLE_POINT: &str = include_str!("../scenario/sable-point.toml");

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Scenario {
    pub name: String,
    pub wiring: Wiring,
    pub family: Vec<Family>,
    pub area: Vec<Area>,
    pub fault: Vec<FaultScript>,
    pub event: Vec<EventScript>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Wiring {
    pub gateways: usize,
    /// Modems a gateway.
    pub modems: usize,
    pub junction_boxes: usize,
    pub supplies: Vec<String>,
    pub card_channels: usize,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Family {
    pub code: u16,
    pub universal: u8,
    pub revisions: Vec<u8>,
    #[serde(default)]
    pub more_status: bool,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Area {
    pub name: String,
    pub number: u32,
    pub loops: Vec<Template>,
}

/// How a signal moves (`plant.rs`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Like {
    Flow,
    Pressure,
    Differential,
    Level,
    Temperature,
    Analysis,
    Valve,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Template {
    /// Letters of the tag (ISA-5.1).
    pub is: String,
    pub count: u32,
    #[serde(default)]
    pub of_three: bool,
    pub service: String,
    pub unit: String,
    /// PV at 4 mA and at 20 mA.
    pub range: [f64; 2],
    #[serde(default)]
    pub transfer: Option<String>,
    pub like: Like,
    /// % of range.
    pub centre: f64,
    pub swing: f64,
    pub damping_s: f64,
    #[serde(default = "half")]
    pub tolerance_pct: f64,
    #[serde(default = "indication")]
    pub criticality: String,
    pub family: u16,
    /// So many devices share one pair with their current parked; 0 = point to point.
    #[serde(default)]
    pub multidrop: u32,
}

fn half() -> f64 {
    0.5
}

fn indication() -> String {
    "indication".into()
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FaultScript {
    pub effect: Effect,
    pub tag: Option<String>,
    pub group: Option<Group>,
    /// Counted back from the end of the history.
    pub onset: String,
    pub end: Option<String>,
    #[serde(default)]
    pub magnitude: f64,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Group {
    pub scope: String,
    pub name: String,
    pub members: usize,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct EventScript {
    pub what: String,
    pub area: Option<String>,
    pub gateway: Option<String>,
    pub tag: Option<String>,
    pub from: String,
    pub to: String,
}

impl Scenario {
    /// The built-in scenario.
    pub(crate) fn sable_point() -> Result<Self, FleetError> {
        toml::from_str(SABLE_POINT).map_err(|e| FleetError::Scenario {
            reason: e.to_string(),
        })
    }
}

/// Seconds of a time counted back from the end, like `-2d12h` or `-40m`; negative or 0.
pub(crate) fn before_end_s(text: &str) -> Result<f64, FleetError> {
    let bad = || FleetError::Scenario {
        reason: format!("`{text}` is not a time before the end (like -2d12h)"),
    };
    let mut rest = text.strip_prefix('-').ok_or_else(bad)?;
    let mut total = 0.0;
    while !rest.is_empty() {
        let digits = rest
            .find(|c: char| !c.is_ascii_digit())
            .filter(|&n| n > 0)
            .ok_or_else(bad)?;
        let (number, tail) = rest.split_at(digits);
        let n: f64 = number.parse().map_err(|_| bad())?;
        let unit = match tail.chars().next() {
            Some('d') => 86_400.0,
            Some('h') => 3_600.0,
            Some('m') => 60.0,
            _ => return Err(bad()),
        };
        total += n * unit;
        rest = &tail[1..];
    }
    Ok(-total)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_before_the_end() {
        assert_eq!(before_end_s("-2d12h").unwrap(), -216_000.0);
        assert_eq!(before_end_s("-40m").unwrap(), -2_400.0);
        for bad in ["2d", "-", "-d", "-3x", "-3", "-1d-2h"] {
            assert!(bad == "-" || before_end_s(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn scenario_reads_and_counts() {
        let s = Scenario::sable_point().unwrap();
        let n: u32 = s
            .area
            .iter()
            .flat_map(|a| &a.loops)
            .map(|t| t.count * if t.of_three { 3 } else { 1 })
            .sum();
        assert_eq!(n, 240);
        assert_eq!(s.area.len(), 7);
    }
}
