//! Baselines over HTTP: begun, listed, refused; and the detectors start afresh from one.

use crate::support::Fixture;
use analytics_assess::{Engine, Settings};
use analytics_detect::{Evidence, Kind};
use axum::body::Body;
use axum::http::Request;
use ingest_model::{LoopEntry, Range, Tag, Transfer, UtcMicros};
use ingest_store::{Author, EndOfBaseline, NewBaseline, Store};
use serde_json::{Value, json};
use std::fmt::Write as _;

async fn post(f: &Fixture, path: &str, body: &Value) -> (u16, Value) {
    let request = Request::post(path)
        .header("content-type", "application/json")
        .body(Body::from(body.to_string()))
        .unwrap();
    let (status, _, body) = f.send(request).await;
    (status.as_u16(), serde_json::from_slice(&body).unwrap())
}

#[tokio::test]
async fn a_person_accepts_a_baseline_until_a_date() {
    let f = Fixture::new(true);
    let path = "/api/v1/loops/PT-102/baseline";
    let body = json!({ "by": "A. Roca", "why": "card exchanged", "from": "2026-03-01T12:00:00Z", "until": "2999-01-01T00:00:00Z" });
    let (status, begun) = post(&f, path, &body).await;
    assert_eq!(status, 201, "{begun}");
    assert_eq!(begun["reason"], "accepted");
    let (_, list) = f.get("/api/v1/loops/PT-102/baselines").await;
    assert_eq!(list["baselines"], json!([begun]));
    assert_eq!(list["counts_from"], "2026-03-01T12:00:00Z");
    let (_, changes) = f.get("/api/v1/changes").await;
    assert_eq!(changes["changes"][0]["what"], "baseline");
    assert_eq!(changes["changes"][0]["why"], "card exchanged");

    for (body, wanted) in [
        (json!({ "why": "x" }), "by: say who"),
        (json!({ "by": "A. Roca" }), "why: say why"),
        (json!({ "by": "A. Roca", "why": "x\ny" }), "one line"),
        (
            json!({ "by": "A. Roca", "why": "x", "until": "soon" }),
            "until",
        ),
        (
            json!({ "by": "A. Roca", "why": "x", "until": "2020-01-01T00:00:00Z" }),
            "not in the future",
        ),
        (
            json!({ "by": "A. Roca", "why": "x", "from": "2998-01-01T00:00:00Z" }),
            "in the future",
        ),
        (json!({ "by": "A. Roca", "why": "x", "ever": true }), "ever"),
    ] {
        let (status, answer) = post(&f, path, &body).await;
        assert_eq!(status, 422, "{answer}");
        let detail = answer["detail"].as_str().unwrap();
        assert!(detail.contains(wanted), "{detail}");
    }
    let (status, _) = post(&f, "/api/v1/loops/XX/baseline", &body).await;
    assert_eq!(status, 404);

    let end = "/api/v1/loops/PT-102/baseline/end";
    let (status, answer) = post(&f, end, &json!({ "by": "A. Roca" })).await;
    assert_eq!(status, 422, "{answer}");
    let body = json!({ "by": "B. Sanz", "why": "exchanged again" });
    let (status, ended) = post(&f, end, &body).await;
    assert_eq!(status, 200, "{ended}");
    assert_eq!(ended["ended"]["by"], "B. Sanz");
    assert_eq!(ended["until"], "2999-01-01T00:00:00Z");
    let (_, list) = f.get("/api/v1/loops/PT-102/baselines").await;
    assert_eq!(list["baselines"], json!([ended]));
    assert_eq!(list["counts_from"], Value::Null);
    let (_, changes) = f.get("/api/v1/changes").await;
    assert_eq!(changes["changes"][0]["what"], "baseline-ended");
    let (status, answer) = post(&f, end, &body).await;
    assert_eq!(status, 422, "{answer}");
    let (status, _) = post(&f, "/api/v1/loops/XX/baseline/end", &body).await;
    assert_eq!(status, 404);
}

#[tokio::test]
async fn a_new_device_carries_the_tag_on() {
    let f = Fixture::new(true);
    let range = Range {
        lrv: 0.0,
        urv: 12.0,
        transfer: Transfer::Linear,
    };
    let mut shown = LoopEntry::new(Tag::new("PT-102~0000A2").unwrap(), "bar", range);
    shown.device_type = Some(0xFA42);
    shown.device_id = Some(0xA2);
    let store = f.shared.store().unwrap();
    store.enter_loops(vec![shown], loopwitness_now()).unwrap();
    let path = "/api/v1/loops/PT-102~0000A2/replaces";
    let (status, answer) = post(
        &f,
        path,
        &json!({ "replaces": "XX", "by": "A. Roca", "why": "x" }),
    )
    .await;
    assert_eq!(status, 422, "{answer}");
    let body = json!({ "replaces": "PT-102", "by": "A. Roca", "why": "burnt out" });
    let (status, answer) = post(&f, path, &body).await;
    assert_eq!(status, 201, "{answer}");
    assert_eq!(answer["loop"]["tag"], "PT-102");
    assert_eq!(answer["loop"]["device_id"], "0x0000A2");
    assert_eq!(answer["loop"]["urv"], 10.0);
    assert_eq!(answer["baseline"]["own_tag"], "PT-102~0000A2");
    assert_eq!(
        answer["differs"],
        json!([{ "column": "urv", "before": "10", "after": "12" }])
    );
    let (_, newcomer) = f.get("/api/v1/loops/PT-102~0000A2").await;
    assert_eq!(newcomer["retired"], true);
    let (status, _) = post(&f, path, &body).await;
    assert_eq!(status, 422, "said once");
}

