//! The bytes of a landed batch: an Arrow IPC stream with the columns of a day file, without those that have no value, and
//! each as narrow as this batch allows without loss: devices send singles, and the times of one batch are close together.

use crate::batch::{NAMES, masked, plain, schema, to_batch};
use arrow_array::builder::StringBuilder;
use arrow_array::cast::AsArray;
use arrow_array::types::{
    Float32Type, Float64Type, Int32Type, TimestampMicrosecondType, UInt16Type,
};
use arrow_array::{Array, ArrayRef, DictionaryArray, PrimitiveArray, RecordBatch, new_null_array};
use arrow_ipc::reader::StreamReader;
use arrow_ipc::writer::StreamWriter;
use arrow_schema::{ArrowError, DataType, Field, Schema};
use ingest_model::{Columns, MISSING_TIME, Tag};
use std::collections::HashMap;
use std::sync::Arc;

/// Layout of a landed batch as it is written. In format 1 every column is there, in the types of a day file. Each batch says
/// itself what its columns are, so both are read alike.
pub(crate) const FORMAT: i64 = 2;
/// Time that a narrow `time` counts from, microseconds since 1970; a narrow `analog_time` counts from its row's.
const FROM: &str = "from";
/// Bytes of a landed row, about.
const BYTES_A_ROW: usize = 64;

/// Rows as bytes; row `i` belongs to `tags[keys[i]]`.
pub(crate) fn encode(tags: &[&Tag], keys: Vec<i32>, rows: &Columns) -> Result<Vec<u8>, String> {
    let write = || {
        let batch = match narrow(tags, &keys, rows)? {
            Some(batch) => batch,
            None => to_batch(tags, keys, rows)?,
        };
        let room = Vec::with_capacity(rows.len() * BYTES_A_ROW + 16_384);
        let mut out = StreamWriter::try_new(room, &batch.schema())?;
        out.write(&batch)?;
        out.into_inner()
    };
    write().map_err(|e: ArrowError| e.to_string())
}

/// `None` of more loops than a narrow key can tell apart.
fn narrow(tags: &[&Tag], keys: &[i32], rows: &Columns) -> Result<Option<RecordBatch>, ArrowError> {
    let keys: Result<Vec<u16>, _> = keys.iter().map(|k| u16::try_from(*k)).collect();
    let Ok(keys) = keys else { return Ok(None) };
    let mut names = StringBuilder::with_capacity(tags.len(), 12 * tags.len());
    for tag in tags {
        names.append_value(tag.as_str());
    }
    let tag = DictionaryArray::<UInt16Type>::try_new(keys.into(), Arc::new(names.finish()))?;
    let from = rows.time.first().copied().unwrap_or_default();
    let mut columns: Vec<(&str, ArrayRef)> = vec![
        ("time", times(&rows.time, |_| from)),
        ("tag", Arc::new(tag)),
    ];
    for (name, values) in [
        ("pv", &rows.pv),
        ("sv", &rows.sv),
        ("tv", &rows.tv),
        ("qv", &rows.qv),
        ("reported_ma", &rows.reported_ma),
        ("analog_ma", &rows.analog_ma),
    ] {
        if values.iter().any(|v| v.is_finite()) {
            columns.push((name, floats(values)));
        }
    }
    if rows.analog_time.iter().any(|t| *t != MISSING_TIME) {
        let own = |n: usize| rows.time.get(n).copied().unwrap_or_default();
        columns.push(("analog_time", times(&rows.analog_time, own)));
    }
    let first = NAMES.len() - 7;
    for (name, array) in NAMES.iter().skip(first).zip(plain(rows)) {
        if array.null_count() < array.len() {
            columns.push((name, array));
        }
    }
    let fields: Vec<Field> = columns
        .iter()
        .map(|(name, a)| {
            Field::new(
                *name,
                a.data_type().clone(),
                !matches!(*name, "time" | "tag"),
            )
        })
        .collect();
    let notes = HashMap::from([(FROM.to_owned(), from.to_string())]);
    let schema = Schema::new(fields).with_metadata(notes);
    let columns = columns.into_iter().map(|(_, array)| array).collect();
    RecordBatch::try_new(Arc::new(schema), columns).map(Some)
}

