//! The whole assessment of a fleet: two passes, ranking, common causes, what could not be judged.

mod calm;
mod one_loop;
mod recent;
mod rows;

use crate::attention::Weights;
use crate::common;
use crate::context::{Context, ContextRows};
use crate::finding::{Assessment, AttentionRow, CommonCause, Explained, Kind, NotJudged};
use crate::history::{Draft, LoopRecord, LoopSource};
use crate::limits::{Budget, Limits};
use crate::skip::Work;
use crate::status::StatusMap;
use crate::{drift, errors, peers, unjudged};
use ingest_model::{LoopEntry, UtcMicros};
use one_loop::{announced, explained, loop_and_work, one_loop};
use rows::rows;

pub use calm::{LookBack, look_back};
pub use recent::{LOOK_BACK_H, Newest, with_recent};

/// Everything an assessment takes: pure input.
#[derive(Debug)]
pub struct Fleet<'a> {
    pub loops: Vec<LoopSource<'a>>,
    pub from: Option<UtcMicros>,
    /// Reference time: `--at`, the last reading, or the last attempt to collect.
    pub to: UtcMicros,
    pub work: Vec<Work>,
    pub readings: u64,
    pub rejected: u64,
}

/// Settings of an assessment.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Params {
    pub weights: Weights,
    pub status: StatusMap,
    /// False findings that are accepted, and the faults expected.
    pub budget: Budget,
}

/// Why a loop without rows is not judged.
const NO_READINGS: &str = "no readings";

