//! Frames: one row a finding for export, and the queries that compare families. The only place that speaks polars.

use crate::AssessError;
use crate::family::{Families, Family};
use analytics_detect::{Assessment, EighthAgreement};
use polars::prelude::{
    ChunkApply, CsvWriter, DataFrame, DataType, IntoColumn, IntoLazy, NamedFrom, PolarsError,
    QuantileMethod, SerWriter, Series, SortMultipleOptions, col, len, lit,
};
use std::collections::HashMap;

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
    csv_of(findings(result)?)
}

/// Six figures are more than any number here is worth; what binary fractions add behind them is noise.
fn six_figures(v: f64) -> f64 {
    if v.is_finite() {
        format!("{v:.5e}").parse().unwrap_or(v)
    } else {
        v
    }
}

fn csv_of(frame: DataFrame) -> Result<String, AssessError> {
    let rounded = frame.columns().iter().map(|c| match c.f64() {
        Ok(numbers) => numbers.apply_values(six_figures).into_column(),
        Err(_) => c.clone(),
    });
    let mut frame = DataFrame::new_infer_height(rounded.collect()).map_err(table)?;
    let mut out = Vec::new();
    CsvWriter::new(&mut out).finish(&mut frame).map_err(table)?;
    String::from_utf8(out).map_err(|e| AssessError::Table(e.to_string()))
}

/// One loop as families are made of it.
#[derive(Clone, Debug)]
pub(crate) struct LoopRow {
    pub type_name: String,
    pub revision_name: Option<String>,
    pub rate: Option<f64>,
    pub failed_logit: Option<f64>,
    pub failed: f64,
    pub polls: f64,
    pub judged: u64,
    pub found: u64,
}

/// Number, mean and standard deviation of what is known.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Summed {
    pub n: usize,
    pub mean: Option<f64>,
    pub sd: Option<f64>,
}

/// One family: sums and quantiles over its loops.
#[derive(Clone, Debug)]
pub(crate) struct FamilyRow {
    pub name: String,
    pub members: usize,
    pub rate: Summed,
    pub p10: Option<f64>,
    pub median: Option<f64>,
    pub p90: Option<f64>,
    pub failed_logit: Summed,
    pub failed: f64,
    pub polls: f64,
    pub judged: u64,
    pub found: u64,
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct LoopWeekRow {
    pub week: i64,
    pub loops: u64,
    pub open: u64,
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct LoopDayRow {
    pub day: i64,
    /// Loops that could still get their first finding.
    pub exposed: f64,
    pub begun: u64,
}

fn table(e: PolarsError) -> AssessError {
    AssessError::Table(e.to_string())
}

/// Columns of a frame by name, as what the grouped answers hold.
struct Columns<'a>(&'a DataFrame);

impl Columns<'_> {
    fn numbers(&self, name: &str) -> Result<Vec<Option<f64>>, AssessError> {
        let column = self.0.column(name).and_then(|c| c.cast(&DataType::Float64));
        let column = column.map_err(table)?;
        Ok(column.f64().map_err(table)?.iter().collect())
    }

    fn texts(&self, name: &str) -> Result<Vec<String>, AssessError> {
        let column = self.0.column(name).map_err(table)?;
        let texts = column.str().map_err(table)?;
        Ok(texts
            .iter()
            .map(|t| t.unwrap_or_default().to_owned())
            .collect())
    }
}

macro_rules! frame {
    ($rows:expr, $($name:literal => $get:expr),+ $(,)?) => {
        DataFrame::new_infer_height(vec![
            $(Series::new($name.into(), $rows.iter().map($get).collect::<Vec<_>>()).into()),+
        ])
        .map_err(table)
    };
}

