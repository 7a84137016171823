//! Between [`Columns`] and Arrow batches with the store's fixed columns; missing is null in Arrow.

use arrow_array::builder::StringBuilder;
use arrow_array::cast::AsArray;
use arrow_array::types::{
    ArrowPrimitiveType, Float64Type, Int32Type, TimestampMicrosecondType, UInt8Type, UInt16Type,
    UInt32Type,
};
use arrow_array::{Array, ArrayRef, DictionaryArray, Int32Array, PrimitiveArray, RecordBatch};
use arrow_schema::{ArrowError, DataType, Field, Schema, SchemaRef, TimeUnit};
use ingest_model::{Columns, MISSING_TIME, Tag};
use std::borrow::Borrow;
use std::sync::{Arc, LazyLock};

/// Columns in their order on disk.
pub(crate) const NAMES: [&str; 16] = [
    "time",
    "tag",
    "pv",
    "sv",
    "tv",
    "qv",
    "reported_ma",
    "analog_ma",
    "analog_time",
    "response_code",
    "device_status",
    "extended_status",
    "pv_status",
    "exchanges",
    "comm_errors",
    "config_changes",
];

static SCHEMA: LazyLock<SchemaRef> = LazyLock::new(|| {
    let time = || DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into()));
    let tag = DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Utf8));
    let types = [
        time(),
        tag,
        DataType::Float64,
        DataType::Float64,
        DataType::Float64,
        DataType::Float64,
        DataType::Float64,
        DataType::Float64,
        time(),
        DataType::UInt8,
        DataType::UInt8,
        DataType::UInt8,
        DataType::UInt8,
        DataType::UInt32,
        DataType::UInt32,
        DataType::UInt16,
    ];
    let fields: Vec<Field> = NAMES
        .iter()
        .zip(types)
        .map(|(name, t)| Field::new(*name, t, !matches!(*name, "time" | "tag")))
        .collect();
    Arc::new(Schema::new(fields))
});

pub(crate) fn schema() -> SchemaRef {
    SCHEMA.clone()
}

/// Rows as a batch; row `i` belongs to `dictionary[keys[i]]`.
pub(crate) fn to_batch<T: Borrow<Tag>>(
    dictionary: &[T],
    keys: Vec<i32>,
    rows: &Columns,
) -> Result<RecordBatch, ArrowError> {
    let floats = |v: &[f64]| -> ArrayRef {
        let there = |x: f64| x.is_finite();
        Arc::new(masked::<Float64Type, f64>(v, there, |x| x))
    };
    let times = |v: &[i64]| -> ArrayRef {
        let there = |t: i64| t != MISSING_TIME;
        let a = masked::<TimestampMicrosecondType, i64>(v, there, |t| t);
        Arc::new(a.with_timezone("UTC"))
    };
    let mut columns: Vec<ArrayRef> = vec![
        times(&rows.time),
        tags(dictionary, keys.into())?,
        floats(&rows.pv),
        floats(&rows.sv),
        floats(&rows.tv),
        floats(&rows.qv),
        floats(&rows.reported_ma),
        floats(&rows.analog_ma),
        times(&rows.analog_time),
    ];
    columns.extend(plain(rows));
    RecordBatch::try_new(schema(), columns)
}

/// The column of tags.
pub(crate) fn tags<T: Borrow<Tag>>(
    dictionary: &[T],
    keys: Int32Array,
) -> Result<ArrayRef, ArrowError> {
    let mut names = StringBuilder::new();
    for tag in dictionary {
        names.append_value(tag.borrow().as_str());
    }
    let tags = DictionaryArray::<Int32Type>::try_new(keys, Arc::new(names.finish()))?;
    Ok(Arc::new(tags))
}

/// The columns that every layout writes as they are: status bytes and counters.
pub(crate) fn plain(rows: &Columns) -> [ArrayRef; 7] {
    [
        integers::<UInt8Type, _>(&rows.response_code),
        integers::<UInt8Type, _>(&rows.device_status),
        integers::<UInt8Type, _>(&rows.extended_status),
        integers::<UInt8Type, _>(&rows.pv_status),
        integers::<UInt32Type, _>(&rows.exchanges),
        integers::<UInt32Type, _>(&rows.comm_errors),
        integers::<UInt16Type, _>(&rows.config_changes),
    ]
}

