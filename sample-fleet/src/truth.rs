//! What is really wrong in a simulated fleet, for scoring what was found.

use crate::FleetOptions;
use crate::device::seconds;
use crate::fault::{Effect, Fault};
use crate::fleet::{Fleet, SimLoop};
use crate::history::{Schedule, rfc3339};
use serde::Serialize;
use std::collections::BTreeMap;

/// Loss of current below this is not visible, % of span.
const VISIBLE_PCT: f64 = 0.1;

/// The truth file. Times are RFC 3339.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Truth {
    pub generator: String,
    pub profile: String,
    pub seed: u64,
    pub from: String,
    pub to: String,
    pub period_s: f64,
    pub days: u32,
    pub loops: usize,
    pub rows_written: u64,
    pub rows_unknown_tag: u64,
    pub rows_repeated: u64,
    pub readings: u64,
    pub faults: Vec<FaultTruth>,
    pub common_causes: Vec<CommonTruth>,
    pub benign: Vec<BenignTruth>,
    pub events: Vec<EventTruth>,
    pub redundancy_groups: BTreeMap<String, Vec<String>>,
}

/// One fault on one loop, in the contract's words.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FaultTruth {
    pub id: String,
    pub tag: String,
    pub kind: &'static str,
    pub cause: Option<&'static str>,
    pub signal: Option<&'static str>,
    pub onset: String,
    /// None = still so.
    pub end: Option<String>,
    pub profile: &'static str,
    pub magnitude: Option<f64>,
    pub magnitude_unit: Option<&'static str>,
    pub variant: &'static str,
    pub tolerance_pct: f64,
    pub criticality: &'static str,
    pub common: Option<String>,
    /// Mean of analog minus digital over the last 24 h of running, % of span.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub deviation_pct_end: Option<f64>,
    /// Largest effect of the fault in the record, with its sign, % of span.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub deviation_pct_worst: Option<f64>,
    pub reaches_tolerance_at: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reaches_tolerance_at_operating_point: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mechanism_onset: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub base_share: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub final_share: Option<f64>,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub current_lost: bool,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub undetectable: bool,
    pub during_shutdown: bool,
}

/// One common cause.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CommonTruth {
    pub id: String,
    pub scope: String,
    pub name: String,
    pub kind: &'static str,
    pub variant: &'static str,
    pub onset: String,
    pub tags: Vec<String>,
}

/// Something on one loop that is no fault.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BenignTruth {
    pub tag: String,
    pub what: String,
    pub from: String,
    pub to: String,
}

/// Something in many loops that is no fault.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EventTruth {
    pub scope: &'static str,
    pub name: String,
    pub what: String,
    pub from: String,
    pub to: String,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub tags: Vec<String>,
}

fn round(x: f64, digits: i32) -> f64 {
    let p = 10_f64.powi(digits);
    (x * p).round() / p
}

fn common_id(n: usize) -> String {
    format!("C{}", n + 1)
}

impl Truth {
    pub(crate) fn of(fleet: &Fleet, opt: &FleetOptions, schedule: Schedule, rows: u64) -> Self {
        let mut faults = Vec::new();
        let mut benign = Vec::new();
        let mut groups: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for l in &fleet.loops {
            if let Some(g) = &l.entry.redundancy_group {
                groups
                    .entry(g.clone())
                    .or_default()
                    .push(l.tag().to_owned());
            }
            let mut note = |what: &str, from: f64, to: f64| {
                benign.push(BenignTruth {
                    tag: l.tag().to_owned(),
                    what: what.to_owned(),
                    from: rfc3339(from),
                    to: rfc3339(to),
                });
            };
            if l.more_status {
                note("more-status-always", fleet.from_s, fleet.end_s);
            }
            for f in &l.faults {
                if f.effect == Effect::PlannedMaintenance {
                    note("planned-maintenance", f.onset_s, f.end_s);
                } else {
                    let id = format!("F{:03}", faults.len() + 1);
                    faults.push(fault_truth(id, fleet, l, f, schedule));
                }
            }
        }
        let common_causes = fleet
            .commons
            .iter()
            .enumerate()
            .map(|(n, c)| {
                let id = common_id(n);
                let members: Vec<(&SimLoop, f64)> = fleet
                    .loops
                    .iter()
                    .flat_map(|l| l.faults.iter().map(move |f| (l, f)))
                    .filter(|(_, f)| f.common == Some(n))
                    .map(|(l, f)| (l, f.onset_s))
                    .collect();
                let onset = members.iter().map(|m| m.1).fold(f64::INFINITY, f64::min);
                CommonTruth {
                    id,
                    scope: c.scope.clone(),
                    name: c.name.clone(),
                    kind: c.effect.naming().kind,
                    variant: c.effect.naming().variant,
                    onset: rfc3339(onset),
                    tags: members.iter().map(|m| m.0.tag().to_owned()).collect(),
                }
            })
            .collect();
        let events = fleet
            .events
            .iter()
            .map(|e| EventTruth {
                scope: e.scope,
                name: e.name.clone(),
                what: e.what.clone(),
                from: rfc3339(e.from_s),
                to: rfc3339(e.to_s),
                tags: fleet
                    .loops
                    .iter()
                    .filter(|l| {
                        e.what == "reboot" && l.entry.gateway.as_deref() == Some(e.name.as_str())
                    })
                    .map(|l| l.tag().to_owned())
                    .collect(),
            })
            .collect();
        Self {
            generator: "sample-fleet 1".to_owned(),
            profile: if opt.fault_free {
                "sable-point-healthy"
            } else {
                "sable-point"
            }
            .to_owned(),
            seed: opt.seed,
            from: rfc3339(fleet.from_s),
            to: rfc3339(fleet.end_s),
            period_s: opt.period_s,
            days: opt.days,
            loops: fleet.loops.len(),
            rows_written: rows,
            rows_unknown_tag: 0,
            rows_repeated: 0,
            readings: rows,
            faults,
            common_causes,
            benign,
            events,
            redundancy_groups: groups,
        }
    }
}

