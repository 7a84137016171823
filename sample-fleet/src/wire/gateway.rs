//! One simulated gateway: a HART-IP server over TCP, its own commands, and the way to its sub-devices (command 77).

use super::answers::{self, GATEWAY_TYPE, GatewayFacts};
use super::modem::{Job, Modem, Outcome, QUEUE};
use super::pdu::{Asked, Body};
use super::session::{Session, Step, response};
use super::{DeviceCard, Devices};
use ingest_model::UtcMicros;
use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, mpsc, oneshot};
use tokio_util::sync::CancellationToken;

/// HART-IP sessions, and connections with or without one.
const SESSIONS: usize = 4;
const CONNECTIONS: usize = 16;
/// One request in so many is answered with a delayed response first: in an hour one at least, even of a lone device
/// that is polled every minute.
const DELAY_EVERY: u64 = 41;
/// Delayed responses that a session may have, and how long a result is kept for its asker.
const DELAYED: usize = 2;
const KEPT_FOR: Duration = Duration::from_secs(20);
/// One failed exchange in so many is not even reported.
const SILENT_EVERY: u64 = 4;
/// Answers that wait for a slow reader of one connection.
const ANSWERS: usize = 64;
/// How long a client may take to accept an answer.
const WRITE_LIMIT: Duration = Duration::from_secs(10);

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

/// One connection, as the tasks that answer need it.
#[derive(Clone)]
struct Connection {
    modems: Arc<BTreeMap<u8, mpsc::Sender<Job>>>,
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

    /// Serves hosts until told to stop.
    pub async fn run(self: Arc<Self>, listener: TcpListener, shutdown: CancellationToken) {
        let stop = shutdown.child_token();
        let _stop_tasks = stop.clone().drop_guard();
        let mut modems = BTreeMap::new();
        for card in self.subs.iter().filter_map(|s| self.card(s)) {
            modems.entry(card.modem).or_insert_with(|| {
                let (jobs, queue) = mpsc::channel(QUEUE);
                let modem = Modem {
                    number: card.modem,
                    devices: Arc::clone(&self.devices),
                    clock: self.clock,
                };
                tokio::spawn(modem.run(queue, stop.clone()));
                jobs
            });
        }
        let modems = Arc::new(modems);
        let sessions = Arc::new(Semaphore::new(SESSIONS));
        let connections = Arc::new(Semaphore::new(CONNECTIONS));
        loop {
            let accepted = tokio::select! {
                () = stop.cancelled() => return,
                a = listener.accept() => a,
            };
            let stream = match accepted {
                Ok((stream, _)) => stream,
                Err(e) => {
                    tracing::warn!(gateway = %self.facts.name, "accept a connection: {e}");
                    tokio::time::sleep(Duration::from_millis(100)).await;
                    continue;
                }
            };
            let Ok(place) = Arc::clone(&connections).try_acquire_owned() else {
                continue;
            };
            let session = Arc::clone(&sessions).try_acquire_owned().ok();
            let (gateway, modems, stop) = (Arc::clone(&self), Arc::clone(&modems), stop.clone());
            tokio::spawn(async move {
                tokio::select! {
                    () = stop.cancelled() => {}
                    () = gateway.connection(stream, session.is_some(), modems) => {}
                }
                drop((session, place));
            });
        }
    }

    async fn connection(
        self: Arc<Self>,
        stream: TcpStream,
        free: bool,
        modems: Arc<BTreeMap<u8, mpsc::Sender<Job>>>,
    ) {
        let _ = stream.set_nodelay(true);
        let (mut read, mut write) = stream.into_split();
        let started = Instant::now();
        let (answers, mut outgoing) = mpsc::channel(ANSWERS);
        let link = Connection {
            modems,
            answers,
            delayed: Delayed::default(),
        };
        let mut session = Session::new(free, 0);
        let mut buffer = vec![0u8; 2048];
        loop {
            let now_ms = ms_since(started);
            let idle = session
                .deadline_ms()
                .map(|d| Duration::from_millis(d.saturating_sub(now_ms)));
            let expired = async {
                match idle {
                    Some(d) => tokio::time::sleep(d).await,
                    None => std::future::pending().await,
                }
            };
            let steps = tokio::select! {
                () = expired => return,
                Some(message) = outgoing.recv() => vec![Step::Send(message)],
                n = read.read(&mut buffer) => match n {
                    Ok(n) if n > 0 => session.received(buffer.get(..n).unwrap_or_default(), ms_since(started)),
                    _ => return,
                },
            };
            for step in steps {
                let message = match step {
                    Step::Send(message) => Some(message),
                    Step::Request {
                        sequence,
                        asked,
                        raw,
                    } => {
                        let pdu = self.request(&link, sequence, &asked, raw);
                        pdu.map(|pdu| response(sequence, &pdu))
                    }
                    Step::Close => return,
                };
                let Some(message) = message else { continue };
                let written = tokio::time::timeout(WRITE_LIMIT, write.write_all(&message)).await;
                if !matches!(written, Ok(Ok(()))) {
                    return;
                }
            }
        }
    }

