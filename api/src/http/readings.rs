//! Stored readings of one loop: JSON columns, or an Arrow IPC stream where the client prefers it.

use super::extract::{Path, Query, time_of, within};
use super::packed::{PACKED, Table, Values};
use super::problem::Problem;
use super::{App, accept, blocking, heavy, known_tag, packed, stream};
use crate::thin::{Thinned, Thinner};
use arrow_array::{
    ArrayRef, Float64Array, Int32Array, Int64Array, RecordBatch, TimestampMicrosecondArray,
};
use arrow_ipc::writer::StreamWriter;
use arrow_schema::{ArrowError, DataType, Field, Schema, TimeUnit};
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse, Response};
use ingest_model::{Columns, MISSING_TIME, Series, Tag, UtcMicros};
use ingest_store::{Register, Snapshot, StoreError};
use serde::{Deserialize, Serialize};
use std::io::{self, Write};
use std::sync::Arc;

const DEFAULT_POINTS: usize = 10_000;
const JSON: &str = "application/json";
const ARROW: &str = "application/vnd.apache.arrow.stream";
/// Answers with more rows are written piece by piece.
const WHOLE_ROWS: usize = 16_384;
/// Text held before it is written.
const HELD_BYTES: usize = 16 * 1024;
/// Days read at once; what they hold is in memory together.
const DAYS_AT_ONCE: usize = 8;
/// Rows of one Arrow batch.
const BATCH_ROWS: usize = 16_384;

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct ReadingsQuery {
    /// First instant, RFC 3339; without it from the first reading.
    #[param(format = DateTime)]
    from: Option<String>,
    /// End, not included, RFC 3339; without it to the last reading.
    #[param(format = DateTime)]
    to: Option<String>,
    /// At most so many rows: 1 to 1,000,000; 10,000 without it.
    #[param(minimum = 1, maximum = 1_000_000)]
    points: Option<usize>,
}

/// Columns of equal length; null = missing.
#[derive(utoipa::ToSchema)]
#[expect(
    dead_code,
    reason = "shape of the answer for its schema; the columns are written one by one"
)]
pub(super) struct ReadingColumns {
    #[schema(format = DateTime)]
    time: Vec<String>,
    pv: Vec<Option<f64>>,
    sv: Vec<Option<f64>>,
    tv: Vec<Option<f64>>,
    qv: Vec<Option<f64>>,
    reported_ma: Vec<Option<f64>>,
    analog_ma: Vec<Option<f64>>,
    analog_time: Vec<Option<String>>,
    response_code: Vec<Option<i16>>,
    device_status: Vec<Option<i16>>,
    extended_status: Vec<Option<i16>>,
    pv_status: Vec<Option<i16>>,
    exchanges: Vec<Option<i64>>,
    comm_errors: Vec<Option<i64>>,
    config_changes: Vec<Option<i32>>,
}

#[derive(utoipa::ToSchema)]
#[expect(
    dead_code,
    reason = "shape of the answer for its schema; it is written piece by piece"
)]
pub(super) struct ReadingsAnswer {
    tag: String,
    /// Unit of `pv`.
    unit: String,
    /// Rows stored in the time asked for; more than given here when `points` is less.
    stored: usize,
    /// Rows given here that stand for a gap: a time and nothing else.
    gaps: usize,
    columns: ReadingColumns,
}

/// All that an answer says.
struct Found {
    tag: Tag,
    unit: String,
    thinned: Thinned,
}

fn read(
    snapshot: &Snapshot,
    tag: Tag,
    (from, to): (UtcMicros, UtcMicros),
    points: usize,
) -> Result<Found, StoreError> {
    let register = snapshot.register();
    let unit = register
        .current(&tag)
        .map(|e| e.pv_unit.clone())
        .unwrap_or_default();
    let mut thinner = Thinner::new(points);
    // A few days at a time: the whole record of a loop may be too long to hold.
    for days in snapshot.days_between(from, to).chunks(DAYS_AT_ONCE) {
        for rows in read_days(snapshot, &tag, (from, to), days)? {
            thinner.push(&rows, |time, pv| registered_ma(register, &tag, time, pv));
        }
    }
    Ok(Found {
        thinned: thinner.finish(),
        tag,
        unit,
    })
}

