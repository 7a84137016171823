//! Columns of a day file straight from its pages: values and which of them are there, without a bitmap and without gaps to
//! be made and undone. Of the file's layout only what day files have is known; any other is left to the Arrow reader.

use crate::batch::NAMES;
use crate::chunkread::ChunkedFile;
use ingest_model::{Columns, MISSING_TIME};
use parquet::basic::Type;
use parquet::column::reader::ColumnReaderImpl;
use parquet::data_type::{DataType, DoubleType, Int32Type, Int64Type};
use parquet::errors::{ParquetError, Result};
use parquet::file::metadata::ParquetMetaData;
use parquet::file::serialized_reader::SerializedPageReader;
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
                    let group = groups.get(self.next).map(|g| metadata.row_group(*g));
                    let group = group.ok_or_else(|| {
                        ParquetError::EOF("a column has fewer rows than the tags".to_owned())
                    })?;
                    self.next += 1;
                    let chunk = group.column(self.column);
                    let count = usize::try_from(group.num_rows())?;
                    let pages = SerializedPageReader::new(file.clone(), chunk, count, None)?;
                    none.insert(ColumnReaderImpl::new(
                        chunk.column_descr_ptr(),
                        Box::new(pages),
                    ))
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
                (Type::DOUBLE, Type::DOUBLE) => Reader::Double(Open::new(n)),
                (Type::INT32, Type::INT32) => Reader::Int(Open::new(n)),
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
                    let to = match r.column {
                        2 => &mut into.pv,
                        3 => &mut into.sv,
                        4 => &mut into.tv,
                        5 => &mut into.qv,
                        6 => &mut into.reported_ma,
                        _ => &mut into.analog_ma,
                    };
                    r.append(f64::NAN, |v| *v, to);
                }
                Reader::Int(r) => {
                    r.read(file, metadata, groups, rows)?;
                    // Unsigned numbers, the wide ones over the sign.
                    match r.column {
                        9 => r.append(-1, |v| *v as i16, &mut into.response_code),
                        10 => r.append(-1, |v| *v as i16, &mut into.device_status),
                        11 => r.append(-1, |v| *v as i16, &mut into.extended_status),
                        12 => r.append(-1, |v| *v as i16, &mut into.pv_status),
                        13 => r.append(-1, |v| i64::from(*v as u32), &mut into.exchanges),
                        14 => r.append(-1, |v| i64::from(*v as u32), &mut into.comm_errors),
                        _ => r.append(-1, |v| *v, &mut into.config_changes),
                    }
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
