//! Which commands are asked of whom, and what becomes of burst messages: the poller on a clock that the test turns.

#[allow(
    dead_code,
    unused_imports,
    reason = "shared with the collector's other tests"
)]
mod common;

use common::bench::{Bench, plant};
use common::*;
use ingest_model::Reading;
use std::time::Duration;

/// One device behind its own modem, polled every 30 s.
fn one(change: impl FnOnce(&mut Sim)) -> Bench {
    let mut sim = Sim::new(0, 1, "PT-1", 2.5, 8.0);
    change(&mut sim);
    let b = Behaviour {
        devices: vec![sim],
        ..Behaviour::default()
    };
    Bench::new(
        b,
        vec![known("PT-1", "bar", Some(1))],
        Duration::from_secs(30),
    )
}

fn times(bench: &Bench, command: u8) -> usize {
    let all = bench.gateway.executed.get(&1);
    all.map_or(0, |c| c.iter().filter(|n| **n == command).count())
}

fn whole(r: &Reading) -> bool {
    r.response_code == Some(0) && r.pv == 2.5 && r.reported_ma == 8.0
}

#[test]
fn nine_is_the_fast_read_where_it_is_done_well() {
    let mut bench = one(|d| (d.nine, d.pv_status) = (Nine::Well, 0x50));
    bench.run_until(1_800_000);
    let rows = bench.of("PT-1");
    assert!(rows.len() >= 58 && rows.iter().all(whole), "{rows:?}");
    // The first answer, to 3, told which variables there are; from then on 9 and never both.
    assert_eq!(times(&bench, 3), 1);
    assert_eq!(times(&bench, 9) + 1, rows.len());
    assert!(
        rows[1..]
            .iter()
            .all(|r| (r.pv_status, r.extended_status) == (Some(0x50), Some(0x01)) && r.sv == 21.25)
    );
}

#[test]
fn three_is_kept_where_nine_is_not_done_well() {
    for (nine, asked) in [(Nine::No, 1), (Nine::WithoutCurrent, 1), (Nine::Silent, 2)] {
        let mut bench = one(|d| d.nine = nine);
        bench.run_until(1_800_000);
        let rows = bench.of("PT-1");
        // A trial is no row of its own, and its failure no failed poll.
        assert!(
            rows.len() >= 58 && rows.iter().all(whole),
            "{nine:?}: {rows:?}"
        );
        assert_eq!(times(&bench, 9), asked, "{nine:?}");
        assert_eq!(bench.poller.status.failures.no_reply, 0, "{nine:?}");
        assert!(rows.iter().all(|r| r.pv_status.is_none()));
    }
    // Revision 5 has no command 9.
    let mut bench = one(|d| (d.nine, d.revision) = (Nine::Well, 5));
    bench.run_until(600_000);
    assert_eq!(times(&bench, 9), 0);
}

#[test]
fn nine_needs_room_on_the_modem() {
    let (mut b, loops) = plant();
    for d in &mut b.devices {
        d.nine = Nine::Well;
    }
    // Twelve devices on a modem: 9 fits every 30 s; every 10 s only 3 does.
    for (every_s, nine) in [(30, true), (10, false)] {
        let mut bench = Bench::new(b.clone(), loops.clone(), Duration::from_secs(every_s));
        bench.run_until(300_000);
        assert_eq!(times(&bench, 9) > 0, nine, "{every_s} s");
    }
}

#[test]
fn a_new_firmware_is_tried_again() {
    let mut bench = one(|d| d.no_20 = true);
    bench.run_until(3_600_000);
    // Not implemented: remembered, asked once.
    assert_eq!((times(&bench, 9), times(&bench, 20)), (1, 1));
    assert!(times(&bench, 15) >= 6);
    let d = &mut bench.gateway.devices[0];
    (d.nine, d.no_20, d.software) = (Nine::Well, false, 4);
    bench.run_until(5_400_000);
    assert!(times(&bench, 9) > 50 && times(&bench, 20) >= 3);
    assert!(
        bench
            .of("PT-1")
            .last()
            .is_some_and(|r| r.pv_status == Some(0xC0))
    );
}

