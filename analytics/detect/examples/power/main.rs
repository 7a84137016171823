//! Power curves of the detectors: how often, and after how long, a fault of a given size is found, by poll period.
//!
//! `power OUT [--trials 12] [--only NAME]` simulates one loop a trial (15 healthy days, then the fault for 14), has the
//! whole assessment run on it, and writes a picture a fault, `power.csv` and `power.md`. Equal options write equal files.

mod faults;
mod picture;

use analytics_detect::{Blocks, Fleet, HourBlock, LoopSource, Params, assess, day_blocks};
use faults::{FAULTS, Fault, Sim};
use ingest_model::instant::{MICROS_PER_DAY, MICROS_PER_HOUR};
use ingest_model::{Columns, LoopEntry, Range, Tag, Transfer, UtcMicros};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Seconds between polls.
const PERIODS_S: [i64; 3] = [30, 120, 600];
const HEALTHY_DAYS: i64 = 15;
const FAULTY_DAYS: i64 = 14;
/// Hours after the onset at which the record is assessed.
const LOOKS_H: [i64; 13] = [1, 2, 4, 8, 12, 24, 36, 48, 72, 120, 168, 240, 336];

/// One point of a curve.
struct Point {
    period_s: i64,
    magnitude: f64,
    trials: usize,
    /// Hours from onset to the first look with the finding, of the trials in which there was one.
    delays_h: Vec<i64>,
}

impl Point {
    fn share(&self) -> f64 {
        self.delays_h.len() as f64 / self.trials as f64
    }

    /// Median over the trials that found it.
    fn delay_h(&self) -> Option<i64> {
        self.delays_h.get(self.delays_h.len() / 2).copied()
    }
}

fn entry(i: usize, group: bool) -> Option<LoopEntry> {
    let range = Range {
        lrv: 0.0,
        urv: 100.0,
        transfer: Transfer::Linear,
    };
    let mut e = LoopEntry::new(Tag::new(&format!("PT-{i}")).ok()?, "%", range);
    e.redundancy_group = group.then(|| "A".to_owned());
    Some(e)
}

fn blocks(entry: &LoopEntry, c: &Columns) -> Vec<HourBlock> {
    let mut out = Vec::new();
    let mut from = 0;
    while from < c.len() {
        let day = c.time[from].div_euclid(MICROS_PER_DAY);
        let to = c
            .time
            .partition_point(|t| t.div_euclid(MICROS_PER_DAY) <= day);
        out.extend(day_blocks(entry, &c.slice(from, to)));
        from = to;
    }
    out
}

/// Hours from onset to the first look that finds the fault.
fn trial(fault: &Fault, magnitude: f64, period_s: i64, seed: u64) -> Option<i64> {
    let members = if fault.group { 3 } else { 1 };
    let entries: Vec<LoopEntry> = (0..members).filter_map(|i| entry(i, fault.group)).collect();
    let mut sims = Sim::new(seed, members, fault, magnitude);
    let mut columns = vec![Columns::default(); members];
    let rows = (HEALTHY_DAYS + FAULTY_DAYS) * 86_400 / period_s;
    for k in 0..rows {
        let since_s = k * period_s - HEALTHY_DAYS * 86_400;
        for (c, r) in columns.iter_mut().zip(sims.rows(k, period_s, since_s)) {
            c.push(&r);
        }
    }
    let all: Vec<Vec<HourBlock>> = entries
        .iter()
        .zip(&columns)
        .map(|(e, c)| blocks(e, c))
        .collect();
    let found = |look_h: i64| {
        let end_h = HEALTHY_DAYS * 24 + look_h;
        let fleet = Fleet {
            loops: entries
                .iter()
                .zip(&all)
                .map(|(entry, b)| LoopSource {
                    entry,
                    blocks: Blocks::Plain(&b[..b.partition_point(|b| b.hour < end_h)]),
                })
                .collect(),
            from: Some(UtcMicros(0)),
            to: UtcMicros(end_h * MICROS_PER_HOUR - 1),
            work: vec![],
            readings: 0,
            rejected: 0,
        };
        assess(&fleet, &Params::default())
            .attention
            .iter()
            .filter(|r| r.tag == entries[0].tag)
            .flat_map(|r| &r.findings)
            .any(|f| f.kind == fault.kind)
    };
    // What is found at the end was found from some look on.
    if !found(*LOOKS_H.last()?) {
        return None;
    }
    let at = LOOKS_H.partition_point(|h| !found(*h));
    LOOKS_H.get(at).or(LOOKS_H.last()).copied()
}

