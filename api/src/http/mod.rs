//! The HTTP API (contract section 4): routes, the OpenAPI document made from them, and the layers around.

mod accept;
mod agreement;
mod attention;
mod baseline;
mod cases;
mod circuit;
mod course;
mod detectable;
mod device;
mod document;
pub mod events;
mod extract;
mod families;
mod guard;
mod loops;
mod operations;
mod packed;
mod patch;
mod person;
pub mod problem;
mod readings;
mod register;
mod sheets;
mod sign_in;
mod stream;
mod trace;
mod work;

use crate::page;
use crate::state::{GatewayView, Shared};
use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::IntoResponse;
use axum::routing::{any, get};
use problem::Problem;
use std::sync::Arc;
use std::time::Duration;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;
use tower_http::compression::predicate::{DefaultPredicate, NotForContentType, Predicate};
use tower_http::set_header::SetResponseHeaderLayer;
use tower_http::timeout::TimeoutLayer;
use utoipa::OpenApi;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

/// Longest answer; a year of readings of one loop takes a few seconds.
const ANSWER_WITHIN: Duration = Duration::from_secs(120);
/// A long answer waits so long for its turn.
const TURN_WITHIN: Duration = Duration::from_secs(20);

type App = axum::extract::State<Arc<Shared>>;

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Loopwitness",
        description = "Ranked findings on smart 4-20 mA loops. Times are RFC 3339, UTC; numbers that are not known are null; errors are RFC 9457 problem+json. A parameter that an address does not have is refused. Where an answer has one form only, it is given whatever `Accept` says."
    ),
    components(schemas(
        Problem,
        attention::CriticalityName,
        families::FormatName,
        trace::StepName
    ))
)]
struct Document;

fn routes() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::with_openapi(Document::openapi())
        .routes(routes!(attention::attention))
        .routes(routes!(attention::common_causes))
        .routes(routes!(loops::list))
        .routes(routes!(loops::one, patch::patch))
        .routes(routes!(baseline::list))
        .routes(routes!(baseline::accept))
        .routes(routes!(baseline::end))
        .routes(routes!(baseline::replaces))
        .routes(routes!(readings::readings))
        .routes(routes!(agreement::agreement_of))
        .routes(routes!(circuit::circuit))
        .routes(routes!(device::of_loop))
        .routes(routes!(device::of_gateway))
        .routes(routes!(detectable::loop_detectable))
        .routes(routes!(detectable::detectable))
        .routes(routes!(detectable::summary))
        .routes(routes!(trace::trace))
        .routes(routes!(trace::traces))
        .routes(routes!(sheets::trace_picture))
        .routes(routes!(sheets::report))
        .routes(routes!(operations::gateways))
        .routes(routes!(course::collection))
        .routes(routes!(course::differences))
        .routes(routes!(register::read, register::write))
        .routes(routes!(register::changes))
        .routes(routes!(work::list, work::announce))
        .routes(routes!(families::families))
        .routes(routes!(events::events))
        .merge(cases::routes())
        .routes(routes!(operations::metrics))
        .routes(routes!(operations::healthz))
        .routes(routes!(operations::readyz))
}

/// The OpenAPI 3.1 document, as `/api/openapi.json` serves it.
pub fn openapi_json() -> String {
    let mut document = routes().into_openapi();
    document::complete(&mut document);
    let mut text = document.to_pretty_json().unwrap_or_default();
    text.push('\n');
    text
}

/// Everything the service answers.
pub fn router(shared: Arc<Shared>) -> Router {
    let (limits, origins, doors) = (shared.clone(), shared.clone(), shared.clone());
    let body_bytes = limits.body_bytes();
    let (api, _document) = routes().split_for_parts();
    let document: Arc<str> = openapi_json().into();
    let router = api.route(
        "/api/openapi.json",
        get(move || async move {
            (
                [(header::CONTENT_TYPE, "application/json")],
                document.to_string(),
            )
        }),
    );
    let router = router
        .route("/sign-in", get(sign_in::form).post(sign_in::enter))
        .route("/sign-out", axum::routing::post(sign_in::leave))
        .route("/api", any(|| async { Problem::not_found() }))
        .route("/api/{*rest}", any(|| async { Problem::not_found() }))
        .layer(TimeoutLayer::with_status_code(
            StatusCode::REQUEST_TIMEOUT,
            ANSWER_WITHIN,
        ))
        .fallback(get(page::page))
        .method_not_allowed_fallback(|| async { StatusCode::METHOD_NOT_ALLOWED })
        .with_state(shared);
    let fixed = |name: HeaderName, value: &'static str| {
        SetResponseHeaderLayer::if_not_present(name, HeaderValue::from_static(value))
    };
    router
        .layer(DefaultBodyLimit::max(body_bytes))
        .layer(CatchPanicLayer::custom(|_| {
            Problem::from_status(StatusCode::INTERNAL_SERVER_ERROR).into_response()
        }))
        .layer(axum::middleware::from_fn_with_state(
            limits,
            guard::not_too_many,
        ))
        .layer(axum::middleware::from_fn_with_state(
            doors,
            sign_in::signed_in,
        ))
        .layer(axum::middleware::from_fn_with_state(
            origins,
            guard::same_origin,
        ))
        .layer(axum::middleware::map_response(problem::fill_in))
        // Clients are on this machine: packing an answer takes more time than it saves. The whole result comes packed.
        .layer(
            CompressionLayer::new().compress_when(
                DefaultPredicate::new()
                    .and(NotForContentType::const_new("application/json"))
                    .and(NotForContentType::const_new(
                        "application/vnd.apache.arrow.stream",
                    ))
                    .and(NotForContentType::const_new(packed::PACKED)),
            ),
        )
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

/// A permit for an answer that reads or takes much. Waits for its turn; 503 when too many wait or it takes too long.
async fn heavy(shared: &Shared) -> Result<tokio::sync::OwnedSemaphorePermit, Problem> {
    let busy = || Problem::unavailable("too many long answers are under way; ask again shortly", 2);
    let _place = shared.waiting.try_acquire().map_err(|_| busy())?;
    tokio::time::timeout(TURN_WITHIN, shared.heavy.clone().acquire_owned())
        .await
        .map_err(|_| busy())?
        .map_err(|_| busy())
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
