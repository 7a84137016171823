//! A bounded heap of rows in any order -> one staged day file for each day it touches; staged files become part of the
//! store all together or not at all.

use crate::compact::merge;
use crate::dayfile::{DayFileInfo, Layout};
use crate::error::{IoContext, StoreError};
use crate::files::Files;
use crate::staged::{Form, PartWriter, is_run};
use crate::state::{Origin, PartRow};
use ingest_model::{Columns, Tag, UtcMicros};
use std::collections::{BTreeMap, VecDeque};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// Rows of a seal held before they are sorted and written.
pub(crate) const CHUNK_ROWS: usize = 1_000_000;
/// Bytes of a row in a chunk, and of its place in the order while the chunk is written.
pub(crate) const ROW_BYTES: usize = 100;
pub(crate) const ORDER_BYTES: usize = std::mem::size_of::<Run>();
/// Staged files of a day that are joined at a time: each has some pages decoded.
const FAN_IN: usize = 8;
/// Days that are joined at a time: each has a row group being encoded besides.
pub(crate) const JOINING: usize = 2;

/// Rows with the index of their tag in a sorted list of tags.
#[derive(Default)]
pub(crate) struct Chunk {
    pub tag: Vec<u32>,
    pub rows: Columns,
}

impl Chunk {
    pub(crate) fn len(&self) -> usize {
        self.tag.len()
    }

    /// Room for this many rows.
    pub(crate) fn reserve(&mut self, rows: usize) {
        self.tag.reserve_exact(rows);
        self.rows.reserve(rows);
    }

    /// The rows of the day of the last row, and which day: what is likely to get more rows.
    pub(crate) fn rows_of_last_day(&self) -> Option<(i64, Vec<u32>)> {
        let day = UtcMicros(*self.rows.time.last()?).day();
        let (from, to) = (UtcMicros::from_day(day).0, UtcMicros::from_day(day + 1).0);
        let rows = (0..).zip(&self.rows.time);
        let rows = rows.filter(|(_, t)| (from..to).contains(*t));
        Some((day, rows.map(|(row, _)| row).collect()))
    }

    /// Copies rows of another chunk to the end.
    pub(crate) fn take_rows(&mut self, other: &Chunk, rows: &[u32]) {
        let tags = rows.iter().filter_map(|r| other.tag.get(*r as usize));
        self.tag.extend(tags);
        self.rows.extend_rows_of(&other.rows, rows);
    }

    /// The rows as they came, in runs.
    fn runs(&self) -> Vec<Run> {
        let mut runs: Vec<Run> = Vec::new();
        let (mut last, mut next_day) = (i64::MIN, i64::MIN);
        for (row, (&tag, &time)) in (0_u32..).zip(self.tag.iter().zip(&self.rows.time)) {
            match runs.last_mut() {
                Some(run) if run.tag == tag && last < time && time < next_day => {
                    run.rows.end = row + 1;
                }
                _ => {
                    let day = UtcMicros(time).day();
                    next_day = UtcMicros::from_day(day.saturating_add(1)).0;
                    runs.push(Run {
                        first: time,
                        day: day as i32,
                        tag,
                        rows: row..row + 1,
                    });
                }
            }
            last = time;
        }
        runs
    }

    fn time(&self, row: u32) -> i64 {
        let time = self.rows.time.get(row as usize);
        time.copied().unwrap_or_default()
    }

    /// Puts rows in order of time; of equal times the later row stands. Returns how many went.
    fn in_order(&self, rows: &mut Vec<u32>) -> u64 {
        let time = |row| self.time(row);
        let all = rows.len();
        rows.sort_by_key(|row| (time(*row), *row));
        let mut stand: Vec<u32> = Vec::with_capacity(all);
        for same in rows.chunk_by(|a, b| time(*a) == time(*b)) {
            stand.extend(same.last());
        }
        *rows = stand;
        (all - rows.len()) as u64
    }

