//! Supply-limited: the current follows up to a ceiling and no further (lost compliance).
//!
//! `V_terminal = V_supply - I * R_loop` must stay above the device's lift-off voltage; when it does not, the
//! current flattens while digital value and reported current go on. Told from span drift by the bend: below
//! the ceiling the two channels agree. The ceiling is a number in mA.

use crate::block::HourBlock;
use crate::finding::Kind;
use crate::history::{Draft, LoopRecord, Window, hour_in, median};
use crate::limits::Test;
use crate::trend;
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};

/// Share of asking hours that must be limited after the onset, and may be before.
const AFTER: f64 = 0.7;
const BEFORE: f64 = 0.05;
/// So near to the highest current counts as having reached it, % of span.
const NEAR_PCT: f64 = 0.5;
/// How fast it falls is taken from the newest hours, of which so many at least were limited and so far apart.
const FALL_DAYS: i64 = 5;
const FALL_MIN_HOURS: usize = 6;
const FALL_MIN_SPAN_H: i64 = 24;
/// Its name in the evidence, mA a day.
pub const FALLS: &str = "falls_ma_per_day";
/// The test asks for more hours than these.
const MIN_HOURS: usize = 2;

struct Hour<'a> {
    b: &'a HourBlock,
    gap: f64,
    /// A gap that sampling skew and noise alone leave in this hour, % of span.
    skew: f64,
    limited: bool,
}