#[test]
fn a_device_that_forgets_nine_is_asked_with_three() {
    let mut bench = one(|d| d.nine = Nine::Well);
    bench.run_until(300_000);
    // It still knows 3, but says nothing at all to 9.
    bench.gateway.devices[0].nine = Nine::Silent;
    bench.run_until(900_000);
    let rows = bench.of("PT-1");
    assert!(rows.iter().rev().take(10).all(whole), "{rows:?}");
    let lost = rows.iter().filter(|r| r.response_code.is_none()).count();
    assert!(lost <= 2, "{lost}");
}

#[test]
fn statistics_of_86_else_of_85_else_our_own() {
    let counts = |bench: &Bench| -> Vec<(u32, u32)> {
        let rows = bench.of("PT-1").iter();
        rows.filter_map(|r| Some((r.exchanges?, r.comm_errors?)))
            .collect()
    };
    let asked = |bench: &Bench, command| {
        bench
            .gateway
            .commands
            .iter()
            .filter(|c| **c == command)
            .count()
    };
    let mut bench = one(|_| ());
    bench.gateway.only_85 = true;
    bench.run_until(1_800_000);
    assert_eq!(asked(&bench, 86), 1, "not implemented is remembered");
    assert!((5..=8).contains(&asked(&bench, 85)));
    let all = counts(&bench);
    assert!(
        all.len() >= 5 && all.iter().all(|c| *c == (1000, 10)),
        "{all:?}"
    );

    let mut bench = one(|_| ());
    bench.gateway.no_statistics = true;
    bench.run_until(1_800_000);
    assert_eq!((asked(&bench, 86), asked(&bench, 85)), (1, 1));
    let all = counts(&bench);
    assert!(
        all.len() >= 58 && all.windows(2).all(|w| w[0].0 < w[1].0),
        "{all:?}"
    );
}

#[test]
fn configuration_of_a_device_that_counts_no_changes() {
    let run = |damping_s: f32| {
        let mut bench = one(|d| (d.revision, d.damping_s) = (5, damping_s));
        bench.run_until(1_300_000);
        bench
    };
    let steps = |rows: &[Reading]| -> Vec<u16> {
        let mut all: Vec<u16> = rows.iter().filter_map(|r| r.config_changes).collect();
        all.dedup();
        all
    };
    let mut bench = run(0.5);
    let before = steps(bench.of("PT-1"));
    assert_eq!(
        before.len(),
        1,
        "a constant configuration is a constant number"
    );
    // Another damping: one step, within the period of the slow reads.
    bench.gateway.devices[0].damping_s = 4.0;
    bench.run_until(2_600_000);
    let after = steps(bench.of("PT-1"));
    assert_eq!(after.len(), 2, "{after:?}");
    // A collector that starts anew sees the same numbers, so a restart is no change.
    assert_eq!(steps(run(0.5).of("PT-1")), before);
    assert_eq!(steps(run(4.0).of("PT-1")), after[1..]);
    // The configuration-changed bit, where it rises, brings the reads forward.
    let mut bench = one(|d| (d.revision, d.status) = (5, 0));
    bench.run_until(1_300_000);
    let d = &mut bench.gateway.devices[0];
    (d.damping_s, d.status) = (4.0, 0x40);
    bench.run_until(1_300_000 + 90_000);
    assert_eq!(steps(bench.of("PT-1")).len(), 2);
    // A device with a counter of its own is left with it.
    let mut bench = one(|_| ());
    bench.run_until(1_300_000);
    assert_eq!(steps(bench.of("PT-1")), [21]);
    // With a counter 50 is one of the slow reads in turn, and no part of the configuration.
    assert!(times(&bench, 50) <= 2);
}

/// Runs with a burst message every `every_ms`.
fn bursting(bench: &mut Bench, until_ms: u64, every_ms: u64, message: &[u8]) {
    while bench.now < until_ms {
        let next = bench.now + every_ms;
        bench.run_until(next);
        let now = bench.moment();
        bench.poller.published(message, now);
    }
    let end = bench.now;
    bench.run_until(end + 1);
}