/// Distances from `from` of the row where all of them are short, else the instants themselves.
fn times(values: &[i64], from: impl Fn(usize) -> i64) -> ArrayRef {
    let short = |n: usize, t: i64| i32::try_from(t.checked_sub(from(n))?).ok();
    let all: Option<Vec<i32>> = values
        .iter()
        .enumerate()
        .map(|(n, t)| match *t {
            MISSING_TIME => Some(0),
            t => short(n, t),
        })
        .collect();
    let there = |t: i64| t != MISSING_TIME;
    let nulls = || {
        let missing = values.iter().any(|t| !there(*t));
        missing.then(|| values.iter().map(|t| there(*t)).collect())
    };
    match all {
        Some(all) => Arc::new(PrimitiveArray::<Int32Type>::new(all.into(), nulls())),
        None => {
            let a = masked::<TimestampMicrosecondType, i64>(values, there, |t| t);
            Arc::new(a.with_timezone("UTC"))
        }
    }
}

/// Singles where each value is one.
fn floats(values: &[f64]) -> ArrayRef {
    let there = |v: f64| v.is_finite();
    let single = |v: f64| f64::from(v as f32).to_bits() == v.to_bits();
    if values.iter().all(|v| single(*v) || !there(*v)) {
        return Arc::new(masked::<Float32Type, f64>(values, there, |v| v as f32));
    }
    Arc::new(masked::<Float64Type, f64>(values, there, |v| v))
}

/// Batches of landed bytes, with the columns and types of a day file.
pub(crate) fn decode(blob: &[u8]) -> Result<Vec<RecordBatch>, String> {
    let all = || -> Result<Vec<RecordBatch>, ArrowError> {
        let reader = StreamReader::try_new(blob, None)?;
        reader.map(|batch| wide(batch?)).collect()
    };
    all().map_err(|e| e.to_string())
}

fn wide(batch: RecordBatch) -> Result<RecordBatch, ArrowError> {
    if batch.schema_ref().fields() == schema().fields() {
        return Ok(batch);
    }
    let missing = |what: &str| ArrowError::SchemaError(format!("`{what}` is missing"));
    let from = batch.schema_ref().metadata().get(FROM);
    let from = from.and_then(|t| t.parse::<i64>().ok());
    let time = batch
        .column_by_name("time")
        .ok_or_else(|| missing("time"))?;
    let time = instants(time, |_| from.ok_or_else(|| missing(FROM)))?;
    let mut columns: Vec<ArrayRef> = Vec::with_capacity(NAMES.len());
    for field in schema().fields() {
        let (name, wanted) = (field.name().as_str(), field.data_type());
        columns.push(match (name, batch.column_by_name(name)) {
            ("time", _) => Arc::new(time.clone()),
            ("analog_time", Some(a)) => {
                let own = |n: usize| time.values().get(n).copied();
                Arc::new(instants(a, |n| own(n).ok_or_else(|| missing("time")))?)
            }
            (_, Some(a)) => arrow_cast::cast(a, wanted)?,
            ("tag", None) => return Err(missing("tag")),
            (_, None) => new_null_array(wanted, batch.num_rows()),
        });
    }
    RecordBatch::try_new(schema(), columns)
}

