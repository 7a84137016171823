//! Cases as they are shown: one of the list, and one with its whole history.

use analytics_cases::{Case, Cases, Close, Event, Key, Suppression};
use ingest_model::{Tag, UtcMicros};
use serde::Serialize;

/// Who put it aside, and why.
#[derive(Serialize, utoipa::ToSchema)]
struct SuppressionView {
    who: String,
    why: String,
    /// End of shelving; null for out of service, which a person ends.
    until: Option<String>,
}

#[derive(Serialize, utoipa::ToSchema)]
struct PlanView {
    who: String,
    due: Option<String>,
    note: Option<String>,
}

#[derive(Serialize, utoipa::ToSchema)]
struct AttendedView {
    at: String,
    who: String,
    found: String,
    done: String,
    /// Deviation before and after the work, % of span.
    as_found_pct: Option<f64>,
    as_left_pct: Option<f64>,
}

#[derive(Serialize, utoipa::ToSchema)]
struct ClosedView {
    at: String,
    /// `person`, `proved`, `cleared`, or `adopted` (it goes on in the case `into`).
    how: &'static str,
    into: Option<String>,
    /// With which confidence it was proved, over how many hours of watch.
    confidence: Option<f64>,
    watched_h: Option<f64>,
}

/// One change: who, when, why, and what with its particulars.
#[derive(Serialize, utoipa::ToSchema)]
struct HistoryView {
    at: String,
    who: String,
    why: String,
    what: &'static str,
    #[schema(value_type = Object)]
    particulars: serde_json::Value,
}

/// One case. Numbers of the evidence are the newest that were told; `/attention` has the present ones.
#[derive(Serialize, utoipa::ToSchema)]
pub(in crate::http) struct CaseView {
    pub(super) id: String,
    /// `unacknowledged`, `returned`, `acknowledged`, `planned`, `attended`, `shelved`, `out-of-service`, `proved` or `closed`.
    state: &'static str,
    open: bool,
    opened: String,
    /// The loop; null for a common cause.
    tag: Option<String>,
    /// `gateway`, `junction_box`, ... of a common cause, and its name.
    scope: Option<&'static str>,
    name: Option<String>,
    /// Loops that ever showed it.
    tags: Vec<String>,
    areas: Vec<String>,
    /// `current`, `measurement`, `exchange`, `device` or `configuration`.
    family: &'static str,
    kind: &'static str,
    kinds: Vec<&'static str>,
    cause: Option<String>,
    criticality: &'static str,
    score: f64,
    summary: String,
    onset: String,
    deviation_pct: Option<f64>,
    confidence: f64,
    findings: Vec<String>,
    /// False once the evidence is gone, since `gone_since`.
    present: bool,
    gone_since: Option<String>,
    suppression: Option<SuppressionView>,
    plan: Option<PlanView>,
    attended: Option<AttendedView>,
    /// How often it came back after attendance or proof.
    returned: u32,
    closed: Option<ClosedView>,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(in crate::http) struct CasesAnswer {
    pub(super) cases: Vec<CaseView>,
    /// The `after` of the next page; null on the last one.
    pub(super) next: Option<String>,
}

/// A case with everything that ever happened to it.
#[derive(Serialize, utoipa::ToSchema)]
pub(in crate::http) struct CaseAnswer {
    #[serde(flatten)]
    case: CaseView,
    /// Cases of single loops that this one has taken over.
    adopted: Vec<String>,
    history: Vec<HistoryView>,
}

fn suppression(case: &Case, now: UtcMicros) -> Option<SuppressionView> {
    match case.suppression.clone()? {
        Suppression::Shelved { until, .. } if until <= now => None,
        Suppression::Shelved { until, who, why } => Some(SuppressionView {
            who,
            why,
            until: Some(until.to_rfc3339()),
        }),
        Suppression::OutOfService { who, why } => Some(SuppressionView {
            who,
            why,
            until: None,
        }),
    }
}

fn closed(at: UtcMicros, how: &Close) -> ClosedView {
    let view = |how| ClosedView {
        at: at.to_rfc3339(),
        how,
        into: None,
        confidence: None,
        watched_h: None,
    };
    match how {
        Close::Person => view("person"),
        Close::Cleared => view("cleared"),
        Close::Adopted { into } => ClosedView {
            into: Some(into.clone()),
            ..view("adopted")
        },
        Close::Proved {
            confidence,
            watched_h,
        } => ClosedView {
            confidence: Some(*confidence),
            watched_h: Some(*watched_h),
            ..view("proved")
        },
    }
}

pub(super) fn view(case: &Case, now: UtcMicros) -> CaseView {
    let s = &case.sighting;
    let (tag, scope, name) = match &case.key {
        Key::Loop { tag, .. } => (Some(tag.to_string()), None, None),
        Key::Group { scope, name, .. } => (None, Some(scope.as_str()), Some(name.clone())),
    };
    CaseView {
        id: case.id.clone(),
        state: case.shown(now).as_str(),
        open: case.is_open(),
        opened: case.opened.to_rfc3339(),
        tag,
        scope,
        name,
        tags: case.tags.iter().map(Tag::to_string).collect(),
        areas: s.areas.clone(),
        family: case.key.family().as_str(),
        kind: s.kind.as_str(),
        kinds: case.kinds.iter().map(|k| k.as_str()).collect(),
        cause: s.cause.clone(),
        criticality: s.criticality.as_str(),
        score: s.score,
        summary: s.summary.clone(),
        onset: s.onset.to_rfc3339(),
        deviation_pct: s.deviation_pct,
        confidence: s.confidence,
        findings: s.findings.clone(),
        present: case.present,
        gone_since: case.gone_since.map(UtcMicros::to_rfc3339),
        suppression: suppression(case, now),
        plan: case.plan.as_ref().map(|p| PlanView {
            who: p.who.clone(),
            due: p.due.map(UtcMicros::to_rfc3339),
            note: p.note.clone(),
        }),
        attended: case.attended.as_ref().map(|a| AttendedView {
            at: a.when.to_rfc3339(),
            who: a.who.clone(),
            found: a.found.clone(),
            done: a.done.clone(),
            as_found_pct: a.as_found_pct,
            as_left_pct: a.as_left_pct,
        }),
        returned: case.returned,
        closed: case.closed.as_ref().map(|(at, how)| closed(*at, how)),
    }
}

fn history(e: &Event) -> HistoryView {
    let mut particulars = serde_json::to_value(&e.what).unwrap_or_default();
    if let Some(map) = particulars.as_object_mut() {
        // The name stands beside it.
        map.remove("type");
    }
    HistoryView {
        at: e.at.to_rfc3339(),
        who: e.who.clone(),
        why: e.why.clone(),
        what: e.what.name(),
        particulars,
    }
}

pub(super) fn whole(cases: &Cases, case: &Case, now: UtcMicros) -> CaseAnswer {
    CaseAnswer {
        case: view(case, now),
        adopted: cases.under(&case.id).map(|c| c.id.clone()).collect(),
        history: case.history.iter().map(history).collect(),
    }
}
