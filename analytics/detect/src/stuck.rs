//! Stuck values and fixed currents: a signal that stopped moving while it should.
//!
//! The other channel is the witness: while one moves by many times the card's noise, the other must. With
//! no witness (both still, or one channel only) the loop's own longest rests and the area's idleness decide.
//! `reported_ma` tells a fixed current (the device holds its output) from a stuck analog value.

use crate::block::HourBlock;
use crate::context::Context;
use crate::finding::{Kind, Signal};
use crate::history::{Draft, LoopRecord, Window, hour_in, quantile};
use crate::limits::{Limits, Test};
use ingest_model::{Scope, UtcMicros, instant::MICROS_PER_HOUR};

/// A witness must have wandered over this much, % of span.
const WITNESS_PCT: f64 = 1.0;
/// Hours of witnessed rest below which nothing is looked at.
const WITNESS_HOURS: usize = 2;

#[derive(Clone, Copy, PartialEq)]
enum Channel {
    Digital,
    Analog,
}

/// A run of hours in which a channel's values stayed within one resolution of each other.
#[derive(Clone, Copy, Debug)]
struct Rest {
    /// Block indices, inclusive.
    first: usize,
    last: usize,
    min: f64,
    max: f64,
    hours: usize,
}

pub fn detect(l: &LoopRecord<'_>, ctx: &Context, to: UtcMicros, skip: &[Window]) -> Vec<Draft> {
    detect_at(l, ctx, to, skip, &Limits::default())
}

pub fn detect_at(
    l: &LoopRecord<'_>,
    ctx: &Context,
    to: UtcMicros,
    skip: &[Window],
    limits: &Limits,
) -> Vec<Draft> {
    let mut out: Vec<Draft> = Vec::new();
    if l.entry.multidrop || l.blocks.len() < 4 {
        return out;
    }
    let card = card_noise(l.blocks);
    let quantum = l
        .blocks
        .iter()
        .map(|b| b.move_d.quantum)
        .fold(f64::INFINITY, f64::min);
    let quantum = if quantum.is_finite() {
        quantum.clamp(0.002, 1.0)
    } else {
        0.01
    };
    let analog = rests(
        l.blocks,
        Channel::Analog,
        2.0 * card,
        4.0 * card,
        5.0 * card + 0.1,
    );
    let digital = rests(
        l.blocks,
        Channel::Digital,
        1.2 * quantum,
        1.2 * quantum,
        1.5 * quantum,
    );
    for run in &digital {
        out.extend(digital_stuck(l, run, card, to, skip));
    }
    for run in &analog {
        out.extend(analog_stuck(l, run, card, quantum, to, skip));
    }
    out.retain(|d| d.judged.is_none_or(|(t, s)| limits.pass(t, s)));
    if out.is_empty() {
        out.extend(without_witness(
            l, ctx, &digital, &analog, card, quantum, to, skip,
        ));
        out.retain(|d| d.judged.is_none_or(|(t, s)| limits.pass(t, s)));
    }
    out
}

/// Noise of the input card: the quietest hours' range of the current, bounded, % of span.
pub fn card_noise(blocks: &[HourBlock]) -> f64 {
    let ranges: Vec<f64> = blocks
        .iter()
        .filter(|b| b.m.n >= 6)
        .map(|b| b.m.range())
        .collect();
    let q = quantile(ranges, 0.02);
    if q.is_finite() {
        q.clamp(0.02, 0.15)
    } else {
        0.05
    }
}

fn channel(b: &HourBlock, c: Channel) -> &crate::block::Moments {
    match c {
        Channel::Digital => &b.d,
        Channel::Analog => &b.m,
    }
}

