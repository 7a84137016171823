//! What people change over HTTP: kept with who and why, in force in the next assessment, there after a restart.

use crate::service::wait_for;
use crate::support::{Fixture, REGISTER, write_site};
use axum::body::Body;
use axum::http::{Request, StatusCode};
use loopwitness::config::SiteConfig;
use serde_json::{Value, json};
use tokio_util::sync::CancellationToken;

fn request(method: &str, path: &str, kind: &str, body: impl Into<String>) -> Request<Body> {
    Request::builder()
        .method(method)
        .uri(path)
        .header("content-type", kind)
        .body(Body::from(body.into()))
        .unwrap()
}

async fn send(f: &Fixture, method: &str, path: &str, body: &Value) -> (u16, Value) {
    let request = request(method, path, "application/json", body.to_string());
    let (status, _, body) = f.send(request).await;
    (status.as_u16(), serde_json::from_slice(&body).unwrap())
}

async fn patch(f: &Fixture, tag: &str, body: &Value) -> (u16, Value) {
    send(f, "PATCH", &format!("/api/v1/loops/{tag}"), body).await
}

fn kinds(f: &Fixture, tag: &str) -> Vec<String> {
    let snapshot = f.shared.reader.snapshot().unwrap();
    let mut engine = analytics_assess::Engine::new(analytics_assess::Settings::default());
    let result = engine.assess(&snapshot, None, &mut |_| {}).unwrap().result;
    let row = result.attention.iter().find(|r| r.tag.as_str() == tag);
    let findings = row.into_iter().flat_map(|r| &r.findings);
    findings.map(|f| f.kind.as_str().to_owned()).collect()
}

#[tokio::test]
async fn a_loop_is_changed_with_who_and_why() {
    let f = Fixture::new(true);
    let body = json!({
        "by": "M. Ferrer", "why": "re-ranged after the pump was exchanged",
        "valid_from": "2026-03-02T06:00:00Z",
        "urv": 16, "tolerance_pct": 1.5, "criticality": "control", "damping_s": 0.5,
        "area": null, "service": "Feed pressure",
    });
    let (status, answer) = patch(&f, "PT-102", &body).await;
    assert_eq!(status, 200, "{answer}");
    assert_eq!(answer["urv"], 16.0);
    assert_eq!(answer["valid_from"], "2026-03-02T06:00:00Z");
    assert!(answer["valid_to"].is_null() && answer["area"].is_null());
    let changed = answer["changed"].as_array().unwrap();
    let columns: Vec<_> = changed
        .iter()
        .map(|c| c["column"].as_str().unwrap())
        .collect();
    assert_eq!(
        columns,
        [
            "area",
            "criticality",
            "damping_s",
            "service",
            "tolerance_pct",
            "urv"
        ]
    );
    let (_, now) = f.get("/api/v1/loops/PT-102").await;
    assert_eq!(
        (&now["urv"], &now["tolerance_pct"]),
        (&json!(16.0), &json!(1.5))
    );

    // The range in force at a reading's time: 5 bar were 12 mA before, 9 mA since.
    let register = f.shared.reader.snapshot().unwrap().register().clone();
    let tag = ingest_model::Tag::new("PT-102").unwrap();
    let at = |text: &str| {
        let time = ingest_model::UtcMicros::parse_rfc3339(text).unwrap();
        register.at(&tag, time).unwrap().range.registered_ma(5.0)
    };
    assert_eq!(at("2026-03-02T05:59:59Z"), 12.0);
    assert_eq!(at("2026-03-02T06:00:00Z"), 9.0);
    // And the next assessment judges by it.
    assert!(!kinds(&f, "FT-101").contains(&"analog-digital-drift".to_owned()));

    // The same again says nothing new.
    let (status, again) = patch(&f, "PT-102", &body).await;
    assert_eq!(
        (status, again["changed"].as_array().unwrap().len()),
        (200, 0)
    );
    let (_, log) = f.get("/api/v1/changes").await;
    assert_eq!(log["changes"].as_array().unwrap().len(), 1);
    let entry = &log["changes"][0];
    assert_eq!(
        (&entry["by"], &entry["what"], &entry["tag"]),
        (&json!("M. Ferrer"), &json!("loop"), &json!("PT-102"))
    );
    assert_eq!(entry["why"], "re-ranged after the pump was exchanged");
    assert_eq!(entry["detail"].as_array().unwrap().len(), 6);
}

