//! Cases: the list, one with its whole history, and what a person does to it.

mod views;

pub(super) use self::views::{CaseAnswer, CasesAnswer};
use self::views::{CaseView, view, whole};
use super::extract::{Body, NoQuery, Path, Query};
use super::problem::Problem;
use super::{App, blocking};
use crate::casebook::{ActError, BookError, event_of};
use crate::clock;
use crate::state::Shared;
use analytics_cases::{Case, Cases, Refused, Shown, What};
use analytics_detect::Kind;
use axum::Json;
use axum::http::StatusCode;
use ingest_model::UtcMicros;
use serde::Deserialize;
use std::borrow::Cow;
use std::sync::Arc;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

const DEFAULT_LIMIT: usize = 1_000;
const MAX_LIMIT: usize = 10_000;

pub(super) fn routes() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::new()
        .routes(routes!(list))
        .routes(routes!(one))
        .routes(routes!(act))
}

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct CasesQuery {
    /// A state, `open` (without it), or `all`.
    state: Option<String>,
    /// Only cases that this loop is in.
    tag: Option<String>,
    area: Option<String>,
    /// Only cases with findings of this kind.
    kind: Option<String>,
    /// Begin after this id.
    after: Option<String>,
    /// 1 to 10,000; 1,000 without it.
    limit: Option<usize>,
}

enum StateFilter {
    Open,
    All,
    One(Shown),
}

struct Filter {
    state: StateFilter,
    tag: Option<String>,
    area: Option<String>,
    kind: Option<Kind>,
}

impl Filter {
    fn of(q: &CasesQuery) -> Result<Self, Problem> {
        let some = |t: &Option<String>| t.clone().filter(|t| !t.is_empty());
        let state = match some(&q.state).as_deref() {
            None | Some("open") => StateFilter::Open,
            Some("all") => StateFilter::All,
            Some(text) => StateFilter::One(Shown::parse(text).ok_or_else(|| {
                let all: Vec<_> = Shown::ALL.iter().map(|s| s.as_str()).collect();
                Problem::bad_request(format!(
                    "state: `{}` is none of open, all, {}",
                    short(text),
                    all.join(", ")
                ))
            })?),
        };
        let kind = match some(&q.kind).as_deref() {
            None => None,
            Some(text) => Some(Kind::parse(text).ok_or_else(|| {
                let all: Vec<_> = Kind::ALL.iter().map(|k| k.as_str()).collect();
                Problem::bad_request(format!(
                    "kind: `{}` is none of {}",
                    short(text),
                    all.join(", ")
                ))
            })?),
        };
        Ok(Self {
            state,
            tag: some(&q.tag),
            area: some(&q.area),
            kind,
        })
    }

    fn takes(&self, case: &Case, now: UtcMicros) -> bool {
        let state = match self.state {
            StateFilter::Open => case.is_open(),
            StateFilter::All => true,
            StateFilter::One(state) => case.shown(now) == state,
        };
        state
            && self
                .tag
                .as_ref()
                .is_none_or(|t| case.tags.iter().any(|c| c.as_str() == t))
            && self
                .area
                .as_ref()
                .is_none_or(|a| case.sighting.areas.contains(a))
            && self.kind.is_none_or(|k| case.kinds.contains(&k))
    }
}

fn short(text: &str) -> String {
    text.chars().take(60).collect()
}

fn problem(status: StatusCode, kind: &'static str, title: &'static str, detail: String) -> Problem {
    Problem {
        kind: Cow::Borrowed(kind),
        title: Cow::Borrowed(title),
        status: status.as_u16(),
        detail,
        retry_after_s: None,
    }
}

pub(super) fn unknown(id: &str) -> Problem {
    problem(
        StatusCode::NOT_FOUND,
        "urn:loopwitness:problem:unknown-case",
        "No such case",
        format!("there is no case with the id `{}`", short(id)),
    )
}

