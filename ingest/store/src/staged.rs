//! Files that are staged: day files as they stay, and runs that others are made of before they count.

use crate::dayfile::{DayFileInfo, DayFileWriter, Layout};
use crate::dayread::PartStream;
use crate::error::StoreError;
use crate::files::Files;
use crate::run::{RunStream, RunWriter};
use ingest_model::{Columns, Tag};
use std::ops::Range;
use std::path::Path;

/// Rows decoded at a time from each day file.
const BATCH_ROWS: usize = 8_192;
/// How names of runs end.
const RUN: &str = ".run";

/// The file of this name is a run.
pub(crate) fn is_run(name: &str) -> bool {
    name.ends_with(RUN)
}

/// How a staged file is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Form {
    /// A day file as it stays.
    Day(Layout),
    /// To be read once, by this process.
    Run,
}

impl Form {
    /// How the name of the file ends.
    pub(crate) fn ending(self) -> &'static str {
        match self {
            Self::Day(layout) => layout.ending(),
            Self::Run => RUN,
        }
    }
}

pub(crate) enum PartWriter {
    Day(Box<DayFileWriter>),
    Run(RunWriter),
}

impl PartWriter {
    pub(crate) fn create(files: &dyn Files, path: &Path, form: Form) -> Result<Self, StoreError> {
        Ok(match form {
            Form::Day(layout) => {
                Self::Day(Box::new(DayFileWriter::create_as(files, path, layout)?))
            }
            Form::Run => Self::Run(RunWriter::create(files, path)?),
        })
    }

    /// Begins the rows of a loop; loops come in tag order.
    pub(crate) fn start_loop(&mut self, tag: &Tag) -> Result<(), StoreError> {
        match self {
            Self::Day(w) => w.start_loop(tag)?,
            Self::Run(w) => w.start_loop(tag),
        }
        Ok(())
    }

    /// These rows for the loop begun last; times increase.
    pub(crate) fn push_rows_of(&mut self, from: &Columns, rows: &[u32]) -> Result<(), StoreError> {
        match self {
            Self::Day(w) => w.push_rows_of(from, rows),
            Self::Run(w) => {
                for part in rows.chunk_by(|a, b| a.checked_add(1) == Some(*b)) {
                    let first = part.first().map_or(0, |row| *row as usize);
                    w.push(from, first, first + part.len())?;
                }
            }
        }
        Ok(())
    }

    /// Neighbouring rows for the loop begun last; times increase.
    pub(crate) fn push_range(
        &mut self,
        from: &Columns,
        rows: Range<usize>,
    ) -> Result<(), StoreError> {
        match self {
            Self::Day(w) => w.push_range(from, rows),
            Self::Run(w) => w.push(from, rows.start, rows.end)?,
        }
        Ok(())
    }

    /// All rows of the loop begun last; times increase.
    pub(crate) fn push_all(&mut self, rows: &Columns) -> Result<(), StoreError> {
        match self {
            Self::Day(w) => w.push_all(rows),
            Self::Run(w) => w.push(rows, 0, rows.len())?,
        }
        Ok(())
    }

    pub(crate) fn finish(self) -> Result<DayFileInfo, StoreError> {
        match self {
            Self::Day(w) => w.finish(),
            Self::Run(w) => w.finish(),
        }
    }
}

/// A file loop by loop, in tag order.
pub(crate) enum Source {
    Day(Box<PartStream>),
    Run(RunStream),
}

impl Source {
    pub(crate) fn open(files: &dyn Files, path: &Path) -> Result<Self, StoreError> {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        Ok(match is_run(&name) {
            true => Self::Run(RunStream::open(files, path)?),
            false => Self::Day(Box::new(PartStream::open(files, path, BATCH_ROWS)?)),
        })
    }

    /// Tag of the next loop.
    pub(crate) fn peek(&self) -> Option<&Tag> {
        match self {
            Self::Day(s) => s.peek(),
            Self::Run(s) => s.peek(),
        }
    }

    /// Appends all rows of the next loop.
    pub(crate) fn take(&mut self, into: &mut Columns) -> Result<(), StoreError> {
        match self {
            Self::Day(s) => s.take(into),
            Self::Run(s) => s.take(into),
        }
    }
}
