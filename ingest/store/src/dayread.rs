//! Reading day files back into columns: a whole file loop by loop, or one loop by row-group statistics.

use crate::batch::{append_rows, runs_of, schema, tags_of};
use crate::error::StoreError;
use crate::files::Files;
use arrow_array::cast::AsArray;
use arrow_array::{BooleanArray, RecordBatch};
use ingest_model::{Columns, Tag};
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{
    ArrowPredicateFn, ArrowReaderOptions, ParquetRecordBatchReader,
    ParquetRecordBatchReaderBuilder, RowFilter,
};
use parquet::file::metadata::{PageIndexPolicy, RowGroupMetaData};
use parquet::file::statistics::Statistics;
use std::collections::VecDeque;
use std::fs::File;
use std::path::{Path, PathBuf};

fn damaged(path: &Path, why: impl ToString) -> StoreError {
    StoreError::Damaged {
        file: path.to_owned(),
        why: why.to_string(),
    }
}

fn open(
    files: &dyn Files,
    path: &Path,
    pages: bool,
) -> Result<ParquetRecordBatchReaderBuilder<File>, StoreError> {
    let file = files.open(path).map_err(|source| match source.kind() {
        std::io::ErrorKind::NotFound => StoreError::SnapshotTooOld {
            file: path.to_owned(),
        },
        _ => StoreError::Io {
            doing: "open",
            path: path.to_owned(),
            source,
        },
    })?;
    let policy = if pages {
        PageIndexPolicy::Optional
    } else {
        PageIndexPolicy::Skip
    };
    let options = ArrowReaderOptions::new()
        .with_schema(schema())
        .with_page_index_policy(policy);
    ParquetRecordBatchReaderBuilder::try_new_with_options(file, options)
        .map_err(|e| damaged(path, e))
}

/// One day file, loop by loop in tag order.
pub(crate) struct PartStream {
    path: PathBuf,
    reader: ParquetRecordBatchReader,
    batch: RecordBatch,
    runs: VecDeque<(Tag, usize, usize)>,
    last: Option<Tag>,
}

impl PartStream {
    pub(crate) fn open(
        files: &dyn Files,
        path: &Path,
        batch_rows: usize,
    ) -> Result<Self, StoreError> {
        let reader = open(files, path, false)?
            .with_batch_size(batch_rows)
            .build()
            .map_err(|e| damaged(path, e))?;
        let batch = RecordBatch::new_empty(schema());
        let mut stream = Self {
            path: path.to_owned(),
            reader,
            batch,
            runs: VecDeque::new(),
            last: None,
        };
        stream.fill()?;
        Ok(stream)
    }

    /// Tag of the next loop.
    pub(crate) fn peek(&self) -> Option<&Tag> {
        self.runs.front().map(|(tag, _, _)| tag)
    }

    /// Appends all rows of the next loop.
    pub(crate) fn take(&mut self, into: &mut Columns) -> Result<(), StoreError> {
        let Some(tag) = self.peek().cloned() else {
            return Ok(());
        };
        while self.peek() == Some(&tag) {
            if let Some((_, from, rows)) = self.runs.pop_front() {
                append_rows(&self.batch, from, rows, into).map_err(|e| damaged(&self.path, e))?;
            }
            if self.runs.is_empty() {
                self.fill()?;
            }
        }
        if self.peek().is_some_and(|next| *next < tag) {
            return Err(damaged(&self.path, "loops are not in tag order"));
        }
        Ok(())
    }

    fn fill(&mut self) -> Result<(), StoreError> {
        while self.runs.is_empty() {
            match self.reader.next() {
                None => return Ok(()),
                Some(batch) => self.batch = batch.map_err(|e| damaged(&self.path, e))?,
            }
            for (name, from, rows) in runs_of(&self.batch).map_err(|e| damaged(&self.path, e))? {
                let tag = match &self.last {
                    Some(last) if last.as_str() == name => last.clone(),
                    _ => Tag::new(&name).map_err(|e| damaged(&self.path, e))?,
                };
                self.last = Some(tag.clone());
                self.runs.push_back((tag, from, rows));
            }
        }
        Ok(())
    }
}

/// Appends the rows of one loop, whatever their time.
pub(crate) fn read_loop(
    files: &dyn Files,
    path: &Path,
    tag: &Tag,
    into: &mut Columns,
) -> Result<(), StoreError> {
    let builder = open(files, path, true)?;
    let groups: Vec<usize> = builder
        .metadata()
        .row_groups()
        .iter()
        .enumerate()
        .filter(|(_, group)| may_hold(group, tag))
        .map(|(n, _)| n)
        .collect();
    if groups.is_empty() {
        return Ok(());
    }
    let wanted = tag.as_str().to_owned();
    let only_tag = ProjectionMask::columns(builder.parquet_schema(), ["tag"]);
    let predicate = ArrowPredicateFn::new(only_tag, move |batch: RecordBatch| {
        let tags = batch
            .columns()
            .first()
            .and_then(|c| c.as_dictionary_opt::<arrow_array::types::Int32Type>())
            .ok_or_else(|| {
                arrow_schema::ArrowError::SchemaError("column `tag` is not a dictionary".into())
            })?;
        let key = tags
            .values()
            .as_string_opt::<i32>()
            .and_then(|names| names.iter().position(|n| n == Some(&wanted)));
        let keys = tags.keys().values().iter();
        Ok(match key.and_then(|k| i32::try_from(k).ok()) {
            Some(key) => BooleanArray::from(keys.map(|k| *k == key).collect::<Vec<bool>>()),
            None => BooleanArray::from(vec![false; keys.len()]),
        })
    });
    let reader = builder
        .with_row_groups(groups)
        .with_row_filter(RowFilter::new(vec![Box::new(predicate)]))
        .with_batch_size(16_384)
        .build()
        .map_err(|e| damaged(path, e))?;
    for batch in reader {
        let batch = batch.map_err(|e| damaged(path, e))?;
        tags_of(&batch).map_err(|e| damaged(path, e))?;
        append_rows(&batch, 0, batch.num_rows(), into).map_err(|e| damaged(path, e))?;
    }
    Ok(())
}

/// Without statistics a row group may hold anything.
fn may_hold(group: &RowGroupMetaData, tag: &Tag) -> bool {
    let Some(Statistics::ByteArray(s)) = group.columns().get(1).and_then(|c| c.statistics()) else {
        return true;
    };
    let wanted = tag.as_str().as_bytes();
    let (min, max) = (s.min_bytes_opt(), s.max_bytes_opt());
    min.is_none_or(|m| m <= wanted) && max.is_none_or(|m| wanted <= m)
}
