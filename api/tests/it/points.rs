//! `points`: never more rows than asked for, extremes, status and gaps kept, whatever the rows and however they come.

use crate::support::Fixture;
use axum::body::Body;
use axum::http::Request;
use ingest_model::{Columns, Range, Reading, Transfer, UtcMicros};
use loopwitness::thin::{GAP_PERIODS, KEPT, Thinned, Thinner};
use std::collections::BTreeMap;

const RANGE: Range = Range {
    lrv: 0.0,
    urv: 100.0,
    transfer: Transfer::Linear,
};
const S: i64 = 1_000_000;

/// Rows of a loop that drifts, jumps, stays away, fails and complains, by a seed.
fn rows(rng: &mut fastrand::Rng, count: usize) -> Columns {
    let mut c = Columns::default();
    let period = rng.i64(1..=120) * S;
    let mut time = 1_772_323_200 * S;
    let shy = rng.f64() * 0.2;
    for n in 0..count {
        time += period + rng.i64(0..period / 4 + 1);
        if rng.f64() < 0.01 {
            time += period * rng.i64(1..200);
        }
        let mut r = Reading::empty(UtcMicros(time));
        if rng.f64() >= shy {
            let share = 0.5 + 0.4 * (n as f64 / 50.0).sin() + 0.05 * rng.f64();
            r.pv = 100.0 * share;
            r.analog_ma = 4.0 + 16.0 * share + 0.1 * rng.f64();
            r.reported_ma = 4.0 + 16.0 * share;
            r.sv = if rng.bool() { rng.f64() } else { f64::NAN };
            r.response_code = Some(0);
            r.device_status = Some(if rng.f64() < 0.02 {
                1 << rng.u8(0..8)
            } else {
                0
            });
            r.extended_status = (rng.f64() < 0.1).then(|| rng.u8(..));
            r.exchanges = Some(n as u32);
            r.comm_errors = Some(n as u32 / 7);
        } else if rng.bool() {
            r.response_code = Some(0x80 | rng.u8(..));
            // Means nothing in a failed exchange.
            r.device_status = Some(0xFF);
        }
        c.push(&r);
    }
    c
}

fn thin(all: &Columns, points: usize, piece: usize) -> Thinned {
    let mut thinner = Thinner::new(points);
    for from in (0..all.len()).step_by(piece.max(1)) {
        let mut part = Columns::default();
        for row in from..(from + piece).min(all.len()) {
            part.push_row_of(all, row);
        }
        thinner.push(&part, |_, pv| RANGE.registered_ma(pv));
    }
    thinner.finish()
}

fn ends(values: &[f64]) -> (f64, f64) {
    values
        .iter()
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
            (low.min(*v), high.max(*v))
        })
}

fn differences(c: &Columns) -> Vec<f64> {
    let pairs = c.analog_ma.iter().zip(&c.pv);
    pairs
        .map(|(ma, pv)| ma - RANGE.registered_ma(*pv))
        .collect()
}

fn all_bits(c: &Columns) -> (i16, i16) {
    let spoke = (0..c.len()).filter(|&r| (0..0x80).contains(&c.response_code[r]));
    spoke.fold((0, 0), |(device, extended), r| {
        (
            device | c.device_status[r].max(0),
            extended | c.extended_status[r].max(0),
        )
    })
}