/// Rows for a picture.
pub(super) fn thinned(
    snapshot: &Snapshot,
    tag: Tag,
    time: (UtcMicros, UtcMicros),
    points: usize,
) -> Result<Columns, Problem> {
    read(snapshot, tag, time, points)
        .map(|found| found.thinned.columns)
        .map_err(|e| Problem::internal("the readings could not be read", &e))
}

/// The rows of each day, read on all cores.
fn read_days(
    snapshot: &Snapshot,
    tag: &Tag,
    (from, to): (UtcMicros, UtcMicros),
    days: &[i64],
) -> Result<Vec<Columns>, StoreError> {
    let read = |day: &i64| {
        let begin = UtcMicros::from_day(*day).max(from);
        let end = UtcMicros::from_day(day.saturating_add(1)).min(to);
        snapshot.read_loop(tag, begin, end)
    };
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    if threads == 1 || days.len() == 1 {
        return days.iter().map(read).collect();
    }
    let share = days.len().div_ceil(threads.min(4));
    std::thread::scope(|s| {
        let started: Vec<_> = days
            .chunks(share)
            .map(|part| s.spawn(move || part.iter().map(read).collect::<Result<Vec<_>, _>>()))
            .collect();
        let mut all = Vec::with_capacity(days.len());
        for thread in started {
            let stopped = |_| StoreError::stop("a reading thread failed");
            all.extend(thread.join().map_err(stopped)??);
        }
        Ok(all)
    })
}

/// The registered current by the entry in force at the time; NaN where the current carries no measurement.
fn registered_ma(register: &Register, tag: &Tag, time: UtcMicros, pv: f64) -> f64 {
    let entries = register.entries(tag);
    let in_force = entries
        .iter()
        .rev()
        .find(|e| e.valid_from.is_none_or(|from| from <= time))
        .or(entries.first());
    match in_force {
        Some(e) if !e.multidrop => e.range.registered_ma(pv),
        _ => f64::NAN,
    }
}

/// A list of JSON values; `None` is null.
fn list<T: Serialize>(
    out: &mut dyn Write,
    name: &str,
    values: impl Iterator<Item = Option<T>>,
) -> io::Result<()> {
    let mut text = Vec::with_capacity(2 * HELD_BYTES);
    write!(text, "\"{name}\":[")?;
    for (n, value) in values.enumerate() {
        if n > 0 {
            text.push(b',');
        }
        serde_json::to_writer(&mut text, &value)?;
        if text.len() > HELD_BYTES {
            out.write_all(&text)?;
            text.clear();
        }
    }
    text.push(b']');
    out.write_all(&text)
}

fn write_json(out: &mut dyn Write, found: &Found) -> io::Result<()> {
    let t = &found.thinned;
    let c = &t.columns;
    write!(out, "{{\"tag\":")?;
    serde_json::to_writer(&mut *out, found.tag.as_str())?;
    write!(out, ",\"unit\":")?;
    serde_json::to_writer(&mut *out, &found.unit)?;
    write!(
        out,
        ",\"stored\":{},\"gaps\":{},\"columns\":{{",
        t.stored, t.gaps
    )?;
    let instant = |t: &i64| (*t != MISSING_TIME).then(|| UtcMicros(*t).to_rfc3339());
    list(out, "time", c.time.iter().map(instant))?;
    let floats = [
        ("pv", &c.pv),
        ("sv", &c.sv),
        ("tv", &c.tv),
        ("qv", &c.qv),
        ("reported_ma", &c.reported_ma),
        ("analog_ma", &c.analog_ma),
    ];
    for (name, values) in floats {
        out.write_all(b",")?;
        list(
            out,
            name,
            values.iter().map(|v| v.is_finite().then_some(*v)),
        )?;
    }
    out.write_all(b",")?;
    list(out, "analog_time", c.analog_time.iter().map(instant))?;
    let bytes = [
        ("response_code", &c.response_code),
        ("device_status", &c.device_status),
        ("extended_status", &c.extended_status),
        ("pv_status", &c.pv_status),
    ];
    for (name, values) in bytes {
        out.write_all(b",")?;
        list(out, name, values.iter().map(|v| (*v >= 0).then_some(*v)))?;
    }
    for (name, values) in [("exchanges", &c.exchanges), ("comm_errors", &c.comm_errors)] {
        out.write_all(b",")?;
        list(out, name, values.iter().map(|v| (*v >= 0).then_some(*v)))?;
    }
    out.write_all(b",")?;
    let changes = c.config_changes.iter().map(|v| (*v >= 0).then_some(*v));
    list(out, "config_changes", changes)?;
    out.write_all(b"}}")
}

