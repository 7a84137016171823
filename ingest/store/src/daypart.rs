//! A day in parts of whole loops, so that several threads read it, each only the row groups and columns that it needs.

use crate::batch::NAMES;
use crate::dayread::{PartFile, PartStream};
use crate::error::StoreError;
use crate::snapshot::{Snapshot, push_between};
use ingest_model::{Columns, Tag, UtcMicros};

/// Rows decoded at a time from each day file: what a page of each column holds, so that all of them stay in a core's cache.
const BATCH_ROWS: usize = 2_048;
/// `time` and `tag`.
const ALWAYS: usize = 2;

/// One day of a snapshot, cut where the row groups of its largest file begin.
#[derive(Debug)]
pub struct DayParts<'a> {
    snapshot: &'a Snapshot,
    day: i64,
    /// Rows before are left out.
    from: UtcMicros,
    files: Vec<PartFile>,
    /// Columns that are read, by their number on disk.
    wanted: Vec<usize>,
    /// Tags that the parts but the first begin with, in order of bytes.
    cuts: Vec<Vec<u8>>,
}

impl Snapshot {
    /// Opens a day to read it in parts. Of the columns only `time`, `tag` and those are read that `wants` says; in the
    /// others every value may be missing.
    pub fn day_parts(
        &self,
        day: i64,
        wants: &dyn Fn(&str) -> bool,
    ) -> Result<DayParts<'_>, StoreError> {
        self.day_parts_from(UtcMicros::from_day(day), wants)
    }

    /// [`day_parts`](Self::day_parts) of the day of `from`, without its rows before `from`. Costs the files that reach so far:
    /// of a day that is being collected those of the last hours.
    pub fn day_parts_from(
        &self,
        from: UtcMicros,
        wants: &dyn Fn(&str) -> bool,
    ) -> Result<DayParts<'_>, StoreError> {
        let day = from.day();
        let mut files = Vec::new();
        for part in self.parts_of(day).iter().filter(|p| p.t_max >= from.0) {
            files.push(PartFile::open(&*self.files, &self.part_path(&part.name))?);
        }
        let wanted = NAMES.iter().enumerate();
        let wanted = wanted.filter(|(n, name)| *n < ALWAYS || wants(name));
        let largest = files.iter().max_by_key(|f| f.rows());
        let cuts = largest.map(PartFile::row_group_begins).unwrap_or_default();
        Ok(DayParts {
            snapshot: self,
            day,
            from,
            wanted: wanted.map(|(n, _)| n).collect(),
            cuts,
            files,
        })
    }

    /// Calls `each` for every loop that has rows on the day, in tag order, with strictly increasing times: merged over day
    /// files and landed rows, of equal times the later import's, and the collected before any imported.
    pub fn read_day(
        &self,
        day: i64,
        each: &mut dyn FnMut(&Tag, Columns) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        let whole = self.day_parts(day, &|_| true)?;
        (0..whole.count()).try_for_each(|n| whole.read(n, each))
    }
}

impl DayParts<'_> {
    /// Number of parts, at least one.
    pub fn count(&self) -> usize {
        self.cuts.len() + 1
    }

    /// [`Snapshot::read_day`] of the loops of part `n`; parts in order give the loops in order.
    pub fn read(
        &self,
        n: usize,
        each: &mut dyn FnMut(&Tag, Columns) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        let begin = n.checked_sub(1).and_then(|n| self.cuts.get(n));
        let range = (
            begin.map(Vec::as_slice).unwrap_or_default(),
            self.cuts.get(n).map(Vec::as_slice),
        );
        let inside = |tag: &Tag| {
            let bytes = tag.as_str().as_bytes();
            range.0 <= bytes && range.1.is_none_or(|end| bytes < end)
        };
        let mut streams = Vec::with_capacity(self.files.len());
        for file in &self.files {
            let files = &*self.snapshot.files;
            streams.push(PartStream::of(
                files,
                file,
                BATCH_ROWS,
                &self.wanted,
                range,
            )?);
        }
        let from = self.from;
        let to = UtcMicros::from_day(self.day.saturating_add(1));
        let mut landed = self
            .snapshot
            .landed_on(self.day)
            .filter(|(tag, _)| inside(tag))
            .filter(|(_, rows)| rows.time.iter().any(|t| (from.0..to.0).contains(t)))
            .peekable();
        let mut last_rows = 0;
        loop {
            let next = streams
                .iter()
                .filter_map(PartStream::peek)
                .chain(landed.peek().map(|(tag, _)| *tag))
                .min();
            let Some(tag) = next.cloned() else {
                return Ok(());
            };
            let mut columns = Columns::default();
            // Loops of a day are about as long as each other.
            columns.reserve(last_rows);
            for stream in &mut streams {
                if stream.peek() == Some(&tag) {
                    stream.take(&mut columns)?;
                }
            }
            if let Some((_, rows)) = landed.next_if(|(t, _)| **t == tag) {
                push_between(&mut columns, rows, from, to);
            }
            last_rows = columns.len();
            columns.sort_and_keep_last();
            let old = columns.time.partition_point(|t| *t < from.0);
            if old > 0 {
                let mut rest = Columns::default();
                push_between(&mut rest, &columns, from, to);
                columns = rest;
            }
            if !columns.is_empty() {
                each(&tag, columns)?;
            }
        }
    }
}
