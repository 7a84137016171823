//! Columns of a day file straight from its pages: values and which of them are there, without a bitmap and without gaps to
//! be made and undone. Of the file's layout only what day files have is known; any other is left to the Arrow reader.

use crate::batch::NAMES;
use crate::chunkread::ChunkedFile;
use crate::pagevalues::{PageValues, Stored};
use ingest_model::{Columns, MISSING_TIME};
use parquet::basic::{Encoding, Type};
use parquet::column::reader::ColumnReaderImpl;
use parquet::data_type::{DataType, DoubleType, Int32Type, Int64Type};
use parquet::errors::{ParquetError, Result};
use parquet::file::metadata::ParquetMetaData;
use parquet::file::serialized_reader::SerializedPageReader;
use parquet::schema::types::ColumnDescPtr;
use std::sync::Arc;

/// `tag`, which is read elsewhere.
const TAG: usize = 1;

/// Columns of some row groups, read from front to back.
pub(crate) struct ColumnReaders {
    file: Arc<ChunkedFile>,
    metadata: Arc<ParquetMetaData>,
    groups: Vec<usize>,
    readers: Vec<Reader>,
}

enum Reader {
    Long(Open<Int64Type>),
    Double(Open<DoubleType>),
    Int(Open<Int32Type>),
    /// By byte plane and plain, as day files mostly have them.
    Planes(Direct<f64>),
    Plain(Direct<i32>),
}

/// A file, its footer, and of its row groups those that are read.
type Source<'a> = (&'a Arc<ChunkedFile>, &'a ParquetMetaData, &'a [usize]);

/// One column whose pages are taken apart here.
struct Direct<T> {
    column: usize,
    /// Of `groups`, the one that comes next.
    next: usize,
    pages: Option<PageValues<T>>,
}

impl<T: Stored> Direct<T> {
    /// The column's reader; `None` where a row group has it encoded otherwise.
    fn new(column: usize, metadata: &ParquetMetaData, groups: &[usize]) -> Option<Self> {
        let fits = |group: &usize| {
            let chunk = metadata.row_groups().get(*group);
            let chunk = chunk.and_then(|g| g.columns().get(column));
            let known = |e| e == Encoding::RLE || e == T::ENCODING;
            chunk.is_some_and(|c| c.encodings().all(known))
        };
        groups.iter().all(fits).then_some(Self {
            column,
            next: 0,
            pages: None,
        })
    }

    /// Appends the next `rows` rows, each value as `kept`.
    fn read<V: Copy>(
        &mut self,
        (file, metadata, groups): Source<'_>,
        rows: usize,
        missing: V,
        kept: impl Fn(T) -> V,
        into: &mut Vec<V>,
    ) -> Result<()> {
        let mut got = 0;
        while got < rows {
            let pages = match &mut self.pages {
                Some(pages) => pages,
                none => {
                    let (pages, optional) =
                        next_chunk(file, metadata, groups, self.column, &mut self.next)?;
                    none.insert(PageValues::new(
                        Box::new(pages),
                        optional.max_def_level() > 0,
                    ))
                }
            };
            let n = pages.read(rows - got, missing, &kept, into)?;
            got += n;
            if n == 0 {
                self.pages = None;
            }
        }
        Ok(())
    }
}

/// The pages of a column in the next row group, and what is said of the column.
fn next_chunk(
    file: &Arc<ChunkedFile>,
    metadata: &ParquetMetaData,
    groups: &[usize],
    column: usize,
    next: &mut usize,
) -> Result<(SerializedPageReader<ChunkedFile>, ColumnDescPtr)> {
    let group = groups.get(*next).map(|g| metadata.row_group(*g));
    let group = group
        .ok_or_else(|| ParquetError::EOF("a column has fewer rows than the tags".to_owned()))?;
    *next += 1;
    let chunk = group.column(column);
    let rows = usize::try_from(group.num_rows())?;
    let pages = SerializedPageReader::new(file.clone(), chunk, rows, None)?;
    Ok((pages, chunk.column_descr_ptr()))
}

