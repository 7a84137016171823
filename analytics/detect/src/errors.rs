//! Rising error counts: the share of failed exchanges against the loop's own past.
//!
//! Hypothesis: errors are Poisson with the exposure (exchanges tried), over-dispersed. Statistic: log
//! likelihood ratio of one rise at the best start, divided by the dispersion found on both sides (quasi
//! likelihood, McCullagh & Nelder). Counters are unwrapped (2^16, 2^32) and restarts left out in `block`.
//! Without counters the share is that of rows without a good reply.

use crate::counts;
use crate::finding::Kind;
use crate::history::{Draft, LoopRecord, LoopSource, Window, hour_in};
use crate::limits::{Limits, Test};
use crate::spans::each_promising;
use crate::trend;
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};
use std::ops::Range;

/// Hours in a cell.
const CELL_H: i64 = 6;
/// The smallest rise and count that are reported, however sure.
pub const MIN_RATIO: f64 = 1.8;
pub const MIN_ERRORS: f64 = 6.0;
/// A rise that ended within this time was a burst.
const BURST_H: i64 = 30;

/// Exposure and errors of one cell.
#[derive(Clone, Copy, Debug)]
pub struct Cell {
    /// First hour of the cell, since 1970.
    pub hour: i64,
    pub exchanges: f64,
    pub errors: f64,
}

/// Cells of six hours; silent time and windows in `skip` left out, an hour's errors capped at a few
/// times what is usual so that a burst is one event.
pub fn cells(l: &LoopRecord<'_>, skip: &[Window]) -> Vec<Cell> {
    let increments = l.increments();
    let by_counter: f64 = increments.iter().flatten().map(|c| c.exchanges).sum();
    let rows: f64 = l.blocks.iter().map(|b| f64::from(b.rows)).sum();
    let use_counters = by_counter > 0.5 * rows;
    let mut hours: Vec<(i64, f64, f64)> = Vec::new();
    for (b, inc) in l.blocks.iter().zip(&increments) {
        if b.replies == 0 || hour_in(skip, b.hour) {
            continue;
        }
        let (n, k) = match inc {
            Some(c) if use_counters => (c.exchanges, c.errors),
            None if use_counters => continue,
            _ => (f64::from(b.rows), f64::from(b.rows - b.replies)),
        };
        if n > 0.0 {
            hours.push((b.hour, n, k.min(n)));
        }
    }
    let total: f64 = hours.iter().map(|h| h.1).sum();
    let share = hours.iter().map(|h| h.2).sum::<f64>() / total.max(1.0);
    let mut out: Vec<Cell> = Vec::new();
    for (hour, n, k) in hours {
        let start = hour.div_euclid(CELL_H) * CELL_H;
        let capped = k.min((5.0 * share * n).max(3.0));
        match out.last_mut() {
            Some(c) if c.hour == start => {
                c.exchanges += n;
                c.errors += capped;
            }
            _ => out.push(Cell {
                hour: start,
                exchanges: n,
                errors: capped,
            }),
        }
    }
    out
}

/// Cells that a rise must be seen against.
const MIN_CELLS: usize = 8;
/// The same in hours of record.
pub const MIN_SPAN_H: i64 = MIN_CELLS as i64 * CELL_H;

/// Hours of record in which a rise could show: cells with rows.
pub fn span_h(l: &LoopRecord<'_>) -> i64 {
    let mut cells: Vec<i64> = l.blocks.iter().map(|b| b.hour.div_euclid(CELL_H)).collect();
    cells.dedup();
    cells.len() as i64 * CELL_H
}

/// The best single rise in a row of cells.
#[derive(Clone, Copy, Debug)]
pub struct Rise {
    /// Index of the first cell after the rise, and (exclusive) of the end.
    pub start: usize,
    pub end: usize,
    /// Twice the log likelihood ratio over the dispersion.
    pub lr: f64,
    pub before: f64,
    pub after: f64,
    pub errors_after: f64,
    /// Pearson's, at least 1.
    pub dispersion: f64,
    /// Range of starts within 4 of the best (twice log likelihood): the onset's interval.
    pub low: usize,
    pub high: usize,
}

