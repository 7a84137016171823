//! Reading day files back into columns: a whole file loop by loop, or one loop by row-group statistics.

use crate::batch::{NAMES, append_columns, runs_of, schema};
use crate::chunkread::ChunkedFile;
use crate::columnread::{ColumnReaders, append_some};
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

/// A day file with its footer, to be read as often as needed.
pub(crate) struct PartFile {
    path: PathBuf,
    footer: ArrowReaderMetadata,
}

impl std::fmt::Debug for PartFile {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_tuple("PartFile").field(&self.path).finish()
    }
}

impl PartFile {
    pub(crate) fn open(files: &dyn Files, path: &Path) -> Result<Self, StoreError> {
        guarded(path, || {
            let file = open(files, path)?;
            Ok(Self {
                path: path.to_owned(),
                footer: footer(&file, PageIndexPolicy::Skip).map_err(|e| damaged(path, e))?,
            })
        })
    }

    pub(crate) fn rows(&self) -> i64 {
        self.footer.metadata().file_metadata().num_rows()
    }

    /// The least tag of every row group but the first, as far as the statistics say them and they increase.
    pub(crate) fn row_group_begins(&self) -> Vec<Vec<u8>> {
        let mut begins: Vec<Vec<u8>> = Vec::new();
        for group in self.footer.metadata().row_groups().iter().skip(1) {
            let tags = group.columns().get(TAG).and_then(|c| c.statistics());
            let least = tags.and_then(Statistics::min_bytes_opt).unwrap_or_default();
            if begins.last().map_or(&b""[..], Vec::as_slice) < least {
                begins.push(least.to_vec());
            }
        }
        begins
    }
}

/// Tags from the first on, up to before the second, in order of bytes.
pub(crate) type TagRange<'a> = (&'a [u8], Option<&'a [u8]>);

/// One day file, loop by loop in tag order.
pub(crate) struct PartStream {
    path: PathBuf,
    reader: ParquetRecordBatchReader,
    batch: RecordBatch,
    /// Where the file is one of ours: its columns but the tag, which `batch` then has alone, and their rows of `batch`.
    columns: Option<ColumnReaders>,
    rows: Columns,
    /// Column `n` of a day file is this one of a batch.
    places: [Option<usize>; NAMES.len()],
    runs: VecDeque<(Tag, usize, usize)>,
    last: Option<Tag>,
    from: Vec<u8>,
    end: Option<Vec<u8>>,
    /// Of a file in the compact layout: rows of the loop that is being taken.
    gathered: Option<Gathered>,
}

impl PartStream {
    /// All of a file.
    pub(crate) fn open(
        files: &dyn Files,
        path: &Path,
        batch_rows: usize,
    ) -> Result<Self, StoreError> {
        let part = PartFile::open(files, path)?;
        let all: Vec<usize> = (0..NAMES.len()).collect();
        Self::of(files, &part, batch_rows, &all, (b"", None))
    }

    /// The loops in `range`, with the columns `wanted` (`time` and `tag` among them, in their order).
    pub(crate) fn of(
        files: &dyn Files,
        part: &PartFile,
        batch_rows: usize,
        wanted: &[usize],
        range: TagRange<'_>,
    ) -> Result<Self, StoreError> {
        guarded(&part.path, || {
            Self::unguarded(files, part, batch_rows, wanted, range)
        })
    }

    fn unguarded(
        files: &dyn Files,
        part: &PartFile,
        batch_rows: usize,
        wanted: &[usize],
        (from, end): TagRange<'_>,
    ) -> Result<Self, StoreError> {
        let path = part.path.as_path();
        let file = open(files, path)?;
        let metadata = part.footer.metadata();
        let groups: Vec<usize> = metadata
            .row_groups()
            .iter()
            .enumerate()
            .filter(|(_, group)| may_hold(group, from, end))
            .map(|(n, _)| n)
            .collect();
        // A column without a value needs no reading; in the compact layout columns are told from each other.
        let compact = is_compact(part.footer.parquet_schema());
        let read: Vec<usize> = if compact {
            (0..part.footer.parquet_schema().num_columns()).collect()
        } else {
            let wanted = wanted.iter().copied();
            wanted
                .filter(|&n| n <= TAG || !is_empty(metadata, &groups, n))
                .collect()
        };
        let mut places = [None; NAMES.len()];
        for (place, n) in read.iter().enumerate() {
            if let Some(slot) = places.get_mut(*n) {
                *slot = Some(place);
            }
        }
        let file = ChunkedFile::new(file, metadata).map_err(|e| damaged(path, e))?;
        let mut columns = None;
        if !compact {
            columns = ColumnReaders::new(file.clone(), metadata, &groups, &read);
        }
        let builder = ParquetRecordBatchReaderBuilder::new_with_metadata(file, part.footer.clone());
        let mask = match &columns {
            Some(_) => ProjectionMask::leaves(builder.parquet_schema(), [TAG]),
            None => ProjectionMask::leaves(builder.parquet_schema(), read),
        };
        let reader = builder
            .with_row_groups(groups)
            .with_projection(mask)
            .with_batch_size(batch_rows)
            .build()
            .map_err(|e| damaged(path, e))?;
        let mut stream = Self {
            path: path.to_owned(),
            reader,
            batch: RecordBatch::new_empty(schema()),
            columns,
            rows: Columns::default(),
            places,
            runs: VecDeque::new(),
            last: None,
            from: from.to_vec(),
            end: end.map(<[u8]>::to_vec),
            gathered: compact.then(Gathered::default),
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
                let place = |n: usize| self.places.get(n).copied().flatten();
                match &mut self.gathered {
                    None if self.columns.is_some() => {
                        append_some(&self.rows, from, rows, into);
                        Ok(())
                    }
                    None => append_columns(&self.batch, from, rows, &place, into),
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
            if let Some(columns) = &mut self.columns {
                let read = columns.read(self.batch.num_rows(), &mut self.rows);
                read.map_err(|e| damaged(&self.path, e))?;
            }
            for (name, from, rows) in runs_of(&self.batch).map_err(|e| damaged(&self.path, e))? {
                let bytes = name.as_bytes();
                if bytes < &*self.from || self.end.as_deref().is_some_and(|end| bytes >= end) {
                    continue;
                }
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
    // The tag itself, and nothing up to the next possible one.
    let wanted = tag.as_str().as_bytes();
    let after: Vec<u8> = wanted.iter().copied().chain([0]).collect();
    let groups: Vec<usize> = builder
        .metadata()
        .row_groups()
        .iter()
        .enumerate()
        .filter(|(_, group)| may_hold(group, wanted, Some(&after)))
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

/// Whether a row group may hold tags from `from` to before `end`. Without statistics it may hold anything.
fn may_hold(group: &RowGroupMetaData, from: &[u8], end: Option<&[u8]>) -> bool {
    let Some(Statistics::ByteArray(s)) = group.columns().get(TAG).and_then(|c| c.statistics())
    else {
        return true;
    };
    let (min, max) = (s.min_bytes_opt(), s.max_bytes_opt());
    max.is_none_or(|max| from <= max) && min.is_none_or(|min| end.is_none_or(|end| min < end))
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
