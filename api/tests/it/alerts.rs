//! Alerts: which cases call, what is told when, and that it arrives.

use crate::support::{Fixture, START};
use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::routing::post;
use ingest_model::{Criticality, UtcMicros};
use loopwitness::alerts::{
    Alert, AlertSettings, Call, Desk, MANY, Target, alertmanager_body, calls, tell, webhook_body,
};
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio_util::sync::CancellationToken;

fn settings(target: Target) -> AlertSettings {
    AlertSettings {
        target,
        criticality: Criticality::Control,
        score: 0.2,
        hold: Duration::from_secs(60),
        many: 3,
        repeat: Duration::from_secs(60),
        page: Some("http://plant:8470".into()),
    }
}

fn webhook() -> AlertSettings {
    settings(Target::Webhook("http://127.0.0.1:9/x".into()))
}

fn call(id: &str, opened_s: i64) -> (String, Call) {
    let alert = Alert {
        id: id.into(),
        kind: "no-reply",
        criticality: "safety",
        area: Some("Intake".into()),
        loops: vec![format!("FT-{id}")],
        loop_count: 1,
        since: UtcMicros(0),
        summary: format!("FT-{id} does not answer."),
        look_at_first: Some("The fuse.".into()),
        cautions: vec!["Permit first.".into()],
        path: format!("/loop/FT-{id}"),
    };
    let opened = UtcMicros(opened_s * 1_000_000);
    (id.into(), Call { alert, opened })
}

fn at(s: i64) -> UtcMicros {
    UtcMicros(s * 1_000_000)
}

fn ids(alerts: &[Alert]) -> Vec<&str> {
    alerts.iter().map(|a| a.id.as_str()).collect()
}

#[test]
fn told_once_held_first_ended_once() {
    let set = webhook();
    let mut desk = Desk::default();
    let calling = BTreeMap::from([call("1", 0)]);
    // Held: others with the same cause may follow.
    assert!(!desk.round(&calling, &set, at(30)).is_due());
    let round = desk.round(&calling, &set, at(61));
    assert_eq!(ids(&round.began), ["1"]);
    // Not arrived: the next round says it again.
    assert_eq!(ids(&desk.round(&calling, &set, at(66)).began), ["1"]);
    desk.delivered(round, at(66));
    assert!(!desk.round(&calling, &set, at(600)).is_due());
    let round = desk.round(&BTreeMap::new(), &set, at(700));
    assert_eq!((ids(&round.began), ids(&round.ended)), (vec![], vec!["1"]));
    desk.delivered(round, at(700));
    assert!(!desk.round(&BTreeMap::new(), &set, at(800)).is_due());
}

#[test]
fn many_at_once_are_one_alert_until_the_last_has_ended() {
    let set = webhook();
    let mut desk = Desk::default();
    let first = BTreeMap::from([call("0", 0)]);
    let round = desk.round(&first, &set, at(100));
    desk.delivered(round, at(100));
    let mut all: BTreeMap<String, Call> = (0..9).map(|n| call(&n.to_string(), 100)).collect();
    let round = desk.round(&all, &set, at(200));
    assert_eq!(ids(&round.began), [MANY]);
    // What was told alone before goes on alone.
    assert_eq!(ids(&round.firing), ["0", MANY]);
    assert_eq!(round.began[0].loop_count, 8);
    assert!(round.began[0].summary.starts_with("8 cases on 8 loops"));
    desk.delivered(round, at(200));
    // One more later is an alert of its own; the others go one by one, and the one alert with the last.
    all.insert("x".into(), call("x", 300).1);
    let round = desk.round(&all, &set, at(400));
    assert_eq!(ids(&round.began), ["x"]);
    desk.delivered(round, at(400));
    all.retain(|id, _| id == "x" || id == "5");
    let round = desk.round(&all, &set, at(500));
    assert_eq!((ids(&round.began), ids(&round.ended)), (vec![], vec!["0"]));
    desk.delivered(round, at(500));
    all.remove("5");
    let round = desk.round(&all, &set, at(600));
    assert_eq!(ids(&round.ended), [MANY]);
}

