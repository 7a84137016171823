//! Days in many small files become days in one file an origin.

use crate::chunk::Stage;
use crate::dayread::PartStream;
use crate::error::StoreError;
use crate::state::{Change, Image, Origin, PartRow};
use crate::store::{Store, Writer};
use ingest_model::{Columns, UtcMicros};

/// A day with more files of one origin than this is rewritten.
const PARTS_OF_A_DAY: usize = 8;
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
        let mut streams = Vec::with_capacity(parts.len());
        for part in parts {
            streams.push(PartStream::open(
                &*self.files,
                &self.dir.join("history").join(&part.name),
                BATCH_ROWS,
            )?);
        }
        let mut stage = Stage::new(self.files.clone(), &self.dir);
        let mut file = stage.start(one.day, one.origin, first, last)?;
        while let Some(tag) = streams.iter().filter_map(PartStream::peek).min().cloned() {
            let mut columns = Columns::default();
            for stream in streams.iter_mut().filter(|s| s.peek() == Some(&tag)) {
                stream.take(&mut columns)?;
            }
            columns.sort_and_keep_last();
            file.writer.start_loop(&tag)?;
            file.writer.push_all(&columns);
        }
        stage.finish(file)?;
        let change = Change {
            replaced: parts.iter().map(|p| p.name.clone()).collect(),
            replaced_at: now.0,
            ..Change::default()
        };
        self.record(writer, stage, change)
    }
}