fn log_term(k: f64, n: f64) -> f64 {
    if k > 0.0 && n > 0.0 {
        k * (k / n).ln()
    } else {
        0.0
    }
}

/// Best rise over all starts (and, where it ended, ends).
pub fn best_rise(cells: &[Cell]) -> Option<Rise> {
    let m = cells.len();
    if m < MIN_CELLS {
        return None;
    }
    let mut sn = vec![0.0; m + 1];
    let mut sk = vec![0.0; m + 1];
    for (i, c) in cells.iter().enumerate() {
        sn[i + 1] = sn[i] + c.exchanges;
        sk[i + 1] = sk[i] + c.errors;
    }
    let null = log_term(sk[m], sn[m]);
    let gain = |a: usize, b: usize| -> f64 {
        let (n1, k1) = (sn[b] - sn[a], sk[b] - sk[a]);
        let (n0, k0) = (sn[m] - n1, sk[m] - k1);
        if n1 <= 0.0 || n0 <= 0.0 || k1 / n1 <= k0 / n0 {
            return 0.0;
        }
        2.0 * (log_term(k1, n1) + log_term(k0, n0) - null)
    };
    let mut best = (0.0, 0, m);
    for a in 4..m {
        let g = gain(a, m);
        if g > best.0 {
            best = (g, a, m);
        }
    }
    // A rise that ended: only if that explains clearly more.
    let bound = |a: Range<usize>, b: Range<usize>| {
        // Convex in errors and exposure of the stretch together, so greatest at a corner of what the sums allow.
        let least = |s: &[f64]| s[b.start] - s[a.end - 1];
        let most = |s: &[f64]| s[b.end - 1] - s[a.start];
        if least(&sn) <= 0.0 || most(&sn) >= sn[m] {
            return f64::INFINITY;
        }
        let corner = |n1: f64, k1: f64| log_term(k1, n1) + log_term(sk[m] - k1, sn[m] - n1) - null;
        let of = |n1: f64| corner(n1, least(&sk)).max(corner(n1, most(&sk)));
        2.0 * of(least(&sn)).max(of(most(&sn))) + 1e-6
    };
    let min_len = (BURST_H / CELL_H) as usize;
    each_promising(4..m, min_len, m, best.0 + 12.0, bound, |a, b| {
        let g = gain(a, b);
        if g > best.0 + 12.0 {
            best = (g, a, b);
        }
        best.0 + 12.0
    });
    let (g, a, b) = best;
    if g <= 0.0 {
        return None;
    }
    let (n1, k1) = (sn[b] - sn[a], sk[b] - sk[a]);
    let (n0, k0) = (sn[m] - n1, sk[m] - k1);
    let (after, before) = (k1 / n1, (k0 / n0).max(0.25 / n0));
    // Pearson dispersion of each side about its own rate.
    let (chi, dof) = counts::pearson(
        cells
            .iter()
            .enumerate()
            .map(|(i, c)| {
                let rate = if i >= a && i < b { after } else { before };
                (c.errors, c.exchanges * rate)
            })
            .filter(|(_, mu)| *mu > 0.2),
        2.0,
    );
    let dispersion = if dof > 2.0 { (chi / dof).max(1.0) } else { 1.0 };
    let near: Vec<usize> = (4..b)
        .filter(|&s| gain(s, b) > g - 4.0 * dispersion)
        .collect();
    Some(Rise {
        start: a,
        end: b,
        lr: g / dispersion,
        before,
        after,
        errors_after: k1,
        dispersion,
        low: near.first().copied().unwrap_or(a),
        high: near.last().copied().unwrap_or(a),
    })
}

pub fn detect(l: &LoopRecord<'_>, to: UtcMicros, skip: &[Window]) -> Option<Draft> {
    detect_at(l, to, skip, &Limits::default())
}

