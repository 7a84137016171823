//! Confidence takes many values, onset intervals hold the onset, and the budget only takes away from the list.
//! Invented loops: a wandering position, card noise, day means that scatter and remember the day before.

use analytics_detect::{
    Blocks, Budget, Finding, Fleet, HourBlock, Kind, LoopSource, Params, assess, day_blocks,
};
use ingest_model::instant::MICROS_PER_DAY;
use ingest_model::{Columns, LoopEntry, Range, Reading, Tag, Transfer, UtcMicros};
use std::collections::BTreeSet;

const DAYS: i64 = 20;
const PERIOD_S: i64 = 600;
const LOOPS: u64 = 120;

struct Rng(u64);

impl Rng {
    fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// Blocks of a loop whose offset steps or grows to `size` from day `onset` on.
fn loop_blocks(entry: &LoopEntry, seed: u64, onset: f64, size: f64, ramp: bool) -> Vec<HourBlock> {
    let mut rng = Rng(seed.wrapping_mul(977) + 13);
    let (mut level, mut day_error) = (50.0_f64, 0.0);
    let per_day = 86_400 / PERIOD_S;
    let mut out = Vec::new();
    for day in 0..DAYS {
        day_error = 0.3 * day_error + 0.03 * rng.normal();
        let mut c = Columns::default();
        for k in 0..per_day {
            let t = day as f64 + k as f64 / per_day as f64;
            level = (level + 1.5 * rng.normal() + 0.02 * (50.0 - level)).clamp(3.0, 97.0);
            let grown = match (t > onset, ramp) {
                (false, _) => 0.0,
                (true, false) => 1.0,
                (true, true) => (t - onset) / (DAYS as f64 - onset),
            };
            let measured = level + day_error + size * grown + 0.05 * rng.normal();
            c.push(&Reading {
                pv: level,
                reported_ma: 4.0 + 0.16 * level,
                analog_ma: 4.0 + 0.16 * measured,
                response_code: Some(0),
                device_status: Some(0),
                ..Reading::empty(UtcMicros(day * MICROS_PER_DAY + k * PERIOD_S * 1_000_000))
            });
        }
        out.extend(day_blocks(entry, &c.slice(0, c.len())));
    }
    out
}

struct Found {
    truth: f64,
    finding: Finding,
}

fn found(budget: f64) -> Vec<Found> {
    let mut rng = Rng(5);
    let mut out = Vec::new();
    for seed in 0..LOOPS {
        let entry = LoopEntry::new(
            Tag::new(&format!("PT-{seed}")).unwrap(),
            "bar",
            Range {
                lrv: 0.0,
                urv: 100.0,
                transfer: Transfer::Linear,
            },
        );
        let onset = 5.0 + 10.0 * rng.uniform();
        let size = 0.08 + 0.2 * rng.uniform();
        let blocks = loop_blocks(&entry, seed, onset, size, seed % 2 == 0);
        let fleet = Fleet {
            loops: vec![LoopSource {
                entry: &entry,
                blocks: Blocks::Plain(&blocks),
            }],
            from: Some(UtcMicros(0)),
            to: UtcMicros(DAYS * MICROS_PER_DAY),
            work: vec![],
            readings: 0,
            rejected: 0,
        };
        let params = Params {
            budget: Budget {
                false_per_1000: budget,
                ..Budget::default()
            },
            ..Params::default()
        };
        for row in assess(&fleet, &params).attention {
            for finding in row.findings {
                if finding.kind == Kind::AnalogDigitalDrift {
                    out.push(Found {
                        truth: onset,
                        finding,
                    });
                }
            }
        }
    }
    out
}

#[test]
fn confidence_takes_many_values_and_onset_intervals_cover() {
    let all = found(10.0);
    assert!(all.len() >= 30, "{} findings", all.len());
    let values: BTreeSet<i64> = all
        .iter()
        .map(|f| (f.finding.confidence * 1e4).round() as i64)
        .collect();
    assert!(values.len() >= 20, "{} values of confidence", values.len());
    let inside = all
        .iter()
        .filter(|f| {
            let day = |t: UtcMicros| t.0 as f64 / MICROS_PER_DAY as f64;
            (day(f.finding.onset_low)..=day(f.finding.onset_high)).contains(&f.truth)
        })
        .count() as f64;
    // Nominally 80 % and a block's width more; three standard errors below that fail.
    let share = inside / all.len() as f64;
    let error = (0.8 * 0.2 / all.len() as f64).sqrt();
    assert!(share > 0.8 - 3.0 * error, "{share} of {}", all.len());
}

#[test]
fn a_stricter_budget_only_takes_findings_away() {
    let names = |budget: f64| -> BTreeSet<String> {
        found(budget)
            .into_iter()
            .map(|f| {
                f.finding
                    .id
                    .split(':')
                    .take(2)
                    .collect::<Vec<_>>()
                    .join(":")
            })
            .collect()
    };
    let (strict, usual, loose) = (names(0.1), names(1.0), names(10.0));
    assert!(strict.is_subset(&usual) && usual.is_subset(&loose));
    assert!(
        strict.len() < loose.len(),
        "{} and {}",
        strict.len(),
        loose.len()
    );
}