#[tokio::test]
async fn a_person_confirms_what_a_gateway_showed() {
    let f = Fixture::new(false);
    let store = f.shared.store().unwrap();
    let range = ingest_model::Range {
        lrv: 0.0,
        urv: 6.0,
        transfer: ingest_model::Transfer::Linear,
    };
    let shown = || {
        let tag = ingest_model::Tag::new("LT-9").unwrap();
        vec![ingest_model::LoopEntry::new(tag, "m", range)]
    };
    store
        .enter_loops(shown(), ingest_model::UtcMicros(1))
        .unwrap();
    let who = json!({ "by": "A. Roca", "why": "walked down" });
    let with = |more: Value| {
        let mut body = who.clone();
        let fields = body.as_object_mut().unwrap();
        fields.extend(more.as_object().unwrap().clone());
        body
    };
    // Where it is says nothing of its range.
    let (_, one) = patch(&f, "LT-9", &with(json!({ "area": "Storage" }))).await;
    assert_eq!(
        (&one["confirmed"], &one["area"]),
        (&json!(false), &json!("Storage"))
    );
    // The gateway shows it again: what the person said stays.
    store
        .enter_loops(shown(), ingest_model::UtcMicros(2))
        .unwrap();
    assert_eq!(f.get("/api/v1/loops/LT-9").await.1["area"], "Storage");
    let (_, one) = patch(&f, "LT-9", &with(json!({ "confirmed": true }))).await;
    assert_eq!(one["confirmed"], true);
    assert_eq!(one["changed"][0]["column"], "confirmed");
    assert_eq!(f.get("/api/v1/loops/LT-9").await.1["confirmed"], true);
}

#[tokio::test]
async fn changes_that_cannot_be_are_refused_and_change_nothing() {
    let f = Fixture::new(false);
    let before = f.shared.reader.snapshot().unwrap().register().version();
    let who = [("by", json!("A. Roca")), ("why", json!("test"))];
    let long = "x".repeat(201);
    for (field, value, wanted) in [
        ("urv", json!(0), "both are 0"),
        ("urv", json!("ten"), "urv: must be a number"),
        ("urv", Value::Null, "urv: `` is not a number"),
        (
            "tolerance_pct",
            json!(0),
            "tolerance_pct: `0` is not a number above 0",
        ),
        ("tolerance_pct", json!(-1), "tolerance_pct"),
        ("damping_s", json!(-0.1), "damping_s"),
        (
            "criticality",
            json!("vital"),
            "criticality: `vital` is not `safety`",
        ),
        ("transfer", json!("cubic"), "transfer"),
        ("device_type", json!("7"), "device_type"),
        ("device_revision", json!(256), "device_revision"),
        (
            "device_revision",
            json!(1.5),
            "device_revision: must be a whole number",
        ),
        (
            "multidrop",
            json!("yes"),
            "multidrop: must be true, false or null",
        ),
        (
            "service",
            json!(long),
            "service: must be 1 to 200 characters",
        ),
        (
            "service",
            json!("a\u{0}b"),
            "service: must be 1 to 200 characters",
        ),
        ("valid_from", json!("9999-01-01T00:00:00Z"), "in the future"),
        ("valid_from", json!("yesterday"), "RFC 3339"),
        ("tag", json!("FT-1"), "`tag` cannot be changed here"),
        ("last", json!({}), "`last` cannot be changed here"),
        ("by", json!(""), "by: must be 1 to 100 characters"),
        ("why", json!(7), "why: say why"),
    ] {
        let mut body: serde_json::Map<String, Value> = who
            .iter()
            .map(|(k, v)| ((*k).to_owned(), v.clone()))
            .collect();
        body.insert("area".to_owned(), json!("Elsewhere"));
        body.insert(field.to_owned(), value.clone());
        let (status, answer) = patch(&f, "FT-101", &body.into()).await;
        assert_eq!(status, 422, "{field} {value}: {answer}");
        let detail = answer["detail"].as_str().unwrap();
        assert!(detail.contains(wanted), "{field} {value}: {detail}");
    }
    let path = "/api/v1/loops/FT-101";
    let who = json!({ "by": "A", "why": "b", "area": "c" }).to_string();
    for (request, wanted) in [
        (request("PATCH", path, "text/plain", who.as_str()), 415),
        (request("PATCH", path, "application/json", "{"), 400),
        (request("PATCH", path, "application/json", "[]"), 422),
        (
            request("PATCH", path, "application/json", "x".repeat(65_537)),
            413,
        ),
        (
            request(
                "PATCH",
                "/api/v1/loops/FT-101?x=1",
                "application/json",
                who.as_str(),
            ),
            400,
        ),
        (
            request(
                "PATCH",
                "/api/v1/loops/NO-1",
                "application/json",
                who.as_str(),
            ),
            404,
        ),
    ] {
        let about = request.uri().to_string();
        let (status, headers, _) = f.send(request).await;
        assert_eq!(status.as_u16(), wanted, "{about}");
        assert_eq!(headers["content-type"], "application/problem+json");
    }
    let after = f.shared.reader.snapshot().unwrap().register().version();
    assert_eq!(before, after);
}

