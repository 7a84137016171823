//! The ranked list and the common causes.

use super::extract::{NoQuery, Query, time_of, within};
use super::problem::Problem;
use super::{App, accept, blocking, heavy};
use crate::state::{Current, Shared, SiteView};
use analytics_assess::Assessed;
use analytics_detect::{AttentionRow, CommonCause, Explained, Kind, NotJudged};
use axum::body::Bytes;
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use flate2::write::GzEncoder;
use ingest_model::{Criticality, UtcMicros};
use serde::{Deserialize, Serialize};
use std::io::Write;

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct AttentionQuery {
    /// Assess as of this time (RFC 3339) instead of now.
    #[param(format = DateTime)]
    at: Option<String>,
    /// At most so many rows, the first ones: 1 to 100,000; all without it.
    #[param(minimum = 1, maximum = 100_000)]
    limit: Option<usize>,
    /// Only loops of this area.
    area: Option<String>,
    /// Only loops with a finding of this kind.
    #[param(value_type = Option<Kind>)]
    kind: Option<String>,
    /// Only loops of this criticality.
    #[param(value_type = Option<CriticalityName>)]
    criticality: Option<String>,
}

/// What a loop is for.
#[derive(utoipa::ToSchema)]
#[schema(rename_all = "lowercase")]
#[expect(dead_code, reason = "names for the schema; the register has the type")]
pub(super) enum CriticalityName {
    Safety,
    Control,
    Indication,
}

/// The result (contract section 3) with the site and the time it was made.
#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct AttentionAnswer<'a> {
    site: &'a SiteView,
    assessed_at: String,
    from: Option<String>,
    to: Option<String>,
    /// Up to when statistics count in a larger fleet: a full minute, five minutes or hour. What a reading states by itself
    /// counts up to `to`. `null`: everything does.
    statistics_to: Option<String>,
    loops: usize,
    readings: u64,
    rejected: u64,
    /// Rows that the filters leave, before `limit`.
    matched: usize,
    attention: Vec<&'a AttentionRow>,
    common_causes: &'a [CommonCause],
    not_judged: &'a [NotJudged],
    explained_by_work: &'a [Explained],
}

const MAX_ROWS: usize = 100_000;

impl AttentionQuery {
    /// Asks for everything there is now.
    fn is_plain(&self) -> bool {
        let texts = [&self.at, &self.area, &self.kind, &self.criticality];
        self.limit.is_none() && texts.into_iter().all(Option::is_none)
    }
}

struct Filter {
    limit: usize,
    area: Option<String>,
    kind: Option<Kind>,
    criticality: Option<Criticality>,
}

impl Default for Filter {
    fn default() -> Self {
        Self {
            limit: MAX_ROWS,
            area: None,
            kind: None,
            criticality: None,
        }
    }
}

