//! Findings as a frame: one row a finding, for export and comparison. The only place that speaks polars.

use crate::AssessError;
use analytics_detect::Assessment;
use polars::prelude::{CsvWriter, DataFrame, NamedFrom, SerWriter, Series};

/// One row a finding, in the order of the list.
fn findings(result: &Assessment) -> Result<DataFrame, AssessError> {
    let rows: Vec<_> = result
        .attention
        .iter()
        .flat_map(|r| r.findings.iter().map(move |f| (r, f)))
        .collect();
    macro_rules! column {
        ($name:literal, $get:expr) => {
            Series::new($name.into(), rows.iter().map($get).collect::<Vec<_>>()).into()
        };
    }
    DataFrame::new_infer_height(vec![
        column!("rank", |(r, _)| r.rank as u32),
        column!("tag", |(r, _)| r.tag.to_string()),
        column!("score", |(r, _)| r.score),
        column!("real", |(r, _)| r.terms.real),
        column!("purpose", |(r, _)| r.terms.purpose),
        column!("soon", |(r, _)| r.terms.soon),
        column!("lasting", |(r, _)| r.terms.lasting),
        column!("criticality", |(r, _)| r.criticality),
        column!("area", |(r, _)| r.area.clone()),
        column!("kind", |(_, f)| f.kind.as_str()),
        column!("cause", |(_, f)| f.cause),
        column!("signal", |(_, f)| f.signal.map(|s| s.as_str())),
        column!("onset", |(_, f)| f.onset.to_rfc3339()),
        column!("onset_low", |(_, f)| f.onset_low.to_rfc3339()),
        column!("onset_high", |(_, f)| f.onset_high.to_rfc3339()),
        column!("ended", |(_, f)| f.ended.map(|t| t.to_rfc3339())),
        column!("deviation_pct", |(_, f)| f.deviation_pct),
        column!("rate_pct_per_day", |(_, f)| f.rate_pct_per_day),
        column!("reaches_tolerance_at", |(_, f)| f
            .reaches_tolerance_at
            .map(|t| t.to_rfc3339())),
        column!("confidence", |(_, f)| f.confidence),
        column!("common_cause", |(_, f)| f.common_cause.clone()),
        column!("summary", |(_, f)| f.summary.clone()),
    ])
    .map_err(|e| AssessError::Table(e.to_string()))
}

/// The list as CSV (RFC 4180, header row, UTF-8), one row a finding.
pub fn to_csv(result: &Assessment) -> Result<String, AssessError> {
    let mut frame = findings(result)?;
    let mut out = Vec::new();
    CsvWriter::new(&mut out)
        .finish(&mut frame)
        .map_err(|e| AssessError::Table(e.to_string()))?;
    String::from_utf8(out).map_err(|e| AssessError::Table(e.to_string()))
}
