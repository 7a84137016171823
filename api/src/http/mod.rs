//! The HTTP API (contract section 4): routes, the OpenAPI document made from them, and the layers around.

mod attention;
mod cases;
mod events;
mod guard;
mod loops;
mod operations;
pub mod problem;
mod readings;
mod register;
mod trace;

use crate::page;
use crate::state::{GatewayView, Shared};
use axum::Router;
use axum::extract::{DefaultBodyLimit, FromRequestParts};
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::IntoResponse;
use axum::routing::{any, get};
use problem::Problem;
use std::sync::Arc;
use std::time::Duration;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;
use tower_http::set_header::SetResponseHeaderLayer;
use tower_http::timeout::TimeoutLayer;
use utoipa::OpenApi;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

/// Longest answer; a year of readings of one loop takes a few seconds.
const ANSWER_WITHIN: Duration = Duration::from_secs(120);
/// Largest `loops.csv` taken: about 100,000 loops.
const REGISTER_BYTES: usize = 32 * 1024 * 1024;

type App = axum::extract::State<Arc<Shared>>;

/// `Query` whose refusal is a problem.
#[derive(FromRequestParts)]
#[from_request(via(axum::extract::Query), rejection(Problem))]
struct Query<T>(T);

/// `Path` whose refusal is a problem.
#[derive(FromRequestParts)]
#[from_request(via(axum::extract::Path), rejection(Problem))]
struct Path<T>(T);

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Loopwitness",
        description = "Ranked findings on smart 4-20 mA loops. Times are RFC 3339, UTC; numbers that are not known are null; errors are RFC 9457 problem+json."
    ),
    components(schemas(Problem))
)]
struct Document;

fn routes() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::with_openapi(Document::openapi())
        .routes(routes!(attention::attention))
        .routes(routes!(attention::common_causes))
        .routes(routes!(loops::list))
        .routes(routes!(loops::one))
        .routes(routes!(readings::readings))
        .routes(routes!(trace::trace))
        .routes(routes!(trace::traces))
        .routes(routes!(operations::gateways))
        .routes(routes!(register::read, register::write))
        .routes(routes!(register::work))
        .merge(cases::routes())
        .routes(routes!(operations::metrics))
        .routes(routes!(operations::healthz))
        .routes(routes!(operations::readyz))
}

/// The OpenAPI 3.1 document, as `/api/openapi.json` serves it.
pub fn openapi_json() -> String {
    let mut text = routes().into_openapi().to_pretty_json().unwrap_or_default();
    text.push('\n');
    text
}

/// Planned addresses (contract section 4); each answers 501 whatever the method.
const NOT_BUILT: [&str; 2] = ["/api/v1/loops/{tag}/agreement", "/api/v1/reports"];

/// Everything the service answers.
pub fn router(shared: Arc<Shared>) -> Router {
    let (api, _document) = routes().split_for_parts();
    let document: Arc<str> = openapi_json().into();
    let mut router = api.route(
        "/api/openapi.json",
        get(move || async move {
            (
                [(header::CONTENT_TYPE, "application/json")],
                document.to_string(),
            )
        }),
    );
    for path in NOT_BUILT {
        router = router.route(path, any(|| async { Problem::not_built() }));
    }
    let router = router
        // Planned methods of addresses that exist.
        .route(
            "/api/v1/loops/{tag}",
            axum::routing::patch(|| async { Problem::not_built() }),
        )
        .route(
            "/api/v1/work",
            axum::routing::post(|| async { Problem::not_built() }),
        )
        .route("/api", any(|| async { Problem::not_found() }))
        .route("/api/{*rest}", any(|| async { Problem::not_found() }))
        .layer(TimeoutLayer::with_status_code(
            StatusCode::REQUEST_TIMEOUT,
            ANSWER_WITHIN,
        ))
        // Outside of the time limit: an event stream stays open.
        .route("/api/v1/events", get(events::events))
        .fallback(get(page::page))
        .method_not_allowed_fallback(|| async { StatusCode::METHOD_NOT_ALLOWED })
        .with_state(shared);
    let fixed = |name: HeaderName, value: &'static str| {
        SetResponseHeaderLayer::if_not_present(name, HeaderValue::from_static(value))
    };
    router
        .layer(DefaultBodyLimit::max(REGISTER_BYTES))
        .layer(CatchPanicLayer::custom(|_| {
            Problem::from_status(StatusCode::INTERNAL_SERVER_ERROR).into_response()
        }))
        .layer(axum::middleware::from_fn(guard::same_origin))
        .layer(axum::middleware::map_response(problem::fill_in))
        .layer(CompressionLayer::new())
        .layer(fixed(header::CONTENT_SECURITY_POLICY, page::CONTENT_POLICY))
        .layer(fixed(header::X_CONTENT_TYPE_OPTIONS, "nosniff"))
        .layer(fixed(header::REFERRER_POLICY, "no-referrer"))
        .layer(fixed(
            HeaderName::from_static("cross-origin-opener-policy"),
            "same-origin",
        ))
        .layer(fixed(
            HeaderName::from_static("cross-origin-resource-policy"),
            "same-origin",
        ))
        .layer(fixed(header::CACHE_CONTROL, "no-store"))
}

/// A permit for an answer that reads much, or 503 when too many run.
fn heavy(shared: &Shared) -> Result<tokio::sync::OwnedSemaphorePermit, Problem> {
    shared.heavy.clone().try_acquire_owned().map_err(|_| {
        Problem::unavailable("too many long answers are under way; ask again shortly", 2)
    })
}

/// Runs blocking work; a panic in it becomes a 500.
async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Problem> + Send + 'static,
) -> Result<T, Problem> {
    match tokio::task::spawn_blocking(work).await {
        Ok(done) => done,
        Err(e) => Err(Problem::internal("the answer could not be made", &e)),
    }
}

/// A tag of the register, or 404.
fn known_tag(snapshot: &ingest_store::Snapshot, text: &str) -> Result<ingest_model::Tag, Problem> {
    ingest_model::Tag::new(text)
        .ok()
        .filter(|tag| snapshot.register().contains(tag))
        .ok_or_else(|| Problem::unknown_loop(text))
}

fn time_of(name: &str, text: Option<&str>) -> Result<Option<ingest_model::UtcMicros>, Problem> {
    text.map(|t| {
        ingest_model::UtcMicros::parse_rfc3339(t)
            .map_err(|e| Problem::bad_request(format!("{name}: {e}")))
    })
    .transpose()
}

/// A snapshot of the store, taken off the async threads.
async fn snapshot(app: &App) -> Result<ingest_store::Snapshot, Problem> {
    let reader = app.reader.clone();
    blocking(move || {
        reader
            .snapshot()
            .map_err(|e| Problem::internal("the store could not be read", &e))
    })
    .await
}
