//! The engine: reads what is new, keeps blocks of whole days, runs the detectors.
//!
//! Blocks of finished days are in rollup files; of these as many are held in memory as the settings allow, the newest
//! first, and the others are read loop by loop. With the record grows only what one unpacked loop takes on each core.

use crate::day::{Day, Target};
use crate::live::CutDay;
use crate::trace::{Trace, TraceStep, trace};
use analytics_detect::{
    Assessment, Blocks, DayBlock, Evidence, Finding, Fleet, HourBlock, LoopSource, PACK_VERSION,
    PackError, PackedDays, Params, Work, assess, unpack,
};
use ingest_model::{LoopEntry, Tag, UtcMicros};
use ingest_store::{Baseline, Register, RollupWriter, Rollups, Snapshot, Spill, StoreError};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, PoisonError};

/// What an assessment can fail for.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum AssessError {
    #[error("read the store: {0}")]
    Store(#[from] StoreError),
    #[error("write the table: {0}")]
    Table(String),
    #[error("follow a record that is small enough to be assessed as a whole")]
    Small,
    #[error(
        "read the blocks of {0} again and again: something removes or damages the files in rollups/"
    )]
    Blocks(String),
}

/// Settings of the engine.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    pub params: Params,
    /// Bytes of blocks that are held in memory at most, about 9 kB a loop and day; the rest is read from files.
    pub memory_bytes: u64,
    /// From so many loops times days on the statistics of a growing record are made every so many minutes
    /// ([`Engine::settle`]); in rising order.
    pub steps: Vec<(usize, i64)>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            params: Params::default(),
            memory_bytes: 1 << 30,
            // Each step costs about one percent of a core at most: 20,000 loop-days take a second.
            steps: vec![(1_000, 1), (20_000, 5), (100_000, 60)],
        }
    }
}

/// How often an assessment is begun again because kept blocks could not be read.
pub(crate) const ATTEMPTS: usize = 4;

/// Assesses snapshots of one store, one after the other.
#[derive(Debug, Default)]
pub struct Engine {
    pub(crate) settings: Settings,
    pub(crate) room: Room,
    cache: BTreeMap<i64, (String, Arc<Day>)>,
    /// The day that is not over, as [`Engine::settle`] last saw it.
    pub(crate) cut: Option<CutDay>,
    pub(crate) times_settled: u64,
}

/// Where fresh blocks go.
#[derive(Debug, Clone)]
pub(crate) struct Room {
    memory_bytes: u64,
    rollups: Option<Rollups>,
}

impl Default for Room {
    fn default() -> Self {
        Self {
            memory_bytes: Settings::default().memory_bytes,
            rollups: None,
        }
    }
}

impl Room {
    /// The rows of a day, from `from` up to and with `cut`, into memory, as far as `before` leaves room, else into a file
    /// without a name.
    pub(crate) fn fresh(
        &self,
        snapshot: &Snapshot,
        from: UtcMicros,
        cut: Option<UtcMicros>,
        before: &[Part],
        spill: &mut Option<Spill>,
    ) -> Result<Day, StoreError> {
        let held: u64 = before.iter().map(|p| p.blocks.held_bytes()).sum();
        let target = Target::Memory {
            at_most: self.memory_bytes.saturating_sub(held),
            begin: &mut || begin(spill, self.rollups.as_ref()),
        };
        Day::read(snapshot, from, cut, target)
    }
}

/// A day of the snapshot and what is remembered of it.
#[derive(Debug, Clone)]
pub(crate) struct Part {
    pub day: i64,
    /// `None` of a day that is cut: it is not kept with the whole ones.
    pub key: Option<String>,
    pub blocks: Arc<Day>,
}

impl Part {
    pub(crate) fn cut(day: i64, blocks: Day) -> Self {
        Self {
            day,
            key: None,
            blocks: Arc::new(blocks),
        }
    }
}

/// A result with what pages draw beside it.
#[derive(Debug)]
pub struct Assessed {
    pub result: Assessment,
    /// Up to when the statistics count, where that is not the end of the record ([`Settings::steps`]).
    pub statistics_to: Option<UtcMicros>,
    pub(crate) days: Vec<Arc<Day>>,
}

