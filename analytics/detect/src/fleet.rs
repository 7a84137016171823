//! The whole assessment of a fleet: two passes, ranking, common causes, what could not be judged.

use crate::attention::{Weights, score, terms};
use crate::common;
use crate::context::{Context, ContextRows};
use crate::finding::{Assessment, AttentionRow, CommonCause, Explained, Finding, Kind, NotJudged};
use crate::history::{Draft, LoopRecord, LoopSource, Window};
use crate::limits::{Budget, Limits};
use crate::skip::{self, Work, windows_of};
use crate::status::StatusMap;
use crate::{
    drift, errors, hart_only, noise, peers, rails, silence, status, stuck, unjudged, words,
};
use ingest_model::{LoopEntry, Tag, UtcMicros};
use std::collections::BTreeMap;

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

/// Pass 1 for one loop.
#[derive(Debug, Default)]
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

pub fn assess(fleet: &Fleet<'_>, params: &Params) -> Assessment {
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
    let threads = std::thread::available_parallelism()
        .map_or(1, usize::from)
        .min(8);
    let chunk = loops.len().div_ceil(threads).max(1);
    std::thread::scope(|s| {
        let handles: Vec<_> = loops
            .chunks(chunk)
            .map(|part| {
                s.spawn(move || {
                    part.iter()
                        .map(|l| {
                            work(&LoopRecord {
                                entry: l.entry,
                                blocks: &l.load(),
                            })
                        })
                        .collect::<Vec<_>>()
                })
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

/// The work within which a draft began and ended (announced to about ten minutes).
fn announced<'a>(fleet: &'a Fleet<'_>, tag: &Tag, d: &Draft) -> Option<&'a Work> {
    let end = d.ended.unwrap_or(fleet.to);
    fleet.work.iter().find(|w| {
        w.tag.as_ref().is_none_or(|t| t == tag)
            && w.from.0 - 600_000_000 <= d.onset.0
            && end.0 <= w.to.0 + 600_000_000
    })
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

fn explained(l: &LoopEntry, d: &Draft, work_from: UtcMicros, work_to: UtcMicros) -> Explained {
    Explained {
        tag: l.tag.clone(),
        kind: d.kind,
        cause: d.cause,
        onset: d.onset,
        ended: d.ended,
        summary: words::summary(d, l),
        work_from,
        work_to,
    }
}

/// Pass 1 with what work hides: a loop with announcements is judged once more as if there were none.
fn loop_and_work(
    l: &LoopRecord<'_>,
    ctx: &Context,
    fleet: &Fleet<'_>,
    params: &Params,
    limits: &Limits,
) -> LoopResult {
    let mut out = one_loop(l, ctx, fleet, params, limits);
    let Some((first, last)) = l.blocks.first().zip(l.blocks.last()) else {
        return out;
    };
    let mine: Vec<&Work> = fleet
        .work
        .iter()
        .filter(|w| w.tag.as_ref().is_none_or(|t| *t == l.entry.tag))
        .filter(|w| w.from.0 <= last.last_row && first.first_row <= w.to.0)
        .collect();
    if !mine.is_empty() {
        let unannounced = Fleet {
            loops: vec![],
            work: vec![],
            ..*fleet
        };
        let without = one_loop(l, ctx, &unannounced, params, limits);
        out.explained = skip::explained(&without.drafts, &out.drafts, &mine, fleet.to)
            .into_iter()
            .map(|(d, from, to)| explained(l.entry, d, from, to))
            .collect();
    }
    out
}

fn one_loop(
    l: &LoopRecord<'_>,
    ctx: &Context,
    fleet: &Fleet<'_>,
    params: &Params,
    limits: &Limits,
) -> LoopResult {
    let mut out = LoopResult::default();
    let to = fleet.to;
    if l.blocks.is_empty() {
        out.not_judged.push(("all", "no readings".to_owned()));
        return out;
    }
    let short = unjudged::by_extent(l);
    let nothing = short.iter().any(|(what, _)| *what == "all");
    out.not_judged
        .extend(short.into_iter().map(|(what, why)| (what, why.to_owned())));
    if nothing {
        return out;
    }
    if !l.entry.confirmed {
        out.not_judged
            .push(("analog-digital-drift", "range not confirmed".to_owned()));
    }
    let work: Vec<Window> = fleet
        .work
        .iter()
        .filter(|w| w.tag.as_ref().is_none_or(|t| *t == l.entry.tag))
        .map(|w| Window {
            from: w.from.0,
            to: w.to.0,
        })
        .collect();
    out.drafts.extend(silence::detect_at(l, ctx, to, limits));
    out.drafts.extend(rails::detect_at(l, to, limits));
    let lost = windows_of(&out.drafts, &[Kind::NoReply, Kind::CurrentOutOfRange], to);
    let rail_windows = windows_of(&out.drafts, &[Kind::CurrentOutOfRange], to);
    let mut skip = work.clone();
    skip.extend(&rail_windows);
    out.drafts
        .extend(stuck::detect_at(l, ctx, to, &skip, limits));
    if hart_only::applies(l) {
        out.drafts.extend(hart_only::fixed_current(l, to, &skip));
        out.not_judged.push(hart_only::not_judged());
    }
    let held = windows_of(&out.drafts, &[Kind::StuckValue, Kind::FixedCurrent], to);
    let said = status::detect_at(l, to, &rail_windows, &work, &params.status, limits);
    out.drafts.extend(said);
    let mut no_drift = work.clone();
    no_drift.extend(lost.iter().chain(&held));
    if l.entry.confirmed {
        let o = drift::detect_at(l, ctx, to, &no_drift, limits);
        out.drafts.extend(o.drafts);
        out.hours = o
            .hours
            .as_ref()
            .and_then(|h| drift::shared::Residuals::of(l.entry, h));
        if let Some(d) = drift::scaling::host_scale(l) {
            out.drafts.push(d);
        }
        if let Some(why) = o.not_judged {
            out.not_judged
                .push(("analog-digital-drift", why.to_owned()));
        }
    }
    // A current at its ceiling stands still without being stuck; where it is met first is dated to half a day at best.
    const BEFORE_US: i64 = 15 * 3_600_000_000;
    let ceiling: Vec<Window> = windows_of(
        &out.drafts
            .iter()
            .filter(|d| d.cause == Some("supply-limited"))
            .cloned()
            .collect::<Vec<_>>(),
        &[Kind::AnalogDigitalDrift],
        to,
    );
    out.drafts.retain(|d| {
        d.kind != Kind::StuckValue
            || d.signal != Some(crate::Signal::Analog)
            || !ceiling
                .iter()
                .any(|w| w.from - BEFORE_US <= d.onset.0 && d.onset.0 <= w.to)
    });
    fold_into_episodes(&mut out.drafts);
    let mut no_errors = work.clone();
    no_errors.extend(windows_of(
        &out.drafts,
        &[Kind::NoReply, Kind::Restarts],
        to,
    ));
    out.drafts
        .extend(errors::detect_at(l, to, &no_errors, limits));
    out.cells = errors::cells(
        l,
        &windows_of(&out.drafts, &[Kind::NoReply, Kind::Restarts], to),
    );
    let quiet = noise::detect_at(l, ctx, to, &no_drift, limits);
    // Episodes, a supply at its ceiling and chattering contacts change the scatter themselves.
    let explained = out.drafts.iter().any(|d| {
        d.kind == Kind::AnalogDigitalDrift
            && matches!(d.cause, Some("supply-limited" | "scaling" | "intermittent"))
    });
    if !explained {
        out.drafts.extend(quiet.draft);
    }
    if let Some(why) = quiet.not_judged {
        out.not_judged.push(("noise-change", why.to_owned()));
    }
    never_moved(l, &mut out);
    // What announced work explains is no finding.
    out.drafts
        .retain(|d| announced(fleet, &l.entry.tag, d).is_none());
    out
}

/// An episode that pulls the current down at the bottom of the range passes a level of NE 43 for a while: the same
/// event, not another fault. One that lasts, or that began before the episodes, stands.
fn fold_into_episodes(drafts: &mut Vec<Draft>) {
    const BRIEF_US: i64 = 6 * 3_600_000_000;
    let episodes: Vec<(i64, f64)> = drafts
        .iter()
        .filter(|d| d.cause == Some("intermittent"))
        .filter_map(|d| match d.evidence.get("episode_pct") {
            Some(crate::Evidence::Number(size)) => Some((d.onset_low.0, *size)),
            _ => None,
        })
        .collect();
    drafts.retain(|d| {
        let brief = d.ended.is_some_and(|e| e.0 - d.onset.0 <= BRIEF_US);
        let low = d.cause.is_some_and(|c| c.ends_with("-low"));
        !(d.kind == Kind::CurrentOutOfRange
            && brief
            && episodes
                .iter()
                .any(|(onset, size)| *onset <= d.onset.0 && (*size < 0.0) == low))
    });
}

/// A loop that never moved gives no evidence: its silence is no health.
fn never_moved(l: &LoopRecord<'_>, out: &mut LoopResult) {
    if l.entry.multidrop || l.blocks.len() < 24 {
        return;
    }
    let range = |get: fn(&crate::block::HourBlock) -> &crate::block::Moments| {
        let lo = l
            .blocks
            .iter()
            .map(|b| get(b).min)
            .fold(f64::INFINITY, f64::min);
        let hi = l
            .blocks
            .iter()
            .map(|b| get(b).max)
            .fold(f64::NEG_INFINITY, f64::max);
        if hi > lo { hi - lo } else { 0.0 }
    };
    let (d, m) = (range(|b| &b.d), range(|b| &b.m));
    if d.max(m) < 0.2 {
        out.not_judged
            .push(("stuck-value", "never moved".to_owned()));
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

fn finding(l: &LoopEntry, d: &Draft) -> Finding {
    let what = d.cause.or(d.signal.map(|s| s.as_str())).unwrap_or("-");
    Finding {
        id: format!(
            "{}:{}:{}:{}",
            l.tag,
            d.kind.as_str(),
            what,
            d.onset.date_string()
        ),
        kind: d.kind,
        cause: d.cause,
        signal: d.signal,
        onset: d.onset,
        onset_low: d.onset_low.min(d.onset),
        onset_high: d.onset_high.max(d.onset),
        ended: d.ended,
        deviation_pct: d.deviation_pct.filter(|v| v.is_finite()),
        rate_pct_per_day: d.rate_pct_per_day.filter(|v| v.is_finite()),
        reaches_tolerance_at: d.reaches.map(|r| r.0),
        reaches_tolerance_low: d.reaches.map(|r| r.1),
        reaches_tolerance_high: d.reaches.map(|r| r.2),
        confidence: d.confidence,
        ne107: d.ne107,
        common_cause: None,
        summary: words::summary(d, l),
        evidence: d.evidence.clone(),
        checks: words::checks(d, l),
        cautions: words::cautions(d, l),
    }
}

fn rows(fleet: &Fleet<'_>, results: &[LoopResult], params: &Params) -> Vec<AttentionRow> {
    let mut rows: Vec<AttentionRow> = Vec::new();
    for (l, r) in fleet.loops.iter().zip(results) {
        if r.drafts.is_empty() {
            continue;
        }
        let mut scored: Vec<(f64, crate::finding::AttentionTerms, Finding)> = r
            .drafts
            .iter()
            .map(|d| {
                let f = finding(l.entry, d);
                let t = terms(
                    &f,
                    l.entry.criticality,
                    l.entry.tolerance_pct,
                    fleet.to,
                    &params.weights,
                );
                (score(&t), t, f)
            })
            .collect();
        scored.sort_by(|a, b| b.0.total_cmp(&a.0).then_with(|| a.2.id.cmp(&b.2.id)));
        let (best, terms) = (scored[0].0, scored[0].1);
        let why = scored[0].2.summary.clone();
        let mut findings: Vec<Finding> = scored.into_iter().map(|s| s.2).collect();
        unique_ids(&mut findings);
        rows.push(AttentionRow {
            rank: 0,
            tag: l.entry.tag.clone(),
            score: best,
            why,
            terms,
            criticality: l.entry.criticality.as_str(),
            area: l.entry.area.clone(),
            service: l.entry.service.clone(),
            common_cause: None,
            findings,
        });
    }
    rows.sort_by(|a, b| b.score.total_cmp(&a.score).then_with(|| a.tag.cmp(&b.tag)));
    for (i, r) in rows.iter_mut().enumerate() {
        r.rank = i + 1;
    }
    rows
}

/// Two findings of one kind on one day keep distinct ids.
fn unique_ids(findings: &mut [Finding]) {
    let mut seen: BTreeMap<String, u32> = BTreeMap::new();
    for f in findings {
        let n = seen.entry(f.id.clone()).or_default();
        *n += 1;
        if *n > 1 {
            f.id = format!("{}:{n}", f.id);
        }
    }
}
