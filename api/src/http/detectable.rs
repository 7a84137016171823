//! A number for every silence: what the watch would find on each loop, and where it is blind.

use super::App;
use super::extract::{NoQuery, Path, Query};
use super::problem::Problem;
use analytics_detect::NotJudged;
use analytics_detect::sensitivity::{Detectable, Fault, LoopWatch, Measure};
use axum::Json;
use serde::{Deserialize, Serialize};

/// Loops in one answer, at most and without a parameter.
const MOST: usize = 10_000;

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct DetectableQuery {
    /// Tags after this one.
    after: Option<String>,
    /// At most so many loops: 1 to 10,000, which is also the default.
    #[param(minimum = 1, maximum = 10_000)]
    limit: Option<usize>,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct DetectableAnswer {
    /// End of the last whole day that the numbers are made from; null = no whole day yet, or not worked out yet (it
    /// follows the first assessment).
    as_of: Option<String>,
    loops: Vec<LoopWatch>,
    /// The next `after`; null = these were the last.
    next: Option<String>,
    /// Loops and kinds for which the watch is blind, of the whole fleet.
    blind: Vec<NotJudged>,
    /// How the numbers are made, and what they do not say.
    limits: &'static str,
}

const LIMITS: &str = "Known faults were added to the loop's own blocks and the detectors asked. The days to come are taken to run as the last ones did. A fault smaller than a number here, or of another sort, may be there unseen.";

/// What the watch would find on each loop.
#[utoipa::path(get, path = "/api/v1/detectable", params(DetectableQuery), responses(
    (status = 200, description = "the smallest fault of each sort that would be found, in order of tag", body = DetectableAnswer),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn detectable(
    app: App,
    Query(q): Query<DetectableQuery>,
) -> Result<Json<DetectableAnswer>, Problem> {
    let limit = q.limit.unwrap_or(MOST);
    if !(1..=MOST).contains(&limit) {
        return Err(Problem::bad_request(format!(
            "limit: {limit} is not between 1 and {MOST}"
        )));
    }
    let watch = app.watch().unwrap_or_default();
    let after = q.after.as_deref();
    let mut rest = watch
        .loops
        .iter()
        .filter(|(tag, _)| after.is_none_or(|a| tag.as_str() > a));
    let loops: Vec<LoopWatch> = rest
        .by_ref()
        .take(limit)
        .map(|(_, w)| w.as_ref().clone())
        .collect();
    let more = rest.next().is_some();
    Ok(Json(DetectableAnswer {
        as_of: watch.as_of.map(ingest_model::UtcMicros::to_rfc3339),
        next: loops.last().filter(|_| more).map(|l| l.tag.to_string()),
        loops,
        blind: watch.blind.clone(),
        limits: LIMITS,
    }))
}

/// One sort of fault over the fleet.
#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct FaultSummary {
    fault: Fault,
    within_days: u32,
    measure: Measure,
    /// Loops that were asked about this fault, and those of them that have no number.
    loops: usize,
    blind: usize,
    /// Found at this size on half of the loops that have a number, and on each of them; null = none has one.
    half: Option<f64>,
    worst: Option<f64>,
    /// The loop that has the worst.
    worst_on: Option<String>,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct SummaryAnswer {
    /// End of the last whole day that the numbers are made from; null = not worked out yet.
    as_of: Option<String>,
    /// In the order of the faults, the shorter time first.
    faults: Vec<FaultSummary>,
    /// How the numbers are made, and what they do not say.
    limits: &'static str,
}

/// A number and its loop's tag.
type Numbered<'a> = (&'a str, &'a Detectable);

fn summary_of(numbers: &[Numbered<'_>]) -> Option<FaultSummary> {
    let (_, first) = *numbers.first()?;
    let (fault, within_days, measure) = (first.fault, first.within_days, first.measure);
    let mut sized: Vec<(f64, &str)> = numbers
        .iter()
        .filter_map(|(tag, n)| Some((n.size?, *tag)))
        .collect();
    // Of a fall of scatter the smaller remainder is the larger fault.
    let sign = if fault == Fault::NoiseCollapse {
        -1.0
    } else {
        1.0
    };
    sized.sort_by(|a, b| (sign * a.0).total_cmp(&(sign * b.0)).then(a.1.cmp(b.1)));
    let middle = sized.len().saturating_sub(1) / 2;
    Some(FaultSummary {
        fault,
        within_days,
        measure,
        loops: numbers.len(),
        blind: numbers.len() - sized.len(),
        half: sized.get(middle).map(|s| s.0),
        worst: sized.last().map(|s| s.0),
        worst_on: sized.last().map(|s| s.1.to_owned()),
    })
}

/// What the watch would find, over the fleet: the middle and the worst loop for each sort of fault.
#[utoipa::path(get, path = "/api/v1/detectable/summary", responses(
    (status = 200, description = "a line for each sort of fault and time", body = SummaryAnswer),
    (status = 400, description = "a parameter that this address does not have", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn summary(
    app: App,
    Query(_none): Query<NoQuery>,
) -> Result<Json<SummaryAnswer>, Problem> {
    let watch = app.watch().unwrap_or_default();
    super::blocking(move || {
        let mut by_fault: Vec<((Fault, u32), Vec<Numbered<'_>>)> = Vec::new();
        for of_loop in watch.loops.values() {
            for n in &of_loop.numbers {
                let key = (n.fault, n.within_days);
                let line = (of_loop.tag.as_str(), n);
                match by_fault.iter_mut().find(|(k, _)| *k == key) {
                    Some((_, lines)) => lines.push(line),
                    None => by_fault.push((key, vec![line])),
                }
            }
        }
        by_fault
            .sort_by_key(|((fault, days), _)| (Fault::ALL.iter().position(|f| f == fault), *days));
        Ok(Json(SummaryAnswer {
            as_of: watch.as_of.map(ingest_model::UtcMicros::to_rfc3339),
            faults: by_fault
                .iter()
                .filter_map(|(_, lines)| summary_of(lines))
                .collect(),
            limits: LIMITS,
        }))
    })
    .await
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct LoopDetectableAnswer {
    tag: String,
    /// End of the last whole day that the numbers are made from; null = not worked out yet: that follows the first
    /// assessment, and the end of the first day of a new loop.
    as_of: Option<String>,
    /// Empty while `as_of` is null.
    numbers: Vec<Detectable>,
    /// Kinds for which the watch is blind on this loop.
    blind: Vec<NotJudged>,
    limits: &'static str,
}

/// What the watch would find on one loop.
#[utoipa::path(get, path = "/api/v1/loops/{tag}/detectable", params(("tag" = String, Path, description = "the loop's tag, percent-encoded")), responses(
    (status = 200, description = "the smallest fault of each sort that would be found", body = LoopDetectableAnswer),
    (status = 400, description = "a parameter that this address does not have", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such loop", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn loop_detectable(
    app: App,
    Path(text): Path<String>,
    Query(_none): Query<NoQuery>,
) -> Result<Json<LoopDetectableAnswer>, Problem> {
    let snapshot = super::snapshot(&app).await?;
    let tag = super::known_tag(&snapshot, &text)?;
    let watch = app.watch().unwrap_or_default();
    let of_loop = watch.loops.get(&tag);
    Ok(Json(LoopDetectableAnswer {
        as_of: of_loop.map(|w| w.as_of.to_rfc3339()),
        numbers: of_loop.map(|w| w.numbers.clone()).unwrap_or_default(),
        blind: watch
            .blind
            .iter()
            .filter(|n| n.tag == tag)
            .cloned()
            .collect(),
        tag: tag.to_string(),
        limits: LIMITS,
    }))
}
