//! Stored readings of one loop: JSON columns, or an Arrow IPC stream where the client asks for it.

use super::attention::json;
use super::problem::Problem;
use super::{App, Path, Query, blocking, heavy, known_tag, time_of};
use crate::thin;
use arrow_array::{
    ArrayRef, Float64Array, Int32Array, Int64Array, RecordBatch, TimestampMicrosecondArray,
};
use arrow_ipc::writer::StreamWriter;
use arrow_schema::{ArrowError, DataType, Field, Schema, TimeUnit};
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use ingest_model::{Columns, MISSING_TIME, UtcMicros};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

const DEFAULT_POINTS: usize = 10_000;
const MAX_POINTS: usize = 1_000_000;
const ARROW: &str = "application/vnd.apache.arrow.stream";

#[derive(Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub(super) struct ReadingsQuery {
    /// First instant, RFC 3339; without it from the first reading.
    from: Option<String>,
    /// End, not included, RFC 3339; without it to the last reading.
    to: Option<String>,
    /// At most so many rows, extremes kept: 1 to 1,000,000; 10,000 without it.
    points: Option<usize>,
}

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct ReadingColumns {
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

#[derive(Serialize, utoipa::ToSchema)]
pub(super) struct ReadingsAnswer {
    tag: String,
    /// Unit of `pv`.
    unit: String,
    /// Rows stored in the time asked for; more than given here when `points` is less.
    stored: usize,
    columns: ReadingColumns,
}

fn number(values: &[f64]) -> Vec<Option<f64>> {
    values.iter().map(|v| v.is_finite().then_some(*v)).collect()
}

fn count<T: Copy + PartialOrd + Default>(values: &[T]) -> Vec<Option<T>> {
    values
        .iter()
        .map(|v| (*v >= T::default()).then_some(*v))
        .collect()
}

fn columns_view(c: &Columns) -> ReadingColumns {
    let instant = |t: i64| UtcMicros(t).to_rfc3339();
    ReadingColumns {
        time: c.time.iter().map(|t| instant(*t)).collect(),
        pv: number(&c.pv),
        sv: number(&c.sv),
        tv: number(&c.tv),
        qv: number(&c.qv),
        reported_ma: number(&c.reported_ma),
        analog_ma: number(&c.analog_ma),
        analog_time: c
            .analog_time
            .iter()
            .map(|t| (*t != MISSING_TIME).then(|| instant(*t)))
            .collect(),
        response_code: count(&c.response_code),
        device_status: count(&c.device_status),
        extended_status: count(&c.extended_status),
        pv_status: count(&c.pv_status),
        exchanges: count(&c.exchanges),
        comm_errors: count(&c.comm_errors),
        config_changes: count(&c.config_changes),
    }
}

/// An Arrow IPC stream of one batch; missing values are nulls.
fn arrow_stream(c: &Columns, tag: &str, unit: &str) -> Result<Vec<u8>, ArrowError> {
    let utc: Arc<str> = "UTC".into();
    let float = |v: &[f64]| -> ArrayRef {
        Arc::new(
            v.iter()
                .map(|x| x.is_finite().then_some(*x))
                .collect::<Float64Array>(),
        )
    };
    let byte = |v: &[i16]| -> ArrayRef {
        Arc::new(
            v.iter()
                .map(|x| (*x >= 0).then_some(i32::from(*x)))
                .collect::<Int32Array>(),
        )
    };
    let long = |v: &[i64]| -> ArrayRef {
        Arc::new(
            v.iter()
                .map(|x| (*x >= 0).then_some(*x))
                .collect::<Int64Array>(),
        )
    };
    let changes: ArrayRef = Arc::new(
        c.config_changes
            .iter()
            .map(|x| (*x >= 0).then_some(*x))
            .collect::<Int32Array>(),
    );
    let time: ArrayRef =
        Arc::new(TimestampMicrosecondArray::from(c.time.clone()).with_timezone(utc.clone()));
    let analog_time: ArrayRef = Arc::new(
        c.analog_time
            .iter()
            .map(|t| (*t != MISSING_TIME).then_some(*t))
            .collect::<TimestampMicrosecondArray>()
            .with_timezone(utc.clone()),
    );
    let instant = DataType::Timestamp(TimeUnit::Microsecond, Some(utc));
    let columns: [(&str, ArrayRef); 15] = [
        ("time", time),
        ("pv", float(&c.pv)),
        ("sv", float(&c.sv)),
        ("tv", float(&c.tv)),
        ("qv", float(&c.qv)),
        ("reported_ma", float(&c.reported_ma)),
        ("analog_ma", float(&c.analog_ma)),
        ("analog_time", analog_time),
        ("response_code", byte(&c.response_code)),
        ("device_status", byte(&c.device_status)),
        ("extended_status", byte(&c.extended_status)),
        ("pv_status", byte(&c.pv_status)),
        ("exchanges", long(&c.exchanges)),
        ("comm_errors", long(&c.comm_errors)),
        ("config_changes", changes),
    ];
    let fields: Vec<Field> = columns
        .iter()
        .map(|(name, array)| {
            let kind = if name.ends_with("time") {
                instant.clone()
            } else {
                array.data_type().clone()
            };
            Field::new(*name, kind, *name != "time")
        })
        .collect();
    let about = [
        ("tag".to_owned(), tag.to_owned()),
        ("unit".to_owned(), unit.to_owned()),
    ]
    .into();
    let schema = Arc::new(Schema::new(fields).with_metadata(about));
    let batch = RecordBatch::try_new(
        schema.clone(),
        columns.into_iter().map(|(_, a)| a).collect(),
    )?;
    let mut writer = StreamWriter::try_new(Vec::new(), &schema)?;
    writer.write(&batch)?;
    writer.finish()?;
    writer.into_inner()
}

/// Readings of one loop as stored, or thinned with the extremes kept.
#[utoipa::path(get, path = "/api/v1/loops/{tag}/readings", params(("tag" = String, Path, description = "the loop's tag, percent-encoded"), ReadingsQuery), responses(
    (status = 200, description = "columns of equal length; an Arrow IPC stream with Accept: application/vnd.apache.arrow.stream", body = ReadingsAnswer),
    (status = 400, description = "a parameter is not understood", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "no such loop", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "too many long answers are under way", body = Problem, content_type = "application/problem+json")))]
