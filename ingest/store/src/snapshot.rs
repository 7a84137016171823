//! Reading beside a running writer: immutable snapshots of register, day files and landed rows.

use crate::amend::ChangeRecord;
use crate::batch::{append_rows, runs_of};
use crate::dayread::{Footers, read_loop};
use crate::error::{IoContext, StoreError};
use crate::files::{Files, RealFiles};
use crate::landing::{Shared, decode};
use crate::register::Register;
use crate::state::{self, Image, LANDING, PartRow, StateDb};
use crate::work::WorkWindow;
use ingest_model::instant::MICROS_PER_HOUR;
use ingest_model::{Columns, Tag, UtcMicros};
use rusqlite::Connection;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// Takes snapshots of a store; cheap to clone, never locks the store.
#[derive(Clone)]
pub struct StoreReader {
    dir: PathBuf,
    files: Arc<dyn Files>,
    inner: Arc<Mutex<Inner>>,
    footers: Arc<Footers>,
}

struct Inner {
    state: StateDb,
    landing: Connection,
    image: Image,
    landed: Arc<Landed>,
    refused: u64,
    /// The writer of this process, whose register is shared where it is the same.
    writer: Option<Arc<Shared>>,
}

/// Landed rows that are not sealed, by loop in the order of their acceptance.
#[derive(Debug, Clone, Default)]
struct Landed {
    /// Rows up to here are sealed.
    base: i64,
    last: i64,
    loops: BTreeMap<Tag, Arc<Columns>>,
    /// By day: newest batch number and rows.
    days: BTreeMap<i64, (i64, u64)>,
    /// The same by hour.
    hours: BTreeMap<i64, (i64, u64)>,
    range: Option<(i64, i64)>,
}

impl std::fmt::Debug for StoreReader {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("StoreReader")
            .field("dir", &self.dir)
            .finish_non_exhaustive()
    }
}

/// A UTC day that has rows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DayRef {
    /// Days since 1970.
    pub day: i64,
    /// Changes whenever the day's rows could have changed.
    pub key: String,
}

/// The store as it was at one moment. Day files it names stay readable for at least ten minutes after others replace them.
#[derive(Debug, Clone)]
pub struct Snapshot {
    dir: PathBuf,
    pub(crate) files: Arc<dyn Files>,
    image: Image,
    landed: Arc<Landed>,
    refused: u64,
    footers: Arc<Footers>,
}

impl StoreReader {
    /// Opens for reading only, also beside a running service.
    pub fn open(dir: &Path) -> Result<Self, StoreError> {
        Self::open_with(dir, Arc::new(RealFiles))
    }

    /// [`open`](Self::open) with other file access, for tests.
    pub fn open_with(dir: &Path, files: Arc<dyn Files>) -> Result<Self, StoreError> {
        let state = StateDb::read_only(dir, files.clone())?;
        let landing = state::open_for_reading(&dir.join("landing.sqlite"), LANDING)?;
        let inner = Inner {
            state,
            landing,
            image: Image::default(),
            landed: Arc::default(),
            refused: 0,
            writer: None,
        };
        Ok(Self {
            dir: dir.to_owned(),
            files,
            inner: Arc::new(Mutex::new(inner)),
            footers: Arc::default(),
        })
    }

    /// Shares the register with the writer of this process: it is large, and the same but for moments.
    pub(crate) fn beside(self, writer: Arc<Shared>) -> Self {
        self.inner
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .writer = Some(writer);
        self
    }

    pub(crate) fn dir(&self) -> &Path {
        &self.dir
    }

    pub(crate) fn files(&self) -> &Arc<dyn Files> {
        &self.files
    }

    /// The store now. Costs what came since the last snapshot of this reader.
    pub fn snapshot(&self) -> Result<Snapshot, StoreError> {
        let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        inner.refresh(&self.dir)?;
        Ok(Snapshot {
            dir: self.dir.clone(),
            files: self.files.clone(),
            image: inner.image.clone(),
            landed: inner.landed.clone(),
            refused: inner.refused,
            footers: self.footers.clone(),
        })
    }

    /// What people changed, the newest first: at most `limit` with an id below `before`.
    pub fn changes(
        &self,
        before: Option<i64>,
        limit: usize,
    ) -> Result<Vec<ChangeRecord>, StoreError> {
        let inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        inner.state.changes(before.unwrap_or(i64::MAX), limit)
    }
}

