//! The engine: reads what is new, keeps blocks of whole days, runs the detectors.

use crate::day::Day;
use crate::trace::{Trace, TraceStep, trace};
use analytics_detect::{
    Assessment, Blocks, DayBlock, Evidence, Finding, Fleet, HourBlock, LoopSource, PACK_VERSION, Params, Work, assess,
    unpack,
};
use ingest_model::{LoopEntry, Tag, UtcMicros};
use ingest_store::{Baseline, Register, Rollups, Snapshot, StoreError};
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
        let baselines: BTreeMap<&Tag, Baseline> = entries
            .iter()
            .filter_map(|e| Some((&e.tag, register.baseline_at(&e.tag, to)?)))
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
                    from: baselines.get(&entry.tag).map_or(i64::MIN, |b| b.from.0),
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
        let mut result = assess(&fleet, &self.settings.params);
        for row in &mut result.attention {
            if let Some(baseline) = baselines.get(&row.tag) {
                for f in &mut row.findings {
                    say_baseline(f, baseline);
                }
            }
        }
        Assessed {
            result,
            days: parts,
        }
    }
}

/// A finding says since when the loop's history counts, and why.
fn say_baseline(f: &mut Finding, baseline: &Baseline) {
    // What was before is no evidence: the onset lies at its begin at the earliest.
    for t in [&mut f.onset, &mut f.onset_low, &mut f.onset_high] {
        *t = (*t).max(baseline.from);
    }
    let mut say = |name, text: String| f.evidence.insert(name, Evidence::Text(text));
    say("baseline_from", baseline.from.to_rfc3339());
    say("baseline_reason", baseline.reason.as_str().to_owned());
    if let Some(until) = baseline.note.as_ref().and_then(|n| n.until) {
        say("baseline_until", until.to_rfc3339());
    }
}
