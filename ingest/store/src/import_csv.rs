//! Readings from CSV: empty = missing, times RFC 3339.

use crate::error::{StoreError, short};
use crate::import_sink::{BAD_INTEGER, FLOATS, INTEGERS, RawRow, Sink};
use ingest_model::{MISSING_TIME, UtcMicros};
use std::fs::File;
use std::path::Path;

/// Rows between two reports of progress.
const STEP: u64 = 65_536;

struct Places {
    time: usize,
    tag: usize,
    analog_time: Option<usize>,
    floats: [Option<usize>; 6],
    integers: [Option<usize>; 7],
}

pub(crate) fn read(path: &Path, file: File, sink: &mut Sink<'_>) -> Result<(), StoreError> {
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .buffer_capacity(1 << 18)
        .from_reader(file);
    let unreadable = |e: csv::Error| StoreError::Unreadable {
        file: path.to_owned(),
        why: e.to_string(),
    };
    let header = reader.byte_headers().map_err(unreadable)?.clone();
    let names: Vec<String> = header
        .iter()
        .map(|h| {
            String::from_utf8_lossy(h)
                .trim_start_matches('\u{feff}')
                .trim()
                .to_owned()
        })
        .collect();
    let places = places(path, &names)?;
    let mut record = csv::ByteRecord::new();
    while reader.read_byte_record(&mut record).map_err(unreadable)? {
        let line = record.position().map_or(0, csv::Position::line);
        let cell = |n: usize| {
            record
                .get(n)
                .and_then(|c| std::str::from_utf8(c).ok())
                .map(str::trim)
        };
        let tag = cell(places.tag).filter(|t| !t.is_empty());
        let why = if record.len() == names.len() {
            match row(&places, &names, &cell) {
                Ok(row) => {
                    sink.row(line, tag, &row)?;
                    None
                }
                Err(why) => Some(why),
            }
        } else {
            Some(format!(
                "{} cells, the header has {}",
                record.len(),
                names.len()
            ))
        };
        if let Some(why) = why {
            sink.rows_read += 1;
            sink.reject(line, tag.unwrap_or(""), &why)?;
        }
        if sink.rows_read.is_multiple_of(STEP) {
            sink.tell();
        }
    }
    Ok(())
}

fn places(path: &Path, names: &[String]) -> Result<Places, StoreError> {
    let place = |name: &str| -> Result<Option<usize>, StoreError> {
        let mut found = names
            .iter()
            .enumerate()
            .filter(|(_, n)| *n == name)
            .map(|(n, _)| n);
        let first = found.next();
        if found.next().is_some() {
            return Err(StoreError::RepeatedColumn {
                file: path.to_owned(),
                column: name.to_owned(),
            });
        }
        Ok(first)
    };
    let needed = |column: &'static str| {
        place(column)?.ok_or_else(|| StoreError::MissingColumn {
            file: path.to_owned(),
            column,
        })
    };
    let (mut floats, mut integers) = ([None; 6], [None; 7]);
    for (slot, name) in floats.iter_mut().zip(FLOATS) {
        *slot = place(name)?;
    }
    for (slot, (name, _)) in integers.iter_mut().zip(INTEGERS) {
        *slot = place(name)?;
    }
    Ok(Places {
        time: needed("time")?,
        tag: needed("tag")?,
        analog_time: place("analog_time")?,
        floats,
        integers,
    })
}

/// `Err` is the reason for the reject.
fn row<'a>(
    places: &Places,
    names: &[String],
    cell: &dyn Fn(usize) -> Option<&'a str>,
) -> Result<RawRow, String> {
    let name = |n: usize| names.get(n).map_or("", String::as_str);
    let text = |n: usize| cell(n).ok_or_else(|| format!("{} is not UTF-8", name(n)));
    let time = |n: usize| -> Result<i64, String> {
        match text(n)? {
            "" => Ok(MISSING_TIME),
            t => UtcMicros::parse_rfc3339(t)
                .map(|t| t.0)
                .map_err(|e| format!("{}: {e}", name(n))),
        }
    };
    let mut row = RawRow {
        time: time(places.time)?,
        analog_time: places.analog_time.map_or(Ok(MISSING_TIME), time)?,
        floats: [f64::NAN; 6],
        integers: [-1; 7],
    };
    for (slot, place) in row.floats.iter_mut().zip(places.floats) {
        let Some(place) = place else { continue };
        match text(place)? {
            "" => {}
            t => {
                *slot = t
                    .parse()
                    .map_err(|_| format!("{}: `{}` is not a number", name(place), short(t)))?
            }
        }
    }
    for (slot, place) in row.integers.iter_mut().zip(places.integers) {
        let Some(place) = place else { continue };
        match text(place)? {
            "" => {}
            t => *slot = t.parse().ok().filter(|v| *v >= 0).unwrap_or(BAD_INTEGER),
        }
    }
    Ok(row)
}
