//! A bounded heap of rows in any order -> one staged day file for each day it touches; staged files become part of the
//! store all together or not at all.

use crate::dayfile::{DayFileInfo, DayFileWriter};
use crate::error::{IoContext, StoreError};
use crate::files::Files;
use crate::state::{Origin, PartRow};
use ingest_model::{Columns, Tag, UtcMicros};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Rows held before they are sorted and written: about 120 bytes each.
pub(crate) const CHUNK_ROWS: usize = 1_000_000;

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

    /// Writes the rows as one file a day into `stage` and empties the chunk. Of rows with equal tag and time the later
    /// one stands. Returns how many gave way.
    pub(crate) fn write(
        &mut self,
        tags: &[Tag],
        stage: &mut Stage,
        origin: Origin,
        seq_first: i64,
        seq_last: i64,
    ) -> Result<u64, StoreError> {
        let mut order: Vec<(i64, u32, i64, u32)> = self
            .tag
            .iter()
            .zip(&self.rows.time)
            .enumerate()
            .map(|(row, (tag, time))| (UtcMicros(*time).day(), *tag, *time, row as u32))
            .collect();
        order.sort();
        let mut repeats = 0;
        for day_rows in order.chunk_by(|a, b| a.0 == b.0) {
            let Some(&(day, ..)) = day_rows.first() else {
                continue;
            };
            let mut file = stage.start(day, origin, seq_first, seq_last)?;
            for loop_rows in day_rows.chunk_by(|a, b| a.1 == b.1) {
                let Some(tag) = loop_rows.first().and_then(|r| tags.get(r.1 as usize)) else {
                    continue;
                };
                file.writer.start_loop(tag)?;
                for (n, row) in loop_rows.iter().enumerate() {
                    if loop_rows.get(n + 1).is_some_and(|next| next.2 == row.2) {
                        repeats += 1;
                    } else {
                        file.writer.push_row_of(&self.rows, row.3 as usize);
                    }
                }
            }
            stage.finish(file)?;
        }
        *self = Self::default();
        Ok(repeats)
    }
}

/// A day file being staged.
pub(crate) struct Staged {
    day: i64,
    origin: Origin,
    seq: (i64, i64),
    name: String,
    pub writer: DayFileWriter,
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

    pub(crate) fn start(
        &mut self,
        day: i64,
        origin: Origin,
        first: i64,
        last: i64,
    ) -> Result<Staged, StoreError> {
        let name = part_name(day, origin, first, last);
        let path = self.dir.join("staging").join(&name);
        self.undo.push(path.clone());
        let writer = DayFileWriter::create(&*self.files, &path)?;
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

    /// A further file already written and synced at `from`, to stand at `to` with the parts.
    pub(crate) fn other(&mut self, from: PathBuf, to: PathBuf) {
        self.undo.push(from.clone());
        self.others.push((from, to));
    }

    pub(crate) fn parts(&self) -> &[PartRow] {
        &self.parts
    }

    /// Renames every file to its place and makes the names durable; the manifest comes next.
    pub(crate) fn publish(&mut self) -> Result<(), StoreError> {
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

/// Names derive from what is in the file, so writing the same again gives the same name.
fn part_name(day: i64, origin: Origin, first: i64, last: i64) -> String {
    format!(
        "{}.{}.{first:012}-{last:012}.parquet",
        UtcMicros::from_day(day).date_string(),
        origin.word()
    )
}
