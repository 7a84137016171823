//! Episodes that loops share: water in a junction box shifts its loops in the same hours, each of them too little.
//!
//! Hourly residuals, each over its own scatter and bounded (no loop carries the group), are pooled over the members
//! of a junction box or input card: `Z = sum(z) / sqrt(n)`. A one-sided CUSUM of `Z` (Page 1954), reference value
//! [`K`], cuts the record into runs; the decision interval [`H`] gives an in-control run length of 100,000 hours two-sided
//! (docs/thresholds.md). At least three runs, far more often than before their start and on one side, make the finding;
//! a member belongs to it if its own residuals follow the runs.

use super::bursts::Hours;
use crate::charts::Cusum;
use crate::finding::Kind;
use crate::history::{Draft, LoopSource, median};
use crate::limits::{Limits, Test};
use ingest_model::{LoopEntry, Scope, UtcMicros, instant::MICROS_PER_HOUR};
use std::collections::BTreeMap;

/// Reference value and decision interval of the pooled chart, in its standard deviations.
pub const K: f64 = 0.75;
pub const H: f64 = 7.066;
/// No hour of one loop counts for more than this.
const BOUND_Z: f64 = 4.0;
/// Groups whose loops can share an episode.
const GROUPS: [Scope; 2] = [Scope::JunctionBox, Scope::InputCard];
const MIN_MEMBERS: usize = 3;
const MIN_RUNS: usize = 3;
const MAX_RUN_H: i64 = 96;
const MIN_RATIO: f64 = 4.0;
/// A member's residuals in the runs against those outside, in standard deviations.
const MEMBER_Z: f64 = 4.0;

/// Only the newest part of a record is looked at, hours: this is kept for every loop of the fleet at once.
const RECORD_H: i64 = 60 * 24;

/// What a loop brings to its groups: hourly residuals, small, since those of all loops are held together.
#[derive(Clone, Debug)]
pub struct Residuals {
    /// Hour, residual (% of span), weight.
    hours: Vec<(i32, f32, f32)>,
    /// Scatter of one unit of weight in quiet hours.
    unit: f64,
}

impl Residuals {
    /// Of a loop that has a junction box or an input card; others share nothing.
    pub fn of(entry: &LoopEntry, all: &Hours) -> Option<Self> {
        let grouped = GROUPS.iter().any(|s| entry.member_of(*s).is_some());
        let newest = all.hours.last()?.hour;
        let hours = all
            .hours
            .iter()
            .filter(|h| grouped && newest - h.hour < RECORD_H && h.r.is_finite() && h.w > 0.0)
            .filter_map(|h| Some((i32::try_from(h.hour).ok()?, h.r as f32, h.w as f32)))
            .collect::<Vec<_>>();
        (!hours.is_empty()).then_some(Self {
            hours,
            unit: all.unit,
        })
    }

    fn each(&self) -> impl Iterator<Item = (i64, f64, f64)> {
        self.hours
            .iter()
            .map(|h| (i64::from(h.0), f64::from(h.1), f64::from(h.2)))
    }
}

struct Run {
    first: i64,
    last: i64,
    z: f64,
}

