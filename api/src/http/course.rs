//! The course of the fleet by day, from the newest assessment's day blocks: exchanges of each modem, and the newest
//! difference of each loop.

use super::attention::still_running;
use super::extract::{NoQuery, Query, within};
use super::problem::Problem;
use super::{App, blocking, heavy};
use axum::Json;
use ingest_model::{LoopEntry, UtcMicros};
use ingest_store::Register;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

const DAYS: usize = 30;
const MOST_DAYS: usize = 366;
/// A difference older than this many days is not the newest state of a loop.
const NEWEST_DAYS: i64 = 4;

fn entries(register: &Register) -> impl Iterator<Item = &LoopEntry> {
    register.tags().filter_map(|tag| register.current(tag))
}

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct CollectionQuery {
    /// Days looked back: 1 to 366; 30 without it.
    #[param(minimum = 1, maximum = 366)]
    days: Option<usize>,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct CollectionAnswer {
    /// Begin of each day, UTC, in order.
    #[schema(format = DateTime)]
    days: Vec<String>,
    /// By gateway and modem of the register, in order of their names.
    modems: Vec<ModemCourse>,
}

/// Polls of the loops that a modem serves.
#[derive(Serialize, Default, utoipa::ToSchema)]
pub(super) struct ModemCourse {
    /// As the register names it; null = the loops that it gives no gateway.
    gateway: Option<String>,
    /// Null = the loops that it gives no modem.
    modem: Option<String>,
    loops: usize,
    /// Polls of each day, whether they were answered or not.
    polls: Vec<u64>,
    /// Of those, the ones without a good reply.
    failed: Vec<u64>,
}

/// Polls and failed polls by day and modem, of imported and of collected readings.
#[utoipa::path(get, path = "/api/v1/collection", params(CollectionQuery), responses(
    (status = 200, description = "the course of the collection", body = CollectionAnswer),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "the first assessment is still running", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn collection(
    app: App,
    Query(q): Query<CollectionQuery>,
) -> Result<Json<CollectionAnswer>, Problem> {
    let days = within("days", q.days, DAYS, MOST_DAYS)? as i64;
    let current = app.current().ok_or_else(|| still_running(&app))?;
    let _permit = heavy(&app).await?;
    let snapshot = super::snapshot(&app).await?;
    blocking(move || {
        let Some(last) = current.assessed.result.to.map(UtcMicros::day) else {
            return Ok(Json(CollectionAnswer {
                days: Vec::new(),
                modems: Vec::new(),
            }));
        };
        let earliest = current.assessed.result.from.map_or(last, UtcMicros::day);
        let first = earliest.max(last - days + 1);
        let count = usize::try_from(last - first + 1).unwrap_or_default();
        let mut found: BTreeMap<(Option<String>, Option<String>), ModemCourse> = BTreeMap::new();
        for entry in entries(snapshot.register()) {
            let key = (entry.gateway.clone(), entry.modem.clone());
            let course = found.entry(key).or_insert_with(|| ModemCourse {
                gateway: entry.gateway.clone(),
                modem: entry.modem.clone(),
                polls: vec![0; count],
                failed: vec![0; count],
                ..ModemCourse::default()
            });
            course.loops += 1;
            for b in current.assessed.newest_day_blocks(&entry.tag, first) {
                let at = usize::try_from(b.day - first).unwrap_or(usize::MAX);
                if let (Some(polls), Some(failed)) =
                    (course.polls.get_mut(at), course.failed.get_mut(at))
                {
                    *polls += u64::from(b.rows);
                    *failed += u64::from(b.rows.saturating_sub(b.replies));
                }
            }
        }
        Ok(Json(CollectionAnswer {
            days: (first..=last)
                .map(|d| UtcMicros::from_day(d).to_rfc3339())
                .collect(),
            modems: found.into_values().collect(),
        }))
    })
    .await
}

#[derive(Serialize, Clone, Default, utoipa::ToSchema)]
pub(super) struct DifferencesAnswer {
    /// Loops with both values in the last four days, in order of their tags.
    tags: Vec<String>,
    /// Mean of analog minus digital of the newest day that has both, % of span.
    difference_pct: Vec<f64>,
}

/// The newest daily difference of every loop that has both values.
#[utoipa::path(get, path = "/api/v1/differences", responses(
    (status = 200, description = "columns of equal length", body = DifferencesAnswer),
    (status = 400, description = "a parameter that this address does not have", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "the first assessment is still running", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn differences(
    app: App,
    Query(_none): Query<NoQuery>,
) -> Result<Json<DifferencesAnswer>, Problem> {
    let current = app.current().ok_or_else(|| still_running(&app))?;
    let _permit = heavy(&app).await?;
    let snapshot = super::snapshot(&app).await?;
    blocking(move || {
        let mut out = DifferencesAnswer::default();
        let Some(last) = current.assessed.result.to.map(UtcMicros::day) else {
            return Ok(Json(out));
        };
        for entry in entries(snapshot.register()) {
            let blocks = current
                .assessed
                .newest_day_blocks(&entry.tag, last - NEWEST_DAYS + 1);
            let newest = blocks.iter().rev().find(|b| b.fit.weight() > 0.0);
            if let Some(b) = newest.filter(|_| !entry.multidrop) {
                out.tags.push(entry.tag.to_string());
                out.difference_pct.push(b.fit.xy[0] / b.fit.weight());
            }
        }
        Ok(Json(out))
    })
    .await
}
