//! What is really wrong in a simulated fleet, for scoring what was found.

use crate::FleetOptions;
use crate::absent::Absent;
use crate::device::seconds;
use crate::fault::{Effect, Fault};
use crate::fleet::{Fleet, SimLoop};
use crate::history::{Schedule, Written, rfc3339};
use serde::Serialize;
use std::collections::BTreeMap;

/// Loss of current below this is not visible, % of span.
const VISIBLE_PCT: f64 = 0.1;
/// A drift that never was this large left no trace, % of span.
const TRACE_PCT: f64 = 0.02;

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
    /// The same two with the error that the loop had before the fault.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reaches_tolerance_with_standing_offset_at: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reaches_tolerance_with_standing_offset_at_operating_point: Option<String>,
    /// That error, % of span, at the operating point.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub standing_offset_pct: Option<f64>,
    /// The scale that is wrong is the host's.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub host_scale: bool,
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
    pub(crate) fn of(fleet: &Fleet, opt: &FleetOptions, schedule: Schedule, rows: Written) -> Self {
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
                if f.effect.is_fault() {
                    let id = format!("F{:03}", faults.len() + 1);
                    faults.push(fault_truth(id, fleet, l, f, schedule, &opt.without));
                } else {
                    note(f.effect.naming().kind, f.onset_s, f.end_s);
                }
            }
            // A start can take a flow or a pressure past its range for an hour.
            if l.signal.overshoot_pct > 0.0 {
                for &(_, to) in &l.signal.idle {
                    note("overrange", to, to + 3_600.0);
                }
            }
        }
        let common_causes = common_truths(fleet, &faults);
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
            profile: opt.profile.name().to_owned(),
            seed: opt.seed,
            from: rfc3339(fleet.from_s),
            to: rfc3339(fleet.end_s),
            period_s: opt.period_s,
            days: opt.days,
            loops: fleet.loops.len(),
            rows_written: rows.rows,
            rows_unknown_tag: rows.unknown,
            rows_repeated: rows.repeated,
            readings: rows.rows - rows.repeated - rows.unknown,
            faults,
            common_causes,
            benign,
            events,
            redundancy_groups: groups,
        }
    }
}

/// Common causes with the members on which they left a trace.
fn common_truths(fleet: &Fleet, faults: &[FaultTruth]) -> Vec<CommonTruth> {
    let with_members = fleet.commons.iter().enumerate().map(|(n, c)| {
        let id = common_id(n);
        let members: Vec<&FaultTruth> = faults
            .iter()
            .filter(|f| f.common.as_ref() == Some(&id) && !f.undetectable)
            .collect();
        // Times of one form: the order of texts is that of instants.
        let onset = members.iter().map(|f| f.onset.as_str()).min();
        CommonTruth {
            scope: c.scope.clone(),
            name: c.name.clone(),
            kind: c.effect.naming().kind,
            variant: c.effect.naming().variant,
            onset: onset.unwrap_or_default().to_owned(),
            tags: members.iter().map(|f| f.tag.clone()).collect(),
            id,
        }
    });
    with_members.filter(|c| c.tags.len() >= 3).collect()
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
    /// Mean of analog minus digital without the fault, % of span.
    standing: f64,
}

fn effects(fleet: &Fleet, l: &SimLoop, f: &Fault, schedule: Schedule) -> Effects {
    let others: Vec<Fault> = l.faults.iter().filter(|o| *o != f).cloned().collect();
    let mut out = Effects::default();
    let (mut deviations, mut positions, mut standing) = (Vec::new(), Vec::new(), Vec::new());
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
            let registered = l.range_at(t_s).registered_ma(pv);
            if registered.is_nan() {
                continue;
            }
            deviations.push((ma - registered) / 0.16);
            standing.push((without - registered) / 0.16);
            positions.push((registered - 4.0) / 16.0);
        }
    }
    let mean = |v: &[f64]| (!v.is_empty()).then(|| v.iter().sum::<f64>() / v.len() as f64);
    let a_day = (86_400.0 / schedule.period_s) as usize;
    out.end = mean(&deviations[deviations.len().saturating_sub(a_day)..]);
    out.position = mean(&positions).unwrap_or(0.5);
    out.standing = mean(&standing).unwrap_or(0.0);
    out
}

