//! Announced work: what it explains is no finding.

use super::App;
use super::extract::{Body, Query, time_of, within};
use super::person::{NAME_CHARACTERS, WHY_CHARACTERS, body_time, change, kept, tag_now, text_of};
use super::problem::Problem;
use axum::Json;
use axum::http::StatusCode;
use ingest_model::{Tag, UtcMicros};
use ingest_store::WorkWindow;
use serde::{Deserialize, Serialize};

const DEFAULT_LIMIT: usize = 1_000;
const MAX_LIMIT: usize = 10_000;
/// Longest work: a window that never ends would silence the watch.
const LONGEST_DAYS: i64 = 366;

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct WorkQuery {
    /// Only work that ends after this, RFC 3339.
    #[param(format = DateTime)]
    from: Option<String>,
    /// Only work that begins before this, RFC 3339.
    #[param(format = DateTime)]
    to: Option<String>,
    /// The last so many: 1 to 10,000; 1,000 without it.
    #[param(minimum = 1, maximum = 10_000)]
    limit: Option<usize>,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct WorkView {
    /// A tag, or `*` for every loop.
    tag: String,
    #[schema(format = DateTime)]
    from: String,
    #[schema(format = DateTime)]
    to: String,
    note: String,
}

impl From<&WorkWindow> for WorkView {
    fn from(w: &WorkWindow) -> Self {
        let every = || "*".to_owned();
        Self {
            tag: w.tag.as_ref().map_or_else(every, Tag::to_string),
            from: w.from.to_rfc3339(),
            to: w.to.to_rfc3339(),
            note: w.note.clone(),
        }
    }
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct WorkAnswer {
    /// In order of its begin.
    work: Vec<WorkView>,
    /// Windows that the times leave, before `limit`.
    matched: usize,
}

/// Announced work.
#[utoipa::path(get, path = "/api/v1/work", params(WorkQuery), responses(
    (status = 200, description = "announced work", body = WorkAnswer),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn list(
    app: App,
    Query(q): Query<WorkQuery>,
) -> Result<Json<WorkAnswer>, Problem> {
    let limit = within("limit", q.limit, DEFAULT_LIMIT, MAX_LIMIT)?;
    let from = time_of("from", q.from.as_deref())?;
    let to = time_of("to", q.to.as_deref())?;
    let snapshot = super::snapshot(&app).await?;
    let found: Vec<&WorkWindow> = snapshot
        .work()
        .iter()
        .filter(|w| from.is_none_or(|t| w.to > t) && to.is_none_or(|t| w.from < t))
        .collect();
    let last = found.iter().skip(found.len().saturating_sub(limit));
    Ok(Json(WorkAnswer {
        work: last.map(|w| WorkView::from(*w)).collect(),
        matched: found.len(),
    }))
}

/// Work to announce.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct WorkBody {
    /// A tag, or `*` for every loop.
    #[schema(min_length = 1, max_length = 32)]
    tag: String,
    #[schema(format = DateTime)]
    from: String,
    /// After `from`, at most 366 days.
    #[schema(format = DateTime)]
    to: String,
    /// What is done.
    #[schema(min_length = 1, max_length = 500)]
    note: String,
    /// Who announces it.
    #[schema(min_length = 1, max_length = 100)]
    by: String,
}

/// Announces work; announcing the same again changes nothing.
#[utoipa::path(post, path = "/api/v1/work", request_body(content = WorkBody, example = json!({ "tag": "*", "from": "2026-03-02T06:00:00Z", "to": "2026-03-02T14:00:00Z", "note": "cooling water off", "by": "A. Roca" })), responses(
    (status = 201, description = "announced; the next assessment knows it", body = WorkView),
    (status = 400, description = "no JSON, or a parameter that this address does not have", body = Problem, content_type = "application/problem+json"),
    (status = 413, description = "larger than 64 KiB", body = Problem, content_type = "application/problem+json"),
    (status = 415, description = "not a JSON type", body = Problem, content_type = "application/problem+json"),
    (status = 422, description = "a value that cannot be used, named", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn announce(
    app: App,
    Query(_none): Query<super::extract::NoQuery>,
    Body(body): Body<WorkBody>,
) -> Result<(StatusCode, Json<WorkView>), Problem> {
    let time = |name, text: &str| {
        let time = body_time(name, Some(text))?;
        time.ok_or_else(|| Problem::unprocessable(format!("{name}: is missing")))
    };
    let (from, to): (UtcMicros, UtcMicros) = (time("from", &body.from)?, time("to", &body.to)?);
    if to <= from {
        return Err(Problem::unprocessable("to: is not after from"));
    }
    if to.0.saturating_sub(from.0) > UtcMicros::from_day(LONGEST_DAYS).0 {
        return Err(Problem::unprocessable(format!(
            "to: is more than {LONGEST_DAYS} days after from; announce long work in parts"
        )));
    }
    let note = text_of("note", &body.note, WHY_CHARACTERS)?;
    let by = text_of("by", &body.by, NAME_CHARACTERS)?;
    change(app, move |shared, store, now| {
        let tag = match body.tag.trim() {
            "*" => None,
            text => {
                let tag = tag_now(shared, text);
                Some(tag.map_err(|p| Problem::unprocessable(p.detail))?)
            }
        };
        let window = WorkWindow {
            tag,
            from,
            to,
            note,
        };
        store.announce(&window, &by, now).map_err(kept)?;
        shared.changed.send_replace(());
        Ok((StatusCode::CREATED, Json(WorkView::from(&window))))
    })
    .await
}
