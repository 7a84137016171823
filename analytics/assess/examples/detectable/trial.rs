//! Trials: a sound fleet, its numbers, and faults of just those sizes put into the rows of the days after.

#[path = "rows.rs"]
mod rows;

use analytics_detect::context::{Context, ContextRows};
use analytics_detect::fleet::{Fleet, Params, judge};
use analytics_detect::sensitivity::{Detectable, Fault, WITHIN_DAYS, Watched, of_loop};
use analytics_detect::{HourBlock, Kind, LoopRecord, Work, day_blocks, pack, unpack};
use anyhow::{Context as _, Result};
use ingest_model::{Columns, LoopEntry, Tag, UtcMicros};
use ingest_store::{Snapshot, Store};
use sample_fleet::{FleetOptions, Profile, write_site};
use std::collections::{BTreeMap, BTreeSet};
use tempfile::TempDir;

/// Days of record before the faults, and after.
pub(crate) const BEFORE: i64 = 30;
pub(crate) const AFTER: i64 = 30;

/// Trials of one fault.
#[derive(Debug, Default, Clone)]
pub(crate) struct Tally {
    pub loops: u32,
    pub blind: u32,
    pub trials: u32,
    pub found: u32,
    /// Left out: the detectors say something of that kind without any fault.
    pub noisy: u32,
    pub sizes: Vec<f64>,
}

impl Tally {
    pub(crate) fn add(&mut self, other: Self) {
        self.loops += other.loops;
        self.blind += other.blind;
        self.trials += other.trials;
        self.found += other.found;
        self.noisy += other.noisy;
        self.sizes.extend(other.sizes);
    }
}

/// By fault and days within which it is to be found.
pub(crate) type Tallies = BTreeMap<(Fault, u32), Tally>;

/// A sound fleet of the sample works in a store of its own; the folder goes with the first of the two.
pub(crate) fn fleet(seed: u64, loops: u32, period_s: f64) -> Result<(TempDir, Snapshot)> {
    let dir = tempfile::tempdir()?;
    let site = dir.path().join("fleet");
    let start = UtcMicros::parse_rfc3339("2026-06-01T00:00:00Z")?;
    let options = FleetOptions {
        loops,
        days: (BEFORE + AFTER) as u32,
        period_s,
        profile: Profile::Healthy,
        ..FleetOptions::new(seed, start)
    };
    write_site(&site, &options, &mut |_| {})?;
    let store = Store::open(&dir.path().join("store"), "detectable", UtcMicros(0))?;
    store.import_site(&site.join("site"), UtcMicros(0), &mut |_| {})?;
    let snapshot = store.reader().snapshot()?;
    Ok((dir, snapshot))
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

/// `times` as large a fault: of errors what comes on top of the loop's own, of scatter the change.
fn scaled(d: &Detectable, size: f64, usual_failed: f64, times: f64) -> f64 {
    match d.kind {
        Kind::RisingErrors => usual_failed + times * (size - usual_failed),
        Kind::NoiseChange => size.powf(times),
        _ => times * size,
    }
}

/// Trials of every number of every loop of a sound fleet.
pub(crate) fn one_fleet(
    snapshot: &Snapshot,
    seed: u64,
    times: f64,
    tallies: &mut Tallies,
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
        // Of the whole sound record: what fails of itself goes on failing beside the fault.
        let (tried, failed) = days.rows.values().fold((0.0_f64, 0.0), |(n, k), c| {
            let bad = (0..c.len()).filter(|&i| !rows::answered(c, i)).count();
            (n + c.len() as f64, k + bad as f64)
        });
        let usual_failed: f64 = failed / tried.max(1.0);
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
        let mut sound: BTreeMap<(UtcMicros, UtcMicros), BTreeSet<Kind>> = BTreeMap::new();
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
            let put = scaled(d, size, usual_failed, times);
            let start = UtcMicros::from_day(onset_day).plus_s(if stuck {
                dice.unit() * 86_400.0
            } else {
                0.0
            });
            let lasts_s = if stuck {
                3_600.0 * put
            } else {
                86_400.0 * f64::from(d.within_days)
            };
            let to = start.plus_s(lasts_s);
            let ctx = later.get(&d.within_days).context("context")?;
            let run = |fault: Option<rows::Add>, dice: &mut rows::Dice| -> BTreeSet<Kind> {
                let mut blocks = past.clone();
                let mut state = rows::State::default();
                for (_, columns) in days.rows.range(onset_day..=to.day()) {
                    let mut c = columns.clone();
                    if let Some(fault) = fault {
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
                let open = judge(&record, ctx, &fleet, &params);
                let open = open.iter().filter(|f| f.ended.is_none());
                open.map(|f| f.kind).collect()
            };
            let said = |kinds: &BTreeSet<Kind>| {
                kinds.contains(&d.kind) || (stuck && kinds.contains(&Kind::FixedCurrent))
            };
            // Without a fault the rows are the same for all that begin and end together.
            let without = sound
                .entry((start, to))
                .or_insert_with(|| run(None, &mut dice));
            if said(without) {
                tally.noisy += 1;
                continue;
            }
            let fault = rows::Add {
                fault: d.fault,
                size: put,
                start,
                lasts_s,
                usual_pv,
                usual_failed,
            };
            tally.sizes.push(size);
            tally.trials += 1;
            tally.found += u32::from(said(&run(Some(fault), &mut dice)));
        }
    }
    Ok(())
}
