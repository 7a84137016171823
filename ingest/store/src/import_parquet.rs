//! Readings from Parquet: TIMESTAMP of any unit, floats of both widths, integers of any, tags as strings or dictionary.

use crate::chunkread::ChunkedFile;
use crate::error::StoreError;
use crate::import_sink::{BAD_INTEGER, FLOATS, INTEGERS, NO_TAG, RawRow, RawRows, Sink};
use arrow_array::cast::AsArray;
use arrow_array::types::{
    ArrowPrimitiveType, Float32Type, Float64Type, Int32Type, Int64Type, TimestampMicrosecondType,
    TimestampMillisecondType, UInt8Type, UInt16Type, UInt32Type,
};
use arrow_array::{Array, ArrayRef, PrimitiveArray, RecordBatch, StringArray};
use arrow_schema::{DataType, Schema, TimeUnit};
use ingest_model::MISSING_TIME;
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReaderBuilder,
};
use std::fs::File;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Arc;

/// Rows decoded at a time: so that what is done with them finds them in a core's cache.
const BATCH_ROWS: usize = 8_192;

pub(crate) fn read(path: &Path, file: File, sink: &mut Sink<'_>) -> Result<(), StoreError> {
    let damaged = |why: String| StoreError::Unreadable {
        file: path.to_owned(),
        why: format!("{why}; is the file complete?"),
    };
    // The decoder is made for files that a Parquet writer made: should broken bytes make it panic, that is an error
    // of this file and not the end of the service.
    let broken = |_| damaged("the Parquet data is broken".to_owned());
    let options = ArrowReaderOptions::new();
    // Parquet has no unit of seconds: Arrow writers note it, and more, in a schema of their own beside the file's.
    let metadata = catch_unwind(AssertUnwindSafe(|| {
        ArrowReaderMetadata::load(&file, options)
    }))
    .map_err(broken)?
    .map_err(|e| damaged(e.to_string()))?;
    check(path, metadata.schema())?;
    let metadata = with_tag_dictionary(&metadata).unwrap_or(metadata);
    let file = catch_unwind(AssertUnwindSafe(|| {
        ChunkedFile::new(file, metadata.metadata())
    }))
    .map_err(broken)?
    .map_err(|e| damaged(e.to_string()))?;
    let builder = ParquetRecordBatchReaderBuilder::new_with_metadata(file, metadata);
    let wanted: Vec<&str> = ["time", "tag", "analog_time"]
        .into_iter()
        .chain(FLOATS)
        .chain(INTEGERS.map(|(name, _)| name))
        .collect();
    let mask = ProjectionMask::columns(builder.parquet_schema(), wanted);
    let mut reader = builder
        .with_projection(mask)
        .with_batch_size(BATCH_ROWS)
        .build()
        .map_err(|e| damaged(e.to_string()))?;
    let mut line = 0;
    while let Some(batch) = catch_unwind(AssertUnwindSafe(|| reader.next())).map_err(broken)? {
        let batch = batch.map_err(|e| damaged(format!("after row {line}: {e}")))?;
        rows(&batch, &mut line, sink, &damaged)?;
        sink.tell();
    }
    Ok(())
}

/// The same with the tag as a dictionary, so that texts are looked at once a page and not once a row.
fn with_tag_dictionary(metadata: &ArrowReaderMetadata) -> Option<ArrowReaderMetadata> {
    let fields = metadata.schema().fields().iter().map(|field| {
        if field.name() == "tag" && *field.data_type() == DataType::Utf8 {
            let text = Box::new(DataType::Utf8);
            let dictionary = DataType::Dictionary(Box::new(DataType::Int32), text);
            Arc::new(field.as_ref().clone().with_data_type(dictionary))
        } else {
            field.clone()
        }
    });
    let schema = Arc::new(Schema::new(fields.collect::<Vec<_>>()));
    let options = ArrowReaderOptions::new().with_schema(schema);
    ArrowReaderMetadata::try_new(metadata.metadata().clone(), options).ok()
}