/// Pass 1 for one loop.
#[derive(Debug, Clone, Default)]
struct LoopResult {
    drafts: Vec<Draft>,
    not_judged: Vec<(&'static str, String)>,
    /// Exposure and errors, for the group test.
    cells: Vec<errors::Cell>,
    /// Hourly residuals of the deviation, for the same.
    hours: Option<drift::shared::Residuals>,
    /// What announced work keeps from being a finding.
    explained: Vec<Explained>,
}

/// What passes 1 and 2 say of each loop of a fleet, in its order: findings before they are ranked.
#[derive(Debug, Clone, Default)]
pub struct Judged {
    loops: Vec<LoopResult>,
}

pub fn assess(fleet: &Fleet<'_>, params: &Params) -> Assessment {
    concluded(fleet, judged(fleet, params), params)
}

/// Passes 1 and 2.
pub fn judged(fleet: &Fleet<'_>, params: &Params) -> Judged {
    let limits = Limits::new(params.budget);
    let ctx = Context::join(&on_all_cores(&fleet.loops, &|l| ContextRows::of(l)));
    let mut results: Vec<LoopResult> = on_all_cores(&fleet.loops, &|l| {
        loop_and_work(l, &ctx, fleet, params, &limits)
    });
    for (i, d) in peers::detect(&fleet.loops, fleet.to, &limits) {
        if !results[i].drafts.iter().any(|o| hides_peer(o, &d)) {
            take(fleet, i, &mut results[i], d);
        }
    }
    for (i, why) in unjudged::peers(&fleet.loops) {
        results[i]
            .not_judged
            .push((Kind::PeerDisagreement.as_str(), why.to_owned()));
    }
    group_bursts(fleet, &mut results, &limits);
    group_errors(fleet, &mut results, &limits);
    Judged { loops: results }
}

/// Confidence, order, common causes, words. Of the fleet's loops only the register entries are looked at.
pub fn concluded(fleet: &Fleet<'_>, judged: Judged, params: &Params) -> Assessment {
    let limits = Limits::new(params.budget);
    let mut results = judged.loops;
    for d in results.iter_mut().flat_map(|r| &mut r.drafts) {
        weigh(d, &limits);
    }
    let (mut rows, mut common_causes) = ranked(fleet, &results, params);
    if one_form(fleet, &mut results, &common_causes, &limits) {
        (rows, common_causes) = ranked(fleet, &results, params);
    }
    for c in &common_causes {
        for r in rows.iter_mut().filter(|r| c.tags.contains(&r.tag)) {
            for f in r.findings.iter_mut().filter(|f| f.kind == c.kind) {
                f.common_cause = Some(c.id.clone());
            }
            r.common_cause = r.findings.first().and_then(|f| f.common_cause.clone());
        }
    }
    let mut not_judged: Vec<NotJudged> = fleet
        .loops
        .iter()
        .zip(&results)
        .flat_map(|(l, r)| {
            r.not_judged.iter().map(|(what, why)| NotJudged {
                tag: l.entry.tag.clone(),
                what,
                why: why.clone(),
            })
        })
        .collect();
    not_judged.sort();
    let mut explained_by_work: Vec<Explained> = results
        .iter_mut()
        .flat_map(|r| std::mem::take(&mut r.explained))
        .collect();
    explained_by_work.sort_by(|a, b| (&a.tag, a.onset, a.kind).cmp(&(&b.tag, b.onset, b.kind)));
    Assessment {
        from: fleet.from,
        to: fleet.from.map(|_| fleet.to),
        loops: fleet.loops.len(),
        readings: fleet.readings,
        rejected: fleet.rejected,
        attention: rows,
        common_causes,
        not_judged,
        explained_by_work,
    }
}

/// Rows in order of attention, and what they have in common.
fn ranked(
    fleet: &Fleet<'_>,
    results: &[LoopResult],
    params: &Params,
) -> (Vec<AttentionRow>, Vec<CommonCause>) {
    let rows = rows(fleet, results, params);
    let entries: Vec<&LoopEntry> = fleet.loops.iter().map(|l| l.entry).collect();
    let record_us = fleet
        .from
        .map_or(0.0, |from| (fleet.to.0 - from.0).max(0) as f64);
    let common_causes = common::search(&entries, &common::signs(&rows), record_us);
    (rows, common_causes)
}

/// Loops whose drift has one cause drift in one form; true if a finding changed its cause by that.
fn one_form(
    fleet: &Fleet<'_>,
    results: &mut [LoopResult],
    causes: &[CommonCause],
    limits: &Limits,
) -> bool {
    let mut changed = false;
    for c in causes.iter().filter(|c| c.kind == Kind::AnalogDigitalDrift) {
        let mut together: Vec<&mut Draft> = fleet
            .loops
            .iter()
            .zip(results.iter_mut())
            .filter(|(l, _)| c.tags.contains(&l.entry.tag))
            .flat_map(|(_, r)| &mut r.drafts)
            .filter(|d| d.kind == Kind::AnalogDigitalDrift)
            .collect();
        if drift::cause::agree(&mut together) {
            changed = true;
            together.into_iter().for_each(|d| weigh(d, limits));
        }
    }
    changed
}

/// Pass 1 for one loop alone: what its own detectors say (companions and groups are not asked).
pub fn judge(l: &LoopRecord<'_>, ctx: &Context, fleet: &Fleet<'_>, params: &Params) -> Vec<Draft> {
    one_loop(l, ctx, fleet, params, &Limits::new(params.budget)).drafts
}

/// Loops are independent in pass 1: shared out over threads, each unpacked, worked on and dropped, results put
/// together in register order.
fn on_all_cores<T: Send>(
    loops: &[LoopSource<'_>],
    work: &(dyn Fn(&LoopRecord<'_>) -> T + Sync),
) -> Vec<T> {
    shared_out(loops.len(), &|i| {
        let entry = loops[i].entry;
        let blocks = &loops[i].load();
        work(&LoopRecord { entry, blocks })
    })
}

/// What `work` makes of each of the numbers below `n`, in their order, shared out over threads.
fn shared_out<T: Send>(n: usize, work: &(dyn Fn(usize) -> T + Sync)) -> Vec<T> {
    let threads = std::thread::available_parallelism()
        .map_or(1, usize::from)
        .min(8);
    let chunk = n.div_ceil(threads).max(1);
    std::thread::scope(|s| {
        let handles: Vec<_> = (0..n)
            .step_by(chunk)
            .map(|first| {
                let part = first..n.min(first + chunk);
                s.spawn(move || part.map(work).collect::<Vec<_>>())
            })
            .collect();
        handles
            .into_iter()
            .flat_map(|h| h.join().unwrap_or_else(|e| std::panic::resume_unwind(e)))
            .collect()
    })
}

/// A departure from companions that another finding on the loop already explains.
fn hides_peer(o: &Draft, peer: &Draft) -> bool {
    let explains = matches!(
        o.kind,
        Kind::StuckValue | Kind::FixedCurrent | Kind::CurrentOutOfRange | Kind::NoReply
    ) || (o.kind == Kind::AnalogDigitalDrift && o.cause == Some("scaling"));
    explains && o.onset_low <= peer.onset_high && o.ended.is_none_or(|e| e >= peer.onset_low)
}

/// Confidence from the statistic; it and its threshold stand in the evidence.
fn weigh(d: &mut Draft, limits: &Limits) {
    if let Some((test, statistic)) = d.judged {
        d.confidence = limits.confidence(test, statistic);
        for (name, v) in [("statistic", statistic), ("threshold", limits.at(test))] {
            if v.is_finite() {
                d.evidence.insert(name, crate::Evidence::Number(v));
            }
        }
        d.evidence
            .insert("test", crate::Evidence::Text(test.tail().name.to_owned()));
    }
}

/// A draft of the second pass: a finding, or explained by work.
fn take(fleet: &Fleet<'_>, i: usize, out: &mut LoopResult, d: Draft) {
    let entry = fleet.loops[i].entry;
    match announced(fleet, &entry.tag, &d) {
        Some(w) => out.explained.push(explained(entry, &d, w.from, w.to)),
        None => out.drafts.push(d),
    }
}

/// Episodes that loops of one box or card have at the same hours, too weak on each alone.
fn group_bursts(fleet: &Fleet<'_>, results: &mut [LoopResult], limits: &Limits) {
    let hours: Vec<Option<drift::shared::Residuals>> =
        results.iter_mut().map(|r| r.hours.take()).collect();
    for (i, d) in drift::shared::detect(&fleet.loops, &hours, fleet.to, limits) {
        let known = |o: &Draft| o.kind == Kind::AnalogDigitalDrift;
        if !results[i].drafts.iter().any(known) {
            take(fleet, i, &mut results[i], d);
        }
    }
}

/// Rising errors of a group: a member with weak evidence of its own follows the group's factor or none.
fn group_errors(fleet: &Fleet<'_>, results: &mut [LoopResult], limits: &Limits) {
    let cells: Vec<Vec<errors::Cell>> = results
        .iter_mut()
        .map(|r| std::mem::take(&mut r.cells))
        .collect();
    for (i, d) in errors::groups(&fleet.loops, &cells, fleet.to, limits) {
        if !results[i]
            .drafts
            .iter()
            .any(|o| o.kind == Kind::RisingErrors)
        {
            take(fleet, i, &mut results[i], d);
        }
    }
}
