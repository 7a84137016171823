//! What can be printed by address: sheets of evidence and the picture of a loop, each with a policy that lets nothing run.

use crate::support::{Fixture, START};
use axum::body::Body;
use axum::http::Request;
use ingest_model::UtcMicros;
use std::fmt::Write as _;

async fn text(f: &Fixture, path: &str) -> (u16, axum::http::HeaderMap, String) {
    let request = Request::get(path).body(Body::empty()).unwrap();
    let (status, headers, body) = f.send(request).await;
    (status.as_u16(), headers, String::from_utf8(body).unwrap())
}

#[tokio::test]
async fn the_report_is_one_page_that_loads_nothing() {
    let f = Fixture::new(true);
    let (status, headers, whole) = text(&f, "/api/v1/reports").await;
    assert_eq!(status, 200);
    assert_eq!(headers["content-type"], "text/html; charset=utf-8");
    let policy = headers["content-security-policy"].to_str().unwrap();
    assert!(policy.starts_with("default-src 'none'"), "{policy}");
    assert!(whole.contains("Small Works"), "the site is named");
    assert!(!whole.contains("<script"));
    // PT-102 is the loop that fails in the small site.
    let (status, _, one) = text(&f, "/api/v1/reports?tag=PT-102").await;
    assert_eq!(status, 200);
    assert_eq!(one.matches("<section class=\"sheet\">").count(), 1);
    assert!(one.contains("<h1>PT-102</h1>") && !one.contains("Ranked list"));
    assert!(
        one.contains("First, caution"),
        "cautions stand before checks"
    );
    // A loop without a finding still gets paper to write on.
    let (status, _, quiet) = text(&f, "/api/v1/reports?tag=FT-101").await;
    assert_eq!(status, 200);
    assert!(quiet.contains("<h1>FT-101</h1>") && quiet.contains("Found and done"));
}

#[tokio::test]
async fn a_sheet_of_what_is_not_there_is_refused() {
    let f = Fixture::new(true);
    for (path, wanted) in [
        ("/api/v1/reports?tag=NO-1", 404),
        ("/api/v1/reports?case=no-such-case", 404),
        ("/api/v1/reports?tag=FT-101&case=x", 400),
        ("/api/v1/reports?limit=0", 400),
        ("/api/v1/reports?tags=FT-101", 400),
        ("/api/v1/loops/NO-1/trace.svg", 404),
        ("/api/v1/loops/FT-101/trace.svg?from=yesterday", 400),
        (
            "/api/v1/loops/FT-101/trace.svg?from=2026-03-03T00:00:00Z&to=2026-03-02T00:00:00Z",
            400,
        ),
    ] {
        let (status, headers, _) = text(&f, path).await;
        assert_eq!(status, wanted, "{path}");
        assert_eq!(
            headers["content-type"], "application/problem+json",
            "{path}"
        );
    }
    let unready = Fixture::new(false);
    for path in ["/api/v1/reports", "/api/v1/loops/FT-101/trace.svg"] {
        assert_eq!(text(&unready, path).await.0, 503, "{path}");
    }
}

#[tokio::test]
async fn the_picture_says_in_words_what_it_shows() {
    let f = Fixture::new(true);
    let (status, headers, svg) = text(&f, "/api/v1/loops/FT-101/trace.svg").await;
    assert_eq!(status, 200);
    assert_eq!(headers["content-type"], "image/svg+xml");
    assert!(svg.starts_with("<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\""));
    assert!(svg.contains("<title id=\"n\">Twin trace of FT-101</title>"));
    assert!(
        svg.contains("Newest mean difference"),
        "the numbers in words"
    );
    for mark in [
        "class=\"dig\" d=\"M",
        "class=\"ana\" d=\"M",
        "class=\"course\" d=\"M",
    ] {
        assert!(svg.contains(mark), "{mark}");
    }
    assert!(!svg.contains("<script") && !svg.contains("href"));
    // A time without readings is said, not drawn.
    let path = "/api/v1/loops/FT-101/trace.svg?from=2020-01-01T00:00:00Z&to=2020-01-02T00:00:00Z";
    let (status, _, empty) = text(&f, path).await;
    assert_eq!(status, 200);
    assert!(empty.contains("no reading in this time"));
}

/// Thirty days at 10 min: from the tenth on the current leaves the digital value by 0.04 % of span a day, and on the last two
/// more status is available (device status 0x10).
fn write_ramp(dir: &std::path::Path) {
    std::fs::create_dir_all(dir.join("readings")).unwrap();
    let register = "tag,pv_unit,lrv,urv,area\nFT-101,m3/h,0,100,Intake\n";
    std::fs::write(dir.join("loops.csv"), register).unwrap();
    let mut text = String::from("time,tag,pv,reported_ma,analog_ma,response_code,device_status\n");
    for n in 0..30 * 144_i64 {
        let time = UtcMicros(START + n * 600_000_000);
        let day = n as f64 / 144.0;
        let share = 0.5 + 0.3 * (n as f64 / 7.0).sin();
        let ma = 4.0 + 16.0 * share;
        // Scatter of 0.02 % of span, the same in each run.
        let scatter = 0.0032 * ((n * 7_919 % 101) as f64 / 50.0 - 1.0);
        let analog = ma + 0.16 * 0.04 * (day - 10.0).max(0.0) + scatter;
        let status = if day > 28.0 { 16 } else { 0 };
        let pv = 100.0 * share;
        writeln!(text, "{time},FT-101,{pv},{ma},{analog},0,{status}").unwrap();
    }
    std::fs::write(dir.join("readings/2026-03.csv"), text).unwrap();
}

#[tokio::test]
async fn the_picture_has_status_bits_and_the_time_to_come() {
    let f = Fixture::of_site(&write_ramp);
    let (_, list) = f.get("/api/v1/attention").await;
    let findings = list["attention"][0]["findings"].as_array().unwrap();
    let drift = findings
        .iter()
        .find(|f| f["kind"] == "analog-digital-drift");
    let rate = drift.unwrap()["rate_pct_per_day"].as_f64().unwrap();
    assert!((rate - 0.04).abs() < 0.004, "{rate}");
    let (status, _, svg) = text(&f, "/api/v1/loops/FT-101/trace.svg").await;
    assert_eq!(status, 200);
    for mark in ["fut", "fwd", "nowl", "bits"] {
        assert!(svg.contains(&format!("class=\"{mark}\"")), "{mark}");
    }
    assert!(svg.contains("Device status"));
}

#[tokio::test]
async fn a_trace_can_be_asked_for_a_part_of_its_time() {
    let f = Fixture::new(true);
    let (_, whole) = f.get("/api/v1/loops/FT-101/trace?step=1h").await;
    let (status, part) = f
        .get("/api/v1/loops/FT-101/trace?step=1h&from=2026-03-02T10:30:00Z&to=2026-03-02T12:00:00Z")
        .await;
    assert_eq!(status.as_u16(), 200);
    let times = part["columns"]["time"].as_array().unwrap();
    // The bins of 10:00 and 11:00 touch that time.
    assert_eq!(times, &["2026-03-02T10:00:00Z", "2026-03-02T11:00:00Z"]);
    for (name, values) in part["columns"].as_object().unwrap() {
        assert_eq!(values.as_array().unwrap().len(), 2, "{name}");
    }
    assert!(whole["columns"]["time"].as_array().unwrap().len() > 2);
}