/// One column at its place in the file.
struct Open<T: DataType> {
    column: usize,
    /// Of `groups`, the one that comes next.
    next: usize,
    reader: Option<ColumnReaderImpl<T>>,
    /// 1 where a value is there; empty of a column that always has one.
    levels: Vec<i16>,
    values: Vec<T::T>,
}

impl<T: DataType> Open<T> {
    fn new(column: usize) -> Self {
        Self {
            column,
            next: 0,
            reader: None,
            levels: Vec::new(),
            values: Vec::new(),
        }
    }

    /// The next `rows` rows.
    fn read(
        &mut self,
        file: &Arc<ChunkedFile>,
        metadata: &ParquetMetaData,
        groups: &[usize],
        rows: usize,
    ) -> Result<()> {
        self.levels.clear();
        self.values.clear();
        let mut got = 0;
        while got < rows {
            let reader = match &mut self.reader {
                Some(reader) => reader,
                none => {
                    let (pages, column) =
                        next_chunk(file, metadata, groups, self.column, &mut self.next)?;
                    none.insert(ColumnReaderImpl::new(column, Box::new(pages)))
                }
            };
            let levels = Some(&mut self.levels);
            let (records, ..) = reader.read_records(rows - got, levels, None, &mut self.values)?;
            got += records;
            if records == 0 {
                self.reader = None;
            }
        }
        Ok(())
    }

    /// Appends what was read, each value as `kept`.
    fn append<V: Copy>(&self, missing: V, kept: impl Fn(&T::T) -> V, into: &mut Vec<V>) {
        if self.values.len() >= self.levels.len() {
            into.extend(self.values.iter().map(kept));
            return;
        }
        let mut values = self.values.iter();
        into.extend(self.levels.iter().map(|level| {
            let value = if *level > 0 { values.next() } else { None };
            value.map_or(missing, &kept)
        }));
    }
}

/// Where the rows of a column of whole numbers come from.
trait Ints {
    fn append_to<V: Copy>(
        &mut self,
        missing: V,
        kept: impl Fn(i32) -> V,
        into: &mut Vec<V>,
    ) -> Result<()>;
}

/// What was read.
impl Ints for &Open<Int32Type> {
    fn append_to<V: Copy>(
        &mut self,
        missing: V,
        kept: impl Fn(i32) -> V,
        into: &mut Vec<V>,
    ) -> Result<()> {
        self.append(missing, |v| kept(*v), into);
        Ok(())
    }
}

/// The next rows of a column, of which file, from where on, and how many.
struct Coming<'a>(&'a mut Direct<i32>, Source<'a>, usize);

impl Ints for Coming<'_> {
    fn append_to<V: Copy>(
        &mut self,
        missing: V,
        kept: impl Fn(i32) -> V,
        into: &mut Vec<V>,
    ) -> Result<()> {
        self.0.read(self.1, self.2, missing, kept, into)
    }
}

/// Unsigned numbers, the wide ones over the sign.
fn append_ints(column: usize, mut from: impl Ints, into: &mut Columns) -> Result<()> {
    let wide = |v| i64::from(v as u32);
    match column {
        9 => from.append_to(-1, |v| v as i16, &mut into.response_code),
        10 => from.append_to(-1, |v| v as i16, &mut into.device_status),
        11 => from.append_to(-1, |v| v as i16, &mut into.extended_status),
        12 => from.append_to(-1, |v| v as i16, &mut into.pv_status),
        13 => from.append_to(-1, wide, &mut into.exchanges),
        14 => from.append_to(-1, wide, &mut into.comm_errors),
        _ => from.append_to(-1, |v| v, &mut into.config_changes),
    }
}

/// The column of process values or currents of this number.
fn double(column: usize, of: &mut Columns) -> &mut Vec<f64> {
    match column {
        2 => &mut of.pv,
        3 => &mut of.sv,
        4 => &mut of.tv,
        5 => &mut of.qv,
        6 => &mut of.reported_ma,
        _ => &mut of.analog_ma,
    }
}

