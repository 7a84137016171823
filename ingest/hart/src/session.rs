//! One HART-IP session as a pure state machine: events and a monotonic clock in, actions out.
//!
//! It connects, initiates (offering the secondary master first, when told to choose), keeps alive, numbers requests,
//! times them out, and backs off. An answer that comes after its time-out is given to nobody.

use crate::answer::Embedded;
use crate::command::{MAX_REQUEST_LEN, Request};
use crate::frame::{Frame, FrameType, Master};
use crate::hartip::{
    self, Cutter, HEADER_LEN, HartIpError, Message, MessageId, MessageType, status_code,
};
use crate::status::CodeClass;
use alloc::vec::Vec;

/// Which master the session offers to be.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum MasterChoice {
    /// Secondary; on silence or status 2 primary.
    #[default]
    Auto,
    Primary,
    Secondary,
}

impl MasterChoice {
    fn first(self) -> Master {
        match self {
            Self::Primary => Master::Primary,
            Self::Auto | Self::Secondary => Master::Secondary,
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Config {
    pub master: MasterChoice,
    /// Inactivity close timer that is asked for, ms.
    pub inactivity_ms: u32,
    /// How long an answer may take, ms.
    pub timeout_ms: u64,
    /// Most requests that are under way at once.
    pub max_outstanding: usize,
}

impl Default for Config {
    fn default() -> Self {
        Self {
            master: MasterChoice::Auto,
            inactivity_ms: 60_000,
            timeout_ms: 2_000,
            max_outstanding: 8,
        }
    }
}

/// What happened.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Event<'a> {
    /// Open the session and keep it open.
    Start,
    /// The connection asked for stands.
    Connected,
    /// Bytes came.
    Received(&'a [u8]),
    /// The connection is gone, or could not be made; `jitter` in 0..=1 spreads the next attempt.
    Lost { jitter: f64 },
    /// Send this; `token` comes back with the result.
    Submit { token: u64, request: Request },
    /// Nothing but time.
    Tick,
    /// Close the session and stay closed.
    Stop,
}

/// What the caller has to do or know.
#[derive(Clone, PartialEq, Debug)]
pub enum Action {
    /// Open a connection; report `Connected` or `Lost`.
    Connect,
    /// Send these bytes, one whole message.
    Transmit(Vec<u8>),
    /// Drop the connection; report `Lost`.
    Disconnect,
    /// The session is open in this role.
    Opened { master: Master, inactivity_ms: u32 },
    /// The answer to `token`: a whole frame that matches the request in address, command, card and channel.
    Answer { token: u64, frame: Vec<u8> },
    /// `token` gets no answer any more.
    Failed { token: u64, why: Failure },
    /// A burst message that the server passed on: a whole frame.
    Publish(Vec<u8>),
    /// Something to count and show.
    Trouble(Trouble),
    /// The session is closed for good after `Stop`.
    Closed,
}

/// Why a request has no answer.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Failure {
    #[error("no answer within the time-out")]
    Timeout,
    #[error("the session ended before the answer came")]
    Lost,
    #[error("the session is not open")]
    NotOpen,
    #[error("as many requests as allowed are under way")]
    Busy,
    #[error("the answer is damaged")]
    BadFrame,
    #[error("the answer belongs to another device or command")]
    Mismatch,
    #[error("the server answered with status {0}")]
    Status(u8),
}

/// What went wrong, for counters and the last error.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Trouble {
    #[error("request timed out")]
    Timeout,
    #[error("session refused with status {status} ({})", status_code::text(*.status))]
    Refused { status: u8 },
    #[error("server did not answer the session initiate as {} master", .master.as_str())]
    SilentInitiate { master: Master },
    #[error("damaged or unreadable answer")]
    BadFrame,
    #[error("answer for another device or command")]
    Mismatch,
    #[error("answer came after its time-out")]
    LateAnswer,
    #[error("connection lost")]
    Disconnected,
    #[error("could not connect")]
    ConnectFailed,
    #[error("keep-alive was not answered")]
    SilentKeepAlive,
    #[error("server closed the session")]
    ServerClosed,
    #[error("{0}")]
    Stream(HartIpError),
}

#[derive(Clone, Copy, PartialEq, Debug)]
enum State {
    Idle,
    Waiting {
        until_ms: u64,
    },
    Connecting {
        until_ms: u64,
    },
    Initiating {
        master: Master,
        sequence: u16,
        until_ms: u64,
    },
    Open {
        master: Master,
        keep_alive_ms: u64,
        next_keep_alive_ms: u64,
        probe: Option<Probe>,
    },
    Closing {
        sequence: u16,
        until_ms: u64,
    },
    /// `Disconnect` was asked for, `Lost` has not come yet.
    Dropping,
    Stopped,
}

/// A keep-alive under way.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Probe {
    sequence: u16,
    until_ms: u64,
}

