//! Failures that layers make on their own, bounds on what runs at once, and odd but allowed requests.

use crate::support::Fixture;
use axum::body::Body;
use axum::http::{Request, StatusCode};
use loopwitness::state::Limits;
use serde_json::Value;

fn get(path: &str) -> Request<Body> {
    Request::get(path).body(Body::empty()).unwrap()
}

async fn problem(f: &Fixture, request: Request<Body>, wanted: u16) -> Value {
    let about = format!("{} {}", request.method(), request.uri());
    let (status, headers, body) = f.send(request).await;
    assert_eq!(status.as_u16(), wanted, "{about}");
    assert_eq!(
        headers["content-type"], "application/problem+json",
        "{about}"
    );
    assert_eq!(headers["cache-control"], "no-store", "{about}");
    let body: Value = serde_json::from_slice(&body).unwrap();
    assert_eq!(body["status"], wanted, "{about}");
    body
}

#[tokio::test]
async fn a_method_that_is_not_taken_is_told_which_are() {
    let f = Fixture::new(false);
    for (method, path, allowed) in [
        ("DELETE", "/api/v1/attention", "GET,HEAD"),
        ("TRACE", "/api/v1/loops/FT-101/readings", "GET,HEAD"),
        ("OPTIONS", "/metrics", "GET,HEAD"),
        ("PUT", "/api/v1/register", "GET,HEAD,POST"),
        ("PATCH", "/", "GET,HEAD"),
        ("QUERY", "/api/openapi.json", "GET,HEAD"),
    ] {
        let request = || {
            let r = Request::builder().method(method).uri(path);
            r.body(Body::empty()).unwrap()
        };
        problem(&f, request(), 405).await;
        let (_, headers, _) = f.send(request()).await;
        let mut names: Vec<_> = headers["allow"].to_str().unwrap().split(',').collect();
        names.sort_unstable();
        assert_eq!(names.join(","), allowed, "{method} {path}");
    }
}

#[tokio::test]
async fn head_is_get_without_a_body() {
    let f = Fixture::new(true);
    for path in [
        "/api/v1/attention",
        "/api/v1/loops",
        "/api/v1/loops/FT-101/readings",
        "/metrics",
        "/healthz",
        "/api/openapi.json",
        "/",
    ] {
        let request = Request::head(path).body(Body::empty()).unwrap();
        let (status, headers, body) = f.send(request).await;
        let (_, of_get, _) = f.send(get(path)).await;
        assert_eq!(status, StatusCode::OK, "{path}");
        assert!(body.is_empty(), "{path}");
        assert_eq!(headers["content-type"], of_get["content-type"], "{path}");
    }
    let request = Request::head("/api/v1/loops/NO-1").body(Body::empty());
    assert_eq!(f.send(request.unwrap()).await.0, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_panic_is_a_problem_and_the_service_goes_on() {
    let f = Fixture::with(
        false,
        Limits::default(),
        Box::new(|| panic!("a mistake of ours")),
    );
    let body = problem(&f, get("/api/v1/gateways"), 500).await;
    assert!(!body.to_string().contains("mistake"), "{body}");
    assert_eq!(f.get("/api/v1/loops").await.0, StatusCode::OK);
}

#[tokio::test]
async fn too_much_at_once_is_told_when_to_come_again() {
    let limits = Limits {
        waiting: 0,
        ..Limits::default()
    };
    let f = Fixture::with(true, limits, Box::new(Vec::new));
    let path = "/api/v1/loops/FT-101/readings";
    let body = problem(&f, get(path), 503).await;
    assert_eq!(body["retry_after_s"], 2);
    let (_, headers, _) = f.send(get(path)).await;
    assert_eq!(headers["retry-after"], "2");

    let limits = Limits {
        requests: 0,
        ..Limits::default()
    };
    let f = Fixture::with(true, limits, Box::new(Vec::new));
    problem(&f, get("/api/v1/loops"), 503).await;
    // Liveness is told whatever the load.
    assert_eq!(f.send(get("/healthz")).await.0, StatusCode::OK);

    // Of many long answers some wait, and all come.
    let limits = Limits {
        long_answers: 1,
        ..Limits::default()
    };
    let f = std::sync::Arc::new(Fixture::with(true, limits, Box::new(Vec::new)));
    let asked: Vec<_> = (0..20)
        .map(|_| {
            let f = f.clone();
            tokio::spawn(async move { f.get("/api/v1/loops/FT-101/readings").await.0 })
        })
        .collect();
    for answer in asked {
        assert_eq!(answer.await.unwrap(), StatusCode::OK);
    }
}

#[tokio::test]
async fn times_outside_the_record() {
    let f = Fixture::new(true);
    let (status, body) = f.get("/api/v1/attention?at=1990-01-01T00:00:00Z").await;
    assert_eq!(status, StatusCode::OK, "{body}");
    assert_eq!(body["to"], "1990-01-01T00:00:00Z");
    assert!(body["from"].is_null());
    assert_eq!(body["readings"], 0);
    assert_eq!(body["attention"], Value::Array(Vec::new()));
    // Silence must not read as health.
    assert_eq!(body["not_judged"].as_array().unwrap().len(), 3);

    // Nobody knows what will be.
    problem(&f, get("/api/v1/attention?at=9999-12-31T23:59:59Z"), 400).await;
    for window in [
        "?to=1990-01-01T00:00:00Z",
        "?from=9999-12-31T23:59:59Z",
        "?from=0001-01-01T00:00:00Z&to=0001-01-01T00:00:00Z",
    ] {
        let (status, body) = f
            .get(&format!("/api/v1/loops/FT-101/readings{window}"))
            .await;
        assert_eq!((status, &body["stored"]), (StatusCode::OK, &Value::from(0)));
    }
    // An offset whose plus became a space on the way.
    let (status, body) = f
        .get("/api/v1/loops/FT-101/readings?from=2026-03-02T00:00:00+02:00&to=2026-03-02T00:00:00Z")
        .await;
    assert_eq!(
        (status, &body["stored"]),
        (StatusCode::OK, &Value::from(12))
    );
}

#[tokio::test]
async fn tags_of_any_letters_are_found_by_their_encoding() {
    let f = Fixture::new(true);
    let tag = "/api/v1/loops/Pumpe%20S%C3%BCd%2F3%20%232";
    for path in [
        tag.to_owned(),
        format!("{tag}/readings"),
        format!("{tag}/trace"),
    ] {
        let (status, body) = f.get(&path).await;
        assert_eq!(
            (status, &body["tag"]),
            (StatusCode::OK, &Value::from("Pumpe Süd/3 #2"))
        );
    }
    // Hostile text comes back as text.
    for tag in [
        "%3Cscript%3Ealert(1)%3C%2Fscript%3E",
        "..%2F..%2Fetc",
        "%00",
        "a%0Ab",
        "%F0%9F%92%A7",
    ] {
        let (status, headers, body) = f.send(get(&format!("/api/v1/loops/{tag}"))).await;
        assert_eq!(status, StatusCode::NOT_FOUND, "{tag}");
        assert_eq!(headers["content-type"], "application/problem+json");
        assert_eq!(headers["x-content-type-options"], "nosniff");
        assert!(serde_json::from_slice::<Value>(&body).is_ok(), "{tag}");
    }
    problem(&f, get("/api/v1/loops/"), 404).await;
    problem(&f, get("/api/v1/loops/Pumpe%20S%C3%BCd/3%20%232"), 404).await;
}