fn refused(r: &Refused, id: &str) -> Problem {
    match r {
        Refused::NoSuchCase { .. } => unknown(id),
        content if content.is_content() => Problem::unprocessable(content.to_string()),
        state => problem(
            StatusCode::CONFLICT,
            "urn:loopwitness:problem:not-in-this-state",
            "Not possible now",
            state.to_string(),
        ),
    }
}

fn unreadable(e: &BookError) -> Problem {
    Problem::internal("the cases could not be read or written", e)
}

/// The cases now, the journal read off the async threads the first time.
async fn cases(app: &App) -> Result<Arc<Cases>, Problem> {
    let shared = app.0.clone();
    blocking(move || shared.book.cases().map_err(|e| unreadable(&e))).await
}

/// The cases in order of id, by pages; open ones without a `state`.
#[utoipa::path(get, path = "/api/v1/cases", params(CasesQuery), responses(
    (status = 200, description = "one page of cases", body = CasesAnswer),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn list(
    app: App,
    Query(q): Query<CasesQuery>,
) -> Result<Json<CasesAnswer>, Problem> {
    let limit = q.limit.unwrap_or(DEFAULT_LIMIT);
    if !(1..=MAX_LIMIT).contains(&limit) {
        return Err(Problem::bad_request(format!(
            "limit: {limit} is not 1 to {MAX_LIMIT}"
        )));
    }
    let filter = Filter::of(&q)?;
    let all = cases(&app).await?;
    let now = clock::now();
    let mut found: Vec<CaseView> = all
        .after(q.after.as_deref().unwrap_or(""))
        .filter(|c| filter.takes(c, now))
        .take(limit + 1)
        .map(|c| view(c, now))
        .collect();
    let more = found.len() > limit;
    found.truncate(limit);
    let next = found.last().filter(|_| more).map(|c| c.id.clone());
    Ok(Json(CasesAnswer { cases: found, next }))
}

/// One case with its whole history.
#[utoipa::path(get, path = "/api/v1/cases/{id}", params(("id" = String, Path, description = "the case's id, percent-encoded")), responses(
    (status = 200, description = "the case", body = CaseAnswer),
    (status = 400, description = "a parameter that this address does not have", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such case", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn one(
    app: App,
    Path(id): Path<String>,
    _: Query<NoQuery>,
) -> Result<Json<CaseAnswer>, Problem> {
    let all = cases(&app).await?;
    let case = all.get(&id).ok_or_else(|| unknown(&id))?;
    Ok(Json(whole(&all, case, clock::now())))
}

/// What a person says with an action. `who` and `why` always; the others where the action has them.
#[derive(Default, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields, default)]
pub(super) struct ActionBody {
    who: Option<String>,
    why: Option<String>,
    /// shelve: its end, RFC 3339, at most 31 days ahead.
    until: Option<String>,
    /// plan: when the work is due.
    due: Option<String>,
    /// plan, note: free text.
    note: Option<String>,
    /// attend: when the work was done; now without it.
    at: Option<String>,
    /// attend: what was found, and what was done about it.
    found: Option<String>,
    done: Option<String>,
    /// attend: deviation before and after the work, % of span, as measured.
    as_found_pct: Option<f64>,
    as_left_pct: Option<f64>,
}

fn missing(field: &str) -> Problem {
    Problem::unprocessable(format!("`{field}` is missing"))
}

fn time(field: &str, text: Option<&str>) -> Result<Option<UtcMicros>, Problem> {
    text.map(|t| {
        UtcMicros::parse_rfc3339(t).map_err(|e| Problem::unprocessable(format!("{field}: {e}")))
    })
    .transpose()
}