    /// Writes the rows as one file a day into `stage` and empties the chunk, according to what is known of the rows that
    /// come after it. Of rows with equal tag and time the later one stands. Returns how many gave way.
    pub(crate) fn write(
        &mut self,
        tags: &[Tag],
        stage: &mut Stage,
        origin: Origin,
        seq: (i64, i64),
        next: Next,
    ) -> Result<u64, StoreError> {
        let mut repeats = 0;
        let mut stand = Vec::new();
        let mut runs = self.runs();
        runs.retain(|run| next != Next::Takes(run.day.into()));
        // Stable only for speed: it makes use of what is in order already.
        runs.sort_by_key(|run| (run.day, run.tag, run.first, run.rows.start));
        for of_day in runs.chunk_by(|a, b| a.day == b.day) {
            let Some(day) = of_day.first().map(|run| i64::from(run.day)) else {
                continue;
            };
            // A day in several files is written once more: only then as it stays.
            let form = match next == Next::GoesOnWith(day) || stage.has(day) {
                true => Form::Run,
                false => Form::Day(Layout::Open),
            };
            let mut file = stage.start_as(day, origin, seq, form)?;
            for of_loop in of_day.chunk_by(|a, b| a.tag == b.tag) {
                let Some(tag) = of_loop.first().and_then(|r| tags.get(r.tag as usize)) else {
                    continue;
                };
                file.writer.start_loop(tag)?;
                let last = |run: &Run| self.time(run.rows.end.saturating_sub(1));
                if of_loop.windows(2).all(|w| last(&w[0]) < w[1].first) {
                    // Neighbouring runs are one stretch of rows.
                    for some in of_loop.chunk_by(|a, b| a.rows.end == b.rows.start) {
                        let (Some(a), Some(b)) = (some.first(), some.last()) else {
                            continue;
                        };
                        let rows = a.rows.start as usize..b.rows.end as usize;
                        file.writer.push_range(&self.rows, rows)?;
                    }
                    continue;
                }
                stand.clear();
                stand.extend(of_loop.iter().flat_map(|r| r.rows.clone()));
                repeats += self.in_order(&mut stand);
                file.writer.push_rows_of(&self.rows, &stand)?;
            }
            stage.finish(file)?;
        }
        self.tag.clear();
        self.rows.clear();
        Ok(repeats)
    }
}

/// Neighbouring rows of one loop and day, their times increasing.
struct Run {
    first: i64,
    /// Of usable times, so that 32 bits are plenty: there may be a run for each row.
    day: i32,
    tag: u32,
    rows: Range<u32>,
}

/// What is known of the rows after a chunk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Next {
    /// Nothing.
    Unknown,
    /// The rows of this day were given to the next chunk.
    Takes(i64),
    /// More of this day is likely to come.
    GoesOnWith(i64),
}

/// The day file of this name is in the compact layout.
pub(crate) fn is_compact(name: &str) -> bool {
    name.ends_with(Layout::Compact.ending())
}

/// A day file being staged.
pub(crate) struct Staged {
    day: i64,
    origin: Origin,
    seq: (i64, i64),
    name: String,
    pub writer: PartWriter,
}

/// Files written under `staging/`, not yet part of the store. Dropped without [`Stage::keep`], all of them go.
pub(crate) struct Stage {
    files: Arc<dyn Files>,
    dir: PathBuf,
    parts: Vec<PartRow>,
    others: Vec<(PathBuf, PathBuf)>,
    /// Where each file now is.
    undo: Vec<PathBuf>,
}

impl Stage {
    pub(crate) fn new(files: Arc<dyn Files>, dir: &Path) -> Self {
        Self {
            files,
            dir: dir.to_owned(),
            parts: Vec::new(),
            others: Vec::new(),
            undo: Vec::new(),
        }
    }