/// Instants of a column of distances, or as they are.
fn instants(
    column: &ArrayRef,
    from: impl Fn(usize) -> Result<i64, ArrowError>,
) -> Result<PrimitiveArray<TimestampMicrosecondType>, ArrowError> {
    let wrong = || ArrowError::SchemaError(format!("a time has type {}", column.data_type()));
    let array = if *column.data_type() == DataType::Int32 {
        let short = column.as_primitive_opt::<Int32Type>().ok_or_else(wrong)?;
        let mut values = Vec::with_capacity(short.len());
        for (n, distance) in short.values().iter().enumerate() {
            values.push(from(n)?.saturating_add(i64::from(*distance)));
        }
        PrimitiveArray::new(values.into(), short.nulls().cloned())
    } else {
        let long = column.as_primitive_opt::<TimestampMicrosecondType>();
        long.ok_or_else(wrong)?.clone()
    };
    Ok(array.with_timezone("UTC"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use ingest_model::{Reading, UtcMicros};
    use proptest::prelude::*;

    fn back(rows: &Columns, keys: &[i32], tags: &[&Tag]) -> Vec<RecordBatch> {
        decode(&encode(tags, keys.to_vec(), rows).unwrap()).unwrap()
    }

    /// A value of each kind that a column may have: missing, a single, not a single, the ends.
    fn a_float() -> impl Strategy<Value = f64> {
        prop_oneof![
            Just(f64::NAN),
            any::<f32>()
                .prop_filter("finite", |v| v.is_finite())
                .prop_map(f64::from),
            any::<f64>().prop_filter("finite", |v| v.is_finite()),
            Just(-0.0),
        ]
    }

    fn a_reading() -> impl Strategy<Value = Reading> {
        let far = prop_oneof![
            0..1_000_000_i64,
            any::<i32>().prop_map(|t| 3 * i64::from(t))
        ];
        let instant = prop_oneof![Just(None), far.clone().prop_map(Some)];
        let byte = || prop_oneof![Just(None), any::<u8>().prop_map(Some)];
        (
            far,
            instant,
            (a_float(), a_float(), a_float()),
            (byte(), byte()),
            prop_oneof![Just(None), any::<u32>().prop_map(Some)],
            prop_oneof![Just(None), any::<u16>().prop_map(Some)],
        )
            .prop_map(|(time, analog, floats, bytes, count, changes)| Reading {
                pv: floats.0,
                analog_ma: floats.1,
                qv: floats.2,
                analog_time: analog.map(UtcMicros),
                response_code: bytes.0,
                pv_status: bytes.1,
                exchanges: count,
                config_changes: changes,
                ..Reading::empty(UtcMicros(time))
            })
    }

    proptest! {
        /// What is narrow on the disk is the same batch, to the bit.
        #[test]
        fn nothing_is_lost(readings in prop::collection::vec((a_reading(), 0..3_i32), 1..40)) {
            let tags = ["A", "B", "Ж-3"].map(|t| Tag::new(t).unwrap());
            let tags: Vec<&Tag> = tags.iter().collect();
            let mut rows = Columns::default();
            readings.iter().for_each(|(r, _)| rows.push(r));
            let keys: Vec<i32> = readings.iter().map(|(_, k)| *k).collect();
            let wanted = to_batch(&tags, keys.clone(), &rows).unwrap();
            prop_assert_eq!(back(&rows, &keys, &tags), vec![wanted]);
        }
    }

    /// What devices send takes half of what it took with every column there.
    #[test]
    fn a_usual_batch_is_small() {
        let names: Vec<Tag> = (0..1_000)
            .map(|n| Tag::new(&format!("FT-{n:05}")).unwrap())
            .collect();
        let tags: Vec<&Tag> = names.iter().collect();
        let mut rows = Columns::default();
        for n in 0..1_000 {
            let time = 1_780_000_000_000_000 + n * 5_000;
            rows.push(&Reading {
                pv: f64::from(50.0 + n as f32 / 7.0),
                reported_ma: f64::from(12.0 + n as f32 / 700.0),
                analog_ma: 12.345,
                analog_time: Some(UtcMicros(time - 700_000)),
                response_code: Some(0),
                ..Reading::empty(UtcMicros(time))
            });
        }
        let keys: Vec<i32> = (0..1_000).collect();
        let small = encode(&tags, keys.clone(), &rows).unwrap().len();
        let batch = to_batch(&tags, keys.clone(), &rows).unwrap();
        let mut out = StreamWriter::try_new(Vec::new(), &batch.schema()).unwrap();
        out.write(&batch).unwrap();
        let plain = out.into_inner().unwrap();
        assert!(2 * small < plain.len(), "{small} of {}", plain.len());
        assert_eq!(
            decode(&plain).unwrap(),
            std::slice::from_ref(&batch),
            "format 1"
        );
        assert_eq!(back(&rows, &keys, &tags), [batch]);
    }
}
