//! One HART-IP session as a pure state machine: events and a monotonic clock in, actions out.
//!
//! It connects, initiates (offering the secondary master first, when told to choose), keeps alive, numbers requests,
//! times them out, and backs off. An answer that comes after its time-out is given to nobody.
//!
//! Over UDP a datagram may be lost, doubled or overtaken: session messages are sent again before they count as
//! unanswered, requests are tried again by whoever submits them (with a new number, so that an answer to the first try
//! is late), and a session that is left is closed, since no connection ends with it.

mod event;
mod inbound;
mod timers;

pub use event::{Action, Config, Event, Failure, MasterChoice, Transport, Trouble};
pub use inbound::is_answer;

use crate::command::{MAX_REQUEST_LEN, Request};
use crate::frame::Master;
use crate::hartip::{self, Cutter, HEADER_LEN};
use alloc::vec::Vec;

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
        until_ms: u64,
        /// How often it is sent again before it counts as unanswered.
        repeats: u8,
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
    until_ms: u64,
    /// How often it is sent again before it counts as unanswered.
    repeats: u8,
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
/// A session message is answered by the server itself: no slow loop is in the way, whatever time a loop is given.
const SESSION_ANSWER_MS: u64 = 2_000;
/// A session message may be lost over UDP: it is sent so often more.
const UDP_REPEATS: u8 = 2;
/// A connection is checked at least this often, however long a timer the server grants.
const LONGEST_KEEP_ALIVE_MS: u64 = 60_000;

/// The session. Feed it events, perform its actions in order, wake it at [`next_wake_ms`](Self::next_wake_ms).
#[derive(Debug)]
pub struct Session {
    config: Config,
    state: State,
    stopping: bool,
    cutter: Cutter,
    damage: inbound::Damage,
    /// Session initiates of this connection; an answer to an earlier one opens the session just as well.
    offers: Vec<(u16, Master)>,
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
            damage: inbound::Damage::default(),
            offers: Vec::new(),
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
        self.outstanding
            .iter()
            .map(|o| o.until_ms)
            .chain(own)
            .chain(self.stalls_ms())
            .min()
    }

    fn is_udp(&self) -> bool {
        self.config.transport == Transport::Udp
    }

    fn repeats(&self) -> u8 {
        if self.is_udp() { UDP_REPEATS } else { 0 }
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
                    self.damage = inbound::Damage::default();
                    self.offers.clear();
                    self.initiate(self.config.master.first(), self.repeats(), now_ms, out);
                }
            }
            Event::Received(bytes) => {
                // Where the caller was held up, the time-out may lie between the last event and these bytes: what they
                // answer then is late. On the very tick of it bytes come first.
                self.expire_requests(now_ms.saturating_sub(1), out);
                self.received(bytes, now_ms, out);
            }
            Event::Lost { jitter } => self.lost(jitter, now_ms, out),
            Event::Reject => {
                if matches!(
                    self.state,
                    State::Initiating { .. } | State::Open { .. } | State::Closing { .. }
                ) {
                    self.drop_connection(out);
                }
            }
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

    fn initiate(&mut self, master: Master, repeats: u8, now_ms: u64, out: &mut Vec<Action>) {
        let sequence = self.next_sequence();
        let until_ms = now_ms.saturating_add(self.session_answer_ms());
        self.state = State::Initiating {
            master,
            until_ms,
            repeats,
        };
        self.offers.push((sequence, master));
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
            // No connection ends the session over UDP; an initiate whose answer was lost may have opened one too.
            let held = matches!(self.state, State::Open { .. } | State::Initiating { .. });
            if held && self.is_udp() {
                let sequence = self.next_sequence();
                out.push(Action::Transmit(hartip::encode_close(sequence).to_vec()));
            }
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
        self.offers.clear();
        if self.stopping {
            self.state = State::Stopped;
            out.push(Action::Closed);
            return;
        }
        self.attempts = self.attempts.saturating_add(1);
        let wait = timers::back_off_ms(self.attempts, jitter);
        self.state = State::Waiting {
            until_ms: now_ms.saturating_add(wait),
        };
    }
}
