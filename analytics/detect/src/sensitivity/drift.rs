//! Drift: offset and span, growing and at once.
//!
//! The detector's statistic for a fault of size `a` is `(a / se)^2`, with `se` the standard error of the fault's
//! amplitude beside the base model over the days before and after the onset, in the loop's own day-to-day scatter. It is
//! believed above `accept(days)`, and above a practical size. So nine of ten are found at 1.28 `se` above the
//! larger of `se sqrt(accept)` and the practical size. The size at the end of a growing fault scatters more than that `se`, which takes the onset as known: the
//! detector has to find the onset as well. And the boundary itself moves, as the new days change the scatter that the
//! detector estimates ([`boundary_moves`]).
//!
//! The detector then runs on the loop's own blocks with a fault just beyond its boundary in the last days, one of the
//! four faults a night in turn.

use super::faults::add_deviation;
use super::{Answer, Fault, Setting, WITHIN_DAYS, Z90};
use crate::block::HourBlock;
use crate::drift::fit::{Base, CELL_H, Cell, Form, cells, residuals, scatter, start_t};
use crate::drift::{self, MIN_DAYS, accept};
use crate::finding::Kind;
use crate::history::{LoopRecord, hour_in, median, quantile};

/// Standard error of the end of a line over its last days by itself against that of one whose begin is known: variances
/// of `4/n` and `3/n` for `n` equal days (least squares with intercept and slope, against the slope alone).
const FREE_ONSET: f64 = 1.155;
/// Sizes beyond this are not sought, % of span.
const MOST_PCT: f64 = 5.0;
/// A rerun is made this far beyond the boundary, and once more at the second factor.
const BEYOND: [f64; 2] = [1.08, 1.35];

const FAULTS: [(Fault, Form, bool); 4] = [
    (Fault::OffsetGrowing, Form::Offset, true),
    (Fault::OffsetStep, Form::Offset, false),
    (Fault::SpanGrowing, Form::Span, true),
    (Fault::SpanStep, Form::Span, false),
];

/// What the record tells of every fault.
struct Known {
    cells: Vec<Cell>,
    per_weight: f64,
    /// The same from the scatter of day means alone, without the detector's floors: what the amplitude really varies by.
    day_per_weight: f64,
    days: usize,
    visited_high: f64,
    practical: f64,
}

pub(super) fn numbers(s: &Setting<'_>, open: bool) -> Vec<Answer> {
    let all = |why: &str| -> Vec<Answer> {
        FAULTS
            .iter()
            .flat_map(|(fault, _, _)| WITHIN_DAYS.map(|n| Answer::blind(*fault, n, why)))
            .collect()
    };
    let blocks = s.l.blocks;
    if !s.l.entry.confirmed {
        return all("range not confirmed");
    }
    if s.l.entry.multidrop {
        return all("multidrop: the current is parked");
    }
    if blocks.iter().all(|b| b.m.n == 0) {
        return all("no analog source");
    }
    if blocks.iter().all(|b| b.d.n == 0) {
        return all("no digital value");
    }
    if open {
        return all("a drift stands already; another one would show as its change");
    }
    let Some(k) = known(s) else {
        return all("record too short: drift needs five days of running");
    };
    FAULTS
        .iter()
        .enumerate()
        .flat_map(|(i, (fault, form, growing))| {
            // One of the four a night: the detector's own search is what costs.
            let turn = s.turn % FAULTS.len() == i;
            let factor = turn.then(|| rerun(s, &k, *form, *growing)).flatten();
            WITHIN_DAYS.map(|n| match (size(&k, *form, *growing, n), factor) {
                (None, _) => Answer::blind(*fault, n, "too little running in the last days"),
                (_, Some(None)) => {
                    Answer::blind(*fault, n, "the detectors did not find the added fault")
                }
                (Some(a), Some(Some(factor))) if a * factor <= MOST_PCT => {
                    Answer::found(*fault, n, a * factor, Some(true))
                }
                (Some(a), None) if a <= MOST_PCT => Answer::found(*fault, n, a, None),
                _ => Answer::blind(*fault, n, "more than 5 % of span would be needed"),
            })
        })
        .collect()
}

