//! What an assessment shows, by case.

use super::Settings;
use crate::case::{Case, Close};
use crate::cases::Cases;
use crate::event::{Family, Key, Sighting};
use analytics_detect::{Assessment, AttentionRow, CommonCause, Evidence, Finding, Kind};
use ingest_model::instant::MICROS_PER_HOUR;
use ingest_model::{Criticality, UtcMicros};
use std::collections::BTreeMap;

/// A sighting, and the latest begin of its oldest finding.
pub(super) struct Live {
    pub(super) sighting: Sighting,
    pub(super) onset_high: UtcMicros,
}

fn is_live(f: &Finding, to: UtcMicros, settings: &Settings) -> bool {
    let lasts = match f.kind {
        // Over as soon as it has happened; a person has to look at it all the same.
        Kind::ConfigurationChange => {
            to.0.saturating_sub(f.onset.0) <= settings.configuration_days * 24 * MICROS_PER_HOUR
        }
        _ => f.ended.is_none(),
    };
    lasts && f.confidence >= settings.min_confidence
}

/// What the assessment shows now, by case. A finding counts for its common cause, also while the search does not find
/// that again, and for its loop's own case where somebody works on that.
pub(super) fn evidence(
    cases: &Cases,
    a: &Assessment,
    to: UtcMicros,
    settings: &Settings,
) -> BTreeMap<Key, Live> {
    let causes: BTreeMap<&str, &CommonCause> =
        a.common_causes.iter().map(|c| (c.id.as_str(), c)).collect();
    let holding: Vec<&Case> = cases
        .iter()
        .map(|c| &**c)
        .filter(|c| matches!(c.key, Key::Group { .. }))
        .filter(|c| c.is_open() || c.present && matches!(c.closed, Some((_, Close::Person))))
        .collect();
    let mut out: BTreeMap<Key, Live> = BTreeMap::new();
    for row in &a.attention {
        let live: Vec<&Finding> = row
            .findings
            .iter()
            .filter(|f| is_live(f, to, settings))
            .collect();
        for &f in &live {
            let family = Family::of(f.kind);
            let own = Key::Loop {
                tag: row.tag.clone(),
                family,
            };
            let open = |key: &Key| cases.about(key).is_some_and(|c| c.is_open());
            let own = if !open(&own) && is_broken_wire(f, &live) {
                Key::Loop {
                    tag: row.tag.clone(),
                    family: Family::Current,
                }
            } else {
                own
            };
            let group = f
                .common_cause
                .as_deref()
                .and_then(|id| causes.get(id))
                .map(|c| Key::Group {
                    scope: c.scope,
                    name: c.name.clone(),
                    family: Family::of(c.kind),
                })
                .or_else(|| {
                    holding
                        .iter()
                        .find(|c| c.key.family() == family && c.tags.contains(&row.tag))
                        .map(|c| c.key.clone())
                });
            let worked = cases
                .about(&own)
                .is_some_and(|c| c.is_open() && c.is_worked_on());
            let cause = f.common_cause.as_deref().and_then(|id| causes.get(id));
            if worked || group.is_none() {
                add(&mut out, own, row, f, None, to);
            }
            if let Some(key) = group {
                add(&mut out, key, row, f, cause.copied(), to);
            }
        }
    }
    for live in out.values_mut() {
        let s = &mut live.sighting;
        s.tags.sort_unstable();
        s.tags.dedup();
        s.areas.sort_unstable();
        s.areas.dedup();
        s.kinds.sort_unstable();
        s.kinds.dedup();
    }
    out
}

/// Silence that began with a current of failure at the low end: one broken wire, one job (contract 3).
fn is_broken_wire(f: &Finding, live: &[&Finding]) -> bool {
    f.kind == Kind::NoReply
        && live.iter().any(|rail| {
            rail.kind == Kind::CurrentOutOfRange
                && rail.cause == Some("failure-low")
                && rail.onset.0.abs_diff(f.onset.0) <= MICROS_PER_HOUR.unsigned_abs()
        })
}

/// How often a finding came, where its evidence counts that.
fn times(f: &Finding) -> Option<f64> {
    ["episodes", "times", "cold_starts"]
        .iter()
        .find_map(|k| match f.evidence.get(k) {
            Some(Evidence::Count(n)) => Some(*n as f64),
            Some(Evidence::Number(n)) if n.is_finite() => Some(*n),
            _ => None,
        })
}

fn add(
    out: &mut BTreeMap<Key, Live>,
    key: Key,
    row: &AttentionRow,
    f: &Finding,
    cause: Option<&CommonCause>,
    to: UtcMicros,
) {
    let criticality = Criticality::parse(row.criticality).unwrap_or_default();
    if let Some(live) = out.get_mut(&key) {
        // Rows come strongest first, so the sentence stays; the rest joins.
        let s = &mut live.sighting;
        s.findings.push(f.id.clone());
        s.tags.push(row.tag.clone());
        s.kinds.push(f.kind);
        s.areas.extend(row.area.clone());
        s.criticality = s.criticality.max(criticality);
        live.onset_high = live.onset_high.min(f.onset_high);
        return;
    }
    let finite = |v: f64| v.is_finite().then_some(v);
    let sighting = Sighting {
        to,
        findings: vec![f.id.clone()],
        tags: vec![row.tag.clone()],
        kind: f.kind,
        kinds: vec![f.kind],
        cause: f.cause.map(str::to_owned),
        onset: cause.map_or(f.onset, |c| c.onset),
        deviation_pct: f.deviation_pct.and_then(finite),
        confidence: finite(f.confidence).unwrap_or(0.0),
        times: times(f),
        score: finite(cause.map_or(row.score, |c| c.score)).unwrap_or(0.0),
        criticality,
        areas: row.area.iter().cloned().collect(),
        summary: cause.map_or_else(|| f.summary.clone(), |c| c.summary.clone()),
    };
    let live = Live {
        onset_high: f.onset_high,
        sighting,
    };
    out.insert(key, live);
}
