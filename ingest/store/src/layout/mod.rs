//! The compact layout of old days: the same rows in about half the bytes, and not one bit of them lost (FORMAT.md).
//!
//! A file of the compact layout is Parquet with the columns of a day file in their order. Times and floating-point columns
//! are integers in it ([`forms`], [`times`]); a further column `layout` says for each loop what the integers mean.

mod forms;
mod note;
mod times;

use crate::batch::{NAMES, append_plain, plain, tags};
use arrow_array::cast::AsArray;
use arrow_array::types::{Int32Type, Int64Type};
use arrow_array::{
    Array, ArrayRef, BinaryArray, DictionaryArray, Int32Array, Int64Array, RecordBatch,
};
use arrow_schema::{ArrowError, DataType, Field, Schema, SchemaRef};
use ingest_model::{Columns, MISSING_TIME, Tag};
use note::Note;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::schema::types::{ColumnPath, SchemaDescriptor};
use std::sync::{Arc, LazyLock};

/// `loopwitness.format` of files in this layout.
pub(crate) const FORMAT_VERSION: &str = "1-compact";
/// Name of the column that only this layout has.
pub(crate) const LAYOUT: &str = "layout";
/// Where it stands.
const LAYOUT_AT: usize = NAMES.len();
/// Floating-point columns, by their place.
const FLOATS: std::ops::Range<usize> = 2..8;
const ANALOG_TIME: usize = 8;
/// Columns whose values are there only as integers.
const CODED: [usize; 8] = [0, 2, 3, 4, 5, 6, 7, ANALOG_TIME];
/// A page closes beyond this many rows. Old days are seldom read, so pages are larger than in a day file.
const PAGE_ROWS: usize = 8_192;
/// Written once and then kept: worth more work than a fresh day's level 3.
const ZSTD_LEVEL: i32 = 9;

static SCHEMA: LazyLock<SchemaRef> = LazyLock::new(|| {
    let dictionary = |of| DataType::Dictionary(Box::new(DataType::Int32), Box::new(of));
    let open = crate::batch::schema();
    let fields = open.fields().iter().enumerate().map(|(n, field)| {
        let coded = CODED.contains(&n);
        let kind = match coded {
            true => DataType::Int64,
            false => field.data_type().clone(),
        };
        Field::new(field.name(), kind, field.is_nullable())
    });
    let layout = Field::new(LAYOUT, dictionary(DataType::Binary), false);
    Arc::new(Schema::new(fields.chain([layout]).collect::<Vec<_>>()))
});

pub(crate) fn schema() -> SchemaRef {
    SCHEMA.clone()
}

/// Integers by byte plane; statistics by page only of the tags, which is what a page is looked up by.
pub(crate) fn properties() -> parquet::errors::Result<WriterProperties> {
    let mut p = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(ZSTD_LEVEL)?))
        .set_statistics_enabled(EnabledStatistics::Chunk)
        .set_column_statistics_enabled(ColumnPath::from("tag"), EnabledStatistics::Page)
        .set_column_statistics_enabled(ColumnPath::from(LAYOUT), EnabledStatistics::None)
        .set_max_row_group_row_count(None)
        .set_data_page_row_count_limit(PAGE_ROWS)
        .set_created_by(format!("loopwitness {}", env!("CARGO_PKG_VERSION")));
    for name in CODED.iter().filter_map(|n| NAMES.get(*n)) {
        p = p
            .set_column_dictionary_enabled(ColumnPath::from(*name), false)
            .set_column_encoding(ColumnPath::from(*name), Encoding::BYTE_STREAM_SPLIT);
    }
    for name in ["exchanges", "comm_errors", "config_changes"] {
        p = p
            .set_column_dictionary_enabled(ColumnPath::from(name), false)
            .set_column_encoding(ColumnPath::from(name), Encoding::DELTA_BINARY_PACKED);
    }
    Ok(p.build())
}

/// Columns of whole loops, coded one by one.
#[derive(Debug, Default)]
pub(crate) struct Packed {
    notes: Vec<Vec<u8>>,
    /// Integers of the columns of [`CODED`].
    coded: [Vec<i64>; CODED.len()],
}