/// Values outside the target (the sentinel -1) become null.
fn integers<T, S>(values: &[S]) -> ArrayRef
where
    T: ArrowPrimitiveType,
    T::Native: TryFrom<S>,
    S: Copy,
{
    Arc::new(masked::<T, S>(
        values,
        |v| T::Native::try_from(v).is_ok(),
        |v| T::Native::try_from(v).unwrap_or_default(),
    ))
}

/// Values where they are there, null elsewhere. Whole columns at once: this is done with every row that is kept.
pub(crate) fn masked<T, S>(
    values: &[S],
    there: impl Fn(S) -> bool,
    value: impl Fn(S) -> T::Native,
) -> PrimitiveArray<T>
where
    T: ArrowPrimitiveType,
    S: Copy,
{
    if values.iter().all(|v| there(*v)) {
        return PrimitiveArray::from_iter_values(values.iter().map(|v| value(*v)));
    }
    let mask = values.iter().map(|v| there(*v)).collect();
    let null = T::Native::default();
    let values = values
        .iter()
        .map(|v| if there(*v) { value(*v) } else { null })
        .collect();
    PrimitiveArray::new(values, Some(mask))
}

/// Appends rows `from..from + rows` of a batch of [`schema`] to `into`.
pub(crate) fn append_rows(
    batch: &RecordBatch,
    from: usize,
    rows: usize,
    into: &mut Columns,
) -> Result<(), ArrowError> {
    append_columns(batch, from, rows, &|n| Some(n), into)
}

/// Appends rows of a batch that has only some columns of [`schema`]: `place` says where column n is; where it is not,
/// every value is missing.
pub(crate) fn append_columns(
    batch: &RecordBatch,
    from: usize,
    rows: usize,
    place: &dyn Fn(usize) -> Option<usize>,
    into: &mut Columns,
) -> Result<(), ArrowError> {
    let column = |n: usize| slot(batch, from, rows, place, n);
    let (time, sentinel) = (column(0)?, MISSING_TIME);
    append::<TimestampMicrosecondType, i64>(&time, sentinel, &mut into.time)?;
    append::<Float64Type, f64>(&column(2)?, f64::NAN, &mut into.pv)?;
    append::<Float64Type, f64>(&column(3)?, f64::NAN, &mut into.sv)?;
    append::<Float64Type, f64>(&column(4)?, f64::NAN, &mut into.tv)?;
    append::<Float64Type, f64>(&column(5)?, f64::NAN, &mut into.qv)?;
    append::<Float64Type, f64>(&column(6)?, f64::NAN, &mut into.reported_ma)?;
    append::<Float64Type, f64>(&column(7)?, f64::NAN, &mut into.analog_ma)?;
    append::<TimestampMicrosecondType, i64>(&column(8)?, sentinel, &mut into.analog_time)?;
    append_plain(batch, from, rows, place, into)
}

/// Appends of a batch the columns that every layout writes as they are: status bytes and counters.
pub(crate) fn append_plain(
    batch: &RecordBatch,
    from: usize,
    rows: usize,
    place: &dyn Fn(usize) -> Option<usize>,
    into: &mut Columns,
) -> Result<(), ArrowError> {
    let column = |n: usize| slot(batch, from, rows, place, n);
    append::<UInt8Type, i16>(&column(9)?, -1, &mut into.response_code)?;
    append::<UInt8Type, i16>(&column(10)?, -1, &mut into.device_status)?;
    append::<UInt8Type, i16>(&column(11)?, -1, &mut into.extended_status)?;
    append::<UInt8Type, i16>(&column(12)?, -1, &mut into.pv_status)?;
    append::<UInt32Type, i64>(&column(13)?, -1, &mut into.exchanges)?;
    append::<UInt32Type, i64>(&column(14)?, -1, &mut into.comm_errors)?;
    append::<UInt16Type, i32>(&column(15)?, -1, &mut into.config_changes)
}

fn slot(
    batch: &RecordBatch,
    from: usize,
    rows: usize,
    place: &dyn Fn(usize) -> Option<usize>,
    n: usize,
) -> Result<Slot, ArrowError> {
    let Some(place) = place(n) else {
        return Ok(Slot { array: None, rows });
    };
    let array = batch
        .columns()
        .get(place)
        .ok_or_else(|| ArrowError::SchemaError(format!("column {n} is missing")))?;
    let array = Some(array.slice(from, rows));
    Ok(Slot { array, rows })
}

