//! Serving hosts: HART-IP sessions over TCP, one a connection, and over UDP, one a client address and port.
//!
//! Over UDP the answers come from a second port, as those of real gateways do, and later requests are taken there too.

use super::{Connection, Delayed, Gateway, Modems};
use crate::wire::Devices;
use crate::wire::modem::{Modem, QUEUE};
use crate::wire::session::{Session, Step, response};
use ingest_model::UtcMicros;
use std::collections::{BTreeMap, HashMap};
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream, UdpSocket};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};
use tokio_util::sync::CancellationToken;

/// HART-IP sessions, and connections with or without one.
const SESSIONS: usize = 4;
const CONNECTIONS: usize = 16;
/// Answers that wait for a slow reader of one connection.
const ANSWERS: usize = 64;
/// How long a client may take to accept an answer.
const WRITE_LIMIT: Duration = Duration::from_secs(10);
/// Datagrams of one client that wait; more are lost, as on a network.
const DATAGRAMS: usize = 64;
const LONGEST_DATAGRAM: usize = 2_048;

/// Where a gateway is reached.
#[derive(Debug)]
pub enum Port {
    Tcp(TcpListener),
    /// Asked at the first, answering from the second.
    Udp {
        first: UdpSocket,
        second: UdpSocket,
    },
}

impl Port {
    /// Opens a port; 0 as its number leaves the choice to the system.
    ///
    /// # Errors
    /// The port is not to be had.
    pub async fn open(at: SocketAddr, udp: bool) -> io::Result<Self> {
        if !udp {
            return TcpListener::bind(at).await.map(Self::Tcp);
        }
        let first = UdpSocket::bind(at).await?;
        let second = UdpSocket::bind((at.ip(), 0)).await?;
        Ok(Self::Udp { first, second })
    }

    /// Where hosts open their session.
    ///
    /// # Errors
    /// The system does not say.
    pub fn local_addr(&self) -> io::Result<SocketAddr> {
        match self {
            Self::Tcp(listener) => listener.local_addr(),
            Self::Udp { first, .. } => first.local_addr(),
        }
    }
}

/// Serves one gateway of the plant until told to stop: [`Gateway::new`] and [`Gateway::run`].
pub async fn serve(
    port: Port,
    gateway: usize,
    devices: Arc<dyn Devices>,
    clock: fn() -> UtcMicros,
    shutdown: CancellationToken,
) {
    Arc::new(Gateway::new(gateway, devices, clock))
        .run(port, shutdown)
        .await;
}

fn ms_since(start: Instant) -> u64 {
    u64::try_from(start.elapsed().as_millis()).unwrap_or(u64::MAX)
}

impl Gateway {
    /// Serves hosts until told to stop.
    pub async fn run(self: Arc<Self>, port: Port, shutdown: CancellationToken) {
        match port {
            Port::Tcp(listener) => self.run_tcp(listener, shutdown).await,
            Port::Udp { first, second } => self.run_udp(first, second, shutdown).await,
        }
    }