pub(super) async fn readings(
    app: App,
    Path(text): Path<String>,
    Query(q): Query<ReadingsQuery>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let points = q.points.unwrap_or(DEFAULT_POINTS);
    if !(1..=MAX_POINTS).contains(&points) {
        return Err(Problem::bad_request(format!(
            "points: {points} is not 1 to {MAX_POINTS}"
        )));
    }
    let from = time_of("from", q.from.as_deref())?.unwrap_or(UtcMicros(i64::MIN));
    let to = time_of("to", q.to.as_deref())?.unwrap_or(UtcMicros(i64::MAX));
    if from > to {
        return Err(Problem::bad_request("from is after to"));
    }
    let arrow = headers
        .get_all(header::ACCEPT)
        .iter()
        .any(|v| v.to_str().is_ok_and(|v| v.contains(ARROW)));
    let permit = heavy(&app)?;
    let shared = app.0;
    let mut response = blocking(move || {
        let _permit = permit;
        let failed = |e| Problem::internal("the readings could not be read", &e);
        let snapshot = shared.reader.snapshot().map_err(failed)?;
        let tag = known_tag(&snapshot, &text)?;
        let unit = snapshot
            .register()
            .current(&tag)
            .map(|e| e.pv_unit.clone())
            .unwrap_or_default();
        let all = snapshot.read_loop(&tag, from, to).map_err(failed)?;
        let stored = all.len();
        let columns = thin::thin(all, points);
        if arrow {
            let bytes = arrow_stream(&columns, tag.as_str(), &unit)
                .map_err(|e| Problem::internal("the readings could not be written", &e))?;
            return Ok(([(header::CONTENT_TYPE, ARROW)], bytes).into_response());
        }
        json(&ReadingsAnswer {
            tag: tag.to_string(),
            unit,
            stored,
            columns: columns_view(&columns),
        })
    })
    .await?;
    response
        .headers_mut()
        .insert(header::VARY, header::HeaderValue::from_static("accept"));
    Ok(response)
}
