//! Baselines of a loop: where its history begins anew, who said so and why; and the device that took another's place.

use super::App;
use super::extract::{Body, NoQuery, Path, Query};
use super::loops::LoopView;
use super::person::{Refusals, author, body_time, change, kept, tag_now};
use super::problem::Problem;
use super::register::ChangedCellView;
use axum::Json;
use axum::http::StatusCode;
use ingest_model::{Tag, UtcMicros};
use ingest_store::{Baseline, EndOfBaseline, NewBaseline, Store, StoreError};
use serde::{Deserialize, Serialize};

/// Where a loop's history begins anew.
#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct BaselineView {
    #[schema(format = DateTime)]
    from: String,
    /// From then on the baseline before counts again; null = until the next one.
    until: Option<String>,
    /// `exchanged`, `re-ranged`, `accepted` or `replaced`.
    reason: &'static str,
    /// Who said so; null where a list of loops or the device itself brought it.
    by: Option<String>,
    why: Option<String>,
    /// When it was said.
    at: Option<String>,
    /// The tag that a replacing device had until then; its readings of that time stay under it.
    own_tag: Option<String>,
    /// A person ended it early; null = nobody did.
    ended: Option<EndedView>,
    /// Device and range, where they are not those of before.
    changed: Vec<ChangedCellView>,
}

/// An accepted baseline ended by a person.
#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct EndedView {
    /// From then on the baseline before counts again.
    #[schema(format = DateTime)]
    from: String,
    by: String,
    why: String,
    /// When it was said.
    #[schema(format = DateTime)]
    at: String,
}

impl From<Baseline> for BaselineView {
    fn from(b: Baseline) -> Self {
        let note = b.note.as_ref();
        Self {
            from: b.from.to_rfc3339(),
            until: note.and_then(|n| n.until).map(UtcMicros::to_rfc3339),
            reason: b.reason.as_str(),
            by: note.map(|n| n.by.clone()),
            why: note.map(|n| n.why.clone()),
            at: note.map(|n| n.at.to_rfc3339()),
            own_tag: note.and_then(|n| n.own_tag.clone()),
            ended: note.and_then(|n| n.ended.as_ref()).map(|e| EndedView {
                from: e.from.to_rfc3339(),
                by: e.by.clone(),
                why: e.why.clone(),
                at: e.at.to_rfc3339(),
            }),
            changed: b.cells.into_iter().map(ChangedCellView::from).collect(),
        }
    }
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct BaselinesAnswer {
    tag: String,
    /// In order of their begin; nothing is ever removed.
    baselines: Vec<BaselineView>,
    /// Begin of the one that counts at the end of the newest assessment; null = the history counts from its beginning.
    counts_from: Option<String>,
}

/// The baselines of a loop: where its history begins anew, and why.
#[utoipa::path(get, path = "/api/v1/loops/{tag}/baselines", params(("tag" = String, Path, description = "the loop's tag, percent-encoded", min_length = 1, max_length = 32)), responses(
    (status = 200, description = "its baselines", body = BaselinesAnswer),
    (status = 400, description = "a parameter that this address does not have", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such loop", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn list(
    app: App,
    Path(text): Path<String>,
    Query(_none): Query<NoQuery>,
) -> Result<Json<BaselinesAnswer>, Problem> {
    let snapshot = super::snapshot(&app).await?;
    let tag = super::known_tag(&snapshot, &text)?;
    let register = snapshot.register();
    let to = app.current().and_then(|c| c.assessed.result.to);
    let counts = register.baseline_at(&tag, to.unwrap_or_else(crate::clock::now));
    let all = register.baselines(&tag).into_iter();
    Ok(Json(BaselinesAnswer {
        tag: tag.to_string(),
        baselines: all.map(BaselineView::from).collect(),
        counts_from: counts.map(|b| b.from.to_rfc3339()),
    }))
}

/// A baseline to accept.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct BaselineBody {
    /// Who accepts it.
    #[schema(min_length = 1, max_length = 100)]
    by: Option<String>,
    /// Why.
    #[schema(min_length = 1, max_length = 500)]
    why: Option<String>,
    /// From when it counts, RFC 3339, not in the future; without it from now.
    #[schema(format = DateTime)]
    from: Option<String>,
    /// Until when; then the baseline before counts again. Without it until the next one.
    #[schema(format = DateTime)]
    until: Option<String>,
}

/// Accepts a loop as it is: its history begins anew, and the detectors start afresh from there.
///
/// Nothing is removed, and what is accepted until a date is looked at again after it.
#[utoipa::path(post, path = "/api/v1/loops/{tag}/baseline",
    params(("tag" = String, Path, description = "the loop's tag, percent-encoded", min_length = 1, max_length = 32)),
    request_body(content = BaselineBody, example = json!({ "by": "A. Roca", "why": "card exchanged, offset known", "until": "2030-01-01T00:00:00Z" })), responses(
    (status = 201, description = "begun; the next assessment goes by it", body = BaselineView),
    Refusals))]
pub(super) async fn accept(
    app: App,
    Path(text): Path<String>,
    Query(_none): Query<NoQuery>,
    Body(body): Body<BaselineBody>,
) -> Result<(StatusCode, Json<BaselineView>), Problem> {
    let author = author(body.by.as_deref(), body.why.as_deref())?;
    let new = NewBaseline {
        from: body_time("from", body.from.as_deref())?,
        until: body_time("until", body.until.as_deref())?,
    };
    let begun = changed(app, text, move |store, tag, now| {
        store.accept_baseline(tag, new, &author, now)
    });
    Ok((StatusCode::CREATED, Json(begun.await?)))
}

