//! What single parts of the program cost, one figure a line as JSON: `bench codec | landing DIR | compact STORE`; and for counting
//! instructions, `bench kernel NAME TIMES` (`bench kernels` names them). Read by `tests/bench/run.py` and
//! `.ci/instructions`.
#![allow(clippy::print_stdout)]

use anyhow::{Context, bail};
use ingest_model::UtcMicros;
use ingest_store::Store;
use std::path::Path;
use std::time::{Duration, Instant};

mod codec;
mod kernels;
mod landing;

fn main() -> anyhow::Result<()> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    match args.as_slice() {
        ["codec"] => codec::run(20_000_000),
        ["codec", "quick"] => codec::run(1_000_000),
        ["landing", dir] => landing::run(dir.as_ref(), 100),
        ["landing", dir, "quick"] => landing::run(dir.as_ref(), 10),
        ["compact", store] => compact(store.as_ref()),
        ["kernels"] => {
            for (name, times) in kernels::ALL {
                println!("{name} {times}");
            }
            Ok(())
        }
        ["kernel", name, times] => {
            let times = times.parse().context("TIMES is not a number")?;
            kernels::run(name, times)
        }
        _ => bail!("bench codec | landing DIR | compact STORE | kernels | kernel NAME TIMES"),
    }
}

/// Writes every day of a store but the newest in the compact layout; bytes a reading before and after.
fn compact(store: &Path) -> anyhow::Result<()> {
    let far = UtcMicros(i64::MAX / 2);
    let store = Store::open(store, "bench", far)?;
    let (cpu, began) = (process_s()?, Instant::now());
    let done = store.compact_days_older_than(Duration::ZERO, usize::MAX, far)?;
    let (cpu, wall) = (process_s()? - cpu, began.elapsed().as_secs_f64());
    say("compact", done.rows, cpu, wall);
    let [before, after] = [done.bytes_before, done.bytes].map(|b| b as f64 / done.rows as f64);
    println!("{{\"name\":\"compact size\",\"before\":{before:.3},\"after\":{after:.3}}}");
    Ok(())
}

/// Processor time of this thread, seconds (proc_pid_schedstat: the first number is nanoseconds on a processor).
fn thread_s() -> anyhow::Result<f64> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").context("needs Linux")?;
    let ns = text.split_ascii_whitespace().next().context("no number")?;
    Ok(ns.parse::<f64>()? / 1e9)
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

/// One figure: what it is, how much was done, processor seconds, wall seconds.
fn say(name: &str, done: u64, cpu_s: f64, wall_s: f64) {
    println!("{{\"name\":\"{name}\",\"done\":{done},\"cpu_s\":{cpu_s},\"wall_s\":{wall_s}}}");
}