    fn card(&self, sub: &Sub) -> Option<&DeviceCard> {
        self.devices.cards().get(sub.card)
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

    fn parse_through(&self, data: &[u8]) -> Result<Through, Body> {
        let [card, channel, preambles, frame @ ..] = data else {
            return Err(Body::error(answers::TOO_FEW_BYTES));
        };
        if !locked(&self.counters)
            .channels
            .contains_key(&(*card, *channel))
        {
            return Err(Body::error(self.bad_place(*card)));
        }
        let Some((inner, [])) = Asked::parse(frame) else {
            return Err(Body::error(answers::INVALID_SELECTION));
        };
        // A wrapper in a wrapper goes nowhere.
        if matches!(inner.command, 77 | 78) {
            return Err(Body::error(answers::INVALID_SELECTION));
        }
        Ok(Through {
            card: *card,
            channel: *channel,
            preambles: (*preambles).clamp(5, 20),
            inner,
        })
    }

    /// Command 77. `None`: the answer comes later, or never.
    fn through(
        self: &Arc<Self>,
        link: &Connection,
        sequence: u16,
        asked: &Asked,
        raw: Vec<u8>,
    ) -> Option<Body> {
        let t = match self.parse_through(&asked.data) {
            Ok(t) => t,
            Err(body) => return Some(body),
        };
        if answers::is_write(t.inner.command, &t.inner.data) {
            // The sub-device refuses it; the pair is not troubled with it.
            let refused = self.refuse_write(t.inner.command);
            return Some(wrapped(&t, &t.inner.answer(&refused, 0)));
        }
        let mut later = false;
        {
            let mut waiting = locked(&link.delayed);
            waiting.retain(|_, (since, done)| done.is_none() || since.elapsed() < KEPT_FOR);
            match waiting.get(&raw) {
                Some((_, None)) => return Some(Body::error(answers::RUNNING)),
                Some((_, Some(_))) => {
                    let (_, done) = waiting.remove(&raw)?;
                    return done;
                }
                None => {}
            }
            let mut c = locked(&self.counters);
            c.forwards += 1;
            if c.forwards % DELAY_EVERY == 0 && waiting.len() < DELAYED {
                later = true;
            }
        }
        let sub = self.find(&t);
        let (reply, outcome) = oneshot::channel();
        let job = Job {
            to: sub
                .and_then(|i| self.subs.get(i))
                .map(|s| (s.card, s.polling)),
            asked: t.inner.clone(),
            preambles: t.preambles,
            reply,
        };
        let sent = link.modems.get(&t.card).map(|m| m.try_send(job));
        if !matches!(sent, Some(Ok(()))) {
            return Some(Body::error(answers::BUSY));
        }
        let (gateway, link, asked) = (Arc::clone(self), link.clone(), asked.clone());
        if later {
            locked(&link.delayed).insert(raw.clone(), (Instant::now(), None));
        }
        tokio::spawn(async move {
            // The modem is gone: the gateway is being stopped.
            let Ok(outcome) = outcome.await else { return };
            gateway.count(&t, sub, &outcome);
            let body = outcome.answer.map(|a| wrapped(&t, &a));
            if later {
                let body = body.unwrap_or_else(|| Body::error(answers::DEAD));
                locked(&link.delayed).insert(raw, (Instant::now(), Some(body)));
                return;
            }
            if let Some(body) = body.or_else(|| gateway.failed()) {
                let pdu = gateway.sealed(&asked, &body);
                let _ = link.answers.send(response(sequence, &pdu)).await;
            }
        });
        later.then(|| Body::error(answers::DELAYED))
    }

    /// Which sub-device has the address on that channel.
    fn find(&self, t: &Through) -> Option<usize> {
        self.subs.iter().position(|s| {
            self.card(s).is_some_and(|c| {
                (c.modem, c.channel) == (t.card, t.channel)
                    && match t.inner.polling() {
                        Some(p) => p == s.polling && t.inner.command == 0,
                        None => t.inner.is_for(c.device_type, c.device_id),
                    }
            })
        })
    }

    fn count(&self, t: &Through, sub: Option<usize>, outcome: &Outcome) {
        let mut c = locked(&self.counters);
        let received = u16::from(outcome.good);
        c.forwarded = c.forwarded.wrapping_add(1);
        c.returned = c.returned.wrapping_add(u16::from(outcome.answer.is_some()));
        if let Some([stx, ack]) = sub.and_then(|i| c.subs.get_mut(i)) {
            *stx = stx.wrapping_add(1);
            *ack = ack.wrapping_add(received);
        }
        if let Some([stx, ack, ostx, oack]) = c.channels.get_mut(&(t.card, t.channel)) {
            *stx = stx.wrapping_add(1);
            *ack = ack.wrapping_add(received);
            *ostx = ostx.wrapping_add(outcome.overheard);
            *oack = oack.wrapping_add(outcome.overheard);
        }
    }

    /// How a sub-device that did not answer is reported; every fourth is not.
    fn failed(&self) -> Option<Body> {
        let mut c = locked(&self.counters);
        c.failures += 1;
        (c.failures % SILENT_EVERY != 0).then(|| Body::error(answers::DEAD))
    }
}

fn ms_since(start: Instant) -> u64 {
    u64::try_from(start.elapsed().as_millis()).unwrap_or(u64::MAX)
}

/// Card, channel and the embedded answer.
fn wrapped(t: &Through, embedded: &[u8]) -> Body {
    let mut data = vec![t.card, t.channel];
    data.extend_from_slice(embedded);
    Body::ok(data)
}

/// Serves one gateway of the plant until told to stop: [`Gateway::new`] and [`Gateway::run`].
pub async fn serve(
    listener: TcpListener,
    gateway: usize,
    devices: Arc<dyn Devices>,
    clock: fn() -> UtcMicros,
    shutdown: CancellationToken,
) {
    Arc::new(Gateway::new(gateway, devices, clock))
        .run(listener, shutdown)
        .await;
}
