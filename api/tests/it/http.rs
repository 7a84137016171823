//! The HTTP API through the router: each status, each shape.

use crate::support::{Fixture, REGISTER};
use axum::body::Body;
use axum::http::{Request, StatusCode};
use serde_json::Value;

#[tokio::test]
async fn attention_is_the_contract_with_site_and_time() {
    let f = Fixture::new(true);
    let (status, body) = f.get("/api/v1/attention").await;
    assert_eq!(status, StatusCode::OK);
    assert_eq!(body["site"]["timezone"], "Europe/Madrid");
    assert_eq!(body["loops"], 3);
    assert_eq!(body["readings"], 864);
    assert!(body["assessed_at"].is_string());
    let rows = body["attention"].as_array().unwrap();
    assert_eq!(rows[0]["tag"], "PT-102");
    assert_eq!(rows[0]["rank"], 1);
    let kinds: Vec<&str> = rows[0]["findings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|k| k["kind"].as_str().unwrap())
        .collect();
    assert!(kinds.contains(&"current-out-of-range"), "{kinds:?}");

    let (_, body) = f.get("/api/v1/attention?area=Outfall").await;
    assert_eq!(body["matched"], 0);
    let (_, body) = f
        .get("/api/v1/attention?area=Intake&kind=current-out-of-range&criticality=safety&limit=1")
        .await;
    assert_eq!(body["attention"].as_array().unwrap().len(), 1);
    // Before the current dropped.
    let (status, body) = f.get("/api/v1/attention?at=2026-03-02T00:00:00Z").await;
    assert_eq!(status, StatusCode::OK);
    assert_eq!(body["to"], "2026-03-02T00:00:00Z");
    assert!(
        !body["attention"]
            .to_string()
            .contains("current-out-of-range")
    );
}

#[tokio::test]
async fn the_whole_result_comes_packed_and_is_the_same() {
    use std::io::Read as _;
    let f = Fixture::new(true);
    let ask = async |encoding: Option<&str>| {
        let mut request = Request::get("/api/v1/attention");
        if let Some(encoding) = encoding {
            request = request.header("accept-encoding", encoding);
        }
        f.send(request.body(Body::empty()).unwrap()).await
    };
    let (_, headers, plain) = ask(None).await;
    assert!(!headers.contains_key("content-encoding"));
    assert_eq!(ask(Some("gzip;q=0, br")).await.2, plain);
    for _ in 0..2 {
        let (_, headers, packed) = ask(Some("br;q=1.0, gzip;q=0.8")).await;
        assert_eq!(headers["content-encoding"], "gzip");
        assert_eq!(headers["content-type"], "application/json");
        let mut text = Vec::new();
        let mut unpacked = flate2::read::GzDecoder::new(packed.as_slice());
        unpacked.read_to_end(&mut text).unwrap();
        assert_eq!(text, plain);
    }
    // A new result is another answer.
    let snapshot = f.shared.reader.snapshot().unwrap();
    let mut engine = analytics_assess::Engine::new(analytics_assess::Settings::default());
    let result = engine.assess(&snapshot, None, &mut |_| {}).unwrap();
    f.shared.set_current(result, ingest_model::UtcMicros(7));
    assert_ne!(ask(None).await.2, plain);
}

#[tokio::test]
async fn wrong_parameters_are_named() {
    let f = Fixture::new(true);
    for (path, wanted) in [
        (
            "/api/v1/attention?kind=gremlins",
            "kind: `gremlins` is none of analog-digital-drift",
        ),
        (
            "/api/v1/attention?criticality=vital",
            "criticality: `vital`",
        ),
        (
            "/api/v1/attention?at=yesterday",
            "at: `yesterday` is not an RFC 3339 time",
        ),
        ("/api/v1/attention?limit=few", "limit"),
        ("/api/v1/loops?limit=0", "limit: 0 is not 1 to 10000"),
        (
            "/api/v1/loops/FT-101/readings?points=0",
            "points: 0 is not 1 to 1000000",
        ),
        (
            "/api/v1/loops/FT-101/readings?points=1000001",
            "points: 1000001",
        ),
        (
            "/api/v1/loops/FT-101/readings?from=2026-03-03T00:00:00Z&to=2026-03-02T00:00:00Z",
            "from: is after to",
        ),
        (
            "/api/v1/loops/FT-101/trace?step=3h",
            "step: `3h` is none of 1h, 6h, 1d",
        ),
        ("/api/v1/traces", "missing field `tags`"),
        ("/api/v1/loops/%FF", ""),
        ("/api/v1/loops/%FF/readings", ""),
        ("/api/v1/attention?at=", "at: ``"),
        ("/api/v1/attention?limit=0", "limit: 0 is not 1 to 100000"),
        ("/api/v1/attention?limit=-1", "limit"),
        ("/api/v1/attention?limit=", "limit"),
        (
            "/api/v1/attention?limit=1&limit=2",
            "duplicate field `limit`",
        ),
        ("/api/v1/attention?kind=", "kind: ``"),
        (
            "/api/v1/loops/FT-101/readings?form=2026-03-02T00:00:00Z",
            "unknown field `form`",
        ),
        ("/api/v1/loops?x=1", "unknown field `x`"),
        ("/api/v1/loops/FT-101?x=1", "unknown field `x`"),
        ("/api/v1/gateways?x", "unknown field `x`"),
        ("/api/v1/common-causes?x=", "unknown field `x`"),
        ("/api/v1/work?x=1", "unknown field `x`"),
        ("/api/v1/register?x=1", "unknown field `x`"),
    ] {
        let (status, body) = f.get(path).await;
        assert_eq!(status, StatusCode::BAD_REQUEST, "{path}");
        assert_eq!(body["status"], 400, "{path}");
        assert!(
            body["detail"].as_str().unwrap().contains(wanted),
            "{path}: {body}"
        );
    }
}

#[tokio::test]
async fn each_refusal_is_a_problem() {
    let f = Fixture::new(false);
    let cases = [
        ("GET", "/api/v1/loops/NO-1", 404),
        ("GET", "/api/v1/loops/NO-1/readings", 404),
        ("GET", "/api/v1/loops/NO-1/trace", 404),
        ("GET", "/api/v1/nothing", 404),
        ("GET", "/api", 404),
        ("GET", "/assets/none.js", 404),
        ("DELETE", "/api/v1/loops/FT-101", 405),
        ("POST", "/api/v1/attention", 405),
        ("POST", "/metrics", 405),
        ("POST", "/", 405),
        ("GET", "/api/v1/cases/7", 404),
        ("POST", "/api/v1/cases", 405),
        ("DELETE", "/api/v1/cases/7", 405),
        ("GET", "/api/v1/cases/7/acknowledge", 405),
        ("POST", "/api/v1/cases/7/acknowledge", 415),
        ("GET", "/api/v1/families", 503),
        ("GET", "/api/v1/families?days=6", 400),
        ("GET", "/api/v1/families?kind=rust", 400),
        ("GET", "/api/v1/families?family=", 400),
        ("GET", "/api/v1/families?format=xml", 400),
        ("GET", "/api/v1/loops/XX/baselines", 404),
        ("PATCH", "/api/v1/loops/FT-101", 415),
        ("POST", "/api/v1/work", 415),
        // The first assessment has not been made.
        ("GET", "/api/v1/loops/FT-101/agreement", 503),
        ("GET", "/api/v1/attention", 503),
        ("GET", "/api/v1/common-causes", 503),
        ("GET", "/api/v1/loops/FT-101/trace", 503),
        ("GET", "/api/v1/traces?tags=FT-101", 503),
    ];
    for (method, path, wanted) in cases {
        let request = Request::builder()
            .method(method)
            .uri(path)
            .body(Body::empty())
            .unwrap();
        let (status, headers, body) = f.send(request).await;
        assert_eq!(status.as_u16(), wanted, "{method} {path}");
        assert_eq!(
            headers["content-type"], "application/problem+json",
            "{method} {path}"
        );
        let body: Value = serde_json::from_slice(&body).unwrap();
        assert_eq!(body["status"], wanted, "{method} {path}");
        assert!(
            body["title"].is_string() && body["detail"].is_string() && body["type"].is_string()
        );
    }
}

#[tokio::test]
async fn loops_come_by_pages_with_their_newest_reading() {
    let f = Fixture::new(false);
    let (_, page) = f.get("/api/v1/loops?limit=2").await;
    assert_eq!(page["loops"][0]["tag"], "FT-101");
    assert_eq!(page["loops"][0]["last"]["time"], "2026-03-02T23:50:00Z");
    assert_eq!(page["loops"][1]["last"]["analog_ma"], 3.5);
    assert_eq!(page["next"], "PT-102");
    let (_, page) = f.get("/api/v1/loops?limit=2&after=PT-102").await;
    assert_eq!(page["loops"].as_array().unwrap().len(), 1);
    assert!(page["next"].is_null());
    // Slash, space, number sign and a letter beyond ASCII in a tag.
    let (status, one) = f.get("/api/v1/loops/Pumpe%20S%C3%BCd%2F3%20%232").await;
    assert_eq!(
        (status, one["tag"].as_str()),
        (StatusCode::OK, Some("Pumpe Süd/3 #2"))
    );
    assert_eq!(one["confirmed"], true);
}

#[tokio::test]
async fn readings_as_stored_and_thinned_with_extremes() {
    let f = Fixture::new(false);
    let (_, all) = f.get("/api/v1/loops/PT-102/readings").await;
    assert_eq!(all["unit"], "bar");
    let column = |body: &Value, name: &str| -> Vec<f64> {
        body["columns"][name]
            .as_array()
            .unwrap()
            .iter()
            .map(|v| v.as_f64().unwrap())
            .collect()
    };
    let (pv, analog) = (column(&all, "pv"), column(&all, "analog_ma"));
    assert_eq!(pv.len(), 288);
    let least = |v: &[f64]| v.iter().copied().fold(f64::INFINITY, f64::min);
    let most = |v: &[f64]| v.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    for points in [20, 50, 287] {
        let (_, few) = f
            .get(&format!("/api/v1/loops/PT-102/readings?points={points}"))
            .await;
        let thin = column(&few, "pv");
        assert!(thin.len() <= points, "{points}: {}", thin.len());
        assert_eq!((least(&thin), most(&thin)), (least(&pv), most(&pv)));
        let thin = column(&few, "analog_ma");
        assert_eq!((least(&thin), most(&thin)), (least(&analog), most(&analog)));
        assert_eq!(few["stored"], 288);
    }
    for points in 1..9 {
        let (_, few) = f
            .get(&format!("/api/v1/loops/PT-102/readings?points={points}"))
            .await;
        assert!(column(&few, "pv").len() <= points);
    }
    let (_, part) = f
        .get("/api/v1/loops/PT-102/readings?from=2026-03-02T00:00:00Z&to=2026-03-02T01:00:00Z")
        .await;
    assert_eq!(part["columns"]["time"].as_array().unwrap().len(), 6);
    assert!(part["columns"]["sv"][0].is_null());
}

#[tokio::test]
async fn readings_as_an_arrow_stream() {
    let f = Fixture::new(false);
    let request = Request::get("/api/v1/loops/FT-101/readings")
        .header("accept", "application/vnd.apache.arrow.stream")
        .body(Body::empty())
        .unwrap();
    let (status, headers, body) = f.send(request).await;
    assert_eq!(status, StatusCode::OK);
    assert_eq!(
        headers["content-type"],
        "application/vnd.apache.arrow.stream"
    );
    let batches: Vec<_> = arrow_ipc::reader::StreamReader::try_new(body.as_slice(), None)
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let batch = &batches[0];
    assert_eq!(batch.num_rows(), 288);
    assert_eq!(batch.column_by_name("sv").unwrap().null_count(), 288);
    assert_eq!(batch.schema().metadata()["unit"], "m3/h");
}

#[tokio::test]
async fn traces_of_one_and_of_several() {
    let f = Fixture::new(true);
    let (_, one) = f.get("/api/v1/loops/FT-101/trace?step=1h").await;
    assert_eq!(one["step_s"], 3600);
    assert_eq!(one["columns"]["time"].as_array().unwrap().len(), 48);
    assert_eq!(
        one["columns"]["difference_pct"].as_array().unwrap().len(),
        one["columns"]["replies"].as_array().unwrap().len()
    );
    for tags in [
        "FT-101,PT-102,NO-1,Pumpe%20S%C3%BCd%2F3%20%232",
        "FT-101%2CPT-102%2CPumpe+S%C3%BCd%2F3+%232",
    ] {
        let (status, many) = f.get(&format!("/api/v1/traces?tags={tags}&step=6h")).await;
        assert_eq!(status, StatusCode::OK);
        let names: Vec<_> = many["traces"]
            .as_array()
            .unwrap()
            .iter()
            .map(|t| t["tag"].clone())
            .collect();
        assert_eq!(names, ["FT-101", "PT-102", "Pumpe Süd/3 #2"]);
    }
}

#[tokio::test]
async fn the_register_answers_the_difference_first() {
    let f = Fixture::new(false);
    let (status, headers, body) = f
        .send(
            Request::get("/api/v1/register")
                .body(Body::empty())
                .unwrap(),
        )
        .await;
    assert_eq!(
        (status, headers["content-type"].to_str().unwrap()),
        (StatusCode::OK, "text/csv; charset=utf-8")
    );
    assert!(String::from_utf8(body).unwrap().contains("Pumpe Süd/3 #2"));

    let changed = REGISTER.replace("PT-102,bar,0,10", "PT-102,bar,0,16");
    let post = |path: &str, kind: &str, text: &str| {
        Request::post(path)
            .header("content-type", kind)
            .body(Body::from(text.to_owned()))
            .unwrap()
    };
    let (status, _, body) = f.send(post("/api/v1/register", "text/csv", &changed)).await;
    let diff: Value = serde_json::from_slice(&body).unwrap();
    assert_eq!(status, StatusCode::OK, "{diff}");
    assert_eq!(
        (&diff["applied"], &diff["unchanged"]),
        (&Value::Bool(false), &Value::from(2))
    );
    assert_eq!(diff["changed"][0]["cells"][0]["column"], "urv");
    assert_eq!(f.get("/api/v1/loops/PT-102").await.1["urv"], 10.0);
    let token = diff["token"].as_str().unwrap();
    let confirm = format!("/api/v1/register?confirm={token}");
    let (_, _, body) = f.send(post(&confirm, "text/csv", &changed)).await;
    assert_eq!(
        serde_json::from_slice::<Value>(&body).unwrap()["applied"],
        true
    );
    assert_eq!(f.get("/api/v1/loops/PT-102").await.1["urv"], 16.0);

    let bad = REGISTER.replace("PT-102,bar,0,10", "PT-102,bar,10,10");
    let (status, _, body) = f.send(post("/api/v1/register", "text/csv", &bad)).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(String::from_utf8(body).unwrap().contains("line 3"));
    assert_eq!(
        f.send(post("/api/v1/register", "text/plain", REGISTER))
            .await
            .0,
        StatusCode::UNSUPPORTED_MEDIA_TYPE
    );
    let huge = "x".repeat(33 * 1024 * 1024);
    assert_eq!(
        f.send(post("/api/v1/register", "text/csv", &huge)).await.0,
        StatusCode::PAYLOAD_TOO_LARGE
    );
}

#[tokio::test]
async fn strangers_are_kept_out() {
    let f = Fixture::new(false);
    let from_host = |host: &str| {
        Request::get("/api/v1/loops")
            .header("host", host)
            .body(Body::empty())
            .unwrap()
    };
    for host in [
        "127.0.0.1:8470",
        "localhost:8470",
        "[::1]:8470",
        "localhost",
    ] {
        assert_eq!(f.send(from_host(host)).await.0, StatusCode::OK, "{host}");
    }
    for host in ["plant.invalid", "10.0.0.1:8470", "127.0.0.1.plant.invalid"] {
        assert_eq!(
            f.send(from_host(host)).await.0,
            StatusCode::FORBIDDEN,
            "{host}"
        );
    }
    let foreign = Request::post("/api/v1/register?confirm=0123")
        .header("content-type", "text/csv")
        .header("sec-fetch-site", "cross-site")
        .body(Body::from(REGISTER))
        .unwrap();
    assert_eq!(f.send(foreign).await.0, StatusCode::FORBIDDEN);
}

#[tokio::test]
async fn operations() {
    let f = Fixture::new(true);
    for path in ["/healthz", "/readyz", "/"] {
        let (status, headers, _) = f
            .send(Request::get(path).body(Body::empty()).unwrap())
            .await;
        assert_eq!(status, StatusCode::OK, "{path}");
        assert_eq!(headers["x-content-type-options"], "nosniff");
        let policy = headers["content-security-policy"].to_str().unwrap();
        assert!(policy.starts_with("default-src 'self'") && !policy.contains("unsafe"));
    }
    assert_eq!(
        f.get("/api/v1/gateways").await.1["gateways"][0]["failures"]["timeouts"],
        4
    );
    assert_eq!(
        f.get("/api/v1/work").await.1["work"],
        Value::Array(Vec::new())
    );
    assert_eq!(f.get("/api/v1/common-causes").await.0, StatusCode::OK);
    for _ in 0..2 {
        let (_, _, body) = f
            .send(Request::get("/metrics").body(Body::empty()).unwrap())
            .await;
        let text = String::from_utf8(body).unwrap();
        for line in [
            "loopwitness_gateway_up{gateway=\"north\"} 1",
            "loopwitness_gateway_failures_total{gateway=\"north\",kind=\"timeouts\"} 4",
            "loopwitness_loops 3",
            "loopwitness_findings{kind=\"current-out-of-range\"} 1",
            "loopwitness_build_info{version=",
        ] {
            assert!(text.contains(line), "{line} is not in\n{text}");
        }
    }
    f.stop.cancel();
    assert_eq!(f.get("/readyz").await.0, StatusCode::SERVICE_UNAVAILABLE);
    assert_eq!(f.get("/healthz").await.0, StatusCode::OK);
}

/// The document in the repository is what the code says. `LOOPWITNESS_UPDATE=1` writes it anew.
#[test]
fn openapi_document_is_current() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/openapi.json");
    let made = loopwitness::http::openapi_json();
    if std::env::var_os("LOOPWITNESS_UPDATE").is_some() {
        std::fs::write(path, &made).unwrap();
    }
    let kept = std::fs::read_to_string(path).unwrap_or_default();
    assert!(
        kept == made,
        "api/openapi.json is not current; run the test with LOOPWITNESS_UPDATE=1 and review the difference"
    );
}