fn known(s: &Setting<'_>) -> Option<Known> {
    let take = |b: &HourBlock| !hour_in(&s.no_drift, b.hour);
    let mut cells = cells(s.l.blocks, &|h| s.ctx.ambient(h), &take);
    let mut days: Vec<i64> = cells.iter().map(Cell::day).collect();
    days.dedup();
    if days.len() < MIN_DAYS {
        return None;
    }
    let mut told = None;
    // As the detector does: cells that stand far out are set aside.
    for _ in 0..2 {
        let base = Base::fit(&cells)?;
        let res = residuals(&cells, &base.beta, None);
        let sc = scatter(&cells, &res, &base, 3.0);
        let mut z: Vec<(usize, f64)> = res
            .iter()
            .enumerate()
            .map(|(i, (r, w))| (i, (r * r * w / sc.per_weight.max(1e-12)).sqrt()))
            .collect();
        z.sort_by(|a, b| b.1.total_cmp(&a.1));
        let most = cells.len() * 12 / 100;
        for (i, v) in z.into_iter().take(most) {
            cells[i].used = v <= 5.0;
        }
        let correlated = (1.0 + sc.r1) / (1.0 - sc.r1);
        let by_day = sc.day_sd * sc.day_sd * usual_day_weight(&cells) * correlated;
        told = Some((sc.per_weight, by_day, sc.days));
    }
    let (per_weight, by_day, days) = told?;
    let x: Vec<f64> = cells
        .iter()
        .map(|c| c.xx[0][1] / c.weight().max(1e-12))
        .collect();
    Some(Known {
        per_weight,
        day_per_weight: by_day.min(per_weight),
        days,
        visited_high: quantile(x, 0.9),
        practical: 0.1_f64.max(0.2 * s.l.entry.tolerance_pct),
        cells,
    })
}

fn usual_day_weight(cells: &[Cell]) -> f64 {
    let mut days: Vec<(i64, f64)> = Vec::new();
    for c in cells.iter().filter(|c| c.used) {
        match days.last_mut() {
            Some(d) if d.0 == c.day() => d.1 += c.weight(),
            _ => days.push((c.day(), c.weight())),
        }
    }
    let w = median(days.into_iter().map(|d| d.1).collect());
    if w.is_finite() { w } else { 0.0 }
}

/// Growth from 0 to 1 over the days, or 1 at once.
fn growth(cells: &[Cell], start: usize, days: u32, growing: bool) -> impl Fn(usize) -> f64 + '_ {
    let t0 = start_t(cells, start);
    move |i: usize| {
        if i < start {
            0.0
        } else if growing {
            ((cells[i].t - t0) / f64::from(days)).clamp(0.0, 1.0)
        } else {
            1.0
        }
    }
}

/// Boundary of the detector and standard error, % of span at `Form::at` = 1, for a fault that begins at cell `start` and
/// has lasted `n` days; with the amplitude that the record itself shows there.
struct Edge {
    boundary: f64,
    /// What the amplitude varies by from record to record.
    varies: f64,
    own: f64,
}

fn edge(
    k: &Known,
    cells: &[Cell],
    start: usize,
    form: Form,
    growing: bool,
    n: u32,
) -> Option<Edge> {
    let base = Base::fit(cells)?;
    let grow = growth(cells, start, n, growing);
    let (gain, own, unit_se) = base.any_growth(cells, form, start, &grow);
    if !(gain >= 0.0 && unit_se > 0.0) {
        return None;
    }
    let se = unit_se * k.per_weight.sqrt();
    let mut days: Vec<i64> = cells.iter().map(Cell::day).collect();
    days.dedup();
    let practical = k.practical / form.at(k.visited_high).max(1e-3);
    let believed = se * accept(days.len().max(k.days)).sqrt();
    let own_varies = unit_se * k.day_per_weight.sqrt() * if growing { FREE_ONSET } else { 1.0 };
    // A fixed boundary (the practical size, a floor of the scatter) does not move.
    let moves = if believed > practical {
        believed * boundary_moves(k.days, days.len()) * (k.day_per_weight / k.per_weight).sqrt()
    } else {
        0.0
    };
    Some(Edge {
        boundary: believed.max(practical),
        varies: own_varies.hypot(moves),
        own,
    })
}