impl Packed {
    /// Codes the rows of one loop's day; times increase.
    pub(crate) fn push(&mut self, rows: &Columns) {
        let (grid, time) = times::encode(&rows.time);
        let (beside, analog_time) =
            times::encode_beside(&rows.time, &rows.analog_time, MISSING_TIME);
        let column = |n: usize| float(rows, n);
        let floats: [forms::Coded; 6] =
            std::array::from_fn(|i| forms::encode(column(i), guide_of(i).map(column)));
        let note = Note {
            grid,
            beside,
            floats: floats.each_ref().map(|c| (c.form, c.from)),
        };
        self.notes.push(note.to_bytes());
        let of_floats = floats.into_iter().map(|c| c.integers);
        let all = [time].into_iter().chain(of_floats).chain([analog_time]);
        for (into, from) in self.coded.iter_mut().zip(all) {
            into.extend(from);
        }
    }

    /// The batch of these loops: row `i` belongs to `dictionary[keys[i]]`.
    pub(crate) fn to_batch(
        &self,
        dictionary: &[Tag],
        keys: Vec<i32>,
        rows: &Columns,
    ) -> Result<RecordBatch, ArrowError> {
        let notes = BinaryArray::from_iter_values(&self.notes);
        let keys = Int32Array::from(keys);
        let tag = tags(dictionary, keys.clone())?;
        let layout = DictionaryArray::<Int32Type>::try_new(keys, Arc::new(notes))?;
        let coded = |n: usize| -> Result<ArrayRef, ArrowError> {
            let slot = CODED.iter().position(|c| *c == n);
            let values = slot.and_then(|s| self.coded.get(s)).cloned();
            let values = values.unwrap_or_default();
            let there: Vec<bool> = match n {
                0 => Vec::new(),
                ANALOG_TIME => rows
                    .analog_time
                    .iter()
                    .map(|t| *t != MISSING_TIME)
                    .collect(),
                _ => float(rows, n - FLOATS.start)
                    .iter()
                    .map(|v| v.is_finite())
                    .collect(),
            };
            let some_missing = there.iter().any(|t| !t);
            let nulls = some_missing.then(|| there.into_iter().collect());
            Ok(Arc::new(Int64Array::try_new(values.into(), nulls)?))
        };
        let mut columns: Vec<ArrayRef> = vec![coded(0)?, tag];
        for n in FLOATS.chain([ANALOG_TIME]) {
            columns.push(coded(n)?);
        }
        columns.extend(plain(rows));
        columns.push(Arc::new(layout));
        RecordBatch::try_new(schema(), columns)
    }

    pub(crate) fn clear(&mut self) {
        self.notes.clear();
        self.coded.iter_mut().for_each(Vec::clear);
    }
}

/// Of the floating-point columns `pv sv tv qv reported_ma analog_ma` the one by place.
fn float(rows: &Columns, n: usize) -> &[f64] {
    match n {
        0 => &rows.pv,
        1 => &rows.sv,
        2 => &rows.tv,
        3 => &rows.qv,
        4 => &rows.reported_ma,
        _ => &rows.analog_ma,
    }
}

/// Whose line a column may follow: both currents the process value's.
fn guide_of(n: usize) -> Option<usize> {
    match n {
        4 | 5 => Some(0),
        _ => None,
    }
}

/// Rows of one loop as they are in a file, gathered until all are there: an integer means something only after those
/// before it.
#[derive(Debug, Default)]
pub(crate) struct Gathered {
    note: Option<Vec<u8>>,
    coded: [Vec<i64>; CODED.len()],
    there: [Vec<bool>; CODED.len()],
}

