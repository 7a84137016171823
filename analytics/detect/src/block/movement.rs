//! How a channel moved within an hour: its steps from reading to reading.

use super::Movement;
use super::build::{Derived, lesser};
use super::select::{key, median_of};
use std::ops;

/// How a channel moved. `near` says of each row of the day whether the next follows after a normal gap.
pub(super) fn track(
    values: &[f64],
    time: &[i64],
    v: &Derived,
    rows: ops::Range<usize>,
    keys: &mut Vec<i64>,
) -> Movement {
    keys.clear();
    let mut q = match rows.start.checked_sub(1) {
        // Mostly every value is there, and the one before.
        Some(before)
            if values[before..rows.end]
                .iter()
                .fold(true, |all, v| all & v.is_finite()) =>
        {
            track_whole(
                &values[before..rows.end],
                time,
                &v.near[before..],
                rows,
                keys,
            )
        }
        _ => track_some(values, time, rows, v.longest_us, keys),
    };
    q.n = keys.len() as u32;
    q.median = median_of(keys);
    q
}

/// `values` begin one row before `rows`, as `near` does.
fn track_whole(
    values: &[f64],
    time: &[i64],
    near: &[bool],
    rows: ops::Range<usize>,
    keys: &mut Vec<i64>,
) -> Movement {
    let near = &near[..rows.len()];
    let (from, to) = (&values[..rows.len()], &values[1..]);
    let steps = || from.iter().zip(to).map(|(a, b)| (b - a).abs());
    let mut q = Movement::default();
    let (mut changes, mut sum_sq) = (0_u64, 0.0);
    keys.extend(steps().map(|step| {
        let changed = step > 1e-7;
        changes = changes.wrapping_add(u64::from(changed));
        q.quantum = lesser(q.quantum, if changed { step } else { f64::INFINITY });
        sum_sq += step * step;
        key(step)
    }));
    q.sum_sq = sum_sq;
    if near.contains(&false) {
        keys.clear();
        q.sum_sq = 0.0;
        for (step, _) in steps().zip(near).filter(|(_, near)| **near) {
            keys.push(key(step));
            q.sum_sq += step * step;
        }
    }
    q.changes = changes as u32;
    if changes > 0 {
        let mut moved = steps().zip(&time[rows]).filter(|(step, _)| *step > 1e-7);
        q.first_change = moved.next().map_or(i64::MAX, |(_, t)| *t);
        q.last_change = moved.next_back().map_or(q.first_change, |(_, t)| *t);
    }
    q
}

/// Where values are missing.
fn track_some(
    values: &[f64],
    time: &[i64],
    rows: ops::Range<usize>,
    longest_us: i64,
    keys: &mut Vec<i64>,
) -> Movement {
    let mut q = Movement::default();
    // The last known value before a row, however long ago within the day, is what a change is against;
    // a step counts only across a normal gap.
    let before = (0..rows.start)
        .rev()
        .take(40)
        .find(|&i| values[i].is_finite());
    let (mut last, mut last_at) = before.map_or((f64::NAN, 0), |i| (values[i], time[i]));
    for (v, t) in values[rows.clone()].iter().zip(&time[rows]) {
        if !v.is_finite() {
            continue;
        }
        // Against nothing NaN, which is neither.
        let step = (v - last).abs();
        if t.wrapping_sub(last_at) < longest_us && !step.is_nan() {
            keys.push(key(step));
            q.sum_sq += step * step;
        }
        if step > 1e-7 {
            q.changes += 1;
            q.quantum = lesser(q.quantum, step);
            q.first_change = q.first_change.min(*t);
            q.last_change = *t;
        }
        (last, last_at) = (*v, *t);
    }
    q
}