#[derive(Clone, Copy, Debug)]
struct Outstanding {
    token: u64,
    sequence: u16,
    request: Request,
    until_ms: u64,
}

/// Sequence numbers that timed out and may still be answered.
const REMEMBERED: usize = 64;
const FIRST_BACK_OFF_MS: u64 = 1_000;
const LAST_BACK_OFF_MS: u64 = 30_000;
/// A connection is checked at least this often, however long a timer the server grants.
const LONGEST_KEEP_ALIVE_MS: u64 = 60_000;

/// The session. Feed it events, perform its actions in order, wake it at [`next_wake_ms`](Self::next_wake_ms).
#[derive(Debug)]
pub struct Session {
    config: Config,
    state: State,
    stopping: bool,
    cutter: Cutter,
    outstanding: Vec<Outstanding>,
    timed_out: Vec<u16>,
    sequence: u16,
    attempts: u32,
    /// Nothing came since then though something was asked.
    silent_since_ms: Option<u64>,
}

impl Session {
    pub fn new(config: Config) -> Self {
        Self {
            config,
            state: State::Idle,
            stopping: false,
            cutter: Cutter::default(),
            outstanding: Vec::with_capacity(config.max_outstanding),
            timed_out: Vec::with_capacity(REMEMBERED),
            sequence: 0,
            attempts: 0,
            silent_since_ms: None,
        }
    }

    /// The role taken, while the session is open.
    pub fn master(&self) -> Option<Master> {
        match self.state {
            State::Open { master, .. } => Some(master),
            _ => None,
        }
    }

    /// Whether a request would be sent now.
    pub fn can_submit(&self) -> bool {
        self.master().is_some() && self.outstanding.len() < self.config.max_outstanding
    }

    pub fn outstanding(&self) -> usize {
        self.outstanding.len()
    }

    /// When the session wants a `Tick` at the latest.
    pub fn next_wake_ms(&self) -> Option<u64> {
        let own = match self.state {
            State::Waiting { until_ms }
            | State::Connecting { until_ms }
            | State::Initiating { until_ms, .. }
            | State::Closing { until_ms, .. } => Some(until_ms),
            State::Open { probe: Some(p), .. } => Some(p.until_ms),
            State::Open {
                next_keep_alive_ms, ..
            } => Some(
                self.silence_limit_ms()
                    .map_or(next_keep_alive_ms, |s| s.min(next_keep_alive_ms)),
            ),
            State::Idle | State::Dropping | State::Stopped => None,
        };
        self.outstanding.iter().map(|o| o.until_ms).chain(own).min()
    }

    fn silence_limit_ms(&self) -> Option<u64> {
        self.silent_since_ms
            .map(|s| s.saturating_add(self.config.timeout_ms.saturating_mul(5)))
    }

