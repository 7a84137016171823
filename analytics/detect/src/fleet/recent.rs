//! What the newest hours add to an older assessment: facts that a reading states by itself.
//!
//! The statistics of a growing record are made now and then. In between a loop's newest hours alone are looked at for what
//! needs no history: no reply, a current at a failure level, a status bit, a changed configuration. A finding that the
//! statistics know goes on or ends; one that they could not know yet is added; nothing is taken back.

use super::calm::{CALM_GAP_US, LookBack};
use super::{Fleet, Judged, LoopResult, Params, shared_out, take};
use crate::context::{Context, hours_of};
use crate::finding::Kind;
use crate::history::{Draft, LoopRecord, LoopSource};
use crate::limits::{Limits, Test};
use crate::skip::{windows_of, windows_on};
use crate::{rails, silence, status, unjudged};
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};

/// Hours before `since` that [`with_recent`] wants to see: eight polls without reply, an hour apart, and some.
pub const LOOK_BACK_H: i64 = 12;

/// Kinds that are facts of the newest hours.
const FACTS: [Kind; 4] = [
    Kind::NoReply,
    Kind::CurrentOutOfRange,
    Kind::DeviceStatus,
    Kind::ConfigurationChange,
];

/// The newest rows, and what the loops showed before them: all in the fleet's order.
#[derive(Debug)]
pub struct Newest<'a> {
    pub before: &'a [LookBack],
    pub loops: Vec<LoopSource<'a>>,
}

/// `settled`, made of the rows before `since`, with what the loops of `fleet` show from [`LOOK_BACK_H`] hours before it to
/// `fleet.to`. Both have the same loops in the same order. With `newest` loops that were and are calm are not looked at
/// again; the result is the same.
pub fn with_recent(
    fleet: &Fleet<'_>,
    newest: Option<&Newest<'_>>,
    settled: &Judged,
    since: UtcMicros,
    params: &Params,
) -> Judged {
    let limits = Limits::new(params.budget);
    // Where less counts as silence than what ends calm, calm is no answer.
    let gap = CALM_GAP_US as f64 / silence::MIN_GAP_US as f64;
    let newest = newest.filter(|_| !limits.pass(Test::NoReply, gap));
    let first_look = shared_out(fleet.loops.len(), &|i| {
        if let Some((before, fresh)) = newest.and_then(|n| n.before.get(i).zip(n.loops.get(i)))
            && let Some(calm) = before.calm
        {
            let blocks = fresh.load();
            let lasts = calm.goes_on(&blocks).is_some_and(|c| c.lasts_to(fleet.to));
            let mut hours = before.hours.clone();
            hours.extend(hours_of(&blocks));
            return (lasts && has_readings(&settled.loops[i]), hours);
        }
        (false, hours_of(&fleet.loops[i].load()))
    });
    let hours = first_look.iter().map(|(_, hours)| hours.as_slice());
    let ctx = Context::of_gateways(fleet.loops.iter().map(|l| l.entry).zip(hours));
    let seen = shared_out(fleet.loops.len(), &|i| {
        let (calm, _) = first_look[i];
        if calm {
            return Seen::default();
        }
        let entry = fleet.loops[i].entry;
        let blocks = &fleet.loops[i].load();
        let l = &LoopRecord { entry, blocks };
        Seen {
            facts: facts(l, &ctx, fleet, params, &limits),
            extent: (!l.blocks.is_empty()).then(|| unjudged::by_extent(l)),
        }
    });
    let mut loops = settled.loops.clone();
    for (i, (out, seen)) in loops.iter_mut().zip(seen).enumerate() {
        first_rows(out, seen.extent);
        for fact in seen.facts {
            if !goes_on(&mut out.drafts, &fact, fleet.to) && is_news(&out.drafts, &fact, since) {
                take(fleet, i, out, fact);
            }
        }
    }
    Judged { loops }
}

/// What the newest hours of one loop show.
#[derive(Default)]
struct Seen {
    facts: Vec<Draft>,
    /// What cannot be judged from them alone; `None` without rows.
    extent: Option<Vec<(&'static str, &'static str)>>,
}

fn facts(
    l: &LoopRecord<'_>,
    ctx: &Context,
    fleet: &Fleet<'_>,
    params: &Params,
    limits: &Limits,
) -> Vec<Draft> {
    let to = fleet.to;
    if l.blocks.is_empty() {
        return Vec::new();
    }
    let work = windows_on(&l.entry.tag, &fleet.work);
    let mut out = silence::detect_at(l, ctx, to, limits);
    out.extend(rails::detect_at(l, to, limits));
    let rail_windows = windows_of(&out, &[Kind::CurrentOutOfRange], to);
    let said = status::detect_at(l, to, &rail_windows, &work, &params.status, limits);
    out.extend(said);
    out.retain(|d| FACTS.contains(&d.kind));
    out.sort_by_key(|d| (d.onset, d.kind));
    out
}

/// A loop whose first rows are newer than the statistics is not without readings.
fn first_rows(out: &mut LoopResult, extent: Option<Vec<(&'static str, &'static str)>>) {
    let Some(extent) = extent else { return };
    if !has_readings(out) {
        out.not_judged = extent
            .into_iter()
            .map(|(what, why)| (what, why.to_owned()))
            .collect();
    }
}

fn has_readings(of: &LoopResult) -> bool {
    !of.not_judged
        .iter()
        .any(|(_, why)| why == super::NO_READINGS)
}

/// Whether `fact` is one that is known; if so it is told as it stands now.
fn goes_on(known: &mut [Draft], fact: &Draft, to: UtcMicros) -> bool {
    let end = |d: &Draft| d.ended.unwrap_or(to);
    let same = known.iter_mut().rev().find(|d| {
        (d.kind, d.cause, d.signal) == (fact.kind, fact.cause, fact.signal)
            && d.onset_low <= end(fact)
            && fact.onset_low <= end(d)
    });
    let Some(known) = same else { return false };
    if known.onset == fact.onset {
        *known = fact.clone();
    } else if known.ended.is_none() || fact.ended.is_none() {
        // Of one that began long ago the newest hours know no more than whether it lasts.
        known.ended = fact.ended;
    }
    true
}

/// Whether the statistics could not know `fact` yet. They saw what had ended before, and what began where the newest hours
/// begin was there before.
fn is_news(known: &[Draft], fact: &Draft, since: UtcMicros) -> bool {
    let edge = since.0 - (LOOK_BACK_H - 1) * MICROS_PER_HOUR;
    let chatters = fact.kind == Kind::DeviceStatus
        && known
            .iter()
            .any(|d| d.kind == Kind::StatusChatter && d.ended.is_none());
    // Whether a process is saturated now and then by habit, only its history tells.
    let habit = fact.cause.is_some_and(|c| c.starts_with("saturated"));
    fact.onset.0 >= edge && fact.ended.is_none_or(|e| e >= since) && !chatters && !habit
}
