//! No reply: the device stopped answering.
//!
//! Hypothesis: the device answers as before. Against it: at least 8 polls and 2 hours without one good
//! reply (two hours outlast a gateway restart and ordinary work; common practice). Rows that are missing
//! altogether count only while most of the same gateway's loops have theirs.

use crate::context::Context;
use crate::finding::Kind;
use crate::history::{Draft, LoopRecord};
use crate::limits::{Limits, Test};
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};

pub const MIN_POLLS: u32 = 8;
pub const MIN_GAP_US: i64 = 2 * MICROS_PER_HOUR;
const ABSENT_ENDED_H: i64 = 12;
const ABSENT_OPEN_H: i64 = 4;

pub fn detect(l: &LoopRecord<'_>, ctx: &Context, to: UtcMicros) -> Vec<Draft> {
    detect_at(l, ctx, to, &Limits::default())
}

pub fn detect_at(l: &LoopRecord<'_>, ctx: &Context, to: UtcMicros, limits: &Limits) -> Vec<Draft> {
    let mut out = Vec::new();
    // A source without digital channel never replied: nothing to lose.
    if l.blocks.iter().all(|b| b.replies == 0) {
        return out;
    }
    let period_us = (l.period_s() * 1e6) as i64;
    let mut last_good = None::<i64>;
    let mut polls = 0;
    let mut had_current = false;
    let mut moved_m = (f64::INFINITY, f64::NEG_INFINITY);
    let mut close = |last: Option<i64>,
                     until: i64,
                     polls: u32,
                     had_current: bool,
                     ended: bool,
                     m: (f64, f64)| {
        let Some(start) = last else { return };
        let gap = until - start;
        let first_hour = (start + period_us).div_euclid(MICROS_PER_HOUR) + 1;
        let last_hour = until.div_euclid(MICROS_PER_HOUR) - 1;
        let others_alive = ctx.hours_alive(l, first_hour, last_hour);
        // Rows missing altogether: a hole in the record that closed again within half a day is the
        // collection's, not the device's.
        let needed = if ended { ABSENT_ENDED_H } else { ABSENT_OPEN_H };
        // Times of what is asked at the least, by the scarcest.
        let answered = if polls == 0 {
            others_alive as f64 / needed as f64
        } else {
            f64::from(polls) / f64::from(MIN_POLLS)
        };
        let statistic = (gap as f64 / MIN_GAP_US.max(4 * period_us) as f64).min(answered);
        if !limits.pass(Test::NoReply, statistic) {
            return;
        }
        let onset = UtcMicros(start + period_us);
        let mut d = Draft::by(Test::NoReply, statistic, Kind::NoReply, onset)
            .within(UtcMicros(start), onset)
            .count("polls_without_reply", u64::from(polls))
            .number("hours", gap as f64 / MICROS_PER_HOUR as f64)
            .text(
                "current",
                if !had_current {
                    "not seen"
                } else if m.1 < -50.0 - 2.0 / 0.16 {
                    "gone"
                } else {
                    "still there"
                },
            );
        d.ended = ended.then_some(UtcMicros(until));
        out.push(d);
    };
    for b in l.blocks {
        if b.replies == 0 {
            polls += b.rows;
            had_current |= b.m.n > 0;
            moved_m = (moved_m.0.min(b.m.min), moved_m.1.max(b.m.max));
            continue;
        }
        close(last_good, b.first_reply, polls, had_current, true, moved_m);
        last_good = Some(b.last_reply);
        // Polls of this hour after its last reply: those that failed in the tail.
        polls = tail_polls(b.last_row, b.last_reply, period_us);
        had_current = b.m.n > 0;
        moved_m = (f64::INFINITY, f64::NEG_INFINITY);
    }
    close(last_good, to.0, polls, had_current, false, moved_m);
    out
}

fn tail_polls(last_row: i64, last_reply: i64, period_us: i64) -> u32 {
    if last_row <= last_reply {
        0
    } else {
        ((last_row - last_reply) / period_us.max(1)) as u32
    }
}