/// Loops grouped by family, in order of names.
pub(crate) fn by_family<'a>(
    rows: impl Iterator<Item = (&'a str, &'a LoopRow)>,
) -> Result<Vec<FamilyRow>, AssessError> {
    let rows: Vec<(&str, &LoopRow)> = rows.collect();
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let loops = frame!(rows,
        "family" => |(name, _)| (*name).to_owned(),
        "rate" => |(_, r)| r.rate,
        "failed_logit" => |(_, r)| r.failed_logit,
        "failed" => |(_, r)| r.failed,
        "polls" => |(_, r)| r.polls,
        "judged" => |(_, r)| r.judged,
        "found" => |(_, r)| r.found,
    )?;
    let part = |p: f64, name: &str| {
        let quantile = col("rate").quantile(lit(p), QuantileMethod::Linear);
        quantile.alias(name)
    };
    let grouped = loops
        .lazy()
        .group_by([col("family")])
        .agg([
            len().alias("members"),
            col("rate").count().alias("rates"),
            col("rate").mean().alias("rate_mean"),
            col("rate").std(1).alias("rate_sd"),
            part(0.1, "p10"),
            part(0.5, "median"),
            part(0.9, "p90"),
            col("failed_logit").count().alias("logits"),
            col("failed_logit").mean().alias("logit_mean"),
            col("failed_logit").std(1).alias("logit_sd"),
            col("failed").sum(),
            col("polls").sum(),
            col("judged").sum(),
            col("found").sum(),
        ])
        .sort(["family"], SortMultipleOptions::default())
        .collect()
        .map_err(table)?;
    let c = Columns(&grouped);
    let names = c.texts("family")?;
    let get = |name: &str| c.numbers(name);
    let (members, rates, rate_mean, rate_sd) = (
        get("members")?,
        get("rates")?,
        get("rate_mean")?,
        get("rate_sd")?,
    );
    let (logits, logit_mean, logit_sd) = (get("logits")?, get("logit_mean")?, get("logit_sd")?);
    let (p10, median, p90) = (get("p10")?, get("median")?, get("p90")?);
    let (failed, polls, judged, found) =
        (get("failed")?, get("polls")?, get("judged")?, get("found")?);
    let at = |v: &[Option<f64>], i: usize| v.get(i).copied().flatten();
    let count = |v: &[Option<f64>], i: usize| at(v, i).unwrap_or(0.0);
    Ok(names
        .into_iter()
        .enumerate()
        .map(|(i, name)| FamilyRow {
            name,
            members: count(&members, i) as usize,
            rate: Summed {
                n: count(&rates, i) as usize,
                mean: at(&rate_mean, i),
                sd: at(&rate_sd, i),
            },
            p10: at(&p10, i),
            median: at(&median, i),
            p90: at(&p90, i),
            failed_logit: Summed {
                n: count(&logits, i) as usize,
                mean: at(&logit_mean, i),
                sd: at(&logit_sd, i),
            },
            failed: count(&failed, i),
            polls: count(&polls, i),
            judged: count(&judged, i) as u64,
            found: count(&found, i) as u64,
        })
        .collect())
}

/// Loops with readings and loops with an open finding, of a family (its name) in a week (its number).
pub(crate) type ByWeek = HashMap<(String, i64), (u64, u64)>;

/// Loops with readings and those with an open finding, by family and week.
pub(crate) fn by_week<'a>(
    rows: impl Iterator<Item = (&'a str, &'a LoopWeekRow)>,
) -> Result<ByWeek, AssessError> {
    let rows: Vec<(&str, &LoopWeekRow)> = rows.collect();
    if rows.is_empty() {
        return Ok(HashMap::new());
    }
    let weeks = frame!(rows,
        "family" => |(name, _)| (*name).to_owned(),
        "week" => |(_, w)| w.week,
        "loops" => |(_, w)| w.loops,
        "open" => |(_, w)| w.open,
    )?;
    let grouped = weeks
        .lazy()
        .group_by([col("family"), col("week")])
        .agg([col("loops").sum(), col("open").sum()])
        .collect()
        .map_err(table)?;
    let c = Columns(&grouped);
    let (week, loops, open) = (c.numbers("week")?, c.numbers("loops")?, c.numbers("open")?);
    let whole = |v: &Option<f64>| v.unwrap_or(0.0);
    let sums = week.iter().zip(loops.iter().zip(&open));
    Ok(c.texts("family")?
        .into_iter()
        .zip(sums)
        .map(|(name, (w, (l, o)))| ((name, whole(w) as i64), (whole(l) as u64, whole(o) as u64)))
        .collect())
}

/// Exposed loops and first findings, by family in order of days.
pub(crate) fn by_day<'a>(
    rows: impl Iterator<Item = (&'a str, &'a LoopDayRow)>,
) -> Result<HashMap<String, Vec<LoopDayRow>>, AssessError> {
    let rows: Vec<(&str, &LoopDayRow)> = rows.collect();
    let mut out: HashMap<String, Vec<LoopDayRow>> = HashMap::new();
    if rows.is_empty() {
        return Ok(out);
    }
    let days = frame!(rows,
        "family" => |(name, _)| (*name).to_owned(),
        "day" => |(_, d)| d.day,
        "exposed" => |(_, d)| d.exposed,
        "begun" => |(_, d)| d.begun,
    )?;
    let grouped = days
        .lazy()
        .group_by([col("family"), col("day")])
        .agg([col("exposed").sum(), col("begun").sum()])
        .sort(["family", "day"], SortMultipleOptions::default())
        .collect()
        .map_err(table)?;
    let c = Columns(&grouped);
    let (day, exposed, begun) = (
        c.numbers("day")?,
        c.numbers("exposed")?,
        c.numbers("begun")?,
    );
    let whole = |v: &Option<f64>| v.unwrap_or(0.0);
    for (name, (d, (x, b))) in c
        .texts("family")?
        .into_iter()
        .zip(day.iter().zip(exposed.iter().zip(&begun)))
    {
        out.entry(name).or_default().push(LoopDayRow {
            day: whole(d) as i64,
            exposed: whole(x),
            begun: whole(b) as u64,
        });
    }
    Ok(out)
}