/// An hour rests within `hour_limit`; a noisier one within `soft` does not break a run that it lies in. A held current
/// still follows its card's temperature a little, so a run may be wider than an hour.
fn rests(
    blocks: &[HourBlock],
    c: Channel,
    hour_limit: f64,
    soft: f64,
    run_limit: f64,
) -> Vec<Rest> {
    let mut out: Vec<Rest> = Vec::new();
    let mut open: Option<Rest> = None;
    for (i, b) in blocks.iter().enumerate() {
        let v = channel(b, c);
        if v.n < 2 {
            continue; // no data joins rather than breaks: the values on both sides must agree
        }
        if v.range() > hour_limit {
            let inside = |r: &Rest| r.max.max(v.max) - r.min.min(v.min) <= run_limit;
            if !(v.range() <= soft && open.as_ref().is_some_and(inside)) {
                out.extend(open.take());
            }
            continue;
        }
        match &mut open {
            Some(r) if r.max.max(v.max) - r.min.min(v.min) <= run_limit => {
                r.last = i;
                r.min = r.min.min(v.min);
                r.max = r.max.max(v.max);
                r.hours += 1;
            }
            _ => {
                out.extend(open.take());
                open = Some(Rest {
                    first: i,
                    last: i,
                    min: v.min,
                    max: v.max,
                    hours: 1,
                });
            }
        }
    }
    out.extend(open);
    out
}

/// Does the witness channel move during the run? Returns (hours that moved, its whole wander in %).
fn witness(
    blocks: &[HourBlock],
    run: &Rest,
    c: Channel,
    noise: f64,
    skip: &[Window],
) -> (usize, f64) {
    let (mut min, mut max, mut moved) = (f64::INFINITY, f64::NEG_INFINITY, 0);
    // A slow witness moves little within an hour, but leaves the place where it was when the rest began.
    let (mut began, mut away) = (f64::NAN, 0);
    let step = (0.5 * WITNESS_PCT).max(8.0 * noise);
    for b in &blocks[run.first..=run.last] {
        let v = channel(b, c);
        // A held output makes the current no witness; the digital value still is one.
        if v.n < 2 || (c == Channel::Analog && b.bit_share(3) > 0.0) || hour_in(skip, b.hour) {
            continue;
        }
        // Clipped at a rail, a channel is no witness.
        let lo = v.min.max(-51.0);
        let hi = v.max.min(52.8);
        if hi < lo {
            continue;
        }
        min = min.min(lo);
        max = max.max(hi);
        if hi - lo > (8.0 * noise).max(0.3) {
            moved += 1;
        }
        if began.is_nan() {
            began = v.mean();
        }
        away += usize::from((v.mean() - began).abs() > step && v.mean().abs() < 50.9);
    }
    (moved.max(away), if max > min { max - min } else { 0.0 })
}

/// When the run began: the last change before it, as far as the blocks tell.
fn began(l: &LoopRecord<'_>, run: &Rest, c: Channel) -> (UtcMicros, UtcMicros) {
    let b = &l.blocks[run.first];
    let mv = |b: &HourBlock| match c {
        Channel::Digital => b.move_d,
        Channel::Analog => b.move_m,
    };
    let start = b.hour * MICROS_PER_HOUR;
    if c == Channel::Digital {
        // The hour before may have stopped part way: its last change is the instant.
        if run.first > 0 {
            let p = &l.blocks[run.first - 1];
            if p.hour == b.hour - 1 && mv(p).last_change > i64::MIN {
                return (UtcMicros(mv(p).last_change), UtcMicros(mv(p).last_change));
            }
        }
        if mv(b).last_change > i64::MIN && mv(b).changes <= 1 {
            return (UtcMicros(mv(b).last_change), UtcMicros(mv(b).last_change));
        }
    }
    (UtcMicros(start - MICROS_PER_HOUR / 2), UtcMicros(start))
}

fn still_at_end(l: &LoopRecord<'_>, run: &Rest, c: Channel, to: UtcMicros) -> bool {
    let later = l.blocks[run.last + 1..]
        .iter()
        .any(|b| channel(b, c).n >= 1);
    !later && to.0 - l.blocks[run.last].last_row < 48 * MICROS_PER_HOUR
}

