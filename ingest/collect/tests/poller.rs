//! The poller alone, against the same small gateway, on a clock that the test turns: hours in milliseconds.

#[allow(
    dead_code,
    unused_imports,
    reason = "this test needs the gateway's answers, not its sockets"
)]
mod common;

use common::bench::{Bench, plant};
use common::*;
use ingest_collect::*;
use std::time::Duration;

#[test]
fn a_plan_that_fits_is_met_at_1200_bit_s() {
    let (b, loops) = plant();
    let mut bench = Bench::new(b, loops, Duration::from_secs(30));
    bench.run_until(3_600_000);
    assert_eq!(bench.rows.len(), 48);
    for (tag, rows) in &bench.rows {
        let steady: Vec<_> = rows
            .iter()
            .filter(|r| r.time.0 - bench.offset_us > 60_000_000)
            .collect();
        assert!(
            (116..=119).contains(&steady.len()),
            "{tag}: {}",
            steady.len()
        );
        let widest = steady
            .windows(2)
            .map(|w| w[1].time.seconds_since(w[0].time))
            .fold(0.0, f64::max);
        assert!(widest < 45.0, "{tag}: {widest} s");
        assert!(rows.iter().all(|r| r.response_code == Some(0)), "{tag}");
        // Counters about every five minutes, the configuration counter every minute.
        assert!(
            (11..=13).contains(&rows.iter().filter(|r| r.exchanges.is_some()).count()),
            "{tag}"
        );
        assert!(
            (50..=62).contains(&rows.iter().filter(|r| r.config_changes.is_some()).count()),
            "{tag}"
        );
    }
    let s = bench.poller.snapshot(bench.moment());
    assert_eq!(s.devices, 48);
    assert!(
        (s.planned_per_s - 1.6).abs() < 1e-9 && (s.achieved_per_s - 1.6).abs() < 0.1,
        "{s:?}"
    );
    assert!(s.late_s < 15.0, "{s:?}");
    assert_eq!(s.failures, Failures::default());
    assert!(bench.most_in_flight <= 8);
}

#[test]
fn a_plan_that_does_not_fit_is_late_and_says_so() {
    let (b, loops) = plant();
    let mut bench = Bench::new(b, loops, Duration::from_secs(2));
    bench.run_until(600_000);
    let s = bench.poller.snapshot(bench.moment());
    // Four modems give at most 7 exchanges a second of 24 planned.
    assert!(
        (s.planned_per_s - 24.0).abs() < 1e-9 && s.achieved_per_s < 7.1 && s.achieved_per_s > 5.0,
        "{s:?}"
    );
    assert!(s.late_s > 3.0 && s.late_s < 20.0, "{s:?}");
    // All devices share the lateness.
    let counts: Vec<_> = bench.rows.values().map(Vec::len).collect();
    let (least, most) = (counts.iter().min().unwrap(), counts.iter().max().unwrap());
    assert!(*least * 10 > *most * 8, "{least} to {most}");
}

#[test]
fn the_list_is_read_again_within_a_minute_of_a_change() {
    let (b, loops) = plant();
    let mut bench = Bench::new(b, loops, Duration::from_secs(30));
    bench.run_until(300_000);
    bench
        .gateway
        .devices
        .push(Sim::new(12, 0x99, "TT-9", 1.0, 5.0));
    bench.gateway.config_changes += 1;
    bench.run_until(400_000);
    let (at, d) = &bench.found[&0x99];
    assert_eq!((d.tag.as_str(), d.known), ("TT-9", false));
    assert!(*at <= 360_000, "{at}");
    // Without an entry in the register it is polled all the same, a little later.
    assert!(!bench.of("TT-9").is_empty());
    // A device that vanishes: two unanswered polls, then the list; from then on rows without a request.
    bench.gateway.devices.remove(0);
    bench.run_until(700_000);
    let silent = bench
        .of("PT-000")
        .iter()
        .rev()
        .take_while(|r| r.response_code.is_none())
        .count();
    assert!((8..=11).contains(&silent), "{silent}");
    let s = bench.poller.snapshot(bench.moment());
    assert_eq!(s.devices, 48);
    assert!((1..=3).contains(&s.failures.no_reply), "{s:?}");
}

