//! One simulated gateway: its own commands and counters; serving hosts and the way to its sub-devices are beside it.

mod serve;
mod through;

pub use serve::{Port, serve};

use super::answers::{self, GATEWAY_TYPE, GatewayFacts};
use super::modem::Job;
use super::pdu::{Asked, Body, burst};
use super::session::publish;
use super::{DeviceCard, Devices};
use ingest_model::UtcMicros;
use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::mpsc;

/// One request in so many is answered with a delayed response first: in an hour one at least, even of a lone device
/// that is polled every minute.
const DELAY_EVERY: u64 = 41;
/// Delayed responses that a session may have, and how long a result is kept for its asker.
const DELAYED: usize = 2;
const KEPT_FOR: Duration = Duration::from_secs(20);
/// One failed exchange in so many is not even reported.
const SILENT_EVERY: u64 = 4;
/// A sub-device: index into the cards, and its polling address.
#[derive(Debug, Clone, Copy)]
struct Sub {
    card: usize,
    polling: u8,
}

/// Counters of commands 85, 86, 94 and 95; all wrap at 2^16.
#[derive(Debug, Default)]
struct Counters {
    from_hosts: u16,
    to_hosts: u16,
    forwarded: u16,
    returned: u16,
    own_received: u16,
    own_answered: u16,
    /// By sub-device: requests sent, answers received.
    subs: Vec<[u16; 2]>,
    /// By card and channel: own and the other master's requests and answers.
    channels: BTreeMap<(u8, u8), [u16; 4]>,
    forwards: u64,
    failures: u64,
    refused_writes: u64,
}

/// A gateway with its modems, to be served on a listener.
pub struct Gateway {
    facts: GatewayFacts,
    devices: Arc<dyn Devices>,
    clock: fn() -> UtcMicros,
    subs: Vec<Sub>,
    counters: Mutex<Counters>,
}

impl std::fmt::Debug for Gateway {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Gateway")
            .field("facts", &self.facts)
            .finish_non_exhaustive()
    }
}

/// Results of delayed responses by the request's bytes: `None` while it runs.
type Delayed = Arc<Mutex<HashMap<Vec<u8>, (Instant, Option<Body>)>>>;

fn locked<T>(m: &Mutex<T>) -> MutexGuard<'_, T> {
    m.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The modems' queues by their number (I/O card).
type Modems = BTreeMap<u8, mpsc::Sender<Job>>;

/// One connection, as the tasks that answer need it.
#[derive(Clone)]
struct Connection {
    modems: Arc<Modems>,
    answers: mpsc::Sender<Vec<u8>>,
    delayed: Delayed,
}

/// What a request through command 77 asks for.
struct Through {
    card: u8,
    channel: u8,
    preambles: u8,
    inner: Asked,
}

impl Gateway {
    /// The gateway with this index into [`Devices::gateways`].
    pub fn new(gateway: usize, devices: Arc<dyn Devices>, clock: fn() -> UtcMicros) -> Self {
        let name = devices.gateways().get(gateway).cloned().unwrap_or_default();
        let mut on_channel: BTreeMap<(u8, u8), u8> = BTreeMap::new();
        let mut subs = Vec::new();
        let mut counters = Counters::default();
        for (index, card) in devices.cards().iter().enumerate() {
            if card.gateway != gateway {
                continue;
            }
            let place = (card.modem, card.channel);
            let count = on_channel.entry(place).or_default();
            subs.push(Sub {
                card: index,
                polling: *count,
            });
            *count = count.saturating_add(1);
            // The gateway has been running for a while: it goes on counting.
            let [sent, answered] = devices.counted(index);
            counters.subs.push([sent, answered]);
            let [stx, ack, ..] = counters.channels.entry(place).or_default();
            *stx = stx.wrapping_add(sent);
            *ack = ack.wrapping_add(answered);
        }
        let most = |f: fn(&(u8, u8)) -> u8| {
            on_channel
                .keys()
                .map(f)
                .max()
                .map_or(0, |n| n.saturating_add(1))
        };
        let facts = GatewayFacts {
            name,
            index: gateway,
            cards: most(|p| p.0),
            channels: most(|p| p.1),
            per_channel: on_channel.values().copied().max().unwrap_or(0),
            devices: u16::try_from(subs.len()).unwrap_or(u16::MAX),
        };
        Self {
            facts,
            devices,
            clock,
            subs,
            counters: Mutex::new(counters),
        }
    }

    /// Write commands that hosts have sent, all refused.
    pub fn refused_writes(&self) -> u64 {
        locked(&self.counters).refused_writes
    }

    /// Brings the next delayed response near.
    #[cfg(test)]
    pub(super) fn delay_next(&self) {
        locked(&self.counters).forwards = DELAY_EVERY - 1;
    }

