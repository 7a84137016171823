//! Traces of the difference between analog and digital in bins, from the newest assessment.

use super::attention::still_running;
use super::extract::{Path, Query, time_of};
use super::packed::{PACKED, Table, Values};
use super::problem::Problem;
use super::{App, accept, packed, stream};
use analytics_assess::{Trace, TraceStep};
use axum::Json;
use axum::extract::RawQuery;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse, Response};
use ingest_model::{Tag, UtcMicros};
use serde::{Deserialize, Serialize};
use std::io::Write;

/// Traces of one answer.
const MAX_TRACES: usize = 200;

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct TraceQuery {
    /// Length of the bins; `6h` without it.
    #[param(value_type = Option<StepName>)]
    step: Option<String>,
    /// Only bins that end after this, RFC 3339.
    #[param(format = DateTime)]
    from: Option<String>,
    /// Only bins that begin before this, RFC 3339.
    #[param(format = DateTime)]
    to: Option<String>,
}

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct TracesQuery {
    /// Tags, percent-encoded, separated by commas; at most 200.
    tags: String,
    /// Length of the bins; `6h` without it.
    #[param(value_type = Option<StepName>)]
    step: Option<String>,
}

/// Length of a bin.
#[derive(utoipa::ToSchema)]
#[expect(dead_code, reason = "names for the schema")]
pub(super) enum StepName {
    #[schema(rename = "1h")]
    Hour,
    #[schema(rename = "6h")]
    SixHours,
    #[schema(rename = "1d")]
    Day,
}

