//! Keeps other web pages out: a browser on this machine runs scripts of strangers, and loopback is open to them. And
//! keeps the number of requests at once in bounds.

use super::problem::Problem;
use crate::state::Shared;
use axum::extract::{Request, State};
use axum::http::{Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::sync::Arc;

/// Refuses a `Host` that is neither loopback nor a name of the site (a foreign name pointed here), and changes asked for by
/// another origin.
pub(super) async fn same_origin(
    State(shared): State<Arc<Shared>>,
    request: Request,
    next: Next,
) -> Response {
    let headers = request.headers();
    let known = |host: &str| {
        let name = without_port(host);
        is_loopback(name) || shared.access.as_ref().is_some_and(|a| a.answers_to(name))
    };
    if let Some(host) = headers.get(header::HOST)
        && !host.to_str().is_ok_and(known)
    {
        return Problem::forbidden(
            "the Host header must be a loopback name, or one of [access] hosts of site.toml",
        )
        .into_response();
    }
    let reads = matches!(*request.method(), Method::GET | Method::HEAD);
    let foreign = headers
        .get("sec-fetch-site")
        .is_some_and(|v| v != "same-origin" && v != "none");
    if !reads && foreign {
        return Problem::forbidden("changes are taken from this page only").into_response();
    }
    next.run(request).await
}

/// 503 beyond a number of requests at once; liveness is always answered.
pub(super) async fn not_too_many(
    State(shared): State<Arc<Shared>>,
    request: Request,
    next: Next,
) -> Response {
    if request.uri().path() == "/healthz" {
        return next.run(request).await;
    }
    match shared.requests.try_acquire() {
        Ok(_permit) => next.run(request).await,
        Err(_) => Problem::unavailable("too many requests are under way", 1).into_response(),
    }
}

fn without_port(host: &str) -> &str {
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|b| b.is_ascii_digit()) => name,
        _ => host,
    };
    name.trim_start_matches('[').trim_end_matches(']')
}

fn is_loopback(name: &str) -> bool {
    name.eq_ignore_ascii_case("localhost")
        || name
            .parse::<std::net::IpAddr>()
            .is_ok_and(|ip| ip.is_loopback())
}