    /// Takes an event at `now_ms` (monotonic) and appends what is to be done.
    pub fn handle(&mut self, event: Event<'_>, now_ms: u64, out: &mut Vec<Action>) {
        match event {
            Event::Start => {
                if self.state == State::Idle {
                    self.connect(now_ms, out);
                }
            }
            Event::Connected => {
                if let State::Connecting { .. } = self.state {
                    self.cutter.clear();
                    self.initiate(self.config.master.first(), now_ms, out);
                }
            }
            Event::Received(bytes) => self.received(bytes, now_ms, out),
            Event::Lost { jitter } => self.lost(jitter, now_ms, out),
            Event::Submit { token, request } => self.submit(token, request, now_ms, out),
            Event::Stop => self.stop(now_ms, out),
            Event::Tick => {}
        }
        self.expire(now_ms, out);
    }

    fn connect(&mut self, now_ms: u64, out: &mut Vec<Action>) {
        let until_ms = now_ms.saturating_add(self.config.timeout_ms.saturating_mul(2).max(5_000));
        self.state = State::Connecting { until_ms };
        out.push(Action::Connect);
    }

    fn initiate(&mut self, master: Master, now_ms: u64, out: &mut Vec<Action>) {
        let sequence = self.next_sequence();
        let until_ms = now_ms.saturating_add(self.config.timeout_ms);
        self.state = State::Initiating {
            master,
            sequence,
            until_ms,
        };
        let bytes = hartip::encode_initiate(sequence, master, self.config.inactivity_ms);
        out.push(Action::Transmit(bytes.to_vec()));
    }

    /// Counts up, past numbers that may still be answered.
    fn next_sequence(&mut self) -> u16 {
        loop {
            self.sequence = self.sequence.wrapping_add(1);
            let s = self.sequence;
            if !self.timed_out.contains(&s) && !self.outstanding.iter().any(|o| o.sequence == s) {
                return s;
            }
        }
    }

    fn submit(&mut self, token: u64, request: Request, now_ms: u64, out: &mut Vec<Action>) {
        let Some(master) = self.master() else {
            out.push(Action::Failed {
                token,
                why: Failure::NotOpen,
            });
            return;
        };
        if self.outstanding.len() >= self.config.max_outstanding {
            out.push(Action::Failed {
                token,
                why: Failure::Busy,
            });
            return;
        }
        let sequence = self.next_sequence();
        let mut bytes = [0u8; HEADER_LEN + MAX_REQUEST_LEN];
        let Ok(len) = hartip::encode_request(sequence, &request, master, &mut bytes) else {
            // The buffer holds the longest request there is; kept as an error rather than a panic.
            out.push(Action::Failed {
                token,
                why: Failure::BadFrame,
            });
            return;
        };
        let until_ms = now_ms.saturating_add(self.config.timeout_ms);
        self.outstanding.push(Outstanding {
            token,
            sequence,
            request,
            until_ms,
        });
        self.silent_since_ms.get_or_insert(now_ms);
        self.touched(now_ms);
        out.push(Action::Transmit(
            bytes.get(..len).unwrap_or_default().to_vec(),
        ));
    }

    /// Any request restarts the server's inactivity timer.
    fn touched(&mut self, now_ms: u64) {
        if let State::Open {
            keep_alive_ms,
            next_keep_alive_ms,
            ..
        } = &mut self.state
        {
            *next_keep_alive_ms = now_ms.saturating_add(*keep_alive_ms);
        }
    }

    fn stop(&mut self, now_ms: u64, out: &mut Vec<Action>) {
        self.stopping = true;
        self.fail_all(Failure::Lost, out);
        match self.state {
            State::Open { .. } => {
                let sequence = self.next_sequence();
                self.state = State::Closing {
                    sequence,
                    until_ms: now_ms.saturating_add(self.config.timeout_ms),
                };
                out.push(Action::Transmit(hartip::encode_close(sequence).to_vec()));
            }
            State::Connecting { .. } | State::Initiating { .. } => self.drop_connection(out),
            State::Idle | State::Waiting { .. } => {
                self.state = State::Stopped;
                out.push(Action::Closed);
            }
            State::Closing { .. } | State::Dropping | State::Stopped => {}
        }
    }

