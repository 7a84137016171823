//! The real way of the data: simulated gateways on loopback, collector, landing, store, HTTP.

use crate::service::{get, wait_for};
use ingest_model::{Tag, UtcMicros};
use ingest_store::{Store, StoreReader};
use loopwitness::clock;
use loopwitness::config::{CaptureTo, Master, SiteConfig};
use std::time::Duration;
use tokio_util::sync::CancellationToken;

fn accepted(metrics: &str) -> u64 {
    let line = metrics
        .lines()
        .find_map(|l| l.strip_prefix("loopwitness_readings_accepted_total "));
    line.unwrap().parse().unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn gateways_are_polled_and_a_stop_loses_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let end = clock::now();
    let fleet = sample_fleet::FleetOptions {
        loops: 8,
        days: 1,
        period_s: 600.0,
        ..sample_fleet::FleetOptions::new(3, end)
    };
    sample_fleet::write_site(dir.path(), &fleet, &mut |_| {}).unwrap();
    let store = Store::open(&dir.path().join("store"), "test", end).unwrap();
    store
        .import_site(&dir.path().join("site"), end, &mut |_| {})
        .unwrap();
    let simulation = CancellationToken::new();
    let live = sample_fleet::serve_live(&fleet, clock::now, simulation.clone())
        .await
        .unwrap();
    // What the simulator writes is a site.toml as the contract has it.
    let text = sample_fleet::site_toml(&live, &fleet);
    let mut config = SiteConfig::parse(&text, &dir.path().join("site/site.toml")).unwrap();
    assert_eq!(config.gateways.len(), live.gateways.len());
    for g in &mut config.gateways {
        g.poll_every = Duration::from_secs(4);
        g.master = Master::Primary;
    }
    // Recorded, to be played back below.
    let recording = dir.path().join("wire.pcap");
    config.capture = Some(CaptureTo {
        path: recording.clone(),
        limit: 64 << 20,
    });
    for a in &mut config.analogs {
        a.poll_every = Duration::from_secs(1);
    }

    let stop = CancellationToken::new();
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let running = {
        let stop = stop.clone();
        tokio::spawn(
            async move { loopwitness::service::run_with(&config, store, listener, stop).await },
        )
    };
    wait_for(address, "/readyz").await;
    let mut metrics = String::new();
    for _ in 0..300 {
        metrics = wait_for(address, "/metrics").await;
        if accepted(&metrics) >= 16 {
            break;
        }
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    assert!(
        accepted(&metrics) >= 16,
        "two polls of eight loops within a minute:\n{metrics}"
    );
    assert!(
        metrics.contains("loopwitness_gateway_up{gateway="),
        "{metrics}"
    );
    // The newest readings are collected ones, after the history's end.
    let loops: serde_json::Value =
        serde_json::from_str(&wait_for(address, "/api/v1/loops").await).unwrap();
    let times: Vec<UtcMicros> = loops["loops"]
        .as_array()
        .unwrap()
        .iter()
        .map(|l| UtcMicros::parse_rfc3339(l["last"]["time"].as_str().unwrap()).unwrap())
        .collect();
    assert!(times.iter().filter(|t| **t > end).count() >= 6, "{loops}");
    let both =
        |l: &&serde_json::Value| l["last"]["pv"].is_number() && l["last"]["analog_ma"].is_number();
    assert!(
        loops["loops"]
            .as_array()
            .unwrap()
            .iter()
            .filter(both)
            .count()
            >= 4,
        "{loops}"
    );

    // What the devices said in slow reads is there too, explained; and the load of each modem.
    let tag = loops["loops"][0]["tag"].as_str().unwrap();
    let device: serde_json::Value =
        serde_json::from_str(&wait_for(address, &format!("/api/v1/loops/{tag}/device")).await)
            .unwrap();
    let range = device["answers"]
        .as_array()
        .unwrap()
        .iter()
        .find(|a| a["command"] == 15);
    assert!(
        range.is_some_and(|a| a["fields"]
            .as_array()
            .unwrap()
            .iter()
            .any(|f| f["name"] == "urv")),
        "{device}"
    );
    assert!(
        metrics.contains("loopwitness_modem_load_ratio{"),
        "{metrics}"
    );

    let before = accepted(
        &tokio::task::spawn_blocking(move || get(address, "/metrics"))
            .await
            .unwrap()
            .unwrap()
            .1,
    );
    stop.cancel();
    tokio::time::timeout(Duration::from_secs(30), running)
        .await
        .unwrap()
        .unwrap()
        .unwrap();
    simulation.cancel();
    let snapshot = StoreReader::open(&dir.path().join("store"))
        .unwrap()
        .snapshot()
        .unwrap();
    let mut kept = 0;
    let tags: Vec<Tag> = snapshot.register().tags().cloned().collect();
    for tag in &tags {
        let from = UtcMicros(end.0 + 1);
        kept += snapshot
            .read_loop(tag, from, UtcMicros(i64::MAX))
            .unwrap()
            .len() as u64;
    }
    assert!(kept >= before, "accepted {before}, kept {kept}");
    // The recording, played back, has the rows that were stored; analog currents did not pass this wire.
    std::fs::write(dir.path().join("site/site.toml"), &text).unwrap();
    let replayed = dir.path().join("replayed");
    let played = std::process::Command::new(env!("CARGO_BIN_EXE_loopwitness"))
        .args(["replay", recording.to_str().unwrap(), "--config"])
        .arg(dir.path().join("site/site.toml"))
        .arg("--out")
        .arg(&replayed)
        .output()
        .unwrap();
    assert!(played.status.success(), "{played:?}");
    let other = Store::open(&dir.path().join("other"), "test", clock::now()).unwrap();
    other
        .import_site(&replayed, clock::now(), &mut |_| {})
        .unwrap();
    let again = other.reader().snapshot().unwrap();
    let rows = |snapshot: &ingest_store::Snapshot, tag: &Tag| {
        let columns = snapshot
            .read_loop(tag, UtcMicros(end.0 + 1), UtcMicros(i64::MAX))
            .unwrap();
        (0..columns.len())
            .map(|i| columns.row(i))
            .filter(|r| r.response_code.is_some())
            .map(|r| {
                format!(
                    "{} {} {} {} {:?} {:?} {:?} {:?} {:?}",
                    r.time,
                    r.pv,
                    r.sv,
                    r.reported_ma,
                    r.response_code,
                    r.device_status,
                    r.extended_status,
                    r.exchanges,
                    r.config_changes
                )
            })
            .collect::<Vec<String>>()
    };
    for tag in &tags {
        assert_eq!(rows(&again, tag), rows(&snapshot, tag), "{tag}");
    }
    drop(other);
    // A second holder finds the lock free.
    drop(Store::open(&dir.path().join("store"), "test", clock::now()).unwrap());
}
