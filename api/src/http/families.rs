//! Device types and revisions compared, with method and uncertainty.

use super::attention::still_running;
use super::extract::Query;
use super::problem::Problem;
use super::{App, blocking, heavy};
use crate::state::Current;
use analytics_assess::{AssessError, Families, Family, FamilyQuery, families_csv};
use analytics_detect::Kind;
use axum::Json;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use ingest_store::Register;
use serde::Deserialize;
use std::sync::{Arc, PoisonError};

/// Days looked back without a parameter, at least and at most.
const DAYS: i64 = 90;
const LEAST_DAYS: i64 = 7;
const MOST_DAYS: i64 = 366;

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct FamiliesQuery {
    /// Days looked back: 7 to 366; 90 without it.
    #[param(minimum = 7, maximum = 366)]
    days: Option<i64>,
    /// Only findings of this kind; without it all but changed configurations.
    #[param(value_type = Option<Kind>)]
    kind: Option<String>,
    /// Only the family of this name, of either scope.
    #[param(min_length = 1)]
    family: Option<String>,
    /// `false`: without the lists of loops, which are most of the answer.
    loops: Option<bool>,
    /// `csv` for a table of the families; JSON without it.
    #[param(value_type = Option<FormatName>)]
    format: Option<String>,
}

/// Comparisons kept of one result.
const KEPT: usize = 16;

/// The comparison, made once for a result and a register: whoever asks meanwhile waits for the same one.
fn compared(
    current: &Current,
    register: &Register,
    query: FamilyQuery,
) -> Result<Arc<Families>, AssessError> {
    let mut kept = current
        .families
        .lock()
        .unwrap_or_else(PoisonError::into_inner);
    let version = register.version();
    if let Some((.., found)) = kept.iter().find(|(q, v, _)| *q == query && *v == version) {
        return Ok(found.clone());
    }
    let made = analytics_assess::families(&current.assessed, register, &query)?;
    let found = Arc::new(made);
    if kept.len() >= KEPT {
        kept.remove(0);
    }
    kept.push((query, version, found.clone()));
    Ok(found)
}

/// Form of the answer.
#[derive(utoipa::ToSchema)]
#[schema(rename_all = "lowercase")]
#[expect(dead_code, reason = "names for the schema")]
pub(super) enum FormatName {
    Json,
    Csv,
}

/// Device types, and types with one revision, compared: drift rates, loops with an open finding, failed exchanges, and since
/// when a family is getting worse.
///
/// Each figure stands by itself (`raw`) and drawn towards the fleet (`pooled`), both with a 95 % interval.
#[utoipa::path(get, path = "/api/v1/families", params(FamiliesQuery), responses(
    (status = 200, description = "the families", content((Families = "application/json"), (String = "text/csv"))),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "the first assessment is still running, or too many long answers are under way", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn families(
    app: App,
    Query(q): Query<FamiliesQuery>,
) -> Result<Response, Problem> {
    let days = q.days.unwrap_or(DAYS);
    if !(LEAST_DAYS..=MOST_DAYS).contains(&days) {
        return Err(Problem::bad_request(format!(
            "days: {days} is not {LEAST_DAYS} to {MOST_DAYS}"
        )));
    }
    if q.family.as_ref().is_some_and(String::is_empty) {
        return Err(Problem::bad_request("family: is empty"));
    }
    let known = |name: &String| {
        Kind::parse(name).ok_or_else(|| {
            let shown: String = name.chars().take(60).collect();
            Problem::bad_request(format!("kind: `{shown}` is no kind of finding"))
        })
    };
    let kind = q.kind.as_ref().map(known).transpose()?;
    let csv = match q.format.as_deref() {
        None | Some("json") => false,
        Some("csv") => true,
        Some(_) => return Err(Problem::bad_request("format: must be json or csv")),
    };
    let current = app.current().ok_or_else(|| still_running(&app))?;
    let _permit = heavy(&app).await?;
    let snapshot = super::snapshot(&app).await?;
    blocking(move || {
        let made = |e| Problem::internal("the families could not be compared", &e);
        let query = FamilyQuery { days, kind };
        let found = compared(&current, snapshot.register(), query).map_err(made)?;
        let chosen = |f: &&Family| q.family.as_ref().is_none_or(|name| *name == f.name);
        let loops = q.loops.unwrap_or(true);
        let found = Families {
            families: (found.families.iter().filter(chosen))
                .map(|f| if loops { f.clone() } else { f.without_loops() })
                .collect(),
            ..found.about()
        };
        if !csv {
            return Ok(Json(found).into_response());
        }
        let headers = [
            (header::CONTENT_TYPE, "text/csv; charset=utf-8"),
            (
                header::CONTENT_DISPOSITION,
                "attachment; filename=\"families.csv\"",
            ),
        ];
        Ok((headers, families_csv(&found).map_err(made)?).into_response())
    })
    .await
}