fn each_day(days: &[Arc<Day>], tag: &Tag, mut look: impl FnMut(&crate::day::LoopDay<'_>)) {
    for d in days {
        match d.of(tag) {
            Ok(Some(l)) => look(&l),
            Ok(None) => {}
            Err(_) => tracing::warn!(
                "the blocks of {tag} of one day are gone from rollups/ since the assessment; the next makes them anew"
            ),
        }
    }
}

fn day_blocks_of(days: &[Arc<Day>], tag: &Tag) -> Vec<DayBlock> {
    let mut blocks: Vec<DayBlock> = Vec::new();
    // The newest may come in pieces: up to a full hour, up to a minute, and from then on.
    let newest = days.last().and_then(|d| d.last).map(|t| UtcMicros(t).day());
    let mut hours: Vec<HourBlock> = Vec::new();
    each_day(days, tag, |l| {
        let Ok(block) = DayBlock::unpack(l.day()) else {
            return;
        };
        let before = hours.len();
        if Some(block.day) == newest && unpack(l.hours(), &mut hours).is_err() {
            hours.truncate(before);
        }
        let second = blocks.pop_if(|b| b.day == block.day).is_some();
        let whole = second.then(|| DayBlock::of(&hours)).flatten();
        blocks.push(whole.unwrap_or(block));
    });
    blocks
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
        each_day(&self.days, tag, |l| {
            let before = blocks.len();
            if unpack(l.hours(), &mut blocks).is_err() {
                blocks.truncate(before);
            }
        });
        blocks
    }

    /// The loop's day blocks from a day (counted from 1970, UTC) on.
    pub fn newest_day_blocks(&self, tag: &Tag, first: i64) -> Vec<DayBlock> {
        let from = self
            .days
            .partition_point(|d| d.last.is_some_and(|t| UtcMicros(t).day() < first));
        day_blocks_of(&self.days[from..], tag)
    }

    /// The loop's day blocks, in order of time.
    pub fn day_blocks(&self, tag: &Tag) -> Vec<DayBlock> {
        day_blocks_of(&self.days, tag)
    }

    /// Bytes that the remembered blocks take, in memory and in files.
    pub fn block_bytes(&self) -> u64 {
        self.days.iter().map(|d| d.bytes()).sum()
    }

    /// Of those, bytes in memory.
    pub fn held_bytes(&self) -> u64 {
        self.days.iter().map(|d| d.held_bytes()).sum()
    }
}

impl Engine {
    pub fn new(settings: Settings) -> Self {
        let room = Room {
            memory_bytes: settings.memory_bytes,
            rollups: None,
        };
        Self {
            settings,
            room,
            ..Self::default()
        }
    }

    /// Keeps and finds whole days in rollup files as well, so that a restart reads blocks, not readings.
    #[must_use]
    pub fn with_rollups(mut self, rollups: Rollups) -> Self {
        self.room.rollups = Some(rollups);
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
        // Days whose files could not be read: from their rows.
        let mut anew = BTreeSet::new();
        for _ in 0..ATTEMPTS {
            let parts = self.gather(snapshot, at, &anew, progress)?;
            let (done, lost) = self.analyse(snapshot, &parts, at);
            if lost.is_empty() {
                return Ok(done);
            }
            self.forget(&lost);
            anew = lost;
        }
        Err(given_up(&anew))
    }

    /// Lets days go whose blocks could not be read.
    pub(crate) fn forget(&mut self, lost: &BTreeSet<i64>) {
        self.cache.retain(|day, _| !lost.contains(day));
        if !lost.is_empty() {
            self.cut = None;
        }
    }

