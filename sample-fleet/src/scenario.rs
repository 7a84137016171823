//! The scenario as written in `scenario/sable-point.toml`: areas, loops, wiring, physics, faults, events.

use crate::FleetError;
use crate::fault::{Effect, Growth};
use serde::Deserialize;

const SABLE_POINT: &str = include_str!("../scenario/sable-point.toml");

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Scenario {
    pub name: String,
    pub wiring: Wiring,
    pub physics: Physics,
    pub family: Vec<Family>,
    pub area: Vec<Area>,
    pub fault: Vec<FaultScript>,
    pub event: Vec<EventScript>,
    /// What comes again and again after the history's end.
    pub live: Vec<LiveScript>,
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

/// What sound devices, cards and clocks do all the time; units are in the names, sources in the file.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Physics {
    pub zero_pct: f64,
    pub gain_pct: f64,
    pub card_pct_per_k: f64,
    pub device_pct_per_k: f64,
    pub room_day_k: f64,
    pub room_weather_k: f64,
    pub outdoor_day_k: f64,
    pub outdoor_weather_k: f64,
    pub shutdown_room_k: f64,
    pub damp_leak_pct: f64,
    pub output_lag_s: f64,
    pub receiver_noise_ma: f64,
    pub startup_overshoot_pct: f64,
    pub startup_overshoot_share: f64,
    pub cleaning_every_h: f64,
    pub cleaning_min: f64,
    pub cycle_every_h: f64,
    pub cycle_min: f64,
    pub clock_drift_s_per_day: f64,
    pub clock_set_every_days: f64,
    pub failed_exchanges_share: f64,
    pub flutter_pct: Flutter,
}

/// Scatter of the process from second to second by the kind of signal, % of range.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Flutter {
    flow: f64,
    pressure: f64,
    differential: f64,
    level: f64,
    temperature: f64,
    analysis: f64,
    valve: f64,
}

impl Flutter {
    pub(crate) fn of(&self, like: Like) -> f64 {
        match like {
            Like::Flow | Like::Cycle => self.flow,
            Like::Pressure => self.pressure,
            Like::Differential => self.differential,
            Like::Level => self.level,
            Like::Temperature => self.temperature,
            Like::Analysis => self.analysis,
            Like::Valve => self.valve,
        }
    }
}

/// What the device's damping acts on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum DampingOn {
    #[default]
    Both,
    /// On the current alone: the digital value is raw, as in some older designs.
    Current,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Family {
    pub code: u16,
    pub universal: u8,
    pub revisions: Vec<u8>,
    #[serde(default)]
    pub more_status: bool,
    #[serde(default)]
    pub damping_on: DampingOn,
    /// 1 or 2: one filter, or two in a row of half the time each.
    #[serde(default = "one")]
    pub damping_order: u8,
}

fn one() -> u8 {
    1
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
    /// A flow that runs for a while every few hours and stands between: backwash, dosing.
    Cycle,
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
    /// Lost movement of the sensor when it turns round, % of range.
    #[serde(default)]
    pub backlash_pct: f64,
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
    /// Counted back from the end of the history, or `start`: there since the record began.
    pub onset: String,
    pub end: Option<String>,
    #[serde(default)]
    pub magnitude: f64,
    #[serde(default)]
    pub growth: Growth,
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
    /// The range before `from`, of a loop that was given another.
    pub former_range: Option<[f64; 2]>,
    /// Kelvin that a room is warmer.
    #[serde(default)]
    pub warmer_k: f64,
}

/// A gateway's restarts on the live side.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct LiveScript {
    pub what: LiveEvent,
    pub gateway: String,
    /// After the history's end, then every so often, for so long; minutes.
    pub first_min: f64,
    pub every_min: f64,
    pub lasts_min: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum LiveEvent {
    Reboot,
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
        let p = Scenario::sable_point().unwrap().physics;
        assert!(p.card_pct_per_k > 0.0 && p.clock_set_every_days > 0.0);
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
