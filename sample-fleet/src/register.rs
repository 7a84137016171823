//! The register and the announced work of a site folder, as CSV.

use crate::FleetError;
use crate::fault::Effect;
use crate::fleet::{Fleet, SimLoop};
use crate::history::{rfc3339, write_error};
use ingest_model::Range;
use std::path::Path;

const COLUMNS: [&str; 25] = [
    "tag",
    "service",
    "pv_unit",
    "lrv",
    "urv",
    "host_lrv",
    "host_urv",
    "transfer",
    "damping_s",
    "tolerance_pct",
    "criticality",
    "area",
    "gateway",
    "modem",
    "channel",
    "input_card",
    "junction_box",
    "supply",
    "input_accuracy_pct",
    "device_type",
    "device_revision",
    "device_id",
    "multidrop",
    "redundancy_group",
    "valid_from",
];

/// Writes `loops.csv`: one row a loop, two for a loop that was given another range.
pub(crate) fn write_register(fleet: &Fleet, path: &Path) -> Result<(), FleetError> {
    let fail = |e: csv::Error| write_error(path, e);
    let mut w = csv::Writer::from_path(path).map_err(fail)?;
    w.write_record(COLUMNS).map_err(fail)?;
    for l in &fleet.loops {
        let mut since = String::new();
        if let Some((until_s, range)) = l.former {
            w.write_record(row(l, range, "")).map_err(fail)?;
            since = rfc3339(until_s);
        }
        w.write_record(row(l, l.entry.range, &since))
            .map_err(fail)?;
    }
    w.flush().map_err(|e| write_error(path, e))
}

fn row(l: &SimLoop, range: Range, valid_from: &str) -> [String; 25] {
    let e = &l.entry;
    let text = |v: &Option<String>| v.clone().unwrap_or_default();
    let number = |v: Option<f64>| v.map(|x| x.to_string()).unwrap_or_default();
    [
        e.tag.as_str().to_owned(),
        text(&e.service),
        e.pv_unit.clone(),
        range.lrv.to_string(),
        range.urv.to_string(),
        number(e.host_lrv),
        number(e.host_urv),
        e.range.transfer.to_string(),
        number(e.damping_s),
        e.tolerance_pct.to_string(),
        e.criticality.as_str().to_owned(),
        text(&e.area),
        text(&e.gateway),
        text(&e.modem),
        text(&e.channel),
        text(&e.input_card),
        text(&e.junction_box),
        text(&e.supply),
        number(e.input_accuracy_pct),
        e.device_type
            .map(|t| format!("0x{t:04X}"))
            .unwrap_or_default(),
        e.device_revision.map(|r| r.to_string()).unwrap_or_default(),
        e.device_id
            .map(|d| format!("0x{d:06X}"))
            .unwrap_or_default(),
        e.multidrop.to_string(),
        text(&e.redundancy_group),
        valid_from.to_owned(),
    ]
}

/// Writes `work.csv`: the work that was announced.
pub(crate) fn write_work(fleet: &Fleet, path: &Path) -> Result<(), FleetError> {
    let fail = |e: csv::Error| write_error(path, e);
    let mut w = csv::Writer::from_path(path).map_err(fail)?;
    w.write_record(["tag", "from", "to", "note"])
        .map_err(fail)?;
    for l in &fleet.loops {
        for f in &l.faults {
            let note = match f.effect {
                Effect::PlannedMaintenance => "loop check",
                Effect::Reranged => "new range",
                _ => continue,
            };
            // People announce work with some room on both sides.
            let (from, to) = (rfc3339(f.onset_s - 600.0), rfc3339(f.end_s + 600.0));
            w.write_record([l.tag(), &from, &to, note]).map_err(fail)?;
        }
    }
    w.flush().map_err(|e| write_error(path, e))
}
