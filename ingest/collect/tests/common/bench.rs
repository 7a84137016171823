//! The poller alone, against the same small gateway, on a clock that the test turns: hours in milliseconds.

use super::{Behaviour, Sim, known};
use ingest_collect::poller::{Claims, Moment, Poller};
use ingest_collect::{
    Discovered, GatewayConfig, KnownLoop, LoopDirectory, SheetTable, StaticDirectory,
};
use ingest_hart::session::Failure;
use ingest_hart::{Master, Request};
use ingest_model::{Reading, Tag, UtcMicros};
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use std::time::Duration;

/// A request on its way: when it is over, and how.
pub(crate) struct Flight {
    pub(crate) over_ms: u64,
    pub(crate) token: u64,
    pub(crate) answer: Option<Vec<u8>>,
}

pub(crate) struct Bench {
    pub(crate) poller: Poller,
    pub(crate) gateway: Behaviour,
    pub(crate) now: u64,
    /// Wall clock against the monotonic one.
    pub(crate) offset_us: i64,
    pub(crate) flights: Vec<Flight>,
    pub(crate) rows: HashMap<Tag, Vec<Reading>>,
    pub(crate) found: BTreeMap<u32, (u64, Discovered)>,
    pub(crate) most_in_flight: usize,
    pub(crate) sheets: Arc<SheetTable>,
}

/// Command 3 with a prompt answer and link grant at 1200 bit/s.
pub(crate) const EXCHANGE_MS: u64 = 568;

impl Bench {
    pub(crate) fn new(gateway: Behaviour, loops: Vec<KnownLoop>, poll_every: Duration) -> Self {
        let mut config = GatewayConfig::new("GW-1", "-");
        config.poll_every = poll_every;
        config.retries = 1;
        Self::with_directory(gateway, config, Arc::new(StaticDirectory::new(loops)))
    }

    pub(crate) fn with_directory(
        gateway: Behaviour,
        config: GatewayConfig,
        directory: Arc<dyn LoopDirectory>,
    ) -> Self {
        let sheets = Arc::<SheetTable>::default();
        let mut poller = Poller::new(
            config,
            directory,
            Arc::new(Claims::default()),
            Arc::default(),
            0,
        )
        .with_sheets(Arc::clone(&sheets));
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
            sheets,
        }
    }

    pub(crate) fn moment(&self) -> Moment {
        Moment {
            ms: self.now,
            wall: UtcMicros(self.offset_us + self.now as i64 * 1_000),
        }
    }

    pub(crate) fn run_until(&mut self, end_ms: u64) {
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
            self.now = next
                .min(self.poller.next_wake_ms(now))
                .min(end_ms)
                .max(self.now + 1);
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

    pub(crate) fn of(&self, tag: &str) -> &[Reading] {
        self.rows
            .get(&Tag::new(tag).unwrap())
            .map_or(&[], Vec::as_slice)
    }
}

/// Four cards (a modem each) of twelve devices.
pub(crate) fn plant() -> (Behaviour, Vec<KnownLoop>) {
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