    async fn run_tcp(self: Arc<Self>, listener: TcpListener, shutdown: CancellationToken) {
        let stop = shutdown.child_token();
        let _stop_tasks = stop.clone().drop_guard();
        let modems = self.start_modems(&stop);
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

    async fn run_udp(
        self: Arc<Self>,
        first: UdpSocket,
        second: UdpSocket,
        shutdown: CancellationToken,
    ) {
        let stop = shutdown.child_token();
        let _stop_tasks = stop.clone().drop_guard();
        let modems = self.start_modems(&stop);
        let sessions = Arc::new(Semaphore::new(SESSIONS));
        let second = Arc::new(second);
        let mut clients: HashMap<SocketAddr, mpsc::Sender<Vec<u8>>> = HashMap::new();
        let (mut a, mut b) = (vec![0u8; LONGEST_DATAGRAM], vec![0u8; LONGEST_DATAGRAM]);
        loop {
            let got = tokio::select! {
                () = stop.cancelled() => return,
                got = first.recv_from(&mut a) => got.map(|(n, from)| (a.get(..n), from)),
                got = second.recv_from(&mut b) => got.map(|(n, from)| (b.get(..n), from)),
            };
            let (bytes, from) = match got {
                Ok((bytes, from)) => (bytes.unwrap_or_default().to_vec(), from),
                Err(e) => {
                    tracing::debug!(gateway = %self.facts.name, "receive a datagram: {e}");
                    tokio::time::sleep(Duration::from_millis(10)).await;
                    continue;
                }
            };
            clients.retain(|_, c| !c.is_closed());
            if let Some(client) = clients.get(&from) {
                // A client that sends faster than it is served loses datagrams.
                let _ = client.try_send(bytes);
                continue;
            }
            // Only a session initiate makes a client.
            if bytes.get(2) != Some(&0) || clients.len() >= CONNECTIONS {
                continue;
            }
            let (datagrams, queue) = mpsc::channel(DATAGRAMS);
            let _ = datagrams.try_send(bytes);
            clients.insert(from, datagrams);
            let session = Arc::clone(&sessions).try_acquire_owned().ok();
            let (gateway, modems, stop) = (Arc::clone(&self), Arc::clone(&modems), stop.clone());
            let socket = Arc::clone(&second);
            tokio::spawn(async move {
                tokio::select! {
                    () = stop.cancelled() => {}
                    () = gateway.client(&socket, from, queue, session, modems) => {}
                }
            });
        }
    }

    fn start_modems(&self, stop: &CancellationToken) -> Arc<Modems> {
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
        Arc::new(modems)
    }

    async fn connection(self: Arc<Self>, stream: TcpStream, free: bool, modems: Arc<Modems>) {
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
        let mut seconds = tokio::time::interval(Duration::from_secs(1));
        loop {
            let steps = tokio::select! {
                _ = seconds.tick(), if session.is_open() => self.publish(started),
                () = inactive(&session, started) => return,
                Some(message) = outgoing.recv() => vec![Step::Send(message)],
                n = read.read(&mut buffer) => match n {
                    Ok(n) if n > 0 => session.received(buffer.get(..n).unwrap_or_default(), ms_since(started)),
                    _ => return,
                },
            };
            for step in steps {
                let message = match self.take(&link, step) {
                    Taken::Send(message) => message,
                    Taken::Later => continue,
                    Taken::Close => return,
                };
                let written = tokio::time::timeout(WRITE_LIMIT, write.write_all(&message)).await;
                if !matches!(written, Ok(Ok(()))) {
                    return;
                }
            }
        }
    }

    /// One client over UDP, until its session is closed or inactive.
    async fn client(
        self: Arc<Self>,
        socket: &UdpSocket,
        to: SocketAddr,
        mut datagrams: mpsc::Receiver<Vec<u8>>,
        permit: Option<OwnedSemaphorePermit>,
        modems: Arc<Modems>,
    ) {
        let started = Instant::now();
        let (answers, mut outgoing) = mpsc::channel(ANSWERS);
        let link = Connection {
            modems,
            answers,
            delayed: Delayed::default(),
        };
        let mut session = Session::new(permit.is_some(), 0);
        let mut seconds = tokio::time::interval(Duration::from_secs(1));
        loop {
            let steps = tokio::select! {
                _ = seconds.tick(), if session.is_open() => self.publish(started),
                () = inactive(&session, started) => return,
                Some(message) = outgoing.recv() => vec![Step::Send(message)],
                bytes = datagrams.recv() => match bytes {
                    Some(bytes) => session.datagram(&bytes, ms_since(started)),
                    None => return,
                },
            };
            for step in steps {
                match self.take(&link, step) {
                    Taken::Send(message) => {
                        if let Err(e) = socket.send_to(&message, to).await {
                            tracing::debug!(gateway = %self.facts.name, "send to {to}: {e}");
                        }
                    }
                    Taken::Later => {}
                    Taken::Close => return,
                }
            }
        }
    }

    fn publish(&self, started: Instant) -> Vec<Step> {
        let due = self.published(started.elapsed().as_secs());
        due.into_iter().map(Step::Send).collect()
    }

    fn take(self: &Arc<Self>, link: &Connection, step: Step) -> Taken {
        match step {
            Step::Send(message) => Taken::Send(message),
            Step::Request {
                sequence,
                asked,
                raw,
            } => match self.request(link, sequence, &asked, raw) {
                Some(pdu) => Taken::Send(response(sequence, &pdu)),
                None => Taken::Later,
            },
            Step::Close => Taken::Close,
        }
    }
}

/// What becomes of a step at once.
enum Taken {
    Send(Vec<u8>),
    /// The answer comes later, or never.
    Later,
    Close,
}

/// Returns when nothing was heard for as long as the session allows.
async fn inactive(session: &Session, started: Instant) {
    match session.deadline_ms() {
        Some(d) => {
            tokio::time::sleep(Duration::from_millis(d.saturating_sub(ms_since(started)))).await;
        }
        None => std::future::pending().await,
    }
}