impl Gathered {
    /// Takes rows `from..from + rows` of a batch that has only some columns of [`schema`]: `place` says where column n is;
    /// where it is not, every value is missing. What is not coded goes to `into` at once.
    pub(crate) fn take(
        &mut self,
        batch: &RecordBatch,
        from: usize,
        rows: usize,
        place: &dyn Fn(usize) -> Option<usize>,
        into: &mut Columns,
    ) -> Result<(), ArrowError> {
        let missing = |n: usize| ArrowError::SchemaError(format!("column {n} is missing"));
        let at = |n: usize| place(n).and_then(|p| batch.columns().get(p));
        let notes = at(LAYOUT_AT)
            .and_then(|c| c.as_dictionary_opt::<Int32Type>())
            .ok_or_else(|| missing(LAYOUT_AT))?;
        let texts = notes.values().as_binary_opt::<i32>();
        let texts = texts.ok_or_else(|| missing(LAYOUT_AT))?;
        for row in from..from + rows {
            let key = notes.key(row).filter(|k| *k < texts.len());
            let key = key.ok_or_else(|| ArrowError::SchemaError("a row has no layout".into()))?;
            let note = texts.value(key);
            match &self.note {
                None => self.note = Some(note.to_owned()),
                Some(known) if known == note => {}
                Some(_) => {
                    return Err(ArrowError::SchemaError(
                        "one loop has two layouts in one file".into(),
                    ));
                }
            }
        }
        for (slot, &n) in CODED.iter().enumerate() {
            let (Some(coded), Some(there)) = (self.coded.get_mut(slot), self.there.get_mut(slot))
            else {
                continue;
            };
            let Some(array) = at(n) else {
                coded.resize(coded.len() + rows, 0);
                there.resize(there.len() + rows, false);
                continue;
            };
            let array = array.slice(from, rows);
            let array = array
                .as_primitive_opt::<Int64Type>()
                .ok_or_else(|| missing(n))?;
            coded.extend_from_slice(array.values());
            match array.nulls() {
                None => there.resize(there.len() + rows, true),
                Some(nulls) => there.extend(nulls.iter()),
            }
        }
        append_plain(batch, from, rows, place, into)
    }

    /// Appends the coded columns of what was gathered to `into` and is empty again.
    pub(crate) fn decode(&mut self, into: &mut Columns) -> Result<(), ArrowError> {
        let Some(note) = self.note.take() else {
            return Ok(());
        };
        let note = Note::from_bytes(&note)
            .ok_or_else(|| ArrowError::SchemaError("a layout cannot be understood".into()))?;
        let taken = std::mem::take(self);
        let [time, pv, sv, tv, qv, reported, analog, analog_time] = taken.coded;
        let [_, floats_there @ .., analog_time_there] = taken.there;
        let first = into.len();
        times::decode(note.grid, &time, &mut into.time);
        let decoded = into.time.get(first..).unwrap_or_default();
        into.analog_time
            .extend(analog_time.iter().zip(&analog_time_there).zip(decoded).map(
                |((n, there), time)| match there {
                    true => times::decode_beside(note.beside, *time, *n),
                    false => MISSING_TIME,
                },
            ));
        let integers = [pv, sv, tv, qv, reported, analog];
        let mut done: Vec<Vec<f64>> = Vec::with_capacity(integers.len());
        let parts = integers.into_iter().zip(floats_there).zip(note.floats);
        for (n, ((integers, there), (form, from))) in parts.enumerate() {
            let coded = forms::Coded {
                form,
                from,
                integers,
            };
            let guide = guide_of(n).and_then(|g| done.get(g));
            let guide = guide.map(Vec::as_slice);
            let mut values = Vec::with_capacity(time.len());
            forms::decode(&coded, there.into_iter(), guide, &mut values);
            done.push(values);
        }
        let columns = [
            &mut into.pv,
            &mut into.sv,
            &mut into.tv,
            &mut into.qv,
            &mut into.reported_ma,
            &mut into.analog_ma,
        ];
        for (into, values) in columns.into_iter().zip(done) {
            into.extend(values);
        }
        Ok(())
    }
}

/// A file with these columns is of the compact layout.
pub(crate) fn is_compact(file: &SchemaDescriptor) -> bool {
    file.num_columns() > LAYOUT_AT && file.column(LAYOUT_AT).name() == LAYOUT
}

#[cfg(test)]
mod tests;
