//! Days in many small files become days in one file an origin, and old days go into the compact layout if the site wants it.

use crate::chunk::{Stage, is_compact};
use crate::dayfile::Layout;
use crate::error::StoreError;
use crate::files::Files;
use crate::staged::{Form, PartWriter, Source};
use crate::state::{Change, Image, Origin, PartRow};
use crate::store::{Store, Writer};
use ingest_model::{Columns, UtcMicros};
use std::path::PathBuf;
use std::time::Duration;

/// Of a day with more files of one origin than this, those are rewritten as one.
const PARTS_OF_A_DAY: usize = 8;

/// What went into the compact layout.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct CompactReport {
    pub days: usize,
    pub rows: u64,
    pub bytes_before: u64,
    pub bytes: u64,
}

impl Store {
    /// Rewrites days that are in too many files. Origins stay apart, since collected rows beat imported ones that may
    /// still come. Of the newest day, which still grows, only the newest files become one: a row is rewritten a few times
    /// in the day, not with each of its seals. Returns the days rewritten.
    pub(crate) fn compact(&self, writer: &mut Writer, now: UtcMicros) -> Result<usize, StoreError> {
        let image = writer.state.image()?;
        let mut days = 0;
        let newest = image.parts.keys().next_back().copied();
        for (day, parts) in image.parts.iter() {
            for origin in [Origin::Imported, Origin::Collected] {
                let parts: Vec<&PartRow> = parts.iter().filter(|p| p.origin == origin).collect();
                let parts = match Some(*day) == newest {
                    true => newest_alike(&parts),
                    false => &parts,
                };
                if parts.len() > PARTS_OF_A_DAY {
                    let stage = self.stage(parts, Layout::Open)?;
                    self.replace(writer, stage, parts, now)?;
                    days += 1;
                }
            }
        }
        self.remove_replaced(writer, now)?;
        Ok(days)
    }

    /// Writes days that ended more than `after` before the newest reading (or before now, should a clock have run ahead)
    /// in the compact layout, one file an origin: the same rows to the bit. A file is one transaction, and others
    /// write meanwhile; snapshots taken before keep reading the old files for ten minutes. Days that are compact already
    /// cost nothing; rows that come late for one make it be written again. At most
    /// `most_days` days a call, the oldest first: who asks for a year of them still has other work to do in between.
    pub fn compact_days_older_than(
        &self,
        after: Duration,
        most_days: usize,
        now: UtcMicros,
    ) -> Result<CompactReport, StoreError> {
        let mut report = CompactReport::default();
        let Some((_, newest)) = self.reader().snapshot()?.time_range() else {
            return Ok(report);
        };
        let after = i64::try_from(after.as_micros()).unwrap_or(i64::MAX);
        let before = UtcMicros(newest.min(now).0.saturating_sub(after));
        let days: Vec<i64> = {
            let image = self.writer().state.image()?;
            let old = image
                .parts
                .iter()
                .filter(|(day, _)| UtcMicros::from_day(day.saturating_add(1)) <= before);
            old.filter(|(_, parts)| parts.iter().any(|p| !is_compact(&p.name)))
                .map(|(day, _)| *day)
                .take(most_days)
                .collect()
        };
        for day in days {
            let image = self.writer().state.image()?;
            let mut done = false;
            for origin in [Origin::Imported, Origin::Collected] {
                let parts = of_origin(&image, day, origin);
                if parts.iter().all(|p| is_compact(&p.name)) {
                    continue;
                }
                // Written beside the others' work; the files stay readable when something replaces them meanwhile.
                let stage = self.stage(&parts, Layout::Compact)?;
                let (rows, bytes) = size(&stage);
                let mut writer = self.writer();
                let still = writer.state.image()?;
                if of_origin(&still, day, origin) != parts {
                    // Rows have come since: the next time.
                    continue;
                }
                self.replace(&mut writer, stage, &parts, now)?;
                done = true;
                report.rows += rows;
                report.bytes += bytes;
                report.bytes_before += parts.iter().map(|p| p.bytes).sum::<u64>();
            }
            report.days += usize::from(done);
        }
        self.remove_replaced(&mut self.writer(), now)?;
        Ok(report)
    }

    /// Stages one file for several of one day and origin.
    fn stage(&self, parts: &[&PartRow], layout: Layout) -> Result<Stage, StoreError> {
        let mut stage = Stage::new(self.files.clone(), &self.dir);
        let first = parts.iter().map(|p| p.seq_first).min();
        let last = parts.iter().map(|p| p.seq_last).max();
        if let (Some(one), Some(first), Some(last)) = (parts.first(), first, last) {
            let paths: Vec<PathBuf> = parts
                .iter()
                .map(|p| self.dir.join("history").join(&p.name))
                .collect();
            let mut file = stage.start_as(one.day, one.origin, (first, last), Form::Day(layout))?;
            merge(&*self.files, &paths, &mut file.writer)?;
            stage.finish(file)?;
        }
        Ok(stage)
    }

    /// What is staged takes the place of `parts`.
    fn replace(
        &self,
        writer: &mut Writer,
        stage: Stage,
        parts: &[&PartRow],
        now: UtcMicros,
    ) -> Result<(), StoreError> {
        let change = Change {
            replaced: parts.iter().map(|p| p.name.clone()).collect(),
            replaced_at: now.0,
            ..Change::default()
        };
        self.record(writer, stage, change)
    }
}

/// The newest files up to the first that has more than twice the rows of all after it: what is rewritten grows by half at
/// least, so a row is rewritten a few times, and few files are left out.
fn newest_alike<'a, 'b>(parts: &'b [&'a PartRow]) -> &'b [&'a PartRow] {
    let mut rows = 0;
    let mut first = parts.len();
    for (n, part) in parts.iter().enumerate().rev() {
        if first < parts.len() && part.rows > 2 * rows {
            break;
        }
        rows += part.rows;
        first = n;
    }
    parts.get(first..).unwrap_or_default()
}

fn of_origin(image: &Image, day: i64, origin: Origin) -> Vec<&PartRow> {
    let of_day = image.parts.get(&day).into_iter().flatten();
    of_day.filter(|p| p.origin == origin).collect()
}

/// Rows and bytes of what is staged.
fn size(stage: &Stage) -> (u64, u64) {
    let parts = stage.parts().iter();
    parts.fold((0, 0), |(r, b), p| (r + p.rows, b + p.bytes))
}

/// Writes the rows of several files of one day as one; of equal tag and time the one of the later file stands. Returns how
/// many gave way.
pub(crate) fn merge(
    files: &dyn Files,
    paths: &[PathBuf],
    into: &mut PartWriter,
) -> Result<u64, StoreError> {
    let mut streams = Vec::with_capacity(paths.len());
    for path in paths {
        streams.push(Source::open(files, path)?);
    }
    let mut repeats = 0;
    let mut columns = Columns::default();
    while let Some(tag) = streams.iter().filter_map(Source::peek).min().cloned() {
        columns.clear();
        for stream in streams.iter_mut().filter(|s| s.peek() == Some(&tag)) {
            stream.take(&mut columns)?;
        }
        repeats += columns.sort_and_keep_last() as u64;
        into.start_loop(&tag)?;
        into.push_all(&columns)?;
    }
    Ok(repeats)
}