/// Columns that the contract names must have the contract's types; others are not looked at.
fn check(path: &Path, schema: &Schema) -> Result<(), StoreError> {
    let wrong = |column: &str, found: &DataType, wanted: &'static str| StoreError::ColumnType {
        file: path.to_owned(),
        column: column.to_owned(),
        found: found.to_string(),
        wanted,
    };
    for column in ["time", "tag"] {
        if schema.column_with_name(column).is_none() {
            return Err(StoreError::MissingColumn {
                file: path.to_owned(),
                column,
            });
        }
    }
    for (n, field) in schema.fields().iter().enumerate() {
        let (name, found) = (field.name().as_str(), field.data_type());
        if schema.fields().iter().take(n).any(|f| f.name() == name) {
            return Err(StoreError::RepeatedColumn {
                file: path.to_owned(),
                column: name.to_owned(),
            });
        }
        let ok = match name {
            "time" | "analog_time" if !matches!(found, DataType::Timestamp(..)) => {
                return Err(wrong(name, found, "TIMESTAMP"));
            }
            "tag" if !is_text(found) => {
                return Err(wrong(name, found, "a string or a dictionary of strings"));
            }
            _ if FLOATS.contains(&name) => {
                found.is_floating() || found.is_integer() || *found == DataType::Null
            }
            _ if INTEGERS.iter().any(|(n, _)| *n == name) => {
                found.is_integer() || *found == DataType::Null
            }
            _ => true,
        };
        if !ok {
            let wanted = if FLOATS.contains(&name) {
                "a float (f32 or f64)"
            } else {
                "an integer"
            };
            return Err(wrong(name, found, wanted));
        }
    }
    Ok(())
}

fn is_text(found: &DataType) -> bool {
    match found {
        DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View => true,
        DataType::Dictionary(_, value) => is_text(value),
        _ => false,
    }
}

fn rows(
    batch: &RecordBatch,
    line: &mut u64,
    sink: &mut Sink<'_>,
    damaged: &dyn Fn(String) -> StoreError,
) -> Result<(), StoreError> {
    let n = batch.num_rows();
    let cast = |name: &str, to: &DataType| -> Result<Option<ArrayRef>, StoreError> {
        let Some(column) = batch.column_by_name(name) else {
            return Ok(None);
        };
        arrow_cast::cast(column, to)
            .map(Some)
            .map_err(|e| damaged(format!("column `{name}`: {e}")))
    };
    let times = |name: &str| -> Result<Vec<i64>, StoreError> {
        // The usual ones without a copy in between.
        if let Some(column) = batch.column_by_name(name) {
            if let Some(a) = column.as_primitive_opt::<TimestampMicrosecondType>() {
                return Ok(filled(a, MISSING_TIME, |t| t));
            }
            if let Some(a) = column.as_primitive_opt::<TimestampMillisecondType>() {
                let us = |t: i64| t.checked_mul(1_000).unwrap_or(i64::MAX);
                return Ok(filled(a, MISSING_TIME, us));
            }
        }
        let to = DataType::Timestamp(TimeUnit::Microsecond, None);
        let array = cast(name, &to)?;
        let Some(array) = array
            .as_ref()
            .and_then(|a| a.as_primitive_opt::<TimestampMicrosecondType>())
        else {
            return Ok(vec![MISSING_TIME; n]);
        };
        let given = batch
            .column_by_name(name)
            .map(|c| c.null_count())
            .unwrap_or_default();
        if array.null_count() == given {
            return Ok(filled(array, MISSING_TIME, |t| t));
        }
        // The conversion to microseconds overflowed: given, but no usable time.
        let given = batch.column_by_name(name);
        Ok(array
            .iter()
            .enumerate()
            .map(|(i, t)| match t {
                Some(t) => t,
                None if given.is_some_and(|c| c.is_valid(i)) => i64::MAX,
                None => MISSING_TIME,
            })
            .collect())
    };
    let (time, analog_time) = (times("time")?, times("analog_time")?);
    let mut floats: [Vec<f64>; 6] = Default::default();
    for (slot, name) in floats.iter_mut().zip(FLOATS) {
        let single = batch.column_by_name(name);
        if let Some(a) = single.and_then(|c| c.as_primitive_opt::<Float32Type>()) {
            *slot = filled(a, f64::NAN, f64::from);
            continue;
        }
        let array = cast(name, &DataType::Float64)?;
        *slot = match array
            .as_ref()
            .and_then(|a| a.as_primitive_opt::<Float64Type>())
        {
            Some(a) => filled(a, f64::NAN, |v| v),
            None => vec![f64::NAN; n],
        };
    }
    let mut integers: [Vec<i64>; 7] = Default::default();
    for (slot, (name, _)) in integers.iter_mut().zip(INTEGERS) {
        if let Some(values) = batch.column_by_name(name).and_then(unsigned) {
            *slot = values;
            continue;
        }
        let array = cast(name, &DataType::Int64)?;
        let given = batch.column_by_name(name);
        *slot = match array
            .as_ref()
            .and_then(|a| a.as_primitive_opt::<Int64Type>())
        {
            // Nothing was lost on the way to 64 bit, so a null is a missing value.
            Some(a) if given.is_some_and(|g| g.null_count() == a.null_count()) => {
                filled(a, -1, |v| if v >= 0 { v } else { BAD_INTEGER })
            }
            Some(a) => a
                .iter()
                .enumerate()
                .map(|(i, v)| match v {
                    Some(v) if v >= 0 => v,
                    None if given
                        .is_none_or(|c| c.is_null(i) || *c.data_type() == DataType::Null) =>
                    {
                        -1
                    }
                    // Negative, or beyond 64 bit.
                    _ => BAD_INTEGER,
                })
                .collect(),
            None => vec![-1; n],
        };
    }
    let raw = RawRows {
        tag: match batch.column_by_name("tag") {
            Some(tags) => tag_indexes(tags, sink),
            None => vec![NO_TAG; n],
        },
        time,
        analog_time,
        floats,
        integers,
    };
    if sink.rows(&raw)? {
        *line += n as u64;
        return Ok(());
    }
    let tags = cast("tag", &DataType::Utf8)?;
    let tags: Option<&StringArray> = tags.as_ref().and_then(|t| t.as_string_opt());
    for (i, (time, analog_time)) in raw.time.iter().zip(&raw.analog_time).enumerate() {
        *line += 1;
        let row = RawRow {
            time: *time,
            analog_time: *analog_time,
            floats: std::array::from_fn(|c| {
                let column = raw.floats.get(c);
                column.and_then(|v| v.get(i)).copied().unwrap_or(f64::NAN)
            }),
            integers: std::array::from_fn(|c| {
                let column = raw.integers.get(c);
                column.and_then(|v| v.get(i)).copied().unwrap_or(-1)
            }),
        };
        let tag = tags.filter(|t| t.is_valid(i)).map(|t| t.value(i));
        sink.row(*line, tag, &row)?;
    }
    Ok(())
}

