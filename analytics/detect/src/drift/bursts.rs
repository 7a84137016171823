//! Sustained episodes: hours in which the mean deviation itself lies apart, and hours between in which it does not.
//!
//! Single samples of a fast loop scatter by as much as water in a junction box shifts the current; the mean of an
//! hour does not. So hourly residuals of the drift regression are judged: runs of hours on one side, each run by its
//! summed weight (Stouffer: `sum(r w) / sqrt(sum w)` over the unit scatter of quiet hours). Believed are at least
//! three such runs, far more often than before their start, on one side only, with the quiet hours unmoved.

use super::fit::{Base, Cell, residuals};
use crate::finding::Kind;
use crate::history::{Draft, LoopRecord, Window, hour_in, median};
use crate::limits::Test;
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};

/// Residual of a single hour that belongs to a run, in its own standard deviations and in % of span.
const HOUR_Z: f64 = 3.5;
const HOUR_PCT: f64 = 0.2;
/// A run as a whole, and hours in it at least and at most.
const RUN_Z: f64 = 8.0;
const RUN_MIN_H: usize = 2;
const RUN_MAX_H: i64 = 72;
const MIN_RUNS: usize = 3;
/// What comes slowly has begun before its first hour stands apart: this held 28 of 32 onsets of our own fleets (others had
/// a first episode that none of its hours showed).
const ROSE_H: f64 = 6.0;
/// Runs an hour after the start over those before.
const MIN_RATIO: f64 = 6.0;

/// One hour: its number, residual (% of span) and weight, position, samples.
#[derive(Clone, Copy, Debug)]
pub struct Hour {
    pub hour: i64,
    pub r: f64,
    pub w: f64,
    /// Mean digital position, -50 to 50.
    pub x: f64,
    pub n: u32,
}

/// Hourly residuals about the quiet part of the record, and the scatter of one unit of weight in quiet hours.
#[derive(Clone, Debug)]
pub struct Hours {
    pub hours: Vec<Hour>,
    pub unit: f64,
}

#[derive(Clone, Copy)]
struct Run {
    first: usize,
    last: usize,
    z: f64,
}

/// Base of the quiet part: cells that stand far out are set aside until nothing changes (at most four times).
fn quiet_base(cells: &[Cell]) -> Option<Base> {
    let mut cells = cells.to_vec();
    for c in &mut cells {
        c.used = true;
    }
    let mut base = Base::fit(&cells)?;
    for _ in 0..4 {
        let res = residuals(&cells, &base.beta, None);
        let z: Vec<f64> = res.iter().map(|(r, w)| r * w.sqrt()).collect();
        let centre = median(z.clone());
        let sd = 1.4826 * median(z.iter().map(|v| (v - centre).abs()).collect());
        let mut changed = false;
        for (c, v) in cells.iter_mut().zip(z) {
            let used = (v - centre).abs() <= 4.0 * sd.max(1e-9);
            changed |= used != c.used;
            c.used = used;
        }
        if !changed || cells.iter().filter(|c| c.used).count() < cells.len() / 2 {
            break;
        }
        base = Base::fit(&cells)?;
    }
    Some(base)
}

/// `None` of fewer than four days of hours.
pub fn hours(
    l: &LoopRecord<'_>,
    cells: &[Cell],
    ambient: &dyn Fn(i64) -> f64,
    skip: &[Window],
) -> Option<Hours> {
    let beta = quiet_base(cells)?.beta;
    let mut hours: Vec<Hour> = l
        .blocks
        .iter()
        .filter(|b| b.fit.n >= 3 && !hour_in(skip, b.hour))
        .map(|b| {
            let f = &b.fit.xx[0];
            let w = f[0];
            let model = beta[0] * w
                + beta[1] * f[1]
                + beta[2] * f[2]
                + beta[3] * f[3]
                + beta[4] * ambient(b.hour) * w;
            Hour {
                hour: b.hour,
                r: (b.fit.xy[0] - model) / w,
                w,
                x: f[1] / w,
                n: b.fit.n,
            }
        })
        .filter(|h| h.r.is_finite() && h.w > 0.0)
        .collect();
    if hours.len() < 96 {
        return None;
    }
    let centre = median(hours.iter().map(|h| h.r).collect());
    for h in &mut hours {
        h.r -= centre;
    }
    let unit = 1.4826 * median(hours.iter().map(|h| h.r.abs() * h.w.sqrt()).collect());
    if !(unit > 0.0) {
        return None;
    }
    Some(Hours { hours, unit })
}