#[test]
fn a_device_that_publishes_fast_is_not_asked_meanwhile() {
    for message in [burst(1), wrapped_burst(0, 0, 1)] {
        let mut bench = one(|_| ());
        bench.run_until(100_000);
        let asked = times(&bench, 3);
        bursting(&mut bench, 1_300_000, 8_000, &message);
        // 20 min: 150 messages, thinned to one or two a poll period, with their own times; a poll or two at the start.
        assert!(
            times(&bench, 3) <= asked + 2,
            "{} then {}",
            asked,
            times(&bench, 3)
        );
        let published: Vec<Reading> = bench
            .of("PT-1")
            .iter()
            .filter(|r| r.pv == 3.5)
            .copied()
            .collect();
        assert!((40..=80).contains(&published.len()), "{}", published.len());
        assert!(
            published
                .iter()
                .all(|r| { (r.reported_ma - 9.6).abs() < 1e-6 && r.response_code == Some(0) })
        );
        assert!(
            published
                .windows(2)
                .all(|w| w[1].time.seconds_since(w[0].time) >= 15.0)
        );
        // They stop: the poll is back within a period and a half.
        let end = bench.now;
        bench.run_until(end + 50_000);
        assert!(bench.of("PT-1").last().is_some_and(whole));
    }
    // Slower than the plan: asked as before.
    let mut bench = one(|_| ());
    bench.run_until(100_000);
    let asked = times(&bench, 3);
    bursting(&mut bench, 1_300_000, 45_000, &burst(1));
    assert!(times(&bench, 3) >= asked + 38);
    assert!(bench.of("PT-1").iter().filter(|r| r.pv == 3.5).count() >= 25);
}

#[test]
fn halves_are_readings_too_and_spare_no_poll() {
    let mut bench = one(|_| ());
    bench.run_until(100_000);
    let asked = times(&bench, 3);
    let pv = burst_of(1, 1, &[&[7], &3.5f32.to_be_bytes()[..]].concat());
    bursting(&mut bench, 400_000, 20_000, &pv);
    let ma = [9.6f32.to_be_bytes(), 35f32.to_be_bytes()].concat();
    bursting(&mut bench, 700_000, 20_000, &burst_of(1, 2, &ma));
    assert!(times(&bench, 3) >= asked + 18);
    let rows = bench.of("PT-1");
    assert!(rows.iter().any(|r| r.pv == 3.5 && r.reported_ma.is_nan()));
    assert!(rows.iter().any(|r| r.pv.is_nan() && r.reported_ma > 9.5));
}

#[test]
fn published_slots_by_their_codes() {
    let slot = |code: u8, unit: u8, value: f32| -> Vec<u8> {
        [&[code, 0, unit], &value.to_be_bytes()[..], &[0xC0]].concat()
    };
    let mut bench = one(|_| ());
    bench.run_until(100_000);
    // The device's own codes: 50 is asked, then code 0 is the PV.
    let own = [vec![0x10], slot(0, 7, 3.5), slot(245, 39, 9.6)].concat();
    bursting(&mut bench, 300_000, 20_000, &burst_of(1, 9, &own));
    assert!(times(&bench, 50) >= 1);
    let last = bench.of("PT-1").last().copied().unwrap();
    assert_eq!(
        (last.pv, last.pv_status, last.extended_status),
        (3.5, Some(0xC0), Some(0x10))
    );
}

#[test]
fn a_captured_burst_message() {
    // `capture_publish_cmd9` of the vectors: kg/h in slot 0 (device variable 0), good; status 0x10, extended 0x01.
    let text = include_str!("../../../tests/vectors/hart-frames.json");
    let all: serde_json::Value = serde_json::from_str(text).unwrap();
    let vector = all
        .as_array()
        .unwrap()
        .iter()
        .find(|v| v["name"] == "capture_publish_cmd9");
    let hex = vector.unwrap()["hex"].as_str().unwrap();
    let bytes: Vec<u8> = (0..hex.len() / 2)
        .map(|i| u8::from_str_radix(&hex[2 * i..2 * i + 2], 16).unwrap())
        .collect();
    // The device that the address 00FD 95266F belongs to, as far as 38 bits tell.
    let mut sim = Sim::new(0, 0x95266F, "FT-9", 1.0, 8.0);
    (sim.device_type, sim.unit) = (0x00FD, 75);
    let mut entry = known("FT-9", "kg/h", None);
    entry.device = Some(ingest_model::DeviceKey {
        device_type: 0x00FD,
        device_id: 0x95266F,
    });
    let b = Behaviour {
        devices: vec![sim],
        ..Behaviour::default()
    };
    let mut bench = Bench::new(b, vec![entry], Duration::from_secs(30));
    bench.run_until(100_000);
    bursting(&mut bench, 160_000, 20_000, &bytes[8..]);
    let published = bench
        .of("FT-9")
        .iter()
        .rfind(|r| r.pv_status.is_some())
        .unwrap();
    assert!((published.pv - 11_803.6).abs() < 0.1 && (published.sv - 83.98).abs() < 0.01);
    assert_eq!(
        (
            published.pv_status,
            published.device_status,
            published.extended_status
        ),
        (Some(0xC0), Some(0x10), Some(0x01))
    );
}

