//! Reading day files back into columns: a whole file loop by loop, or one loop by row-group statistics.

use crate::batch::{append_columns, append_rows, runs_of, schema};
use crate::error::StoreError;
use crate::files::Files;
use crate::layout::{self, Gathered, is_compact};
use arrow_array::cast::AsArray;
use arrow_array::{BooleanArray, RecordBatch};
use ingest_model::{Columns, Tag};
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{
    ArrowPredicateFn, ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReader,
    ParquetRecordBatchReaderBuilder, RowFilter, RowSelection,
};
use parquet::file::metadata::{PageIndexPolicy, ParquetMetaData, RowGroupMetaData};
use parquet::file::page_index::column_index::ColumnIndexMetaData;
use parquet::file::statistics::Statistics;
use std::collections::{HashMap, VecDeque};
use std::fs::File;
use std::ops::Range;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// Bytes of footers kept.
const FOOTERS_BYTES: usize = 64 * 1024 * 1024;
/// Column `tag` in a day file.
const TAG: usize = 1;

/// Footers with their page indexes, by the hash of the file: reading one loop needs little more of a file, and a file
/// never changes.
#[derive(Default)]
pub(crate) struct Footers {
    kept: Mutex<Kept>,
}

#[derive(Default)]
struct Kept {
    by_hash: HashMap<String, (ArrowReaderMetadata, u64)>,
    bytes: usize,
    uses: u64,
}

impl std::fmt::Debug for Footers {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Footers").finish_non_exhaustive()
    }
}

impl Footers {
    fn of(&self, file: &File, path: &Path, hash: &str) -> Result<ArrowReaderMetadata, StoreError> {
        {
            let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
            kept.uses += 1;
            let now = kept.uses;
            if let Some((footer, used)) = kept.by_hash.get_mut(hash) {
                *used = now;
                return Ok(footer.clone());
            }
        }
        let footer = footer(file, PageIndexPolicy::Optional).map_err(|e| damaged(path, e))?;
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let now = kept.uses;
        let bytes = footer.metadata().memory_size();
        if kept
            .by_hash
            .insert(hash.to_owned(), (footer.clone(), now))
            .is_none()
        {
            kept.bytes += bytes;
        }
        while kept.bytes > FOOTERS_BYTES && kept.by_hash.len() > 1 {
            let oldest = kept.by_hash.iter().min_by_key(|(_, (_, used))| *used);
            let Some(oldest) = oldest.map(|(hash, _)| hash.clone()) else {
                break;
            };
            if let Some((gone, _)) = kept.by_hash.remove(&oldest) {
                kept.bytes = kept.bytes.saturating_sub(gone.metadata().memory_size());
            }
        }
        Ok(footer)
    }
}

/// The footer of a day file in either layout, with the types that its columns are read as.
fn footer(file: &File, index: PageIndexPolicy) -> parquet::errors::Result<ArrowReaderMetadata> {
    let options = ArrowReaderOptions::new().with_page_index_policy(index);
    let found = ArrowReaderMetadata::load(file, options.clone())?;
    let schema = match is_compact(found.parquet_schema()) {
        true => layout::schema(),
        false => schema(),
    };
    ArrowReaderMetadata::try_new(found.metadata().clone(), options.with_schema(schema))
}

fn damaged(path: &Path, why: impl ToString) -> StoreError {
    StoreError::Damaged {
        file: path.to_owned(),
        why: why.to_string(),
    }
}

fn open(files: &dyn Files, path: &Path) -> Result<File, StoreError> {
    files.open(path).map_err(|source| match source.kind() {
        std::io::ErrorKind::NotFound => StoreError::SnapshotTooOld {
            file: path.to_owned(),
        },
        _ => StoreError::Io {
            doing: "open",
            path: path.to_owned(),
            source,
        },
    })
}

/// The decoder is made for files that a Parquet writer made: should broken bytes make it panic, that is damage of this file
/// and not the end of an assessment.
fn guarded<T>(path: &Path, work: impl FnOnce() -> Result<T, StoreError>) -> Result<T, StoreError> {
    catch_unwind(AssertUnwindSafe(work))
        .unwrap_or_else(|_| Err(damaged(path, "the Parquet data is broken")))
}

/// One day file, loop by loop in tag order.
pub(crate) struct PartStream {
    path: PathBuf,
    reader: ParquetRecordBatchReader,
    batch: RecordBatch,
    runs: VecDeque<(Tag, usize, usize)>,
    last: Option<Tag>,
    /// Of a file in the compact layout: rows of the loop that is being taken.
    gathered: Option<Gathered>,
}

impl PartStream {
    pub(crate) fn open(
        files: &dyn Files,
        path: &Path,
        batch_rows: usize,
    ) -> Result<Self, StoreError> {
        guarded(path, || Self::open_unguarded(files, path, batch_rows))
    }

    fn open_unguarded(
        files: &dyn Files,
        path: &Path,
        batch_rows: usize,
    ) -> Result<Self, StoreError> {
        let file = open(files, path)?;
        let footer = footer(&file, PageIndexPolicy::Skip).map_err(|e| damaged(path, e))?;
        let gathered = is_compact(footer.parquet_schema()).then(Gathered::default);
        let reader = ParquetRecordBatchReaderBuilder::new_with_metadata(file, footer)
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
            gathered,
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
        let path = self.path.clone();
        guarded(&path, || self.take_unguarded(into))
    }

