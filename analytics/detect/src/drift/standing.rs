//! A standing mismatch: no change within the record, but apart by more than the tolerance all along.

use super::fit::{Base, CELL_H, Cell, residuals, scatter};
use super::{STILL_X, deviation_of, positions};
use crate::finding::Kind;
use crate::history::{Draft, LoopRecord, median, quantile};
use crate::limits::Test;
use ingest_model::UtcMicros;

pub fn detect(l: &LoopRecord<'_>, cells: &[Cell], tolerance: f64) -> Option<Draft> {
    let base = Base::fit(cells)?;
    let beta = base.beta;
    let res = residuals(cells, &beta, None);
    let sc = scatter(cells, &res, &base, 3.0);
    let x = positions(l);
    let (lo, hi, usual) = (
        quantile(x.clone(), 0.05),
        quantile(x.clone(), 0.95),
        median(x.clone()),
    );
    let at = |p: f64| beta[0] + beta[1] * p;
    let worst = [lo, hi, usual]
        .into_iter()
        .map(at)
        .fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a });
    // The mean of the visited range must itself be out, by more than its uncertainty over days.
    let se = (sc.per_weight / base.weight).sqrt();
    let mean_out = at(usual).abs();
    let spread = deviation_of(&x);
    let slope_counts = spread >= STILL_X && (beta[1] * (hi - lo)).abs() > tolerance.max(0.5);
    // Times of what the tolerance allows: by the mean where the loop usually runs, or by the line where it went.
    let by_mean = ((mean_out - 4.0 * se) / tolerance).min(worst.abs() / (1.2 * tolerance));
    let by_line = ((worst.abs() - 4.0 * se) / (1.5 * tolerance))
        .min(worst.abs() / (1.2 * tolerance))
        .min(worst.abs() / (2.0 * tolerance).max(1.0));
    let times = if slope_counts {
        by_mean.max(by_line)
    } else {
        by_mean
    };
    if !(times >= Test::DriftStanding.tail().from) {
        return None;
    }
    let slope_matters = slope_counts && worst.abs() > 1.0;
    let first = cells.first()?.hour;
    let onset = UtcMicros(l.blocks.first()?.first_row).max(UtcMicros::from_hour(first));
    let mut d = Draft::by(Test::DriftStanding, times, Kind::AnalogDigitalDrift, onset)
        .within(onset, onset.plus_s(3600.0 * CELL_H as f64));
    d.cause = Some(if slope_matters {
        "scaling"
    } else if spread >= STILL_X && (beta[1] * 50.0).abs() > 0.7 * beta[0].abs() {
        "span"
    } else {
        "offset"
    });
    d.deviation_pct = Some(at(usual));
    d = d
        .count("days", sc.days as u64)
        .number("day_scatter_pct", sc.day_sd)
        .number("usual_position_pct", usual + 50.0)
        .number("full_scale_pct", at(50.0))
        .number("zero_scale_pct", at(-50.0))
        .text("shape", "since the record began");
    Some(d)
}
