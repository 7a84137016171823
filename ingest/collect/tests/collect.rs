//! The collector against a small gateway of its own kind of bad days.

#[allow(
    dead_code,
    unused_imports,
    reason = "shared with the collector's other tests"
)]
mod common;

use common::*;
use ingest_collect::*;
use ingest_model::{Range, Tag, Transfer};
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
    vec![known("FT-1", "kPa", None), known("PT-2", "bar", Some(2))]
}

fn good(rows: &[ingest_model::Reading]) -> usize {
    rows.iter()
        .filter(|r| r.response_code == Some(0) && !r.pv.is_nan())
        .count()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn normal_polling_fills_every_column() {
    let (address, shared) = gateway(two()).await;
    let m = modbus().await;
    let mut analog = AnalogConfig::new(
        "AI-1",
        &m.to_string(),
        vec![AnalogPoint::new(
            Tag::new("FT-1").unwrap(),
            1,
            Table::Input,
            4,
            0.0,
            16_000.0,
        )],
    );
    analog.poll_every = Duration::from_millis(20);
    let site = Site::start(address, registered(), vec![analog]);
    site.until("10 good rows each with analog", |s| {
        let f = s.rows.of("FT-1");
        good(&f) >= 10
            && good(&s.rows.of("PT-2")) >= 10
            && f.last().is_some_and(|r| !r.analog_ma.is_nan())
    })
    .await;
    let f = site.rows.of("FT-1");
    let last = f.last().unwrap();
    // 2.5 bar in a loop registered in kPa; register 4 holds 4000 of 16,000: 8 mA.
    assert!(
        (last.pv - 250.0).abs() < 1e-9
            && last.reported_ma == 8.0
            && last.sv == 21.25
            && last.tv.is_nan()
    );
    assert_eq!(
        (last.response_code, last.device_status),
        (Some(0), Some(0x40))
    );
    assert!((last.analog_ma - 8.0).abs() < 1e-9);
    let apart = last.time.seconds_since(last.analog_time.unwrap()).abs();
    assert!(apart <= 0.1, "{apart}");
    assert!(f.windows(2).all(|w| w[0].time < w[1].time));
    assert!(
        f.iter()
            .any(|r| r.exchanges.is_some_and(|n| n > 0) && r.comm_errors == Some(0))
    );
    assert!(f.iter().any(|r| r.config_changes == Some(21)));
    // Undefined bits of the extended status are masked (0xD0 in command 48, 0x01 in command 0).
    assert!(f.iter().any(|r| r.extended_status.is_some()));
    assert!(
        f.iter()
            .filter_map(|r| r.extended_status)
            .all(|b| b == 0x01 || b == 0x10)
    );
    let s = site.status();
    assert!(
        s.connected && s.sessions == 1 && s.devices == 2 && s.master == Some("secondary"),
        "{s:?}"
    );
    assert!(
        (s.planned_per_s - 20.0).abs() < 1e-9 && s.achieved_per_s > 5.0,
        "{s:?}"
    );
    assert_eq!(s.failures, Failures::default());
    site.collector.stop().await;
    let b = shared.lock().unwrap();
    assert_eq!((b.sessions, b.closes), (1, 1), "the session was closed");
    // Nothing but reads was ever sent.
    let reads = [0, 3, 7, 13, 15, 20, 48, 74, 77, 84, 85, 86];
    assert!(
        b.commands.len() > 30 && b.commands.iter().all(|c| reads.contains(c)),
        "{:?}",
        b.commands
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn unknown_devices_introduce_themselves() {
    let mut old = Sim::new(2, 0x000003, "", 1.0, 5.6);
    old.revision = 5;
    // PT-1001A in packed ASCII.
    old.packed_tag = [0x41, 0x4B, 0x71, 0xC3, 0x0C, 0x41];
    let mut nameless = Sim::new(3, 0x000004, "", 1.0, 4.0);
    nameless.parked = true;
    let twin = Sim::new(4, 0x000005, "FT-1", 9.0, 18.4);
    let mut b = two();
    b.devices.extend([old, nameless, twin]);
    let (address, _shared) = gateway(b).await;
    // FT-1 belongs to device 1; device 2 is not in the register at all.
    let mut site = Site::start(address, vec![known("FT-1", "bar", Some(1))], vec![]);
    let mut found = site.collector.take_discovered().unwrap();
    let mut all = std::collections::BTreeMap::new();
    while all.len() < 5 {
        let d = tokio::time::timeout(Duration::from_secs(10), found.recv())
            .await
            .expect("in time")
            .unwrap();
        all.insert(d.device.device_id, d);
    }
    let tags: Vec<_> = all.values().map(|d| (d.tag.as_str(), d.known)).collect();
    assert_eq!(
        tags,
        [
            ("FT-1", true),
            ("PT-2", false),
            ("PT-1001A", false),
            ("GW-1/0/3/0", false),
            ("FT-1~000005", false)
        ]
    );
    assert_eq!(all[&5].duplicate_of.as_ref().map(Tag::as_str), Some("FT-1"));
    assert!(
        site.status()
            .last_error
            .is_some_and(|e| e.contains("FT-1~000005"))
    );
    let e = all[&2].to_entry().unwrap();
    assert_eq!(
        e.range,
        Range {
            lrv: 0.0,
            urv: 10.0,
            transfer: Transfer::Linear
        }
    );
    assert_eq!(
        (e.pv_unit.as_str(), e.damping_s, e.confirmed),
        ("bar", Some(0.5), false)
    );
    assert_eq!(
        (e.device_id, e.device_type, e.gateway.as_deref()),
        (Some(2), Some(0x6A31), Some("GW-1"))
    );
    assert_eq!(all[&4].parked, Some(true));
    assert!(all[&4].to_entry().unwrap().multidrop);
    // Loops that nobody enters are polled all the same after a while, in the device's own unit.
    site.until("rows of the twin", |s| good(&s.rows.of("FT-1~000005")) >= 2)
        .await;
    assert_eq!(site.rows.of("FT-1~000005").last().unwrap().pv, 9.0);
    assert!(
        site.rows
            .of("FT-1")
            .iter()
            .all(|r| r.pv.is_nan() || r.pv == 2.5),
        "one tag never mixes devices"
    );
    site.collector.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn silence_of_a_device_is_rows_without_values() {
    let mut b = two();
    b.devices[0].silent = true;
    b.no_statistics = true;
    let (address, shared) = gateway(b).await;
    let site = Site::start(address, registered(), vec![]);
    site.until("rows", |s| {
        s.rows.of("FT-1").len() >= 3 && good(&s.rows.of("PT-2")) >= 3
    })
    .await;
    let silent = site.rows.of("FT-1");
    assert!(
        silent
            .iter()
            .all(|r| r.response_code.is_none() && r.pv.is_nan() && r.reported_ma.is_nan())
    );
    // Without 86 and 85 the tally is our own: all tries failed.
    let last = silent.last().unwrap();
    assert!(
        last.exchanges.is_some_and(|n| n > 0) && last.exchanges == last.comm_errors,
        "{last:?}"
    );
    let s = site.status();
    assert!(
        s.failures.no_reply >= 2 && s.failures.timeouts >= 2 && s.connected,
        "{s:?}"
    );
    shared.lock().unwrap().devices[0].silent = false;
    site.until("it comes back", |s| good(&s.rows.of("FT-1")) >= 3)
        .await;
    site.collector.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn answers_in_pieces_and_bursts_between_them() {
    let mut b = two();
    (b.pieces, b.bursts) = (7, true);
    let (address, shared) = gateway(b).await;
    let site = Site::start(address, registered(), vec![]);
    // The bursts of FT-1 carry 3.5 bar: they are readings, in the register's unit.
    site.until("rows", |s| {
        s.rows.of("FT-1").iter().filter(|r| r.pv == 350.0).count() >= 3
            && good(&s.rows.of("PT-2")) >= 10
    })
    .await;
    // PT-2 is asked as before; FT-1, which is heard often enough, hardly ever.
    let (asked, other) = {
        let b = shared.lock().unwrap();
        (b.polls.get(&1).copied().unwrap_or(0), b.polls[&2])
    };
    assert!(asked * 3 <= other, "{asked} of {other}");
    assert!(
        site.rows
            .of("FT-1")
            .iter()
            .all(|r| r.pv.is_nan() || r.pv == 250.0 || (r.pv == 350.0 && r.reported_ma > 9.5))
    );
    assert!(
        site.rows
            .of("PT-2")
            .iter()
            .all(|r| r.pv.is_nan() || r.pv == 5.0)
    );
    assert_eq!(site.status().failures.bad_frames, 0);
    site.collector.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn late_answers_are_stored_nowhere() {
    let (address, shared) = gateway(two()).await;
    let site = Site::start(address, registered(), vec![]);
    site.until("rows", |s| good(&s.rows.of("PT-2")) >= 2).await;
    {
        let mut b = shared.lock().unwrap();
        b.delay = Duration::from_millis(220);
        // Values that may only come with a late answer.
        b.devices[0].pv = 7.7;
        b.devices[1].pv = 7.7;
    }
    site.until("late answers", |s| s.status().failures.late_answers >= 3)
        .await;
    site.until("no reply", |s| s.status().failures.no_reply >= 2)
        .await;
    for tag in ["FT-1", "PT-2"] {
        assert!(
            site.rows
                .of(tag)
                .iter()
                .all(|r| r.pv.is_nan() || (r.pv != 770.0 && r.pv != 7.7))
        );
    }
    site.collector.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn refused_then_silent_to_a_secondary_then_garbage_then_cut() {
    let mut b = two();
    b.initiate_status = vec![15];
    let (address, shared) = gateway(b).await;
    let site = Site::start(address, registered(), vec![]);
    site.until("the refusal", |s| s.status().failures.refused == 1)
        .await;
    assert!(
        site.status()
            .last_error
            .is_some_and(|e| e.contains("15") && e.contains("in use"))
    );
    shared.lock().unwrap().ignore_secondary = true;
    site.until("a session as primary", |s| {
        s.status().master == Some("primary")
    })
    .await;
    assert!(shared.lock().unwrap().masters.ends_with(&[0, 1]));
    site.until("rows", |s| good(&s.rows.of("FT-1")) >= 2).await;
    // While the gateway was out of reach each registered loop still got its rows.
    assert!(
        site.rows
            .of("FT-1")
            .iter()
            .any(|r| r.response_code.is_none())
    );
    shared.lock().unwrap().garbage = b"HTTP/1.1 400 Bad Request\r\n".to_vec();
    site.until("garbage", |s| s.status().failures.bad_frames >= 1)
        .await;
    site.until("again", |s| s.status().connected).await;
    shared.lock().unwrap().cut = true;
    site.until("the cut", |s| s.status().failures.disconnects >= 1)
        .await;
    let before = site.rows.of("PT-2").len();
    site.until("again", |s| {
        s.status().connected && s.rows.of("PT-2").len() > before + 3
    })
    .await;
    // A gateway that hangs: noticed, left, found again.
    shared.lock().unwrap().dead = true;
    site.until("hanging", |s| !s.status().connected).await;
    shared.lock().unwrap().dead = false;
    site.until("again", |s| s.status().connected).await;
    site.collector.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn busy_is_no_failure_and_a_communication_error_is_one() {
    let mut b = two();
    b.devices[0].busy = 1;
    b.devices[1].code3 = 0x88;
    let (address, _shared) = gateway(b).await;
    let site = Site::start(address, registered(), vec![]);
    site.until("rows", |s| {
        good(&s.rows.of("FT-1")) >= 3 && s.rows.of("PT-2").len() >= 3
    })
    .await;
    assert!(
        site.rows
            .of("FT-1")
            .iter()
            .all(|r| r.response_code == Some(0))
    );
    for r in site.rows.of("PT-2") {
        assert_eq!((r.response_code, r.device_status), (Some(0x88), None));
        assert!(r.pv.is_nan());
    }
    assert!(site.status().failures.comm_errors >= 3);
    site.collector.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_changed_device_list_is_read_again() {
    let (address, shared) = gateway(two()).await;
    let mut site = Site::start(address, registered(), vec![]);
    let mut found = site.collector.take_discovered().unwrap();
    site.until("rows", |s| good(&s.rows.of("PT-2")) >= 2).await;
    {
        let mut b = shared.lock().unwrap();
        b.devices.push(Sim::new(5, 0x000009, "TT-9", 1.0, 5.0));
        b.config_changes += 1;
        // A new connection reads the list at once; without one it is read within a minute.
        b.cut = true;
    }
    loop {
        let d = tokio::time::timeout(Duration::from_secs(10), found.recv())
            .await
            .expect("in time")
            .unwrap();
        if d.tag.as_str() == "TT-9" {
            break;
        }
    }
    // The device of PT-2 is exchanged: the newcomer does not get its rows.
    let before = {
        let mut b = shared.lock().unwrap();
        b.devices[1].id = 0x00000A;
        b.devices[1].pv = 6.6;
        b.cut = true;
        site.rows.of("PT-2").len()
    };
    loop {
        let d = tokio::time::timeout(Duration::from_secs(10), found.recv())
            .await
            .expect("in time")
            .unwrap();
        if d.device.device_id == 0x0A {
            assert_eq!((d.tag.as_str(), d.known), ("PT-2~00000A", false));
            break;
        }
    }
    site.until("no reply from the old one", |s| {
        let r = s.rows.of("PT-2");
        r.len() > before + 2 && r.last().is_some_and(|r| r.response_code.is_none())
    })
    .await;
    assert!(site.rows.of("PT-2").iter().all(|r| r.pv != 6.6));
    site.collector.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_failing_sink_loses_nothing() {
    let (address, _shared) = gateway(two()).await;
    let site = Site::start(address, registered(), vec![]);
    *site.rows.refuse.lock().unwrap() = 2;
    site.until("rows", |s| good(&s.rows.of("PT-2")) >= 20).await;
    let rows = site.rows.of("PT-2");
    // Rows every 100 ms from the first on, none missing in the middle.
    let widest = rows
        .windows(2)
        .map(|w| w[1].time.seconds_since(w[0].time))
        .fold(0.0, f64::max);
    assert!(widest < 0.45, "{widest}");
    assert_eq!(site.status().readings_lost, 0);
    site.collector.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_at_the_address() {
    // A port that was free a moment ago.
    let address = std::net::TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap();
    let site = Site::start(address, registered(), vec![]);
    site.until("rows", |s| s.rows.of("FT-1").len() >= 3).await;
    assert!(
        site.rows
            .of("FT-1")
            .iter()
            .all(|r| r.response_code.is_none() && r.exchanges.is_none())
    );
    let s = site.status();
    assert!(
        !s.connected && s.failures.disconnects >= 1 && s.last_error.is_some(),
        "{s:?}"
    );
    site.stop.cancel();
    site.collector.stop().await;
}