pub fn detect(l: &LoopRecord<'_>, all: &Hours, to: UtcMicros) -> Option<Draft> {
    let (hours, unit) = (&all.hours, all.unit);
    let (up, down) = (runs(hours, unit, 1.0), runs(hours, unit, -1.0));
    let (runs, against, sign) = if up.len() >= down.len() {
        (up, down, 1.0)
    } else {
        (down, up, -1.0)
    };
    let total = hours.len() as f64;
    let start = (0..runs.len()).find(|&i| {
        let (before, after) = (i as f64, (runs.len() - i) as f64);
        let (tb, ta) = (runs[i].first as f64, total - runs[i].first as f64);
        runs.len() - i >= MIN_RUNS && tb >= 24.0 && after / ta >= MIN_RATIO * (before + 0.25) / tb
    })?;
    let mine = &runs[start..];
    let others = against.iter().filter(|r| r.first >= mine[0].first).count();
    if 4 * others > mine.len() {
        return None;
    }
    let in_run = |i: usize| runs.iter().any(|r| r.first <= i && i <= r.last);
    let mean = |pick: &dyn Fn(usize) -> bool| {
        let (mut w, mut s) = (0.0, 0.0);
        for (_, h) in hours.iter().enumerate().filter(|(i, _)| pick(*i)) {
            w += h.w;
            s += h.w * h.r;
        }
        if w > 0.0 { s / w } else { f64::NAN }
    };
    let first = mine[0].first;
    let size = mean(&|i| i >= first && in_run(i));
    let moved = mean(&|i| i >= first && !in_run(i)) - mean(&|i| i < first && !in_run(i));
    let held: u32 = (first..hours.len())
        .filter(|i| in_run(*i))
        .map(|i| hours[i].n)
        .sum();
    let samples: u32 = hours[first..].iter().map(|h| h.n).sum();
    let share = f64::from(held) / f64::from(samples.max(1));
    if size * sign < 0.3 * l.entry.tolerance_pct.max(0.5)
        || !(moved.abs() < (0.2 * size.abs()).max(0.04))
        || share > 0.6
    {
        return None;
    }
    let strongest: f64 = mine.iter().map(|r| r.z).sum::<f64>() / mine.len() as f64;
    let block = |hour: i64| l.blocks.iter().find(|b| b.hour == hour);
    let last = hours[mine[mine.len() - 1].last].hour;
    // The first sample that lies apart by itself dates it within the hour, where one does.
    let began = block(hours[first].hour)
        .map(|b| b.first_excursion)
        .filter(|t| *t != i64::MAX);
    let hour_start = UtcMicros::from_hour(hours[first].hour);
    let onset = began.map_or(hour_start, UtcMicros);
    let gap_h = (hours[hours.len() - 1].hour - hours[first].hour) as f64 / mine.len() as f64;
    let mut d = Draft::by(
        Test::Bursts,
        mine.iter().map(|r| r.z).sum(),
        Kind::AnalogDigitalDrift,
        onset,
    )
    .within(
        hour_start
            .plus_s(-3600.0 * ROSE_H)
            .min(onset.plus_s(-3600.0)),
        hour_start.plus_s(10_800.0).max(onset.plus_s(3600.0)),
    )
    .count("episodes", mine.len() as u64)
    .number("share_of_samples", share)
    .number("quiet_moved_pct", moved)
    .number("episode_pct", size)
    .number("episode_z", strongest);
    d.cause = Some("intermittent");
    d.deviation_pct = Some(size);
    if ((to.0 - last * MICROS_PER_HOUR) as f64) > (4.0 * gap_h).max(36.0) * MICROS_PER_HOUR as f64 {
        d.ended = Some(UtcMicros::from_hour(last + 1));
    }
    Some(d)
}

/// Runs of hours on the side of `sign`, joined over gaps of two hours.
fn runs(hours: &[Hour], unit: f64, sign: f64) -> Vec<Run> {
    let mut out: Vec<Run> = Vec::new();
    for (i, h) in hours.iter().enumerate() {
        let r = h.r * sign;
        if r < HOUR_PCT || r * h.w.sqrt() < HOUR_Z * unit {
            continue;
        }
        match out.last_mut() {
            Some(run) if h.hour - hours[run.last].hour <= 3 => run.last = i,
            _ => out.push(Run {
                first: i,
                last: i,
                z: 0.0,
            }),
        }
    }
    for run in &mut out {
        let part = &hours[run.first..=run.last];
        let w: f64 = part.iter().map(|h| h.w).sum();
        run.z = part.iter().map(|h| h.w * h.r * sign).sum::<f64>() / w.sqrt() / unit;
    }
    out.retain(|run| {
        run.last - run.first + 1 >= RUN_MIN_H
            && hours[run.last].hour - hours[run.first].hour <= RUN_MAX_H
            && run.z >= RUN_Z
    });
    out
}
