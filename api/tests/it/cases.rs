//! Cases over HTTP and in the log: opened by assessments, changed by persons, kept over a restart.

use crate::support::{Fixture, START};
use axum::body::Body;
use axum::http::{Request, StatusCode};
use ingest_model::UtcMicros;
use loopwitness::casebook::{CaseBook, watch_since};
use serde_json::{Value, json};

const ID: &str = "/api/v1/cases/PT-102:current-out-of-range:2026-03-02";

/// A fixture whose cases have followed its assessment.
fn fixture() -> Fixture {
    let f = Fixture::new(true);
    let current = f.shared.current().unwrap();
    let snapshot = f.shared.reader.snapshot().unwrap();
    let told = f.shared.book.assessed(
        &f.shared.store().unwrap(),
        &current.assessed,
        snapshot.register(),
        UtcMicros(START),
    );
    assert!(told.unwrap() >= 1);
    f
}

async fn post(f: &Fixture, path: &str, body: &Value) -> (StatusCode, Value) {
    let request = Request::post(path)
        .header("content-type", "application/json")
        .body(Body::from(body.to_string()))
        .unwrap();
    let (status, _, bytes) = f.send(request).await;
    (status, serde_json::from_slice(&bytes).unwrap())
}

#[tokio::test]
async fn a_case_goes_through_its_states_and_keeps_its_history() {
    let f = fixture();
    let (status, all) = f.get("/api/v1/cases").await;
    assert_eq!(status, StatusCode::OK);
    let case = all["cases"]
        .as_array()
        .unwrap()
        .iter()
        .find(|c| c["tag"] == "PT-102" && c["family"] == "current")
        .unwrap();
    assert_eq!(case["state"], "unacknowledged");
    assert_eq!(case["criticality"], "safety");
    assert_eq!(case["present"], true);
    assert!(all["next"].is_null());
    let soon = UtcMicros::plus_s(loopwitness::clock::now(), 3600.0).to_rfc3339();
    let by = |more: Value| {
        let mut body = json!({ "who": "R. Varga", "why": "round of the shift" });
        body.as_object_mut()
            .unwrap()
            .extend(more.as_object().unwrap().clone());
        body
    };
    for (action, more, state) in [
        (
            "note",
            json!({ "note": "seen from the panel" }),
            "unacknowledged",
        ),
        ("acknowledge", json!({}), "acknowledged"),
        ("shelve", json!({ "until": soon }), "shelved"),
        ("unshelve", json!({}), "acknowledged"),
        ("out-of-service", json!({}), "out-of-service"),
        ("unshelve", json!({}), "acknowledged"),
        (
            "plan",
            json!({ "due": "2026-04-01T08:00:00Z", "note": "with the shutdown" }),
            "planned",
        ),
        (
            "attend",
            json!({ "found": "fuse blown", "done": "fuse changed", "as_found_pct": -31.2, "as_left_pct": 0.03 }),
            "attended",
        ),
        ("close", json!({}), "closed"),
    ] {
        let (status, body) = post(&f, &format!("{ID}/{action}"), &by(more)).await;
        assert_eq!(status, StatusCode::OK, "{action}: {body}");
        assert_eq!(body["state"], state, "{action}");
    }
    let (_, one) = f.get(ID).await;
    let names: Vec<&str> = one["history"]
        .as_array()
        .unwrap()
        .iter()
        .map(|e| e["what"].as_str().unwrap())
        .collect();
    assert_eq!(names[0], "opened");
    assert_eq!(names[names.len() - 2..], ["attended", "closed"]);
    for e in one["history"].as_array().unwrap() {
        for field in ["at", "who", "why"] {
            assert!(!e[field].as_str().unwrap().is_empty(), "{e}");
        }
    }
    assert_eq!(one["attended"]["as_found_pct"], -31.2);
    assert_eq!(one["closed"]["how"], "person");
    // Not open, so only with a state.
    let list = |q: &'static str| f.get(q);
    let count = |v: &Value| v["cases"].as_array().unwrap().len();
    assert_eq!(
        count(
            &list("/api/v1/cases?tag=PT-102&kind=current-out-of-range")
                .await
                .1
        ),
        0
    );
    assert_eq!(
        count(&list("/api/v1/cases?state=closed&tag=PT-102").await.1),
        1
    );
    assert_eq!(
        count(&list("/api/v1/cases?state=all&area=Outfall").await.1),
        0
    );
    assert_eq!(
        count(
            &list("/api/v1/cases?state=all&area=Intake&kind=current-out-of-range")
                .await
                .1
        ),
        1
    );

    // Another reader folds the same log to the same cases.
    let again = CaseBook::new(
        f.shared.reader.clone(),
        analytics_cases::Settings::default(),
    );
    assert_eq!(*again.cases().unwrap(), *f.shared.book.cases().unwrap());
}