fn fault_truth(
    id: String,
    fleet: &Fleet,
    l: &SimLoop,
    f: &Fault,
    schedule: Schedule,
    without: &[Absent],
) -> FaultTruth {
    let mut n = f.effect.naming();
    if f.effect == Effect::FixedCurrent && without.contains(&Absent::ReportedMa) {
        // Without the device's word for its output nobody can tell who holds it (contract section 3).
        (n.kind, n.signal) = ("stuck-value", Some("analog"));
    }
    let mut out = FaultTruth {
        id,
        tag: l.tag().to_owned(),
        kind: n.kind,
        cause: n.cause,
        signal: n.signal,
        onset: rfc3339(f.onset_s),
        end: f.end_s.is_finite().then(|| rfc3339(f.end_s)),
        profile: if f.effect.grows() {
            f.growth.name()
        } else {
            n.profile
        },
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
        reaches_tolerance_with_standing_offset_at: None,
        reaches_tolerance_with_standing_offset_at_operating_point: None,
        standing_offset_pct: None,
        host_scale: f.effect == Effect::HostScaling,
        mechanism_onset: None,
        base_share: None,
        final_share: None,
        current_lost: f.effect == Effect::BrokenWire,
        undetectable: leaves_no_trace(f.effect, without),
        during_shutdown: l
            .signal
            .idle
            .iter()
            .any(|&(from, to)| f.onset_s >= from && f.onset_s < to),
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
        drift_truth(&mut out, l, f, &e);
    }
    out
}

/// Onset as it can be seen, and when the tolerance is reached: by the fault alone, and on top of the standing error.
fn drift_truth(out: &mut FaultTruth, l: &SimLoop, f: &Fault, e: &Effects) {
    // `standing` is the loop's error before, where the fault has the size `size` at its full growth.
    let crossing = |size: f64, standing: f64| {
        let room = l.entry.tolerance_pct - standing * size.signum();
        f.reaches_s(room / size.abs()).map(rfc3339)
    };
    let at_full_scale = l.zero_pct + 0.5 * l.gain_pct;
    let visible = |out: &mut FaultTruth| match e.first_visible_s {
        Some(t_s) => out.onset = rfc3339(t_s),
        None => out.undetectable = true,
    };
    match f.effect {
        Effect::OffsetRamp => {
            out.reaches_tolerance_at = crossing(f.magnitude, 0.0);
            out.reaches_tolerance_with_standing_offset_at = crossing(f.magnitude, e.standing);
            out.standing_offset_pct = Some(round(e.standing, 4));
        }
        Effect::SpanRamp => {
            let here = f.magnitude * e.position;
            out.reaches_tolerance_at = crossing(f.magnitude, 0.0);
            out.reaches_tolerance_at_operating_point = crossing(here, 0.0);
            out.reaches_tolerance_with_standing_offset_at = crossing(f.magnitude, at_full_scale);
            out.reaches_tolerance_with_standing_offset_at_operating_point =
                crossing(here, e.standing);
            out.standing_offset_pct = Some(round(e.standing, 4));
        }
        Effect::OffsetStep | Effect::SpanStep if f.magnitude.abs() >= l.entry.tolerance_pct => {
            out.reaches_tolerance_at = Some(out.onset.clone());
        }
        Effect::SupplySag => {
            out.mechanism_onset = Some(out.onset.clone());
            visible(out);
        }
        Effect::RainBursts | Effect::ContactBursts => visible(out),
        Effect::HostScaling => out.deviation_pct_worst = Some(round(f.magnitude, 4)),
        _ => {}
    }
    let worst = out.deviation_pct_worst.unwrap_or(0.0);
    out.undetectable |= worst.abs() < TRACE_PCT;
}

/// True where the columns that would show it are not written.
fn leaves_no_trace(effect: Effect, without: &[Absent]) -> bool {
    let kind = effect.naming().kind;
    let needs = match kind {
        "device-status" | "status-chatter" | "restarts" => Absent::Status,
        "configuration-change" => Absent::ConfigChanges,
        _ => return false,
    };
    without.contains(&needs)
}