pub fn detect(l: &LoopRecord<'_>, to: UtcMicros, skip: &[Window]) -> Option<Draft> {
    let hours: Vec<Hour<'_>> = l
        .blocks
        .iter()
        .filter(|b| {
            b.m.n >= 3
                && b.d.n >= 3
                && b.f_max.is_finite()
                && !hour_in(skip, b.hour)
                && b.bit_share(3) == 0.0
        })
        .map(|b| {
            let gap = b.f_max.min(52.5) - b.m.max;
            let step = (b.move_d.sum_sq / f64::from(b.move_d.n.max(1))).sqrt();
            // Sampling skew and noise alone leave a gap of about a step.
            let skew = 1.0_f64.max(1.5 * step);
            let limited = gap > skew && b.below[2] >= 2 && b.above[2] == 0 && b.m.max > -25.0;
            Hour {
                b,
                gap,
                skew,
                limited,
            }
        })
        .collect();
    let limited: Vec<usize> = (0..hours.len()).filter(|&i| hours[i].limited).collect();
    if limited.len() < MIN_HOURS {
        return None;
    }
    // A ceiling falls, so an hour is held against the ceiling of its own time, not of today.
    let local = local_ceilings(&hours, &limited);
    let last = *limited.last()?;
    let recent = |h: &Hour<'_>| hours[last].b.hour - h.b.hour <= 48;
    let tops: Vec<usize> = limited
        .iter()
        .copied()
        .filter(|&i| recent(&hours[i]))
        .collect();
    let ceiling = median(tops.iter().map(|&i| hours[i].b.m.max).collect());
    let furthest = |from: &dyn Fn(usize) -> f64| {
        tops.iter()
            .map(|&i| (hours[i].b.m.max - from(i)).abs())
            .fold(0.0, f64::max)
    };
    let (standing, falling) = (furthest(&|_| ceiling), furthest(&|i| local[i]));
    if standing.min(falling) > 6.0 || ceiling > 52.0 {
        return None;
    }
    // Onset: the start with the best contrast of limited among asking hours.
    // It asks if it would be seen as limited by that ceiling, and speaks against it if it was given what it asked.
    let asks = |i: usize| hours[i].b.f_max.min(52.5) > local[i] + hours[i].skew + 1.0;
    let given = |i: usize| asks(i) && hours[i].b.m.max > local[i] + NEAR_PCT;
    // Limited and asking hours before each.
    let mut before = vec![(0.0, 0.0)];
    let (mut lim, mut asking) = (0.0, 0.0);
    for (i, h) in hours.iter().enumerate() {
        lim += f64::from(u8::from(h.limited));
        asking += f64::from(u8::from(h.limited || given(i)));
        before.push((lim, asking));
    }
    let mut best: Option<(f64, usize)> = None;
    for &start in &limited {
        let (lb, ab) = before[start];
        let (la, aa) = (lim - lb, asking - ab);
        if la < MIN_HOURS as f64 || la / aa.max(1.0) < AFTER || lb > BEFORE * ab + 1.0 {
            continue;
        }
        let score = la / aa - lb / ab.max(1.0) + 0.002 * la;
        if best.is_none_or(|b| score > b.0 + 1e-9) {
            best = Some((score, start));
        }
    }
    let (_, start) = best?;
    let after = &hours[start..];
    // Nothing gets past the ceiling, be it one that stands or one that falls.
    let past = |i: usize| hours[i].b.m.max > 1.5 + (ceiling + standing).max(local[i] + falling);
    if (start..hours.len()).any(|i| recent(&hours[i]) && past(i)) {
        return None;
    }
    // A ceiling takes away; it never drives more than what is asked. A held current does both.
    let over = l
        .blocks
        .iter()
        .filter(|b| b.hour >= after[0].b.hour && 2 * b.above[2] > b.excursion_n)
        .count();
    if 5 * over > after.iter().filter(|h| h.limited).count() {
        return None;
    }
    // The bend: eighths well below the ceiling agree.
    let (mut w, mut we, mut lo_n) = (0.0, 0.0, 0);
    let lowest = after
        .iter()
        .filter(|h| h.limited)
        .map(|h| h.b.m.max)
        .fold(f64::INFINITY, f64::min);
    for h in after {
        for (k, e) in h.b.eighths.iter().enumerate() {
            let upper = -50.0 + 12.5 * (k as f64 + 1.0);
            if upper < lowest + 2.0 && e.w > 0.0 {
                w += e.w;
                we += e.we;
                lo_n += 1;
            }
        }
    }
    let below = if w > 0.0 { we / w } else { f64::NAN };
    let typical_gap = median(after.iter().filter(|h| h.limited).map(|h| h.gap).collect());
    // What has come down low by a quick value's own flutter stands above it a moment later: current above the value is no
    // loss, unless it is held there.
    let most = |share: f64| 0.4_f64.max(share * typical_gap);
    if lo_n >= 3 && (below < -most(0.15) || below > most(0.4)) {
        return None;
    }
    if lo_n < 3 {
        // Never below the ceiling: a stuck or drifted current looks the same. Free samples of limited hours tell.
        let free = after.iter().filter(|h| !h.limited).count();
        if free < 3 || shifted(after) {
            return None;
        }
    }
    let onset = UtcMicros(hours[start].b.first_excursion.min(hours[start].b.last_row));
    let n = after.iter().filter(|h| h.limited).count();
    let mut d = Draft::by(Test::Ceiling, n as f64, Kind::AnalogDigitalDrift, onset)
        .within(met_first(&hours, start, onset), onset.plus_s(3600.0))
        .number("ceiling_ma", 12.0 + 0.16 * ceiling)
        .number(
            "asked_ma",
            12.0 + 0.16
                * after
                    .iter()
                    .map(|h| h.b.f_max)
                    .fold(f64::NEG_INFINITY, f64::max)
                    .min(53.125),
        )
        .number("below_ceiling_pct", below)
        .count("limited_hours", n as u64);
    d.cause = Some("supply-limited");
    if let Some(falls) = falls(after) {
        d = d.number(FALLS, falls);
    }
    d.deviation_pct = super::scaling::recent(l).map(|_| deviation_24h(l));
    let quiet = (last + 1..hours.len()).filter(|&i| given(i)).count();
    if quiet >= 6 && to.0 - hours[last].b.last_row > 12 * MICROS_PER_HOUR {
        d.ended = Some(UtcMicros(hours[last].b.last_row));
    }
    Some(d)
}