/// Fields and their meaning: OpenAPI description of the Alertmanager's API version 2, `postableAlert`: `labels` needed,
/// strings to strings; `startsAt` and `endsAt` RFC 3339; `annotations`, strings to strings; `generatorURL` a URI.
#[test]
fn an_alertmanager_is_told_in_its_words_and_again_and_again() {
    let set = settings(Target::Alertmanager("http://127.0.0.1:9".into()));
    let mut desk = Desk::default();
    let calling = BTreeMap::from([call("1", 0), call("2", 0)]);
    let round = desk.round(&calling, &set, at(100));
    desk.delivered(round, at(100));
    assert!(!desk.round(&calling, &set, at(130)).is_due());
    assert!(desk.round(&calling, &set, at(161)).is_due());
    let round = desk.round(&BTreeMap::from([call("2", 0)]), &set, at(170));
    let body = alertmanager_body("S", &round, at(170), set.repeat, set.page.as_deref());
    let list = body.as_array().unwrap();
    assert_eq!(list.len(), 2);
    for a in list {
        for part in ["labels", "annotations"] {
            assert!(a[part].as_object().unwrap().values().all(Value::is_string));
        }
        assert_eq!(a["labels"]["alertname"], "LoopNeedsAttention");
        UtcMicros::parse_rfc3339(a["startsAt"].as_str().unwrap()).unwrap();
    }
    assert_eq!(list[0]["labels"]["case"], "2");
    assert_eq!(list[0]["endsAt"], at(170 + 300).to_rfc3339());
    assert_eq!(list[0]["generatorURL"], "http://plant:8470/loop/FT-2");
    assert_eq!(list[0]["annotations"]["look_at_first"], "The fuse.");
    assert_eq!(list[1]["labels"]["case"], "1");
    assert_eq!(list[1]["endsAt"], at(170).to_rfc3339());
    let ours = webhook_body("S", &round, at(170), None);
    assert_eq!(ours["firing"], serde_json::json!(["2"]));
    assert_eq!(ours["ended"][0]["id"], "1");
    assert!(ours["ended"][0]["link"].is_null());
}

type Post = (String, Value);
type Posts = Arc<Mutex<Vec<Post>>>;

/// A receiver that refuses the first message.
async fn receiver() -> (String, Posts) {
    async fn take(State(posts): State<Posts>, uri: Uri, body: axum::Json<Value>) -> StatusCode {
        let mut posts = posts.lock().unwrap();
        posts.push((uri.path().to_owned(), body.0));
        if posts.len() == 1 {
            StatusCode::SERVICE_UNAVAILABLE
        } else {
            StatusCode::OK
        }
    }
    let posts = Posts::default();
    let app = Router::new()
        .route("/{*path}", post(take))
        .with_state(posts.clone());
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    tokio::spawn(async move { axum::serve(listener, app).await });
    (format!("http://{address}"), posts)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_case_calls_until_a_person_takes_it() {
    let f = Fixture::new(true);
    let current = f.shared.current().unwrap();
    let snapshot = f.shared.reader.snapshot().unwrap();
    let store = f.shared.store().unwrap();
    let opened = UtcMicros(START);
    f.shared
        .book
        .assessed(&store, &current.assessed, snapshot.register(), opened)
        .unwrap();
    let (url, posts) = receiver().await;
    let set = settings(Target::Alertmanager(url));
    let cases = f.shared.book.cases().unwrap();
    let now = loopwitness::clock::now();
    let calling = calls(&cases, &current.assessed.result, &set, now);
    let id = "PT-102:current-out-of-range:2026-03-02";
    let alert = &calling[id].alert;
    assert!(
        alert.look_at_first.is_some() && alert.loops == ["PT-102"],
        "{alert:?}"
    );
    assert!(!alert.cautions.is_empty());
    // An indication loop does not call, nor does a low score.
    for other in calling.values() {
        assert!(["safety", "control"].contains(&other.alert.criticality));
    }
    let strict = AlertSettings {
        score: 1.0,
        ..set.clone()
    };
    assert!(calls(&cases, &current.assessed.result, &strict, now).is_empty());

    let stop = CancellationToken::new();
    let task = tokio::spawn(tell(f.shared.clone(), set.clone(), stop.clone()));
    let wait = async |wanted: &dyn Fn(&[Post]) -> bool| {
        for _ in 0..600 {
            if wanted(&posts.lock().unwrap()) {
                return;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        panic!("not told: {:?}", posts.lock().unwrap());
    };
    // Refused once, then told again.
    wait(&|p| p.len() == 2).await;
    {
        let posts = posts.lock().unwrap();
        assert_eq!(posts[1].0, "/api/v2/alerts");
        let told = posts[1].1.as_array().unwrap();
        assert!(told.iter().any(|a| a["labels"]["case"] == id), "{told:?}");
    }
    let event = loopwitness::casebook::event_of(
        id,
        "R. Varga",
        "I go",
        analytics_cases::What::Acknowledged,
    );
    f.shared.book.act(&store, event).unwrap();
    wait(&|p| p.len() == 3).await;
    {
        let posts = posts.lock().unwrap();
        let told = posts[2].1.as_array().unwrap();
        let over = told.iter().find(|a| a["labels"]["case"] == id).unwrap();
        let ends = UtcMicros::parse_rfc3339(over["endsAt"].as_str().unwrap()).unwrap();
        assert!(ends <= loopwitness::clock::now());
    }
    stop.cancel();
    task.await.unwrap();
    let metrics = f.shared.metrics.render(&[]).unwrap();
    assert!(metrics.contains(r#"loopwitness_alert_deliveries_total{outcome="failed"} 1"#));
    assert!(metrics.contains(r#"loopwitness_alert_deliveries_total{outcome="ok"} 2"#));
}
