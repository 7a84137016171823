//! Peer disagreement: one of a redundancy group departs from the rest.
//!
//! Differences of hourly means between members, in % of the first member's span, medians of 6 h; a step or a growth
//! from some start on. The outlier is the one whose two differences moved while the third did not; from two peers none
//! can be named.

use crate::finding::Kind;
use crate::history::{Draft, LoopRecord, LoopSource, median};
use crate::limits::{Limits, Test};
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};
use std::collections::{BTreeMap, HashMap};

const BLOCK_H: i64 = 6;
/// Smallest departure reported, % of span, and in units of the differences' own scatter.
const MIN_SHIFT_PCT: f64 = 0.4;
const MIN_Z: f64 = 6.0;

/// Index of the loop and its draft.
pub fn detect(loops: &[LoopSource<'_>], to: UtcMicros, limits: &Limits) -> Vec<(usize, Draft)> {
    let mut groups: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (i, l) in loops.iter().enumerate() {
        if let Some(g) = &l.entry.redundancy_group {
            groups.entry(g).or_default().push(i);
        }
    }
    let mut out = Vec::new();
    for ids in groups.values().filter(|v| v.len() >= 3) {
        let unit_same = ids
            .iter()
            .all(|&i| loops[i].entry.pv_unit == loops[ids[0]].entry.pv_unit);
        if !unit_same {
            continue;
        }
        out.extend(
            one_group(loops, ids, to)
                .into_iter()
                .filter(|(_, d)| d.judged.is_none_or(|(t, s)| limits.pass(t, s))),
        );
    }
    out
}

/// Hourly means of a member in engineering units, whole hours only.
fn hourly(l: &LoopRecord<'_>) -> HashMap<i64, f64> {
    let usual = median(l.blocks.iter().map(|b| f64::from(b.d.n)).collect());
    let r = l.entry.range;
    l.blocks
        .iter()
        .filter(|b| f64::from(b.d.n) >= 0.8 * usual)
        .map(|b| {
            let ma = 12.0 + 0.16 * b.d.mean();
            (b.hour, r.pv_of_current(ma))
        })
        .collect()
}

struct Pair {
    shift: f64,
    z: f64,
    start: usize,
}

fn one_group(loops: &[LoopSource<'_>], ids: &[usize], to: UtcMicros) -> Vec<(usize, Draft)> {
    let means: Vec<HashMap<i64, f64>> = ids
        .iter()
        .map(|&i| {
            hourly(&LoopRecord {
                entry: loops[i].entry,
                blocks: &loops[i].load(),
            })
        })
        .collect();
    let span = (loops[ids[0]].entry.range.urv - loops[ids[0]].entry.range.lrv).abs();
    let n = ids.len();
    let mut hours: Vec<i64> = means[0]
        .keys()
        .copied()
        .filter(|h| means.iter().all(|m| m.contains_key(h)))
        .collect();
    hours.sort_unstable();
    let mut blocks: Vec<i64> = hours.iter().map(|h| h.div_euclid(BLOCK_H)).collect();
    blocks.dedup();
    if blocks.len() < 12 {
        return Vec::new();
    }
    // Each member against the median of the others.
    let mut series: Vec<Vec<f64>> = vec![Vec::new(); n];
    for &b in &blocks {
        for (k, s) in series.iter_mut().enumerate() {
            let d: Vec<f64> = hours
                .iter()
                .filter(|h| h.div_euclid(BLOCK_H) == b)
                .map(|h| {
                    let others: Vec<f64> =
                        (0..n).filter(|&o| o != k).map(|o| means[o][h]).collect();
                    100.0 * (means[k][h] - median(others)) / span
                })
                .collect();
            s.push(median(d));
        }
    }
    let found: Vec<Option<Pair>> = series.iter().map(|s| shift(s)).collect();
    // The one that moved most; the others, against each other, must not have.
    let Some((k, p)) = found
        .iter()
        .enumerate()
        .filter_map(|(k, p)| p.as_ref().map(|p| (k, p)))
        .max_by(|a, b| a.1.shift.abs().total_cmp(&b.1.shift.abs()))
    else {
        return Vec::new();
    };
    let rest: Vec<usize> = (0..n).filter(|&o| o != k).collect();
    let between: Vec<f64> = blocks
        .iter()
        .map(|b| {
            let d: Vec<f64> = hours
                .iter()
                .filter(|h| h.div_euclid(BLOCK_H) == *b)
                .map(|h| {
                    let v: Vec<f64> = rest.iter().map(|&o| means[o][h]).collect();
                    100.0
                        * (v.iter().copied().fold(f64::NEG_INFINITY, f64::max)
                            - v.iter().copied().fold(f64::INFINITY, f64::min))
                        / span
                })
                .collect();
            median(d)
        })
        .collect();
    let moved = median(between[p.start..].to_vec()) - median(between[..p.start].to_vec());
    let times = (p.shift.abs() / MIN_SHIFT_PCT).min(p.z / MIN_Z);
    if moved.abs() > 0.4 * p.shift.abs() {
        return Vec::new();
    }
    let at = |b: usize| UtcMicros::from_hour(blocks[b.min(blocks.len() - 1)] * BLOCK_H);
    let onset = at(p.start);
    let d = Draft::by(Test::Peers, times, Kind::PeerDisagreement, onset)
        .within(
            at(p.start.saturating_sub(1)),
            UtcMicros(onset.0 + BLOCK_H * MICROS_PER_HOUR).min(to),
        )
        .number("departure_pct", p.shift)
        .number("scatter_ratio_z", p.z)
        .number("others_moved_pct", moved);
    vec![(ids[k], d)]
}

/// Largest lasting shift of a series (least squares on a running median of five), with its size over the
/// scatter of 6 h medians.
fn shift(s: &[f64]) -> Option<Pair> {
    let m = s.len();
    let smooth: Vec<f64> = (0..m)
        .map(|i| median(s[i.saturating_sub(2)..(i + 3).min(m)].to_vec()))
        .collect();
    let total: f64 = smooth.iter().sum();
    let (mut head, mut best) = (0.0, (0.0, 0));
    for k in 1..m.saturating_sub(2) {
        head += smooth[k - 1];
        let (a, b) = (head / k as f64, (total - head) / (m - k) as f64);
        let gain = (b - a) * (b - a) * (k * (m - k)) as f64;
        if k >= 4 && gain > best.0 {
            best = (gain, k);
        }
    }
    let k = best.1;
    if k == 0 {
        return None;
    }
    let (a, b) = (median(s[..k].to_vec()), median(s[k..].to_vec()));
    let spread =
        |part: &[f64], centre: f64| median(part.iter().map(|v| (v - centre).abs()).collect());
    let mad = (spread(&s[..k], a) * k as f64 + spread(&s[k..], b) * (m - k) as f64) / m as f64;
    let step = Pair {
        shift: b - a,
        z: (b - a).abs() / (1.4826 * mad).max(0.03),
        start: k,
    };
    // A departure that grows scatters about a line, not about a level.
    Some(match ramp(s, &smooth) {
        Some(r) if r.z > step.z => r,
        _ => step,
    })
}

/// Largest growth `a + b max(0, i - k)` from a start `k` on, by least squares on the smoothed series; size at the end.
fn ramp(s: &[f64], smooth: &[f64]) -> Option<Pair> {
    let m = s.len();
    let n = m as f64;
    let total: f64 = smooth.iter().sum();
    let (mut best, mut found) = (0.0, None);
    for k in 4..m.saturating_sub(8) {
        let (mut x, mut xx, mut xy) = (0.0, 0.0, 0.0);
        for (i, v) in smooth.iter().enumerate().skip(k) {
            let g = (i - k) as f64;
            x += g;
            xx += g * g;
            xy += g * v;
        }
        let (sxx, sxy) = (xx - x * x / n, xy - x * total / n);
        if sxx > 0.0 && sxy * sxy / sxx > best {
            best = sxy * sxy / sxx;
            let slope = sxy / sxx;
            found = Some((k, slope, (total - slope * x) / n));
        }
    }
    let (k, slope, level) = found?;
    let rest: Vec<f64> = s
        .iter()
        .enumerate()
        .map(|(i, v)| (v - level - slope * i.saturating_sub(k) as f64).abs())
        .collect();
    let shift = slope * (m - 1 - k) as f64;
    Some(Pair {
        shift,
        z: shift.abs() / (1.4826 * median(rest)).max(0.03),
        start: k,
    })
}
