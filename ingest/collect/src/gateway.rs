//! Moves bytes between one gateway's socket, its session and its poller. Decides nothing.

use crate::capture::{Capture, Carrier, Tap};
use crate::config::GatewayConfig;
use crate::device::Discovered;
use crate::poller::{Moment, Poller};
use crate::sink::Outbox;
use crate::status::GatewayStatus;
use crate::tls::{Psk, SECURE_VERSION};
use crate::udp::{Datagram, LONGEST_DATAGRAM, UdpLink};
use ingest_hart::gate;
use ingest_hart::session::{Action, Config, Event, Session, Transport};
use ingest_model::UtcMicros;
use std::collections::VecDeque;
use std::net::SocketAddr;
use std::pin::Pin;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

/// More bytes in a second than any gateway has to say: 256 modems at 1200 bit/s bring 28 kB, a list of devices out of a
/// fast server's memory ten times that. What is beyond is not read in that second: a flood costs no more than this.
const MOST_BYTES_A_SECOND: usize = 512 * 1024;

/// The state is handed on when something happened, else this often at most.
const SHOWN_EVERY_MS: u64 = 250;

/// How much may still be read in this second.
#[derive(Debug, Default)]
struct Flow {
    second: u64,
    bytes: usize,
}

impl Flow {
    fn took(&mut self, bytes: usize, now_ms: u64) {
        if self.second != now_ms / 1_000 {
            (self.second, self.bytes) = (now_ms / 1_000, 0);
        }
        self.bytes += bytes;
    }

    fn is_spent(&self, now_ms: u64) -> bool {
        self.bytes > MOST_BYTES_A_SECOND && self.second == now_ms / 1_000
    }
}

/// The connection, in the state the session believes it in.
enum Link {
    Down,
    Connecting(Pin<Box<dyn Future<Output = std::io::Result<Opened>> + Send>>),
    Tcp {
        read: OwnedReadHalf,
        write: OwnedWriteHalf,
    },
    #[cfg(feature = "tls")]
    Tls(Box<tokio_openssl::SslStream<TcpStream>>),
    Udp(UdpLink),
}

/// What an attempt to connect brings.
enum Opened {
    Tcp(TcpStream),
    Udp(UdpLink),
}

impl From<Opened> for Link {
    fn from(opened: Opened) -> Self {
        match opened {
            Opened::Tcp(stream) => {
                // Requests are small and wait for nothing; without the option they only come later.
                let _ = stream.set_nodelay(true);
                let (read, write) = stream.into_split();
                Self::Tcp { read, write }
            }
            Opened::Udp(link) => Self::Udp(link),
        }
    }
}

/// What woke the task.
enum Woken {
    Stop,
    Connected(std::io::Result<Opened>),
    Received(usize),
    /// A datagram of another host.
    Foreign(SocketAddr),
    Lost,
    Time,
}

/// One gateway's task.
pub(crate) struct Runner {
    pub(crate) config: GatewayConfig,
    pub(crate) poller: Poller,
    pub(crate) outbox: Outbox,
    pub(crate) discovered: mpsc::Sender<Discovered>,
    pub(crate) status: watch::Sender<GatewayStatus>,
    pub(crate) stop: CancellationToken,
    pub(crate) started: Instant,
    pub(crate) wall: fn() -> UtcMicros,
    /// Connections asked for so far.
    pub(crate) attempts: usize,
    /// When the state was last handed on.
    pub(crate) shown_ms: u64,
    /// Where the wire is recorded, and the connection's place in it.
    pub(crate) capture: Option<Capture>,
    pub(crate) tap: Option<Tap>,
    /// When the bytes came that are being handled: rows and recording bear the same time.
    pub(crate) arrived: Option<Moment>,
}

impl Runner {
    fn now(&self) -> Moment {
        if let Some(arrived) = self.arrived {
            return arrived;
        }
        let ms = u64::try_from(self.started.elapsed().as_millis()).unwrap_or(u64::MAX);
        Moment {
            ms,
            wall: (self.wall)(),
        }
    }

