//! What a device says of itself beside its readings: the newest answer to each slow read, explained.

use super::App;
use super::extract::{NoQuery, Path, Query};
use super::problem::Problem;
use crate::decode::{Item, Value, command_text, explain_data};
use crate::notes::{DeviceNote, name_item, own_bits};
use axum::Json;
use ingest_collect::{Sheet, SheetAnswer};
use ingest_hart::status::response_text;
use serde::Serialize;
use std::fmt::Write as _;

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct FieldView {
    name: String,
    /// Number or text; null where the bytes have no single meaning, or the number is not available.
    #[schema(value_type = Option<serde_json::Value>)]
    value: Value,
    text: String,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct AnswerView {
    command: u16,
    what: &'static str,
    time: String,
    response_code: u8,
    response: &'static str,
    device_status: u8,
    /// Data of the request and of the answer, hexadecimal.
    request: String,
    data: String,
    /// What was asked for, then what came.
    fields: Vec<FieldView>,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct DeviceAnswer {
    /// Null: the gateway itself.
    tag: Option<String>,
    gateway: String,
    device_type: String,
    device_id: String,
    device_revision: Option<u8>,
    universal_revision: u8,
    /// It publishes over the air at its own period.
    wireless: bool,
    /// Name of the file of device notes that holds for it.
    notes: Option<String>,
    /// Device-specific bits of additional status that are set, named where a note does.
    says: Vec<String>,
    answers: Vec<AnswerView>,
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut s, b| {
        // Writing into a String does not fail.
        let _done = write!(s, "{b:02x}");
        s
    })
}

fn view_answer(a: SheetAnswer<'_>, note: Option<&DeviceNote>) -> AnswerView {
    let named = |mut item: Item| {
        name_item(&mut item, u64::from(a.command), note);
        FieldView {
            name: item.name.into_owned(),
            value: item.value,
            text: item.text,
        }
    };
    AnswerView {
        command: a.command,
        what: command_text(a.command),
        time: a.time.to_rfc3339(),
        response_code: a.response_code,
        // Codes within 31 have no table of their own.
        response: response_text(u8::try_from(a.command).unwrap_or(31), a.response_code),
        device_status: a.device_status,
        request: hex(a.request),
        data: hex(a.data),
        fields: explain_data(a.command, a.request, true)
            .into_iter()
            .chain(explain_data(a.command, a.data, false))
            .map(named)
            .collect(),
    }
}

fn view(app: &App, sheet: &Sheet) -> DeviceAnswer {
    let note = app
        .notes
        .of(sheet.device.device_type, sheet.device_revision);
    let file = |n: &DeviceNote| n.path.file_name().map(|f| f.to_string_lossy().into_owned());
    let says = sheet
        .newest(48)
        .map_or_else(Vec::new, |status| own_bits(status.data, note));
    DeviceAnswer {
        tag: sheet.tag.as_ref().map(ToString::to_string),
        gateway: sheet.gateway.to_string(),
        device_type: format!("{:#06X}", sheet.device.device_type).replace("0X", "0x"),
        device_id: format!("0x{:06X}", sheet.device.device_id),
        device_revision: sheet.device_revision,
        universal_revision: sheet.universal_revision,
        wireless: sheet.wireless,
        notes: note.and_then(file),
        says,
        answers: sheet.answers().map(|a| view_answer(a, note)).collect(),
    }
}

/// The newest answers of a loop's device to the slow reads: limits and damping of its variables, further variables, its own
/// statistics, status bytes, texts, and what the site has opened.
#[utoipa::path(get, path = "/api/v1/loops/{tag}/device", params(("tag" = String, Path, description = "the loop's tag, percent-encoded")), responses(
    (status = 200, description = "what the device said since the service started", body = DeviceAnswer),
    (status = 400, description = "a parameter that this address does not have", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such loop, or its device has not answered a slow read since the service started", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "the register is being loaded, or the service stops", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn of_loop(
    app: App,
    Path(text): Path<String>,
    Query(_none): Query<NoQuery>,
) -> Result<Json<DeviceAnswer>, Problem> {
    let snapshot = super::snapshot(&app).await?;
    let tag = super::known_tag(&snapshot, &text)?;
    let sheet = app.sheets.get().and_then(|s| s.of_tag(&tag));
    let sheet = sheet.ok_or_else(|| {
        Problem::said_nothing(format!(
            "the device of `{tag}` has not answered a slow read since the service started"
        ))
    })?;
    Ok(Json(view(&app, &sheet)))
}

/// The same of a gateway itself: its traffic with hosts, and what the site has opened.
#[utoipa::path(get, path = "/api/v1/gateways/{name}/device", params(("name" = String, Path, description = "the gateway's name, percent-encoded")), responses(
    (status = 200, description = "what the gateway said of itself since the service started", body = DeviceAnswer),
    (status = 400, description = "a parameter that this address does not have", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such gateway, or it has said nothing yet", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn of_gateway(
    app: App,
    Path(name): Path<String>,
    Query(_none): Query<NoQuery>,
) -> Result<Json<DeviceAnswer>, Problem> {
    let sheet = app.sheets.get().and_then(|s| s.of_gateway(&name));
    let sheet = sheet.ok_or_else(|| {
        let shown: String = name.chars().take(60).collect();
        Problem::said_nothing(format!(
            "gateway `{shown}` is not configured, or has said nothing of itself yet"
        ))
    })?;
    Ok(Json(view(&app, &sheet)))
}
