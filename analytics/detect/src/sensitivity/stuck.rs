//! Stuck values: how long until one is found.
//!
//! A stuck value has no size; its number is the time. The loop's own blocks are frozen from ten different hours of the
//! last two weeks on, and the detector runs with ever more of the record until it finds it. The longest of ten tries is
//! passed by one in eleven (expected coverage n/(n+1) of the largest of n): that is the number.

use super::faults::{Still, freeze};
use super::{Answer, Fault, Setting, WITHIN_DAYS};
use crate::block::HourBlock;
use crate::finding::{Kind, Signal};
use crate::history::LoopRecord;
use crate::stuck::detect;
use ingest_model::UtcMicros;

/// Hours after the onset at which the detector runs.
const LADDER: [i64; 14] = [3, 4, 5, 6, 8, 10, 12, 16, 24, 36, 48, 72, 120, 168];
/// Onsets tried, hours apart: every hour of the day gets its turn.
const ONSETS: usize = 10;
const APART_H: i64 = 17;
/// Days before an onset that the detector is given.
const BEFORE_H: i64 = 10 * 24;
/// Most are found within this; only then is more of the record taken.
const SOON_H: i64 = 48;

const FAULTS: [(Fault, Still, Signal); 3] = [
    (
        Fault::StuckDigital,
        Still {
            digital: true,
            analog: false,
        },
        Signal::Digital,
    ),
    (
        Fault::StuckAnalog,
        Still {
            digital: false,
            analog: true,
        },
        Signal::Analog,
    ),
    (
        Fault::StuckBoth,
        Still {
            digital: true,
            analog: true,
        },
        Signal::Both,
    ),
];

pub(super) fn numbers(s: &Setting<'_>, open: bool) -> Vec<Answer> {
    let days = WITHIN_DAYS[0];
    let has_m = s.l.blocks.iter().any(|b| b.m.n > 0);
    let has_d = s.l.blocks.iter().any(|b| b.d.n > 0);
    FAULTS
        .iter()
        // With one channel there is one way to stand still.
        .filter(|(_, still, _)| match (has_d, has_m) {
            (true, true) => true,
            (true, false) => still.digital && !still.analog,
            _ => still.analog && !still.digital,
        })
        .map(|(fault, still, signal)| {
            if s.l.entry.multidrop {
                return Answer::blind(*fault, days, "multidrop: the current is parked");
            }
            if open {
                return Answer::blind(*fault, days, "a held value stands already");
            }
            match hours(s, *still, *signal) {
                None => Answer::blind(*fault, days, "record too short"),
                Some(Some(h)) => Answer::found(*fault, days, h, Some(true)),
                Some(None) => Answer::blind(
                    *fault,
                    days,
                    "it moves too little, or rests too long of itself",
                ),
            }
        })
        .collect()
}

/// Hours until the last of the onsets is found; outer `None` = too short a record, inner = not within a week.
fn hours(s: &Setting<'_>, still: Still, signal: Signal) -> Option<Option<f64>> {
    let blocks = s.l.blocks;
    let last = blocks.last()?.hour;
    let first = blocks.first()?.hour;
    let longest = *LADDER.last()?;
    let onsets: Vec<i64> = (0..ONSETS as i64)
        .map(|j| last - longest - j * APART_H)
        .filter(|t| *t >= first + 72)
        .collect();
    if onsets.len() < ONSETS / 2 {
        return None;
    }
    let mut found: Vec<Option<i64>> = onsets
        .iter()
        .map(|t| {
            until_found(s, *t, still, signal, SOON_H)
                .or_else(|| until_found(s, *t, still, signal, longest))
        })
        .collect();
    // Not found sorts last.
    found.sort_by_key(|f| f.unwrap_or(i64::MAX));
    // The longest; an onset within the hour loses up to that hour.
    Some(found.last().copied().flatten().map(|h| h as f64 + 1.0))
}

fn until_found(
    s: &Setting<'_>,
    onset: i64,
    still: Still,
    signal: Signal,
    most: i64,
) -> Option<i64> {
    let blocks = s.l.blocks;
    let from = blocks.partition_point(|b| b.hour < onset - BEFORE_H);
    let start = blocks.partition_point(|b| b.hour < onset);
    let end = blocks.partition_point(|b| b.hour < onset + most);
    let mut tail: Vec<HourBlock> = blocks.get(from..end)?.to_vec();
    let at = start - from;
    // The value that it keeps: the last one's mean stands for it.
    let kept = tail.get(at.checked_sub(1)?)?.clone();
    for b in tail.iter_mut().skip(at) {
        if still.digital {
            freeze(&mut b.d, &mut b.move_d, kept.d.mean());
        }
        if still.analog {
            // Within the input's own noise: the quietest that it can be.
            freeze(&mut b.m, &mut b.move_m, kept.m.mean());
        }
        if still.digital && still.analog {
            freeze(&mut b.r, &mut b.move_r, kept.r.mean());
        }
    }
    let finds = |hours: i64| {
        let upto = tail.partition_point(|b| b.hour < onset + hours);
        let record = LoopRecord {
            entry: s.l.entry,
            blocks: &tail[..upto],
        };
        let to = UtcMicros(record.blocks.last().map_or(s.to.0, |b| b.last_row));
        detect(&record, s.ctx, to, &s.no_stuck).iter().any(|d| {
            d.kind == Kind::StuckValue
                && d.ended.is_none()
                && (d.signal == Some(signal) || signal == Signal::Both)
        })
    };
    // Once found it stays found: the first step of the ladder by halving.
    let (mut low, mut high) = (
        0,
        LADDER.partition_point(|h| *h < most).min(LADDER.len() - 1),
    );
    if !finds(LADDER[high]) {
        return None;
    }
    while low < high {
        let mid = (low + high) / 2;
        if finds(LADDER[mid]) {
            high = mid;
        } else {
            low = mid + 1;
        }
    }
    Some(LADDER[low])
}
