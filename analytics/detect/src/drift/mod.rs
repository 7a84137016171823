//! Analog-digital drift: the current at the host and the digital value no longer agree.
//!
//! Order of questions, from the most specific: does the device itself drive another current than the
//! register says (`scaling`)? Is there a ceiling (`supply-limited`)? Episodes (`intermittent`)? Else a
//! change in the regression of the deviation: `offset` or `span`, step or ramp, with onset and forecast.

pub mod bursts;
pub mod cause;
pub mod ceiling;
pub mod change;
pub mod episodes;
pub mod fit;
pub mod forecast;
pub mod scaling;
pub mod search;
pub mod shared;
pub mod spells;
pub mod standing;

use crate::context::Context;
use crate::finding::Evidence;
use crate::history::{Draft, LoopRecord, Window, hour_in};
use crate::limits::{Limits, Test};
use fit::Cell;
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};

/// Days of record before drift is judged.
pub const MIN_DAYS: usize = 5;
/// Loops whose digital position varies less than this (standard deviation, %) cannot tell span from offset.
const STILL_X: f64 = 3.0;

/// Outcome for one loop.
#[derive(Debug, Default)]
pub struct Outcome {
    pub drafts: Vec<Draft>,
    pub not_judged: Option<&'static str>,
    /// Hourly residuals for what loops share; none where a drift of another kind explains the loop.
    pub hours: Option<bursts::Hours>,
}

pub fn detect(l: &LoopRecord<'_>, ctx: &Context, to: UtcMicros, skip: &[Window]) -> Outcome {
    detect_at(l, ctx, to, skip, &Limits::default())
}

pub fn detect_at(
    l: &LoopRecord<'_>,
    ctx: &Context,
    to: UtcMicros,
    skip: &[Window],
    limits: &Limits,
) -> Outcome {
    let mut out = Outcome::default();
    let tolerance = l.entry.tolerance_pct;
    if l.entry.multidrop {
        out.not_judged = Some("multidrop: the current is parked");
        return out;
    }
    if l.blocks.iter().all(|b| b.m.n == 0) {
        out.not_judged = Some("no analog source");
        // The output side alone still shows a range that is not the device's.
        out.drafts
            .extend(believed(scaling::reported(l, to, skip), limits));
        return out;
    }
    if l.blocks.iter().all(|b| b.d.n == 0) {
        out.not_judged = Some("no digital value");
        return out;
    }
    let usual = Limits::default();
    // The first that stands at the usual budget explains the loop; else, at a looser one, the one furthest beyond its
    // threshold.
    let mut weaker: Vec<Draft> = Vec::new();
    let mut settle = |d: Option<Draft>| -> bool {
        let Some(d) = believed(d, limits) else {
            return false;
        };
        if believed(Some(d.clone()), &usual).is_some() {
            weaker = vec![d];
            return true;
        }
        weaker.push(d);
        false
    };
    let ambient = |h: i64| ctx.ambient(h);
    let take = |b: &crate::block::HourBlock| !hour_in(skip, b.hour);
    let found = 'found: {
        if settle(scaling::reported(l, to, skip)) {
            break 'found true;
        }
        let ceiling = ceiling::detect(l, to, skip);
        if settle(ceiling.clone()) {
            break 'found true;
        }
        let mut cells = fit::cells(l.blocks, &ambient, &take);
        if distinct_days(&cells) < MIN_DAYS {
            out.not_judged = Some("record too short: drift needs five days of running");
            break 'found true;
        }
        let mut episodes = episodes::detect(l, to, skip);
        if let Some(e) = believed(episodes.clone(), &usual) {
            if let Some(c) = ceiling.filter(|c| same_loss(c, &e)) {
                // Too few hours to be believed as a ceiling, but something is wrong, and this is what.
                episodes = Some(Draft {
                    judged: e.judged,
                    ..c
                });
            } else if episodes::quiet_moved(&e) {
                // What drifts takes its single samples over the line one by one: the clearer of the two stands.
                let hours = bursts::hours(l, &cells, &ambient, skip);
                let bursts = hours.as_ref().and_then(|h| bursts::detect(l, h, to));
                let change = change::changed(l, ctx, &mut cells, tolerance, to)
                    .map(|d| spells_or(d, hours.as_ref()));
                let clearer = |c: &Draft| limits.margin_of(c) > limits.margin_of(&e);
                if believed(bursts, &usual).is_none()
                    && change.as_ref().is_some_and(clearer)
                    && settle(change)
                {
                    break 'found true;
                }
            }
        }
        settle(episodes)
            || {
                out.hours = bursts::hours(l, &cells, &ambient, skip);
                settle(out.hours.as_ref().and_then(|h| bursts::detect(l, h, to)))
            }
            || {
                let change = change::changed(l, ctx, &mut cells, tolerance, to);
                settle(change.map(|d| spells_or(d, out.hours.as_ref())))
            }
            || settle(standing::detect(l, &cells, tolerance))
    };
    if !found {
        weaker.sort_by(|a, b| limits.margin_of(b).total_cmp(&limits.margin_of(a)));
    }
    out.drafts.extend(weaker.into_iter().next());
    if out.drafts.iter().any(|d| d.cause != Some("intermittent")) {
        out.hours = None;
    }
    out
}

/// The finding, if its statistic is believed at this budget.
fn believed(d: Option<Draft>, limits: &Limits) -> Option<Draft> {
    d.filter(|d| d.judged.is_none_or(|(t, s)| limits.pass(t, s)))
}

/// A step told as spells where these explain its hours.
fn spells_or(d: Draft, hours: Option<&bursts::Hours>) -> Draft {
    let step = matches!(d.evidence.get("shape"), Some(Evidence::Text(s)) if s == "step");
    let hours = hours.filter(|_| step);
    hours.and_then(|h| spells::instead(h, &d)).unwrap_or(d)
}

/// A ceiling whose own hours are too few explains what was seen as episodes of lost current.
fn same_loss(ceiling: &Draft, episodes: &Draft) -> bool {
    episodes.deviation_pct.is_some_and(|v| v < 0.0)
        && ceiling.onset_low.0 <= episodes.onset_high.0 + 24 * MICROS_PER_HOUR
        && ceiling.onset.0 >= episodes.onset_low.0 - 24 * MICROS_PER_HOUR
}

fn distinct_days(cells: &[Cell]) -> usize {
    let mut days: Vec<i64> = cells.iter().map(Cell::day).collect();
    days.dedup();
    days.len()
}

/// Likelihood ratio that is believed at the usual budget.
pub fn accept(days: usize) -> f64 {
    Limits::default().at(Test::DriftLasting) * few_days(days)
}

/// More is asked when few days estimate the scatter (Student's tail).
pub fn few_days(days: usize) -> f64 {
    1.0 + 3.0 / (days as f64 - 3.0).max(1.0)
}

/// Hourly digital positions that took part.
fn positions(l: &LoopRecord<'_>) -> Vec<f64> {
    l.blocks
        .iter()
        .filter(|b| b.fit.n > 0)
        .map(|b| b.fit.xx[0][1] / b.fit.xx[0][0].max(1e-12))
        .collect()
}

fn deviation_of(x: &[f64]) -> f64 {
    let n = x.len() as f64;
    let mean = x.iter().sum::<f64>() / n.max(1.0);
    (x.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0)).sqrt()
}
