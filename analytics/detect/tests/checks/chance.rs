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
                span_log_ratio: Some((if span { 3.0 } else { -3.0 }) + rng.normal()),
                score: 0.5,
            })
        })
        .collect()
}

#[test]
fn chance_makes_no_more_causes_than_it_is_said_to() {
    let mut rng = Rng(20_261_126);
    let mut fleets_with_one = 0;
    for _ in 0..FLEETS {
        let loops = fleet(&mut rng);
        let signs = lone_drift(&loops, &mut rng);
        let loops: Vec<&LoopEntry> = loops.iter().collect();
        fleets_with_one += usize::from(!search(&loops, &signs, RECORD_DAYS * DAY_US).is_empty());
    }
    let share = fleets_with_one as f64 / FLEETS as f64;
    // Three standard deviations of a binomial share above the stated chance.
    let bound = MAX_P + 3.0 * (MAX_P / FLEETS as f64).sqrt();
    assert!(share <= bound, "{share} of fleets without a cause got one");
}