/// One Arrow batch of rows; missing values are nulls.
fn batch(c: &Series<'_>) -> Vec<(&'static str, ArrayRef)> {
    let utc: Arc<str> = "UTC".into();
    let float = |v: &[f64]| -> ArrayRef {
        let values = v.iter().map(|x| x.is_finite().then_some(*x));
        Arc::new(values.collect::<Float64Array>())
    };
    let byte = |v: &[i16]| -> ArrayRef {
        let values = v.iter().map(|x| (*x >= 0).then_some(i32::from(*x)));
        Arc::new(values.collect::<Int32Array>())
    };
    let long = |v: &[i64]| -> ArrayRef {
        let values = v.iter().map(|x| (*x >= 0).then_some(*x));
        Arc::new(values.collect::<Int64Array>())
    };
    let instant = |v: &[i64]| -> ArrayRef {
        let values = v.iter().map(|t| (*t != MISSING_TIME).then_some(*t));
        let array = values.collect::<TimestampMicrosecondArray>();
        Arc::new(array.with_timezone(utc.clone()))
    };
    let changes = c.config_changes.iter().map(|x| (*x >= 0).then_some(*x));
    vec![
        ("time", instant(c.time)),
        ("pv", float(c.pv)),
        ("sv", float(c.sv)),
        ("tv", float(c.tv)),
        ("qv", float(c.qv)),
        ("reported_ma", float(c.reported_ma)),
        ("analog_ma", float(c.analog_ma)),
        ("analog_time", instant(c.analog_time)),
        ("response_code", byte(c.response_code)),
        ("device_status", byte(c.device_status)),
        ("extended_status", byte(c.extended_status)),
        ("pv_status", byte(c.pv_status)),
        ("exchanges", long(c.exchanges)),
        ("comm_errors", long(c.comm_errors)),
        ("config_changes", Arc::new(changes.collect::<Int32Array>())),
    ]
}

/// An Arrow IPC stream, in batches.
fn write_arrow(out: &mut dyn Write, found: &Found) -> Result<(), ArrowError> {
    let columns = &found.thinned.columns;
    let kind = |name: &str, array: &ArrayRef| {
        if name.ends_with("time") {
            DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into()))
        } else {
            array.data_type().clone()
        }
    };
    let fields: Vec<Field> = batch(&Columns::default().series())
        .iter()
        .map(|(name, array)| Field::new(*name, kind(name, array), *name != "time"))
        .collect();
    let about = [
        ("tag".to_owned(), found.tag.to_string()),
        ("unit".to_owned(), found.unit.clone()),
        ("stored".to_owned(), found.thinned.stored.to_string()),
        ("gaps".to_owned(), found.thinned.gaps.to_string()),
    ];
    let schema = Arc::new(Schema::new(fields).with_metadata(about.into()));
    let mut writer = StreamWriter::try_new(out, &schema)?;
    let rows = columns.len();
    for from in (0..rows).step_by(BATCH_ROWS) {
        let series = columns.slice(from, (from + BATCH_ROWS).min(rows));
        let arrays = batch(&series).into_iter().map(|(_, array)| array);
        writer.write(&RecordBatch::try_new(schema.clone(), arrays.collect())?)?;
    }
    writer.finish()
}

