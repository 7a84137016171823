//! The ranked list and the common causes.

use super::problem::Problem;
use super::{App, Query, blocking, heavy, time_of};
use crate::state::SiteView;
use analytics_detect::{Assessment, AttentionRow, CommonCause, Kind, NotJudged};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use ingest_model::{Criticality, UtcMicros};
use serde::{Deserialize, Serialize};

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub(super) struct AttentionQuery {
    /// Assess as of this time (RFC 3339) instead of now.
    at: Option<String>,
    /// At most so many rows, the first ones; all without it.
    limit: Option<usize>,
    /// Only loops of this area.
    area: Option<String>,
    /// Only loops with a finding of this kind.
    kind: Option<String>,
    /// `safety`, `control` or `indication`.
    criticality: Option<String>,
}

/// The result (contract section 3) with the site and the time it was made.
#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct AttentionAnswer<'a> {
    site: &'a SiteView,
    assessed_at: String,
    from: Option<String>,
    to: Option<String>,
    loops: usize,
    readings: u64,
    rejected: u64,
    /// Rows that the filters leave, before `limit`.
    matched: usize,
    attention: Vec<&'a AttentionRow>,
    common_causes: &'a [CommonCause],
    not_judged: &'a [NotJudged],
}

struct Filter {
    limit: usize,
    area: Option<String>,
    kind: Option<Kind>,
    criticality: Option<Criticality>,
}

impl Filter {
    fn of(q: &AttentionQuery) -> Result<Self, Problem> {
        let kind = match q.kind.as_deref().filter(|k| !k.is_empty()) {
            None => None,
            Some(text) => Some(Kind::parse(text).ok_or_else(|| {
                let all: Vec<_> = Kind::ALL.iter().map(|k| k.as_str()).collect();
                Problem::bad_request(format!("kind: `{text}` is none of {}", all.join(", ")))
            })?),
        };
        let criticality = match q.criticality.as_deref().filter(|k| !k.is_empty()) {
            None => None,
            Some(text) => Some(Criticality::parse(text).ok_or_else(|| {
                Problem::bad_request(format!(
                    "criticality: `{text}` is none of safety, control, indication"
                ))
            })?),
        };
        Ok(Self {
            limit: q.limit.unwrap_or(usize::MAX),
            area: q.area.clone().filter(|a| !a.is_empty()),
            kind,
            criticality,
        })
    }

    fn takes(&self, row: &AttentionRow) -> bool {
        self.area
            .as_ref()
            .is_none_or(|a| row.area.as_ref() == Some(a))
            && self
                .kind
                .is_none_or(|k| row.findings.iter().any(|f| f.kind == k))
            && self
                .criticality
                .is_none_or(|c| row.criticality == c.as_str())
    }
}

fn answer(
    site: &SiteView,
    result: &Assessment,
    assessed_at: UtcMicros,
    filter: &Filter,
) -> Result<Response, Problem> {
    let mut rows: Vec<_> = result
        .attention
        .iter()
        .filter(|r| filter.takes(r))
        .collect();
    let matched = rows.len();
    rows.truncate(filter.limit);
    let body = AttentionAnswer {
        site,
        assessed_at: assessed_at.to_rfc3339(),
        from: result.from.map(UtcMicros::to_rfc3339),
        to: result.to.map(UtcMicros::to_rfc3339),
        loops: result.loops,
        readings: result.readings,
        rejected: result.rejected,
        matched,
        attention: rows,
        common_causes: &result.common_causes,
        not_judged: &result.not_judged,
    };
    json(&body)
}

/// JSON of borrowed data.
pub(super) fn json<T: Serialize>(body: &T) -> Result<Response, Problem> {
    let bytes = serde_json::to_vec(body)
        .map_err(|e| Problem::internal("the answer could not be written", &e))?;
    Ok(([(header::CONTENT_TYPE, "application/json")], bytes).into_response())
}

pub(super) fn still_running(shared: &crate::state::Shared) -> Problem {
    let percent = (shared.progress() * 100.0).floor();
    Problem::unavailable(
        format!("the first assessment since the start is running ({percent} % done)"),
        2,
    )
}

/// The loops that need attention, ranked, with their findings.
#[utoipa::path(get, path = "/api/v1/attention", params(AttentionQuery), responses(
    (status = 200, description = "the ranked list", body = AttentionAnswer<'_>),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "the first assessment is still running, or too many long answers are", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn attention(
    app: App,
    Query(q): Query<AttentionQuery>,
) -> Result<Response, Problem> {
    let filter = Filter::of(&q)?;
    let Some(at) = time_of("at", q.at.as_deref().filter(|t| !t.is_empty()))? else {
        let current = app.current().ok_or_else(|| still_running(&app))?;
        return answer(
            &app.site,
            &current.assessed.result,
            current.assessed_at,
            &filter,
        );
    };
    let permit = heavy(&app)?;
    let shared = app.0;
    blocking(move || {
        let _permit = permit;
        let snapshot = shared
            .reader
            .snapshot()
            .map_err(|e| Problem::internal("the store could not be read", &e))?;
        let mut engine = shared
            .past
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        let assessed = engine
            .assess(&snapshot, Some(at), &mut |_| {})
            .map_err(|e| Problem::internal("the assessment failed", &e))?;
        drop(engine);
        answer(&shared.site, &assessed.result, crate::clock::now(), &filter)
    })
    .await
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct CommonCausesAnswer<'a> {
    assessed_at: String,
    common_causes: &'a [CommonCause],
}

/// Groups of loops that share a cause.
#[utoipa::path(get, path = "/api/v1/common-causes", responses(
    (status = 200, description = "the groups, strongest first", body = CommonCausesAnswer<'_>),
    (status = 503, description = "the first assessment is still running", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn common_causes(app: App) -> Result<Response, Problem> {
    let current = app.current().ok_or_else(|| still_running(&app))?;
    json(&CommonCausesAnswer {
        assessed_at: current.assessed_at.to_rfc3339(),
        common_causes: &current.assessed.result.common_causes,
    })
}
