//! The register as CSV, and announced work.

use super::problem::Problem;
use super::{App, Query, blocking};
use axum::Json;
use axum::body::Bytes;
use axum::extract::rejection::BytesRejection;
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use ingest_store::{RegisterDiff, StoreError};
use serde::{Deserialize, Serialize};

/// The whole register, `loops.csv` of the exchange contract.
#[utoipa::path(get, path = "/api/v1/register", responses((status = 200, description = "the register", body = String, content_type = "text/csv")))]
pub(super) async fn read(app: App) -> Result<Response, Problem> {
    let text = super::snapshot(&app).await?.register().to_csv();
    Ok(([(header::CONTENT_TYPE, "text/csv; charset=utf-8")], text).into_response())
}

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub(super) struct WriteQuery {
    /// `true` takes the register; without it the answer only says what would change.
    apply: Option<bool>,
}

#[derive(Serialize, utoipa::ToSchema)]
struct ChangedCellView {
    column: String,
    before: String,
    after: String,
}

#[derive(Serialize, utoipa::ToSchema)]
struct ChangedLoopView {
    tag: String,
    valid_from: Option<String>,
    cells: Vec<ChangedCellView>,
}

/// What a register changes against the one in force.
#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct DiffAnswer {
    applied: bool,
    added: Vec<String>,
    changed: Vec<ChangedLoopView>,
    /// Missing from the new list: kept and marked.
    retired: Vec<String>,
    returned: Vec<String>,
    unchanged: usize,
}

fn diff_view(d: RegisterDiff, applied: bool) -> DiffAnswer {
    DiffAnswer {
        applied,
        added: d.added,
        changed: d
            .changed
            .into_iter()
            .map(|c| ChangedLoopView {
                tag: c.tag,
                valid_from: c.valid_from,
                cells: c
                    .cells
                    .into_iter()
                    .map(|x| ChangedCellView {
                        column: x.column,
                        before: x.before,
                        after: x.after,
                    })
                    .collect(),
            })
            .collect(),
        retired: d.retired,
        returned: d.returned,
        unchanged: d.unchanged,
    }
}

/// Takes a `loops.csv`: answers the difference, and applies it when asked to.
#[utoipa::path(post, path = "/api/v1/register", params(WriteQuery), request_body(content = String, content_type = "text/csv"), responses(
    (status = 200, description = "the difference, applied or not", body = DiffAnswer),
    (status = 400, description = "not UTF-8, or not text/csv", body = Problem, content_type = "application/problem+json"),
    (status = 413, description = "larger than 32 MiB", body = Problem, content_type = "application/problem+json"),
    (status = 422, description = "a row that cannot be used, named", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn write(
    app: App,
    Query(q): Query<WriteQuery>,
    headers: HeaderMap,
    body: Result<Bytes, BytesRejection>,
) -> Result<Json<DiffAnswer>, Problem> {
    // Also keeps forms of other pages out: they cannot send this type without asking first.
    let csv = headers
        .get(header::CONTENT_TYPE)
        .and_then(|v| v.to_str().ok())
        .is_some_and(|v| v.starts_with("text/csv"));
    if !csv {
        return Err(Problem::bad_request(
            "the body must be text/csv, a whole loops.csv",
        ));
    }
    let text = String::from_utf8(body?.to_vec())
        .map_err(|_| Problem::bad_request("the body is not UTF-8"))?;
    let store = app
        .store()
        .ok_or_else(|| Problem::unavailable("the service is stopping", 5))?;
    let applied = q.apply.unwrap_or(false);
    let shared = app.0;
    blocking(move || {
        let now = crate::clock::now();
        let done = if applied {
            store.register_apply(&text, now)
        } else {
            store.register_preview(&text, now)
        };
        let diff = done.map_err(|e| match e {
            StoreError::Io { .. } | StoreError::Database { .. } => {
                Problem::internal("the register could not be kept", &e)
            }
            told => Problem::unprocessable(told.to_string()),
        })?;
        if applied {
            shared.changed.notify_one();
            shared.register_changed.send_replace(());
        }
        Ok(Json(diff_view(diff, applied)))
    })
    .await
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct WorkView {
    /// A tag, or `*` for every loop.
    tag: String,
    from: String,
    to: String,
    note: String,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct WorkAnswer {
    work: Vec<WorkView>,
}

/// Announced work.
#[utoipa::path(get, path = "/api/v1/work", responses((status = 200, description = "announced work", body = WorkAnswer)))]
pub(super) async fn work(app: App) -> Result<Json<WorkAnswer>, Problem> {
    let snapshot = super::snapshot(&app).await?;
    let work = snapshot
        .work()
        .iter()
        .map(|w| WorkView {
            tag: w
                .tag
                .as_ref()
                .map_or_else(|| "*".to_owned(), ToString::to_string),
            from: w.from.to_rfc3339(),
            to: w.to.to_rfc3339(),
            note: w.note.clone(),
        })
        .collect();
    Ok(Json(WorkAnswer { work }))
}
