//! What an assessment that has seen the history before costs: `bench_engine days STORE DAYS...` (one new day after so many),
//! `bench_engine minutes STORE DAYS...` (one new reading of every loop after so many, statistics made before),
//! `bench_engine minute STORE` (one new reading of every loop lands). One JSON object a line; read by `tests/bench/run.py`.
#![allow(clippy::print_stdout)]

use analytics_assess::{Engine, Settings};
use anyhow::{Context, bail, ensure};
use ingest_model::{Reading, Tag, UtcMicros};
use ingest_store::{Rollups, Store, StoreReader};
use std::path::Path;
use std::time::Instant;

fn main() -> anyhow::Result<()> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    match args.as_slice() {
        ["days", store, days @ ..] => {
            for d in days {
                new_day(Path::new(store), d.parse().context("DAYS is not a number")?)?;
            }
            Ok(())
        }
        ["minutes", store, days @ ..] => {
            for d in days {
                new_minutes(Path::new(store), d.parse().context("DAYS is not a number")?)?;
            }
            Ok(())
        }
        ["minute", store] => new_minute(Path::new(store)),
        _ => bail!("bench_engine days STORE DAYS... | minutes STORE DAYS... | minute STORE"),
    }
}

/// Processor time of all threads of this process, ended ones too, seconds (proc_pid_stat, fields 14 and 15; ticks of
/// 10 ms).
fn process_s() -> anyhow::Result<f64> {
    let text = std::fs::read_to_string("/proc/self/stat").context("needs Linux")?;
    let after = text.rsplit_once(')').context("no name")?.1;
    let ticks = after.split_ascii_whitespace().skip(11).take(2);
    Ok(ticks
        .map(|t| t.parse::<f64>().unwrap_or(f64::NAN))
        .sum::<f64>()
        / 100.0)
}

/// The next day when `history` days are known: what a service does each midnight, with the detectors over the whole record.
fn new_day(store: &Path, history: usize) -> anyhow::Result<()> {
    let snapshot = StoreReader::open(store)?.snapshot()?;
    let days = snapshot.days();
    ensure!(days.len() > history, "the store has too few days");
    let end = |n: usize| {
        days.get(n)
            // Not the day's last instant: its rows are then read, not found in a rollup file of an earlier round.
            .map(|d| UtcMicros::from_day(d.day).plus_us(-2))
    };
    let rollups = Rollups::new(store);
    let (mut cpu, mut wall, mut bytes) = (f64::INFINITY, f64::INFINITY, 0);
    for _ in 0..3 {
        let mut engine = Engine::new(Settings::default()).with_rollups(rollups.clone());
        engine.assess(&snapshot, end(history), &mut |_| {})?;
        let (c, w) = (process_s()?, Instant::now());
        let done = engine.assess(&snapshot, end(history + 1), &mut |_| {})?;
        (cpu, wall) = (
            cpu.min(process_s()? - c),
            wall.min(w.elapsed().as_secs_f64()),
        );
        bytes = done.block_bytes() / done.result.loops.max(1) as u64;
    }
    println!(
        "{{\"name\":\"new day\",\"history_days\":{history},\"cpu_s\":{cpu},\"wall_s\":{wall},\"state_bytes_a_loop\":{bytes}}}"
    );
    Ok(())
}

/// New readings within an hour when `history` days and half of one are known, as a service of a large fleet takes them.
fn new_minutes(store: &Path, history: usize) -> anyhow::Result<()> {
    const TIMES: i64 = 400;
    let snapshot = StoreReader::open(store)?.snapshot()?;
    let day = snapshot.days().get(history).map(|d| d.day);
    let noon =
        UtcMicros::from_day(day.context("the store has too few days")?).plus_s(12.5 * 3600.0);
    let settings = Settings {
        steps: vec![(1, 60)],
        ..Settings::default()
    };
    let mut engine = Engine::new(settings).with_rollups(Rollups::new(store));
    let settled = engine.settle(&snapshot, Some(noon), None, true, &mut |_| {})?;
    let follow = |at: UtcMicros| {
        let done = settled.follow(&snapshot, Some(at))?;
        done.context("the statistics do not fit the record")
    };
    let mut cpu = f64::INFINITY;
    for _ in 0..7 {
        let c = process_s()?;
        for second in 1..=TIMES {
            follow(noon.plus_s(second as f64))?;
        }
        cpu = cpu.min((process_s()? - c) / TIMES as f64);
    }
    let c = process_s()?;
    let done = follow(noon.plus_s(29.0 * 60.0))?;
    let turn = process_s()? - c;
    println!(
        "{{\"name\":\"new minute\",\"history_days\":{history},\"loops\":{},\"cpu_s\":{cpu},\"half_hour_cpu_s\":{turn}}}",
        done.result.loops
    );
    Ok(())
}

/// One reading of every loop lands and the fleet is assessed again.
fn new_minute(dir: &Path) -> anyhow::Result<()> {
    let (_, last) = StoreReader::open(dir)?
        .snapshot()?
        .time_range()
        .context("the store is empty")?;
    let store = Store::open(dir, "bench", last)?;
    let reader = store.reader();
    let mut engine = Engine::new(Settings::default()).with_rollups(store.rollups());
    let mut settled = engine.settle(&reader.snapshot()?, None, None, true, &mut |_| {})?;
    let first = settled.follow(&reader.snapshot()?, None)?;
    let first = first.context("the statistics do not fit the record")?;
    let tags: Vec<Tag> = reader.snapshot()?.register().tags().cloned().collect();
    let mut times = engine.times_settled();
    for minute in 1..=3 {
        let time = UtcMicros(last.0 + minute * 60_000_000);
        let rows: Vec<(Tag, Reading)> = tags
            .iter()
            .map(|t| {
                let reading = Reading {
                    reported_ma: 12.0,
                    analog_ma: 12.0,
                    response_code: Some(0),
                    ..Reading::empty(time)
                };
                (t.clone(), reading)
            })
            .collect();
        let (c, w) = (process_s()?, Instant::now());
        store.landing().append(rows)?;
        let (landed_c, landed_w) = (process_s()? - c, w.elapsed().as_secs_f64());
        let done = settled.follow(&reader.snapshot()?, None)?;
        let done = done.context("the statistics do not fit the record")?;
        let (cpu, wall) = (process_s()? - c, w.elapsed().as_secs_f64());
        // Beside it in a service.
        let (c, w) = (process_s()?, Instant::now());
        settled = engine.settle(&reader.snapshot()?, None, Some(&settled), true, &mut |_| {})?;
        println!(
            "{{\"name\":\"new minute\",\"loops\":{},\"landing_cpu_s\":{landed_c},\"landing_wall_s\":{landed_w},\"cpu_s\":{cpu},\"wall_s\":{wall},\"settled_cpu_s\":{},\"settled_wall_s\":{},\"statistics_anew\":{}}}",
            done.result.loops,
            process_s()? - c,
            w.elapsed().as_secs_f64(),
            engine.times_settled() > times,
        );
        times = engine.times_settled();
        ensure!(
            done.result.readings > first.result.readings,
            "the minute is not there"
        );
    }
    Ok(())
}
