//! Claimed against true power: what the watch says it would find, and what it finds when such faults really come.
//!
//! `detectable [--fleets 50] [--loops 24] [--period 300] [--seed 1] [--times 1] [--table FILE]`. For each sound fleet of the sample
//! works the numbers are made from the record up to day 30. Then a fault of just that size begins in the *rows* of the
//! days after, one loop and one fault at a time, and the detectors are run on what follows. Nine of ten should be found.
//! The second table is what the numbers cost beside an assessment.

mod trial;

use analytics_assess::{Engine, Settings, Watch};
use analytics_detect::Kind;
use analytics_detect::pooling::share;
use anyhow::{Context as _, Result};
use ingest_model::UtcMicros;
use ingest_store::Snapshot;
use std::fmt::Write as _;
use std::sync::atomic::{AtomicU64, Ordering};
use trial::{AFTER, BEFORE, Tallies};

/// Fleets whose cost is measured.
const COST_FLEETS: u64 = 8;

struct Options {
    fleets: u64,
    loops: u32,
    period_s: f64,
    seed: u64,
    /// The faults put in, as a multiple of the size that is claimed.
    times: f64,
    table: Option<std::path::PathBuf>,
}

fn options() -> Result<Options> {
    let mut o = Options {
        fleets: 50,
        loops: 24,
        period_s: 300.0,
        seed: 1,
        times: 1.0,
        table: None,
    };
    let mut args = std::env::args().skip(1);
    while let Some(a) = args.next() {
        let value = args.next().with_context(|| format!("{a} needs a value"))?;
        match a.as_str() {
            "--fleets" => o.fleets = value.parse()?,
            "--loops" => o.loops = value.parse()?,
            "--period" => o.period_s = value.parse()?,
            "--seed" => o.seed = value.parse()?,
            "--times" => o.times = value.parse()?,
            "--table" => o.table = Some(value.into()),
            _ => anyhow::bail!("option {a} is not known"),
        }
    }
    Ok(o)
}

fn main() -> Result<()> {
    let o = options()?;
    let tallies = trials(&o)?;
    // One at a time: it is the process's own time that is measured.
    let mut cost = Cost::default();
    for n in 0..o.fleets.min(COST_FLEETS) {
        let (_dir, snapshot) = trial::fleet(o.seed + n, o.loops, o.period_s)?;
        cost.add(&snapshot)?;
    }
    let text = tables(&o, &tallies, &cost);
    match &o.table {
        Some(file) => std::fs::write(file, text)?,
        None => {
            use std::io::Write as _;
            std::io::stdout().write_all(text.as_bytes())?;
        }
    }
    Ok(())
}

/// Trials of all fleets, on all cores.
fn trials(o: &Options) -> Result<Tallies> {
    let (next, done) = (AtomicU64::new(0), AtomicU64::new(0));
    let work = || -> Result<Tallies> {
        let mut mine = Tallies::new();
        loop {
            let n = next.fetch_add(1, Ordering::Relaxed);
            if n >= o.fleets {
                return Ok(mine);
            }
            let seed = o.seed + n;
            let (_dir, snapshot) = trial::fleet(seed, o.loops, o.period_s)?;
            trial::one_fleet(&snapshot, seed, o.times, &mut mine)?;
            let ready = 1 + done.fetch_add(1, Ordering::Relaxed);
            eprintln!("{ready} of {} fleets", o.fleets);
        }
    };
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|s| {
        let threads: Vec<_> = (0..cores).map(|_| s.spawn(work)).collect();
        let mut all = Tallies::new();
        for t in threads {
            let part = t
                .join()
                .map_err(|_| anyhow::anyhow!("a thread panicked"))??;
            for (key, tally) in part {
                all.entry(key).or_default().add(tally);
            }
        }
        Ok(all)
    })
}

/// Processor time of this process so far, all threads (proc(5): fields 14 and 15 of `stat`, in hundredths).
fn cpu_s() -> Result<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat").context("read /proc/self/stat")?;
    let after = stat.rsplit(')').next().unwrap_or_default();
    let ticks = |n: usize| -> Result<f64> {
        let field = after.split_whitespace().nth(n).context("a field of stat")?;
        Ok(field.parse::<f64>()?)
    };
    Ok((ticks(11)? + ticks(12)?) / 100.0)
}

/// Seconds of processor time, by what was done.
#[derive(Debug, Default)]
struct Cost {
    rows_s: f64,
    kept_s: f64,
    watch_s: f64,
    again_s: f64,
    loops: usize,
}

