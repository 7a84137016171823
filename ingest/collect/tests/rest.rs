//! The slow reads in turn, what the site opens, and devices that publish over the air: the poller on a clock that the test
//! turns.

#[allow(
    dead_code,
    unused_imports,
    reason = "shared with the collector's other tests"
)]
mod common;

use common::bench::Bench;
use common::*;
use ingest_collect::{GatewayConfig, OptIn, StaticDirectory};
use ingest_hart::answer::{DeviceStatistics, DeviceVariables, VariableInformation};
use ingest_model::Tag;
use std::sync::Arc;
use std::time::Duration;

/// One device, with these reads opened.
fn one(opened: &[u16], change: impl FnOnce(&mut Sim)) -> Bench {
    let mut sim = Sim::new(0, 1, "PT-1", 2.5, 8.0);
    change(&mut sim);
    let b = Behaviour {
        devices: vec![sim],
        ..Behaviour::default()
    };
    let mut config = GatewayConfig::new("GW-1", "-");
    config.poll_every = Duration::from_secs(30);
    config.opt_in = OptIn::new(opened).unwrap();
    let loops = vec![known("PT-1", "bar", Some(1))];
    Bench::with_directory(b, config, Arc::new(StaticDirectory::new(loops)))
}

fn times(bench: &Bench, command: u8) -> usize {
    let all = bench.gateway.executed.get(&1);
    all.map_or(0, |c| c.iter().filter(|n| **n == command).count())
}

#[test]
fn limits_further_variables_and_own_statistics_are_read_and_kept() {
    let mut bench = one(&[], |d| d.tells_all = true);
    bench.run_until(3_600_000);
    let sheet = bench.sheets.of_tag(&Tag::new("PT-1").unwrap()).unwrap();
    assert_eq!((&*sheet.gateway, sheet.universal_revision), ("GW-1", 7));
    // 50 says that 0 and 1 are PV and SV: their limits, damping, serial number.
    let of_54: Vec<_> = sheet.answers().filter(|a| a.command == 54).collect();
    assert_eq!(
        of_54.iter().map(|a| a.request[0]).collect::<Vec<_>>(),
        [0, 1]
    );
    let i = VariableInformation::decode(of_54[0].data).unwrap();
    assert_eq!(
        (
            i.serial,
            i.upper_limit.value(),
            i.damping_s.and_then(|d| d.value())
        ),
        (0x01_2345, Some(25.0), Some(0.5))
    );
    // Command 0 says that variables go up to code 4: 2, 3 and 4 are none of PV and SV.
    let of_33 = sheet.newest(33).unwrap();
    assert_eq!(*of_33.request, [2, 3, 4]);
    let first = DeviceVariables::decode(of_33.data)
        .unwrap()
        .slots()
        .next()
        .unwrap();
    assert_eq!(
        (first.0, first.1.unit, first.1.value.value()),
        (2, 58, Some(18.5))
    );
    let s = DeviceStatistics::decode(sheet.newest(95).unwrap().data).unwrap();
    assert_eq!((s.received, s.answered), (1_200, 1_198));
    // The slow plan's own reads are there too, and the gateway's.
    assert!(sheet.newest(15).is_some() && sheet.newest(48).is_some());
    // What it does not know (64) was asked once.
    assert_eq!((times(&bench, 12), times(&bench, 31)), (1, 3));
    // A round has few reads, and none of them disturbed the fast one.
    assert!(bench.of("PT-1").len() >= 116);
    assert_eq!(
        bench.poller.status.failures,
        ingest_collect::Failures::default()
    );
    let s = bench.poller.snapshot(bench.moment());
    assert!(
        (s.modems[0].planned_load - s.modems[0].achieved_load).abs() < 0.01,
        "{s:?}"
    );
    // One modem: its pace is the gateway's, and its loop tells where the register names it.
    assert_eq!(s.modems[0].planned_per_s, s.planned_per_s);
    assert_eq!(s.modems[0].achieved_per_s, s.achieved_per_s);
    assert_eq!(s.modems[0].tag.as_ref().map(Tag::as_str), Some("PT-1"));
}

#[test]
fn opened_reads_are_asked_and_others_not() {
    let mut shut = one(&[], |d| d.tells_all = true);
    shut.run_until(3_600_000);
    assert_eq!(times(&shut, 76), 0);
    let mut bench = one(&[76, 105], |d| d.tells_all = true);
    bench.run_until(3_600_000);
    let sheet = bench.sheets.of_tag(&Tag::new("PT-1").unwrap()).unwrap();
    assert_eq!(sheet.newest(76).map(|a| a.data.to_vec()), Some(vec![1]));
    assert!(times(&bench, 76) >= 1);
    assert_eq!(times(&bench, 105), 1);
    // A search of empty channels goes one at a time.
    let mut searching = one(&[75], |_| ());
    searching.run_until(3_600_000);
    let asked = searching
        .gateway
        .commands
        .iter()
        .filter(|c| **c == 75)
        .count();
    assert!((4..=7).contains(&asked), "{asked}");
}

#[test]
fn a_device_without_3_and_9_is_read_with_33() {
    let mut bench = one(&[], |d| (d.tells_all, d.no_3) = (true, true));
    bench.run_until(600_000);
    let rows = bench.of("PT-1");
    assert!(rows.len() >= 18);
    assert!(
        rows.iter()
            .all(|r| (r.response_code, r.pv, r.reported_ma) == (Some(0), 2.5, 8.0))
    );
    assert_eq!(times(&bench, 3), 1);
}

/// Runs with a burst message every `every_ms`.
fn bursting(bench: &mut Bench, until_ms: u64, every_ms: u64) {
    while bench.now < until_ms {
        let next = bench.now + every_ms;
        bench.run_until(next);
        let now = bench.moment();
        bench.poller.published(&burst(1), now);
    }
    let end = bench.now;
    bench.run_until(end + 1);
}

#[test]
fn a_wireless_device_is_not_asked_while_it_keeps_its_own_period() {
    // Profile 129: wireless process device. It publishes every two minutes, the plan asks every 30 s.
    let mut bench = one(&[], |d| d.profile = 129);
    bench.run_until(60_000);
    bursting(&mut bench, 3_660_000, 120_000);
    let asked = times(&bench, 3);
    assert!(asked <= 6, "{asked}");
    let published = bench.of("PT-1").iter().filter(|r| r.pv == 3.5).count();
    assert!((29..=31).contains(&published), "{published}");
    let s = bench.poller.snapshot(bench.moment());
    // Never late for its own period, and planned at its own pace.
    assert_eq!(s.late_s, 0.0);
    assert!((s.planned_per_s - 1.0 / 120.0).abs() < 1e-9, "{s:?}");
    // Silent: asked after one and a half of its periods.
    let end = bench.now;
    bench.run_until(end + 150_000);
    assert_eq!(times(&bench, 3), asked);
    bench.run_until(end + 250_000);
    assert!(times(&bench, 3) > asked);
}