    fn take_unguarded(&mut self, into: &mut Columns) -> Result<(), StoreError> {
        let Some(tag) = self.peek().cloned() else {
            return Ok(());
        };
        while self.peek() == Some(&tag) {
            if let Some((_, from, rows)) = self.runs.pop_front() {
                match &mut self.gathered {
                    None => append_rows(&self.batch, from, rows, into),
                    Some(gathered) => gathered.take(&self.batch, from, rows, &Some, into),
                }
                .map_err(|e| damaged(&self.path, e))?;
            }
            if self.runs.is_empty() {
                self.fill()?;
            }
        }
        if let Some(gathered) = &mut self.gathered {
            gathered.decode(into).map_err(|e| damaged(&self.path, e))?;
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
    footers: &Footers,
    place: (&Path, &str),
    tag: &Tag,
    into: &mut Columns,
) -> Result<(), StoreError> {
    guarded(place.0, || {
        read_loop_unguarded(files, footers, place, tag, into)
    })
}

fn read_loop_unguarded(
    files: &dyn Files,
    footers: &Footers,
    (path, hash): (&Path, &str),
    tag: &Tag,
    into: &mut Columns,
) -> Result<(), StoreError> {
    let file = open(files, path)?;
    let footer = footers.of(&file, path, hash)?;
    let builder = ParquetRecordBatchReaderBuilder::new_with_metadata(file, footer);
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
    let name = tag.as_str().to_owned();
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
            .and_then(|names| names.iter().position(|n| n == Some(&name)));
        let keys = tags.keys().values().iter();
        Ok(match key.and_then(|k| i32::try_from(k).ok()) {
            Some(key) => BooleanArray::from(keys.map(|k| *k == key).collect::<Vec<bool>>()),
            None => BooleanArray::from(vec![false; keys.len()]),
        })
    });
    let pages = pages_that_may_hold(builder.metadata(), &groups, tag);
    // The tag is known, and a column without a value needs no reading.
    let mut gathered = is_compact(builder.parquet_schema()).then(Gathered::default);
    let wanted: Vec<usize> = (0..builder.parquet_schema().num_columns())
        .filter(|&n| n != TAG && !is_empty(builder.metadata(), &groups, n))
        .collect();
    let columns = ProjectionMask::leaves(builder.parquet_schema(), wanted.iter().copied());
    let builder = match pages {
        Some(pages) => builder.with_row_selection(pages),
        None => builder,
    };
    let reader = builder
        .with_row_groups(groups)
        .with_projection(columns)
        .with_row_filter(RowFilter::new(vec![Box::new(predicate)]))
        .with_batch_size(16_384)
        .build()
        .map_err(|e| damaged(path, e))?;
    let place = |n: usize| wanted.iter().position(|w| *w == n);
    for batch in reader {
        let batch = batch.map_err(|e| damaged(path, e))?;
        let rows = batch.num_rows();
        match &mut gathered {
            None => append_columns(&batch, 0, rows, &place, into),
            Some(gathered) => gathered.take(&batch, 0, rows, &place, into),
        }
        .map_err(|e| damaged(path, e))?;
    }
    match &mut gathered {
        Some(gathered) => gathered.decode(into).map_err(|e| damaged(path, e)),
        None => Ok(()),
    }
}

/// The statistics say that the column has no value in these row groups.
fn is_empty(file: &ParquetMetaData, groups: &[usize], column: usize) -> bool {
    groups.iter().all(|&group| {
        let chunk = file.row_groups().get(group);
        let chunk = chunk.and_then(|g| g.columns().get(column));
        chunk.is_some_and(|c| {
            let nulls = c.statistics().and_then(Statistics::null_count_opt);
            nulls.is_some() && nulls == u64::try_from(c.num_values()).ok()
        })
    })
}

/// Without statistics a row group may hold anything.
fn may_hold(group: &RowGroupMetaData, tag: &Tag) -> bool {
    let Some(Statistics::ByteArray(s)) = group.columns().get(TAG).and_then(|c| c.statistics())
    else {
        return true;
    };
    let wanted = tag.as_str().as_bytes();
    let (min, max) = (s.min_bytes_opt(), s.max_bytes_opt());
    min.is_none_or(|m| m <= wanted) && max.is_none_or(|m| wanted <= m)
}

/// Rows of `groups` on pages that may hold the tag; `None` without a page index.
fn pages_that_may_hold(
    file: &ParquetMetaData,
    groups: &[usize],
    tag: &Tag,
) -> Option<RowSelection> {
    let wanted = tag.as_str().as_bytes();
    let mut ranges: Vec<Range<usize>> = Vec::new();
    let mut before = 0;
    for &group in groups {
        let rows = usize::try_from(file.row_groups().get(group)?.num_rows()).ok()?;
        let ColumnIndexMetaData::BYTE_ARRAY(index) = file.column_index()?.get(group)?.get(TAG)?
        else {
            return None;
        };
        let pages = file.offset_index()?.get(group)?.get(TAG)?.page_locations();
        if usize::try_from(index.num_pages()).ok()? != pages.len() {
            return None;
        }
        for page in 0..pages.len() {
            let first = usize::try_from(pages.get(page)?.first_row_index).ok()?;
            let end = match pages.get(page + 1) {
                Some(next) => usize::try_from(next.first_row_index).ok()?,
                None => rows,
            };
            let (min, max) = (index.min_value(page), index.max_value(page));
            if min.is_none_or(|m| m <= wanted) && max.is_none_or(|m| wanted <= m) {
                let range = before + first..before + end;
                match ranges.last_mut() {
                    Some(last) if last.end == range.start => last.end = range.end,
                    _ => ranges.push(range),
                }
            }
        }
        before += rows;
    }
    Some(RowSelection::from_consecutive_ranges(
        ranges.into_iter(),
        before,
    ))
}