/// The event of an action; `None` if there is no such action.
fn what_of(action: &str, body: &ActionBody) -> Result<Option<What>, Problem> {
    let (allowed, what): (&[&str], What) = match action {
        "acknowledge" => (&[], What::Acknowledged),
        "unshelve" => (&[], What::Unshelved),
        "out-of-service" => (&[], What::OutOfService),
        "close" => (&[], What::Closed),
        "note" => (
            &["note"],
            What::Noted {
                note: body.note.clone(),
            },
        ),
        "shelve" => (
            &["until"],
            What::Shelved {
                until: time("until", body.until.as_deref())?.ok_or_else(|| missing("until"))?,
            },
        ),
        "plan" => (
            &["due", "note"],
            What::Planned {
                due: time("due", body.due.as_deref())?,
                note: body.note.clone(),
            },
        ),
        "attend" => (
            &["at", "found", "done", "as_found_pct", "as_left_pct"],
            What::Attended {
                when: time("at", body.at.as_deref())?.unwrap_or_else(clock::now),
                found: body.found.clone().ok_or_else(|| missing("found"))?,
                done: body.done.clone().ok_or_else(|| missing("done"))?,
                as_found_pct: body.as_found_pct,
                as_left_pct: body.as_left_pct,
            },
        ),
        _ => return Ok(None),
    };
    let given = [
        ("until", body.until.is_some()),
        ("due", body.due.is_some()),
        ("note", body.note.is_some()),
        ("at", body.at.is_some()),
        ("found", body.found.is_some()),
        ("done", body.done.is_some()),
        ("as_found_pct", body.as_found_pct.is_some()),
        ("as_left_pct", body.as_left_pct.is_some()),
    ];
    match given.iter().find(|(f, is)| *is && !allowed.contains(f)) {
        Some((field, _)) => Err(Problem::unprocessable(format!(
            "`{field}` does not belong to `{action}`"
        ))),
        None => Ok(Some(what)),
    }
}

/// What a person does: acknowledge, shelve (until), unshelve (also ends out of service), out-of-service, plan, attend,
/// note, close. The answer is the case after it.
#[utoipa::path(post, path = "/api/v1/cases/{id}/{action}", params(
    ("id" = String, Path, description = "the case's id, percent-encoded"),
    ("action" = String, Path, description = "acknowledge, shelve, unshelve, out-of-service, plan, attend, note or close")),
    request_body(content = ActionBody, content_type = "application/json"), responses(
    (status = 200, description = "done and kept; the case after it", body = CaseAnswer),
    (status = 400, description = "not JSON, or a parameter that this address does not have", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such case or action", body = Problem, content_type = "application/problem+json"),
    (status = 409, description = "not possible in the state that the case is in", body = Problem, content_type = "application/problem+json"),
    (status = 413, description = "larger than 64 KiB", body = Problem, content_type = "application/problem+json"),
    (status = 415, description = "not application/json", body = Problem, content_type = "application/problem+json"),
    (status = 422, description = "who, why or another needed field is missing, unknown or cannot be taken", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn act(
    app: App,
    Path((id, action)): Path<(String, String)>,
    _: Query<NoQuery>,
    Body(body): Body<ActionBody>,
) -> Result<Json<CaseAnswer>, Problem> {
    let what = what_of(&action, &body)?.ok_or_else(|| {
        problem(
            StatusCode::NOT_FOUND,
            "urn:loopwitness:problem:unknown-action",
            "No such action",
            format!("`{}` is none of acknowledge, shelve, unshelve, out-of-service, plan, attend, note, close", short(&action)),
        )
    })?;
    let who = body.who.ok_or_else(|| missing("who"))?;
    let why = body.why.ok_or_else(|| missing("why"))?;
    let store = app
        .store()
        .ok_or_else(|| Problem::unavailable("the service is stopping", 5))?;
    let shared = app.0.clone();
    blocking(move || {
        let event = event_of(&id, who.trim(), why.trim(), what);
        let case = shared.book.act(&store, event).map_err(|e| match e {
            ActError::Refused(r) => refused(&r, &id),
            ActError::Book(e) => unreadable(&e),
        })?;
        let all = shared.book.cases().map_err(|e| unreadable(&e))?;
        Ok(Json(whole(&all, &case, clock::now())))
    })
    .await
}