    /// The blocks of every day up to `at`.
    pub(crate) fn gather(
        &mut self,
        snapshot: &Snapshot,
        at: Option<UtcMicros>,
        anew: &BTreeSet<i64>,
        progress: &mut dyn FnMut(f64),
    ) -> Result<Vec<Part>, StoreError> {
        let register = snapshot.register();
        let version = register.version();
        let days = snapshot.days();
        self.cache
            .retain(|day, _| days.iter().any(|d| d.day == *day));
        let mut spill: Option<Spill> = None;
        let mut parts: Vec<Part> = Vec::new();
        for (n, d) in days.iter().enumerate() {
            progress(n as f64 / days.len() as f64);
            if at.is_some_and(|t| UtcMicros::from_day(d.day) > t) {
                break;
            }
            // A day that `at` cuts is read afresh and not kept. One that ends with it is whole.
            let cut = at.filter(|t| t.day() == d.day && t.plus_us(1).day() == d.day);
            let key = format!("{}/{version}", d.key);
            let known = self.cache.get(&d.day).filter(|(k, _)| *k == key);
            let held = cut.and_then(|t| self.cut.as_ref()?.of(snapshot, t));
            let blocks = match (known, held) {
                (_, Some(day)) => day,
                (Some((_, day)), _) if cut.is_none() => day.clone(),
                _ => {
                    // The last day still grows: it is not worth a file.
                    let over = cut.is_none() && n + 1 < days.len();
                    let make_anew = anew.contains(&d.day);
                    let kept = over.then(|| self.kept(register, d.day, &key, make_anew));
                    match kept {
                        Some(Kept::Found(day)) => Arc::new(day),
                        Some(Kept::Write(w)) => {
                            let written = Day::read(
                                snapshot,
                                UtcMicros::from_day(d.day),
                                cut,
                                Target::File(w),
                            );
                            Arc::new(match written {
                                Err(e @ StoreError::Io { doing: "write", .. }) => {
                                    tracing::warn!(
                                        "{e}; the day will be read again after a restart"
                                    );
                                    self.room.fresh(
                                        snapshot,
                                        UtcMicros::from_day(d.day),
                                        cut,
                                        &parts,
                                        &mut spill,
                                    )?
                                }
                                other => other?,
                            })
                        }
                        Some(Kept::Nowhere) | None => Arc::new(self.room.fresh(
                            snapshot,
                            UtcMicros::from_day(d.day),
                            cut,
                            &parts,
                            &mut spill,
                        )?),
                    }
                }
            };
            let key = cut.is_none().then_some(key);
            parts.push(Part {
                day: d.day,
                key,
                blocks,
            });
        }
        self.hold_what_fits(&mut parts, &mut spill)?;
        for p in &parts {
            if let Some(key) = &p.key {
                self.cache
                    .insert(p.day, (key.clone(), Arc::clone(&p.blocks)));
            }
        }
        progress(1.0);
        Ok(parts)
    }

    /// A day that is over: its rollup file, or where to write it.
    fn kept(&self, register: &Register, day: i64, key: &str, make_anew: bool) -> Kept {
        let Some(rollups) = &self.room.rollups else {
            return Kept::Nowhere;
        };
        let key = format!("{key}-{PACK_VERSION}");
        if !make_anew
            && let Some(known) = rollups.open(day, &key).and_then(|f| Day::open(f, register))
        {
            return Kept::Found(known);
        }
        match rollups.create(day, &key) {
            Ok(Some(writer)) => Kept::Write(writer),
            Ok(None) => Kept::Nowhere,
            Err(e) => {
                tracing::warn!("{e}; the day will be read again after a restart");
                Kept::Nowhere
            }
        }
    }

    /// Of all days the newest that fit are held in memory, the others stay in files.
    fn hold_what_fits(
        &mut self,
        parts: &mut [Part],
        spill: &mut Option<Spill>,
    ) -> Result<(), StoreError> {
        let mut room = self.settings.memory_bytes;
        let mut first_held = parts.len();
        for (n, p) in parts.iter().enumerate().rev() {
            let Some(rest) = room.checked_sub(p.blocks.bytes()) else {
                break;
            };
            (room, first_held) = (rest, n);
        }
        let (old, new) = parts.split_at_mut(first_held);
        // Room is made before it is taken: else twice as much would be held for a while.
        for p in old.iter_mut().filter(|p| p.blocks.is_held()) {
            let begin = &mut || begin(spill, self.room.rollups.as_ref());
            let left = Arc::new(p.blocks.left_in_file(begin)?);
            self.cache.remove(&p.day);
            p.blocks = left;
        }
        for p in new.iter_mut().filter(|p| !p.blocks.is_held()) {
            // What cannot be read now is found lost by the detectors.
            if let Some(day) = p.blocks.taken_into_memory() {
                p.blocks = Arc::new(day);
            }
        }
        Ok(())
    }

    /// The result, and the days whose blocks could not be read: with any of these it is none.
    fn analyse(
        &self,
        snapshot: &Snapshot,
        parts: &[Part],
        at: Option<UtcMicros>,
    ) -> (Assessed, BTreeSet<i64>) {
        let days: Vec<Arc<Day>> = parts.iter().map(|p| Arc::clone(&p.blocks)).collect();
        let last = days.iter().filter_map(|d| d.last).max().map(UtcMicros);
        let asked = Asked::new(snapshot, at.or(last).unwrap_or_default());
        let kept = KeptDays::new(parts);
        let fleet = asked.fleet(&kept, &days, i64::MIN);
        let mut result = assess(&fleet, &self.settings.params);
        drop(fleet);
        asked.say_baselines(&mut result);
        let assessed = Assessed {
            result,
            statistics_to: None,
            days,
        };
        (assessed, kept.lost())
    }
}