pub fn detect(
    loops: &[LoopSource<'_>],
    hours: &[Option<Residuals>],
    to: UtcMicros,
    limits: &Limits,
) -> Vec<(usize, Draft)> {
    let mut groups: BTreeMap<(Scope, String), Vec<usize>> = BTreeMap::new();
    for (i, l) in loops
        .iter()
        .enumerate()
        .filter(|(i, _)| hours[*i].is_some())
    {
        for scope in GROUPS {
            if let Some(name) = l.entry.member_of(scope) {
                groups.entry((scope, name)).or_default().push(i);
            }
        }
    }
    let mut best: BTreeMap<usize, Draft> = BTreeMap::new();
    for ids in groups.values().filter(|v| v.len() >= MIN_MEMBERS) {
        for (i, d) in one_group(loops, ids, hours, to, limits) {
            let better = |o: &Draft| o.judged.map(|j| j.1) < d.judged.map(|j| j.1);
            if best.get(&i).is_none_or(better) {
                best.insert(i, d);
            }
        }
    }
    best.into_iter().collect()
}

/// Pooled residual by hour, standardised by its own median scatter.
fn pooled(ids: &[usize], hours: &[Option<Residuals>]) -> Vec<(i64, f64)> {
    let mut sums: BTreeMap<i64, (f64, f64)> = BTreeMap::new();
    for h in ids.iter().filter_map(|&i| hours[i].as_ref()) {
        for (hour, r, w) in h.each() {
            let z = (r * w.sqrt() / h.unit).clamp(-BOUND_Z, BOUND_Z);
            let s = sums.entry(hour).or_default();
            *s = (s.0 + z, s.1 + 1.0);
        }
    }
    let raw: Vec<(i64, f64)> = sums
        .into_iter()
        .filter(|(_, s)| s.1 >= MIN_MEMBERS as f64)
        .map(|(h, s)| (h, s.0 / s.1.sqrt()))
        .collect();
    let centre = median(raw.iter().map(|r| r.1).collect());
    let sd = 1.4826 * median(raw.iter().map(|r| (r.1 - centre).abs()).collect());
    raw.into_iter()
        .map(|(h, z)| (h, (z - centre) / sd.max(0.5)))
        .filter(|(_, z)| z.is_finite())
        .collect()
}

/// Stretches in which the chart rose from zero past its decision interval, each until its peak.
fn runs(z: &[(i64, f64)], sign: f64) -> Vec<Run> {
    let mut out = Vec::new();
    let mut chart = Cusum::new(K);
    let (mut start, mut peak, mut peak_at) = (0, 0.0, 0);
    let close = |out: &mut Vec<Run>, start: usize, peak_at: usize, peak: f64| {
        if peak >= H && z[peak_at].0 - z[start].0 <= MAX_RUN_H {
            let part = &z[start..=peak_at];
            let sum: f64 = part.iter().map(|p| p.1 * sign).sum();
            out.push(Run {
                first: z[start].0,
                last: z[peak_at].0,
                z: sum / (part.len() as f64).sqrt(),
            });
        }
    };
    for (i, (_, v)) in z.iter().enumerate() {
        let was_zero = chart.sum() == 0.0;
        // Bounded, so that the chart falls back soon after an episode.
        let s = chart.add((v * sign).min(BOUND_Z));
        if was_zero {
            start = i;
            peak = 0.0;
        }
        if s > peak {
            (peak, peak_at) = (s, i);
        }
        // An episode is over when the chart has lost what makes an alarm.
        if s == 0.0 || peak >= H && s < peak - H {
            close(&mut out, start, peak_at, peak);
            chart.restart();
            peak = 0.0;
        }
    }
    close(&mut out, start, peak_at, peak);
    out
}

fn one_group(
    loops: &[LoopSource<'_>],
    ids: &[usize],
    hours: &[Option<Residuals>],
    to: UtcMicros,
    limits: &Limits,
) -> Vec<(usize, Draft)> {
    let z = pooled(ids, hours);
    let (Some(first), Some(last)) = (z.first(), z.last()) else {
        return Vec::new();
    };
    let (up, down) = (runs(&z, 1.0), runs(&z, -1.0));
    let (mine, against, sign) = if up.len() >= down.len() {
        (up, down, 1.0)
    } else {
        (down, up, -1.0)
    };
    let n = mine.len();
    let start = (0..n).find(|&i| {
        let (before, after) = (i as f64, (n - i) as f64);
        let (tb, ta) = (
            (mine[i].first - first.0) as f64,
            (last.0 - mine[i].first) as f64,
        );
        n - i >= MIN_RUNS && tb >= 48.0 && after / ta >= MIN_RATIO * (before + 0.25) / tb
    });
    let Some(start) = start else {
        return Vec::new();
    };
    let mine = &mine[start..];
    let others = against.iter().filter(|r| r.first >= mine[0].first).count();
    let statistic: f64 = mine.iter().map(|r| r.z).sum();
    if 3 * others > mine.len() || !limits.pass(Test::BurstsOfGroup, statistic) {
        return Vec::new();
    }
    let began = mine[0].first;
    let in_run = |h: i64| mine.iter().any(|r| r.first <= h && h <= r.last);
    let mut out = Vec::new();
    for &i in ids {
        let Some(own) = &hours[i] else { continue };
        let (mut w, mut r, mut w0, mut r0) = (0.0, 0.0, 0.0, 0.0);
        for (hour, residual, weight) in own.each() {
            let bound = BOUND_Z * own.unit / weight.sqrt();
            let v = weight * residual.clamp(-bound, bound);
            if in_run(hour) {
                w += weight;
                r += v;
            } else if hour >= began {
                w0 += weight;
                r0 += v;
            }
        }
        if !(w > 0.0 && w0 > 0.0) {
            continue;
        }
        let size = r / w - r0 / w0;
        let z = size * sign / (own.unit * (1.0 / w + 1.0 / w0).sqrt());
        if z < MEMBER_Z || size * sign < 0.3 * loops[i].entry.tolerance_pct.max(0.5) {
            continue;
        }
        let onset = UtcMicros::from_hour(began);
        let mut d = Draft::by(
            Test::BurstsOfGroup,
            statistic,
            Kind::AnalogDigitalDrift,
            onset,
        )
        .within(onset.plus_s(-7200.0), onset.plus_s(6.0 * 3600.0).min(to))
        .count("episodes", mine.len() as u64)
        .number("quiet_moved_pct", 0.0)
        .number("episode_pct", size)
        .number("episode_z", z)
        .count("loops_pooled", ids.len() as u64);
        d.cause = Some("intermittent");
        d.deviation_pct = Some(size);
        let end = mine[mine.len() - 1].last;
        let gap_h = (last.0 - began) as f64 / mine.len() as f64;
        if ((to.0 - end * MICROS_PER_HOUR) as f64)
            > (4.0 * gap_h).max(36.0) * MICROS_PER_HOUR as f64
        {
            d.ended = Some(UtcMicros::from_hour(end + 1));
        }
        out.push((i, d));
    }
    out
}