impl ColumnReaders {
    /// Readers of the columns `wanted`; `None` where the file has another layout than day files.
    pub(crate) fn new(
        file: ChunkedFile,
        metadata: &Arc<ParquetMetaData>,
        groups: &[usize],
        wanted: &[usize],
    ) -> Option<Self> {
        let schema = metadata.file_metadata().schema_descr();
        let mut readers = Vec::new();
        for &n in wanted.iter().filter(|n| **n != TAG) {
            let column = schema.columns().get(n)?;
            if column.max_def_level() > 1 || column.max_rep_level() > 0 {
                return None;
            }
            readers.push(match (kind(n)?, column.physical_type()) {
                (Type::INT64, Type::INT64) => Reader::Long(Open::new(n)),
                (Type::DOUBLE, Type::DOUBLE) => match Direct::new(n, metadata, groups) {
                    Some(direct) => Reader::Planes(direct),
                    None => Reader::Double(Open::new(n)),
                },
                (Type::INT32, Type::INT32) => match Direct::new(n, metadata, groups) {
                    Some(direct) => Reader::Plain(direct),
                    None => Reader::Int(Open::new(n)),
                },
                _ => return None,
            });
        }
        Some(Self {
            file: Arc::new(file),
            metadata: metadata.clone(),
            groups: groups.to_vec(),
            readers,
        })
    }

    /// The next `rows` rows in place of what `into` held; columns that are not read stay empty.
    pub(crate) fn read(&mut self, rows: usize, into: &mut Columns) -> Result<()> {
        into.clear();
        let (file, metadata, groups) = (&self.file, &*self.metadata, &*self.groups);
        for reader in &mut self.readers {
            match reader {
                Reader::Long(r) => {
                    r.read(file, metadata, groups, rows)?;
                    let to = match r.column {
                        0 => &mut into.time,
                        _ => &mut into.analog_time,
                    };
                    r.append(MISSING_TIME, |v| *v, to);
                }
                Reader::Double(r) => {
                    r.read(file, metadata, groups, rows)?;
                    r.append(f64::NAN, |v| *v, double(r.column, into));
                }
                Reader::Planes(r) => {
                    let to = double(r.column, into);
                    r.read((file, metadata, groups), rows, f64::NAN, |v| v, to)?;
                }
                Reader::Int(r) => {
                    r.read(file, metadata, groups, rows)?;
                    append_ints(r.column, &*r, into)?;
                }
                Reader::Plain(r) => {
                    append_ints(r.column, Coming(r, (file, metadata, groups), rows), into)?;
                }
            }
        }
        Ok(())
    }
}

/// How a column of a day file is stored.
fn kind(column: usize) -> Option<Type> {
    match NAMES.get(column)? {
        &"time" | &"analog_time" => Some(Type::INT64),
        &"pv" | &"sv" | &"tv" | &"qv" | &"reported_ma" | &"analog_ma" => Some(Type::DOUBLE),
        &"tag" => None,
        _ => Some(Type::INT32),
    }
}

/// Appends rows `from..from + rows` of columns of which some are empty: there every value is missing.
pub(crate) fn append_some(read: &Columns, from: usize, rows: usize, into: &mut Columns) {
    let len = into.len() + rows;
    macro_rules! go {
        ($f:ident, $missing:expr) => {
            if let Some(values) = read.$f.get(from..from + rows) {
                into.$f.extend_from_slice(values);
            } else {
                into.$f.resize(len, $missing);
            }
        };
    }
    go!(pv, f64::NAN);
    go!(sv, f64::NAN);
    go!(tv, f64::NAN);
    go!(qv, f64::NAN);
    go!(reported_ma, f64::NAN);
    go!(analog_ma, f64::NAN);
    go!(analog_time, MISSING_TIME);
    go!(response_code, -1);
    go!(device_status, -1);
    go!(extended_status, -1);
    go!(pv_status, -1);
    go!(exchanges, -1);
    go!(comm_errors, -1);
    go!(config_changes, -1);
    go!(time, MISSING_TIME);
}