impl Filter {
    fn of(q: &AttentionQuery) -> Result<Self, Problem> {
        let kind = match q.kind.as_deref() {
            None => None,
            Some(text) => Some(Kind::parse(text).ok_or_else(|| {
                let all: Vec<_> = Kind::ALL.iter().map(|k| k.as_str()).collect();
                Problem::bad_request(format!("kind: `{text}` is none of {}", all.join(", ")))
            })?),
        };
        let criticality = match q.criticality.as_deref() {
            None => None,
            Some(text) => Some(Criticality::parse(text).ok_or_else(|| {
                Problem::bad_request(format!(
                    "criticality: `{text}` is none of safety, control, indication"
                ))
            })?),
        };
        Ok(Self {
            limit: within("limit", q.limit, MAX_ROWS, MAX_ROWS)?,
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

/// The whole newest result: written once, then the same bytes for all who ask.
fn whole(shared: &Shared, current: &Current, gzip: bool) -> Result<Response, Problem> {
    let failed =
        |e: &dyn std::fmt::Display| Problem::internal("the answer could not be written", e);
    let plain = match current.written.get() {
        Some(written) => written.clone(),
        None => {
            let (assessed, at) = (&current.assessed, current.assessed_at);
            let body = body(&shared.site, assessed, at, &Filter::default());
            let bytes = Bytes::from(serde_json::to_vec(&body).map_err(|e| failed(&e))?);
            current.written.get_or_init(|| bytes).clone()
        }
    };
    let kind = (header::CONTENT_TYPE, "application/json");
    if !gzip {
        return Ok(([kind], plain).into_response());
    }
    let packed = match current.packed.get() {
        Some(packed) => packed.clone(),
        None => {
            let mut out = GzEncoder::new(Vec::new(), flate2::Compression::fast());
            let done = out.write_all(&plain).and_then(|()| out.finish());
            let bytes = Bytes::from(done.map_err(|e| failed(&e))?);
            current.packed.get_or_init(|| bytes).clone()
        }
    };
    let headers = [
        kind,
        (header::CONTENT_ENCODING, "gzip"),
        (header::VARY, "accept-encoding"),
    ];
    Ok((headers, packed).into_response())
}

fn answer(
    site: &SiteView,
    assessed: &Assessed,
    assessed_at: UtcMicros,
    filter: &Filter,
) -> Result<Response, Problem> {
    json(&body(site, assessed, assessed_at, filter))
}

fn body<'a>(
    site: &'a SiteView,
    assessed: &'a Assessed,
    assessed_at: UtcMicros,
    filter: &Filter,
) -> AttentionAnswer<'a> {
    let result = &assessed.result;
    let mut rows: Vec<_> = result
        .attention
        .iter()
        .filter(|r| filter.takes(r))
        .collect();
    let matched = rows.len();
    rows.truncate(filter.limit);
    AttentionAnswer {
        site,
        assessed_at: assessed_at.to_rfc3339(),
        from: result.from.map(UtcMicros::to_rfc3339),
        to: result.to.map(UtcMicros::to_rfc3339),
        statistics_to: assessed.statistics_to.map(UtcMicros::to_rfc3339),
        loops: result.loops,
        readings: result.readings,
        rejected: result.rejected,
        matched,
        attention: rows,
        common_causes: &result.common_causes,
        not_judged: &result.not_judged,
        explained_by_work: &result.explained_by_work,
    }
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
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let filter = Filter::of(&q)?;
    if q.is_plain() {
        let current = app.current().ok_or_else(|| still_running(&app))?;
        return whole(&app, &current, accept::gzip(&headers));
    }
    let Some(at) = time_of("at", q.at.as_deref())? else {
        let current = app.current().ok_or_else(|| still_running(&app))?;
        return answer(&app.site, &current.assessed, current.assessed_at, &filter);
    };
    let permit = heavy(&app).await?;
    let shared = app.0;
    blocking(move || {
        let _permit = permit;
        let snapshot = shared
            .reader
            .snapshot()
            .map_err(|e| Problem::internal("the store could not be read", &e))?;
        // Silence until then would be made up.
        let known = snapshot.time_range().map(|(_, last)| last);
        if at > crate::clock::now() && known.is_none_or(|last| at > last) {
            return Err(Problem::bad_request("at: is in the future"));
        }
        let mut engine = shared
            .past
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        let mut assessed = engine
            .assess(&snapshot, Some(at), &mut |_| {})
            .map_err(|e| Problem::internal("the assessment failed", &e))?;
        drop(engine);
        // Without a reading until then as well: it is what was asked for.
        assessed.result.to = assessed.result.to.or(Some(at));
        answer(&shared.site, &assessed, crate::clock::now(), &filter)
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
    (status = 400, description = "a parameter that this address does not have", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "the first assessment is still running", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn common_causes(
    app: App,
    Query(_none): Query<NoQuery>,
) -> Result<Response, Problem> {
    let current = app.current().ok_or_else(|| still_running(&app))?;
    json(&CommonCausesAnswer {
        assessed_at: current.assessed_at.to_rfc3339(),
        common_causes: &current.assessed.result.common_causes,
    })
}
