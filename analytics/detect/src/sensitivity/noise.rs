//! Noise: the smallest change of scatter that would stand out.
//!
//! The detector runs once with the loop's last week made clearly noisier. Its likelihood ratio there and the size that it
//! fitted give the standard error of the log ratio (`size / sqrt(lr)`); nine of ten changes are found at
//! `max(se sqrt(accept), least) + 1.28 se`. For other lengths the standard error goes with `1 / sqrt(c (1 - c/n))`, with c
//! of n hours after the change.

use super::faults::scale_scatter;
use super::{Answer, Fault, Setting, WITHIN_DAYS, Z90};
use crate::finding::Evidence;
use crate::history::{Draft, LoopRecord, hour_in};
use crate::limits::{Limits, Test};
use crate::noise::{MIN_LOG_RATIO, detect};

/// Log ratios tried, smallest first.
const TRIED: [f64; 2] = [0.9, 1.6];

pub(super) fn numbers(s: &Setting<'_>, open: bool) -> Vec<Answer> {
    let both = |why: &str| -> Vec<Answer> {
        [Fault::NoiseRise, Fault::NoiseCollapse]
            .iter()
            .flat_map(|f| WITHIN_DAYS.map(|n| Answer::blind(*f, n, why)))
            .collect()
    };
    if open {
        return both("a change of scatter stands already");
    }
    let Some(last) = s.l.blocks.last().map(|b| b.hour + 1) else {
        return both("no readings");
    };
    let week = i64::from(WITHIN_DAYS[0]);
    let from = last - 24 * week;
    let counted = |from: i64| {
        s.l.blocks
            .iter()
            .filter(|b| b.hour >= from && !hour_in(&s.no_drift, b.hour))
            .filter(|b| !s.ctx.idle(&s.l, b.hour) && (b.move_d.n >= 4 || b.move_m.n >= 4))
            .count() as f64
    };
    let (all, after) = (counted(i64::MIN), counted(from));
    if after < 24.0 || all - after < 48.0 {
        return both("record too short");
    }
    for log_ratio in TRIED {
        let mut blocks = s.l.blocks.to_vec();
        for b in blocks.iter_mut().filter(|b| b.hour >= from) {
            scale_scatter(b, log_ratio.exp());
        }
        let record = LoopRecord {
            entry: s.l.entry,
            blocks: &blocks,
        };
        let o = detect(&record, s.ctx, s.to, &s.no_drift);
        if let Some(why) = o.not_judged {
            return both(why);
        }
        let told = o.draft.filter(|d| d.ended.is_none()).and_then(|d| {
            let lr = number(&d, "log_likelihood_ratio")?;
            let size = number(&d, "scatter_ratio")?.ln().abs();
            (lr > 0.0).then(|| size / lr.sqrt())
        });
        let Some(se) = told else { continue };
        // Hours after the change and in all, for a change that begins now.
        let left = |c: f64, n: f64| c * (1.0 - c / n);
        let daily =
            all / ((last - s.l.blocks.first().map_or(last, |b| b.hour)) as f64 / 24.0).max(1.0);
        return [Fault::NoiseRise, Fault::NoiseCollapse]
            .iter()
            .flat_map(|fault| {
                WITHIN_DAYS.map(|n| {
                    let c = daily * f64::from(n);
                    let se = se * (left(after, all) / left(c, all + c)).sqrt();
                    let size = (se * Limits::default().at(Test::Noise).sqrt()).max(MIN_LOG_RATIO)
                        + Z90 * se;
                    let sign = if *fault == Fault::NoiseRise {
                        1.0
                    } else {
                        -1.0
                    };
                    let run = (n == WITHIN_DAYS[0] && *fault == Fault::NoiseRise).then_some(true);
                    Answer::found(*fault, n, (sign * size).exp(), run)
                })
            })
            .collect();
    }
    both("a scatter five times as large would not stand out from its own changes")
}

fn number(d: &Draft, key: &str) -> Option<f64> {
    match d.evidence.get(key) {
        Some(Evidence::Number(v)) => Some(*v),
        _ => None,
    }
}