/// The values of a column of the types that the contract has for whole numbers; `None` of any other type.
fn unsigned(column: &ArrayRef) -> Option<Vec<i64>> {
    if let Some(a) = column.as_primitive_opt::<UInt8Type>() {
        return Some(filled(a, -1, i64::from));
    }
    if let Some(a) = column.as_primitive_opt::<UInt16Type>() {
        return Some(filled(a, -1, i64::from));
    }
    let a = column.as_primitive_opt::<UInt32Type>()?;
    Some(filled(a, -1, i64::from))
}

/// All values, `missing` for null; in stretches, since this is done with every row.
fn filled<T: ArrowPrimitiveType, V: Copy>(
    array: &PrimitiveArray<T>,
    missing: V,
    value: impl Fn(T::Native) -> V,
) -> Vec<V> {
    let Some(nulls) = array.nulls() else {
        return array.values().iter().map(|v| value(*v)).collect();
    };
    let mut all = vec![missing; array.len()];
    for (from, to) in nulls.valid_slices() {
        let (into, values) = (all.get_mut(from..to), array.values().get(from..to));
        for (slot, v) in into.into_iter().flatten().zip(values.into_iter().flatten()) {
            *slot = value(*v);
        }
    }
    all
}

/// The loop of each row; a dictionary's texts are looked up once.
fn tag_indexes(tags: &ArrayRef, sink: &mut Sink<'_>) -> Vec<u32> {
    let dictionary = tags
        .as_dictionary_opt::<Int32Type>()
        .and_then(|d| Some((d.keys(), d.values().as_string_opt::<i32>()?)));
    if let Some((keys, names)) = dictionary {
        let known: Vec<u32> = names
            .iter()
            .map(|name| sink.lookup(name?))
            .map(|index| index.unwrap_or(NO_TAG))
            .collect();
        let place = |key: &i32| known.get(usize::try_from(*key).ok()?).copied();
        if keys.null_count() == 0 {
            let places = keys.values().iter();
            return places.map(|k| place(k).unwrap_or(NO_TAG)).collect();
        }
        let of = |key: Option<i32>| known.get(usize::try_from(key?).ok()?).copied();
        return keys.iter().map(|k| of(k).unwrap_or(NO_TAG)).collect();
    }
    match tags.as_string_opt::<i32>() {
        Some(names) => names
            .iter()
            .map(|name| sink.lookup(name?))
            .map(|index| index.unwrap_or(NO_TAG))
            .collect(),
        // Another kind of text: row by row.
        None => vec![NO_TAG; tags.len()],
    }
}
