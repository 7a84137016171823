//! `PATCH /api/v1/loops/{tag}`: a person changes what the register says of one loop.

use super::extract::{Body, NoQuery, Path, Query};
use super::loops::LoopView;
use super::person::{author_of, body_time, change, kept, tag_now, text_of};
use super::problem::Problem;
use super::register::ChangedCellView;
use super::App;
use axum::Json;
use ingest_store::LoopAmendment;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// Changes to one loop: what is given changes, null empties a cell, the rest stays.
#[derive(Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
#[expect(
    dead_code,
    reason = "shape of the body for its schema; the body is read key by key"
)]
pub(super) struct LoopPatch {
    /// Who changes it.
    #[schema(min_length = 1, max_length = 100)]
    by: String,
    /// Why.
    #[schema(min_length = 1, max_length = 500)]
    why: String,
    /// From when it holds, RFC 3339, not in the future; without it from now.
    #[schema(format = DateTime)]
    valid_from: Option<String>,
    confirmed: Option<bool>,
    pv_unit: Option<String>,
    lrv: Option<f64>,
    urv: Option<f64>,
    /// `linear`, `square-root`, or the code of another transfer function.
    transfer: Option<String>,
    host_lrv: Option<f64>,
    host_urv: Option<f64>,
    damping_s: Option<f64>,
    tolerance_pct: Option<f64>,
    /// `safety`, `control` or `indication`.
    criticality: Option<String>,
    area: Option<String>,
    gateway: Option<String>,
    modem: Option<String>,
    channel: Option<String>,
    input_card: Option<String>,
    junction_box: Option<String>,
    supply: Option<String>,
    input_accuracy_pct: Option<f64>,
    /// `0x1A2B`.
    device_type: Option<String>,
    #[schema(minimum = 0, maximum = 255)]
    device_revision: Option<i64>,
    /// `0x0A1B2C`.
    device_id: Option<String>,
    multidrop: Option<bool>,
    redundancy_group: Option<String>,
    service: Option<String>,
}

/// JSON type of a cell.
#[derive(Clone, Copy)]
enum Form {
    Text,
    Number,
    Whole,
    Flag,
}

/// The columns of `loops.csv` that can be changed.
const CELLS: [(&str, Form); 23] = [
    ("pv_unit", Form::Text),
    ("lrv", Form::Number),
    ("urv", Form::Number),
    ("transfer", Form::Text),
    ("host_lrv", Form::Number),
    ("host_urv", Form::Number),
    ("damping_s", Form::Number),
    ("tolerance_pct", Form::Number),
    ("criticality", Form::Text),
    ("area", Form::Text),
    ("gateway", Form::Text),
    ("modem", Form::Text),
    ("channel", Form::Text),
    ("input_card", Form::Text),
    ("junction_box", Form::Text),
    ("supply", Form::Text),
    ("input_accuracy_pct", Form::Number),
    ("device_type", Form::Text),
    ("device_revision", Form::Whole),
    ("device_id", Form::Text),
    ("multidrop", Form::Flag),
    ("redundancy_group", Form::Text),
    ("service", Form::Text),
];

/// Longest text of a cell.
const CELL_CHARACTERS: usize = 200;

fn cell(name: &str, form: Form, value: &Value) -> Result<Option<String>, Problem> {
    let wrong = |wanted: &str| Problem::unprocessable(format!("{name}: must be {wanted} or null"));
    match (form, value) {
        (_, Value::Null) => Ok(None),
        (Form::Text, Value::String(text)) => text_of(name, text, CELL_CHARACTERS).map(Some),
        (Form::Text, _) => Err(wrong("a text")),
        (Form::Number, Value::Number(n)) => n
            .as_f64()
            .map(|v| Some(v.to_string()))
            .ok_or_else(|| wrong("a number")),
        (Form::Number, _) => Err(wrong("a number")),
        (Form::Whole, Value::Number(n)) => n
            .as_f64()
            .filter(|v| v.fract() == 0.0)
            .map(|v| Some(v.to_string()))
            .ok_or_else(|| wrong("a whole number")),
        (Form::Whole, _) => Err(wrong("a whole number")),
        (Form::Flag, Value::Bool(flag)) => Ok(Some(flag.to_string())),
        (Form::Flag, _) => Err(wrong("true, false")),
    }
}