    /// Runs until told to stop, closing the session in good order.
    pub(crate) async fn run(mut self) {
        let mut session = Session::new(Config {
            transport: self.config.transport,
            master: self.config.master,
            timeout_ms: u64::try_from(self.config.timeout.as_millis())
                .unwrap_or(u64::MAX)
                .max(1),
            max_outstanding: self.config.max_outstanding.max(1),
            ..Config::default()
        });
        let mut link = Link::Down;
        let mut buffer = match self.config.transport {
            Transport::Tcp => vec![0u8; 4_096],
            Transport::Udp => vec![0u8; LONGEST_DATAGRAM],
        };
        let mut stopping = false;
        let mut flow = Flow::default();
        let mut clock = self.now();
        if self.perform(&mut session, &mut link, Event::Start).await {
            return;
        }
        loop {
            self.arrived = None;
            let now = self.now();
            self.watch_clock(&mut clock, now);
            self.poller.tick(now);
            while session.can_submit()
                && let Some((token, request)) = self.poller.next_request(now)
            {
                if self
                    .perform(&mut session, &mut link, Event::Submit { token, request })
                    .await
                {
                    return;
                }
            }
            self.hand_on(now);
            let wake_ms = session
                .next_wake_ms()
                .unwrap_or(u64::MAX)
                .min(self.poller.next_wake_ms(now));
            let spent = flow.is_spent(now.ms);
            let next_second = if spent {
                (now.ms / 1_000 + 1) * 1_000
            } else {
                u64::MAX
            };
            let wait = wake_ms.min(next_second).saturating_sub(now.ms).max(1);
            let wait = Duration::from_millis(wait);
            let woken = tokio::select! {
                biased;
                () = self.stop.cancelled(), if !stopping => Woken::Stop,
                w = wait_for(&mut link, &mut buffer), if !spent => w,
                () = tokio::time::sleep(wait) => Woken::Time,
            };
            let event = match woken {
                Woken::Stop => {
                    stopping = true;
                    Event::Stop
                }
                Woken::Connected(Ok(opened)) => {
                    self.record_open(&opened);
                    link = opened.into();
                    Event::Connected
                }
                Woken::Connected(Err(e)) => {
                    self.poller.status.last_error =
                        Some(format!("no connection to {}: {e}", self.config.address));
                    link = Link::Down;
                    lost()
                }
                Woken::Received(_) if self.is_insecure(&link, &session, &buffer) => {
                    self.poller.status.refuse(format!(
                        "{} answers without security (HART-IP version {}): nothing is asked in the clear; set transport = \"tcp\" if that is meant",
                        self.config.address,
                        buffer.first().copied().unwrap_or_default()
                    ));
                    Event::Reject
                }
                Woken::Received(n) => {
                    let bytes = buffer.get(..n).unwrap_or_default();
                    let now = self.now();
                    let before = flow.is_spent(now.ms);
                    flow.took(n, now.ms);
                    if !before && flow.is_spent(now.ms) {
                        self.poller.status.flooded(MOST_BYTES_A_SECOND);
                    }
                    self.arrived = Some(now);
                    if let Some(tap) = &mut self.tap {
                        tap.received(bytes, now.wall);
                    }
                    Event::Received(bytes)
                }
                Woken::Foreign(from) => {
                    self.poller.status.foreign(from);
                    Event::Tick
                }
                Woken::Lost => {
                    link = Link::Down;
                    lost()
                }
                Woken::Time => Event::Tick,
            };
            let was_open = session.master().is_some();
            if self.perform(&mut session, &mut link, event).await {
                self.hand_on(self.now());
                return;
            }
            if !was_open && session.master().is_some() {
                link = self.secured(link).await;
                if matches!(link, Link::Down)
                    && self.perform(&mut session, &mut link, Event::Reject).await
                {
                    return;
                }
            }
        }
    }

    /// A server that is to be secure answers the session initiate with version 2 or not at all.
    fn is_insecure(&self, link: &Link, session: &Session, bytes: &[u8]) -> bool {
        self.config.psk.is_some()
            && matches!(link, Link::Tcp { .. })
            && session.master().is_none()
            && bytes.first() != Some(&SECURE_VERSION)
    }