#[test]
fn never_more_rows_and_the_extremes_stay() {
    for seed in 0..300 {
        let mut rng = fastrand::Rng::with_seed(seed);
        let count = rng.usize(1..4_000);
        let all = rows(&mut rng, count);
        let points = rng.usize(1..1_000);
        let piece = rng.usize(1..2_000);
        let thinned = thin(&all, points, piece);
        let c = &thinned.columns;
        let about = format!("seed {seed}: {count} rows, {points} points");
        assert!(c.len() <= points && !c.is_empty(), "{about}: {}", c.len());
        assert_eq!(thinned.stored, count, "{about}");
        assert!(c.time.windows(2).all(|w| w[0] < w[1]), "{about}");
        if count <= points {
            // NaN is not equal to itself.
            assert_eq!(format!("{c:?}"), format!("{all:?}"), "{about}");
            continue;
        }
        if points < KEPT * 2 {
            continue;
        }
        let columns = [
            (&c.pv, &all.pv),
            (&c.analog_ma, &all.analog_ma),
            (&c.reported_ma, &all.reported_ma),
            (&c.sv, &all.sv),
            (&differences(c), &differences(&all)),
        ];
        for (kept, stored) in columns {
            assert_eq!(ends(kept), ends(stored), "{about}");
        }
        assert_eq!(all_bits(c), all_bits(&all), "{about}");
        assert_eq!(
            c.exchanges.iter().max(),
            all.exchanges.iter().max(),
            "{about}"
        );
        assert_eq!(
            c.response_code.iter().max(),
            all.response_code.iter().max(),
            "{about}"
        );
        // Every other row is a stored one: its values stand there at its time.
        let stored: BTreeMap<i64, usize> =
            all.time.iter().enumerate().map(|(n, t)| (*t, n)).collect();
        let mut gaps = 0;
        for row in 0..c.len() {
            match stored.get(&c.time[row]) {
                Some(&n) => assert_eq!(
                    format!("{:?}", (c.pv[row], c.analog_ma[row], c.exchanges[row])),
                    format!("{:?}", (all.pv[n], all.analog_ma[n], all.exchanges[n])),
                    "{about}"
                ),
                None => {
                    gaps += 1;
                    assert!(c.pv[row].is_nan() && c.response_code[row] == -1, "{about}");
                }
            }
        }
        assert_eq!(gaps, thinned.gaps, "{about}");
    }
}

#[test]
fn the_longest_gaps_are_rows_of_nothing() {
    let mut all = Columns::default();
    let mut time = 0;
    for n in 0..1_000 {
        // A day away after row 500; two polls missed, which is no gap, after row 700.
        time += match n {
            501 => 86_400 * S,
            701 => GAP_PERIODS * 10 * S,
            _ => 10 * S,
        };
        all.push(&Reading {
            pv: f64::from(n % 10),
            ..Reading::empty(UtcMicros(time))
        });
    }
    let thinned = thin(&all, 200, 1_000);
    assert_eq!(thinned.gaps, 1);
    let c = &thinned.columns;
    let row = (0..c.len()).find(|&r| c.pv[r].is_nan()).unwrap();
    // One poll period after the last row before the gap.
    assert_eq!(c.time[row], all.time[500] + 10 * S);
    assert!(c.time[row - 1] <= all.time[500] && c.time[row + 1] >= all.time[501]);
}

/// The rows held are bounded: two million come, the answer is as exact as from all of them.
#[test]
fn a_long_record_is_thinned_as_it_comes() {
    let mut rng = fastrand::Rng::with_seed(7);
    let mut thinner = Thinner::new(2_000);
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut time = 0;
    for _day in 0..23 {
        let mut part = Columns::default();
        for _ in 0..86_400 {
            time += S;
            let pv = 100.0 * rng.f64();
            (low, high) = (low.min(pv), high.max(pv));
            part.push(&Reading {
                pv,
                analog_ma: RANGE.registered_ma(pv),
                response_code: Some(0),
                device_status: Some(u8::from(time == 1_000_003 * S) << 4),
                ..Reading::empty(UtcMicros(time))
            });
        }
        thinner.push(&part, |_, pv| RANGE.registered_ma(pv));
    }
    let thinned = thinner.finish();
    assert_eq!(thinned.stored, 23 * 86_400);
    assert!((1_000..=2_000).contains(&thinned.columns.len()));
    assert_eq!(ends(&thinned.columns.pv), (low, high));
    assert_eq!(all_bits(&thinned.columns), (0x10, 0));
}

async fn columns(f: &Fixture, query: &str) -> serde_json::Value {
    f.get(&format!("/api/v1/loops/PT-102/readings{query}"))
        .await
        .1
}