    pub(crate) fn start_as(
        &mut self,
        day: i64,
        origin: Origin,
        (first, last): (i64, i64),
        form: Form,
    ) -> Result<Staged, StoreError> {
        let name = part_name(day, origin, (first, last), form);
        let path = self.dir.join("staging").join(&name);
        self.undo.push(path.clone());
        let writer = PartWriter::create(&*self.files, &path, form)?;
        Ok(Staged {
            day,
            origin,
            seq: (first, last),
            name,
            writer,
        })
    }

    pub(crate) fn finish(&mut self, staged: Staged) -> Result<(), StoreError> {
        let DayFileInfo {
            rows,
            t_min,
            t_max,
            bytes,
            hash,
        } = staged.writer.finish()?;
        self.parts.push(PartRow {
            name: staged.name,
            day: staged.day,
            origin: staged.origin,
            seq_first: staged.seq.0,
            seq_last: staged.seq.1,
            rows,
            t_min,
            t_max,
            bytes,
            hash,
        });
        Ok(())
    }

    /// There is a file of this day.
    fn has(&self, day: i64) -> bool {
        self.parts.iter().any(|p| p.day == day)
    }

    /// A further file under `staging/` that goes if the stage is not kept.
    pub(crate) fn removes(&mut self, path: PathBuf) {
        self.undo.push(path);
    }

    /// A further file already written and synced at `from`, to stand at `to` with the parts.
    pub(crate) fn other(&mut self, from: PathBuf, to: PathBuf) {
        self.others.push((from, to));
    }

    /// Bytes of the runs that wait to be made a day file of, but for those of day `but`.
    pub(crate) fn waiting_bytes(&self, but: Option<i64>) -> u64 {
        let runs = self.parts.iter().filter(|p| is_run(&p.name));
        runs.filter(|p| Some(p.day) != but).map(|p| p.bytes).sum()
    }

    /// Joins staged files of the same day, so that each day but `but` has one, as it stays; so many days at a time. Returns
    /// how many rows gave way to later ones.
    pub(crate) fn join_days(
        &mut self,
        but: Option<i64>,
        at_once: usize,
    ) -> Result<u64, StoreError> {
        let mut days: BTreeMap<i64, Vec<PartRow>> = BTreeMap::new();
        for part in std::mem::take(&mut self.parts) {
            days.entry(part.day).or_default().push(part);
        }
        // Each day is a stage of its own, so that several are joined at a time.
        let mut waiting = VecDeque::new();
        for parts in days.into_values() {
            if !is_to_be_joined(&parts) || parts.iter().any(|p| Some(p.day) == but) {
                self.parts.extend(parts);
                continue;
            }
            let mut one = Self::new(self.files.clone(), &self.dir);
            one.parts = parts;
            waiting.push_back(one);
        }
        let threads = std::thread::available_parallelism().map_or(1, usize::from);
        let threads = threads.min(at_once).min(waiting.len());
        let waiting = Mutex::new(waiting);
        let work = || -> Result<(Vec<Self>, u64), StoreError> {
            let (mut done, mut repeats) = (Vec::new(), 0);
            loop {
                let next = waiting
                    .lock()
                    .unwrap_or_else(PoisonError::into_inner)
                    .pop_front();
                let Some(mut one) = next else {
                    return Ok((done, repeats));
                };
                repeats += one.join()?;
                done.push(one);
            }
        };
        let results: Vec<_> = std::thread::scope(|scope| {
            let others: Vec<_> = (1..threads).map(|_| scope.spawn(work)).collect();
            let mut results = vec![work()];
            results.extend(others.into_iter().map(|thread| {
                thread
                    .join()
                    .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
            }));
            results
        });
        let mut repeats = 0;
        for result in results {
            let (done, gave_way) = result?;
            repeats += gave_way;
            for mut one in done {
                self.parts.append(&mut one.parts);
                self.undo.append(&mut one.undo);
            }
        }
        self.parts.sort_by_key(|p| p.day);
        Ok(repeats)
    }

