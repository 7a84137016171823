//! The poller alone, against the same small gateway, on a clock that the test turns: hours in milliseconds.

#[allow(
    dead_code,
    reason = "this test needs the gateway's answers, not its sockets"
)]
mod common;

use common::*;
use ingest_collect::poller::{Claims, Moment, Poller};
use ingest_collect::*;
use ingest_hart::session::Failure;
use ingest_hart::{Master, Request};
use ingest_model::{Reading, Tag, UtcMicros};
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use std::time::Duration;

/// A request on its way: when it is over, and how.
struct Flight {
    over_ms: u64,
    token: u64,
    answer: Option<Vec<u8>>,
}

struct Bench {
    poller: Poller,
    gateway: Behaviour,
    now: u64,
    /// Wall clock against the monotonic one.
    offset_us: i64,
    flights: Vec<Flight>,
    rows: HashMap<Tag, Vec<Reading>>,
    found: BTreeMap<u32, (u64, Discovered)>,
    most_in_flight: usize,
}

/// Command 3 with a prompt answer and link grant at 1200 bit/s.
const EXCHANGE_MS: u64 = 568;

impl Bench {
    fn new(gateway: Behaviour, loops: Vec<KnownLoop>, poll_every: Duration) -> Self {
        let mut config = GatewayConfig::new("GW-1", "-");
        config.poll_every = poll_every;
        config.retries = 1;
        let directory = Arc::new(StaticDirectory::new(loops));
        let mut poller = Poller::new(
            config,
            directory,
            Arc::new(Claims::default()),
            Arc::default(),
            0,
        );
        poller.opened(Moment {
            ms: 0,
            wall: UtcMicros(0),
        });
        Self {
            poller,
            gateway,
            now: 0,
            offset_us: 1_700_000_000_000_000,
            flights: Vec::new(),
            rows: HashMap::new(),
            found: BTreeMap::new(),
            most_in_flight: 0,
        }
    }

    fn moment(&self) -> Moment {
        Moment {
            ms: self.now,
            wall: UtcMicros(self.offset_us + self.now as i64 * 1_000),
        }
    }

    fn run_until(&mut self, end_ms: u64) {
        while self.now < end_ms {
            let now = self.moment();
            self.poller.tick(now);
            while self.flights.len() < 8
                && let Some((token, request)) = self.poller.next_request(now)
            {
                let mut bytes = [0; 64];
                let n = request.encode(Master::Primary, &mut bytes).unwrap();
                let answer = self.gateway.answer(&bytes[..n]);
                let took = match (&answer, request) {
                    (None, _) => 2_000,
                    (_, Request::Through { .. }) => EXCHANGE_MS,
                    _ => 5,
                };
                self.flights.push(Flight {
                    over_ms: self.now + took,
                    token,
                    answer,
                });
            }
            self.most_in_flight = self.most_in_flight.max(self.flights.len());
            for (tag, row) in self.poller.take_readings() {
                self.rows.entry(tag).or_default().push(row);
            }
            while let Some(d) = self.poller.take_discovered() {
                self.found.insert(d.device.device_id, (self.now, d));
            }
            let next = self
                .flights
                .iter()
                .map(|f| f.over_ms)
                .min()
                .unwrap_or(u64::MAX);
            self.now = next.min(self.poller.next_wake_ms(now)).max(self.now + 1);
            let over: Vec<Flight> = {
                let (over, rest) = self.flights.drain(..).partition(|f| f.over_ms <= self.now);
                self.flights = rest;
                over
            };
            for f in over {
                match f.answer {
                    Some(bytes) => self.poller.answered(f.token, &bytes, self.moment()),
                    None => self.poller.failed(f.token, Failure::Timeout, self.moment()),
                }
            }
        }
    }

    fn of(&self, tag: &str) -> &[Reading] {
        self.rows
            .get(&Tag::new(tag).unwrap())
            .map_or(&[], Vec::as_slice)
    }
}

/// Four cards (a modem each) of twelve devices.
fn plant() -> (Behaviour, Vec<KnownLoop>) {
    let mut b = Behaviour::default();
    let mut loops = Vec::new();
    for n in 0..48u8 {
        let name: &'static str = Box::leak(format!("PT-{n:03}").into_boxed_str());
        let mut s = Sim::new(n % 12, u32::from(n) + 1, name, 2.5, 8.0);
        s.card = n / 12;
        b.devices.push(s);
        loops.push(known(name, "bar", None));
    }
    (b, loops)
}

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
