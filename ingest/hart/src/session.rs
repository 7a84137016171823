//! One HART-IP session as a pure state machine: events and a monotonic clock in, actions out.
//!
//! It connects, initiates (offering the secondary master first, when told to choose), keeps alive, numbers requests,
//! times them out, and backs off. An answer that comes after its time-out is given to nobody.

mod inbound;

use crate::command::{MAX_REQUEST_LEN, Request};
use crate::frame::Master;
use crate::hartip::{self, Cutter, HEADER_LEN, HartIpError, status_code};
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
/// A session message is answered by the server itself: no slow loop is in the way, whatever time a loop is given.
const SESSION_ANSWER_MS: u64 = 2_000;
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

    fn session_answer_ms(&self) -> u64 {
        self.config.timeout_ms.min(SESSION_ANSWER_MS)
    }

    fn initiate(&mut self, master: Master, now_ms: u64, out: &mut Vec<Action>) {
        let sequence = self.next_sequence();
        let until_ms = now_ms.saturating_add(self.session_answer_ms());
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
                    until_ms: now_ms.saturating_add(self.session_answer_ms()),
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
                // Some servers never answer a secondary master: that is why the other role is offered.
                if self.may_offer_primary(master) {
                    self.initiate(Master::Primary, now_ms, out);
                } else {
                    out.push(Action::Trouble(Trouble::SilentInitiate { master }));
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