impl Inner {
    /// Two databases, no common transaction: rows leave the landing only after the manifest says that they are sealed,
    /// so the manifest being the same before and after reading the landing makes both fit together.
    fn refresh(&mut self, dir: &Path) -> Result<(), StoreError> {
        let mut image = self.state.image()?;
        loop {
            self.refresh_landed(dir, image.sealed_through)?;
            let after = self.state.image()?;
            let same = after.sealed_through == image.sealed_through;
            image = after;
            if same {
                break;
            }
        }
        if let Some(writer) = &self.writer {
            // The version is a hash of every cell.
            image.register = self.state.share_register(&writer.register());
        }
        self.image = image;
        Ok(())
    }

    fn refresh_landed(&mut self, dir: &Path, base: i64) -> Result<(), StoreError> {
        let path = dir.join("landing.sqlite");
        self.refused = self
            .landing
            .query_row("SELECT coalesce(sum(rows), 0) FROM refused", [], |r| {
                r.get::<_, i64>(0)
            })
            .at("read", &path)?
            .max(0) as u64;
        if self.landed.base != base {
            self.landed = Arc::new(Landed {
                base,
                last: base,
                ..Landed::default()
            });
        }
        let last = self.landed.last.max(base);
        let mut query = self
            .landing
            .prepare_cached("SELECT seq, batch FROM landing WHERE seq > ?1 ORDER BY seq")
            .at("read", &path)?;
        let mut rows = query.query([last]).at("read", &path)?;
        while let Some(row) = rows.next().at("read", &path)? {
            let seq: i64 = row.get(0).at("read", &path)?;
            let blob = row
                .get_ref(1)
                .at("read", &path)?
                .as_blob()
                .unwrap_or_default();
            Arc::make_mut(&mut self.landed)
                .add(seq, blob)
                .map_err(|why| StoreError::Unreadable {
                    file: path.clone(),
                    why: format!("batch {seq}: {why}"),
                })?;
        }
        Ok(())
    }
}

impl Landed {
    fn add(&mut self, seq: i64, blob: &[u8]) -> Result<(), String> {
        for batch in decode(blob)? {
            for (name, from, rows) in runs_of(&batch).map_err(|e| e.to_string())? {
                let tag = Tag::new(&name).map_err(|e| e.to_string())?;
                let columns = Arc::make_mut(self.loops.entry(tag).or_default());
                let before = columns.len();
                // Not to the double: there are many loops with a few rows each.
                if columns.time.capacity() < before + rows {
                    columns.reserve(rows + before / 8);
                }
                append_rows(&batch, from, rows, columns).map_err(|e| e.to_string())?;
                for time in columns.time.iter().skip(before) {
                    for (of, n) in [
                        (&mut self.days, UtcMicros(*time).day()),
                        (&mut self.hours, time.div_euclid(MICROS_PER_HOUR)),
                    ] {
                        let known = of.entry(n).or_default();
                        *known = (seq, known.1 + 1);
                    }
                    let (low, high) = self.range.unwrap_or((*time, *time));
                    self.range = Some((low.min(*time), high.max(*time)));
                }
            }
        }
        self.last = seq;
        Ok(())
    }
}

impl Snapshot {
    pub fn register(&self) -> &Register {
        &self.image.register
    }

    /// Rows that could not be used, of all imports and of the collector.
    pub fn rejected(&self) -> u64 {
        self.image.rejected + self.refused
    }

    /// Days that have rows, in order.
    pub fn days(&self) -> Vec<DayRef> {
        let days: BTreeSet<i64> = self
            .image
            .parts
            .keys()
            .chain(self.landed.days.keys())
            .copied()
            .collect();
        days.into_iter()
            .map(|day| DayRef {
                day,
                key: self.key(day),
            })
            .collect()
    }

    /// Numbers of the days that may have rows with `from <= time < to`, in order.
    pub fn days_between(&self, from: UtcMicros, to: UtcMicros) -> Vec<i64> {
        if from >= to {
            return Vec::new();
        }
        let range = from.day()..=UtcMicros(to.0.saturating_sub(1)).day();
        let sealed = self.image.parts.range(range.clone()).map(|(day, _)| *day);
        let landed = self.landed.days.range(range).map(|(day, _)| *day);
        sealed
            .chain(landed)
            .collect::<BTreeSet<i64>>()
            .into_iter()
            .collect()
    }

