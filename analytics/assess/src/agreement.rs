//! Agreement of one loop as of an assessment: which stretch of its record stands for it, and the table of all loops.

use crate::AssessError;
use crate::engine::Assessed;
use crate::frames::{self, AgreementRow};
use analytics_detect::{Agreement, Kind, agreement};
use ingest_model::{BaselineReason, LoopEntry, Tag, UtcMicros};
use ingest_store::Register;

/// Days looked back where nobody says otherwise.
pub const AGREEMENT_DAYS: i64 = 30;

/// Agreement over the part of the record that stands for the loop as it is.
#[derive(Clone, Debug, PartialEq)]
pub struct LoopAgreement {
    pub agreement: Agreement,
    /// Over the whole record: the wire is the same before and after a change of the deviation, so currents ever measured
    /// are looked for in all of it.
    pub ever: Agreement,
    /// First and last row that entered; `None` = none.
    pub from: Option<UtcMicros>,
    pub to: Option<UtcMicros>,
    /// Why `from` is later than asked; `None` = it is not.
    pub from_because: Option<&'static str>,
}

/// Agreement of a loop over the newest `days` days of its record. `None` for a loop that the register lacks.
pub fn loop_agreement(
    assessed: &Assessed,
    register: &Register,
    tag: &Tag,
    days: i64,
) -> Option<LoopAgreement> {
    let entry = register.current(tag)?;
    let all = assessed.day_blocks(tag);
    let newest = all.last().map_or(0, |d| d.day);
    let mut first_day = newest - days + 1;
    let mut because = None;
    // Evidence from before another range or device is evidence of another loop.
    let to = assessed.result.to.unwrap_or_default();
    if let Some(b) = register
        .baseline_at(tag, to)
        .filter(|b| b.from.day() >= first_day)
    {
        first_day = b.from.day() + 1;
        because = Some(match b.reason {
            BaselineReason::Exchanged | BaselineReason::Replaced => "the device was exchanged",
            BaselineReason::ReRanged => "the range changed",
            BaselineReason::Accepted => "a new baseline was accepted",
        });
    }
    // A mean over both sides of a change stands for neither.
    let newest_change = assessed
        .result
        .attention
        .iter()
        .filter(|r| r.tag == *tag)
        .flat_map(|r| &r.findings)
        .filter(|f| f.kind == Kind::AnalogDigitalDrift && f.cause != Some("intermittent"))
        .max_by_key(|f| f.ended.unwrap_or(f.onset));
    if let Some(f) = newest_change
        && let day = f.ended.unwrap_or(f.onset).day()
        && day >= first_day
        && day < newest
    {
        first_day = day + 1;
        because = Some(if f.ended.is_none() && f.rate_pct_per_day.is_some() {
            "the deviation has been growing since then (each mean is that of the middle of these days)"
        } else {
            "the deviation changed"
        });
    }
    let stands = all.get(all.partition_point(|d| d.day < first_day)..)?;
    Some(LoopAgreement {
        agreement: agreement(stands, entry.input_accuracy_pct),
        ever: agreement(&all, None),
        from: stands.first().map(|d| UtcMicros(d.first_row)),
        to: stands.last().map(|d| UtcMicros(d.last_row)),
        from_because: because,
    })
}

/// Agreement of every loop in use as CSV: one row an eighth of range, also where a loop never ran.
///
/// # Errors
/// When the table cannot be made.
pub fn agreement_csv(assessed: &Assessed, register: &Register) -> Result<String, AssessError> {
    let mut rows: Vec<AgreementRow> = Vec::new();
    let in_use = register.tags().filter(|t| !register.is_retired(t));
    let entries = in_use.filter_map(|t| register.current(t));
    for entry in entries.filter(|e: &&LoopEntry| !e.multidrop) {
        let found = loop_agreement(assessed, register, &entry.tag, AGREEMENT_DAYS);
        let Some(a) = found else { continue };
        for (k, eighth) in a.agreement.eighths.iter().enumerate() {
            rows.push(AgreementRow {
                tag: entry.tag.to_string(),
                from_ma: 4.0 + 2.0 * k as f64,
                eighth: eighth.clone(),
                with_accuracy: a.agreement.has_input_accuracy,
                tolerance_pct: entry.tolerance_pct,
                from: a.from.map(UtcMicros::to_rfc3339),
                to: a.to.map(UtcMicros::to_rfc3339),
                from_because: a.from_because,
            });
        }
    }
    frames::agreement_csv(&rows)
}