fn finish(mut d: Draft, l: &LoopRecord<'_>, run: &Rest, c: Channel, to: UtcMicros) -> Draft {
    if !still_at_end(l, run, c, to) {
        let end = l
            .blocks
            .get(run.last + 1)
            .map_or(l.blocks[run.last].last_row, |b| b.first_row);
        d.ended = Some(UtcMicros(end));
    }
    d
}

fn digital_stuck(
    l: &LoopRecord<'_>,
    run: &Rest,
    card: f64,
    to: UtcMicros,
    skip: &[Window],
) -> Option<Draft> {
    if run.hours < WITNESS_HOURS {
        return None;
    }
    let (moved, wander) = witness(l.blocks, run, Channel::Analog, card, skip);
    if wander < WITNESS_PCT.max(10.0 * card) || moved < WITNESS_HOURS {
        return None;
    }
    // A digital value resting at an end of its range while the current goes on is still stuck; but a
    // current at a rail (failure signal of a device that lost its sensor) is another finding.
    let (since, high) = began(l, run, Channel::Digital);
    let d = Draft::by(
        Test::StuckWitnessed,
        witnessed(moved, wander, card),
        Kind::StuckValue,
        since,
    )
    .within(since.plus_s(-l.period_s()), high.plus_s(l.period_s()))
    .number("held_at_pct", run.min + 50.0)
    .number("hours_held", run.hours as f64)
    .number("witness_moved_pct", wander)
    .count("witness_hours", moved as u64)
    .text("witness", "analog");
    let mut d = finish(d, l, run, Channel::Digital, to);
    d.signal = Some(Signal::Digital);
    Some(d)
}

/// Hours in which the witness moved, and a little for how far it wandered beyond what is asked of it.
fn witnessed(moved: usize, wander: f64, card: f64) -> f64 {
    let times = wander / WITNESS_PCT.max(10.0 * card);
    moved as f64 + 0.2 * times.max(1.0).ln().min(2.0)
}

fn analog_stuck(
    l: &LoopRecord<'_>,
    run: &Rest,
    card: f64,
    quantum: f64,
    to: UtcMicros,
    skip: &[Window],
) -> Option<Draft> {
    if run.hours < WITNESS_HOURS {
        return None;
    }
    // Resting at a rail is `current-out-of-range`, or the clip that NE 43 wants.
    if run.max < -50.9 || run.min > 52.8 {
        return None;
    }
    let (moved, wander) = witness(l.blocks, run, Channel::Digital, quantum.max(card), skip);
    if wander < WITNESS_PCT.max(10.0 * card).max(4.0 * quantum) || moved < WITNESS_HOURS {
        return None;
    }
    let blocks = &l.blocks[run.first..=run.last];
    let r: Vec<&HourBlock> = blocks.iter().filter(|b| b.r.n >= 2).collect();
    let r_range = r.iter().map(|b| b.r.max).fold(f64::NEG_INFINITY, f64::max)
        - r.iter().map(|b| b.r.min).fold(f64::INFINITY, f64::min);
    let bit_hours = blocks.iter().filter(|b| b.bit_share(3) > 0.5).count();
    let held_by_device =
        (!r.is_empty() && r_range < 0.1_f64.max(2.0 * quantum)) || bit_hours * 2 > run.hours;
    // Held below what is asked, and never asked for less: a ceiling (supply), not a stuck input.
    let low_ask = blocks
        .iter()
        .filter(|b| b.d.n > 0)
        .map(|b| b.d.min)
        .fold(f64::INFINITY, f64::min);
    if !held_by_device && run.max > 0.0 && low_ask > run.min - 0.5 {
        return None;
    }
    let kind = if held_by_device {
        Kind::FixedCurrent
    } else {
        Kind::StuckValue
    };
    let (low, at) = began(l, run, Channel::Analog);
    let exact = blocks
        .iter()
        .map(|b| b.er.first_off.min(b.bit(3).first))
        .min()
        .filter(|&t| held_by_device && t < i64::MAX);
    let since = exact.map_or(at, UtcMicros);
    let d = Draft::by(
        Test::StuckWitnessed,
        witnessed(moved, wander, card),
        kind,
        since,
    )
    .within(low.min(since), at.max(since))
    .number("held_at_ma", 12.0 + 0.16 * (run.min + run.max) / 2.0)
    .number("hours_held", run.hours as f64)
    .number("witness_moved_pct", wander)
    .count("witness_hours", moved as u64)
    .text("witness", "digital");
    let mut d = finish(d, l, run, Channel::Analog, to);
    d.signal = Some(Signal::Analog);
    Some(d)
}