/// Relative standard deviation by which the estimated scatter of day means changes when `all - known` days come to `known`:
/// `n / (N (N + n))` is the variance of the change of a mean over `N` days by `n` more. The logarithm of a standard
/// deviation takes half of it (variance of a variance, `2 sigma^4 / N`), the factor `sqrt((1 + r)/(1 - r))` for
/// correlated days the other half: `r` varies by `1/N` (Bartlett 1946), and of its values below zero nothing is made.
fn boundary_moves(known: usize, all: usize) -> f64 {
    let (known, all) = (known.max(1) as f64, all as f64);
    ((all - known).max(0.0) / (known * all.max(known))).sqrt()
}

/// The number: the coming `n` days are taken to run as the last ones did.
fn size(k: &Known, form: Form, growing: bool, n: u32) -> Option<f64> {
    let start = k.cells.len();
    let mut cells = k.cells.clone();
    let (first, last) = (cells.first()?.hour, cells.last()?.hour);
    // Whole days, as many as there are.
    let have = (last - first) / 24 + 1;
    let period = i64::from(n).min(have);
    let until = last + 24 * i64::from(n);
    let model: Vec<Cell> = k
        .cells
        .iter()
        .filter(|c| c.hour > last - 24 * period)
        .copied()
        .collect();
    for round in 1..=i64::from(n) {
        let shift = 24 * period * round;
        if last - 24 * period + shift >= until {
            break;
        }
        for c in model.iter().filter(|c| c.hour + shift <= until) {
            cells.push(Cell {
                hour: c.hour + shift,
                t: c.t + shift as f64 / 24.0,
                ..*c
            });
        }
    }
    // As many cells as the detector wants after a start.
    if cells.len() < start + if growing { 8 } else { 4 } {
        return None;
    }
    let e = edge(k, &cells, start, form, growing, n)?;
    Some(e.boundary + Z90 * e.varies)
}

/// Runs the detector on the loop's own blocks with the fault in the last seven days. Outer `None` = the record is too
/// short for that; inner `None` = not found; else the factor that the number needs.
fn rerun(s: &Setting<'_>, k: &Known, form: Form, growing: bool) -> Option<Option<f64>> {
    let n = WITHIN_DAYS[0];
    let last = k.cells.last()?.hour + CELL_H;
    let from = last - 24 * i64::from(n);
    let start = k.cells.partition_point(|c| c.hour < from);
    let mut before: Vec<i64> = k.cells.get(..start)?.iter().map(Cell::day).collect();
    before.dedup();
    if before.len() < MIN_DAYS || k.cells.len() < start + 8 {
        return None;
    }
    let e = edge(k, &k.cells, start, form, growing, n)?;
    for (i, beyond) in BEYOND.into_iter().enumerate() {
        let add = beyond * e.boundary - e.own;
        let mut blocks = s.l.blocks.to_vec();
        for b in blocks.iter_mut().filter(|b| b.hour >= from) {
            let share = (b.hour as f64 + 0.5 - from as f64) / (24.0 * f64::from(n));
            let g = if growing { share.clamp(0.0, 1.0) } else { 1.0 };
            add_deviation(b, form, g * add);
        }
        let record = LoopRecord {
            entry: s.l.entry,
            blocks: &blocks,
        };
        let found = drift::detect(&record, s.ctx, s.to, &s.no_drift);
        if found
            .drafts
            .iter()
            .any(|d| d.kind == Kind::AnalogDigitalDrift && d.ended.is_none())
        {
            return Some(Some(if i == 0 { 1.0 } else { beyond / BEYOND[0] }));
        }
    }
    Some(None)
}
