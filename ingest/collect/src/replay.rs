//! A recording of the wire, message by message, back into readings: the poller's own code with the requests that were sent.
//!
//! Sans IO: whoever reads the file hands on whole HART-IP messages of one gateway in their order. Rows bear the times of
//! the recording, so two replays of one file are equal, and rows of answered polls equal those that were stored. A poll
//! that nobody answered is given up at its time-out, a timer's jitter beside the row that was stored.

mod read_back;

use crate::config::GatewayConfig;
use crate::device::Discovered;
use crate::directory::LoopDirectory;
use crate::poller::{Claims, Moment, Poller};
use ingest_hart::hartip::{Message, MessageId, MessageType};
use ingest_hart::session::{Failure, is_answer};
use ingest_hart::{Frame, Request};
use ingest_model::{Reading, Tag, UtcMicros};
use std::sync::Arc;

/// A request whose answer may still come.
struct Pending {
    sequence: u16,
    token: u64,
    request: Request,
    until_ms: u64,
}

/// One gateway.
pub struct Replay {
    poller: Poller,
    timeout_ms: u64,
    start: Option<UtcMicros>,
    pending: Vec<Pending>,
    open: bool,
}

impl std::fmt::Debug for Replay {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Replay")
            .field("poller", &self.poller)
            .finish()
    }
}

impl Replay {
    /// `config` as it was collected with: name, time-out, retries and polling period go into the rows.
    pub fn new(
        config: GatewayConfig,
        directory: Arc<dyn LoopDirectory>,
        claims: Arc<Claims>,
    ) -> Self {
        let timeout_ms = u64::try_from(config.timeout.as_millis()).unwrap_or(u64::MAX);
        Self {
            poller: Poller::new(config, directory, claims, Arc::default(), 0),
            timeout_ms: timeout_ms.max(1),
            start: None,
            pending: Vec::new(),
            open: false,
        }
    }

    fn moment(&mut self, time: UtcMicros) -> Moment {
        let start = *self.start.get_or_insert(time);
        let us = time.0.saturating_sub(start.0).max(0);
        Moment {
            ms: u64::try_from(us / 1_000).unwrap_or(0),
            wall: time,
        }
    }

    /// One whole message; `sent`: by us.
    pub fn message(&mut self, time: UtcMicros, sent: bool, bytes: &[u8]) {
        let now = self.moment(time);
        self.expire(now);
        let Ok((m, _)) = Message::parse(bytes) else {
            return;
        };
        match (sent, m.message_type, m.id) {
            (true, MessageType::Request, MessageId::Initiate) => self.close(now),
            (true, MessageType::Request, MessageId::Close) => self.close(now),
            (true, MessageType::Request, MessageId::TokenPassing) => {
                if let Some(request) = read_back::request(m.body)
                    && let Some(token) = self.poller.recorded(request, now)
                {
                    self.pending.push(Pending {
                        sequence: m.sequence,
                        token,
                        request,
                        until_ms: now.ms.saturating_add(self.timeout_ms),
                    });
                }
            }
            // 0, or a warning with which the session stands.
            (false, MessageType::Response, MessageId::Initiate)
                if matches!(m.status, 0 | 8 | 14 | 30) && !self.open =>
            {
                self.open = true;
                self.poller.opened(now);
            }
            (false, MessageType::Response, MessageId::Initiate) => {}
            (false, MessageType::Response, MessageId::TokenPassing) => self.answer(&m, now),
            (false, MessageType::Publish, MessageId::TokenPassing) => {
                if let Some(frame) = whole_frame(m.body) {
                    self.poller.published(frame, now);
                }
            }
            (false, ..) => {
                if let Some(p) = self.take(m.sequence) {
                    self.poller.failed(p.token, Failure::Status(m.status), now);
                }
            }
            _ => {}
        }
    }

    fn answer(&mut self, m: &Message<'_>, now: Moment) {
        let Some(p) = self.take(m.sequence) else {
            // After its time-out: given to nobody, as then.
            return;
        };
        match whole_frame(m.body) {
            Some(frame) if m.status == 0 && is_answer(frame, &p.request) => {
                self.poller.answered(p.token, frame, now);
            }
            _ => self.poller.failed(p.token, Failure::Mismatch, now),
        }
    }

    fn take(&mut self, sequence: u16) -> Option<Pending> {
        let at = self.pending.iter().position(|p| p.sequence == sequence)?;
        Some(self.pending.remove(at))
    }

    /// Requests whose time is over by `now`, in the order of their ends.
    fn expire(&mut self, now: Moment) {
        while let Some(at) = self.pending.iter().position(|p| p.until_ms <= now.ms) {
            let p = self.pending.remove(at);
            let over_us = i64::try_from(now.ms - p.until_ms).unwrap_or(0) * 1_000;
            let then = Moment {
                ms: p.until_ms,
                wall: UtcMicros(now.wall.0.saturating_sub(over_us)),
            };
            self.poller.failed(p.token, Failure::Timeout, then);
        }
    }

    /// The session or its connection ended.
    pub fn closed(&mut self, time: UtcMicros) {
        let now = self.moment(time);
        self.expire(now);
        self.close(now);
    }

    fn close(&mut self, now: Moment) {
        for p in std::mem::take(&mut self.pending) {
            self.poller.failed(p.token, Failure::Lost, now);
        }
        if std::mem::take(&mut self.open) {
            self.poller.closed(now);
        }
    }

    /// Rows so far.
    pub fn take_readings(&mut self) -> Vec<(Tag, Reading)> {
        self.poller.take_readings()
    }

    /// Descriptions of devices so far.
    pub fn take_discovered(&mut self) -> Option<Discovered> {
        self.poller.take_discovered()
    }
}

fn whole_frame(body: &[u8]) -> Option<&[u8]> {
    let preambles = body.iter().take_while(|b| **b == 0xFF).count();
    let body = body.get(preambles..)?;
    let (_, used) = Frame::parse(body).ok()?;
    body.get(..used)
}