    /// Of the files of one day one.
    fn join(&mut self) -> Result<u64, StoreError> {
        let mut repeats = 0;
        let mut parts = std::mem::take(&mut self.parts);
        // Neighbours in order of their rows, so the later row still stands.
        while is_to_be_joined(&parts) {
            let mut fewer = Vec::new();
            let form = match parts.len() <= FAN_IN {
                true => Form::Day(Layout::Open),
                false => Form::Run,
            };
            for some in parts.chunks(FAN_IN) {
                match some {
                    [one] if form == Form::Run => fewer.push(one.clone()),
                    some => repeats += self.join_some(some, form, &mut fewer)?,
                }
            }
            parts = fewer;
        }
        self.parts = parts;
        Ok(repeats)
    }

    fn join_some(
        &mut self,
        parts: &[PartRow],
        form: Form,
        into: &mut Vec<PartRow>,
    ) -> Result<u64, StoreError> {
        let (Some(first), Some(last)) = (parts.first(), parts.last()) else {
            return Ok(0);
        };
        let paths: Vec<PathBuf> = parts
            .iter()
            .map(|p| self.dir.join("staging").join(&p.name))
            .collect();
        let seq = (first.seq_first, last.seq_last);
        let mut joined = self.start_as(first.day, first.origin, seq, form)?;
        let repeats = merge(&*self.files, &paths, &mut joined.writer)?;
        self.finish(joined)?;
        into.extend(self.parts.pop());
        for path in &paths {
            self.files.remove(path).at("remove", path)?;
        }
        Ok(repeats)
    }

    pub(crate) fn parts(&self) -> &[PartRow] {
        &self.parts
    }

    /// Syncs every file, renames it to its place and makes the names durable; the manifest comes next.
    pub(crate) fn publish(&mut self) -> Result<(), StoreError> {
        for part in &self.parts {
            let path = self.dir.join("staging").join(&part.name);
            self.files.sync(&path).at("sync", &path)?;
        }
        let moves: Vec<(PathBuf, PathBuf)> = self
            .parts
            .iter()
            .map(|p| {
                (
                    self.dir.join("staging").join(&p.name),
                    self.dir.join("history").join(&p.name),
                )
            })
            .chain(self.others.iter().cloned())
            .collect();
        let mut folders = Vec::new();
        for (from, to) in moves {
            self.files.rename(&from, &to).at("rename", &from)?;
            if let Some(folder) = to.parent().map(Path::to_owned)
                && !folders.contains(&folder)
            {
                folders.push(folder);
            }
            self.undo.push(to);
        }
        for folder in folders {
            self.files.sync_dir(&folder).at("sync", &folder)?;
        }
        Ok(())
    }

    /// The manifest has them now.
    pub(crate) fn keep(mut self) {
        self.undo.clear();
    }
}

impl Drop for Stage {
    fn drop(&mut self) {
        for path in &self.undo {
            if let Err(e) = self.files.remove(path) {
                // The next open sets it aside.
                tracing::warn!("cannot remove {}: {e}", path.display());
            }
        }
    }
}

/// Files of one day that are not yet one as it stays.
fn is_to_be_joined(parts: &[PartRow]) -> bool {
    match parts {
        [one] => is_run(&one.name),
        several => several.len() > 1,
    }
}