/// Texts that mean something to a spreadsheet, a browser, a database or a shell are texts here.
#[tokio::test]
async fn hostile_text_is_data() {
    let f = Fixture::new(false);
    for text in [
        "=HYPERLINK(\"http://198.51.100.7\",\"x\")",
        "+1+1",
        "-2+3",
        "@SUM(A1:A9)",
        "<script>alert(1)</script>",
        "'); DROP TABLE loops; --",
        "$(reboot) `reboot` ; reboot",
        "a,b\"c\"",
        "\u{202e}gnp.exe",
        "../../etc/passwd",
        "{{7*7}} %s %n ${jndi:x}",
    ] {
        let body = json!({ "by": text, "why": text, "service": text });
        let (status, answer) = patch(&f, "FT-101", &body).await;
        assert_eq!((status, &answer["service"]), (200, &json!(text)));
        let (_, headers, csv) = f
            .send(
                Request::get("/api/v1/register")
                    .body(Body::empty())
                    .unwrap(),
            )
            .await;
        assert_eq!(headers["x-content-type-options"], "nosniff");
        assert!(
            headers["content-disposition"]
                .to_str()
                .unwrap()
                .starts_with("attachment")
        );
        // The list comes back as it went out.
        let post = request(
            "POST",
            "/api/v1/register",
            "text/csv",
            String::from_utf8(csv).unwrap(),
        );
        let (status, _, body) = f.send(post).await;
        let diff: Value = serde_json::from_slice(&body).unwrap();
        assert_eq!(status, StatusCode::OK, "{diff}");
        assert_eq!(
            (&diff["changed"], &diff["unchanged"]),
            (&json!([]), &json!(3)),
            "{text}"
        );
        assert_eq!(f.get("/api/v1/changes").await.1["changes"][0]["by"], *text);
    }
}

#[tokio::test]
async fn a_confirmation_stands_for_what_was_shown() {
    let f = Fixture::new(false);
    let post = |query: &str, text: &str| {
        request(
            "POST",
            &format!("/api/v1/register{query}"),
            "text/csv",
            text,
        )
    };
    let answer = async |request| {
        let (status, _, body) = f.send(request).await;
        (
            status.as_u16(),
            serde_json::from_slice::<Value>(&body).unwrap(),
        )
    };
    let wider = REGISTER.replace("PT-102,bar,0,10", "PT-102,bar,0,16");
    let (_, diff) = answer(post("", &wider)).await;
    let token = diff["token"].as_str().unwrap().to_owned();
    // Another list, a made-up token: not what was shown.
    let confirm = format!("?confirm={token}&by=A.%20Roca&why=survey");
    assert_eq!(answer(post(&confirm, REGISTER)).await.0, 409);
    assert_eq!(answer(post("?confirm=0123", &wider)).await.0, 409);
    assert_eq!(answer(post("?confirm=", &wider)).await.0, 400);
    assert_eq!(answer(post("?apply=true", &wider)).await.0, 400);
    // The register changed in between.
    let body = json!({ "by": "M. Ferrer", "why": "moved", "area": "Storage" });
    assert_eq!(patch(&f, "FT-101", &body).await.0, 200);
    let (status, problem) = answer(post(&confirm, &wider)).await;
    assert_eq!(status, 409, "{problem}");
    assert_eq!(f.get("/api/v1/loops/PT-102").await.1["urv"], 10.0);
    // Shown again, confirmed, taken; a second time there is nothing left to take.
    let (_, diff) = answer(post("", &wider)).await;
    assert_eq!(diff["changed"].as_array().unwrap().len(), 2);
    let token = diff["token"].as_str().unwrap().to_owned();
    let confirm = format!("?confirm={token}&by=A.%20Roca&why=survey");
    let (status, taken) = answer(post(&confirm, &wider)).await;
    assert_eq!((status, &taken["applied"]), (200, &json!(true)), "{taken}");
    assert_eq!(f.get("/api/v1/loops/PT-102").await.1["urv"], 16.0);
    assert_eq!(answer(post(&confirm, &wider)).await.0, 409);
    let (_, log) = f.get("/api/v1/changes?limit=1").await;
    assert_eq!(log["changes"][0]["what"], "register");
    assert_eq!(log["changes"][0]["detail"]["changed"], 2);
    let next = log["next"].as_i64().unwrap();
    let (_, log) = f.get(&format!("/api/v1/changes?before={next}")).await;
    assert_eq!(log["changes"][0]["by"], "M. Ferrer");
    assert!(log["next"].is_null());
}

