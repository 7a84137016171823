//! Current out of range (NAMUR NE 43).
//!
//! At or below 3.6 / at or above 21.0 mA the device (or a broken wire) signals failure; between those and
//! 3.8 / 20.5 mA the measurement is saturated. One sample is never enough. A process that really runs past
//! its range for a while (the digital value goes there too), or a batch that touches the rail daily, is
//! not a fault: only what is new and lasting is.

use crate::finding::Kind;
use crate::history::{Draft, LoopRecord};
use crate::limits::{Limits, Test};
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};

/// A saturated current shorter than this is a touch of the rail.
const SATURATED_MIN_US: i64 = 3 * MICROS_PER_HOUR;

/// Largest position told, % of span.
const LARGEST_PCT: f64 = 1e6;

struct Level {
    cause: &'static str,
    rail: usize,
    failure: bool,
}

const LEVELS: [Level; 4] = [
    Level {
        cause: "failure-low",
        rail: 0,
        failure: true,
    },
    Level {
        cause: "failure-high",
        rail: 3,
        failure: true,
    },
    Level {
        cause: "saturated-low",
        rail: 1,
        failure: false,
    },
    Level {
        cause: "saturated-high",
        rail: 2,
        failure: false,
    },
];

pub fn detect(l: &LoopRecord<'_>, to: UtcMicros) -> Vec<Draft> {
    detect_at(l, to, &Limits::default())
}

pub fn detect_at(l: &LoopRecord<'_>, to: UtcMicros, limits: &Limits) -> Vec<Draft> {
    let mut out: Vec<Draft> = Vec::new();
    if l.entry.multidrop {
        return out;
    }
    let hours = l.blocks.len() as f64;
    for level in &LEVELS {
        let episodes = episodes(l, level.rail);
        let usual_share: f64 = episodes
            .iter()
            .filter(|e| e.to - e.from < SATURATED_MIN_US)
            .count() as f64
            / (hours / 24.0).max(1.0);
        for e in episodes {
            let open = to.0 - e.to < 3 * MICROS_PER_HOUR / 2 && e.at_end;
            let long = e.to - e.from;
            let (test, statistic) = if level.failure {
                // Two samples at least; of a finished episode a little more, since a start-up passes 3.6 mA.
                let samples = f64::from(e.samples);
                let statistic = if open {
                    samples / 2.0
                } else {
                    (long as f64 / (0.5 * MICROS_PER_HOUR as f64)).max(samples / 6.0)
                };
                if e.samples < 2 {
                    continue;
                }
                (Test::RailFailure, statistic)
            } else {
                // Saturated: lasting, and not a habit of the process.
                let process_there = e.process_beyond;
                let needed = if process_there {
                    2 * SATURATED_MIN_US
                } else {
                    SATURATED_MIN_US
                };
                let needed = if usual_share > 0.3 {
                    needed.max(4 * SATURATED_MIN_US)
                } else {
                    needed
                };
                let statistic = (long as f64 / needed as f64)
                    .min(f64::from(e.samples) / 4.0)
                    .min(e.share / 0.5);
                let covered = out.iter().any(|d: &Draft| {
                    d.onset.0 <= e.to + 2 * MICROS_PER_HOUR
                        && d.ended.is_none_or(|x| x.0 >= e.from - 2 * MICROS_PER_HOUR)
                });
                if covered {
                    continue;
                }
                (Test::RailSaturated, statistic)
            };
            if !limits.pass(test, statistic) {
                continue;
            }
            let onset = UtcMicros(e.from);
            let mut d = Draft::by(test, statistic, Kind::CurrentOutOfRange, onset)
                .within(onset.plus_s(-l.period_s()), onset)
                .count("samples", u64::from(e.samples))
                .number("hours", long as f64 / MICROS_PER_HOUR as f64)
                .number("lowest_ma", 12.0 + 0.16 * e.min)
                .number("highest_ma", 12.0 + 0.16 * e.max);
            if e.digital.is_finite() {
                d = d.number("digital_ma", 12.0 + 0.16 * e.digital);
            }
            d.cause = Some(level.cause);
            d.ended = (!open).then_some(UtcMicros(e.to));
            out.push(d);
        }
    }
    out
}

struct Episode {
    from: i64,
    to: i64,
    samples: u32,
    share: f64,
    min: f64,
    max: f64,
    /// Mean digital position while the current was out.
    digital: f64,
    process_beyond: bool,
    at_end: bool,
}

/// Stretches of hours with the rail touched; joined over at most two hours without samples of the current.
fn episodes(l: &LoopRecord<'_>, rail: usize) -> Vec<Episode> {
    let low_side = rail < 2;
    // Noise about the failure level does not end an episode while the current stays saturated.
    let mild = if low_side { 1 } else { 2 };
    let mut out: Vec<Episode> = Vec::new();
    let mut rows_in = 0_u32;
    let mut open = false;
    for (i, b) in l.blocks.iter().enumerate() {
        let r = b.rail(rail);
        let last = i + 1 == l.blocks.len();
        if r.n == 0 {
            if b.m.n > 0 && b.rail(mild).n * 2 < b.m.n {
                open = false;
            }
            continue;
        }
        let whole_hour = f64::from(r.n) >= 0.8 * f64::from(b.m.n);
        if !open {
            out.push(Episode {
                from: r.first,
                to: r.last,
                samples: 0,
                share: 0.0,
                min: f64::INFINITY,
                max: f64::NEG_INFINITY,
                digital: f64::NAN,
                process_beyond: false,
                at_end: false,
            });
            rows_in = 0;
        }
        if let Some(e) = out.last_mut() {
            e.to = r.last;
            e.samples += r.n;
            // Rows between the first touch and the last one, as far as the hour tells.
            rows_in += if whole_hour {
                r.n
            } else {
                b.m.n
                    .min((((r.last - r.first) as f64 / 1e6 / b.period_s) as u32) + 1)
            };
            e.share = f64::from(e.samples) / f64::from(rows_in.max(1));
            // A number that no current has stays a number in the evidence.
            e.min = e.min.min(b.m.min).max(-LARGEST_PCT);
            e.max = e.max.max(b.m.max).min(LARGEST_PCT);
            if b.d.n > 0 {
                let extreme = if low_side { b.d.min } else { b.d.max };
                e.digital = if e.digital.is_nan() {
                    b.d.mean()
                } else {
                    0.5 * (e.digital + b.d.mean())
                };
                // Within 1 % of the saturated level counts as "the process went there".
                e.process_beyond |= if low_side {
                    extreme < -50.25
                } else {
                    extreme > 52.1
                };
            }
            e.at_end = last || r.last >= b.last_row - (2.5e6 * b.period_s) as i64;
        }
        // The episode goes on into the next hour only if it still stood at the end of this one.
        open = r.last.max(b.rail(mild).last) >= b.last_row - (2.5e6 * b.period_s) as i64;
    }
    let end = l.blocks.last().map_or(0, |b| b.last_row);
    for e in &mut out {
        e.at_end = e.to >= end - (2.5e6 * l.period_s()) as i64;
    }
    out
}