/// mA a day by which the highest current of limited hours falls at the end (Sen 1968); negative where it rises.
fn falls(hours: &[Hour<'_>]) -> Option<f64> {
    let newest = hours.last()?.b.hour;
    let recent = |h: &&Hour<'_>| h.limited && newest - h.b.hour < 24 * FALL_DAYS;
    let (t, y): (Vec<f64>, Vec<f64>) = hours
        .iter()
        .filter(recent)
        .map(|h| (h.b.hour as f64 / 24.0, 0.16 * h.b.m.max))
        .unzip();
    let span = t.last()? - t.first()?;
    (t.len() >= FALL_MIN_HOURS && span * 24.0 >= FALL_MIN_SPAN_H as f64)
        .then(|| trend::sen(&t, &y))
        .flatten()
        .map(|s| -s.slope)
}

/// True if a shift of the whole current explains the limited hours better than a ceiling. A ceiling takes nothing from the
/// lowest sample of an hour but what this lies above it, and stays where it is while the value moves from hour to hour; a
/// shift takes as much below as at the top, and as much in the next hour.
fn shifted(hours: &[Hour<'_>]) -> bool {
    let (mut ceiling, mut shift) = (0.0, 0.0);
    let limited: Vec<&Hour<'_>> = hours.iter().filter(|h| h.limited).collect();
    for h in &limited {
        let low = h.b.d.min - h.b.m.min;
        ceiling += (low - (h.b.d.min - h.b.m.max).max(0.0)).abs();
        shift += (low - h.gap).abs();
    }
    for pair in limited.windows(2) {
        ceiling += (pair[1].b.m.max - pair[0].b.m.max).abs();
        shift += (pair[1].gap - pair[0].gap).abs();
    }
    shift < ceiling
}

/// A falling ceiling takes single peaks long before it holds whole hours. Known is only that it had not come down to the
/// highest current before: from the last hour that reached this (nearly) on, any peak may have been the first one cut.
/// The later half of that time held the first cut of 85 in 100 ceilings of our own fleets.
fn met_first(hours: &[Hour<'_>], start: usize, onset: UtcMicros) -> UtcMicros {
    let highest = hours[..start]
        .iter()
        .map(|h| h.b.m.max)
        .fold(f64::NEG_INFINITY, f64::max);
    hours[..start]
        .iter()
        .rfind(|h| h.b.m.max > highest - NEAR_PCT)
        .map_or(onset, |h| {
            UtcMicros(h.b.last_row + (onset.0 - h.b.last_row) / 2)
        })
        .min(onset.plus_s(-3600.0))
}

/// The ceiling at each hour: the median top of the five limited hours about one of them, on the straight line between
/// two of them. Between two it falls, and an hour is asked for nothing that came down only after it.
fn local_ceilings(hours: &[Hour<'_>], limited: &[usize]) -> Vec<f64> {
    let tops: Vec<(f64, f64)> = (0..limited.len())
        .map(|k| {
            let from = k.saturating_sub(2).min(limited.len().saturating_sub(5));
            let near = &limited[from..(from + 5).min(limited.len())];
            let top = median(near.iter().map(|&i| hours[i].b.m.max).collect());
            (hours[limited[k]].b.hour as f64, top)
        })
        .collect();
    (0..hours.len())
        .map(|i| {
            let next = limited.partition_point(|&k| k < i);
            let hour = hours[i].b.hour as f64;
            match (next.checked_sub(1).map(|k| tops[k]), tops.get(next)) {
                (Some((t0, y0)), Some(&(t1, y1))) => {
                    y0 + (y1 - y0) * (hour - t0) / (t1 - t0).max(1.0)
                }
                (Some((_, y)), None) | (None, Some(&(_, y))) => y,
                (None, None) => f64::INFINITY,
            }
        })
        .collect()
}

/// Plain mean deviation of the last 24 hours with samples (the fit drops samples above 20.6 mA only).
fn deviation_24h(l: &LoopRecord<'_>) -> f64 {
    let (mut n, mut s) = (0.0, 0.0);
    for b in l.blocks.iter().rev().filter(|b| b.e.n > 0).take(24) {
        n += f64::from(b.e.n);
        s += b.e.sum;
    }
    s / n
}
