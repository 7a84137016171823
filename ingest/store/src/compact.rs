//! Days in many small files become days in one file an origin, and old days go into the compact layout if the site wants it.

use crate::chunk::{Stage, is_compact};
use crate::dayfile::{DayFileWriter, Layout};
use crate::dayread::PartStream;
use crate::error::StoreError;
use crate::files::Files;
use crate::state::{Change, Image, Origin, PartRow};
use crate::store::{Store, Writer};
use ingest_model::{Columns, UtcMicros};
use std::path::PathBuf;
use std::time::Duration;

/// A day with more files of one origin than this is rewritten.
const PARTS_OF_A_DAY: usize = 8;
/// Rows decoded at a time from each file.
const BATCH_ROWS: usize = 8_192;

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
    /// still come. Returns the days rewritten.
    pub(crate) fn compact(&self, writer: &mut Writer, now: UtcMicros) -> Result<usize, StoreError> {
        let image = writer.state.image(&Image::default())?;
        let mut days = 0;
        for parts in image.parts.values() {
            for origin in [Origin::Imported, Origin::Collected] {
                let parts: Vec<&PartRow> = parts.iter().filter(|p| p.origin == origin).collect();
                if parts.len() > PARTS_OF_A_DAY {
                    self.rewrite(writer, &parts, Layout::Open, now)?;
                    days += 1;
                }
            }
        }
        self.remove_replaced(writer, now)?;
        Ok(days)
    }

    /// Writes days that ended more than `after` before the newest reading (or before now, should a clock have run ahead)
    /// in the compact layout, one file an origin: the same rows to the bit. A day is one transaction, and between two days
    /// others may write; snapshots taken before keep reading the old files for ten minutes. Days that are compact already
    /// cost nothing; rows that come late for one make it be written again.
    pub fn compact_days_older_than(
        &self,
        after: Duration,
        now: UtcMicros,
    ) -> Result<CompactReport, StoreError> {
        let mut report = CompactReport::default();
        let Some((_, newest)) = self.reader().snapshot()?.time_range() else {
            return Ok(report);
        };
        let after = i64::try_from(after.as_micros()).unwrap_or(i64::MAX);
        let before = UtcMicros(newest.min(now).0.saturating_sub(after));
        let days: Vec<i64> = {
            let image = self.writer().state.image(&Image::default())?;
            let old = image
                .parts
                .iter()
                .filter(|(day, _)| UtcMicros::from_day(day.saturating_add(1)) <= before);
            old.filter(|(_, parts)| parts.iter().any(|p| !is_compact(&p.name)))
                .map(|(day, _)| *day)
                .collect()
        };
        for day in days {
            let mut writer = self.writer();
            // As it is now: something may have come since.
            let image = writer.state.image(&Image::default())?;
            for origin in [Origin::Imported, Origin::Collected] {
                let of_day = image.parts.get(&day).into_iter().flatten();
                let parts: Vec<&PartRow> = of_day.filter(|p| p.origin == origin).collect();
                if parts.iter().all(|p| is_compact(&p.name)) {
                    continue;
                }
                let (rows, bytes) = self.rewrite(&mut writer, &parts, Layout::Compact, now)?;
                report.rows += rows;
                report.bytes += bytes;
                report.bytes_before += parts.iter().map(|p| p.bytes).sum::<u64>();
            }
            report.days += 1;
            self.remove_replaced(&mut writer, now)?;
        }
        Ok(report)
    }

    /// One file for several of one day and origin. Returns its rows and bytes.
    fn rewrite(
        &self,
        writer: &mut Writer,
        parts: &[&PartRow],
        layout: Layout,
        now: UtcMicros,
    ) -> Result<(u64, u64), StoreError> {
        let (Some(one), Some(first), Some(last)) = (
            parts.first(),
            parts.iter().map(|p| p.seq_first).min(),
            parts.iter().map(|p| p.seq_last).max(),
        ) else {
            return Ok((0, 0));
        };
        let paths: Vec<PathBuf> = parts
            .iter()
            .map(|p| self.dir.join("history").join(&p.name))
            .collect();
        let mut stage = Stage::new(self.files.clone(), &self.dir);
        let mut file = stage.start_as(one.day, one.origin, (first, last), layout)?;
        merge(&*self.files, &paths, &mut file.writer)?;
        stage.finish(file)?;
        let written = stage.parts().iter();
        let written = written.fold((0, 0), |(r, b), p| (r + p.rows, b + p.bytes));
        let change = Change {
            replaced: parts.iter().map(|p| p.name.clone()).collect(),
            replaced_at: now.0,
            ..Change::default()
        };
        self.record(writer, stage, change)?;
        Ok(written)
    }
}
/// Writes the rows of several files of one day as one; of equal tag and time the one of the later file stands. Returns how
/// many gave way.
pub(crate) fn merge(
    files: &dyn Files,
    paths: &[PathBuf],
    into: &mut DayFileWriter,
) -> Result<u64, StoreError> {
    let mut streams = Vec::with_capacity(paths.len());
    for path in paths {
        streams.push(PartStream::open(files, path, BATCH_ROWS)?);
    }
    let mut repeats = 0;
    while let Some(tag) = streams.iter().filter_map(PartStream::peek).min().cloned() {
        let mut columns = Columns::default();
        for stream in streams.iter_mut().filter(|s| s.peek() == Some(&tag)) {
            stream.take(&mut columns)?;
        }
        repeats += columns.sort_and_keep_last() as u64;
        into.start_loop(&tag)?;
        into.push_all(&columns);
    }
    Ok(repeats)
}
