//! What a request says, taken apart; every refusal is a problem that names the parameter.

use super::problem::Problem;
use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, FromRequest, FromRequestParts, Request};
use axum::http::{StatusCode, header};
use ingest_model::UtcMicros;
use serde::Deserialize;
use serde::de::DeserializeOwned;

/// Largest JSON body taken.
const JSON_BYTES: usize = 64 * 1024;

/// `Query` whose refusal is a problem. With `deny_unknown_fields` on its type, a parameter that the address does not
/// have is refused: a misspelt `from` must not answer the whole record.
#[derive(FromRequestParts)]
#[from_request(via(axum::extract::Query), rejection(Problem))]
pub(super) struct Query<T>(pub(super) T);

/// The query of an address that has no parameters.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct NoQuery {}

/// `Path` whose refusal is a problem.
#[derive(FromRequestParts)]
#[from_request(via(axum::extract::Path), rejection(Problem))]
pub(super) struct Path<T>(pub(super) T);

/// A JSON body: 415 for another type, 413 when too long, 400 when it is no JSON, 422 when it is not what is wanted.
pub(super) struct Body<T>(pub(super) T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequest<S> for Body<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, _state: &S) -> Result<Self, Problem> {
        media_type(
            &request,
            &["application/json", "application/merge-patch+json"],
        )?;
        let bytes = bytes(request, JSON_BYTES).await?;
        let value: serde_json::Value = serde_json::from_slice(&bytes)
            .map_err(|e| Problem::bad_request(format!("the body is not JSON: {e}")))?;
        serde_json::from_value(value)
            .map(Self)
            .map_err(|e| Problem::unprocessable(e.to_string()))
    }
}

/// Refuses a body of another type. Also keeps forms of other pages out: they cannot send these types unasked.
pub(super) fn media_type(request: &Request, taken: &[&str]) -> Result<(), Problem> {
    let given = request
        .headers()
        .get(header::CONTENT_TYPE)
        .and_then(|v| v.to_str().ok())
        .and_then(|v| v.split(';').next())
        .unwrap_or_default()
        .trim();
    if taken.iter().any(|t| given.eq_ignore_ascii_case(t)) {
        Ok(())
    } else {
        Err(Problem::media_type(taken))
    }
}

/// The whole body, at most `limit` bytes.
pub(super) async fn bytes(mut request: Request, limit: usize) -> Result<Bytes, Problem> {
    DefaultBodyLimit::max(limit).apply(&mut request);
    let read = Bytes::from_request(request, &()).await;
    read.map_err(|e| match e.status() {
        StatusCode::PAYLOAD_TOO_LARGE => Problem::too_large(limit),
        _ => Problem::bad_request(e.body_text()),
    })
}

/// The time in parameter `name`.
pub(super) fn time_of(name: &str, text: Option<&str>) -> Result<Option<UtcMicros>, Problem> {
    let Some(text) = text else { return Ok(None) };
    // An offset written with a bare plus: in a query that is a space.
    let mended = text
        .rsplit_once(' ')
        .filter(|(time, offset)| time.contains(['T', 't']) && offset.contains(':'))
        .map(|(time, offset)| format!("{time}+{offset}"));
    UtcMicros::parse_rfc3339(mended.as_deref().unwrap_or(text))
        .map(Some)
        .map_err(|e| Problem::bad_request(format!("{name}: {e}")))
}

/// A number that must lie in a range.
pub(super) fn within(
    name: &str,
    value: Option<usize>,
    without: usize,
    most: usize,
) -> Result<usize, Problem> {
    let value = value.unwrap_or(without);
    if (1..=most).contains(&value) {
        Ok(value)
    } else {
        Err(Problem::bad_request(format!(
            "{name}: {value} is not 1 to {most}"
        )))
    }
}
