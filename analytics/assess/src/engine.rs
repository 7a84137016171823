//! The engine: reads what is new, keeps blocks of whole days, runs the detectors.

use crate::trace::{Trace, TraceStep, trace};
use analytics_detect::{
    Assessment, Fleet, HourBlock, LoopRecord, Params, Work, assess, day_blocks,
};
use ingest_model::{Columns, LoopEntry, Tag, UtcMicros};
use ingest_store::{Register, Snapshot, StoreError};
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

/// What an assessment can fail for.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum AssessError {
    #[error("read the store: {0}")]
    Store(#[from] StoreError),
    #[error("write the table: {0}")]
    Table(String),
}

/// Settings of the engine.
#[derive(Clone, Debug, Default)]
pub struct Settings {
    pub params: Params,
}

/// Blocks of one day, by loop.
#[derive(Debug, Default)]
struct Day {
    blocks: HashMap<Tag, Vec<HourBlock>>,
    readings: u64,
    first: Option<i64>,
    last: Option<i64>,
}

/// Assesses snapshots of one store, one after the other.
#[derive(Debug, Default)]
pub struct Engine {
    settings: Settings,
    cache: BTreeMap<i64, (String, Arc<Day>)>,
}

/// A result with what pages draw beside it.
#[derive(Debug)]
pub struct Assessed {
    pub result: Assessment,
    blocks: HashMap<Tag, Vec<HourBlock>>,
}

impl Assessed {
    /// The loop's difference, errors, scatter and status over the record; `None` for a loop without readings.
    pub fn trace(&self, tag: &Tag, step: TraceStep) -> Option<Trace> {
        self.blocks
            .get(tag)
            .filter(|b| !b.is_empty())
            .map(|b| trace(b, step))
    }
}

impl Engine {
    pub fn new(settings: Settings) -> Self {
        Self {
            settings,
            cache: BTreeMap::new(),
        }
    }

    /// Ranks the fleet as of `at` (`None` = the last reading). `progress` is told the share of days read.
    ///
    /// # Errors
    /// When the store cannot be read; the cache stays usable.
    pub fn assess(
        &mut self,
        snapshot: &Snapshot,
        at: Option<UtcMicros>,
        progress: &mut dyn FnMut(f64),
    ) -> Result<Assessed, AssessError> {
        let register = snapshot.register();
        let version = register.version();
        let days = snapshot.days();
        self.cache
            .retain(|day, _| days.iter().any(|d| d.day == *day));
        let mut parts: Vec<Arc<Day>> = Vec::new();
        for (n, d) in days.iter().enumerate() {
            progress(n as f64 / days.len() as f64);
            if at.is_some_and(|t| UtcMicros::from_day(d.day) > t) {
                break;
            }
            // A day that `at` cuts is read afresh and not kept.
            let cut = at.filter(|t| t.day() == d.day);
            let key = format!("{}/{version}", d.key);
            if cut.is_none()
                && let Some((known, day)) = self.cache.get(&d.day)
                && *known == key
            {
                parts.push(day.clone());
                continue;
            }
            let day = Arc::new(read_day(snapshot, register, d.day, cut)?);
            if cut.is_none() {
                self.cache.insert(d.day, (key, day.clone()));
            }
            parts.push(day);
        }
        progress(1.0);
        Ok(self.analyse(snapshot, register, &parts, at))
    }

    fn analyse(
        &self,
        snapshot: &Snapshot,
        register: &Register,
        parts: &[Arc<Day>],
        at: Option<UtcMicros>,
    ) -> Assessed {
        let mut blocks: HashMap<Tag, Vec<HourBlock>> = HashMap::new();
        for day in parts {
            for (tag, b) in &day.blocks {
                blocks
                    .entry(tag.clone())
                    .or_default()
                    .extend(b.iter().cloned());
            }
        }
        let from = parts.iter().filter_map(|d| d.first).min().map(UtcMicros);
        let last = parts.iter().filter_map(|d| d.last).max().map(UtcMicros);
        let to = at.or(last).unwrap_or_default();
        let entries: Vec<&LoopEntry> = register
            .tags()
            .filter(|t| !register.is_retired(t))
            .filter_map(|t| register.at(t, to).or_else(|| register.current(t)))
            .collect();
        let none: Vec<HourBlock> = Vec::new();
        let loops: Vec<LoopRecord<'_>> = entries
            .iter()
            .map(|entry| {
                let all = blocks.get(&entry.tag).unwrap_or(&none);
                let baseline = baseline(register, entry);
                let start = all.partition_point(|b| b.hour < baseline);
                LoopRecord {
                    entry,
                    blocks: &all[start..],
                }
            })
            .collect();
        let work = snapshot
            .work()
            .iter()
            .map(|w| Work {
                tag: w.tag.clone(),
                from: w.from,
                to: w.to,
            })
            .collect();
        let fleet = Fleet {
            loops,
            from,
            to,
            work,
            readings: parts.iter().map(|d| d.readings).sum(),
            rejected: snapshot.rejected(),
        };
        let result = assess(&fleet, &self.settings.params);
        Assessed { result, blocks }
    }
}

/// First hour of the newest baseline: re-ranging or exchanging a device starts a new one.
fn baseline(register: &Register, now: &LoopEntry) -> i64 {
    let mut hour = i64::MIN;
    let mut before: Option<&LoopEntry> = None;
    for e in register.entries(&now.tag) {
        if let Some(b) = before
            && (b.range != e.range || (b.device_id.is_some() && b.device_id != e.device_id))
            && let Some(t) = e.valid_from
        {
            hour = t.hour();
        }
        before = Some(e);
        if e == now {
            break;
        }
    }
    hour
}

fn read_day(
    snapshot: &Snapshot,
    register: &Register,
    day: i64,
    cut: Option<UtcMicros>,
) -> Result<Day, StoreError> {
    let mut out = Day::default();
    snapshot.read_day(day, &mut |tag, columns| {
        let n = cut.map_or(columns.len(), |t| {
            columns.time.partition_point(|x| *x <= t.0)
        });
        if n == 0 {
            return Ok(());
        }
        out.readings += n as u64;
        out.first = out
            .first
            .into_iter()
            .chain(columns.time.first().copied())
            .min();
        out.last = out
            .last
            .into_iter()
            .chain(columns.time.get(n - 1).copied())
            .max();
        let blocks = blocks_of(register, tag, &columns, n);
        if !blocks.is_empty() {
            out.blocks.insert(tag.clone(), blocks);
        }
        Ok(())
    })?;
    Ok(out)
}

/// Blocks of one loop's day, each stretch by the register entry in force.
fn blocks_of(register: &Register, tag: &Tag, columns: &Columns, n: usize) -> Vec<HourBlock> {
    let entries = register.entries(tag);
    let mut out = Vec::new();
    let mut from = 0;
    while from < n {
        let time = UtcMicros(columns.time[from]);
        let Some(entry) = register.at(tag, time).or_else(|| entries.first()) else {
            return out;
        };
        // Until the next entry takes over.
        let next = entries
            .iter()
            .filter_map(|e| e.valid_from)
            .filter(|t| *t > time)
            .min();
        let to = next
            .map_or(n, |t| columns.time[..n].partition_point(|x| *x < t.0))
            .max(from + 1);
        out.extend(day_blocks(entry, &columns.slice(from, to)));
        from = to;
    }
    out
}