/// A change of a loop's baselines; the next assessment goes by it.
async fn changed(
    app: App,
    text: String,
    work: impl FnOnce(&Store, &Tag, UtcMicros) -> Result<Baseline, StoreError> + Send + 'static,
) -> Result<BaselineView, Problem> {
    change(app, move |shared, store, now| {
        let tag = tag_now(shared, &text)?;
        let done = work(store, &tag, now).map_err(kept)?;
        shared.register_changed_by_person();
        Ok(done.into())
    })
    .await
}

/// An accepted baseline to end.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct BaselineEndBody {
    /// Who ends it.
    #[schema(min_length = 1, max_length = 100)]
    by: Option<String>,
    /// Why.
    #[schema(min_length = 1, max_length = 500)]
    why: Option<String>,
    /// Which one: its begin (`from` in the list of baselines), RFC 3339; without it the one that counts now.
    #[schema(format = DateTime)]
    baseline: Option<String>,
    /// From when it no longer counts, RFC 3339, not before its begin and not in the future; without it from now, or from
    /// the end of the newest assessment where that is earlier.
    #[schema(format = DateTime)]
    from: Option<String>,
}

/// Ends an accepted baseline before its date: the baseline before counts again, and the next assessment goes by it.
///
/// Nothing is removed: the list keeps the baseline, and says who ended it, when and why.
#[utoipa::path(post, path = "/api/v1/loops/{tag}/baseline/end",
    params(("tag" = String, Path, description = "the loop's tag, percent-encoded", min_length = 1, max_length = 32)),
    request_body(content = BaselineEndBody, example = json!({ "by": "A. Roca", "why": "the card was exchanged once more" })), responses(
    (status = 200, description = "ended; as it now stands in the list", body = BaselineView),
    Refusals))]
pub(super) async fn end(
    app: App,
    Path(text): Path<String>,
    Query(_none): Query<NoQuery>,
    Body(body): Body<BaselineEndBody>,
) -> Result<Json<BaselineView>, Problem> {
    let author = author(body.by.as_deref(), body.why.as_deref())?;
    let baseline = body_time("baseline", body.baseline.as_deref())?;
    let from = body_time("from", body.from.as_deref())?;
    // Where nothing is collected any more, an end after the last reading would never be reached.
    let to = app.current().and_then(|c| c.assessed.result.to);
    let ended = changed(app, text, move |store, tag, now| {
        let from = from.or(to.map(|to| to.min(now)));
        store.end_baseline(tag, EndOfBaseline { baseline, from }, &author, now)
    });
    Ok(Json(ended.await?))
}

/// Whose place a device took.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ReplacesBody {
    /// The tag of the loop whose device was exchanged, and which carries on.
    #[schema(min_length = 1, max_length = 32)]
    replaces: String,
    /// Who says so.
    #[schema(min_length = 1, max_length = 100)]
    by: Option<String>,
    /// Why.
    #[schema(min_length = 1, max_length = 500)]
    why: Option<String>,
    /// When it was exchanged, RFC 3339, not in the future; without it now.
    #[schema(format = DateTime)]
    from: Option<String>,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct ReplacesAnswer {
    /// The loop that carries on, as it is now.
    #[serde(rename = "loop")]
    entry: LoopView,
    baseline: BaselineView,
    /// Where the device says otherwise than the register, which stands: `before` in the register, `after` in the device.
    differs: Vec<ChangedCellView>,
}

/// Says that the device of this loop took the place of another loop's device.
///
/// That loop carries on its tag and history with the new device and a new baseline; this one is retired, and what was read
/// under its tag stays under it.
#[utoipa::path(post, path = "/api/v1/loops/{tag}/replaces",
    params(("tag" = String, Path, description = "the tag of the new device's own loop, percent-encoded", min_length = 1, max_length = 32)),
    request_body(content = ReplacesBody, example = json!({ "replaces": "FT-101", "by": "A. Roca", "why": "device exchanged" })), responses(
    (status = 201, description = "the loop that carries on", body = ReplacesAnswer),
    Refusals))]
pub(super) async fn replaces(
    app: App,
    Path(text): Path<String>,
    Query(_none): Query<NoQuery>,
    Body(body): Body<ReplacesBody>,
) -> Result<(StatusCode, Json<ReplacesAnswer>), Problem> {
    let author = author(body.by.as_deref(), body.why.as_deref())?;
    let from = body_time("from", body.from.as_deref())?;
    change(app, move |shared, store, now| {
        let newcomer = tag_now(shared, &text)?;
        let tag = tag_now(shared, &body.replaces)
            .map_err(|p| Problem::unprocessable(format!("replaces: {}", p.detail)))?;
        let done = store
            .replace_device(&newcomer, &tag, from, &author, now)
            .map_err(kept)?;
        shared.register_changed_by_person();
        let answer = ReplacesAnswer {
            entry: super::loops::view(shared, &done.entry, false),
            baseline: BaselineView::from(done.baseline),
            differs: done
                .differs
                .into_iter()
                .map(ChangedCellView::from)
                .collect(),
        };
        Ok((StatusCode::CREATED, Json(answer)))
    })
    .await
}
