//! Hostile and broken gateways beside honest ones, in one collector: each is named in its status, none costs memory that
//! grows, none disturbs the others, and no value comes of it. Lags are told and not asserted.
#![allow(clippy::print_stdout)]

#[allow(
    dead_code,
    unused_imports,
    reason = "shared with the collector's other tests"
)]
mod common;

use common::*;
use ingest_collect::*;
use ingest_model::{Reading, Tag};
use sample_fleet::wire::hostile::{Mangling, Quirk, mangle, serve};
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

fn config(name: &str, address: SocketAddr) -> GatewayConfig {
    let mut g = GatewayConfig::new(name, &address.to_string());
    g.poll_every = Duration::from_millis(200);
    g.timeout = Duration::from_millis(300);
    g.retries = 1;
    g
}

async fn listener() -> (TcpListener, SocketAddr) {
    let l = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = l.local_addr().unwrap();
    (l, address)
}

/// Resident memory of this process, kB; 0 where the kernel does not tell.
fn resident_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:"));
    line.and_then(|l| l.trim().trim_end_matches(" kB").parse().ok())
        .unwrap_or(0)
}

/// An honest gateway of twelve devices on three cards; device `n` of gateway `g` says 10 g + n / 10.
async fn honest(g: u8) -> (SocketAddr, Vec<KnownLoop>) {
    let mut b = Behaviour::default();
    let mut loops = Vec::new();
    for n in 0..12_u8 {
        let name: &'static str = Box::leak(format!("H{g}-{n:02}").into_boxed_str());
        let id = u32::from(g) << 8 | u32::from(n) | 1 << 16;
        let mut s = Sim::new(n % 4, id, name, truth(g, n), 4.0 + f32::from(n));
        s.card = n / 4;
        b.devices.push(s);
        let mut k = known(name, "bar", Some(id));
        k.gateway = Some(format!("HONEST-{g}"));
        loops.push(k);
    }
    let (address, _) = gateway(b).await;
    (address, loops)
}

fn truth(g: u8, n: u8) -> f32 {
    f32::from(g) * 10.0 + f32::from(n) / 10.0
}

/// The 95th percentile of the time between two good rows of a loop, ms.
fn lag_ms(rows: &[(Tag, Reading)]) -> f64 {
    let mut last: BTreeMap<&Tag, i64> = BTreeMap::new();
    let mut gaps = Vec::new();
    for (tag, r) in rows.iter().filter(|(_, r)| r.response_code == Some(0)) {
        if let Some(before) = last.insert(tag, r.time.0) {
            gaps.push((r.time.0 - before) as f64 / 1e3);
        }
    }
    gaps.sort_by(f64::total_cmp);
    gaps.get(gaps.len() * 95 / 100).copied().unwrap_or(f64::NAN)
}

