//! Server-sent events: what is told, what a listener that comes back hears, how many may listen.

use crate::support::Fixture;
use axum::body::Body;
use axum::http::{Request, StatusCode};
use loopwitness::news::News;
use loopwitness::state::Limits;
use std::time::Duration;

fn listen(last_id: Option<&str>) -> Request<Body> {
    let mut request = Request::get("/api/v1/events");
    if let Some(id) = last_id {
        request = request.header("last-event-id", id);
    }
    request.body(Body::empty()).unwrap()
}

/// All that is told until the service stops, which is soon.
async fn heard(f: &Fixture, last_id: Option<&str>) -> String {
    let stop = f.stop.clone();
    tokio::spawn(async move {
        tokio::time::sleep(Duration::from_millis(100)).await;
        stop.cancel();
    });
    let (status, headers, body) = f.send(listen(last_id)).await;
    assert_eq!(
        (status, headers["content-type"].to_str().unwrap()),
        (StatusCode::OK, "text/event-stream")
    );
    String::from_utf8(body).unwrap()
}

#[tokio::test]
async fn events_begin_with_the_newest_result_and_end_with_the_service() {
    let f = Fixture::new(true);
    // Of another run of the service.
    let text = heard(&f, Some("5f5e100-1")).await;
    assert!(
        text.contains("event: assessed\n")
            && text.contains("\"id\":1,")
            && ["assessed_at", "list", "to"]
                .iter()
                .all(|member| text.contains(&format!("\"{member}\":\""))),
        "{text}"
    );
    assert!(text.contains("id: ") && text.contains("-1\n"), "{text}");
}

#[tokio::test]
async fn who_comes_back_hears_what_was_missed_and_no_more() {
    let f = Fixture::new(true);
    let (items, _) = f.shared.news.listen(None);
    let seen = f.shared.news.id(&items[0]);
    let text = heard(&f, Some(&seen)).await;
    assert!(!text.contains("event:"), "{text}");

    let f = Fixture::new(true);
    let (items, _) = f.shared.news.listen(None);
    let seen = f.shared.news.id(&items[0]);
    f.shared.register_changed_by_person();
    let text = heard(&f, Some(&seen)).await;
    assert!(
        text.contains("event: register") && !text.contains("assessed"),
        "{text}"
    );
}

#[tokio::test]
async fn readings_and_gateways_are_told_when_they_change() {
    let f = Fixture::new(false);
    let now = ingest_model::UtcMicros(1);
    f.shared.metrics.accepted(3, now, now);
    let watching = tokio::spawn(loopwitness::http::events::watch(
        f.shared.clone(),
        f.stop.clone(),
    ));
    let text = heard(&f, None).await;
    assert!(
        text.contains("event: readings") && text.contains("\"accepted\":3"),
        "{text}"
    );
    assert!(
        text.contains("event: gateways") && text.contains("\"timeouts\":4"),
        "{text}"
    );
    watching.await.unwrap();
}

#[tokio::test]
async fn listeners_are_bounded() {
    let limits = Limits {
        streams: 1,
        ..Limits::default()
    };
    let f = Fixture::with(true, limits, Box::new(Vec::new));
    let router = || loopwitness::http::router(f.shared.clone());
    let first = tower::ServiceExt::oneshot(router(), listen(None))
        .await
        .unwrap();
    assert_eq!(first.status(), StatusCode::OK);
    let second = tower::ServiceExt::oneshot(router(), listen(None))
        .await
        .unwrap();
    assert_eq!(second.status(), StatusCode::SERVICE_UNAVAILABLE);
    // Who goes makes room.
    drop(first);
    let third = tower::ServiceExt::oneshot(router(), listen(None))
        .await
        .unwrap();
    assert_eq!(third.status(), StatusCode::OK);
}

#[test]
fn only_so_much_is_kept() {
    let news = News::new("a1");
    for n in 0..1_000 {
        news.publish(if n == 3 { "seldom" } else { "often" }, n.to_string());
    }
    let data = |last: Option<&str>| -> Vec<String> {
        let items = news.listen(last).0;
        items.iter().map(|i| i.data.clone()).collect()
    };
    // The newest of each kind, to those who never listened, or tell of numbers that never were.
    for last in [
        None,
        Some("b2-999"),
        Some("a1-1001"),
        Some("x"),
        Some("a1--1"),
    ] {
        assert_eq!(data(last), ["3", "999"], "{last:?}");
    }
    // To the others what is newer than what they heard, and still holds.
    assert_eq!(data(Some("a1-2")), ["3", "999"]);
    assert_eq!(data(Some("a1-5")), ["999"]);
    assert_eq!(data(Some("a1-998")), ["999"]);
    assert!(data(Some("a1-1000")).is_empty());
}