    fn card(&self, sub: &Sub) -> Option<&DeviceCard> {
        self.devices.cards().get(sub.card)
    }

    /// Burst messages that are due in this second of a connection; they cost the modem nothing that is simulated.
    fn published(&self, second: u64) -> Vec<Vec<u8>> {
        let now = (self.clock)();
        let due = |s: &&Sub| {
            let every = self.devices.publishes_every_s(s.card);
            every.is_some_and(|p| (second + s.card as u64).is_multiple_of(p.max(1)))
        };
        self.subs
            .iter()
            .filter(due)
            .filter_map(|s| {
                let card = self.card(s)?;
                let state = self.devices.state(s.card, now);
                if !state.answers || state.exchange_fails {
                    return None;
                }
                let body = answers::device(card, s.polling, &state, 3, &[], now);
                let primary = second.is_multiple_of(2);
                let pdu = burst(
                    card.device_type,
                    card.device_id,
                    primary,
                    3,
                    &body,
                    state.device_status,
                );
                Some(publish(u16::try_from(second % 65_536).unwrap_or(0), &pdu))
            })
            .collect()
    }

    /// The answer, when there is one at once.
    fn request(
        self: &Arc<Self>,
        link: &Connection,
        sequence: u16,
        asked: &Asked,
        raw: Vec<u8>,
    ) -> Option<Vec<u8>> {
        let mine = match asked.polling() {
            // Short addresses are for command 0 only.
            Some(polling) => polling == 0 && asked.command == 0,
            None => asked.is_for(GATEWAY_TYPE, self.facts.device_id()),
        };
        if !mine {
            return None;
        }
        {
            let mut c = locked(&self.counters);
            c.from_hosts = c.from_hosts.wrapping_add(1);
            c.own_received = c.own_received.wrapping_add(1);
        }
        let body = if asked.command == 77 {
            self.through(link, sequence, asked, raw)?
        } else {
            self.own(asked)
        };
        Some(self.sealed(asked, &body))
    }

    /// The gateway's answer, counted.
    fn sealed(&self, asked: &Asked, body: &Body) -> Vec<u8> {
        let mut c = locked(&self.counters);
        c.to_hosts = c.to_hosts.wrapping_add(1);
        c.own_answered = c.own_answered.wrapping_add(1);
        drop(c);
        asked.answer_checked(body, 0)
    }

    fn refuse_write(&self, command: u8) -> Body {
        locked(&self.counters).refused_writes += 1;
        tracing::warn!(gateway = %self.facts.name, command, "a host sent a write command: refused");
        Body::error(answers::WRITE_PROTECTED)
    }

    /// Commands of the gateway itself.
    fn own(&self, asked: &Asked) -> Body {
        if answers::is_write(asked.command, &asked.data) {
            return self.refuse_write(asked.command);
        }
        if let Some(body) = self.facts.answer(asked.command) {
            return body;
        }
        let data = asked.data.as_slice();
        let index = match data {
            [high, low, ..] => Some(u16::from_be_bytes([*high, *low])),
            _ => None,
        };
        let c = locked(&self.counters);
        match (asked.command, data, index) {
            (84..=86, _, None) => Body::error(answers::TOO_FEW_BYTES),
            (84, _, Some(0)) => self.facts.list_entry(),
            (84, _, Some(i)) => {
                let card = self.subs.get(usize::from(i) - 1).and_then(|s| self.card(s));
                card.map_or_else(
                    || Body::error(answers::INVALID_SELECTION),
                    |card| answers::list_entry(i, card),
                )
            }
            (85, &[card, channel, ..], _) => match c.channels.get(&(card, channel)) {
                Some(&[stx, ack, ostx, oack]) => {
                    answers::counters(&[card, channel], &[stx, ack, ostx, oack, 0])
                }
                None => Body::error(self.bad_place(card)),
            },
            (86, &[high, low, ..], Some(i)) => {
                let counted = if i == 0 {
                    Some([c.own_received, c.own_answered])
                } else {
                    c.subs.get(usize::from(i) - 1).copied()
                };
                match counted {
                    Some([stx, ack]) => answers::counters(&[high, low], &[stx, ack, 0]),
                    None => Body::error(answers::INVALID_SELECTION),
                }
            }
            (94, ..) => {
                answers::counters(&[], &[c.from_hosts, c.to_hosts, c.forwarded, c.returned])
            }
            (95, ..) => answers::counters(&[], &[c.own_received, c.own_answered, 0]),
            _ => Body::error(answers::NOT_IMPLEMENTED),
        }
    }

    fn bad_place(&self, card: u8) -> u8 {
        if card >= self.facts.cards {
            answers::BAD_CARD
        } else {
            answers::BAD_CHANNEL
        }
    }
}