#[test]
fn burst_messages_of_nobody_and_nonsense() {
    let mut bench = one(|_| ());
    bench.run_until(100_000);
    let before = bench.of("PT-1").len();
    let now = bench.moment();
    // Another channel, another device, no frame, a short data field, a request, a communication error.
    let mut request = burst(1);
    request[0] = 0x82;
    let mut error = burst_of(1, 3, &[]);
    let n = error.len();
    (error[n - 3], error[n - 1]) = (0x88, error[n - 1] ^ 0x88);
    for message in [
        wrapped_burst(0, 5, 1),
        burst(8),
        vec![0x81, 1, 2],
        burst_of(1, 3, &[1]),
        burst_of(1, 77, &[0]),
        burst_of(1, 48, &[0; 6]),
        request,
        error,
        vec![],
    ] {
        bench.poller.published(&message, now);
    }
    assert!(bench.poller.take_readings().is_empty());
    bench.run_until(130_000);
    assert!(bench.of("PT-1")[before..].iter().all(whole));
    // Somebody who is not on the list: the list is read again.
    let listed = |b: &Bench| b.gateway.commands.iter().filter(|c| **c == 74).count();
    let (n, now) = (listed(&bench), bench.moment());
    bench.gateway.devices.push(Sim::new(1, 9, "TT-9", 1.0, 5.0));
    bench.poller.published(&burst(9), now);
    bench.run_until(now.ms + 60_000);
    assert!(listed(&bench) > n && bench.found.contains_key(&9));
    // Somebody who is not on the list then either calls for it once, not for ever.
    let n = listed(&bench);
    for _ in 0..20 {
        let (now, until) = (bench.moment(), bench.now + 60_000);
        bench.poller.published(&burst(10), now);
        bench.run_until(until);
    }
    assert_eq!(listed(&bench), n + 1);
    // Without a session nothing is taken.
    let now = bench.moment();
    bench.poller.closed(now);
    bench.poller.published(&burst(1), now);
    assert!(
        bench
            .poller
            .take_readings()
            .iter()
            .all(|(_, r)| r.pv.is_nan())
    );
}

#[test]
fn damaged_burst_messages_do_no_harm() {
    let mut bench = one(|_| ());
    bench.run_until(100_000);
    let now = bench.moment();
    for message in [burst(1), wrapped_burst(0, 0, 1), burst_of(1, 9, &[1; 37])] {
        for cut in 0..message.len() {
            bench.poller.published(&message[..cut], now);
            for flip in [0x01, 0x80, 0xFF] {
                let mut bad = message.clone();
                bad[cut] ^= flip;
                bench.poller.published(&bad, now);
                // The same with a check byte that fits.
                let n = bad.len() - 1;
                bad[n] = bad[..n].iter().fold(0, |x, b| x ^ b);
                bench.poller.published(&bad, now);
            }
        }
    }
    bench.run_until(200_000);
    assert!(bench.of("PT-1").last().is_some_and(whole));
}

#[test]
fn a_flood_of_burst_messages_is_thinned() {
    let mut bench = one(|_| ());
    bench.run_until(100_000);
    let before = bench.of("PT-1").len();
    // Ten a second, the device status going to and fro: at most one row a second.
    for n in 0..3_000u64 {
        let now = bench.now + 100;
        bench.run_until(now);
        let mut m = burst(1);
        let at = m.len() - 1;
        let status = 9;
        if n % 2 == 0 {
            m[status] ^= 0x02;
            m[at] ^= 0x02;
        }
        let now = bench.moment();
        bench.poller.published(&m, now);
    }
    let rows = bench.of("PT-1").len() - before;
    assert!((10..=310).contains(&rows), "{rows}");
}