/// Names derive from what is in the file, so writing the same again gives the same name.
fn part_name(day: i64, origin: Origin, (first, last): (i64, i64), form: Form) -> String {
    format!(
        "{}.{}.{first:012}-{last:012}{}",
        UtcMicros::from_day(day).date_string(),
        origin.word(),
        form.ending()
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dayread::PartStream;
    use crate::files::RealFiles;
    use ingest_model::Reading;

    #[test]
    fn chunks_of_one_import_become_one_file_a_day_and_the_later_row_stands() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::create_dir(dir.path().join("staging")).unwrap();
        let staged = || {
            std::fs::read_dir(dir.path().join("staging"))
                .unwrap()
                .count()
        };
        let tags = [Tag::new("A").unwrap(), Tag::new("B").unwrap()];
        let mut stage = Stage::new(Arc::new(RealFiles), dir.path());
        let mut repeats = 0;
        for seq in 0..3i64 {
            let mut chunk = Chunk::default();
            // Row 5 of B in every chunk, twice; one row of A in each; the last chunk alone has a second day.
            let day = if seq == 2 { 86_400_000_000 } else { 7 };
            for (tag, time, pv) in [
                (1, 5, -1.0),
                (0, seq, seq as f64),
                (1, 5, seq as f64),
                (1, day, 0.0),
            ] {
                chunk.tag.push(tag);
                chunk.rows.push(&Reading {
                    pv,
                    ..Reading::empty(UtcMicros(time))
                });
            }
            repeats += chunk
                .write(
                    &tags,
                    &mut stage,
                    Origin::Imported,
                    (seq, seq),
                    Next::Unknown,
                )
                .unwrap();
        }
        assert_eq!((staged(), repeats), (4, 3));
        // B: row 5 twice and row 7 once more than needed.
        assert_eq!(stage.join_days(None, JOINING).unwrap(), 3);
        let rows: Vec<(i64, u64)> = stage.parts().iter().map(|p| (p.day, p.rows)).collect();
        assert_eq!((rows, staged()), (vec![(0, 5), (1, 1)], 2));
        let path = dir.path().join("staging").join(&stage.parts()[0].name);
        let mut stream = PartStream::open(&RealFiles, &path, 100).unwrap();
        let (mut a, mut b) = (Columns::default(), Columns::default());
        stream.take(&mut a).unwrap();
        stream.take(&mut b).unwrap();
        assert_eq!(
            (a.pv, b.time, b.pv),
            (vec![0.0, 1.0, 2.0], vec![5, 7], vec![2.0, 0.0])
        );
        // Not kept: nothing stays.
        drop(stage);
        assert_eq!(staged(), 0);
    }

    #[test]
    fn days_that_wait_are_joined_but_for_the_one_that_goes_on_and_take_later_rows() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::create_dir(dir.path().join("staging")).unwrap();
        let tags = [Tag::new("A").unwrap()];
        let mut stage = Stage::new(Arc::new(RealFiles), dir.path());
        let write = |stage: &mut Stage, seq: i64, days: &[i64], next| {
            let mut chunk = Chunk::default();
            for day in days {
                chunk.tag.push(0);
                let time = UtcMicros::from_day(*day).plus_us(seq);
                chunk.rows.push(&Reading {
                    pv: seq as f64,
                    ..Reading::empty(time)
                });
            }
            let seq = (seq, seq);
            chunk
                .write(&tags, stage, Origin::Imported, seq, next)
                .unwrap()
        };
        write(&mut stage, 0, &[0, 1], Next::Unknown);
        write(&mut stage, 1, &[0, 1], Next::GoesOnWith(1));
        assert!(stage.waiting_bytes(None) > stage.waiting_bytes(Some(1)));
        assert!(stage.waiting_bytes(Some(1)) > 0);
        stage.join_days(Some(1), 1).unwrap();
        assert_eq!(stage.waiting_bytes(Some(1)), 0);
        let files = |stage: &Stage| -> Vec<(i64, u64)> {
            stage.parts().iter().map(|p| (p.day, p.rows)).collect()
        };
        assert_eq!(files(&stage), [(0, 2), (1, 1), (1, 1)]);
        // Rows of a day that was joined come again.
        write(&mut stage, 2, &[0, 1], Next::Unknown);
        stage.join_days(None, JOINING).unwrap();
        assert_eq!(files(&stage), [(0, 3), (1, 3)]);
        assert_eq!(stage.waiting_bytes(None), 0);
        let path = dir.path().join("staging").join(&stage.parts()[0].name);
        let mut rows = Columns::default();
        let mut stream = PartStream::open(&RealFiles, &path, 100).unwrap();
        stream.take(&mut rows).unwrap();
        assert_eq!(rows.pv, [0.0, 1.0, 2.0]);
    }
}