#[tokio::test]
async fn refusals_say_what_is_wrong() {
    let f = fixture();
    let who = json!({ "who": "R. Varga", "why": "round" });
    let (status, body) = post(&f, &format!("{ID}/unshelve"), &who).await;
    assert_eq!(
        (status, &body["status"]),
        (StatusCode::CONFLICT, &json!(409))
    );
    assert!(
        body["detail"]
            .as_str()
            .unwrap()
            .contains("neither shelved nor out of service")
    );
    for (action, body, wanted, told) in [
        (
            "acknowledge",
            json!({ "who": "R. Varga" }),
            422,
            "`why` is missing",
        ),
        (
            "acknowledge",
            json!({ "who": " ", "why": "x" }),
            422,
            "`who` must have",
        ),
        (
            "acknowledge",
            json!({ "who": "a\nb", "why": "x" }),
            422,
            "`who` must have",
        ),
        (
            "acknowledge",
            json!({ "who": "x", "why": "y".repeat(2001) }),
            422,
            "`why` must have",
        ),
        (
            "acknowledge",
            json!({ "who": "x", "why": "y", "until": "2026-03-02T00:00:00Z" }),
            422,
            "does not belong",
        ),
        (
            "acknowledge",
            json!({ "who": "x", "why": "y", "colour": "red" }),
            422,
            "colour",
        ),
        ("acknowledge", json!([1]), 422, "invalid type"),
        ("shelve", who.clone(), 422, "`until` is missing"),
        (
            "shelve",
            json!({ "who": "x", "why": "y", "until": "tomorrow" }),
            422,
            "RFC 3339",
        ),
        (
            "shelve",
            json!({ "who": "x", "why": "y", "until": "2020-01-01T00:00:00Z" }),
            422,
            "later than now",
        ),
        (
            "shelve",
            json!({ "who": "x", "why": "y", "until": "2999-01-01T00:00:00Z" }),
            422,
            "31 days",
        ),
        (
            "attend",
            json!({ "who": "x", "why": "y", "found": "z" }),
            422,
            "`done` is missing",
        ),
        (
            "attend",
            json!({ "who": "x", "why": "y", "found": "z", "done": "z", "as_found_pct": 1e9 }),
            422,
            "as_found_pct",
        ),
        (
            "attend",
            json!({ "who": "x", "why": "y", "found": "z", "done": "z", "at": "2999-01-01T00:00:00Z" }),
            422,
            "later than now",
        ),
        ("explode", who.clone(), 404, "none of acknowledge"),
    ] {
        let (status, answer) = post(&f, &format!("{ID}/{action}"), &body).await;
        assert_eq!(status.as_u16(), wanted, "{action} {body}: {answer}");
        assert!(
            answer["detail"].as_str().unwrap().contains(told),
            "{action} {body}: {answer}"
        );
    }
    assert_eq!(
        post(&f, "/api/v1/cases/none/acknowledge", &who).await.0,
        StatusCode::NOT_FOUND
    );
    for path in [
        "/api/v1/cases?state=sad",
        "/api/v1/cases?kind=gremlins",
        "/api/v1/cases?limit=0",
    ] {
        assert_eq!(f.get(path).await.0, StatusCode::BAD_REQUEST, "{path}");
    }
    // A form of another page, a script of another origin, a flood.
    let send = |kind: &str, site: &str, body: String| {
        let request = Request::post(format!("{ID}/acknowledge"))
            .header("content-type", kind)
            .header("sec-fetch-site", site)
            .body(Body::from(body))
            .unwrap();
        f.send(request)
    };
    assert_eq!(
        send("text/plain", "same-origin", who.to_string()).await.0,
        StatusCode::UNSUPPORTED_MEDIA_TYPE
    );
    assert_eq!(
        send("application/json", "cross-site", who.to_string())
            .await
            .0,
        StatusCode::FORBIDDEN
    );
    let flood = json!({ "who": "x", "why": "y".repeat(70_000) }).to_string();
    assert_eq!(
        send("application/json", "same-origin", flood).await.0,
        StatusCode::PAYLOAD_TOO_LARGE
    );
    // None of it left a trace.
    let (_, one) = f.get(ID).await;
    assert_eq!(one["history"].as_array().unwrap().len(), 1);
}

