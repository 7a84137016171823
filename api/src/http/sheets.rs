//! What can be printed by address: sheets of evidence, and the picture of one loop.

use super::extract::{Path, Query, time_of, within};
use super::problem::Problem;
use super::{App, blocking, heavy, known_tag, readings, trace};
use crate::report::{Content, Picture, Zone, picture, render};
use crate::state::{Current, Shared};
use analytics_assess::TraceStep;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use ingest_model::instant::MICROS_PER_DAY;
use ingest_model::{Tag, UtcMicros};
use ingest_store::Snapshot;
use serde::Deserialize;

const DEFAULT_SHEETS: usize = 25;
const MAX_SHEETS: usize = 500;
/// Readings that one picture needs.
const PICTURE_POINTS: usize = 2_000;
/// Both forms carry their own style sheet, and nothing else runs or loads.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct ReportQuery {
    /// Only the sheet of this loop, with or without a finding.
    #[param(min_length = 1, max_length = 32)]
    tag: Option<String>,
    /// Only the sheets of this case's loops.
    #[param(min_length = 1)]
    case: Option<String>,
    /// Sheets for so many loops, the first ones: 1 to 500; 25 without it.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<usize>,
}

fn current(shared: &Shared) -> Result<std::sync::Arc<Current>, Problem> {
    shared
        .current()
        .ok_or_else(|| super::attention::still_running(shared))
}

fn snapshot(shared: &Shared) -> Result<Snapshot, Problem> {
    let read = |e| Problem::internal("the store could not be read", &e);
    shared.reader.snapshot().map_err(read)
}

fn own(kind: &'static str, text: String) -> Response {
    let headers = [
        (header::CONTENT_TYPE, kind),
        (header::CONTENT_SECURITY_POLICY, POLICY),
    ];
    (headers, text).into_response()
}

/// Evidence to print: the ranked list with a sheet for each of its first loops, or the sheets of one loop or case.
///
/// One HTML page that loads nothing; a browser prints it or makes a PDF of it. As `loopwitness report`, of the newest result.
#[utoipa::path(get, path = "/api/v1/reports", params(ReportQuery), responses(
    (status = 200, description = "the page", body = String, content_type = "text/html"),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such loop or case", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "the first assessment is still running", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn report(app: App, Query(q): Query<ReportQuery>) -> Result<Response, Problem> {
    let limit = within("limit", q.limit, DEFAULT_SHEETS, MAX_SHEETS)?;
    if q.tag.is_some() && q.case.is_some() {
        return Err(Problem::bad_request("case: not together with tag"));
    }
    let permit = heavy(&app).await?;
    let shared = app.0;
    blocking(move || {
        let _permit = permit;
        let snapshot = snapshot(&shared)?;
        let cases = shared
            .book
            .cases()
            .map_err(|e| Problem::internal("the cases could not be read", &e))?;
        let only: Vec<Tag> = match (&q.tag, &q.case) {
            (Some(tag), _) => vec![known_tag(&snapshot, tag)?],
            (_, Some(id)) => {
                let case = cases.get(id).ok_or_else(|| super::cases::unknown(id))?;
                case.tags.iter().cloned().collect()
            }
            _ => Vec::new(),
        };
        let current = current(&shared)?;
        Ok(own(
            "text/html; charset=utf-8",
            render(&Content {
                only,
                site: &shared.site.name,
                zone: Zone::named(&shared.site.timezone),
                assessed: &current.assessed,
                register: snapshot.register(),
                cases: &cases,
                limit,
            }),
        ))
    })
    .await
}

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct PictureQuery {
    /// First instant, RFC 3339; without it 60 days before the end.
    #[param(format = DateTime)]
    from: Option<String>,
    /// End, RFC 3339; without it the end of the record.
    #[param(format = DateTime)]
    to: Option<String>,
}

/// The twin trace of one loop as a picture: both channels, their difference with its forecast, status, failed exchanges.
#[utoipa::path(get, path = "/api/v1/loops/{tag}/trace.svg",
    params(("tag" = String, Path, description = "the loop's tag, percent-encoded", min_length = 1, max_length = 32), PictureQuery),
    responses(
    (status = 200, description = "the picture, with a title and a description of what it shows", body = String, content_type = "image/svg+xml"),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such loop", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "the first assessment is still running", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn trace_picture(
    app: App,
    Path(text): Path<String>,
    Query(q): Query<PictureQuery>,
) -> Result<Response, Problem> {
    let from = time_of("from", q.from.as_deref())?;
    let to = time_of("to", q.to.as_deref())?;
    let permit = heavy(&app).await?;
    let shared = app.0;
    blocking(move || {
        let _permit = permit;
        let snapshot = snapshot(&shared)?;
        let tag = known_tag(&snapshot, &text)?;
        let current = current(&shared)?;
        let result = &current.assessed.result;
        let to = to.or(result.to).unwrap_or_default();
        let from = from.unwrap_or(UtcMicros(to.0.saturating_sub(60 * MICROS_PER_DAY)));
        if from > to {
            return Err(Problem::bad_request("from: is after to"));
        }
        let entry = snapshot
            .register()
            .at(&tag, to)
            .or_else(|| snapshot.register().current(&tag))
            .ok_or_else(|| Problem::unknown_loop(&text))?;
        let days = to.0.saturating_sub(from.0) / MICROS_PER_DAY;
        let step = match days {
            ..=10 => TraceStep::Hour,
            11..=90 => TraceStep::SixHours,
            _ => TraceStep::Day,
        };
        let whole = current.assessed.trace(&tag, step).unwrap_or_default();
        let trace = trace::within_time(whole, Some(from), Some(to));
        let end = UtcMicros(to.0.saturating_add(1));
        let rows = readings::thinned(&snapshot, tag.clone(), (from, end), PICTURE_POINTS)?;
        let row = result.attention.iter().find(|r| r.tag == tag);
        Ok(own(
            "image/svg+xml",
            picture(&Picture {
                zone: Zone::named(&shared.site.timezone),
                entry,
                trace: &trace,
                readings: &rows,
                finding: row.and_then(|r| r.findings.first()),
                now: result.to.filter(|end| *end <= to),
            }),
        ))
    })
    .await
}
