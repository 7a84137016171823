//! Columns of numbers in a form that a browser reads without parsing text: a short JSON head, then plain arrays.

use serde_json::{Map, Value, json};
use std::io::{self, Write};

/// The media type. Bytes: `LWC1`; the length of the head as u32; the head, JSON padded with spaces to a multiple of 8;
/// the arrays, each beginning at a multiple of 8. All little-endian. The head is `{"tables": [{..., "rows": n, "columns":
/// [{"name", "type", "at"}]}]}`: `type` is one of f64, f32, u32, i16, u8, and `at` the offset in bytes of the array after
/// the head. Times are f64, milliseconds since 1970 UTC. NaN (in i16: -1) = missing; a column that is missing in every
/// row is left out.
pub(super) const PACKED: &str = "application/vnd.loopwitness.columns";
const MAGIC: &[u8; 4] = b"LWC1";
const ALIGN: usize = 8;

pub(super) enum Values {
    F64(Vec<f64>),
    F32(Vec<f32>),
    U32(Vec<u32>),
    I16(Vec<i16>),
    U8(Vec<u8>),
}

impl Values {
    /// Numbers that the pages draw need no more than single precision.
    pub(super) fn single(values: &[f64]) -> Self {
        Self::F32(values.iter().map(|v| *v as f32).collect())
    }

    /// Instants in microseconds; `missing` is none.
    pub(super) fn instants(micros: impl Iterator<Item = i64>, missing: i64) -> Self {
        let ms = |t: i64| {
            if t == missing {
                f64::NAN
            } else {
                t as f64 / 1000.0
            }
        };
        Self::F64(micros.map(ms).collect())
    }

    /// Counts; below zero is none.
    pub(super) fn counts(values: impl Iterator<Item = i64>) -> Self {
        let known = |v: i64| if v < 0 { f64::NAN } else { v as f64 };
        Self::F64(values.map(known).collect())
    }

    fn name(&self) -> &'static str {
        match self {
            Self::F64(_) => "f64",
            Self::F32(_) => "f32",
            Self::U32(_) => "u32",
            Self::I16(_) => "i16",
            Self::U8(_) => "u8",
        }
    }

    fn bytes(&self) -> usize {
        match self {
            Self::F64(v) => 8 * v.len(),
            Self::F32(v) => 4 * v.len(),
            Self::U32(v) => 4 * v.len(),
            Self::I16(v) => 2 * v.len(),
            Self::U8(v) => v.len(),
        }
    }

    fn all_missing(&self) -> bool {
        match self {
            Self::F64(v) => v.iter().all(|x| !x.is_finite()),
            Self::F32(v) => v.iter().all(|x| !x.is_finite()),
            Self::I16(v) => v.iter().all(|x| *x < 0),
            Self::U32(_) | Self::U8(_) => false,
        }
    }

    fn put(&self, out: &mut Vec<u8>) {
        match self {
            Self::F64(v) => out.extend(v.iter().flat_map(|x| x.to_le_bytes())),
            Self::F32(v) => out.extend(v.iter().flat_map(|x| x.to_le_bytes())),
            Self::U32(v) => out.extend(v.iter().flat_map(|x| x.to_le_bytes())),
            Self::I16(v) => out.extend(v.iter().flat_map(|x| x.to_le_bytes())),
            Self::U8(v) => out.extend(v),
        }
    }
}

/// Columns of equal length, and what is said of them.
pub(super) struct Table {
    pub(super) about: Map<String, Value>,
    pub(super) columns: Vec<(&'static str, Values)>,
    pub(super) rows: usize,
}

/// Writes tables in the form of [`PACKED`].
pub(super) fn write(out: &mut dyn Write, tables: Vec<Table>) -> io::Result<()> {
    let mut at = 0;
    let mut kept = Vec::new();
    let mut heads = Vec::with_capacity(tables.len());
    for table in tables {
        let mut named = Vec::new();
        for (name, values) in table.columns {
            if name != "time" && values.all_missing() {
                continue;
            }
            named.push(json!({ "name": name, "type": values.name(), "at": at }));
            at += values.bytes().next_multiple_of(ALIGN);
            kept.push(values);
        }
        let mut head = table.about;
        head.insert("rows".to_owned(), table.rows.into());
        head.insert("columns".to_owned(), named.into());
        heads.push(Value::Object(head));
    }
    let mut head = serde_json::to_vec(&json!({ "tables": heads }))?;
    head.resize(head.len().next_multiple_of(ALIGN), b' ');
    let length = u32::try_from(head.len()).map_err(io::Error::other)?;
    out.write_all(MAGIC)?;
    out.write_all(&length.to_le_bytes())?;
    out.write_all(&head)?;
    let mut bytes = Vec::new();
    for values in kept {
        bytes.clear();
        values.put(&mut bytes);
        bytes.resize(bytes.len().next_multiple_of(ALIGN), 0);
        out.write_all(&bytes)?;
    }
    Ok(())
}
