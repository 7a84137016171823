//! The loops of the register with their newest reading.

use super::extract::{NoQuery, Path, Query, within};
use super::problem::Problem;
use super::{App, known_tag};
use crate::state::Shared;
use axum::Json;
use ingest_model::{LoopEntry, Reading, Tag};
use serde::{Deserialize, Serialize};

const DEFAULT_LIMIT: usize = 1_000;
const MAX_LIMIT: usize = 10_000;

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct Last {
    time: String,
    pv: Option<f64>,
    analog_ma: Option<f64>,
    reported_ma: Option<f64>,
    device_status: Option<u8>,
}

/// One loop (contract section 4).
#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct LoopView {
    tag: String,
    pv_unit: String,
    lrv: f64,
    urv: f64,
    /// `linear`, `square-root`, or the code of another transfer function.
    transfer: String,
    /// Scale that the control system gives the same current; null = `lrv`, `urv`.
    host_lrv: Option<f64>,
    host_urv: Option<f64>,
    damping_s: Option<f64>,
    criticality: &'static str,
    tolerance_pct: f64,
    confirmed: bool,
    /// True when a later register no longer lists the loop.
    retired: bool,
    multidrop: bool,
    gateway: Option<String>,
    modem: Option<String>,
    channel: Option<String>,
    input_card: Option<String>,
    junction_box: Option<String>,
    supply: Option<String>,
    /// Accuracy of the host's analog input, % of span.
    input_accuracy_pct: Option<f64>,
    area: Option<String>,
    device_type: Option<String>,
    device_revision: Option<u8>,
    device_id: Option<String>,
    redundancy_group: Option<String>,
    service: Option<String>,
    /// Device-specific bits of additional status (command 48) that are set, named where the site's notes on devices do.
    /// Empty: none, or not read since the service started.
    own_status: Vec<String>,
    last: Option<Last>,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct LoopsAnswer {
    loops: Vec<LoopView>,
    /// The `after` of the next page; null on the last one.
    next: Option<String>,
}

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct LoopsQuery {
    /// Begin after this text in the order of tags; `next` of the page before.
    after: Option<String>,
    /// 1 to 10,000; 1,000 without it.
    #[param(minimum = 1, maximum = 10_000)]
    limit: Option<usize>,
}

fn finite(v: f64) -> Option<f64> {
    v.is_finite().then_some(v)
}

fn last(r: Reading) -> Last {
    Last {
        time: r.time.to_rfc3339(),
        pv: finite(r.pv),
        analog_ma: finite(r.analog_ma),
        reported_ma: finite(r.reported_ma),
        device_status: r.device_status,
    }
}

pub(super) fn view(shared: &Shared, e: &LoopEntry, retired: bool) -> LoopView {
    LoopView {
        tag: e.tag.to_string(),
        pv_unit: e.pv_unit.clone(),
        lrv: e.range.lrv,
        urv: e.range.urv,
        transfer: e.range.transfer.to_string(),
        host_lrv: e.host_lrv,
        host_urv: e.host_urv,
        damping_s: e.damping_s,
        criticality: e.criticality.as_str(),
        tolerance_pct: e.tolerance_pct,
        confirmed: e.confirmed,
        retired,
        multidrop: e.multidrop,
        gateway: e.gateway.clone(),
        modem: e.modem.clone(),
        channel: e.channel.clone(),
        input_card: e.input_card.clone(),
        junction_box: e.junction_box.clone(),
        supply: e.supply.clone(),
        input_accuracy_pct: e.input_accuracy_pct,
        area: e.area.clone(),
        device_type: e.device_type.map(|t| format!("0x{t:04X}")),
        device_revision: e.device_revision,
        device_id: e.device_id.map(|id| format!("0x{id:06X}")),
        redundancy_group: e.redundancy_group.clone(),
        service: e.service.clone(),
        own_status: shared.sheets.get().map_or_else(Vec::new, |sheets| {
            crate::ownstatus::of_loop(&e.tag, sheets, &shared.notes)
        }),
        last: shared.newest(&e.tag).map(last),
    }
}

/// The loops in tag order, by pages.
#[utoipa::path(get, path = "/api/v1/loops", params(LoopsQuery), responses(
    (status = 200, description = "one page of loops", body = LoopsAnswer),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn list(
    app: App,
    Query(q): Query<LoopsQuery>,
) -> Result<Json<LoopsAnswer>, Problem> {
    let limit = within("limit", q.limit, DEFAULT_LIMIT, MAX_LIMIT)?;
    let snapshot = super::snapshot(&app).await?;
    let register = snapshot.register();
    let after = q.after.as_deref().unwrap_or_default();
    // The register keeps its tags in order; one more than asked for tells whether there is a next page.
    let mut tags: Vec<&Tag> = register
        .tags()
        .filter(|t| t.as_str() > after)
        .take(limit + 1)
        .collect();
    let more = tags.len() > limit;
    tags.truncate(limit);
    let loops: Vec<LoopView> = tags
        .iter()
        .filter_map(|t| {
            register
                .current(t)
                .map(|e| view(&app, e, register.is_retired(t)))
        })
        .collect();
    let next = tags.last().filter(|_| more).map(|t| t.to_string());
    Ok(Json(LoopsAnswer { loops, next }))
}

/// One loop.
#[utoipa::path(get, path = "/api/v1/loops/{tag}", params(("tag" = String, Path, description = "the loop's tag, percent-encoded", min_length = 1, max_length = 32)), responses(
    (status = 200, description = "the loop", body = LoopView),
    (status = 400, description = "the tag is not UTF-8, or a parameter that this address does not have", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such loop", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn one(
    app: App,
    Path(text): Path<String>,
    Query(_none): Query<NoQuery>,
) -> Result<Json<LoopView>, Problem> {
    let snapshot = super::snapshot(&app).await?;
    let tag = known_tag(&snapshot, &text)?;
    let register = snapshot.register();
    let entry = register
        .current(&tag)
        .ok_or_else(|| Problem::unknown_loop(&text))?;
    Ok(Json(view(&app, entry, register.is_retired(&tag))))
}