#[tokio::test]
async fn announced_work_explains_what_it_covers() {
    let f = Fixture::new(false);
    assert!(kinds(&f, "PT-102").contains(&"current-out-of-range".to_owned()));
    let work = |tag: &str, from: &str, to: &str| json!({ "tag": tag, "from": from, "to": to, "note": "Input card out", "by": "A. Roca" });
    let (from, to) = ("2026-03-02T11:00:00Z", "2026-03-03T12:00:00+02:00");
    for (body, wanted) in [
        (work("NO-1", from, to), "no loop with the tag `NO-1`"),
        (work("PT-102", to, from), "to: is not after from"),
        (
            work("PT-102", from, "2028-01-01T00:00:00Z"),
            "more than 366 days",
        ),
        (work("PT-102", "soon", to), "from: `soon`"),
        (
            json!({ "tag": "*", "from": from, "to": to, "note": "x" }),
            "missing field `by`",
        ),
        (
            json!({ "tag": "*", "from": from, "to": to, "note": " ", "by": "x" }),
            "note: must be",
        ),
    ] {
        let (status, answer) = send(&f, "POST", "/api/v1/work", &body).await;
        assert_eq!(status, 422, "{body}: {answer}");
        assert!(
            answer["detail"].as_str().unwrap().contains(wanted),
            "{answer}"
        );
    }
    for _ in 0..2 {
        let body = work("PT-102", from, to);
        let (status, answer) = send(&f, "POST", "/api/v1/work", &body).await;
        assert_eq!(
            (status, &answer["to"]),
            (201, &json!("2026-03-03T10:00:00Z"))
        );
    }
    let (_, list) = f.get("/api/v1/work").await;
    assert_eq!(
        (&list["matched"], &list["work"][0]["tag"]),
        (&json!(1), &json!("PT-102"))
    );
    assert_eq!(
        f.get("/api/v1/work?to=2026-03-01T00:00:00Z").await.1["matched"],
        0
    );
    assert_eq!(
        f.get("/api/v1/work?from=2026-03-02T12:00:00Z").await.1["matched"],
        1
    );
    assert_eq!(
        f.get("/api/v1/changes").await.1["changes"][0]["what"],
        "work"
    );
    assert!(!kinds(&f, "PT-102").contains(&"current-out-of-range".to_owned()));
    // And it is said what the announcement hides.
    let snapshot = f.shared.reader.snapshot().unwrap();
    let mut engine = analytics_assess::Engine::new(analytics_assess::Settings::default());
    let result = engine.assess(&snapshot, None, &mut |_| {}).unwrap().result;
    let hidden = serde_json::to_value(&result.explained_by_work).unwrap();
    let mine = hidden
        .as_array()
        .unwrap()
        .iter()
        .find(|e| e["tag"] == "PT-102" && e["kind"] == "current-out-of-range")
        .unwrap_or_else(|| panic!("{hidden}"));
    assert_eq!(mine["work_to"], "2026-03-03T10:00:00Z");
}

/// A change outlives the service, although the register's file is read at each start.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_change_is_there_after_a_restart() {
    let dir = tempfile::tempdir().unwrap();
    write_site(&dir.path().join("site"));
    std::fs::write(dir.path().join("loops.csv"), REGISTER).unwrap();
    let text = "[site]\nname = \"Small Works\"\nstore = \"store\"\nimport = \"site\"\n";
    let config = SiteConfig::parse(text, &dir.path().join("site.toml")).unwrap();
    let start = async || {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let stop = CancellationToken::new();
        let (config, token) = (config.clone(), stop.clone());
        let running =
            tokio::spawn(async move { loopwitness::service::run(&config, listener, token).await });
        wait_for(address, "/readyz").await;
        (address, stop, running)
    };
    let (address, stop, running) = start().await;
    tokio::task::spawn_blocking(move || {
        let body = json!({ "by": "A. Roca", "why": "survey", "urv": 16.0, "tolerance_pct": 2.0 });
        let sent = ureq::patch(format!("http://{address}/api/v1/loops/PT-102")).send_json(body);
        assert_eq!(sent.unwrap().status().as_u16(), 200);
    })
    .await
    .unwrap();
    stop.cancel();
    running.await.unwrap().unwrap();

    let (address, stop, running) = start().await;
    let one: Value =
        serde_json::from_str(&wait_for(address, "/api/v1/loops/PT-102").await).unwrap();
    assert_eq!(
        (&one["urv"], &one["tolerance_pct"]),
        (&json!(16.0), &json!(2.0))
    );
    let log = wait_for(address, "/api/v1/changes").await;
    assert!(log.contains("A. Roca"), "{log}");
    stop.cancel();
    running.await.unwrap().unwrap();

    // Another file is another word: it is taken.
    let wider = REGISTER.replace("PT-102,bar,0,10", "PT-102,bar,0,25");
    std::fs::write(dir.path().join("loops.csv"), wider).unwrap();
    let (address, stop, running) = start().await;
    let one: Value =
        serde_json::from_str(&wait_for(address, "/api/v1/loops/PT-102").await).unwrap();
    assert_eq!(one["urv"], 25.0);
    stop.cancel();
    running.await.unwrap().unwrap();
}