#[tokio::test]
async fn json_and_arrow_say_the_same() {
    let f = Fixture::new(false);
    for query in ["", "?points=60", "?from=2027-01-01T00:00:00Z"] {
        let json = columns(&f, query).await;
        let request = Request::get(format!("/api/v1/loops/PT-102/readings{query}"))
            .header(
                "accept",
                "application/vnd.apache.arrow.stream, application/json;q=0.5",
            )
            .body(Body::empty())
            .unwrap();
        let (_, headers, body) = f.send(request).await;
        assert_eq!(
            headers["content-type"],
            "application/vnd.apache.arrow.stream"
        );
        let reader = arrow_ipc::reader::StreamReader::try_new(body.as_slice(), None).unwrap();
        let schema = reader.schema();
        assert_eq!(schema.metadata()["stored"], json["stored"].to_string());
        let batches: Vec<_> = reader.collect::<Result<_, _>>().unwrap();
        let rows: usize = batches.iter().map(arrow_array::RecordBatch::num_rows).sum();
        assert_eq!(rows, json["columns"]["time"].as_array().unwrap().len());
        let names = json["columns"].as_object().unwrap();
        assert_eq!(schema.fields().len(), names.len());
        for field in schema.fields() {
            let listed = names[field.name()].as_array().unwrap();
            assert_eq!(listed.len(), rows, "{}", field.name());
            let nulls: usize = batches
                .iter()
                .filter_map(|b| b.column_by_name(field.name()))
                .map(|a| a.null_count())
                .sum();
            let null = listed.iter().filter(|v| v.is_null()).count();
            assert_eq!(nulls, null, "{}", field.name());
        }
    }
}

/// What a batch says of itself, and its columns.
type Batch = (serde_json::Value, Vec<(String, Vec<f64>)>);

/// A packed answer by its documented layout: magic, length of the head, head, arrays at their offsets.
fn unpacked(bytes: &[u8]) -> Vec<Batch> {
    assert_eq!(&bytes[..4], b"LWC1");
    let length = u32::from_le_bytes(bytes[4..8].try_into().unwrap()) as usize;
    assert_eq!(length % 8, 0);
    let head: serde_json::Value = serde_json::from_slice(&bytes[8..8 + length]).unwrap();
    let data = &bytes[8 + length..];
    let column = |c: &serde_json::Value, rows: usize| -> Vec<f64> {
        let at = c["at"].as_u64().unwrap() as usize;
        assert_eq!(at % 8, 0);
        let cell = |i: usize| match c["type"].as_str().unwrap() {
            "f64" => f64::from_le_bytes(data[at + 8 * i..][..8].try_into().unwrap()),
            "f32" => f32::from_le_bytes(data[at + 4 * i..][..4].try_into().unwrap()).into(),
            "u32" => u32::from_le_bytes(data[at + 4 * i..][..4].try_into().unwrap()).into(),
            "i16" => i16::from_le_bytes(data[at + 2 * i..][..2].try_into().unwrap()).into(),
            "u8" => data[at + i].into(),
            other => panic!("{other}"),
        };
        (0..rows).map(cell).collect()
    };
    let table = |t: &serde_json::Value| {
        let rows = t["rows"].as_u64().unwrap() as usize;
        let columns = t["columns"].as_array().unwrap().iter();
        let named = columns.map(|c| (c["name"].as_str().unwrap().to_owned(), column(c, rows)));
        (t.clone(), named.collect())
    };
    head["tables"]
        .as_array()
        .unwrap()
        .iter()
        .map(table)
        .collect()
}

fn milliseconds(v: &serde_json::Value) -> f64 {
    let time = ingest_model::UtcMicros::parse_rfc3339(v.as_str().unwrap()).unwrap();
    time.0 as f64 / 1000.0
}