/// The columns for a page.
fn write_packed(out: &mut dyn Write, found: &Found) -> io::Result<()> {
    let t = &found.thinned;
    let c = &t.columns;
    let float = |v: &[f64]| Values::F64(v.to_vec());
    let byte = |v: &[i16]| Values::I16(v.to_vec());
    let columns = vec![
        (
            "time",
            Values::instants(c.time.iter().copied(), MISSING_TIME),
        ),
        ("pv", float(&c.pv)),
        ("sv", float(&c.sv)),
        ("tv", float(&c.tv)),
        ("qv", float(&c.qv)),
        ("reported_ma", float(&c.reported_ma)),
        ("analog_ma", float(&c.analog_ma)),
        (
            "analog_time",
            Values::instants(c.analog_time.iter().copied(), MISSING_TIME),
        ),
        ("response_code", byte(&c.response_code)),
        ("device_status", byte(&c.device_status)),
        ("extended_status", byte(&c.extended_status)),
        ("pv_status", byte(&c.pv_status)),
        ("exchanges", Values::counts(c.exchanges.iter().copied())),
        ("comm_errors", Values::counts(c.comm_errors.iter().copied())),
        (
            "config_changes",
            Values::counts(c.config_changes.iter().map(|v| i64::from(*v))),
        ),
    ];
    let mut about = serde_json::Map::new();
    about.insert("tag".to_owned(), found.tag.as_str().into());
    about.insert("unit".to_owned(), found.unit.as_str().into());
    about.insert("stored".to_owned(), t.stored.into());
    about.insert("gaps".to_owned(), t.gaps.into());
    let rows = c.time.len();
    packed::write(
        out,
        vec![Table {
            about,
            columns,
            rows,
        }],
    )
}

/// Readings of one loop as stored, or thinned.
///
/// With no more than `points` rows stored in the time asked for, the rows as stored. With more, at most `points` rows:
/// time is cut into equal stretches, and of each the rows stay that hold the lowest and the highest value of a column or
/// of the difference between analog and digital (`analog_ma` minus the registered current), and its worst exchanges (no
/// reply, and the highest `response_code` from 0x80). `device_status` and `extended_status` are or-ed over the rows that
/// went; of `pv_status` the worse quality stands. A gap (longer than three poll periods, a period being the median of the
/// fifteen intervals before) is a row with a time, one period after the last row before it, and nothing else; the longest
/// come first, at most a quarter of the rows. With fewer than 26 points some extremes go, with fewer than 52 the gaps.
#[utoipa::path(get, path = "/api/v1/loops/{tag}/readings",
    params(("tag" = String, Path, description = "the loop's tag, percent-encoded", min_length = 1, max_length = 32), ReadingsQuery),
    responses(
    (status = 200, description = "columns of equal length; by `Accept` as JSON, as an Arrow IPC stream, or as plain arrays behind a JSON head (`application/vnd.loopwitness.columns`: `LWC1`, length of the head as u32, the head padded to 8 bytes, then each column at its offset `at` after the head; little-endian, times in ms since 1970, NaN or -1 = missing)", content(
        (ReadingsAnswer = "application/json"),
        (Vec<u8> = "application/vnd.apache.arrow.stream"),
        (Vec<u8> = "application/vnd.loopwitness.columns"))),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such loop", body = Problem, content_type = "application/problem+json"),
    (status = 406, description = "`Accept` takes none of the forms", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn readings(
    app: App,
    Path(text): Path<String>,
    Query(q): Query<ReadingsQuery>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let most = app.limits.points;
    let points = within("points", q.points, DEFAULT_POINTS.min(most), most)?;
    let from = time_of("from", q.from.as_deref())?.unwrap_or(UtcMicros(i64::MIN));
    let to = time_of("to", q.to.as_deref())?.unwrap_or(UtcMicros(i64::MAX));
    if from > to {
        return Err(Problem::bad_request("from: is after to"));
    }
    let form = accept::choose(&headers, &[JSON, ARROW, PACKED])
        .ok_or_else(|| Problem::not_acceptable(&[JSON, ARROW, PACKED]))?;
    let permit = heavy(&app).await?;
    let shared = app.0;
    let found = blocking(move || {
        let failed = |e| Problem::internal("the readings could not be read", &e);
        let snapshot = shared.reader.snapshot().map_err(failed)?;
        let tag = known_tag(&snapshot, &text)?;
        read(&snapshot, tag, (from, to), points).map_err(failed)
    })
    .await?;
    let long = found.thinned.columns.len() > WHOLE_ROWS;
    let write = move |out: &mut dyn Write| {
        // Held until the answer is written: it bounds what is in memory.
        let _permit = permit;
        match form {
            ARROW => write_arrow(out, &found).map_err(io::Error::other),
            PACKED => write_packed(out, &found),
            _ => write_json(out, &found),
        }
    };
    let body = if long {
        stream::body(write)
    } else {
        stream::whole(write)?
    };
    let mut response = body.into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(form));
    headers.insert(header::VARY, HeaderValue::from_static("accept"));
    Ok(response)
}
