//! A recording played back gives the rows that were collected.

#[allow(
    dead_code,
    unused_imports,
    reason = "shared with the collector's other tests"
)]
mod common;

use common::*;
use ingest_collect::capture::Capture;
use ingest_collect::poller::Claims;
use ingest_collect::replay::Replay;
use ingest_collect::*;
use ingest_model::{Reading, Tag, UtcMicros};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// Packets of a capture file as this program writes it (IPv4, TCP): time, source port, payload.
fn packets(file: &[u8]) -> Vec<(UtcMicros, u16, Vec<u8>)> {
    let u32_at = |at: usize| u32::from_le_bytes(file[at..at + 4].try_into().unwrap());
    let (mut at, mut all) = (24, Vec::new());
    while at < file.len() {
        let time = i64::from(u32_at(at)) * 1_000_000 + i64::from(u32_at(at + 4));
        let length = u32_at(at + 8) as usize;
        let packet = &file[at + 16..at + 16 + length];
        let port = u16::from_be_bytes([packet[34], packet[35]]);
        all.push((UtcMicros(time), port, packet[54..].to_vec()));
        at += 16 + length;
    }
    all
}

fn play(
    file: &[u8],
    config: &GatewayConfig,
    loops: Vec<KnownLoop>,
    port: u16,
) -> Vec<(Tag, Reading)> {
    let mut replay = Replay::new(
        config.clone(),
        Arc::new(StaticDirectory::new(loops)),
        Arc::new(Claims::default()),
    );
    let mut streams: BTreeMap<bool, Vec<u8>> = BTreeMap::new();
    let mut rows = Vec::new();
    for (time, from, payload) in packets(file) {
        let sent = from != port;
        let stream = streams.entry(sent).or_default();
        stream.extend(payload);
        while stream.len() >= 8 {
            let length = usize::from(u16::from_be_bytes([stream[6], stream[7]]));
            if stream.len() < length {
                break;
            }
            let message: Vec<u8> = stream.drain(..length).collect();
            replay.message(time, sent, &message);
        }
        rows.extend(replay.take_readings());
    }
    rows
}

fn by_tag(rows: &[(Tag, Reading)]) -> BTreeMap<String, Vec<Reading>> {
    let mut all = BTreeMap::<String, Vec<Reading>>::new();
    for (tag, row) in rows {
        all.entry(tag.to_string()).or_default().push(*row);
    }
    all
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn replayed_rows_equal_collected_ones() {
    let devices = vec![
        Sim::new(0, 1, "PT-1", 2.5, 8.0),
        Sim {
            silent: true,
            ..Sim::new(1, 2, "PT-2", 1.5, 6.0)
        },
        Sim {
            busy: 1,
            unit: 8,
            ..Sim::new(2, 3, "PT-3", 0.5, 7.0)
        },
        Sim {
            nine: Nine::Well,
            ..Sim::new(3, 4, "PT-4", 3.5, 9.0)
        },
        // Not in the register: enters with its own tag.
        Sim::new(4, 5, "PT-5", 4.5, 10.0),
    ];
    let (address, _shared) = gateway(Behaviour {
        devices,
        bursts: true,
        ..Behaviour::default()
    })
    .await;
    let loops = || {
        let mut all: Vec<KnownLoop> = (1..=4)
            .map(|n| known(&format!("PT-{n}"), "bar", Some(n)))
            .collect();
        all[2].pv_unit = "kPa".into();
        all
    };
    let mut config = GatewayConfig::new("GW-1", &address.to_string());
    // Half a period is the least gap between rows of published messages, which here come with every answer of any
    // device: an odd period keeps their gaps off that limit, where microseconds would decide.
    config.poll_every = Duration::from_millis(130);
    // Far above what a busy machine adds between the wire and the collector: the recording has only the wire's time.
    config.timeout = Duration::from_millis(700);
    config.retries = 1;
    config.modems = ModemSharing::Channel;
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("wire.pcap");
    let rows = Arc::new(Rows::default());
    let parts = CollectorParts {
        gateways: vec![config.clone()],
        analog: vec![],
        directory: Arc::new(StaticDirectory::new(loops())),
        sink: rows.clone(),
    };
    let capture = Capture::create(&path, 64 << 20).unwrap();
    let collector = Collector::start_recorded(parts, Some(capture), CancellationToken::new());
    for _ in 0..1_500 {
        // The silent one needs two time-outs a row.
        let least = |n: u32| if n == 2 { 3 } else { 12 };
        if (1..=4).all(|n| rows.of(&format!("PT-{n}")).len() >= least(n)) {
            break;
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    collector.stop().await;

    let file = std::fs::read(&path).unwrap();
    let played = play(&file, &config, loops(), address.port());
    let (stored, again) = (by_tag(&rows.rows.lock().unwrap()), by_tag(&played));
    assert_eq!(
        format!("{again:?}"),
        format!(
            "{:?}",
            by_tag(&play(&file, &config, loops(), address.port()))
        )
    );
    for tag in ["PT-1", "PT-2", "PT-3", "PT-4"] {
        let (stored, again) = (&stored[tag], &again[tag]);
        // The last poll may have been under way at the end; its row is of the shutdown, not of the wire.
        let answered = |rows: &[Reading]| -> Vec<String> {
            rows.iter()
                .filter(|r| r.response_code.is_some())
                .map(|r| format!("{r:?}"))
                .collect()
        };
        assert_eq!(answered(again), answered(stored), "{tag}");
        assert!(tag == "PT-2" || stored.len() >= 12);
        // Before the gateway was first reached, and after the end, there are rows that no wire saw.
        let silent = |rows: &[Reading]| rows.iter().filter(|r| r.response_code.is_none()).count();
        assert!(silent(again).abs_diff(silent(stored)) <= 2, "{tag}");
    }
}