/// What each must be named by, at least: a part of its last error, or a counter that is not zero.
fn is_named(quirk: Quirk, s: &GatewayStatus) -> bool {
    let f = &s.failures;
    let says = |text: &str| s.last_error.as_deref().is_some_and(|e| e.contains(text));
    match quirk {
        // Other bytes before the session is open are another protocol.
        Quirk::Garbage => f.bad_frames > 1 && says("not hart-ip"),
        Quirk::GarbageInside => f.bad_frames > 3 && f.disconnects > 0,
        Quirk::Endless | Quirk::SlowLoris => f.timeouts + f.disconnects + f.refused > 1,
        Quirk::LyingCounts => f.bad_frames > 3,
        Quirk::Crowd => says("claims 65535 devices"),
        Quirk::RebootStorm | Quirk::Slam => f.disconnects > 2,
        Quirk::Deaf => says("did not answer") && f.refused > 1,
        Quirk::Flood => says("sends more than 512 kB a second"),
        Quirk::Mixed => f.bad_frames + f.late_answers > 1 && f.timeouts > 0,
        Quirk::Echo => f.bad_frames + f.late_answers > 20,
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_quirk_at_once_is_named_and_disturbs_nobody() {
    let stop = CancellationToken::new();
    let (mut gateways, mut loops) = (Vec::new(), Vec::new());
    for g in 1..=3 {
        let (address, of_it) = honest(g).await;
        gateways.push(config(&format!("HONEST-{g}"), address));
        loops.extend(of_it);
    }
    // One more, behind something that does everything to its answers.
    let (behind, of_it) = honest(4).await;
    let (l, address) = listener().await;
    let how = Mangling::all(Duration::from_millis(900));
    tokio::spawn(mangle(l, behind, how, 4, stop.clone()));
    gateways.push(config("HONEST-4", address));
    loops.extend(of_it);

    let directory = Arc::new(StaticDirectory::new(loops));
    let run = |gateways: Vec<GatewayConfig>| {
        let rows = Arc::new(Rows::default());
        let parts = CollectorParts {
            gateways,
            analog: vec![],
            directory: directory.clone(),
            sink: rows.clone(),
        };
        (Collector::start(parts, stop.child_token()), rows)
    };

    // Alone first: what is usual on this machine at this moment.
    let (alone, rows) = run(gateways[..3].to_vec());
    while rows.rows.lock().unwrap().len() < 1_200 {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    alone.stop().await;
    let usual = lag_ms(&rows.rows.lock().unwrap());

    for (n, quirk) in Quirk::ALL.into_iter().enumerate() {
        let (l, address) = listener().await;
        tokio::spawn(serve(l, quirk, n as u64, stop.clone()));
        gateways.push(config(quirk.name(), address));
    }
    let (collector, rows) = run(gateways);
    let mut first_kb = 0;
    let mut unnamed = Quirk::ALL.to_vec();
    for _ in 0..1_500 {
        tokio::time::sleep(Duration::from_millis(20)).await;
        let status = collector.gateways();
        let named = |q: &Quirk| status.iter().any(|s| s.name == q.name() && is_named(*q, s));
        // The last error is the newest: each must have been named once.
        unnamed.retain(|q| !named(q));
        let enough = rows.rows.lock().unwrap().len();
        if first_kb == 0 && enough > 600 {
            first_kb = resident_kb();
        }
        if unnamed.is_empty() && enough > 2_400 {
            break;
        }
    }
    let (status, last_kb) = (collector.gateways(), resident_kb());
    for s in &status {
        println!("{}: {:?} {:?}", s.name, s.failures, s.last_error);
    }
    assert!(unnamed.is_empty(), "not named: {unnamed:?}");
    collector.stop().await;
    stop.cancel();

    let rows = rows.rows.lock().unwrap();
    for (tag, r) in rows.iter().filter(|(_, r)| r.pv.is_finite()) {
        let text = tag.as_str();
        let (g, n) = (text[1..2].parse().unwrap(), text[3..].parse().unwrap());
        assert_eq!(r.pv as f32, truth(g, n), "{tag}: {r:?}");
        assert_eq!(r.reported_ma as f32, 4.0 + f32::from(n), "{tag}: {r:?}");
    }
    let of = |g: &str| -> Vec<(Tag, Reading)> {
        let own = rows.iter().filter(|(t, _)| t.as_str().starts_with(g));
        own.cloned().collect()
    };
    let beside = lag_ms(&[of("H1"), of("H2"), of("H3")].concat());
    let mangled = of("H4");
    let good = mangled.iter().filter(|(_, r)| r.pv.is_finite()).count();
    println!(
        "95th percentile between two rows: {usual:.0} ms alone, {beside:.0} ms beside {} hostile gateways, ratio {:.2}; \
         mangled gateway: {good} good rows of {}; resident memory {first_kb} kB, at the end {last_kb} kB",
        Quirk::ALL.len(),
        beside / usual,
        mangled.len()
    );
    assert!(good > 10, "the mangled gateway's true values arrive");
    assert!(
        last_kb < first_kb + 48 * 1_024,
        "{first_kb} kB, {last_kb} kB"
    );
    for s in status
        .iter()
        .filter(|s| s.name.starts_with("HONEST") && s.name != "HONEST-4")
    {
        assert!(s.connected && s.failures.bad_frames == 0, "{s:?}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_flood_is_read_no_faster_than_any_gateway_speaks() {
    let stop = CancellationToken::new();
    let (l, address) = listener().await;
    tokio::spawn(serve(l, Quirk::Flood, 1, stop.clone()));
    let parts = CollectorParts {
        gateways: vec![config("flood", address)],
        analog: vec![],
        directory: Arc::new(StaticDirectory::default()),
        sink: Arc::new(Rows::default()),
    };
    let collector = Collector::start(parts, stop.child_token());
    // The last error is the newest, so it is looked for while the server goes on.
    let mut told = false;
    for _ in 0..3_000 {
        tokio::time::sleep(Duration::from_millis(10)).await;
        let said = collector.gateways()[0].last_error.clone();
        told |= said.is_some_and(|e| e.contains("sends more than 512 kB a second"));
        if told {
            break;
        }
    }
    assert!(told, "{:?}", collector.gateways());
    collector.stop().await;
    stop.cancel();
}