fn curve(fault: &Fault, trials: usize) -> Vec<Point> {
    let jobs: Vec<(i64, f64, u64)> = PERIODS_S
        .into_iter()
        .flat_map(|p| {
            fault
                .magnitudes
                .iter()
                .flat_map(move |m| (0..trials as u64).map(move |s| (p, *m, s)))
        })
        .collect();
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let results: Vec<Option<i64>> = std::thread::scope(|s| {
        let handles: Vec<_> = jobs
            .chunks(jobs.len().div_ceil(cores).max(1))
            .map(|part| {
                s.spawn(move || {
                    part.iter()
                        .map(|(p, m, seed)| trial(fault, *m, *p, seed + 1))
                        .collect::<Vec<_>>()
                })
            })
            .collect();
        handles
            .into_iter()
            .flat_map(|h| h.join().unwrap_or_default())
            .collect()
    });
    jobs.chunks(trials)
        .zip(results.chunks(trials))
        .map(|(jobs, found)| {
            let mut delays_h: Vec<i64> = found.iter().flatten().copied().collect();
            delays_h.sort_unstable();
            Point {
                period_s: jobs[0].0,
                magnitude: jobs[0].1,
                trials,
                delays_h,
            }
        })
        .collect()
}

fn write(dir: &Path, all: &[(&Fault, Vec<Point>)]) -> std::io::Result<()> {
    let mut csv = String::from("fault,period_s,magnitude,unit,trials,found,median_delay_h\n");
    let mut table = String::from(
        "# Power of the detectors\n\nWritten by `make power` (analytics/detect/examples/power): one simulated loop a trial, 15 healthy days, then the fault for 14. \
         The process wanders over about 25 to 75 % of range, the analog value is sampled up to a poll period from the digital one, the input card has 0.0125 % noise, \
         0.02 % of daily course and 0.01 % from day to day. Sizes were tried in the steps of the pictures.\n\n\
         | fault | polls every | smallest size from which on 9 of 10 are found | median delay there |\n| --- | --- | --- | --- |\n",
    );
    for (fault, points) in all {
        std::fs::write(
            dir.join(format!("{}.svg", fault.name)),
            picture::draw(fault, points, &PERIODS_S),
        )?;
        for p in points {
            let delay = p.delay_h().map_or(String::new(), |h| h.to_string());
            let _ = writeln!(
                csv,
                "{},{},{},{},{},{},{delay}",
                fault.name,
                p.period_s,
                p.magnitude,
                fault.unit,
                p.trials,
                p.delays_h.len()
            );
        }
        for period in PERIODS_S {
            let mut of: Vec<&Point> = points.iter().filter(|p| p.period_s == period).collect();
            of.sort_by(|a, b| fault.ease(a.magnitude).total_cmp(&fault.ease(b.magnitude)));
            // From this size on, not by luck at one.
            let from = of
                .iter()
                .rposition(|p| p.share() < 0.9)
                .map_or(0, |i| i + 1);
            let (size, delay) = match of.get(from) {
                Some(p) => (
                    format!("{} {}", p.magnitude, fault.unit),
                    p.delay_h().map_or("-".to_owned(), |h| format!("{h} h")),
                ),
                None => ("none of those tried".to_owned(), "-".to_owned()),
            };
            let _ = writeln!(
                table,
                "| [{}]({}.svg) | {period} s | {size} | {delay} |",
                fault.title, fault.name
            );
        }
    }
    std::fs::write(dir.join("power.csv"), csv)?;
    std::fs::write(dir.join("power.md"), table)
}

fn main() -> Result<(), String> {
    let (mut out, mut trials, mut only) = (None, 12_usize, None);
    let mut args = std::env::args().skip(1);
    while let Some(a) = args.next() {
        let mut value = || args.next().ok_or_else(|| format!("{a} needs a value"));
        match a.as_str() {
            "--trials" => trials = value()?.parse().map_err(|e| format!("--trials: {e}"))?,
            "--only" => only = Some(value()?),
            _ if a.starts_with('-') => return Err(format!("option {a} is not known")),
            _ => out = Some(PathBuf::from(a)),
        }
    }
    let out = out.ok_or("a folder to write to is missing")?;
    std::fs::create_dir_all(&out).map_err(|e| format!("{}: {e}", out.display()))?;
    let mut all = Vec::new();
    for fault in FAULTS
        .iter()
        .filter(|f| only.as_ref().is_none_or(|o| o == f.name))
    {
        let points = curve(fault, trials.max(1));
        eprintln!("{}: {} points", fault.name, points.len());
        all.push((fault, points));
    }
    write(&out, &all).map_err(|e| format!("{}: {e}", out.display()))
}