#[derive(Serialize, Default, utoipa::ToSchema)]
pub(super) struct TraceColumns {
    /// Start of each bin.
    time: Vec<String>,
    /// Mean of analog minus digital, % of span; null = nothing.
    difference_pct: Vec<Option<f64>>,
    /// Ends of the middle 80 %.
    difference_low_pct: Vec<Option<f64>>,
    difference_high_pct: Vec<Option<f64>>,
    failed_share: Vec<Option<f64>>,
    scatter_pct: Vec<Option<f64>>,
    replies: Vec<u32>,
    /// OR of the device status bytes.
    device_status: Vec<u8>,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct TraceAnswer {
    tag: String,
    step_s: u32,
    columns: TraceColumns,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct TracesAnswer {
    traces: Vec<TraceAnswer>,
}

fn step_of(text: Option<&str>) -> Result<(TraceStep, u32), Problem> {
    match text {
        Some("1h") => Ok((TraceStep::Hour, 3_600)),
        None | Some("6h") => Ok((TraceStep::SixHours, 21_600)),
        Some("1d") => Ok((TraceStep::Day, 86_400)),
        Some(other) => Err(Problem::bad_request(format!(
            "step: `{other}` is none of 1h, 6h, 1d"
        ))),
    }
}

fn nullable(values: Vec<f64>) -> Vec<Option<f64>> {
    values
        .into_iter()
        .map(|v| v.is_finite().then_some(v))
        .collect()
}

fn view(tag: &Tag, step_s: u32, trace: Option<Trace>) -> TraceAnswer {
    let columns = trace.map_or_else(TraceColumns::default, |t| TraceColumns {
        time: t.time.into_iter().map(UtcMicros::to_rfc3339).collect(),
        difference_pct: nullable(t.difference_pct),
        difference_low_pct: nullable(t.difference_low_pct),
        difference_high_pct: nullable(t.difference_high_pct),
        failed_share: nullable(t.failed_share),
        scatter_pct: nullable(t.scatter_pct),
        replies: t.replies,
        device_status: t.device_status,
    });
    TraceAnswer {
        tag: tag.to_string(),
        step_s,
        columns,
    }
}

fn table(tag: &Tag, step_s: u32, trace: Option<Trace>) -> Table {
    let t = trace.unwrap_or_default();
    let mut about = serde_json::Map::new();
    about.insert("tag".to_owned(), tag.as_str().into());
    about.insert("step_s".to_owned(), step_s.into());
    Table {
        about,
        rows: t.time.len(),
        columns: vec![
            (
                "time",
                Values::instants(t.time.iter().map(|t| t.0), i64::MIN),
            ),
            ("difference_pct", Values::single(&t.difference_pct)),
            ("difference_low_pct", Values::single(&t.difference_low_pct)),
            (
                "difference_high_pct",
                Values::single(&t.difference_high_pct),
            ),
            ("failed_share", Values::single(&t.failed_share)),
            ("scatter_pct", Values::single(&t.scatter_pct)),
            ("replies", Values::U32(t.replies)),
            ("device_status", Values::U8(t.device_status)),
        ],
    }
}

/// The form that the client likes best.
fn form(headers: &HeaderMap) -> Result<&'static str, Problem> {
    const JSON: &str = "application/json";
    accept::choose(headers, &[JSON, PACKED]).ok_or_else(|| Problem::not_acceptable(&[JSON, PACKED]))
}

fn packed_answer(tables: Vec<Table>) -> Result<Response, Problem> {
    let write = move |out: &mut dyn Write| packed::write(out, tables);
    let mut response = stream::whole(write)?.into_response();
    let kind = HeaderValue::from_static(PACKED);
    response.headers_mut().insert(header::CONTENT_TYPE, kind);
    Ok(response)
}

fn varies(mut response: Response) -> Response {
    let accept = HeaderValue::from_static("accept");
    response.headers_mut().insert(header::VARY, accept);
    response
}

/// The bins that touch a time.
pub(super) fn within_time(t: Trace, from: Option<UtcMicros>, to: Option<UtcMicros>) -> Trace {
    let step = i64::from(t.step_s) * 1_000_000;
    let begin = from.map_or(0, |from| t.time.partition_point(|b| b.0 + step <= from.0));
    let end = to.map_or(t.time.len(), |to| t.time.partition_point(|b| *b < to));
    let (begin, end) = (begin.min(end), end);
    fn cut<T: Clone>(values: &[T], begin: usize, end: usize) -> Vec<T> {
        values
            .get(begin..end)
            .map(<[T]>::to_vec)
            .unwrap_or_default()
    }
    Trace {
        step_s: t.step_s,
        time: cut(&t.time, begin, end),
        difference_pct: cut(&t.difference_pct, begin, end),
        difference_low_pct: cut(&t.difference_low_pct, begin, end),
        difference_high_pct: cut(&t.difference_high_pct, begin, end),
        failed_share: cut(&t.failed_share, begin, end),
        scatter_pct: cut(&t.scatter_pct, begin, end),
        replies: cut(&t.replies, begin, end),
        device_status: cut(&t.device_status, begin, end),
    }
}

/// The difference of one loop over all that was assessed.
#[utoipa::path(get, path = "/api/v1/loops/{tag}/trace", params(("tag" = String, Path, description = "the loop's tag, percent-encoded", min_length = 1, max_length = 32), TraceQuery), responses(
    (status = 200, description = "the trace; empty where the loop has no readings", content(
        (TraceAnswer = "application/json"),
        (Vec<u8> = "application/vnd.loopwitness.columns"))),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such loop", body = Problem, content_type = "application/problem+json"),
    (status = 406, description = "`Accept` takes none of the forms", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "the first assessment is still running", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn trace(
    app: App,
    Path(text): Path<String>,
    Query(q): Query<TraceQuery>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let form = form(&headers)?;
    let (step, step_s) = step_of(q.step.as_deref())?;
    let from = time_of("from", q.from.as_deref())?;
    let to = time_of("to", q.to.as_deref())?;
    let snapshot = super::snapshot(&app).await?;
    let tag = super::known_tag(&snapshot, &text)?;
    let current = app.current().ok_or_else(|| still_running(&app))?;
    let whole = current.assessed.trace(&tag, step);
    let trace = whole.map(|t| within_time(t, from, to));
    Ok(varies(if form == PACKED {
        packed_answer(vec![table(&tag, step_s, trace)])?
    } else {
        Json(view(&tag, step_s, trace)).into_response()
    }))
}

/// Traces of several loops; tags are percent-encoded one by one and separated by commas. Unknown tags are left out.
#[utoipa::path(get, path = "/api/v1/traces", params(TracesQuery), responses(
    (status = 200, description = "the traces, in the order asked for", content(
        (TracesAnswer = "application/json"),
        (Vec<u8> = "application/vnd.loopwitness.columns"))),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json"),
    (status = 406, description = "`Accept` takes none of the forms", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "the first assessment is still running", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn traces(
    app: App,
    RawQuery(raw): RawQuery,
    Query(q): Query<TracesQuery>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let form = form(&headers)?;
    let (step, step_s) = step_of(q.step.as_deref())?;
    let raw = raw.unwrap_or_default();
    // As it was written: a decoded list no longer tells a comma in a tag from one between tags.
    let list = raw
        .split('&')
        .find_map(|pair| pair.strip_prefix("tags="))
        .unwrap_or(&q.tags);
    let snapshot = super::snapshot(&app).await?;
    let current = app.current().ok_or_else(|| still_running(&app))?;
    let known = |text: &str| {
        Tag::new(text)
            .ok()
            .filter(|t| snapshot.register().contains(t))
    };
    let mut tags = Vec::new();
    for piece in list.split(',') {
        let text = percent_encoding::percent_decode_str(piece).decode_utf8_lossy();
        // Clients that encode the whole list encode its commas too; a form writes a space as plus.
        match known(&text).or_else(|| known(&text.replace('+', " "))) {
            Some(tag) => tags.push(tag),
            None => tags.extend(
                text.split(',')
                    .filter_map(|t| known(t).or_else(|| known(&t.replace('+', " ")))),
            ),
        }
    }
    if tags.len() > MAX_TRACES {
        return Err(Problem::bad_request(format!(
            "tags: {} are more than {MAX_TRACES}",
            tags.len()
        )));
    }
    let each = tags.iter().map(|t| (t, current.assessed.trace(t, step)));
    Ok(varies(if form == PACKED {
        packed_answer(each.map(|(t, trace)| table(t, step_s, trace)).collect())?
    } else {
        let traces = each.map(|(t, trace)| view(t, step_s, trace)).collect();
        Json(TracesAnswer { traces }).into_response()
    }))
}