/// The families as CSV (RFC 4180, header row, UTF-8), one row a family; shares are 0 to 1, rates % of span a day.
pub fn families_csv(families: &Families) -> Result<String, AssessError> {
    let rows = &families.families;
    let rate = |f: &Family| f.rate.mean;
    let found = |f: &Family| f.findings.share;
    let failed = |f: &Family| f.errors.share;
    let change = |f: &Family| f.change.clone();
    let frame = frame!(rows,
        "scope" => |f| f.scope,
        "family" => |f| f.name.clone(),
        "members" => |f| f.members as u64,
        "loops_with_finding" => |f| f.findings.loops,
        "loops_judged" => |f| f.findings.of,
        "finding_share" => |f| found(f).raw.map(|v| v.value),
        "finding_share_low" => |f| found(f).raw.map(|v| v.low),
        "finding_share_high" => |f| found(f).raw.map(|v| v.high),
        "finding_share_pooled" => |f| found(f).pooled.map(|v| v.value),
        "finding_share_pooled_low" => |f| found(f).pooled.map(|v| v.low),
        "finding_share_pooled_high" => |f| found(f).pooled.map(|v| v.high),
        "loops_with_rate" => |f| f.rate.loops as u64,
        "rate_pct_per_day" => |f| rate(f).raw.map(|v| v.value),
        "rate_low" => |f| rate(f).raw.map(|v| v.low),
        "rate_high" => |f| rate(f).raw.map(|v| v.high),
        "rate_pooled" => |f| rate(f).pooled.map(|v| v.value),
        "rate_pooled_low" => |f| rate(f).pooled.map(|v| v.low),
        "rate_pooled_high" => |f| rate(f).pooled.map(|v| v.high),
        "rate_p10" => |f| f.rate.p10,
        "rate_median" => |f| f.rate.median,
        "rate_p90" => |f| f.rate.p90,
        "polls" => |f| f.errors.polls,
        "failed" => |f| f.errors.failed,
        "failed_share" => |f| failed(f).raw.map(|v| v.value),
        "failed_share_low" => |f| failed(f).raw.map(|v| v.low),
        "failed_share_high" => |f| failed(f).raw.map(|v| v.high),
        "failed_share_pooled" => |f| failed(f).pooled.map(|v| v.value),
        "failed_share_pooled_low" => |f| failed(f).pooled.map(|v| v.low),
        "failed_share_pooled_high" => |f| failed(f).pooled.map(|v| v.high),
        "first_findings" => |f| f.begun,
        "change" => |f| change(f).map(|c| c.direction),
        "change_evidenced" => |f| change(f).map(|c| c.evidenced),
        "change_since" => |f| change(f).map(|c| c.since),
        "change_p_value" => |f| change(f).map(|c| c.p_value),
    )?;
    csv_of(frame)
}

/// One eighth of one loop's range.
#[derive(Clone, Debug)]
pub(crate) struct AgreementRow {
    pub tag: String,
    pub from_ma: f64,
    pub eighth: EighthAgreement,
    pub with_accuracy: bool,
    pub tolerance_pct: f64,
    pub from: Option<String>,
    pub to: Option<String>,
    pub from_because: Option<&'static str>,
}

pub(crate) fn agreement_csv(rows: &[AgreementRow]) -> Result<String, AssessError> {
    let frame = frame!(rows,
        "tag" => |r| r.tag.clone(),
        "from_ma" => |r| r.from_ma,
        "to_ma" => |r| r.from_ma + 2.0,
        "days" => |r| r.eighth.days as u64,
        "samples" => |r| r.eighth.samples,
        "newest" => |r| r.eighth.newest.map(|t| t.to_rfc3339()),
        "deviation_pct" => |r| r.eighth.deviation_pct,
        "expanded_uncertainty_pct" => |r| r.eighth.expanded_uncertainty_pct,
        "degrees_of_freedom" => |r| r.eighth.degrees_of_freedom.filter(|v| v.is_finite()),
        "counts" => |r| r.eighth.counts,
        "uncertainty" => |r| if r.with_accuracy { "combined with the input's accuracy" } else { "statistical part only" },
        "tolerance_pct" => |r| r.tolerance_pct,
        "evidence_from" => |r| r.from.clone(),
        "evidence_to" => |r| r.to.clone(),
        "evidence_from_because" => |r| r.from_because,
    )?;
    csv_of(frame)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_tables_have_six_figures() {
        let frame = frame!([0.051_992_000_000_000_003, -1.0 / 3.0, f64::NAN, 1e-12], "v" => |v| *v);
        let csv = csv_of(frame.unwrap()).unwrap();
        let lines: Vec<&str> = csv.lines().collect();
        assert_eq!(lines, ["v", "0.051992", "-0.333333", "NaN", "1e-12"]);
    }
}