    /// The session is open: what follows is encrypted where a key is given. `Link::Down` where that fails.
    async fn secured(&mut self, link: Link) -> Link {
        let Some(psk) = self.config.psk.clone() else {
            return link;
        };
        let Link::Tcp { read, write } = link else {
            return link;
        };
        let why = match read.reunite(write) {
            Ok(stream) => match secure_within(self.config.timeout, stream, &psk).await {
                Ok(link) => return link,
                Err(e) => e.to_string(),
            },
            Err(e) => e.to_string(),
        };
        // Neither key nor what was exchanged is in OpenSSL's words.
        self.poller.status.refuse(format!(
            "no TLS with {} as `{}`: {why}; check identity and key on both sides",
            self.config.address,
            psk.identity()
        ));
        Link::Down
    }

    /// Feeds an event to the session and does what it asks, with all that follows. True: closed for good.
    async fn perform(&mut self, session: &mut Session, link: &mut Link, event: Event<'_>) -> bool {
        let mut actions = Vec::new();
        session.handle(event, self.now().ms, &mut actions);
        let mut todo: VecDeque<Action> = actions.into();
        let mut closed = false;
        while let Some(action) = todo.pop_front() {
            let now = self.now();
            let mut follow = Vec::new();
            match action {
                Action::Connect => {
                    self.tap = None;
                    let address = self.config.address.clone();
                    let attempt = self.attempts;
                    self.attempts = attempt.wrapping_add(1);
                    *link = match self.config.transport {
                        Transport::Tcp => Link::Connecting(Box::pin(async move {
                            TcpStream::connect(address).await.map(Opened::Tcp)
                        })),
                        Transport::Udp => Link::Connecting(Box::pin(async move {
                            UdpLink::open(address, attempt).await.map(Opened::Udp)
                        })),
                    };
                }
                Action::Transmit(bytes) => {
                    if !self.transmit(link, &bytes).await {
                        *link = Link::Down;
                        session.handle(lost(), now.ms, &mut follow);
                    }
                }
                Action::Disconnect => {
                    *link = Link::Down;
                    self.poller.closed(now);
                    session.handle(lost(), now.ms, &mut follow);
                }
                Action::Opened {
                    master,
                    inactivity_ms,
                } => {
                    tracing::info!(gateway = %self.config.name, master = master.as_str(), inactivity_ms, "session open");
                    if let Link::Udp(udp) = link {
                        udp.granted();
                        if let Some(tap) = &mut self.tap {
                            tap.set_peer(udp.target());
                        }
                    }
                    self.poller.status.opened(master);
                    self.poller.opened(now);
                }
                Action::Answer { token, frame } => self.poller.answered(token, &frame, now),
                Action::Failed { token, why } => self.poller.failed(token, why, now),
                Action::Publish(frame) => self.poller.published(&frame, now),
                Action::Trouble(trouble) => {
                    tracing::debug!(gateway = %self.config.name, "{trouble}");
                    self.poller.status.trouble(trouble);
                }
                Action::Closed => closed = true,
            }
            todo.extend(follow);
        }
        if session.master().is_none() && self.poller.status.connected {
            self.poller.closed(self.now());
        }
        closed
    }

    /// Begins to record a connection, where that is wanted.
    fn record_open(&mut self, opened: &Opened) {
        let (carrier, own, peer) = match opened {
            Opened::Tcp(stream) => (Carrier::Tcp, stream.local_addr(), stream.peer_addr()),
            Opened::Udp(udp) => (Carrier::Udp, udp.local_addr(), Ok(udp.target())),
        };
        if let (Some(capture), Ok(own), Ok(peer)) = (&self.capture, own, peer) {
            self.tap = Some(capture.open(carrier, own, peer, (self.wall)()));
        }
    }