    fn key(&self, day: i64) -> String {
        let parts = self.image.parts.get(&day).into_iter().flatten();
        key_of(parts, self.landed.days.get(&day))
    }

    /// Changes whenever the day's rows before the full hour `t` could have changed.
    pub fn key_before(&self, day: i64, t: UtcMicros) -> String {
        let parts = self.image.parts.get(&day).into_iter().flatten();
        let first = UtcMicros::from_day(day).0.div_euclid(MICROS_PER_HOUR);
        let hours = first..t.0.div_euclid(MICROS_PER_HOUR).max(first);
        key_of(
            parts.filter(|p| p.t_min < t.0),
            self.landed.hours.range(hours).map(|(_, landed)| landed),
        )
    }

    pub(crate) fn part_path(&self, name: &str) -> PathBuf {
        self.dir.join("history").join(name)
    }

    /// The day files of a day, in the order in which their rows stand.
    pub(crate) fn parts_of(&self, day: i64) -> &[PartRow] {
        self.image.parts.get(&day).map_or(&[][..], Vec::as_slice)
    }

    /// Landed rows of the loops, in tag order, if the day has any; among them rows of other days.
    pub(crate) fn landed_on(&self, day: i64) -> impl Iterator<Item = (&Tag, &Arc<Columns>)> {
        let loops = self.landed.loops.iter();
        loops.filter(move |_| self.landed.days.contains_key(&day))
    }

    /// Rows of one loop with `from <= time < to`, strictly increasing.
    pub fn read_loop(
        &self,
        tag: &Tag,
        from: UtcMicros,
        to: UtcMicros,
    ) -> Result<Columns, StoreError> {
        let mut columns = Columns::default();
        if from >= to {
            return Ok(columns);
        }
        let last_day = UtcMicros(to.0.saturating_sub(1)).day();
        for parts in self
            .image
            .parts
            .range(from.day()..=last_day)
            .map(|(_, parts)| parts)
        {
            for part in parts.iter().filter(|p| p.t_max >= from.0 && p.t_min < to.0) {
                let mut found = Columns::default();
                let path = self.part_path(&part.name);
                let file = (path.as_path(), part.hash.as_str());
                read_loop(&*self.files, &self.footers, file, tag, &mut found)?;
                push_between(&mut columns, &found, from, to);
            }
        }
        if let Some(rows) = self.landed.loops.get(tag) {
            push_between(&mut columns, rows, from, to);
        }
        // Landed rows come last, so a collected reading stands; among imported the part order did it already.
        columns.sort_and_keep_last();
        Ok(columns)
    }

    /// Times of the first and the last row.
    pub fn time_range(&self) -> Option<(UtcMicros, UtcMicros)> {
        let parts = self.image.parts.values().flatten();
        let all = parts.map(|p| (p.t_min, p.t_max)).chain(self.landed.range);
        let (low, high) = all.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))?;
        Some((UtcMicros(low), UtcMicros(high)))
    }

    /// Announced work in order of its begin.
    pub fn work(&self) -> &[WorkWindow] {
        &self.image.work
    }
}

/// Of day files, and of batch numbers and counts of landed rows.
fn key_of<'a>(
    parts: impl Iterator<Item = &'a PartRow>,
    landed: impl IntoIterator<Item = &'a (i64, u64)>,
) -> String {
    let mut hash = Sha256::new();
    for part in parts {
        hash.update(part.name.as_bytes());
        hash.update(part.hash.as_bytes());
    }
    for (seq, rows) in landed {
        hash.update(seq.to_le_bytes());
        hash.update(rows.to_le_bytes());
    }
    crate::dayfile::hex(hash).chars().take(24).collect()
}

/// Appends the rows with `from <= time < to`; whole stretches at once.
pub(crate) fn push_between(into: &mut Columns, rows: &Columns, from: UtcMicros, to: UtcMicros) {
    if rows.time.iter().all(|t| (from.0..to.0).contains(t)) {
        into.extend_from(rows);
        return;
    }
    for (n, t) in rows.time.iter().enumerate() {
        if (from.0..to.0).contains(t) {
            into.push_row_of(rows, n);
        }
    }
}
