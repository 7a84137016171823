//! Imports a site folder into a new store and says how fast, and how much memory the process had at most:
//! `import_speed SITE STORE [MEMORY_MB]`.
#![allow(clippy::print_stdout)]

use ingest_model::UtcMicros;
use ingest_store::{ImportOptions, Store};
use std::path::Path;
use std::time::Instant;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().collect();
    let [_, site, dir, memory @ ..] = args.as_slice() else {
        return Err("wanted: SITE STORE [MEMORY_MB]".into());
    };
    let mut options = ImportOptions::default();
    if let Some(memory) = memory.first() {
        options.memory_bytes = memory.parse::<u64>()? << 20;
    }
    let now = UtcMicros(1_800_000_000_000_000);
    let store = Store::open(Path::new(dir), "import_speed", now)?;
    let start = Instant::now();
    let report = store.import_site_with(Path::new(site), now, options, &mut |_| {})?;
    let seconds = start.elapsed().as_secs_f64();
    println!(
        "{} readings, {} repeats, {} rejects\nimport {seconds:.2} s, {:.0} rows/s",
        report.readings,
        report.repeats,
        report.rejects,
        report.rows_read as f64 / seconds
    );
    if let Ok(status) = std::fs::read_to_string("/proc/self/status") {
        let peak = status.lines().find(|l| l.starts_with("VmHWM"));
        println!("{}", peak.unwrap_or("no VmHWM"));
    }
    let snapshot = store.reader().snapshot()?;
    let start = Instant::now();
    let mut rows = 0;
    for day in snapshot.days() {
        snapshot.read_day(day.day, &mut |_, columns| {
            rows += columns.len();
            Ok(())
        })?;
    }
    let seconds = start.elapsed().as_secs_f64();
    println!(
        "read {rows} rows in {seconds:.2} s, {:.0} rows/s",
        rows as f64 / seconds
    );
    if let (Some((from, to)), Some(tag)) =
        (snapshot.time_range(), snapshot.register().tags().nth(7))
    {
        let start = Instant::now();
        let one = snapshot.read_loop(tag, from, to)?;
        println!(
            "one loop, {} rows of all days: {:.1} ms",
            one.len(),
            start.elapsed().as_secs_f64() * 1e3
        );
    }
    Ok(())
}
