//! Circuit terms: what the two copies of a value say of the wire itself.

use super::App;
use super::attention::still_running;
use super::extract::{NoQuery, Path, Query};
use super::problem::Problem;
use analytics_detect::circuit::{BoxLeakage, CircuitTerms};
use axum::Json;
use serde::Serialize;

/// Loops of a junction box that its trend is made of, at most.
const MOST_IN_BOX: usize = 200;

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct BoxView {
    name: String,
    /// Loops of the register that are wired through it.
    loops: usize,
    /// Their leakage by day and by hour of day; null = no loop of it tells.
    leakage: Option<BoxLeakage>,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct CircuitAnswer {
    tag: String,
    #[serde(flatten)]
    terms: CircuitTerms,
    /// The loop's junction box; null = the register names none.
    junction_box: Option<BoxView>,
    /// What this does not prove.
    limits: &'static str,
}

/// Leakage, loop resistance and the currents that have passed, with the bounds of what is not known.
#[utoipa::path(get, path = "/api/v1/loops/{tag}/circuit", params(("tag" = String, Path, description = "the loop's tag, percent-encoded")), responses(
    (status = 200, description = "the circuit terms; what cannot be told is said", body = CircuitAnswer),
    (status = 400, description = "a parameter that this address does not have", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such loop", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "the first assessment is still running, or too many long answers are under way", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn circuit(
    app: App,
    Path(text): Path<String>,
    Query(_none): Query<NoQuery>,
) -> Result<Json<CircuitAnswer>, Problem> {
    let snapshot = super::snapshot(&app).await?;
    let tag = super::known_tag(&snapshot, &text)?;
    let current = app.current().ok_or_else(|| still_running(&app))?;
    let permit = super::heavy(&app).await?;
    super::blocking(move || {
        let _permit = permit;
        let register = snapshot.register();
        let entry = register
            .current(&tag)
            .ok_or_else(|| Problem::unknown_loop(tag.as_str()))?;
        let junction_box = entry.junction_box.as_ref().map(|name| {
            let members: Vec<_> = register
                .tags()
                .filter(|t| !register.is_retired(t))
                .filter_map(|t| register.current(t))
                .filter(|e| e.junction_box.as_ref() == Some(name))
                .collect();
            BoxView {
                name: name.clone(),
                loops: members.len(),
                leakage: current
                    .assessed
                    .junction_box(members.into_iter().take(MOST_IN_BOX)),
            }
        });
        Ok(Json(CircuitAnswer {
            tag: tag.to_string(),
            terms: current.assessed.circuit(entry),
            junction_box,
            limits: "It shows which currents have arrived and what resistance and leakage would explain them. It does not show that any other current will pass, nor where in the loop a resistance sits. It replaces no insulation test and no proof test.",
        }))
    })
    .await
}
