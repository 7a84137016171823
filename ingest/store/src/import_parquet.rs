//! Readings from Parquet: TIMESTAMP of any unit, floats of both widths, integers of any, tags as strings or dictionary.

use crate::error::StoreError;
use crate::import_sink::{BAD_INTEGER, FLOATS, INTEGERS, RawRow, Sink};
use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int64Type, TimestampMicrosecondType};
use arrow_array::{Array, ArrayRef, RecordBatch, StringArray};
use arrow_schema::{DataType, Schema, TimeUnit};
use ingest_model::MISSING_TIME;
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use std::fs::File;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

const BATCH_ROWS: usize = 32_768;

pub(crate) fn read(path: &Path, file: File, sink: &mut Sink<'_>) -> Result<(), StoreError> {
    let damaged = |why: String| StoreError::Unreadable {
        file: path.to_owned(),
        why: format!("{why}; is the file complete?"),
    };
    // The decoder is made for files that a Parquet writer made: should broken bytes make it panic, that is an error
    // of this file and not the end of the service.
    let broken = |_| damaged("the Parquet data is broken".to_owned());
    // Parquet has no unit of seconds: Arrow writers note it, and more, in a schema of their own beside the file's.
    let builder = catch_unwind(AssertUnwindSafe(|| {
        ParquetRecordBatchReaderBuilder::try_new(file)
    }))
    .map_err(broken)?
    .map_err(|e| damaged(e.to_string()))?;
    check(path, builder.schema())?;
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
            return Ok(array.iter().map(|t| t.unwrap_or(MISSING_TIME)).collect());
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
    let tags = cast("tag", &DataType::Utf8)?;
    let tags: Option<&StringArray> = tags.as_ref().and_then(|t| t.as_string_opt());
    let mut floats = Vec::with_capacity(FLOATS.len());
    for name in FLOATS {
        let array = cast(name, &DataType::Float64)?;
        floats.push(
            match array
                .as_ref()
                .and_then(|a| a.as_primitive_opt::<Float64Type>())
            {
                Some(a) if a.null_count() == 0 => a.values().to_vec(),
                Some(a) => a.iter().map(|v| v.unwrap_or(f64::NAN)).collect(),
                None => vec![f64::NAN; n],
            },
        );
    }
    let mut integers = Vec::with_capacity(INTEGERS.len());
    for (name, _) in INTEGERS {
        let array = cast(name, &DataType::Int64)?;
        let given = batch.column_by_name(name);
        integers.push(
            match array
                .as_ref()
                .and_then(|a| a.as_primitive_opt::<Int64Type>())
            {
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
            },
        );
    }
    let at =
        |columns: &[Vec<f64>], c: usize, i: usize| columns.get(c).and_then(|v| v.get(i)).copied();
    for (i, (time, analog_time)) in time.into_iter().zip(analog_time).enumerate() {
        *line += 1;
        let row = RawRow {
            time,
            analog_time,
            floats: std::array::from_fn(|c| at(&floats, c, i).unwrap_or(f64::NAN)),
            integers: std::array::from_fn(|c| {
                let column: Option<&Vec<i64>> = integers.get(c);
                column.and_then(|v| v.get(i)).copied().unwrap_or(-1)
            }),
        };
        let tag = tags.filter(|t| t.is_valid(i)).map(|t| t.value(i));
        sink.row(*line, tag, &row)?;
    }
    Ok(())
}
