//! Loops of which no analog input is mapped: what the digital channel alone still shows of the output.
//!
//! The reported current is exact in a sound device. Held to a hundredth of a percent over hours in which the digital value
//! moves, it is a fixed output (test mode left on); the analog detectors cannot see that without a current. What does
//! need the current at the host is named as not judged.

use crate::block::HourBlock;
use crate::finding::{Kind, Signal};
use crate::history::{Draft, LoopRecord, Window, hour_in};
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};

/// Held within this, % of span: half a digit of a reported current with two decimals is 0.03 %, one with three 0.003 %.
const HELD_PCT: f64 = 0.04;
/// The digital value must move by this within an hour to be a witness, over this in all, in this many hours.
const MOVES_PCT: f64 = 0.3;
const WANDER_PCT: f64 = 1.0;
const WITNESS_HOURS: usize = 3;

/// No current was ever measured on a loop that should have one.
pub fn applies(l: &LoopRecord<'_>) -> bool {
    !l.entry.multidrop && l.blocks.iter().all(|b| b.m.n == 0) && l.blocks.iter().any(|b| b.d.n > 0)
}

/// What is judged only in part without a current, and why; `unjudged` names what is not judged at all.
pub fn not_judged() -> (&'static str, String) {
    (
        Kind::StuckValue.as_str(),
        "no analog source: only the digital value is watched, by its own past and its neighbours"
            .to_owned(),
    )
}

/// A reported current that is held while the digital value moves; the newest such run.
pub fn fixed_current(l: &LoopRecord<'_>, to: UtcMicros, skip: &[Window]) -> Option<Draft> {
    let hours: Vec<&HourBlock> = l
        .blocks
        .iter()
        .filter(|b| b.r.n >= 2 && b.d.n >= 2 && !hour_in(skip, b.hour))
        .collect();
    let mut runs: Vec<(usize, usize)> = Vec::new();
    let (mut min, mut max) = (f64::INFINITY, f64::NEG_INFINITY);
    for (i, b) in hours.iter().enumerate() {
        let (low, high) = (min.min(b.r.min), max.max(b.r.max));
        match runs.last_mut() {
            Some(run) if run.1 + 1 == i && high - low <= HELD_PCT => {
                run.1 = i;
                (min, max) = (low, high);
            }
            _ if b.r.range() <= HELD_PCT => {
                runs.push((i, i));
                (min, max) = (b.r.min, b.r.max);
            }
            _ => {}
        }
    }
    let (first, last, moved, wander) = runs.into_iter().rev().find_map(|(a, z)| {
        let run = hours.get(a..=z)?;
        let (held, end) = (run.first()?.r.mean(), run.last()?);
        // At the ends of NE 43 a current rests because it must.
        if !(-50.9..=52.8).contains(&held) {
            return None;
        }
        let moved = run.iter().filter(|b| b.d.range() > MOVES_PCT).count();
        let low = run.iter().map(|b| b.d.min).fold(f64::INFINITY, f64::min);
        let high = run
            .iter()
            .map(|b| b.d.max)
            .fold(f64::NEG_INFINITY, f64::max);
        let wander = high - low;
        (moved >= WITNESS_HOURS && wander >= WANDER_PCT).then_some((
            *run.first()?,
            *end,
            moved,
            wander,
        ))
    })?;
    let exact = first.er.first_off.min(first.bit(3).first);
    let start = first.hour.saturating_mul(MICROS_PER_HOUR);
    let (since, low) = if exact < i64::MAX {
        (UtcMicros(exact), UtcMicros(exact))
    } else {
        (UtcMicros(start), UtcMicros(start - MICROS_PER_HOUR))
    };
    let mut d = Draft::new(
        Kind::FixedCurrent,
        since,
        (1.0 - 0.4 / moved as f64).clamp(0.5, 0.99),
    )
    .within(low, UtcMicros(start + MICROS_PER_HOUR))
    .number("held_at_ma", 12.0 + 0.16 * first.r.mean())
    .number("hours_held", (last.hour - first.hour + 1) as f64)
    .number("witness_moved_pct", wander)
    .count("witness_hours", moved as u64)
    .text("witness", "digital");
    d.signal = Some(Signal::Analog);
    let later = hours.iter().any(|b| b.hour > last.hour);
    if later || to.0 - last.last_row > 48 * MICROS_PER_HOUR {
        d.ended = Some(UtcMicros(last.last_row));
    }
    Some(d)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::day_blocks;
    use ingest_model::{Columns, LoopEntry, Range, Reading, Tag, Transfer};

    /// Two days without a current; from `held_from` h on the device reports 12 mA whatever the value is.
    fn blocks(held_from: f64, entry: &LoopEntry) -> Vec<HourBlock> {
        (0..2)
            .flat_map(|day| {
                let mut c = Columns::default();
                for k in 0..288 {
                    let hour = 24.0 * f64::from(day) + f64::from(k) / 12.0;
                    let pv = 50.0 + 20.0 * (hour / 3.0).sin();
                    let reported = if hour >= held_from {
                        12.0
                    } else {
                        4.0 + 0.16 * pv
                    };
                    c.push(&Reading {
                        pv,
                        reported_ma: reported,
                        response_code: Some(0),
                        device_status: Some(0),
                        ..Reading::empty(UtcMicros((hour * 3.6e9) as i64))
                    });
                }
                day_blocks(entry, &c.slice(0, 288))
            })
            .collect()
    }

    #[test]
    fn a_held_output_shows_without_a_current() {
        let range = Range {
            lrv: 0.0,
            urv: 100.0,
            transfer: Transfer::Linear,
        };
        let entry = LoopEntry::new(Tag::new("FT-1").unwrap(), "m3/h", range);
        let to = UtcMicros(48 * MICROS_PER_HOUR);
        for (from, found) in [(30.0, true), (46.5, false), (99.0, false)] {
            let blocks = blocks(from, &entry);
            let l = LoopRecord {
                entry: &entry,
                blocks: &blocks,
            };
            assert!(applies(&l));
            let d = fixed_current(&l, to, &[]);
            assert_eq!(d.is_some(), found, "{from}");
            if let Some(d) = d {
                assert_eq!(d.ended, None);
                let hour = d.onset.0 as f64 / 3.6e9;
                assert!((hour - from).abs() < 0.5, "{hour}");
            }
        }
    }
}