#[tokio::test]
async fn cases_come_by_pages() {
    let f = fixture();
    let (_, all) = f.get("/api/v1/cases?state=all").await;
    let ids = |v: &Value| -> Vec<String> {
        v["cases"]
            .as_array()
            .unwrap()
            .iter()
            .map(|c| c["id"].as_str().unwrap().to_owned())
            .collect()
    };
    let wanted = ids(&all);
    assert!(!wanted.is_empty());
    let (mut got, mut after) = (Vec::new(), String::new());
    loop {
        let (_, page) = f
            .get(&format!("/api/v1/cases?state=all&limit=1&after={after}"))
            .await;
        got.extend(ids(&page));
        match page["next"].as_str() {
            Some(next) => after = next.replace('#', "%23").replace(' ', "%20"),
            None => break,
        }
    }
    assert_eq!(got, wanted);
}

/// The list answers while the assessment holds its engine: it has nothing to wait for.
#[tokio::test]
async fn cases_answer_before_the_first_assessment() {
    let f = Fixture::new(false);
    let (status, body) = f.get("/api/v1/cases").await;
    assert_eq!((status, &body["cases"]), (StatusCode::OK, &json!([])));
}

#[tokio::test]
async fn a_log_that_is_not_understood_is_said_and_not_skipped() {
    let f = Fixture::new(false);
    let store = f.shared.store().unwrap();
    store.journal_append(&["{\"v\":7}".to_owned()]).unwrap();
    let (status, _) = f.get("/api/v1/cases").await;
    assert_eq!(status, StatusCode::INTERNAL_SERVER_ERROR);
    let told = f.shared.book.cases().unwrap_err().to_string();
    assert!(
        told.contains("entry 1") && told.contains("newer program"),
        "{told}"
    );
}

/// The whole service: the first assessment opens the case, a person acknowledges it, and after a stop and a start it is
/// there with its history and not opened again. A reader beside the running service sees the same log.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn cases_outlive_the_service() {
    use crate::service::{config, get, wait_for};
    let dir = tempfile::tempdir().unwrap();
    crate::support::write_site(&dir.path().join("site"));
    let config = config(dir.path());
    let mut kept = String::new();
    for run in 0..2 {
        let stop = tokio_util::sync::CancellationToken::new();
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let running = {
            let (config, stop) = (config.clone(), stop.clone());
            tokio::spawn(async move { loopwitness::service::run(&config, listener, stop).await })
        };
        wait_for(address, "/readyz").await;
        wait_for(address, "/api/v1/attention").await;
        let metrics = wait_for(address, "/metrics").await;
        let state = ["unacknowledged", "acknowledged"][run];
        let line = format!("loopwitness_cases{{state=\"{state}\"}} 1");
        assert!(metrics.contains(&line), "{line} is not in\n{metrics}");
        if run == 0 {
            let url = format!("http://{address}{ID}/acknowledge");
            let answered = tokio::task::spawn_blocking(move || {
                let body = json!({ "who": "R. Varga", "why": "night shift" });
                ureq::post(url).send_json(body).unwrap().status().as_u16()
            })
            .await
            .unwrap();
            assert_eq!(answered, 200);
        }
        let beside = ingest_store::StoreReader::open(&dir.path().join("store")).unwrap();
        assert_eq!(beside.journal(0).unwrap().len(), 2);
        let (_, one) = tokio::task::spawn_blocking(move || get(address, ID))
            .await
            .unwrap()
            .unwrap();
        if run == 0 {
            kept = one;
        } else {
            assert_eq!(one, kept);
        }
        stop.cancel();
        running.await.unwrap().unwrap();
    }
}

#[test]
fn days_of_watch_begin_after_the_attendance() {
    let hour = 3_600_000_000;
    let since = UtcMicros(START + hour / 2);
    // A bad hour that began before the work, then 60 hours at 0.1 %, every tenth without running.
    let trace = analytics_assess::Trace {
        step_s: 3600,
        time: (0..61).map(|n| UtcMicros(START + n * hour)).collect(),
        difference_pct: (0..61)
            .map(|n| match n {
                0 => 9.0,
                n if n % 10 == 0 => f64::NAN,
                _ => 0.1,
            })
            .collect(),
        replies: (0..61).map(|n| u32::from(n % 20 != 0)).collect(),
        ..Default::default()
    };
    let w = watch_since(&trace, since, UtcMicros(START + 61 * hour), 0.5);
    // Hours 20, 40 and 60 have no replies; the third day is not full.
    assert_eq!((w.hours, w.day_means_pct.len()), (57.0, 2));
    assert!(w.day_means_pct.iter().all(|d| (d - 0.1).abs() < 1e-12));
}
