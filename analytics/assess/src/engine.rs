//! The engine: reads what is new, keeps blocks of whole days, runs the detectors.

use crate::day::Day;
use crate::trace::{Trace, TraceStep, trace};
use analytics_detect::{
    Assessment, Blocks, DayBlock, Fleet, HourBlock, LoopSource, PACK_VERSION, Params, Work, assess,
    unpack,
};
use ingest_model::{LoopEntry, Tag, UtcMicros};
use ingest_store::{Register, Rollups, Snapshot, StoreError};
use std::collections::BTreeMap;
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
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settings {
    pub params: Params,
}

/// Assesses snapshots of one store, one after the other.
#[derive(Debug, Default)]
pub struct Engine {
    settings: Settings,
    rollups: Option<Rollups>,
    cache: BTreeMap<i64, (String, Arc<Day>)>,
}

/// A result with what pages draw beside it.
#[derive(Debug)]
pub struct Assessed {
    pub result: Assessment,
    pub(crate) days: Vec<Arc<Day>>,
}

impl Assessed {
    /// The loop's difference, errors, scatter and status over the record; `None` for a loop without readings.
    pub fn trace(&self, tag: &Tag, step: TraceStep) -> Option<Trace> {
        let blocks = self.hour_blocks(tag);
        (!blocks.is_empty()).then(|| trace(&blocks, step))
    }

    /// The loop's hour blocks, in order of time; damaged days are left out.
    pub fn hour_blocks(&self, tag: &Tag) -> Vec<HourBlock> {
        let mut blocks: Vec<HourBlock> = Vec::new();
        for l in self.days.iter().filter_map(|d| d.loops.get(tag)) {
            let before = blocks.len();
            if unpack(&l.hours, &mut blocks).is_err() {
                blocks.truncate(before);
            }
        }
        blocks
    }

    /// The loop's day blocks, in order of time.
    pub fn day_blocks(&self, tag: &Tag) -> Vec<DayBlock> {
        self.days
            .iter()
            .filter_map(|d| DayBlock::unpack(&d.loops.get(tag)?.day).ok())
            .collect()
    }

    /// Bytes that the remembered blocks take: the memory that grows with the record.
    pub fn block_bytes(&self) -> usize {
        let all = self.days.iter().flat_map(|d| d.loops.values());
        all.map(|l| l.hours.len() + l.day.len()).sum()
    }
}

impl Engine {
    pub fn new(settings: Settings) -> Self {
        Self {
            settings,
            ..Self::default()
        }
    }

    /// Keeps and finds whole days in rollup files as well, so that a restart reads blocks, not readings.
    #[must_use]
    pub fn with_rollups(mut self, rollups: Rollups) -> Self {
        self.rollups = Some(rollups);
        self
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
            // The last day still grows: it is not worth a file.
            let over = n + 1 < days.len();
            let day = match cut {
                None if over => Arc::new(self.finished_day(snapshot, register, d.day, &key)?),
                _ => Arc::new(Day::read(snapshot, register, d.day, cut)?),
            };
            if cut.is_none() {
                self.cache.insert(d.day, (key, day.clone()));
            }
            parts.push(day);
        }
        progress(1.0);
        Ok(self.analyse(snapshot, register, parts, at))
    }

    /// A day that is over: from its rollup file, else from its rows, and then kept.
    fn finished_day(
        &self,
        snapshot: &Snapshot,
        register: &Register,
        day: i64,
        key: &str,
    ) -> Result<Day, StoreError> {
        let Some(rollups) = &self.rollups else {
            return Day::read(snapshot, register, day, None);
        };
        let key = format!("{key}-{PACK_VERSION}");
        if let Some(known) = rollups.get(day, &key).and_then(|b| Day::decode(&b)) {
            return Ok(known);
        }
        let fresh = Day::read(snapshot, register, day, None)?;
        if let Err(e) = rollups.put(day, &key, &fresh.encode()) {
            tracing::warn!("{e}; the day will be read again after a restart");
        }
        Ok(fresh)
    }

    fn analyse(
        &self,
        snapshot: &Snapshot,
        register: &Register,
        parts: Vec<Arc<Day>>,
        at: Option<UtcMicros>,
    ) -> Assessed {
        let from = parts.iter().filter_map(|d| d.first).min().map(UtcMicros);
        let last = parts.iter().filter_map(|d| d.last).max().map(UtcMicros);
        let to = at.or(last).unwrap_or_default();
        let entries: Vec<&LoopEntry> = register
            .tags()
            .filter(|t| !register.is_retired(t))
            .filter_map(|t| register.at(t, to).or_else(|| register.current(t)))
            .collect();
        let loops: Vec<LoopSource<'_>> = entries
            .iter()
            .map(|entry| LoopSource {
                entry,
                blocks: Blocks::Packed {
                    days: parts
                        .iter()
                        .filter_map(|d| d.loops.get(&entry.tag).map(|l| &*l.hours))
                        .collect(),
                    from_hour: baseline(register, entry),
                },
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
        Assessed {
            result,
            days: parts,
        }
    }
}

/// First hour of the newest baseline: re-ranging or exchanging a device starts a new one.
pub(crate) fn baseline(register: &Register, now: &LoopEntry) -> i64 {
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