#[test]
fn delayed_answers_are_waited_for_and_are_no_failures() {
    let (mut b, loops) = plant();
    b.devices.truncate(4);
    b.delayed = 3;
    let mut bench = Bench::new(
        b,
        loops.into_iter().take(4).collect(),
        Duration::from_secs(30),
    );
    bench.run_until(300_000);
    for n in 0..4 {
        let rows = bench.of(&format!("PT-{n:03}"));
        assert!(
            rows.len() >= 8 && rows.iter().all(|r| r.response_code == Some(0)),
            "{rows:?}"
        );
    }
    assert_eq!(bench.poller.status.failures, Failures::default());
    // Never answered: given up after a bounded number of repeats, as no reply.
    bench.gateway.delayed = u32::MAX - 1;
    bench.gateway.delays.clear();
    bench.run_until(500_000);
    assert!(
        bench
            .of("PT-000")
            .last()
            .is_some_and(|r| r.response_code.is_none())
    );
}

/// A register that a person edits.
#[derive(Default)]
struct Edited(std::sync::RwLock<StaticDirectory>);

impl LoopDirectory for Edited {
    fn by_device(&self, device: ingest_model::DeviceKey) -> Option<KnownLoop> {
        self.0.read().unwrap().by_device(device)
    }

    fn by_tag(&self, tag: &str) -> Option<KnownLoop> {
        self.0.read().unwrap().by_tag(tag)
    }

    fn of_gateway(&self, gateway: &str) -> Vec<KnownLoop> {
        self.0.read().unwrap().of_gateway(gateway)
    }
}

#[test]
fn an_exchanged_device_is_a_new_loop_until_a_person_says_otherwise() {
    let register = std::sync::Arc::new(Edited::default());
    *register.0.write().unwrap() = StaticDirectory::new(vec![known("PT-2", "bar", Some(1))]);
    let mut config = GatewayConfig::new("GW-1", "-");
    config.poll_every = Duration::from_secs(10);
    let gateway = Behaviour {
        devices: vec![Sim::new(0, 1, "PT-2", 2.5, 8.0)],
        ..Behaviour::default()
    };
    let mut bench = Bench::with_directory(gateway, config, register.clone());
    bench.run_until(100_000);
    bench.gateway.devices[0] = Sim::new(0, 2, "PT-2", 6.5, 14.4);
    // Nothing tells of the exchange but silence: two unanswered polls, and the list is read within a minute.
    bench.run_until(200_000);
    let (at, d) = &bench.found[&2];
    assert_eq!((d.tag.as_str(), d.known), ("PT-2~000002", false));
    assert!(*at <= 100_000 + 20_000 + 60_000, "{at}");
    let name = bench.poller.snapshot(bench.moment()).last_error.unwrap();
    assert!(name.contains("PT-2~000002"), "{name}");
    assert!(
        bench
            .of("PT-2")
            .iter()
            .all(|r| r.pv.is_nan() || r.pv == 2.5)
    );
    // A person says that it replaces the old one.
    *register.0.write().unwrap() = StaticDirectory::new(vec![known("PT-2", "bar", Some(2))]);
    bench.run_until(300_000);
    let last = bench.of("PT-2").last().unwrap();
    assert_eq!((last.pv, last.response_code), (6.5, Some(0)));
    let rows = bench.of("PT-2");
    assert!(rows.windows(2).all(|w| w[0].time < w[1].time));
    // From then on one row a period, not two.
    let recent = rows.iter().filter(|r| r.pv > 6.0).count();
    assert!((3..=12).contains(&recent), "{recent}");
}

#[test]
fn the_wall_clock_may_jump() {
    let (mut b, loops) = plant();
    b.devices.truncate(2);
    let mut bench = Bench::new(
        b,
        loops.into_iter().take(2).collect(),
        Duration::from_secs(10),
    );
    bench.run_until(100_000);
    bench.offset_us -= 3_600_000_000;
    bench.run_until(200_000);
    bench.offset_us += 7_200_000_000;
    bench.run_until(300_000);
    let rows = bench.of("PT-000");
    assert!(rows.len() >= 28);
    assert!(rows.windows(2).all(|w| w[0].time < w[1].time));
}

#[test]
fn out_of_reach_is_a_row_a_period() {
    let (mut b, loops) = plant();
    b.devices.truncate(2);
    let mut bench = Bench::new(
        b,
        loops.into_iter().take(2).collect(),
        Duration::from_secs(10),
    );
    bench.run_until(60_000);
    let now = bench.moment();
    bench.flights.clear();
    bench.poller.closed(now);
    let before = bench.of("PT-001").len();
    bench.run_until(160_000);
    let rows = &bench.of("PT-001")[before..];
    assert!((9..=11).contains(&rows.len()), "{}", rows.len());
    assert!(
        rows.iter()
            .all(|r| r.response_code.is_none() && r.pv.is_nan())
    );
    bench.poller.opened(bench.moment());
    bench.run_until(200_000);
    assert!(
        bench
            .of("PT-001")
            .last()
            .is_some_and(|r| r.response_code == Some(0))
    );
}
