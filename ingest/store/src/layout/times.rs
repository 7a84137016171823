//! Times of a loop's day as small integers, without loss: what remains of a poll's time beside its place in the grid of the
//! poll period, in the unit that all of them share.

use super::forms::{fold, unfold};

/// How the times of a loop's day are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Grid {
    /// The first time, µs.
    pub first_us: i64,
    /// What all distances are multiples of, µs.
    pub unit_us: i64,
    /// Poll period in units; at least 1.
    pub period: i64,
    /// Measured from the grid of the period (true), or from the time before.
    pub by_grid: bool,
}

/// Times in increasing order.
pub(crate) fn encode(times: &[i64]) -> (Grid, Vec<i64>) {
    let first_us = times.first().copied().unwrap_or(0);
    let far: Vec<i64> = times.iter().map(|t| t.wrapping_sub(first_us)).collect();
    let unit_us = far.iter().fold(0, |g, d| gcd(g, d.unsigned_abs())).max(1);
    let unit_us = i64::try_from(unit_us).unwrap_or(1);
    let far: Vec<i64> = far.iter().map(|d| d / unit_us).collect();
    let mut steps: Vec<i64> = far
        .iter()
        .zip(far.iter().skip(1))
        .map(|(a, b)| b.wrapping_sub(*a))
        .collect();
    steps.sort_unstable();
    let median = steps.get(steps.len() / 2).copied().unwrap_or(1).max(1);
    let polls: i64 = steps.iter().map(|s| (s + median / 2) / median).sum();
    let period = match polls {
        0 => median,
        n => (far.last().copied().unwrap_or(0) / n).max(1),
    };
    [(period, true), (median, false)]
        .map(|(period, by_grid)| {
            let grid = Grid {
                first_us,
                unit_us,
                period,
                by_grid,
            };
            (grid, differences(&far, grid))
        })
        .into_iter()
        .min_by_key(|(_, n)| {
            n.iter()
                .map(|n| u64::from(64 - n.leading_zeros()))
                .sum::<u64>()
        })
        .unwrap_or((
            Grid {
                first_us,
                unit_us,
                period: 1,
                by_grid: false,
            },
            Vec::new(),
        ))
}

fn differences(far: &[i64], grid: Grid) -> Vec<i64> {
    let (mut before, mut place) = (0i64, -1i64);
    far.iter()
        .map(|d| {
            let n = if grid.by_grid {
                let now = nearest(*d, grid.period);
                let skipped = now.wrapping_sub(place).wrapping_sub(1);
                place = now;
                skipped
                    .wrapping_mul(grid.period)
                    .wrapping_add(d.wrapping_sub(now.wrapping_mul(grid.period)))
            } else {
                d.wrapping_sub(before).wrapping_sub(grid.period)
            };
            before = *d;
            fold(n)
        })
        .collect()
}

/// The times again.
pub(crate) fn decode(grid: Grid, integers: &[i64], into: &mut Vec<i64>) {
    let period = grid.period.max(1);
    let (mut before, mut place) = (0i64, -1i64);
    into.extend(integers.iter().map(|n| {
        let n = unfold(*n);
        let far = if grid.by_grid {
            let skipped = nearest(n, period);
            place = place.wrapping_add(skipped).wrapping_add(1);
            let beside = n.wrapping_sub(skipped.wrapping_mul(period));
            place.wrapping_mul(period).wrapping_add(beside)
        } else {
            before.wrapping_add(n).wrapping_add(period)
        };
        before = far;
        grid.first_us.wrapping_add(far.wrapping_mul(grid.unit_us))
    }));
}

/// Number of the nearest multiple; the same for a number and for what is left of it when multiples are taken away.
fn nearest(n: i64, period: i64) -> i64 {
    n.wrapping_add(period / 2).div_euclid(period)
}

/// Distances of other times from these, in the unit they share, and that unit; `None` where there is no other time.
pub(crate) fn encode_beside(times: &[i64], others: &[i64], missing: i64) -> (Beside, Vec<i64>) {
    let there = |o: &i64| *o != missing;
    let far: Vec<i64> = times
        .iter()
        .zip(others)
        .map(|(t, o)| if there(o) { o.wrapping_sub(*t) } else { 0 })
        .collect();
    let mut sorted: Vec<i64> = far
        .iter()
        .zip(others)
        .filter(|(_, o)| there(o))
        .map(|(d, _)| *d)
        .collect();
    sorted.sort_unstable();
    let usual_us = sorted.get(sorted.len() / 2).copied().unwrap_or(0);
    let unit = sorted
        .iter()
        .fold(0, |g, d| gcd(g, d.wrapping_sub(usual_us).unsigned_abs()))
        .max(1);
    let unit_us = i64::try_from(unit).unwrap_or(1);
    let integers = far
        .iter()
        .zip(others)
        .map(|(d, o)| match there(o) {
            true => fold(d.wrapping_sub(usual_us) / unit_us),
            false => 0,
        })
        .collect();
    (Beside { usual_us, unit_us }, integers)
}

/// How other times lie beside the times of the rows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Beside {
    /// The usual distance, µs.
    pub usual_us: i64,
    pub unit_us: i64,
}

pub(crate) fn decode_beside(beside: Beside, time: i64, integer: i64) -> i64 {
    let far = unfold(integer).wrapping_mul(beside.unit_us);
    time.wrapping_add(beside.usual_us).wrapping_add(far)
}

fn gcd(a: u64, b: u64) -> u64 {
    let (mut a, mut b) = (a, b);
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}