    /// The last look at the bytes, then the socket. False: the connection is lost.
    async fn transmit(&mut self, link: &mut Link, bytes: &[u8]) -> bool {
        // A secure server is spoken to with its own version; nothing else differs. The gate sees the final bytes.
        let mut secure;
        let (bytes, passed) = match self.config.psk {
            Some(_) => {
                secure = bytes.to_vec();
                if let Some(version) = secure.first_mut() {
                    *version = SECURE_VERSION;
                }
                let passed = gate::check_secure_message_with(&secure, self.config.opt_in);
                (secure.as_slice(), passed)
            }
            None => (bytes, gate::check_message_with(bytes, self.config.opt_in)),
        };
        if let Err(e) = passed {
            // Cannot happen with what the encoder can express; if it ever does, nothing is sent.
            tracing::error!(gateway = %self.config.name, "{e}");
            self.poller.status.last_error = Some(e.to_string());
            return true;
        }
        if !matches!(link, Link::Down | Link::Connecting(_))
            && let Some(tap) = &mut self.tap
        {
            tap.sent(bytes, (self.wall)());
        }
        match link {
            Link::Tcp { write, .. } => matches!(
                tokio::time::timeout(self.config.timeout, write.write_all(bytes)).await,
                Ok(Ok(()))
            ),
            #[cfg(feature = "tls")]
            Link::Tls(stream) => matches!(
                tokio::time::timeout(self.config.timeout, stream.write_all(bytes)).await,
                Ok(Ok(()))
            ),
            Link::Udp(udp) => match udp.send(bytes).await {
                Ok(()) => true,
                Err(e) => {
                    // As good as lost on the way (no route, buffers full): the session times it out.
                    self.poller.status.last_error =
                        Some(format!("cannot send to {}: {e}", self.config.address));
                    true
                }
            },
            Link::Down | Link::Connecting(_) => false,
        }
    }

    /// Hands rows, descriptions and the state on; never waits.
    fn hand_on(&mut self, now: Moment) {
        for (tag, reading) in self.poller.take_readings() {
            self.outbox.send(tag, reading);
        }
        while let Some(d) = self.poller.take_discovered() {
            match self.discovered.try_send(d) {
                Ok(()) => {}
                Err(mpsc::error::TrySendError::Full(d)) => {
                    self.poller.return_discovered(d);
                    break;
                }
                // Nobody listens.
                Err(mpsc::error::TrySendError::Closed(_)) => {}
            }
        }
        self.poller.status.readings_lost = self.outbox.lost();
        // Rates and loads are added up over all devices: not at each of hundreds of answers a second.
        let news = self.poller.status.tells_more_than(&self.status.borrow());
        if news || now.ms >= self.shown_ms.saturating_add(SHOWN_EVERY_MS) {
            self.shown_ms = now.ms;
            self.status.send_replace(self.poller.snapshot(now));
        }
    }

    /// A jump of the wall clock is recorded; it never reorders rows.
    fn watch_clock(&mut self, last: &mut Moment, now: Moment) {
        let run = i64::try_from(now.ms.saturating_sub(last.ms))
            .unwrap_or(i64::MAX)
            .saturating_mul(1_000);
        let step = now.wall.0.saturating_sub(last.wall.0).saturating_sub(run);
        if step.saturating_abs() > 1_000_000 {
            self.poller.status.clock_steps += 1;
            tracing::warn!(gateway = %self.config.name, step_s = step as f64 / 1e6, "the wall clock jumped");
        }
        *last = now;
    }
}

fn lost() -> Event<'static> {
    Event::Lost {
        jitter: fastrand::f64(),
    }
}

#[cfg(feature = "tls")]
async fn secure_within(limit: Duration, stream: TcpStream, psk: &Psk) -> std::io::Result<Link> {
    let done = tokio::time::timeout(limit, crate::tls::secure(stream, psk)).await;
    done.map_err(|_| std::io::Error::from(std::io::ErrorKind::TimedOut))?
        .map(|s| Link::Tls(Box::new(s)))
}

/// Without the feature no key can be made, so nothing comes here.
#[cfg(not(feature = "tls"))]
async fn secure_within(_: Duration, _: TcpStream, _: &Psk) -> std::io::Result<Link> {
    Err(std::io::Error::from(std::io::ErrorKind::Unsupported))
}

/// Something from the connection; never while it is down.
async fn wait_for(link: &mut Link, buffer: &mut [u8]) -> Woken {
    match link {
        Link::Down => std::future::pending().await,
        Link::Connecting(connect) => Woken::Connected(connect.as_mut().await),
        Link::Tcp { read, .. } => match read.read(buffer).await {
            Ok(n) if n > 0 => Woken::Received(n),
            _ => Woken::Lost,
        },
        #[cfg(feature = "tls")]
        Link::Tls(stream) => match stream.read(buffer).await {
            Ok(n) if n > 0 => Woken::Received(n),
            _ => Woken::Lost,
        },
        Link::Udp(udp) => match udp.receive(buffer).await {
            Ok(Datagram::Own(n)) => Woken::Received(n),
            Ok(Datagram::Foreign(from)) => Woken::Foreign(from),
            Err(_) => Woken::Lost,
        },
    }
}