    fn drop_connection(&mut self, out: &mut Vec<Action>) {
        if self.state != State::Dropping {
            self.state = State::Dropping;
            out.push(Action::Disconnect);
            self.fail_all(Failure::Lost, out);
        }
    }

    fn fail_all(&mut self, why: Failure, out: &mut Vec<Action>) {
        out.extend(self.outstanding.drain(..).map(|o| Action::Failed {
            token: o.token,
            why,
        }));
        self.silent_since_ms = None;
    }

    fn lost(&mut self, jitter: f64, now_ms: u64, out: &mut Vec<Action>) {
        match self.state {
            State::Idle | State::Waiting { .. } | State::Stopped => return,
            State::Connecting { .. } => out.push(Action::Trouble(Trouble::ConnectFailed)),
            State::Dropping => {}
            _ if self.stopping => {}
            _ => out.push(Action::Trouble(Trouble::Disconnected)),
        }
        self.fail_all(Failure::Lost, out);
        self.timed_out.clear();
        self.cutter.clear();
        if self.stopping {
            self.state = State::Stopped;
            out.push(Action::Closed);
            return;
        }
        self.attempts = self.attempts.saturating_add(1);
        let wait = back_off_ms(self.attempts, jitter);
        self.state = State::Waiting {
            until_ms: now_ms.saturating_add(wait),
        };
    }

    fn received(&mut self, mut bytes: &[u8], now_ms: u64, out: &mut Vec<Action>) {
        if !matches!(
            self.state,
            State::Initiating { .. } | State::Open { .. } | State::Closing { .. }
        ) {
            return;
        }
        // The cutter is taken out so that messages can borrow from it while the session changes.
        let mut cutter = core::mem::take(&mut self.cutter);
        loop {
            let taken = cutter.push(bytes);
            bytes = bytes.get(taken..).unwrap_or_default();
            loop {
                match cutter.next_message() {
                    Ok(Some(message)) => self.message(&message, now_ms, out),
                    Ok(None) => break,
                    Err(e) => {
                        out.push(Action::Trouble(Trouble::Stream(e)));
                        self.drop_connection(out);
                    }
                }
                if self.state == State::Dropping {
                    cutter.clear();
                    self.cutter = cutter;
                    return;
                }
            }
            if bytes.is_empty() {
                break;
            }
        }
        self.cutter = cutter;
    }

    fn message(&mut self, m: &Message<'_>, now_ms: u64, out: &mut Vec<Action>) {
        self.silent_since_ms = (self.outstanding.len() > 1).then_some(now_ms);
        match (m.message_type, m.id, self.state) {
            (MessageType::Publish, MessageId::TokenPassing, State::Open { .. }) => {
                match whole_frame(m.body) {
                    Some(f) => out.push(Action::Publish(f.to_vec())),
                    None => out.push(Action::Trouble(Trouble::BadFrame)),
                }
            }
            (
                MessageType::Response | MessageType::Error,
                MessageId::Initiate,
                State::Initiating {
                    master, sequence, ..
                },
            ) if m.sequence == sequence => self.initiated(m, master, now_ms, out),
            (MessageType::Error, _, State::Initiating { .. }) => {
                let status = m.body.first().copied().unwrap_or(m.status);
                out.push(Action::Trouble(Trouble::Refused { status }));
                self.drop_connection(out);
            }
            (MessageType::Response, MessageId::KeepAlive, State::Open { .. }) => {
                if let State::Open { probe, .. } = &mut self.state
                    && probe.is_some_and(|p| p.sequence == m.sequence)
                {
                    *probe = None;
                }
            }
            (MessageType::Response, MessageId::TokenPassing, State::Open { .. }) => {
                self.answer(m, out)
            }
            (MessageType::Error, _, State::Open { .. }) => self.error_message(m, out),
            (MessageType::Response, MessageId::Close, State::Closing { sequence, .. })
                if m.sequence == sequence =>
            {
                self.drop_connection(out);
            }
            (_, MessageId::Close, State::Open { .. }) => {
                out.push(Action::Trouble(Trouble::ServerClosed));
                self.drop_connection(out);
            }
            // Late answers to an earlier initiate, messages of a kind we did not ask for.
            _ => {}
        }
    }

