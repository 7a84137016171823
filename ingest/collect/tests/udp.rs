//! The collector over UDP, against a gateway that answers from another port, over loopback sockets.

#[allow(
    dead_code,
    unused_imports,
    reason = "shared with the collector's other tests"
)]
mod common;

use common::*;
use ingest_collect::*;
use std::time::Duration;

fn two() -> Behaviour {
    Behaviour {
        devices: vec![
            Sim::new(0, 0x000001, "FT-1", 2.5, 8.0),
            Sim::new(1, 0x000002, "PT-2", 5.0, 12.0),
        ],
        ..Behaviour::default()
    }
}

fn registered() -> Vec<KnownLoop> {
    vec![known("FT-1", "bar", Some(1)), known("PT-2", "bar", Some(2))]
}

fn good(s: &Site, tag: &str) -> usize {
    let rows = s.rows.of(tag);
    rows.iter()
        .filter(|r| r.response_code == Some(0) && !r.pv.is_nan())
        .count()
}

fn only_true_values(s: &Site) -> bool {
    s.rows
        .of("FT-1")
        .iter()
        .all(|r| r.pv.is_nan() || r.pv == 2.5)
        && s.rows
            .of("PT-2")
            .iter()
            .all(|r| r.pv.is_nan() || r.pv == 5.0)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_session_that_moves_to_another_port() {
    let (address, shared) = udp_gateway(two()).await;
    let site = Site::over(Transport::Udp, address, registered(), vec![]);
    site.until("rows", |s| good(s, "FT-1") >= 10 && good(s, "PT-2") >= 10)
        .await;
    let s = site.status();
    assert!(s.connected && s.sessions == 1 && s.devices == 2, "{s:?}");
    assert_eq!(s.failures, Failures::default());
    site.collector.stop().await;
    let b = shared.lock().unwrap();
    // The initiate to the configured port, all the rest to the one that answered.
    assert_eq!((b.sessions, b.closes, b.at_ports[0]), (1, 1, 1));
    assert!(b.at_ports[1] > 20);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn other_hosts_are_not_believed() {
    let mut b = two();
    b.foreign = true;
    let (address, _shared) = udp_gateway(b).await;
    let site = Site::over(Transport::Udp, address, registered(), vec![]);
    site.until("rows", |s| good(s, "FT-1") >= 5 && good(s, "PT-2") >= 5)
        .await;
    let s = site.status();
    assert!(s.failures.bad_frames >= 10, "{s:?}");
    assert!(s.last_error.is_some_and(|e| e.contains("127.0.0.2")));
    assert!(only_true_values(&site));
    site.collector.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn lost_doubled_and_overtaken_answers() {
    let (address, shared) = udp_gateway(two()).await;
    let site = Site::over(Transport::Udp, address, registered(), vec![]);
    site.until("rows", |s| good(s, "FT-1") >= 3).await;
    shared.lock().unwrap().double = true;
    site.until("copies for nobody", |s| {
        s.status().failures.late_answers >= 5
    })
    .await;
    {
        let mut b = shared.lock().unwrap();
        (b.double, b.lose) = (false, 5);
    }
    let before = good(&site, "FT-1");
    site.until("lost ones are asked again", |s| {
        s.status().failures.timeouts >= 5 && good(s, "FT-1") >= before + 10
    })
    .await;
    {
        let mut b = shared.lock().unwrap();
        (b.lose, b.swap) = (0, true);
    }
    let before = good(&site, "PT-2");
    site.until("overtaken ones find their request", |s| {
        good(s, "PT-2") >= before + 5
    })
    .await;
    assert!(only_true_values(&site));
    assert!(site.status().connected);
    site.collector.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn late_answers_are_stored_nowhere_over_udp() {
    let (address, shared) = udp_gateway(two()).await;
    let site = Site::over(Transport::Udp, address, registered(), vec![]);
    site.until("rows", |s| good(s, "PT-2") >= 2).await;
    {
        let mut b = shared.lock().unwrap();
        b.delay = Duration::from_millis(220);
        b.devices[0].pv = 7.7;
        b.devices[1].pv = 7.7;
    }
    site.until("late answers", |s| {
        s.status().failures.late_answers >= 3 && s.status().failures.no_reply >= 2
    })
    .await;
    assert!(only_true_values(&site));
    site.collector.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn refused_hanging_and_nobody_there_over_udp() {
    let mut b = two();
    b.initiate_status = vec![15];
    let (address, shared) = udp_gateway(b).await;
    let site = Site::over(Transport::Udp, address, registered(), vec![]);
    site.until("the refusal", |s| s.status().failures.refused == 1)
        .await;
    site.until("rows", |s| good(s, "FT-1") >= 2).await;
    shared.lock().unwrap().dead = true;
    site.until("hanging", |s| !s.status().connected).await;
    shared.lock().unwrap().dead = false;
    site.until("again", |s| s.status().connected).await;
    // What was left was closed: no session is lost to us at the server.
    {
        let b = shared.lock().unwrap();
        assert!(b.sessions >= 2, "{b:?}");
    }
    site.collector.stop().await;

    let nobody = std::net::UdpSocket::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap();
    let site = Site::over(Transport::Udp, nobody, registered(), vec![]);
    site.until("rows without values", |s| {
        s.rows.of("FT-1").len() >= 3 && s.status().failures.refused >= 1
    })
    .await;
    let s = site.status();
    assert!(!s.connected && s.last_error.is_some(), "{s:?}");
    site.stop.cancel();
    site.collector.stop().await;
}