/// What a drift did to the record.
#[derive(Default)]
struct Effects {
    /// Mean of analog minus digital in the last 24 h of running, % of span.
    end: Option<f64>,
    /// Largest change by the fault, with its sign.
    worst: f64,
    first_visible_s: Option<f64>,
    /// Mean position in range, 0..1.
    position: f64,
}

fn effects(fleet: &Fleet, l: &SimLoop, f: &Fault, schedule: Schedule) -> Effects {
    let others: Vec<Fault> = l.faults.iter().filter(|o| *o != f).cloned().collect();
    let mut out = Effects::default();
    let (mut deviations, mut positions) = (Vec::new(), Vec::new());
    for t in schedule.polls(l, f.onset_s.max(fleet.from_s), f.end_s) {
        let t_s = seconds(t);
        let ma = fleet.arriving_ma(l, &l.faults, t_s);
        let without = fleet.arriving_ma(l, &others, t_s);
        let effect = (ma - without) / 0.16;
        if effect.abs() > out.worst.abs() {
            out.worst = effect;
        }
        if effect.abs() > VISIBLE_PCT && out.first_visible_s.is_none() {
            out.first_visible_s = Some(t_s);
        }
        if l.signal.running(t_s) >= 1.0 {
            let pv = f64::from(fleet.answer(l, &l.faults, t_s).pv);
            let registered = l.entry.range.registered_ma(pv);
            deviations.push((t_s, (ma - registered) / 0.16));
            positions.push((registered - 4.0) / 16.0);
        }
    }
    let mean = |v: &[f64]| (!v.is_empty()).then(|| v.iter().sum::<f64>() / v.len() as f64);
    let a_day = (86_400.0 / schedule.period_s) as usize;
    let last: Vec<f64> = deviations.iter().rev().take(a_day).map(|d| d.1).collect();
    out.end = mean(&last);
    out.position = mean(&positions).unwrap_or(0.5);
    out
}

fn fault_truth(
    id: String,
    fleet: &Fleet,
    l: &SimLoop,
    f: &Fault,
    schedule: Schedule,
) -> FaultTruth {
    let n = f.effect.naming();
    let mut out = FaultTruth {
        id,
        tag: l.tag().to_owned(),
        kind: n.kind,
        cause: n.cause,
        signal: n.signal,
        onset: rfc3339(f.onset_s),
        end: f.end_s.is_finite().then(|| rfc3339(f.end_s)),
        profile: n.profile,
        magnitude: n.unit.map(|_| round(f.magnitude, 4)),
        magnitude_unit: n.unit,
        variant: n.variant,
        tolerance_pct: l.entry.tolerance_pct,
        criticality: l.entry.criticality.as_str(),
        common: f.common.map(common_id),
        deviation_pct_end: None,
        deviation_pct_worst: None,
        reaches_tolerance_at: None,
        reaches_tolerance_at_operating_point: None,
        mechanism_onset: None,
        base_share: None,
        final_share: None,
        current_lost: f.effect == Effect::BrokenWire,
        undetectable: false,
        during_shutdown: false,
    };
    match f.effect {
        Effect::ErrorsStep | Effect::ErrorsRamp => {
            out.base_share = Some(round(l.failing, 4));
            out.final_share = Some(round(
                fleet.failing_share(l, &l.faults, fleet.end_s - 1.0),
                4,
            ));
        }
        Effect::ConfigurationChange => out.end = Some(out.onset.clone()),
        Effect::Restarts => {
            // Three cells of two hours in four have one.
            let hours = (f.end_s.min(fleet.end_s) - f.onset_s) / 3_600.0;
            out.magnitude = Some((hours / 2.0 * 0.75).round());
        }
        _ => {}
    }
    if n.kind == "analog-digital-drift" {
        let e = effects(fleet, l, f, schedule);
        out.deviation_pct_end = e.end.map(|x| round(x, 4));
        out.deviation_pct_worst = Some(round(e.worst, 4));
        let crossing = |size: f64| {
            let share = l.entry.tolerance_pct / size.abs();
            rfc3339(f.onset_s + share * (f.full_s - f.onset_s))
        };
        match f.effect {
            Effect::OffsetRamp => out.reaches_tolerance_at = Some(crossing(f.magnitude)),
            Effect::SpanRamp => {
                out.reaches_tolerance_at = Some(crossing(f.magnitude));
                out.reaches_tolerance_at_operating_point = Some(crossing(f.magnitude * e.position));
            }
            Effect::OffsetStep if f.magnitude.abs() >= l.entry.tolerance_pct => {
                out.reaches_tolerance_at = Some(out.onset.clone());
            }
            Effect::SupplySag => {
                out.mechanism_onset = Some(out.onset.clone());
                match e.first_visible_s {
                    Some(t_s) => out.onset = rfc3339(t_s),
                    None => out.undetectable = true,
                }
            }
            Effect::RainBursts | Effect::ContactBursts => match e.first_visible_s {
                Some(t_s) => out.onset = rfc3339(t_s),
                None => out.undetectable = true,
            },
            _ => {}
        }
    }
    out
}
