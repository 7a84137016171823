//! Claimed against true power: what the watch says it would find, and what it finds when such faults really come.
//!
//! `detectable [--fleets 50] [--loops 24] [--period 300] [--seed 1] [--table FILE]`. For each sound fleet of the sample
//! works the numbers are made from the record up to day 30. Then a fault of just that size begins in the *rows* of the
//! days after, one loop and one fault at a time, and the detectors are run on what follows. Nine of ten should be found.
//! The second table is what the numbers cost beside an assessment.

mod rows;

use analytics_assess::{Engine, Settings, Watch};
use analytics_detect::context::{Context, ContextRows};
use analytics_detect::fleet::{Fleet, Params, judge};
use analytics_detect::sensitivity::{Fault, WITHIN_DAYS, Watched, of_loop};
use analytics_detect::{HourBlock, Kind, LoopRecord, Work, day_blocks, pack, unpack};
use anyhow::{Context as _, Result};
use ingest_model::{Columns, LoopEntry, Tag, UtcMicros};
use ingest_store::{Snapshot, Store};
use sample_fleet::{FleetOptions, Profile, write_site};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// Days of record before the faults, and after.
const BEFORE: i64 = 30;
const AFTER: i64 = 30;

/// Trials of one fault.
#[derive(Debug, Default, Clone)]
struct Tally {
    loops: u32,
    blind: u32,
    trials: u32,
    found: u32,
    /// Left out: the detectors say something of that kind without any fault.
    noisy: u32,
    sizes: Vec<f64>,
}

struct Options {
    fleets: u64,
    loops: u32,
    period_s: f64,
    seed: u64,
    table: Option<std::path::PathBuf>,
}

fn options() -> Result<Options> {
    let mut o = Options {
        fleets: 50,
        loops: 24,
        period_s: 300.0,
        seed: 1,
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
            "--table" => o.table = Some(value.into()),
            _ => anyhow::bail!("option {a} is not known"),
        }
    }
    Ok(o)
}