pub fn detect_at(
    l: &LoopRecord<'_>,
    to: UtcMicros,
    skip: &[Window],
    limits: &Limits,
) -> Option<Draft> {
    let cells = cells(l, skip);
    let rise = best_rise(&cells)?;
    if !limits.pass(Test::Errors, rise.lr)
        || rise.after < MIN_RATIO * rise.before
        || rise.errors_after < MIN_ERRORS
    {
        return None;
    }
    Some(draft(l, &cells, &rise, to, (Test::Errors, rise.lr)))
}

/// The finding for an accepted rise.
pub fn draft(
    l: &LoopRecord<'_>,
    cells: &[Cell],
    rise: &Rise,
    to: UtcMicros,
    (test, statistic): (Test, f64),
) -> Draft {
    let at = |i: usize| UtcMicros::from_hour(cells[i.min(cells.len() - 1)].hour);
    let onset = refine(l, at(rise.start), rise);
    let low = at(rise.low.saturating_sub(1)).min(onset);
    let high = UtcMicros(at(rise.high).0 + CELL_H * MICROS_PER_HOUR).max(onset);
    let mut d = Draft::by(test, statistic, Kind::RisingErrors, onset)
        .within(low, high.min(to))
        .number("failed_share_before", rise.before)
        .number("failed_share_after", rise.after)
        .number("rise_ratio", rise.after / rise.before)
        .number("log_likelihood_ratio", rise.lr);
    d = beside(d, cells, rise);
    if rise.end < cells.len() {
        d.ended = Some(at(rise.end));
    }
    d
}

/// Published tests of the same question as evidence: the exact interval of the ratio and Laplace's z, both with counts
/// divided by the dispersion. Time is exposure, so that slower polling is no rise.
fn beside(mut d: Draft, cells: &[Cell], rise: &Rise) -> Draft {
    let (mut t, mut events) = (0.0, Vec::new());
    let (mut k, mut n) = ([0.0; 2], [0.0; 2]);
    for (i, c) in cells.iter().enumerate() {
        let side = usize::from(i >= rise.start && i < rise.end);
        k[side] += c.errors / rise.dispersion;
        n[side] += c.exchanges;
        events.push((t + 0.5 * c.exchanges, c.errors / rise.dispersion));
        t += c.exchanges;
    }
    if let Some(r) = counts::rate_ratio(k[1], n[1], k[0], n[0]) {
        d = d
            .number("rise_ratio_low", r.low)
            .number("rise_ratio_high", r.high);
    }
    if let Some(z) = trend::laplace(&events, t) {
        d = d.number("laplace_z", z);
    }
    d.number("dispersion", rise.dispersion)
}

/// Moves the start to the hour where the hourly counts turn, within a cell either way.
fn refine(l: &LoopRecord<'_>, start: UtcMicros, rise: &Rise) -> UtcMicros {
    let centre = start.hour();
    let lambda = (rise.after / rise.before).ln();
    let diff = rise.after - rise.before;
    let increments = l.increments();
    let (mut best, mut best_hour, mut sum) = (0.0, centre, 0.0);
    let mut seen = false;
    // Log likelihood of "after the rise from this hour on", summed backwards.
    for (b, inc) in l.blocks.iter().zip(&increments).rev() {
        if b.hour >= centre + CELL_H || b.hour < centre - CELL_H {
            continue;
        }
        let (n, k) = match inc {
            Some(c) if c.exchanges > 0.0 => (c.exchanges, c.errors),
            _ => (f64::from(b.rows), f64::from(b.rows - b.replies)),
        };
        sum += k * lambda - n * diff;
        if !seen || sum > best {
            best = sum;
            best_hour = b.hour;
            seen = true;
        }
    }
    UtcMicros::from_hour(best_hour)
}

