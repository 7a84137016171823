//! Errors as RFC 9457 `application/problem+json`, with a stable `type` for each.

use axum::extract::rejection::{PathRejection, QueryRejection};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use std::borrow::Cow;

/// What went wrong, for a program (`type`, `status`) and for a person (`title`, `detail`).
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Problem {
    /// `urn:loopwitness:problem:...`, or `about:blank` where the status says it all.
    #[serde(rename = "type")]
    #[schema(rename = "type")]
    pub kind: Cow<'static, str>,
    pub title: Cow<'static, str>,
    #[schema(minimum = 400, maximum = 599)]
    pub status: u16,
    pub detail: String,
    /// Seconds after which to ask again; also the `Retry-After` header.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub retry_after_s: Option<u32>,
}

impl Problem {
    fn new(
        status: StatusCode,
        kind: &'static str,
        title: &'static str,
        detail: impl Into<String>,
    ) -> Self {
        Self {
            kind: Cow::Borrowed(kind),
            title: Cow::Borrowed(title),
            status: status.as_u16(),
            detail: detail.into(),
            retry_after_s: None,
        }
    }

    /// 400: a parameter or body is not what the address takes.
    pub fn bad_request(detail: impl Into<String>) -> Self {
        Self::new(
            StatusCode::BAD_REQUEST,
            "urn:loopwitness:problem:bad-request",
            "The request is not understood",
            detail,
        )
    }

    /// 401: who asks is not known.
    pub fn unauthorized() -> Self {
        Self::new(
            StatusCode::UNAUTHORIZED,
            "urn:loopwitness:problem:sign-in",
            "Sign in first",
            "send a token of this site (Authorization: Bearer ...), or sign in at /sign-in",
        )
    }

    /// 403: another page's script may not do this.
    pub fn forbidden(detail: impl Into<String>) -> Self {
        Self::new(
            StatusCode::FORBIDDEN,
            "urn:loopwitness:problem:forbidden",
            "Not from there",
            detail,
        )
    }

    /// 404 for a loop.
    pub fn unknown_loop(tag: &str) -> Self {
        let shown: String = tag.chars().take(60).collect();
        Self::new(
            StatusCode::NOT_FOUND,
            "urn:loopwitness:problem:unknown-loop",
            "No such loop",
            format!("the register holds no loop with the tag `{shown}`"),
        )
    }

    /// 404 for an address.
    pub fn not_found() -> Self {
        Self::new(
            StatusCode::NOT_FOUND,
            "urn:loopwitness:problem:not-found",
            "No such address",
            "nothing is at this address; /api/openapi.json lists what there is",
        )
    }

    /// 406: the client takes none of the forms that there are.
    pub fn not_acceptable(offered: &[&str]) -> Self {
        Self::new(
            StatusCode::NOT_ACCEPTABLE,
            "urn:loopwitness:problem:not-acceptable",
            "No such form of the answer",
            format!("this address answers as {}", offered.join(" or ")),
        )
    }

    /// 409: what was asked for no longer fits what there is.
    pub fn conflict(detail: impl Into<String>) -> Self {
        Self::new(
            StatusCode::CONFLICT,
            "urn:loopwitness:problem:conflict",
            "It has changed since",
            detail,
        )
    }

    /// 413: more than is taken.
    pub fn too_large(limit_bytes: usize) -> Self {
        let mut p = Self::from_status(StatusCode::PAYLOAD_TOO_LARGE);
        p.detail = format!("the body is larger than {limit_bytes} bytes");
        p
    }

    /// 415: a body of a type that is not taken.
    pub fn media_type(taken: &[&str]) -> Self {
        Self::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "urn:loopwitness:problem:media-type",
            "Not a type that is taken",
            format!("the Content-Type must be {}", taken.join(" or ")),
        )
    }

    /// 422: understood, but the content cannot be taken.
    pub fn unprocessable(detail: impl Into<String>) -> Self {
        Self::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            "urn:loopwitness:problem:not-acceptable-content",
            "The content cannot be taken",
            detail,
        )
    }

    /// 500: ours to mend. The cause goes to the log, not to the caller.
    pub fn internal(context: &str, cause: &dyn std::fmt::Display) -> Self {
        tracing::error!(%cause, "{context}");
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "urn:loopwitness:problem:internal",
            "The service failed",
            format!("{context}; the service's log has the cause"),
        )
    }

    /// 503: later it will work.
    pub fn unavailable(detail: impl Into<String>, retry_after_s: u32) -> Self {
        let mut p = Self::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "urn:loopwitness:problem:not-ready",
            "Not ready yet",
            detail,
        );
        p.retry_after_s = Some(retry_after_s);
        p
    }

    /// For a status that some layer answered without a body of ours.
    pub fn from_status(status: StatusCode) -> Self {
        let (title, detail) = match status {
            StatusCode::METHOD_NOT_ALLOWED => (
                "Method not allowed",
                "this address does not take that method; the Allow header lists what it takes",
            ),
            StatusCode::PAYLOAD_TOO_LARGE => {
                ("Too much", "the body is larger than this address takes")
            }
            StatusCode::REQUEST_TIMEOUT => (
                "Took too long",
                "the answer took too long; ask for a shorter time range",
            ),
            StatusCode::NOT_FOUND => return Self::not_found(),
            _ => (
                status.canonical_reason().unwrap_or("Error"),
                "the request was refused",
            ),
        };
        Self::new(status, "about:blank", title, detail)
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let body = serde_json::to_vec(&self).unwrap_or_default();
        let mut response = (status, body).into_response();
        let headers = response.headers_mut();
        headers.insert(
            header::CONTENT_TYPE,
            HeaderValue::from_static("application/problem+json"),
        );
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
        if let Some(s) = self.retry_after_s {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(s));
        }
        response
    }
}

impl From<QueryRejection> for Problem {
    fn from(r: QueryRejection) -> Self {
        Self::bad_request(r.body_text())
    }
}

impl From<PathRejection> for Problem {
    fn from(r: PathRejection) -> Self {
        Self::bad_request(r.body_text())
    }
}

/// Gives every refusal that a layer made on its own (404, 405, 408, 413, ...) the problem body.
pub(crate) async fn fill_in(response: Response) -> Response {
    let status = response.status();
    if !(status.is_client_error() || status.is_server_error()) {
        return response;
    }
    let ours = response
        .headers()
        .get(header::CONTENT_TYPE)
        .is_some_and(|v| v == "application/problem+json");
    if ours {
        return response;
    }
    let allow = response.headers().get(header::ALLOW).cloned();
    let mut filled = Problem::from_status(status).into_response();
    if let Some(allow) = allow {
        filled.headers_mut().insert(header::ALLOW, allow);
    }
    filled
}