    fn initiated(&mut self, m: &Message<'_>, master: Master, now_ms: u64, out: &mut Vec<Action>) {
        if m.message_type == MessageType::Response && status_code::is_accepted(m.status) {
            let inactivity_ms = m
                .initiate_body()
                .map_or(self.config.inactivity_ms, |(_, ms)| ms);
            // Timer 0 means that the server never closes on inactivity.
            let keep_alive_ms = match u64::from(inactivity_ms) * 8 / 10 {
                0 => LONGEST_KEEP_ALIVE_MS,
                ms => ms.min(LONGEST_KEEP_ALIVE_MS),
            };
            let next_keep_alive_ms = now_ms.saturating_add(keep_alive_ms);
            self.state = State::Open {
                master,
                keep_alive_ms,
                next_keep_alive_ms,
                probe: None,
            };
            out.push(Action::Opened {
                master,
                inactivity_ms,
            });
        } else if m.status == status_code::INVALID_SELECTION && self.may_offer_primary(master) {
            self.initiate(Master::Primary, now_ms, out);
        } else {
            out.push(Action::Trouble(Trouble::Refused { status: m.status }));
            self.drop_connection(out);
        }
    }

    fn may_offer_primary(&self, offered: Master) -> bool {
        self.config.master == MasterChoice::Auto && offered == Master::Secondary
    }

    /// Takes the request that a sequence number belongs to; a late or unknown number belongs to nobody.
    fn take_outstanding(&mut self, sequence: u16, out: &mut Vec<Action>) -> Option<Outstanding> {
        match self.outstanding.iter().position(|o| o.sequence == sequence) {
            Some(i) => Some(self.outstanding.swap_remove(i)),
            None => {
                self.timed_out.retain(|s| *s != sequence);
                out.push(Action::Trouble(Trouble::LateAnswer));
                None
            }
        }
    }

    fn answer(&mut self, m: &Message<'_>, out: &mut Vec<Action>) {
        let Some(o) = self.take_outstanding(m.sequence, out) else {
            return;
        };
        let token = o.token;
        if !status_code::is_accepted(m.status) {
            out.push(Action::Failed {
                token,
                why: Failure::Status(m.status),
            });
            return;
        }
        let Some(bytes) = whole_frame(m.body) else {
            out.push(Action::Trouble(Trouble::BadFrame));
            out.push(Action::Failed {
                token,
                why: Failure::BadFrame,
            });
            return;
        };
        match belongs(bytes, &o.request) {
            Ok(()) => {
                self.attempts = 0;
                out.push(Action::Answer {
                    token,
                    frame: bytes.to_vec(),
                });
            }
            Err(why) => {
                let trouble = if why == Failure::Mismatch {
                    Trouble::Mismatch
                } else {
                    Trouble::BadFrame
                };
                out.push(Action::Trouble(trouble));
                out.push(Action::Failed { token, why });
            }
        }
    }

    fn error_message(&mut self, m: &Message<'_>, out: &mut Vec<Action>) {
        let status = m.body.first().copied().unwrap_or(m.status);
        // Code 0 says that the session is closed.
        if status == 0 {
            out.push(Action::Trouble(Trouble::ServerClosed));
            self.drop_connection(out);
        } else if let Some(o) = self.take_outstanding(m.sequence, out) {
            out.push(Action::Failed {
                token: o.token,
                why: Failure::Status(status),
            });
        }
    }