#[tokio::test]
async fn json_and_plain_arrays_say_the_same() {
    let f = Fixture::new(true);
    for path in [
        "/api/v1/loops/PT-102/readings",
        "/api/v1/loops/PT-102/readings?points=60",
        "/api/v1/loops/FT-101/readings?from=2027-01-01T00:00:00Z",
        "/api/v1/loops/FT-101/trace?step=1h",
        "/api/v1/traces?tags=FT-101,PT-102&step=6h",
    ] {
        let (_, json) = f.get(path).await;
        let request = Request::get(path)
            .header("accept", "application/vnd.loopwitness.columns")
            .body(Body::empty())
            .unwrap();
        let (status, headers, body) = f.send(request).await;
        assert_eq!(status.as_u16(), 200, "{path}");
        assert_eq!(
            headers["content-type"],
            "application/vnd.loopwitness.columns"
        );
        let tables = unpacked(&body);
        let listed = json["traces"].as_array().cloned().unwrap_or(vec![json]);
        assert_eq!(tables.len(), listed.len(), "{path}");
        for ((head, columns), json) in tables.iter().zip(&listed) {
            assert_eq!(head["tag"], json["tag"]);
            let names = json["columns"].as_object().unwrap();
            for (name, cells) in names {
                let cells = cells.as_array().unwrap();
                let Some((_, values)) = columns.iter().find(|(n, _)| n == name) else {
                    // Left out: missing in every row.
                    assert!(
                        cells.iter().all(serde_json::Value::is_null),
                        "{path} {name}"
                    );
                    continue;
                };
                assert_eq!(values.len(), cells.len(), "{path} {name}");
                for (value, cell) in values.iter().zip(cells) {
                    if cell.is_null() {
                        assert!(value.is_nan() || *value == -1.0, "{path} {name}");
                    } else {
                        let wanted = cell.as_f64().unwrap_or_else(|| milliseconds(cell));
                        let near = (value - wanted).abs() <= 1e-6 * wanted.abs().max(1e-3);
                        assert!(near, "{path} {name}: {value} is not {wanted}");
                    }
                }
            }
        }
    }
}

/// Both against the readings themselves: the small site polls each of its loops every ten minutes for two days.
#[tokio::test]
async fn the_course_of_the_collection_counts_each_poll() {
    let f = Fixture::new(true);
    let (_, course) = f.get("/api/v1/collection").await;
    let days = course["days"].as_array().unwrap().len();
    let mut polls = 0;
    for m in course["modems"].as_array().unwrap() {
        for name in ["polls", "failed"] {
            assert_eq!(m[name].as_array().unwrap().len(), days);
        }
        let sum = |v: &serde_json::Value| -> u64 {
            v.as_array()
                .unwrap()
                .iter()
                .filter_map(serde_json::Value::as_u64)
                .sum()
        };
        assert!(sum(&m["failed"]) <= sum(&m["polls"]));
        polls += sum(&m["polls"]);
    }
    let mut stored = 0;
    let (_, register) = f.get("/api/v1/loops").await;
    for l in register["loops"].as_array().unwrap() {
        let tag = l["tag"].as_str().unwrap();
        let tag = percent_encoding::utf8_percent_encode(tag, percent_encoding::NON_ALPHANUMERIC);
        let (_, readings) = f.get(&format!("/api/v1/loops/{tag}/readings")).await;
        stored += readings["stored"].as_u64().unwrap();
    }
    assert_eq!(polls, stored);

    let (_, newest) = f.get("/api/v1/differences").await;
    let at = newest["tags"]
        .as_array()
        .unwrap()
        .iter()
        .position(|t| t == "FT-101")
        .unwrap();
    let (_, trace) = f.get("/api/v1/loops/FT-101/trace?step=1d").await;
    let last = trace["columns"]["difference_pct"]
        .as_array()
        .unwrap()
        .last()
        .unwrap()
        .as_f64()
        .unwrap();
    assert!((newest["difference_pct"][at].as_f64().unwrap() - last).abs() < 1e-9);
}

#[tokio::test]
async fn accept_chooses_the_form() {
    let f = Fixture::new(false);
    let json = "application/json";
    let arrow = "application/vnd.apache.arrow.stream";
    for (accept, wanted) in [
        ("*/*", Some(json)),
        ("application/*", Some(json)),
        (arrow, Some(arrow)),
        ("application/vnd.apache.arrow.stream, */*", Some(arrow)),
        (
            "application/json, application/vnd.apache.arrow.stream",
            Some(json),
        ),
        (
            "application/json;q=0.2, application/vnd.apache.arrow.stream;q=0.9",
            Some(arrow),
        ),
        ("text/html, */*;q=0.1", Some(json)),
        ("text/csv", None),
        ("application/json;q=0, text/csv", None),
    ] {
        let request = Request::get("/api/v1/loops/PT-102/readings?points=30")
            .header("accept", accept)
            .body(Body::empty())
            .unwrap();
        let (status, headers, _) = f.send(request).await;
        match wanted {
            Some(kind) => assert_eq!(headers["content-type"], kind, "{accept}"),
            None => {
                assert_eq!(status.as_u16(), 406, "{accept}");
                assert_eq!(headers["content-type"], "application/problem+json");
            }
        }
    }
}