/// Rows of one column, or none but their number.
struct Slot {
    array: Option<ArrayRef>,
    rows: usize,
}

fn append<T, V>(slot: &Slot, missing: V, into: &mut Vec<V>) -> Result<(), ArrowError>
where
    T: ArrowPrimitiveType,
    V: From<T::Native> + Copy,
{
    let Some(array) = &slot.array else {
        into.resize(into.len() + slot.rows, missing);
        return Ok(());
    };
    let array = array.as_primitive_opt::<T>().ok_or_else(|| {
        ArrowError::SchemaError(format!("a column has type {}", array.data_type()))
    })?;
    let Some(nulls) = array.nulls() else {
        into.extend(array.values().iter().map(|v| V::from(*v)));
        return Ok(());
    };
    let first = into.len();
    into.resize(first + array.len(), missing);
    let new = into.get_mut(first..).unwrap_or_default();
    for (from, to) in nulls.valid_slices() {
        let (slots, values) = (new.get_mut(from..to), array.values().get(from..to));
        for (slot, v) in slots
            .into_iter()
            .flatten()
            .zip(values.into_iter().flatten())
        {
            *slot = V::from(*v);
        }
    }
    Ok(())
}

/// The tag column of a batch of [`schema`].
pub(crate) fn tags_of(batch: &RecordBatch) -> Result<&DictionaryArray<Int32Type>, ArrowError> {
    batch
        .column_by_name("tag")
        .and_then(|c| c.as_dictionary_opt::<Int32Type>())
        .ok_or_else(|| {
            ArrowError::SchemaError("column `tag` is not a dictionary of strings".into())
        })
}

/// Runs of equal tag in a batch: (text, first row, rows).
pub(crate) fn runs_of(batch: &RecordBatch) -> Result<Vec<(String, usize, usize)>, ArrowError> {
    let tags = tags_of(batch)?;
    let names = tags.values().as_string_opt::<i32>().ok_or_else(|| {
        ArrowError::SchemaError("column `tag` is not a dictionary of strings".into())
    })?;
    if tags.null_count() > 0 {
        return Err(ArrowError::SchemaError(
            "column `tag` has missing values".into(),
        ));
    }
    let mut runs = Vec::new();
    let mut first = 0;
    for run in tags.keys().values().chunk_by(|a, b| a == b) {
        let Some(key) = run.first() else { continue };
        let name = usize::try_from(*key)
            .ok()
            .filter(|k| *k < names.len())
            .map(|k| names.value(k))
            .ok_or_else(|| {
                ArrowError::SchemaError("column `tag` points outside its dictionary".into())
            })?;
        runs.push((name.to_owned(), first, run.len()));
        first += run.len();
    }
    Ok(runs)
}

#[cfg(test)]
mod tests {
    use super::*;
    use ingest_model::{Reading, UtcMicros};

    #[test]
    fn columns_and_batch_round_trip() {
        let full = Reading {
            time: UtcMicros(5),
            pv: 1.5,
            sv: -2.0,
            tv: f64::NAN,
            qv: 0.0,
            reported_ma: 12.0,
            analog_ma: 12.01,
            analog_time: Some(UtcMicros(-3)),
            response_code: Some(255),
            device_status: Some(0),
            extended_status: None,
            pv_status: Some(0xC0),
            exchanges: Some(u32::MAX),
            comm_errors: Some(0),
            config_changes: Some(u16::MAX),
        };
        let mut rows = Columns::default();
        rows.push(&full);
        rows.push(&Reading::empty(UtcMicros(6)));
        let tags = [Tag::new("B").unwrap(), Tag::new("A").unwrap()];
        let batch = to_batch(&tags, vec![1, 0], &rows).unwrap();
        assert_eq!(
            runs_of(&batch).unwrap(),
            [("A".to_owned(), 0, 1), ("B".to_owned(), 1, 1)]
        );
        let mut back = Columns::default();
        append_rows(&batch, 0, 2, &mut back).unwrap();
        // NaN is not equal to itself: compare the printed form.
        assert_eq!(format!("{back:?}"), format!("{rows:?}"));
    }
}