    /// Everything whose time has come.
    fn expire(&mut self, now_ms: u64, out: &mut Vec<Action>) {
        let mut i = 0;
        while let Some(o) = self.outstanding.get(i).copied() {
            if o.until_ms > now_ms {
                i += 1;
                continue;
            }
            self.outstanding.swap_remove(i);
            if self.timed_out.len() == REMEMBERED {
                self.timed_out.remove(0);
            }
            self.timed_out.push(o.sequence);
            out.push(Action::Trouble(Trouble::Timeout));
            out.push(Action::Failed {
                token: o.token,
                why: Failure::Timeout,
            });
        }
        match self.state {
            State::Waiting { until_ms } if until_ms <= now_ms => self.connect(now_ms, out),
            State::Connecting { until_ms } if until_ms <= now_ms => {
                out.push(Action::Trouble(Trouble::ConnectFailed));
                self.drop_connection(out);
            }
            State::Initiating {
                master, until_ms, ..
            } if until_ms <= now_ms => {
                out.push(Action::Trouble(Trouble::SilentInitiate { master }));
                if self.may_offer_primary(master) {
                    self.initiate(Master::Primary, now_ms, out);
                } else {
                    self.drop_connection(out);
                }
            }
            State::Closing { until_ms, .. } if until_ms <= now_ms => self.drop_connection(out),
            State::Open { probe: Some(p), .. } if p.until_ms <= now_ms => {
                out.push(Action::Trouble(Trouble::SilentKeepAlive));
                self.drop_connection(out);
            }
            State::Open {
                probe: None,
                next_keep_alive_ms,
                ..
            } if next_keep_alive_ms <= now_ms
                || self.silence_limit_ms().is_some_and(|s| s <= now_ms) =>
            {
                let sequence = self.next_sequence();
                self.silent_since_ms = None;
                self.touched(now_ms);
                if let State::Open { probe, .. } = &mut self.state {
                    *probe = Some(Probe {
                        sequence,
                        until_ms: now_ms.saturating_add(self.config.timeout_ms),
                    });
                }
                out.push(Action::Transmit(
                    hartip::encode_keep_alive(sequence).to_vec(),
                ));
            }
            _ => {}
        }
    }
}

/// 1 s doubling to 30 s, spread over 0.75 to 1.25 of it.
fn back_off_ms(attempts: u32, jitter: f64) -> u64 {
    let doubled = FIRST_BACK_OFF_MS << attempts.saturating_sub(1).min(5);
    let base = doubled.min(LAST_BACK_OFF_MS) as f64;
    let jitter = if jitter.is_finite() {
        jitter.clamp(0.0, 1.0)
    } else {
        0.5
    };
    (base * (0.75 + 0.5 * jitter)) as u64
}

/// The frame in a token-passing body, without preambles that some servers leave in front and without a tail.
fn whole_frame(body: &[u8]) -> Option<&[u8]> {
    let preambles = body.iter().take_while(|b| **b == 0xFF).count();
    let body = body.get(preambles..)?;
    let (_, used) = Frame::parse(body).ok()?;
    body.get(..used)
}

/// Whether an answer belongs to a request: type, 38 address bits, command; behind an I/O system card, channel and the
/// embedded frame likewise.
fn belongs(bytes: &[u8], request: &Request) -> Result<(), Failure> {
    let (frame, _) = Frame::parse(bytes).map_err(|_| Failure::BadFrame)?;
    // The master bit is not compared, so either role does.
    let fits = frame.frame_type == FrameType::Answer
        && frame.command == request.outer_command()
        && frame.address.matches(request.address(Master::Primary));
    if !fits {
        return Err(Failure::Mismatch);
    }
    let Request::Through {
        card,
        channel,
        to,
        command,
        ..
    } = request
    else {
        return Ok(());
    };
    let outer = frame.status().map_or(CodeClass::Error, |s| s.class());
    if !outer.has_data() {
        return Ok(());
    }
    let e = Embedded::decode(frame.data()).map_err(|_| Failure::BadFrame)?;
    let fits = e.card == *card
        && e.channel == *channel
        && e.frame.frame_type == FrameType::Answer
        && e.frame.command == command.number()
        && e.frame.address.unique() == Some(*to);
    if fits { Ok(()) } else { Err(Failure::Mismatch) }
}
