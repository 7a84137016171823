//! Findings and rows from drafts: words, scores, order.

use super::{Fleet, LoopResult, Params};
use crate::attention::{score, terms};
use crate::finding::{AttentionRow, AttentionTerms, Finding};
use crate::history::Draft;
use crate::words;
use ingest_model::LoopEntry;
use std::collections::BTreeMap;

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

pub(super) fn rows(
    fleet: &Fleet<'_>,
    results: &[LoopResult],
    params: &Params,
) -> Vec<AttentionRow> {
    let mut rows: Vec<AttentionRow> = Vec::new();
    for (l, r) in fleet.loops.iter().zip(results) {
        if r.drafts.is_empty() {
            continue;
        }
        let mut scored: Vec<(f64, AttentionTerms, Finding)> = r
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
