//! The register as CSV, and what people changed.

use super::extract::{self, NoQuery, Query, within};
use super::person::{NAME_CHARACTERS, WHY_CHARACTERS, change, kept, text_of};
use super::problem::Problem;
use super::{App, blocking, heavy};
use axum::Json;
use axum::extract::Request;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use ingest_store::{Author, ChangeRecord, ChangedCell, RegisterDiff};
use serde::{Deserialize, Serialize};
use serde_json::Value;

const DEFAULT_CHANGES: usize = 100;
const MAX_CHANGES: usize = 1_000;

/// The whole register, `loops.csv` of the exchange contract.
#[utoipa::path(get, path = "/api/v1/register", responses(
    (status = 200, description = "the register", body = String, content_type = "text/csv"),
    (status = 400, description = "a parameter that this address does not have", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn read(app: App, Query(_none): Query<NoQuery>) -> Result<Response, Problem> {
    let text = super::snapshot(&app).await?.register().to_csv();
    let headers = [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8"),
        (
            header::CONTENT_DISPOSITION,
            "attachment; filename=\"loops.csv\"",
        ),
    ];
    Ok((headers, text).into_response())
}

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct WriteQuery {
    /// The `token` of the difference that was shown: takes the register. Without it the answer only says what would change.
    #[param(min_length = 1)]
    confirm: Option<String>,
    /// Who changes it.
    #[param(min_length = 1, max_length = 100)]
    by: Option<String>,
    /// Why.
    #[param(min_length = 1, max_length = 500)]
    why: Option<String>,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct ChangedCellView {
    column: String,
    before: String,
    after: String,
}

impl From<ChangedCell> for ChangedCellView {
    fn from(c: ChangedCell) -> Self {
        Self {
            column: c.column,
            before: c.before,
            after: c.after,
        }
    }
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
    /// Give it as `confirm` with the same list to take it; null when it was taken.
    token: Option<String>,
    added: Vec<String>,
    changed: Vec<ChangedLoopView>,
    /// Missing from the new list: kept and marked.
    retired: Vec<String>,
    returned: Vec<String>,
    unchanged: usize,
}

fn diff_view(d: RegisterDiff, token: Option<String>) -> DiffAnswer {
    let changed = d.changed.into_iter().map(|c| ChangedLoopView {
        tag: c.tag,
        valid_from: c.valid_from,
        cells: c.cells.into_iter().map(ChangedCellView::from).collect(),
    });
    DiffAnswer {
        applied: token.is_none(),
        token,
        added: d.added,
        changed: changed.collect(),
        retired: d.retired,
        returned: d.returned,
        unchanged: d.unchanged,
    }
}

/// Takes a `loops.csv`: answers the difference first, and takes it when that is confirmed.
///
/// The first answer has a `token`. The same list posted again with `confirm=TOKEN` is taken, unless the register changed in
/// between (409): what is taken is what was shown.
#[utoipa::path(post, path = "/api/v1/register", params(WriteQuery), request_body(content = String, content_type = "text/csv", example = "tag,pv_unit,lrv,urv\nFT-101,m3/h,0,250\n"), responses(
    (status = 200, description = "the difference, taken or not", body = DiffAnswer),
    (status = 400, description = "not UTF-8, or a parameter is not understood", body = Problem, content_type = "application/problem+json"),
    (status = 409, description = "the list or the register is not the one whose difference was shown", body = Problem, content_type = "application/problem+json"),
    (status = 413, description = "larger than 32 MiB", body = Problem, content_type = "application/problem+json"),
    (status = 415, description = "not text/csv", body = Problem, content_type = "application/problem+json"),
    (status = 422, description = "a row that cannot be used, named", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn write(
    app: App,
    Query(q): Query<WriteQuery>,
    request: Request,
) -> Result<Json<DiffAnswer>, Problem> {
    extract::media_type(&request, &["text/csv"])?;
    let said = |name, text: Option<String>, most| {
        let text = text.map(|t| text_of(name, &t, most)).transpose();
        text.map(Option::unwrap_or_default)
            .map_err(|p| Problem::bad_request(p.detail))
    };
    let author = Author {
        by: said("by", q.by, NAME_CHARACTERS)?,
        why: said("why", q.why, WHY_CHARACTERS)?,
    };
    if q.confirm.as_deref() == Some("") {
        return Err(Problem::bad_request("confirm: is empty"));
    }
    let most = usize::try_from(app.limits.register_body_bytes).unwrap_or(usize::MAX);
    // Before the body is read: it may be long.
    let _permit = heavy(&app).await?;
    let text = String::from_utf8(extract::bytes(request, most).await?.into())
        .map_err(|_| Problem::bad_request("the body is not UTF-8"))?;
    change(app, move |shared, store, now| {
        let Some(token) = q.confirm else {
            let (diff, token) = store.register_propose(&text, now).map_err(kept)?;
            return Ok(Json(diff_view(diff, Some(token))));
        };
        let diff = store
            .register_confirm(&text, &token, &author, now)
            .map_err(kept)?;
        if !diff.is_empty() {
            shared.register_changed_by_person();
        }
        Ok(Json(diff_view(diff, None)))
    })
    .await
}

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct ChangesQuery {
    /// Only changes with an id below this; `next` of the page before.
    before: Option<i64>,
    /// 1 to 1,000; 100 without it.
    #[param(minimum = 1, maximum = 1_000)]
    limit: Option<usize>,
}

/// A change that a person made.
#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct ChangeView {
    id: i64,
    #[schema(format = DateTime)]
    at: String,
    /// Empty where nobody said.
    by: String,
    why: String,
    /// `loop`, `register`, `work`, `baseline`, `baseline-ended` or `replaced`.
    what: String,
    /// Null where it concerns several loops.
    tag: Option<String>,
    /// Changed cells of a loop, counts of a register, begin and end of work or of a baseline.
    detail: Value,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct ChangesAnswer {
    changes: Vec<ChangeView>,
    /// The `before` of the next page; null on the last one.
    next: Option<i64>,
}

impl From<ChangeRecord> for ChangeView {
    fn from(c: ChangeRecord) -> Self {
        Self {
            id: c.id,
            at: c.at.to_rfc3339(),
            by: c.by,
            why: c.why,
            what: c.what,
            tag: c.tag,
            detail: serde_json::from_str(&c.detail).unwrap_or_default(),
        }
    }
}

/// What people changed, with who and why; the newest first.
#[utoipa::path(get, path = "/api/v1/changes", params(ChangesQuery), responses(
    (status = 200, description = "one page of changes", body = ChangesAnswer),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn changes(
    app: App,
    Query(q): Query<ChangesQuery>,
) -> Result<Json<ChangesAnswer>, Problem> {
    let limit = within("limit", q.limit, DEFAULT_CHANGES, MAX_CHANGES)?;
    let reader = app.reader.clone();
    blocking(move || {
        let mut found = reader
            .changes(q.before, limit + 1)
            .map_err(|e| Problem::internal("the store could not be read", &e))?;
        let more = found.len() > limit;
        found.truncate(limit);
        let next = found.last().filter(|_| more).map(|c| c.id);
        let changes = found.into_iter().map(ChangeView::from).collect();
        Ok(Json(ChangesAnswer { changes, next }))
    })
    .await
}
