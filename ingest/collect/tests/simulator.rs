//! The collector against the simulated gateway of the sample works, whose byte tables are its own, over TCP and UDP:
//! unknown, twin-tagged and exchanged devices as the exchange contract (section 5) says.

#[allow(
    dead_code,
    unused_imports,
    reason = "shared with the collector's other tests"
)]
mod common;

use common::*;
use ingest_collect::*;
use ingest_model::{Range, Transfer, UtcMicros};
use sample_fleet::wire::gateway::{Gateway, Port};
use sample_fleet::wire::{DeviceCard, DeviceState, Devices};
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// A plant of a few devices, each behind its own modem.
struct Plant(Vec<DeviceCard>);

impl Devices for Plant {
    fn gateways(&self) -> Vec<String> {
        vec!["GW-1".to_owned()]
    }

    fn cards(&self) -> &[DeviceCard] {
        &self.0
    }

    fn state(&self, index: usize, _: UtcMicros) -> DeviceState {
        let id = self.0.get(index).map_or(0, |c| c.device_id);
        DeviceState {
            pv: id as f32,
            sv: 21.25,
            loop_ma: 4.0 + id as f32,
            device_status: 0,
            extended_status: 0x01,
            config_counter: 17,
            answers: true,
            exchange_fails: false,
        }
    }

    fn analog_ma(&self, _: usize, _: UtcMicros) -> f64 {
        0.0
    }
}

fn card(tag: &str, id: u32, revision: u8) -> DeviceCard {
    DeviceCard {
        tag: tag.to_owned(),
        gateway: 0,
        modem: id as u8,
        channel: 0,
        device_type: 0x6A31,
        device_id: id,
        device_revision: 2,
        universal_revision: revision,
        pv_unit_code: 7,
        sv_unit_code: 32,
        lrv: 0.0,
        urv: 16.0,
        transfer_code: 1,
        damping_s: 0.5,
        multidrop: false,
    }
}

/// Half past: no second master on any of the first modems.
fn half_past() -> UtcMicros {
    UtcMicros(30 * 60_000_000)
}

async fn serve(plant: Plant, at: SocketAddr, udp: bool, stop: CancellationToken) -> SocketAddr {
    // The port of a gateway that was just stopped may take a moment to be free.
    let port = loop {
        match Port::open(at, udp).await {
            Ok(port) => break port,
            Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
        }
    };
    let address = port.local_addr().unwrap();
    let gateway = Arc::new(Gateway::new(0, Arc::new(plant), half_past));
    tokio::spawn(gateway.run(port, stop));
    address
}

/// Any port of the loopback interface.
fn anywhere() -> SocketAddr {
    ([127, 0, 0, 1], 0).into()
}

fn collect(transport: Transport, address: SocketAddr, loops: Vec<KnownLoop>) -> Site {
    let mut g = GatewayConfig::new("GW-1", &address.to_string());
    g.transport = transport;
    g.poll_every = Duration::from_secs(2);
    g.timeout = Duration::from_secs(3);
    g.master = MasterChoice::Primary;
    let rows = Arc::new(Rows::default());
    let stop = CancellationToken::new();
    let parts = CollectorParts {
        gateways: vec![g],
        analog: vec![],
        directory: Arc::new(StaticDirectory::new(loops)),
        sink: rows.clone(),
    };
    Site {
        collector: Collector::start(parts, stop.clone()),
        rows,
        stop,
    }
}

async fn found(site: &mut Site, n: usize) -> BTreeMap<u32, Discovered> {
    let mut found = site.collector.take_discovered().unwrap();
    let mut all = BTreeMap::new();
    while all.len() < n {
        let d = tokio::time::timeout(Duration::from_secs(60), found.recv())
            .await
            .expect("in time")
            .unwrap();
        all.insert(d.device.device_id, d);
    }
    all
}

fn values(site: &Site, tag: &str) -> Vec<f64> {
    let rows = site.rows.of(tag);
    rows.iter()
        .map(|r| r.pv)
        .filter(|pv| !pv.is_nan())
        .collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn unknown_and_twin_tagged_devices_over_udp() {
    let stop = CancellationToken::new();
    let plant = Plant(vec![
        card("FT-1", 1, 7),
        card("FT-1", 2, 6),
        // Revision 5 has no long tag; the gateway's list shows one all the same.
        card("XX-9", 3, 5),
    ]);
    let address = serve(plant, anywhere(), true, stop.clone()).await;
    let mut site = collect(Transport::Udp, address, vec![known("FT-1", "bar", Some(1))]);
    let all = found(&mut site, 3).await;
    let tags: Vec<_> = all.values().map(|d| (d.tag.as_str(), d.known)).collect();
    assert_eq!(
        tags,
        [("FT-1", true), ("FT-1~000002", false), ("XX-9", false)]
    );
    let e = all[&3].to_entry().unwrap();
    let range = Range {
        lrv: 0.0,
        urv: 16.0,
        transfer: Transfer::SquareRoot,
    };
    assert_eq!((e.range, e.pv_unit.as_str()), (range, "bar"));
    assert_eq!((e.damping_s, e.confirmed), (Some(0.5), false));
    assert!(
        site.status()
            .last_error
            .is_some_and(|e| e.contains("FT-1~000002"))
    );
    site.until("rows of all three", |s| {
        ["FT-1", "FT-1~000002", "XX-9"]
            .iter()
            .all(|t| values(s, t).len() >= 3)
    })
    .await;
    // One tag never mixes devices.
    for (tag, pv) in [("FT-1", 1.0), ("FT-1~000002", 2.0), ("XX-9", 3.0)] {
        assert!(values(&site, tag).iter().all(|v| *v == pv), "{tag}");
    }
    // Revisions 6 and 7 answer 9 here: both status bytes are in the rows of the poll; revision 5 has neither.
    for tag in ["FT-1", "FT-1~000002"] {
        let last = site.rows.of(tag).pop().unwrap();
        assert_eq!(
            (last.pv_status, last.extended_status),
            (Some(0xC0), Some(0x01))
        );
        assert!(last.reported_ma > 4.0);
    }
    assert!(site.rows.of("XX-9").iter().all(|r| r.pv_status.is_none()));
    site.collector.stop().await;
    stop.cancel();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_exchanged_device_is_a_new_loop() {
    let stop = CancellationToken::new();
    let before = Plant(vec![card("PT-2", 4, 7)]);
    let address = serve(before, anywhere(), false, stop.clone()).await;
    let mut site = collect(Transport::Tcp, address, vec![known("PT-2", "bar", Some(4))]);
    site.until("rows", |s| values(s, "PT-2").len() >= 2).await;
    // The gateway is restarted with another device in its place.
    stop.cancel();
    let stop = CancellationToken::new();
    let exchanged = Plant(vec![card("PT-2", 5, 7)]);
    let after = serve(exchanged, address, false, stop.clone()).await;
    assert_eq!(after, address);
    let all = found(&mut site, 2).await;
    assert_eq!(
        (all[&5].tag.as_str(), all[&5].known),
        ("PT-2~000005", false)
    );
    site.until("rows of the new one, none of the old one", |s| {
        values(s, "PT-2~000005").len() >= 2
            && s.rows
                .of("PT-2")
                .last()
                .is_some_and(|r| r.response_code.is_none())
    })
    .await;
    assert!(values(&site, "PT-2").iter().all(|v| *v == 4.0));
    assert!(values(&site, "PT-2~000005").iter().all(|v| *v == 5.0));
    site.collector.stop().await;
    stop.cancel();
}