/// Takes the changes out of a body; `by` and `why` are taken already.
fn amendment(body: Map<String, Value>) -> Result<LoopAmendment, Problem> {
    let mut amendment = LoopAmendment::default();
    for (name, value) in body {
        match (name.as_str(), &value) {
            ("valid_from", Value::String(text)) => {
                amendment.valid_from = body_time("valid_from", Some(text))?;
            }
            ("confirmed", Value::Bool(confirmed)) => amendment.confirmed = Some(*confirmed),
            ("valid_from" | "confirmed", Value::Null) => {}
            ("valid_from", _) => {
                return Err(Problem::unprocessable(
                    "valid_from: must be an RFC 3339 time",
                ));
            }
            ("confirmed", _) => {
                return Err(Problem::unprocessable("confirmed: must be true or false"));
            }
            _ => {
                let known = CELLS.iter().find(|(n, _)| *n == name);
                let (_, form) = known.ok_or_else(|| {
                    let shown: String = name.chars().take(60).collect();
                    Problem::unprocessable(format!("`{shown}` cannot be changed here"))
                })?;
                let value = cell(&name, *form, &value)?;
                amendment.cells.insert(name, value);
            }
        }
    }
    Ok(amendment)
}

/// The loop as `GET` gives it, and what the change was.
#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct AmendedAnswer {
    #[serde(flatten)]
    entry: LoopView,
    /// Empty where all was so already.
    changed: Vec<ChangedCellView>,
    /// From when the change holds; null = from the beginning.
    valid_from: Option<String>,
    /// From when a later entry holds instead.
    valid_to: Option<String>,
}

/// Changes the register's entry of one loop; a person says who and why.
///
/// The entry in force at `valid_from` is copied, changed, and holds from then on. The next assessment uses it. A loop that
/// a gateway showed stays unconfirmed until `confirmed` is set.
#[utoipa::path(patch, path = "/api/v1/loops/{tag}",
    params(("tag" = String, Path, description = "the loop's tag, percent-encoded", min_length = 1, max_length = 32)),
    request_body(content((LoopPatch = "application/json"), (LoopPatch = "application/merge-patch+json"))),
    responses(
    (status = 200, description = "the loop as it is now", body = AmendedAnswer),
    (status = 400, description = "no JSON, or a parameter that this address does not have", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such loop", body = Problem, content_type = "application/problem+json"),
    (status = 413, description = "larger than 64 KiB", body = Problem, content_type = "application/problem+json"),
    (status = 415, description = "not a JSON type", body = Problem, content_type = "application/problem+json"),
    (status = 422, description = "a value that cannot be used, named", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn patch(
    app: App,
    Path(text): Path<String>,
    Query(_none): Query<NoQuery>,
    Body(mut body): Body<Map<String, Value>>,
) -> Result<Json<AmendedAnswer>, Problem> {
    let author = author_of(body.remove("by").as_ref(), body.remove("why").as_ref())?;
    let amendment = amendment(body)?;
    change(app, move |shared, store, now| {
        let tag = tag_now(shared, &text)?;
        let done = store
            .amend_loop(&tag, &amendment, &author, now)
            .map_err(kept)?;
        if !done.cells.is_empty() {
            shared.register_changed_by_person();
        }
        Ok(Json(AmendedAnswer {
            valid_from: done.entry.valid_from.map(|t| t.to_rfc3339()),
            valid_to: done.valid_to.map(|t| t.to_rfc3339()),
            changed: done.cells.into_iter().map(ChangedCellView::from).collect(),
            entry: super::loops::view(shared, &done.entry, false),
        }))
    })
    .await
}
