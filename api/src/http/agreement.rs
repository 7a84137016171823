//! Agreement of analog and digital over the range, from normal running.

use super::App;
use super::attention::still_running;
use super::extract::{Path, Query};
use super::problem::Problem;
use analytics_assess::{AGREEMENT_DAYS, loop_agreement};
use analytics_detect::agreement::{COVERAGE_FACTOR, MIN_DAYS};
use axum::Json;
use ingest_model::UtcMicros;
use serde::{Deserialize, Serialize};

/// Days looked back at most.
const MOST_DAYS: i64 = 3_660;

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct AgreementQuery {
    /// Days of running looked back from the newest; 30 without it, at most 3660.
    days: Option<i64>,
}

/// One eighth of the range.
#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct EighthView {
    /// Its ends, % of range and mA.
    from_pct: f64,
    to_pct: f64,
    from_ma: f64,
    to_ma: f64,
    /// Days with evidence, samples on them, and the last row of the newest such day.
    days: usize,
    samples: u64,
    newest: Option<String>,
    /// Mean of analog minus digital over the days, % of span; null = never visited.
    deviation_pct: Option<f64>,
    /// Expanded uncertainty (k = 2) of that mean, % of span; null below four days.
    expanded_uncertainty_pct: Option<f64>,
    degrees_of_freedom: Option<f64>,
    /// Enough days for the eighth to count.
    counts: bool,
}

/// A current that the host's input has measured.
#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct WitnessedView {
    current_ma: f64,
    /// The last row of that day.
    at: String,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct AgreementAnswer {
    tag: String,
    /// First and last row that entered; null = none.
    from: Option<String>,
    to: Option<String>,
    /// Why `from` is later than asked: a change of the deviation or a new baseline; null = it is not.
    from_because: Option<&'static str>,
    eighths: Vec<EighthView>,
    days_to_count: usize,
    coverage_factor: f64,
    /// `combined with the input's accuracy` or `statistical part only`.
    uncertainty: &'static str,
    input_accuracy_pct: Option<f64>,
    tolerance_pct: f64,
    /// Highest and lowest current ever measured: beyond them nothing shows that the loop can pass a current.
    highest: Option<WitnessedView>,
    lowest: Option<WitnessedView>,
    /// What this does not prove.
    limits: &'static str,
}

/// How well analog and digital agree over the range that the loop has really run through.
#[utoipa::path(get, path = "/api/v1/loops/{tag}/agreement", params(("tag" = String, Path, description = "the loop's tag, percent-encoded"), AgreementQuery), responses(
    (status = 200, description = "the agreement by eighths of range; eighths that were never visited say so", body = AgreementAnswer),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such loop", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "the first assessment is still running", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn agreement_of(
    app: App,
    Path(text): Path<String>,
    Query(q): Query<AgreementQuery>,
) -> Result<Json<AgreementAnswer>, Problem> {
    let asked = q.days.unwrap_or(AGREEMENT_DAYS);
    if !(1..=MOST_DAYS).contains(&asked) {
        return Err(Problem::bad_request(format!(
            "days: {asked} is not between 1 and {MOST_DAYS}"
        )));
    }
    let snapshot = super::snapshot(&app).await?;
    let tag = super::known_tag(&snapshot, &text)?;
    let entry = snapshot
        .register()
        .current(&tag)
        .ok_or_else(|| Problem::unknown_loop(&text))?;
    let current = app.current().ok_or_else(|| still_running(&app))?;
    let found = loop_agreement(&current.assessed, snapshot.register(), &tag, asked)
        .ok_or_else(|| Problem::unknown_loop(&text))?;
    let (a, ever) = (found.agreement, found.ever);
    let witnessed = |w: Option<analytics_detect::Witnessed>| {
        w.map(|w| WitnessedView {
            current_ma: w.current_ma,
            at: w.at.to_rfc3339(),
        })
    };
    let eighths = a
        .eighths
        .into_iter()
        .enumerate()
        .map(|(k, e)| EighthView {
            from_pct: 12.5 * k as f64,
            to_pct: 12.5 * (k + 1) as f64,
            from_ma: 4.0 + 2.0 * k as f64,
            to_ma: 6.0 + 2.0 * k as f64,
            days: e.days,
            samples: e.samples,
            newest: e.newest.map(UtcMicros::to_rfc3339),
            deviation_pct: e.deviation_pct,
            expanded_uncertainty_pct: e.expanded_uncertainty_pct,
            degrees_of_freedom: e.degrees_of_freedom,
            counts: e.counts,
        })
        .collect();
    Ok(Json(AgreementAnswer {
        tag: tag.to_string(),
        from: found.from.map(UtcMicros::to_rfc3339),
        to: found.to.map(UtcMicros::to_rfc3339),
        from_because: found.from_because,
        eighths,
        days_to_count: MIN_DAYS,
        coverage_factor: COVERAGE_FACTOR,
        uncertainty: if a.has_input_accuracy {
            "combined with the input's accuracy"
        } else {
            "statistical part only"
        },
        input_accuracy_pct: entry.input_accuracy_pct,
        tolerance_pct: entry.tolerance_pct,
        highest: witnessed(ever.highest),
        lowest: witnessed(ever.lowest),
        limits: "It shows that current and digital value agree where the loop has run. It does not show that the sensor is right: both come from the same one. It is no calibration and replaces no proof test.",
    }))
}