impl Cost {
    fn add(&mut self, snapshot: &Snapshot) -> Result<()> {
        let mut engine = Engine::new(Settings::default());
        let time = |work: &mut dyn FnMut() -> Result<()>| -> Result<f64> {
            let began = cpu_s()?;
            work()?;
            Ok(cpu_s()? - began)
        };
        let mut assessed = None;
        self.rows_s += time(&mut || {
            assessed = Some(engine.assess(snapshot, None, &mut |_| {})?);
            Ok(())
        })?;
        self.kept_s += time(&mut || {
            assessed = Some(engine.assess(snapshot, None, &mut |_| {})?);
            Ok(())
        })?;
        let assessed = assessed.context("assessed")?;
        let mut watch = Watch::default();
        self.watch_s += time(&mut || {
            self.loops += watch.run(&assessed, snapshot, &|| true).renewed;
            Ok(())
        })?;
        self.again_s += time(&mut || {
            watch.run(&assessed, snapshot, &|| true);
            Ok(())
        })?;
        Ok(())
    }
}

fn tables(o: &Options, tallies: &Tallies, cost: &Cost) -> String {
    let mut t = String::new();
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    let now = UtcMicros(0).plus_s(now.map_or(0.0, |d| d.as_secs_f64()));
    let today = &now.to_rfc3339()[..10];
    let _ = writeln!(
        t,
        "# A number for every silence: claimed against true\n\nMade by `make detectable` (analytics/assess/examples/detectable) on {today} with `detectable{}`: {} sound fleets of {} loops, one poll in {:.0} s, seeds from {}. \
         The numbers are made from {BEFORE} days of record; then a fault of that size begins in the rows of the days after, one loop and one fault at a time. Claimed is 90 % found. \
         A fault counts as found when an open finding of its kind stands at the end of the days (hours for a value that stops). \
         The interval is Wilson's for a share, each trial taken by itself.{}\n",
        std::env::args()
            .skip(1)
            .fold(String::new(), |all, a| all + " " + &a),
        o.fleets,
        o.loops,
        o.period_s,
        o.seed,
        if o.times == 1.0 {
            String::new()
        } else {
            format!(" Here {} times that size was put in.", o.times)
        }
    );
    let _ = writeln!(
        t,
        "| fault | within | loops | blind | median size | trials | found | of 100 | 95 % interval |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- |"
    );
    for ((fault, days), k) in tallies {
        let mut sizes = k.sizes.clone();
        sizes.sort_by(f64::total_cmp);
        let median = sizes.get(sizes.len() / 2).copied().unwrap_or(f64::NAN);
        let (size, within) = match fault.kind() {
            Kind::AnalogDigitalDrift => (format!("{median:.2} % of span"), format!("{days} days")),
            Kind::StuckValue => (format!("{median:.0} h"), "that time".to_owned()),
            Kind::RisingErrors => (
                format!("{:.2} % failed", 100.0 * median),
                format!("{days} days"),
            ),
            _ => (format!("{median:.2} times"), format!("{days} days")),
        };
        let share = share(u64::from(k.found), u64::from(k.trials)).map_or_else(
            || "- | -".to_owned(),
            |s| {
                let of_100 = [s.value, s.low, s.high].map(|v| 100.0 * v);
                format!("{:.1} | {:.1} to {:.1}", of_100[0], of_100[1], of_100[2])
            },
        );
        let _ = writeln!(
            t,
            "| {} | {within} | {} | {} | {size} | {} | {} | {share} |",
            fault.as_str(),
            k.loops,
            k.blind,
            k.trials,
            k.found
        );
    }
    let noisy: u32 = tallies.values().map(|k| k.noisy).sum();
    let _ = writeln!(
        t,
        "\nLeft out: {noisy} trials in which the detectors say something of that kind without a fault.\n\n## Cost\n\n\
         Processor time over the first of these fleets ({} loops, {} days each).\n\n\
         | work | seconds |\n| --- | --- |\n| assessment from the rows | {:.1} |\n| assessment from remembered days | {:.1} |\n\
         | numbers of all loops | {:.1} |\n| numbers again, nothing changed | {:.2} |\n\nRatio to an assessment from the rows: {:.2}.",
        cost.loops,
        BEFORE + AFTER,
        cost.rows_s,
        cost.kept_s,
        cost.watch_s,
        cost.again_s,
        cost.watch_s / cost.rows_s.max(1e-9)
    );
    t
}
