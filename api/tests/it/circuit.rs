//! Circuit terms over HTTP.

use crate::support::Fixture;

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