/// Both channels still, or the only channel: judged by the loop's own rests, in hours in which its area ran.
#[allow(clippy::too_many_arguments)]
fn without_witness(
    l: &LoopRecord<'_>,
    ctx: &Context,
    digital: &[Rest],
    analog: &[Rest],
    card: f64,
    quantum: f64,
    to: UtcMicros,
    skip: &[Window],
) -> Option<Draft> {
    let has_d = l.blocks.iter().filter(|b| b.d.n > 0).count();
    let has_m = l.blocks.iter().filter(|b| b.m.n > 0).count();
    let (runs, chan) = if has_d > 0 {
        (digital, Channel::Digital)
    } else {
        (analog, Channel::Analog)
    };
    let run = runs.iter().max_by_key(|r| r.hours)?;
    // Hours of the run in which the plant around ran, and both channels rested.
    let mut active = 0;
    for b in &l.blocks[run.first..=run.last] {
        let other_moves = chan == Channel::Digital && b.m.n >= 2 && b.m.range() > 4.0 * card;
        if other_moves {
            return None;
        }
        if channel(b, chan).n >= 2
            && !ctx.idle(l, b.hour)
            && !hour_in(skip, b.hour)
            && b.bit_share(3) == 0.0
        {
            active += 1;
        }
    }
    let mid = (run.min + run.max) / 2.0;
    let legal =
        (mid + 50.0).abs() < 0.3 || (mid - 50.0).abs() < 0.3 || !(-50.0..=50.0).contains(&mid);
    let longest_other = runs
        .iter()
        .filter(|r| r.first != run.first)
        .map(|r| {
            (r.first..=r.last)
                .filter(|&i| !ctx.idle(l, l.blocks[i].hour))
                .count()
        })
        .max()
        .unwrap_or(0);
    let resting: usize = runs
        .iter()
        .filter(|r| r.first != run.first)
        .map(|r| r.hours)
        .sum();
    let others = l.blocks.len().saturating_sub(run.hours).max(1);
    let share = resting as f64 / others as f64;
    if legal || share > 0.3 || others < 24 {
        return None;
    }
    // A loop that hardly moves by a few quanta an hour may rest by chance.
    let outside = |i: usize| i < run.first || i > run.last;
    let ranges = l
        .blocks
        .iter()
        .enumerate()
        .filter(|(i, b)| outside(*i) && channel(b, chan).n >= 4);
    let usual = quantile(ranges.map(|(_, b)| channel(b, chan).range()).collect(), 0.3);
    if usual < 4.0 * quantum.max(0.02) {
        return None;
    }
    let (low, high) = began(l, run, chan);
    let odds = active as f64 / (3.0 * longest_other as f64 + 6.0).max(12.0);
    let d = Draft::by(Test::StuckAlone, odds, Kind::StuckValue, low)
        .within(low.plus_s(-l.period_s()), high)
        .number("held_at_pct", mid + 50.0)
        .number("hours_held", run.hours as f64)
        .number("longest_other_rest_h", longest_other as f64)
        .text(
            "witness",
            if l.entry.member_of(Scope::Area).is_some() {
                "own past and the area"
            } else {
                "own past"
            },
        );
    let mut d = finish(d, l, run, chan, to);
    d.signal = Some(if has_m > 0 && has_d > 0 {
        Signal::Both
    } else if has_d > 0 {
        Signal::Digital
    } else {
        Signal::Analog
    });
    Some(d)
}