/// Group test: all members of what loops share on the digital path, weighted so that no loop carries it.
///
/// Members that follow the group's factor rather than none are found with it, though their own evidence is weak.
pub fn groups(
    loops: &[LoopSource<'_>],
    cells: &[Vec<Cell>],
    to: UtcMicros,
    limits: &Limits,
) -> Vec<(usize, Draft)> {
    use ingest_model::Scope;
    use std::collections::BTreeMap;
    /// Share of members that must be up.
    const SHARE_UP: f64 = 0.7;
    let mut members: BTreeMap<(Scope, String), Vec<usize>> = BTreeMap::new();
    for (i, l) in loops.iter().enumerate() {
        for scope in [Scope::Gateway, Scope::Modem, Scope::JunctionBox] {
            if let Some(name) = l.entry.member_of(scope) {
                members.entry((scope, name)).or_default().push(i);
            }
        }
    }
    let mut out = Vec::new();
    for ids in members.into_values().filter(|v| v.len() >= 4) {
        // Expected-error scale: every member enters with a base of one error per unit of exposure.
        let mut pooled: BTreeMap<i64, (f64, f64)> = BTreeMap::new();
        for &i in &ids {
            let (n, k) = cells[i]
                .iter()
                .fold((0.0, 0.0), |a, c| (a.0 + c.exchanges, a.1 + c.errors));
            if n <= 0.0 {
                continue;
            }
            let rate = (k + 0.5) / n;
            for c in &cells[i] {
                let e = pooled.entry(c.hour).or_default();
                // No member more than the median one: capped by its share.
                e.0 += c.exchanges * rate;
                e.1 += c.errors;
            }
        }
        let pooled: Vec<Cell> = pooled
            .into_iter()
            .map(|(hour, (n, k))| Cell {
                hour,
                exchanges: n,
                errors: k,
            })
            .collect();
        let Some(rise) = best_rise(&pooled) else {
            continue;
        };
        let ratio = rise.after / rise.before;
        if !limits.pass(Test::ErrorsOfGroup, rise.lr) || ratio < MIN_RATIO {
            continue;
        }
        let (from, until) = (
            pooled[rise.start].hour,
            pooled.get(rise.end).map_or(i64::MAX, |c| c.hour),
        );
        let member = |i: usize| {
            let (mut a, mut b) = ((0.0, 0.0), (0.0, 0.0));
            for c in &cells[i] {
                let s = if c.hour >= from && c.hour < until {
                    &mut a
                } else {
                    &mut b
                };
                s.0 += c.exchanges;
                s.1 += c.errors;
            }
            (a, b)
        };
        let up = ids
            .iter()
            .filter(|&&i| {
                let (a, b) = member(i);
                a.1 / a.0.max(1.0) > 1.3 * (b.1 + 0.5) / b.0.max(1.0)
            })
            .count();
        if (up as f64) < SHARE_UP * ids.len() as f64 {
            continue;
        }
        for &i in &ids {
            let (a, b) = member(i);
            if a.0 <= 0.0 || b.0 <= 0.0 || a.1 < MIN_ERRORS {
                continue;
            }
            let (after, before) = (a.1 / a.0, (b.1 + 0.5) / b.0);
            // Follows the group's factor (log likelihood against no change), by at least 6.
            let mu0 = a.0 * (a.1 + b.1) / (a.0 + b.0);
            let lr =
                2.0 * (log_term(a.1, a.0) + log_term(b.1, b.0) - log_term(a.1 + b.1, a.0 + b.0));
            if after < 1.4 * before || lr < 6.0 || a.1 < mu0 {
                continue;
            }
            let start = cells[i].iter().position(|c| c.hour >= from).unwrap_or(0);
            let own = Rise {
                start,
                end: cells[i]
                    .iter()
                    .position(|c| c.hour >= until)
                    .unwrap_or(cells[i].len()),
                lr: lr.max(12.5),
                before,
                after,
                errors_after: a.1,
                dispersion: rise.dispersion,
                low: start.saturating_sub(1),
                high: (start + 1).min(cells[i].len() - 1),
            };
            let record = LoopRecord {
                entry: loops[i].entry,
                blocks: &loops[i].load(),
            };
            let judged = (Test::ErrorsOfGroup, rise.lr);
            out.push((i, draft(&record, &cells[i], &own, to, judged)));
        }
    }
    out
}
