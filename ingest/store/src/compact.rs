//! Days in many small files become days in one file an origin.

use crate::chunk::Stage;
use crate::dayfile::DayFileWriter;
use crate::dayread::PartStream;
use crate::error::StoreError;
use crate::files::Files;
use crate::state::{Change, Image, Origin, PartRow};
use crate::store::{Store, Writer};
use ingest_model::{Columns, UtcMicros};
use std::path::PathBuf;

/// A day with more files of one origin than this is rewritten.
const PARTS_OF_A_DAY: usize = 8;
/// Rows decoded at a time from each file.
const BATCH_ROWS: usize = 8_192;

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
                    self.compact_parts(writer, &parts, now)?;
                    days += 1;
                }
            }
        }
        self.remove_replaced(writer, now)?;
        Ok(days)
    }

    fn compact_parts(
        &self,
        writer: &mut Writer,
        parts: &[&PartRow],
        now: UtcMicros,
    ) -> Result<(), StoreError> {
        let (Some(one), Some(first), Some(last)) = (
            parts.first(),
            parts.iter().map(|p| p.seq_first).min(),
            parts.iter().map(|p| p.seq_last).max(),
        ) else {
            return Ok(());
        };
        let paths: Vec<PathBuf> = parts
            .iter()
            .map(|p| self.dir.join("history").join(&p.name))
            .collect();
        let mut stage = Stage::new(self.files.clone(), &self.dir);
        let mut file = stage.start(one.day, one.origin, first, last)?;
        merge(&*self.files, &paths, &mut file.writer)?;
        stage.finish(file)?;
        let change = Change {
            replaced: parts.iter().map(|p| p.name.clone()).collect(),
            replaced_at: now.0,
            ..Change::default()
        };
        self.record(writer, stage, change)
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
