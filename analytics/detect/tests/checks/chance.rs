//! Common causes where there are none: findings dealt to loops at random must not be taken for what loops share.
//!
//! The chance that a cause states is adjusted for all groups looked at, so over many fleets without any cause the share
//! of those with one is at most the chance that counts as a cause. A product of the chances of belonging, onset and size
//! read as a chance, as an earlier version had it, gives several times that.

use crate::common::{Rng, percent_loop};
use analytics_detect::common::{MAX_P, Sign, search};
use analytics_detect::finding::Kind;
use ingest_model::{LoopEntry, UtcMicros};

const LOOPS: usize = 40;
const FLEETS: usize = 4000;
const DAY_US: f64 = 86.4e9;
const RECORD_DAYS: f64 = 30.0;

/// Loops in cards of five, boxes of eight, four supplies and eight revisions.
fn fleet(rng: &mut Rng) -> Vec<LoopEntry> {
    (0..LOOPS)
        .map(|i| LoopEntry {
            input_card: Some(format!("IC-{}", i / 5)),
            junction_box: Some(format!("JB-{}", i / 8)),
            supply: Some(format!("PS-{}", i % 4)),
            device_type: Some(0xFA11),
            device_revision: Some((8.0 * rng.uniform()) as u8),
            ..percent_loop(&format!("FT-{i}"))
        })
        .collect()
}

fn lone_drift(loops: &[LoopEntry], rng: &mut Rng) -> Vec<Sign> {
    loops
        .iter()
        .filter_map(|l| {
            if rng.uniform() > 0.3 {
                return None;
            }
            let width = (0.2 + 5.0 * rng.uniform()) * DAY_US;
            let began = (0.1 + 0.7 * rng.uniform()) * RECORD_DAYS * DAY_US;
            let seen = began + rng.normal() * width / 2.563;
            let at = |v: f64| UtcMicros(v as i64);
            let size = 0.2 * (2.5 * rng.uniform()).exp();
            let span = rng.uniform() < 0.5;
            Some(Sign {
                tag: l.tag.clone(),
                kind: Kind::AnalogDigitalDrift,
                cause: Some(if span { "span" } else { "offset" }),
                onset: at(seen),
                onset_low: at(seen - width / 2.0),
                onset_high: at(seen + width / 2.0),
                up: Some(rng.uniform() < 0.5),
                size_pct: Some(size),
                falls_ma_per_day: None,
                span_log_ratio: Some((if span { 3.0 } else { -3.0 }) + rng.normal()),
                score: 0.5,
            })
        })
        .collect()
}

/// Ceilings that fell on single loops, each with the square root of its own time from the rail down: seen from when it
/// comes below the loop's peaks, known to have come down since the last peak that passed.
fn lone_ceilings(loops: &[LoopEntry], rng: &mut Rng) -> Vec<Sign> {
    let mut out = Vec::new();
    for l in loops {
        if rng.uniform() > 0.2 {
            continue;
        }
        let began = (0.1 + 0.75 * rng.uniform()) * RECORD_DAYS;
        let lost_ma = 6.5 + 3.5 * rng.uniform();
        let free_ma = 4.5 + 4.0 * rng.uniform();
        let seen = began + (RECORD_DAYS - began) * (free_ma / lost_ma).powi(2);
        if seen > RECORD_DAYS - 0.5 {
            continue;
        }
        let width = 0.2 + 6.0 * rng.uniform();
        let at = |days: f64| UtcMicros((days * DAY_US) as i64);
        let falls = lost_ma / 2.0 / (RECORD_DAYS - began) * (0.2 * rng.normal()).exp();
        out.push(Sign {
            tag: l.tag.clone(),
            kind: Kind::AnalogDigitalDrift,
            cause: Some("supply-limited"),
            onset: at(seen),
            onset_low: at(seen - width),
            onset_high: at(seen + 0.04),
            up: Some(false),
            size_pct: None,
            falls_ma_per_day: Some(falls),
            span_log_ratio: None,
            score: 0.5,
        });
    }
    out
}

fn share_with_a_cause(lone: fn(&[LoopEntry], &mut Rng) -> Vec<Sign>) -> f64 {
    let mut rng = Rng(20_261_126);
    let mut fleets_with_one = 0;
    for _ in 0..FLEETS {
        let loops = fleet(&mut rng);
        let signs = lone(&loops, &mut rng);
        let loops: Vec<&LoopEntry> = loops.iter().collect();
        fleets_with_one += usize::from(!search(&loops, &signs, RECORD_DAYS * DAY_US).is_empty());
    }
    fleets_with_one as f64 / FLEETS as f64
}

#[test]
fn chance_makes_no_more_causes_than_it_is_said_to() {
    for lone in [lone_drift, lone_ceilings] {
        let share = share_with_a_cause(lone);
        // Three standard deviations of a binomial share above the stated chance.
        let bound = MAX_P + 3.0 * (MAX_P / FLEETS as f64).sqrt();
        assert!(share <= bound, "{share} of fleets without a cause got one");
    }
}
