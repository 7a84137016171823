//! The whole assessment of a fleet: two passes, ranking, common causes, what could not be judged.

use crate::attention::{Weights, score, terms};
use crate::common::{self, Sign};
use crate::context::{Context, ContextRows};
use crate::finding::{Assessment, AttentionRow, Finding, Kind, NotJudged};
use crate::history::{Draft, LoopRecord, LoopSource, Window};
use crate::skip::{Work, windows_of};
use crate::status::StatusMap;
use crate::{drift, errors, hart_only, noise, peers, rails, silence, status, stuck, words};
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
}

/// Pass 1 for one loop.
#[derive(Debug, Default)]
struct LoopResult {
    drafts: Vec<Draft>,
    not_judged: Vec<(&'static str, String)>,
    /// Exposure and errors, for the group test.
    cells: Vec<errors::Cell>,
}

pub fn assess(fleet: &Fleet<'_>, params: &Params) -> Assessment {
    let ctx = Context::join(&on_all_cores(&fleet.loops, &|l| ContextRows::of(l)));
    let mut results: Vec<LoopResult> =
        on_all_cores(&fleet.loops, &|l| one_loop(l, &ctx, fleet, params));
    for (i, d) in peers::detect(&fleet.loops, fleet.to) {
        let hidden = results[i].drafts.iter().any(|o| hides_peer(o, &d));
        if !hidden && !announced(fleet, &fleet.loops[i].entry.tag, &d) {
            results[i].drafts.push(d);
        }
    }
    group_errors(fleet, &mut results);
    let mut rows = rows(fleet, &results, params);
    let signs: Vec<Sign> = rows
        .iter()
        .flat_map(|r| {
            r.findings.iter().map(|f| Sign {
                tag: r.tag.clone(),
                kind: f.kind,
                cause: f.cause,
                onset: f.onset,
                onset_low: f.onset_low,
                onset_high: f.onset_high,
                up: f
                    .deviation_pct
                    .filter(|_| f.kind == Kind::AnalogDigitalDrift)
                    .map(|v| v > 0.0),
                score: r.score,
            })
        })
        .collect();
    let entries: Vec<&LoopEntry> = fleet.loops.iter().map(|l| l.entry).collect();
    let common_causes = common::search(&entries, &signs);
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
    Assessment {
        from: fleet.from,
        to: fleet.from.map(|_| fleet.to),
        loops: fleet.loops.len(),
        readings: fleet.readings,
        rejected: fleet.rejected,
        attention: rows,
        common_causes,
        not_judged,
    }
}

/// Pass 1 for one loop alone: what its own detectors say (companions and groups are not asked).
pub fn judge(
    l: &LoopRecord<'_>,
    ctx: &Context,
    fleet: &Fleet<'_>,
    params: &Params,
) -> Vec<Draft> {
    one_loop(l, ctx, fleet, params).drafts
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

fn announced(fleet: &Fleet<'_>, tag: &Tag, d: &Draft) -> bool {
    let end = d.ended.unwrap_or(fleet.to);
    fleet.work.iter().any(|w| {
        w.tag.as_ref().is_none_or(|t| t == tag)
            && w.from.0 - 600_000_000 <= d.onset.0
            && end.0 <= w.to.0 + 600_000_000
    })
}

fn one_loop(l: &LoopRecord<'_>, ctx: &Context, fleet: &Fleet<'_>, params: &Params) -> LoopResult {
    let mut out = LoopResult::default();
    let to = fleet.to;
    if l.blocks.is_empty() {
        out.not_judged.push(("all", "no readings".to_owned()));
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
    out.drafts.extend(silence::detect(l, ctx, to));
    out.drafts.extend(rails::detect(l, to));
    let lost = windows_of(&out.drafts, &[Kind::NoReply, Kind::CurrentOutOfRange], to);
    let rail_windows = windows_of(&out.drafts, &[Kind::CurrentOutOfRange], to);
    let mut skip = work.clone();
    skip.extend(&rail_windows);
    out.drafts.extend(stuck::detect(l, ctx, to, &skip));
    if hart_only::applies(l) {
        out.drafts.extend(hart_only::fixed_current(l, to, &skip));
        out.not_judged.extend(hart_only::not_judged());
    }
    let held = windows_of(&out.drafts, &[Kind::StuckValue, Kind::FixedCurrent], to);
    out.drafts
        .extend(status::detect(l, to, &rail_windows, &work, &params.status));
    let mut no_drift = work.clone();
    no_drift.extend(lost.iter().chain(&held));
    if l.entry.confirmed {
        let o = drift::detect(l, ctx, to, &no_drift);
        out.drafts.extend(o.drafts);
        if let Some(d) = drift::scaling::host_scale(l) {
            out.drafts.push(d);
        }
        if let Some(why) = o.not_judged {
            out.not_judged
                .push(("analog-digital-drift", why.to_owned()));
        }
    }
    // A current at its ceiling stands still without being stuck.
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
                .any(|w| w.from <= d.onset.0 && d.onset.0 <= w.to)
    });
    fold_into_episodes(&mut out.drafts);
    let mut no_errors = work.clone();
    no_errors.extend(windows_of(
        &out.drafts,
        &[Kind::NoReply, Kind::Restarts],
        to,
    ));
    out.drafts.extend(errors::detect(l, to, &no_errors));
    out.cells = errors::cells(
        l,
        &windows_of(&out.drafts, &[Kind::NoReply, Kind::Restarts], to),
    );
    let quiet = noise::detect(l, ctx, to, &no_drift);
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
    out.drafts.retain(|d| !announced(fleet, &l.entry.tag, d));
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

/// Rising errors of a group: a member with weak evidence of its own follows the group's factor or none.
fn group_errors(fleet: &Fleet<'_>, results: &mut [LoopResult]) {
    let cells: Vec<Vec<errors::Cell>> = results
        .iter_mut()
        .map(|r| std::mem::take(&mut r.cells))
        .collect();
    for (i, d) in errors::groups(&fleet.loops, &cells, fleet.to) {
        if !results[i]
            .drafts
            .iter()
            .any(|o| o.kind == Kind::RisingErrors)
            && !announced(fleet, &fleet.loops[i].entry.tag, &d)
        {
            results[i].drafts.push(d);
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
