//! Agreement by eighths on simulated loops: the true deviation at each eighth is known there.

#![allow(clippy::print_stdout)]

use analytics_detect::block::{DayBlock, day_blocks};
use analytics_detect::{EighthAgreement, agreement};
use ingest_model::{Columns, LoopEntry, Range, Reading, Tag, Transfer, UtcMicros};

/// A plain congruential generator: the same loops on every machine.
struct Dice(u64);

impl Dice {
    fn unit(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// About normal: twelve uniform numbers.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

const DAYS: i64 = 20;

/// A loop whose current is off by an offset, a share of the position and what its input card does from day to day, of which
/// a share carries on to the next; sampled half a period before the digital value. What was put in where the loop ran, and
/// what is found.
fn simulate(n: u64, accuracy: Option<f64>, carries_on: f64) -> ([f64; 8], [EighthAgreement; 8]) {
    let mut dice = Dice(n.wrapping_mul(7_919) + 11);
    for _ in 0..5 {
        dice.unit();
    }
    let range = Range {
        lrv: 0.0,
        urv: 100.0,
        transfer: Transfer::Linear,
    };
    let entry = LoopEntry::new(Tag::new("FT-1").unwrap(), "m3/h", range);
    let truth = [0.3 * dice.normal(), 0.3 * dice.normal()];
    // An input within its accuracy, evenly: what only `accuracy` can speak of.
    let input = accuracy.map_or(0.0, |a| a * (2.0 * dice.unit() - 1.0));
    let (phase, swing) = (dice.unit() * 6.0, 15.0 + 25.0 * dice.unit());
    let mut card = 0.0;
    let mut before = 50.0;
    // Sum and count of what was put in where the loop ran.
    let mut put = [(0.0, 0.0); 8];
    let days: Vec<DayBlock> = (0..DAYS)
        .map(|day| {
            card = carries_on * card + 0.02 * dice.normal();
            let mut c = Columns::default();
            for k in 0..288 {
                let t = (day * 288 + k) as f64;
                let pv = 50.0 + swing * (t / 70.0 + phase).sin() + 0.5 * dice.normal();
                let seen = 0.5 * (pv + before);
                let own = truth[0] + truth[1] * (pv - 50.0) / 100.0;
                if let Some(p) = put.get_mut((pv / 12.5) as usize) {
                    *p = (p.0 + own, p.1 + 1.0);
                }
                let off = truth[0] + truth[1] * (seen - 50.0) / 100.0 + card + input;
                c.push(&Reading {
                    pv,
                    analog_ma: 4.0 + 0.16 * (seen + off) + 0.003 * dice.normal(),
                    response_code: Some(0),
                    ..Reading::empty(UtcMicros((day * 288 + k) * 300_000_000))
                });
                before = pv;
            }
            DayBlock::of(&day_blocks(&entry, &c.slice(0, 288))).unwrap()
        })
        .collect();
    (put.map(|p| p.0 / p.1), agreement(&days, accuracy).eighths)
}

/// With k = 2 the true deviation lies within the expanded uncertainty in about 95 of 100 (JCGM 100:2008, 6.3.3), at every
/// eighth that counts; with the input's accuracy the true deviation of the loop alone does.
#[test]
fn the_true_deviation_is_within_the_expanded_uncertainty() {
    for (accuracy, carries_on) in [(None, 0.0), (None, 0.5), (Some(0.1), 0.5)] {
        let (mut all, mut within, mut never) = (0, 0, 0);
        for n in 0..120 {
            let (put, eighths) = simulate(n, accuracy, carries_on);
            for (k, e) in eighths.iter().enumerate() {
                if !e.counts {
                    never += u32::from(e.days == 0 && e.deviation_pct.is_none());
                    continue;
                }
                let error = e.deviation_pct.unwrap() - put[k];
                all += 1;
                within += u32::from(error.abs() <= e.expanded_uncertainty_pct.unwrap());
            }
        }
        println!(
            "accuracy {accuracy:?}, day to day {carries_on}: {within} of {all} within, {never} eighths never visited"
        );
        assert!(all > 400 && never > 50, "{all} {never}");
        // Few days and correlated ones: not below 90.
        assert!(
            within * 100 >= all * 90,
            "{within} of {all}, {accuracy:?}, {carries_on}"
        );
    }
}