fn main() -> Result<()> {
    let o = options()?;
    let mut tallies: BTreeMap<(Fault, u32), Tally> = BTreeMap::new();
    let mut cost = Cost::default();
    for n in 0..o.fleets {
        let dir = tempfile::tempdir()?;
        let site = dir.path().join("fleet");
        let options = FleetOptions {
            loops: o.loops,
            days: (BEFORE + AFTER) as u32,
            period_s: o.period_s,
            profile: Profile::Healthy,
            ..FleetOptions::new(
                o.seed + n,
                UtcMicros::parse_rfc3339("2026-06-01T00:00:00Z")?,
            )
        };
        write_site(&site, &options, &mut |_| {})?;
        let store = Store::open(&dir.path().join("store"), "detectable", UtcMicros(0))?;
        store.import_site(&site.join("site"), UtcMicros(0), &mut |_| {})?;
        let snapshot = store.reader().snapshot()?;
        one_fleet(&snapshot, o.seed + n, &mut tallies)?;
        cost.add(&snapshot)?;
        eprintln!("fleet {} of {}", n + 1, o.fleets);
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

/// One loop's rows and blocks by day.
#[derive(Default)]
struct Days {
    rows: BTreeMap<i64, Columns>,
    blocks: BTreeMap<i64, Vec<HourBlock>>,
}

/// Blocks as the engine keeps them: packed and unpacked.
fn kept(entry: &LoopEntry, rows: &Columns) -> Vec<HourBlock> {
    let mut out = Vec::new();
    let fresh = day_blocks(entry, &rows.series());
    // A block that does not unpack would be left out by the engine too.
    if unpack(&pack(&fresh), &mut out).is_err() {
        out.clear();
    }
    out
}

fn read(snapshot: &Snapshot) -> Result<(Vec<LoopEntry>, BTreeMap<Tag, Days>)> {
    let register = snapshot.register();
    let entries: Vec<LoopEntry> = register
        .tags()
        .filter_map(|t| register.current(t).cloned())
        .collect();
    let mut loops: BTreeMap<Tag, Days> = BTreeMap::new();
    for d in snapshot.days() {
        snapshot.read_day(d.day, &mut |tag, columns| {
            if let Some(e) = register
                .at(tag, UtcMicros::from_day(d.day))
                .or_else(|| register.current(tag))
            {
                let days = loops.entry(tag.clone()).or_default();
                days.blocks.insert(d.day, kept(e, &columns));
                days.rows.insert(d.day, columns);
            }
            Ok(())
        })?;
    }
    Ok((entries, loops))
}

fn context(entries: &[LoopEntry], loops: &BTreeMap<Tag, Days>, until: i64) -> Context {
    let rows: Vec<ContextRows> = entries
        .iter()
        .filter_map(|entry| {
            let blocks = before(loops.get(&entry.tag)?, until);
            Some(ContextRows::of(&LoopRecord {
                entry,
                blocks: &blocks,
            }))
        })
        .collect();
    Context::join(&rows)
}

/// Blocks of the days before `until`.
fn before(days: &Days, until: i64) -> Vec<HourBlock> {
    days.blocks
        .range(..until)
        .flat_map(|(_, b)| b.iter().cloned())
        .collect()
}

fn one_fleet(
    snapshot: &Snapshot,
    seed: u64,
    tallies: &mut BTreeMap<(Fault, u32), Tally>,
) -> Result<()> {
    let (entries, loops) = read(snapshot)?;
    let first = snapshot.days().first().context("no day")?.day;
    let onset_day = first + BEFORE;
    let work: Vec<Work> = snapshot
        .work()
        .iter()
        .map(|w| Work {
            tag: w.tag.clone(),
            from: w.from,
            to: w.to,
        })
        .collect();
    let known = context(&entries, &loops, onset_day);
    let later: BTreeMap<u32, Context> = WITHIN_DAYS
        .iter()
        .map(|n| (*n, context(&entries, &loops, onset_day + i64::from(*n))))
        .collect();
    let params = Params::default();
    for entry in entries.iter().filter(|e| !e.multidrop) {
        // A loop that was given another range has its own baseline: left out of this comparison.
        if snapshot.register().entries(&entry.tag).len() > 1 {
            continue;
        }
        let Some(days) = loops.get(&entry.tag) else {
            continue;
        };
        let past = before(days, onset_day);
        let (count, sum) = days
            .rows
            .range(..onset_day)
            .flat_map(|(_, c)| &c.pv)
            .filter(|v| v.is_finite())
            .fold((0.0, 0.0), |(n, s), v| (n + 1.0, s + v));
        let usual_pv: f64 = sum / count;
        let watch = of_loop(&Watched {
            record: LoopRecord {
                entry,
                blocks: &past,
            },
            context: &known,
            to: UtcMicros::from_day(onset_day),
            work: &work,
            findings: &[],
        });
        for d in &watch.numbers {
            let tally = tallies.entry((d.fault, d.within_days)).or_default();
            tally.loops += 1;
            let Some(size) = d.size else {
                tally.blind += 1;
                continue;
            };
            let mut dice = rows::Dice::new(
                seed,
                entry.tag.as_str(),
                d.fault as u64 + 100 * u64::from(d.within_days),
            );
            let stuck = d.kind == Kind::StuckValue;
            let start = UtcMicros::from_day(onset_day).plus_s(if stuck {
                dice.unit() * 86_400.0
            } else {
                0.0
            });
            let lasts_s = if stuck {
                3_600.0 * size
            } else {
                86_400.0 * f64::from(d.within_days)
            };
            let to = start.plus_s(lasts_s);
            let ctx = later.get(&d.within_days).context("context")?;
            let run = |with: bool, dice: &mut rows::Dice| {
                let mut blocks = past.clone();
                let mut state = rows::State::default();
                for (_, columns) in days.rows.range(onset_day..=to.day()) {
                    let mut c = columns.clone();
                    if with {
                        let fault = rows::Add {
                            fault: d.fault,
                            size,
                            start,
                            lasts_s,
                            usual_pv,
                        };
                        fault.apply(entry, &mut c, &mut state, dice);
                    }
                    let n = c.time.partition_point(|t| *t < to.0);
                    let mut cut = Columns::default();
                    cut.extend_rows_of(&c, &(0..n as u32).collect::<Vec<_>>());
                    if n > 0 {
                        blocks.extend(kept(entry, &cut));
                    }
                }
                let fleet = Fleet {
                    loops: Vec::new(),
                    from: Some(UtcMicros::from_day(first)),
                    to,
                    work: work.clone(),
                    readings: 0,
                    rejected: 0,
                };
                let record = LoopRecord {
                    entry,
                    blocks: &blocks,
                };
                judge(&record, ctx, &fleet, &params).iter().any(|f| {
                    let same = f.kind == d.kind || (stuck && f.kind == Kind::FixedCurrent);
                    same && f.ended.is_none()
                })
            };
            if run(false, &mut dice) {
                tally.noisy += 1;
                continue;
            }
            tally.sizes.push(size);
            tally.trials += 1;
            tally.found += u32::from(run(true, &mut dice));
        }
    }
    Ok(())
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

fn tables(o: &Options, tallies: &BTreeMap<(Fault, u32), Tally>, cost: &Cost) -> String {
    let mut t = String::new();
    let _ = writeln!(
        t,
        "# A number for every silence: claimed against true\n\nMade by `make detectable` (analytics/assess/examples/detectable): {} sound fleets of {} loops, one poll in {:.0} s, seeds from {}. \
         The numbers are made from {BEFORE} days of record; then a fault of that size begins in the rows of the days after, one loop and one fault at a time. Claimed is 90 % found. \
         A fault counts as found when an open finding of its kind stands at the end of the days (hours for a value that stops).\n",
        o.fleets, o.loops, o.period_s, o.seed
    );
    let _ = writeln!(
        t,
        "| fault | within | loops | blind | median size | trials | found | of 100 |\n| --- | --- | --- | --- | --- | --- | --- | --- |"
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
        let share = 100.0 * f64::from(k.found) / f64::from(k.trials.max(1));
        let _ = writeln!(
            t,
            "| {} | {within} | {} | {} | {size} | {} | {} | {share:.1} |",
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
         Processor time over the same fleets ({} loops, {} days each).\n\n\
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