fn loopwitness_now() -> UtcMicros {
    UtcMicros(crate::support::START)
}

/// Twenty days at ten minutes; from the third on the second loop drifts by 0.15 % a day.
fn drifting(dir: &std::path::Path) -> Store {
    let site = dir.join("site");
    std::fs::create_dir_all(site.join("readings")).unwrap();
    let register = "tag,pv_unit,lrv,urv\nFT-1,m3/h,0,100\nFT-2,m3/h,0,100\n";
    std::fs::write(site.join("loops.csv"), register).unwrap();
    let mut csv = String::from("time,tag,pv,reported_ma,analog_ma,response_code,device_status\n");
    for k in 0..20 * 144_i64 {
        let time = UtcMicros(crate::support::START + k * 600_000_000);
        for n in 1..=2 {
            let pv = 50.0 + 30.0 * (k as f64 / 61.0 + f64::from(n)).sin();
            let drift = f64::from(n - 1) * 0.15 * (k as f64 / 144.0 - 3.0).max(0.0);
            let wobble = 0.004 * ((k * 7919 % 101) as f64 / 50.0 - 1.0);
            let (r, m) = (4.0 + 0.16 * pv, 4.0 + 0.16 * (pv + drift) + wobble);
            writeln!(csv, "{time},FT-{n},{pv:.4},{r:.4},{m:.4},0,0").unwrap();
        }
    }
    std::fs::write(site.join("readings/a.csv"), csv).unwrap();
    let store = Store::open(&dir.join("store"), "test", UtcMicros(0)).unwrap();
    store.import_site(&site, UtcMicros(0), &mut |_| {}).unwrap();
    store
}

#[test]
fn the_detectors_start_afresh_from_a_baseline_and_look_again_after_its_date() {
    let dir = tempfile::tempdir().unwrap();
    let store = drifting(dir.path());
    let day = |d: f64| UtcMicros(crate::support::START).plus_s(86_400.0 * d);
    let find = |at: UtcMicros| {
        let snapshot = store.reader().snapshot().unwrap();
        let mut engine = Engine::new(Settings::default());
        let result = engine
            .assess(&snapshot, Some(at), &mut |_| {})
            .unwrap()
            .result;
        let row = result
            .attention
            .into_iter()
            .find(|r| r.tag.as_str() == "FT-2");
        row.map_or_else(Vec::new, |r| r.findings)
    };
    let end = day(20.0);
    let drift = |at| {
        let all = find(at).into_iter();
        let mut found = all.filter(|f| f.kind == Kind::AnalogDigitalDrift);
        found.next()
    };
    let before = drift(end).expect("it drifts");
    assert!(before.onset_low < day(7.3) && !before.evidence.contains_key("baseline_from"));

    let new = NewBaseline {
        from: Some(day(7.3)),
        until: Some(day(21.0)),
    };
    let author = Author {
        by: "A. Roca".into(),
        why: "known".into(),
    };
    let tag = Tag::new("FT-2").unwrap();
    store.accept_baseline(&tag, new, &author, end).unwrap();
    let after = find(end);
    assert!(!after.is_empty(), "it goes on drifting");
    for f in &after {
        assert!(f.onset_low >= day(7.3) && f.onset >= day(7.3), "{f:?}");
        assert_eq!(
            f.evidence["baseline_from"],
            Evidence::Text(day(7.3).to_rfc3339())
        );
        assert_eq!(
            f.evidence["baseline_reason"],
            Evidence::Text("accepted".into())
        );
    }
    // Before it began, and after its date, the whole record counts.
    assert!(find(day(7.0)).iter().all(|f| f.onset < day(7.3)));
    let later = drift(day(21.5)).expect("looked at again");
    assert_eq!(later.onset, before.onset);
    // Ended early: at once the whole record counts again.
    let ended = EndOfBaseline {
        from: Some(end),
        ..EndOfBaseline::default()
    };
    store.end_baseline(&tag, ended, &author, end).unwrap();
    let now = drift(end).expect("it drifts, as before");
    assert_eq!(now.onset, before.onset);
    assert!(!now.evidence.contains_key("baseline_from"));
}
