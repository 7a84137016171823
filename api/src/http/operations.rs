//! For those who run the service: gateways, metrics, liveness, readiness.

use super::extract::{NoQuery, Query};
use super::problem::Problem;
use super::{App, GatewayView};
use axum::Json;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::Serialize;

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct GatewaysAnswer {
    gateways: Vec<GatewayView>,
}

/// The gateways: connection, pace by gateway and modem, failures.
#[utoipa::path(get, path = "/api/v1/gateways", responses(
    (status = 200, description = "the configured gateways", body = GatewaysAnswer),
    (status = 400, description = "a parameter that this address does not have", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn gateways(
    app: App,
    Query(_none): Query<NoQuery>,
) -> Result<Json<GatewaysAnswer>, Problem> {
    let snapshot = super::snapshot(&app).await?;
    let mut gateways = app.gateways();
    for modem in gateways.iter_mut().flat_map(|g| &mut g.modems) {
        let of_loop = modem
            .tag
            .as_ref()
            .and_then(|t| snapshot.register().current(t));
        modem.name = of_loop.and_then(|l| l.modem.clone());
    }
    Ok(Json(GatewaysAnswer { gateways }))
}

/// Prometheus text format 0.0.4.
#[utoipa::path(get, path = "/metrics", responses((status = 200, description = "counts and durations", body = String, content_type = "text/plain; version=0.0.4")))]
pub(super) async fn metrics(app: App) -> Result<Response, Problem> {
    let text = app
        .metrics
        .render(&app.gateways())
        .map_err(|e| Problem::internal("the metrics could not be written", &e))?;
    Ok((
        [(
            header::CONTENT_TYPE,
            "text/plain; version=0.0.4; charset=utf-8",
        )],
        text,
    )
        .into_response())
}

/// The process lives; waits for nothing.
#[utoipa::path(get, path = "/healthz", responses((status = 200, description = "the process lives", body = String, content_type = "text/plain")))]
pub(super) async fn healthz() -> &'static str {
    "the process lives\n"
}

/// The store is open and the register loaded.
#[utoipa::path(get, path = "/readyz", responses(
    (status = 200, description = "store open, register loaded", body = String, content_type = "text/plain"),
    (status = 503, description = "not yet, or stopping", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn readyz(app: App) -> Result<&'static str, Problem> {
    if app.stop.is_cancelled() {
        return Err(Problem::unavailable("the service is stopping", 5));
    }
    if !app.is_ready() {
        return Err(Problem::unavailable("the register is being loaded", 1));
    }
    Ok("store open, register loaded\n")
}