/// The loops that an assessment is about, and what of a fleet is not blocks.
#[derive(Debug)]
pub(crate) struct Asked<'a> {
    to: UtcMicros,
    entries: Vec<&'a LoopEntry>,
    baselines: BTreeMap<&'a Tag, Baseline>,
    work: Vec<Work>,
    rejected: u64,
}

impl<'a> Asked<'a> {
    pub(crate) fn new(snapshot: &'a Snapshot, to: UtcMicros) -> Self {
        let register = snapshot.register();
        let entries: Vec<&LoopEntry> = register
            .tags()
            .filter(|t| !register.is_retired(t))
            .filter_map(|t| register.at(t, to).or_else(|| register.current(t)))
            .collect();
        let baselines = entries
            .iter()
            .filter_map(|e| Some((&e.tag, register.baseline_at(&e.tag, to)?)))
            .collect();
        Self {
            to,
            entries,
            baselines,
            work: announced(snapshot),
            rejected: snapshot.rejected(),
        }
    }

    /// The fleet with these blocks; rows before `from` are not looked at. Its extent is that of `days`.
    pub(crate) fn fleet<'b>(
        &'b self,
        blocks: &'b dyn PackedDays,
        days: &[Arc<Day>],
        from: i64,
    ) -> Fleet<'b> {
        let loops = self.entries.iter().map(|entry| LoopSource {
            entry,
            blocks: Blocks::Packed {
                days: blocks,
                from: self
                    .baselines
                    .get(&entry.tag)
                    .map_or(from, |b| b.from.0.max(from)),
            },
        });
        Fleet {
            loops: loops.collect(),
            from: days.iter().filter_map(|d| d.first).min().map(UtcMicros),
            to: self.to,
            work: self.work.clone(),
            readings: days.iter().map(|d| d.readings).sum(),
            rejected: self.rejected,
        }
    }

    /// Findings say since when their loops' history counts.
    pub(crate) fn say_baselines(&self, result: &mut Assessment) {
        for row in &mut result.attention {
            if let Some(baseline) = self.baselines.get(&row.tag) {
                for f in &mut row.findings {
                    say_baseline(f, baseline);
                }
            }
        }
    }
}

pub(crate) fn given_up(lost: &BTreeSet<i64>) -> AssessError {
    let first = lost.first().copied().unwrap_or_default();
    AssessError::Blocks(UtcMicros::from_day(first).date_string())
}

/// What there is of a finished day.
enum Kept {
    Found(Day),
    Write(RollupWriter),
    Nowhere,
}

/// A writer into the file without a name of this assessment.
fn begin(spill: &mut Option<Spill>, rollups: Option<&Rollups>) -> Result<RollupWriter, StoreError> {
    if spill.is_none() {
        *spill = Some(Spill::new(rollups)?);
    }
    match spill {
        Some(s) => s.create(),
        // Made above.
        None => Spill::new(rollups)?.create(),
    }
}

/// Announced work as the detectors take it.
pub(crate) fn announced(snapshot: &Snapshot) -> Vec<Work> {
    let windows = snapshot.work().iter();
    windows
        .map(|w| Work {
            tag: w.tag.clone(),
            from: w.from,
            to: w.to,
        })
        .collect()
}

/// The days of one assessment as the detectors read them.
#[derive(Debug)]
pub(crate) struct KeptDays<'a> {
    parts: &'a [Part],
    lost: Mutex<BTreeSet<i64>>,
}

impl<'a> KeptDays<'a> {
    pub(crate) fn new(parts: &'a [Part]) -> Self {
        Self {
            parts,
            lost: Mutex::default(),
        }
    }

    /// Days of which blocks could not be read.
    pub(crate) fn lost(self) -> BTreeSet<i64> {
        self.lost
            .into_inner()
            .unwrap_or_else(PoisonError::into_inner)
    }
}

impl PackedDays for KeptDays<'_> {
    fn most_days(&self) -> usize {
        self.parts.len()
    }

    fn each(&self, tag: &Tag, take: &mut dyn FnMut(&[u8]) -> Result<(), PackError>) {
        for p in self.parts {
            let good = match p.blocks.of(tag) {
                Ok(Some(l)) => take(l.hours()).is_ok(),
                Ok(None) => true,
                Err(_) => false,
            };
            if !good {
                let mut lost = self.lost.lock().unwrap_or_else(PoisonError::into_inner);
                lost.insert(p.day);
            }
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
