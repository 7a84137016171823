//! Circuit terms and what the watch would find, over HTTP.

use crate::support::Fixture;
use analytics_assess::{Engine, Settings, Watch};

#[tokio::test]
async fn circuit_terms_of_a_loop() {
    let f = Fixture::new(true);
    let (status, body) = f.get("/api/v1/loops/FT-101/circuit").await;
    assert_eq!(status, 200, "{body}");
    // The small site runs 20 to 80 %: 7.2 to 16.8 mA, and the register says nothing of the circuit.
    let high = body["window"]["highest"]["current_ma"].as_f64().unwrap();
    assert!((high - 16.8).abs() < 0.1, "{high}");
    assert_eq!(body["window"]["alarm_high_witnessed"], false);
    assert_eq!(body["wiring"]["supply_v"]["low"], 20.4);
    assert_eq!(body["junction_box"], serde_json::Value::Null);
    let says = body["says"].to_string();
    assert!(says.contains("An alarm current of 21.5 mA is not shown to pass beyond"));
    assert!(body["cannot_tell"].to_string().contains("20.4 to 28.8 V"));
    assert_eq!(f.get("/api/v1/loops/FT-999/circuit").await.0, 404);
    assert_eq!(f.get("/api/v1/loops/FT-101/circuit?x=1").await.0, 400);
}

#[tokio::test]
async fn numbers_come_after_the_first_night() {
    let f = Fixture::new(true);
    for path in ["/api/v1/detectable", "/api/v1/loops/FT-101/detectable"] {
        let (status, body) = f.get(path).await;
        assert!(status == 200 && body["as_of"].is_null(), "{path}: {body}");
    }
    let snapshot = f.shared.reader.snapshot().unwrap();
    let mut engine = Engine::new(Settings::default());
    let assessed = engine.assess(&snapshot, None, &mut |_| {}).unwrap();
    let mut watch = Watch::default();
    let report = watch.run(&assessed, &snapshot, &|| true);
    assert_eq!(report.renewed, 3);
    // Nothing changed: nothing is made anew, and the numbers are the same.
    let again = watch.run(&assessed, &snapshot, &|| true);
    assert_eq!(again.renewed, 0);
    assert_eq!(report.loops, again.loops);
    let blind = report.blind.clone();
    f.shared.set_watch(report);
    let (status, body) = f.get("/api/v1/detectable?limit=2").await;
    assert_eq!(status, 200);
    assert_eq!(body["loops"].as_array().unwrap().len(), 2);
    assert_eq!(body["next"], "PT-102");
    let (_, rest) = f.get("/api/v1/detectable?after=PT-102").await;
    assert_eq!(rest["loops"].as_array().unwrap().len(), 1);
    assert_eq!(rest["next"], serde_json::Value::Null);
    // The fleet's summary is what the loops say, reckoned here once more.
    let (_, all) = f.get("/api/v1/detectable").await;
    let (status, summary) = f.get("/api/v1/detectable/summary").await;
    assert_eq!(status, 200);
    let lines = summary["faults"].as_array().unwrap();
    assert!(!lines.is_empty());
    for line in lines {
        let of = |n: &&serde_json::Value| {
            n["fault"] == line["fault"] && n["within_days"] == line["within_days"]
        };
        let numbers: Vec<&serde_json::Value> = all["loops"]
            .as_array()
            .unwrap()
            .iter()
            .flat_map(|l| l["numbers"].as_array().unwrap())
            .filter(of)
            .collect();
        let mut sizes: Vec<f64> = numbers.iter().filter_map(|n| n["size"].as_f64()).collect();
        sizes.sort_by(f64::total_cmp);
        if line["fault"] == "noise-collapse" {
            sizes.reverse();
        }
        assert_eq!(line["loops"], numbers.len());
        assert_eq!(line["blind"], numbers.len() - sizes.len(), "{line}");
        assert_eq!(line["worst"].as_f64(), sizes.last().copied(), "{line}");
        let half = sizes.get(sizes.len().saturating_sub(1) / 2);
        assert_eq!(line["half"].as_f64(), half.copied(), "{line}");
    }
    let (status, one) = f.get("/api/v1/loops/FT-101/detectable").await;
    assert_eq!(status, 200);
    for n in one["numbers"].as_array().unwrap() {
        assert!(n["size"].is_number() || n["blind"].is_string(), "{n}");
        assert!(n["says"].as_str().unwrap().ends_with('.'), "{n}");
    }
    assert_eq!(f.get("/api/v1/detectable?limit=0").await.0, 400);
    assert_eq!(f.get("/api/v1/detectable?days=3").await.0, 400);
    // One whole day of record is too short for a drift: the watch is blind there, and the next result says so.
    assert!(blind.iter().any(|n| n.what == "analog-digital-drift"));
    f.shared.set_current(assessed, ingest_model::UtcMicros(1));
    let (_, attention) = f.get("/api/v1/attention").await;
    let rows = attention["not_judged"].as_array().unwrap();
    for n in &blind {
        let listed = rows
            .iter()
            .filter(|r| r["tag"] == n.tag.as_str() && (r["what"] == n.what || r["what"] == "all"));
        assert!(listed.count() >= 1, "{n:?}");
    }
}
