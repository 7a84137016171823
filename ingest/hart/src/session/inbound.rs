//! What comes from the server: messages to their requests, and to nobody when they are late or foreign.

use super::{
    Action, Failure, LONGEST_KEEP_ALIVE_MS, MasterChoice, Outstanding, Session, State, Transport,
    Trouble,
};
use crate::answer::Embedded;
use crate::command::{ReadCommand, Request};
use crate::frame::{Frame, FrameType, Master};
use crate::hartip::{
    Cutter, HartIpError, MAX_MESSAGE_LEN, Message, MessageId, MessageType, VERSION, status_code,
};
use crate::status::CodeClass;
use alloc::vec::Vec;

/// Bytes without a message between them after which a stream is given up.
const MOST_SKIPPED: usize = 2 * MAX_MESSAGE_LEN;
/// Damages in a minute after which a stream is given up.
const MOST_DAMAGES: u32 = 8;
const DAMAGE_WINDOW_MS: u64 = 60_000;
/// A publish message that is equal in number and bytes within this time is the same datagram again.
const DOUBLED_WITHIN_MS: u64 = 100;
const PUBLISHED_KEPT: usize = 16;
/// No server is sent keep-alives more often.
const SHORTEST_KEEP_ALIVE_MS: u64 = 100;

/// What is known about the health of the stream.
#[derive(Debug, Default)]
pub(super) struct Damage {
    /// Bytes left out since the last whole message.
    skipped: usize,
    times: u32,
    since_ms: Option<u64>,
    /// A message has begun and is not whole.
    incomplete_since_ms: Option<u64>,
    /// Publish messages of the last moment (UDP).
    published: Vec<(u64, u16, Vec<u8>)>,
}

impl Session {
    pub(super) fn received(&mut self, bytes: &[u8], now_ms: u64, out: &mut Vec<Action>) {
        if !self.listens() {
            return;
        }
        match self.config.transport {
            Transport::Tcp => self.stream(bytes, now_ms, out),
            Transport::Udp => self.datagram(bytes, now_ms, out),
        }
    }

    fn listens(&self) -> bool {
        matches!(
            self.state,
            State::Initiating { .. } | State::Open { .. } | State::Closing { .. }
        )
    }

    /// One datagram. Damage costs what is left of it, and nothing else.
    fn datagram(&mut self, mut bytes: &[u8], now_ms: u64, out: &mut Vec<Action>) {
        while !bytes.is_empty() && self.listens() {
            match Message::parse(bytes) {
                Ok((message, used)) => {
                    self.message(&message, now_ms, out);
                    bytes = bytes.get(used..).unwrap_or_default();
                }
                Err(e) => {
                    out.push(Action::Trouble(Trouble::Stream(e)));
                    return;
                }
            }
        }
    }

    fn stream(&mut self, mut bytes: &[u8], now_ms: u64, out: &mut Vec<Action>) {
        // The cutter is taken out so that messages can borrow from it while the session changes.
        let mut cutter = core::mem::take(&mut self.cutter);
        loop {
            let taken = cutter.push(bytes);
            bytes = bytes.get(taken..).unwrap_or_default();
            self.cut(&mut cutter, now_ms, out);
            if bytes.is_empty() || !self.listens() {
                break;
            }
        }
        if !self.listens() {
            cutter.clear();
        }
        self.cutter = cutter;
    }

    /// Takes out all messages that are whole; after damage goes on with the next one, while that is worth trying.
    fn cut(&mut self, cutter: &mut Cutter, now_ms: u64, out: &mut Vec<Action>) {
        while self.listens() {
            match cutter.next_message() {
                Ok(Some(message)) => {
                    self.message(&message, now_ms, out);
                    self.damage.skipped = 0;
                    self.damage.incomplete_since_ms = None;
                }
                Ok(None) => break,
                Err(e) => self.damaged(cutter, e, now_ms, out),
            }
        }
        if cutter.pending() == 0 {
            self.damage.incomplete_since_ms = None;
        } else {
            self.damage.incomplete_since_ms.get_or_insert(now_ms);
        }
    }

    fn damaged(
        &mut self,
        cutter: &mut Cutter,
        error: HartIpError,
        now_ms: u64,
        out: &mut Vec<Action>,
    ) {
        out.push(Action::Trouble(Trouble::Stream(error)));
        // Before the session is open, other bytes mean another protocol.
        if !matches!(self.state, State::Open { .. }) {
            self.drop_connection(out);
            return;
        }
        let d = &mut self.damage;
        if d.since_ms
            .is_none_or(|t| now_ms >= t.saturating_add(DAMAGE_WINDOW_MS))
        {
            (d.since_ms, d.times) = (Some(now_ms), 0);
        }
        d.times += 1;
        d.skipped += cutter.resync();
        d.incomplete_since_ms = None;
        if d.times > MOST_DAMAGES || d.skipped > MOST_SKIPPED {
            out.push(Action::Trouble(Trouble::OutOfStep));
            self.drop_connection(out);
        }
    }

    /// When a message that began and does not go on is given up.
    pub(super) fn stalls_ms(&self) -> Option<u64> {
        let since = self.damage.incomplete_since_ms?;
        matches!(self.state, State::Open { .. })
            .then(|| since.saturating_add(self.config.timeout_ms))
    }

    /// The byte count promised more than ever came: what it belongs to has timed out, so the next message is looked for.
    pub(super) fn stalled(&mut self, now_ms: u64, out: &mut Vec<Action>) {
        let mut cutter = core::mem::take(&mut self.cutter);
        let have = cutter.pending();
        let error = HartIpError::NeedMore {
            have,
            need: have + 1,
        };
        self.damaged(&mut cutter, error, now_ms, out);
        self.cut(&mut cutter, now_ms, out);
        self.cutter = cutter;
    }

    fn message(&mut self, m: &Message<'_>, now_ms: u64, out: &mut Vec<Action>) {
        self.silent_since_ms = (self.outstanding.len() > 1).then_some(now_ms);
        match (m.message_type, m.id, self.state) {
            (MessageType::Publish, MessageId::TokenPassing, State::Open { .. }) => {
                match whole_frame(m.body) {
                    Some(_) if self.is_doubled(m, now_ms) => {}
                    Some(f) => out.push(Action::Publish(f.to_vec())),
                    None => out.push(Action::Trouble(Trouble::BadFrame)),
                }
            }
            (
                MessageType::Response | MessageType::Error,
                MessageId::Initiate,
                State::Initiating { master: latest, .. },
            ) => {
                // An answer to an earlier offer is taken when it grants; a refusal must be for the latest.
                let offer = self.offers.iter().find(|(s, _)| *s == m.sequence).copied();
                let last = self.offers.last().map(|(s, _)| *s);
                if let Some((sequence, master)) = offer
                    && (Some(sequence) == last
                        || master == latest
                        || status_code::is_accepted(m.status))
                {
                    self.initiated(m, master, now_ms, out);
                }
            }
            (MessageType::Error, _, State::Initiating { .. }) => {
                let status = m.body.first().copied().unwrap_or(m.status);
                out.push(Action::Trouble(Trouble::Refused { status }));
                self.drop_connection(out);
            }
            // An answer to an earlier keep-alive shows as well that the server is there.
            (MessageType::Response, MessageId::KeepAlive, State::Open { .. }) => {
                if let State::Open { probe, .. } = &mut self.state {
                    *probe = None;
                }
            }
            // Granted again to a repeated offer: the newest role holds.
            (MessageType::Response, MessageId::Initiate, State::Open { .. })
                if status_code::is_accepted(m.status) =>
            {
                let offer = self.offers.iter().find(|(s, _)| *s == m.sequence);
                if let (Some((_, role)), State::Open { master, .. }) = (offer, &mut self.state) {
                    *master = *role;
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
        let other_version = m.status == status_code::VERSION_NOT_SUPPORTED && m.version != VERSION;
        if other_version {
            let version = m.version;
            out.push(Action::Trouble(Trouble::OtherVersion { version }));
            self.drop_connection(out);
        } else if m.message_type == MessageType::Response && status_code::is_accepted(m.status) {
            let inactivity_ms = m
                .initiate_body()
                .map_or(self.config.inactivity_ms, |(_, ms)| ms);
            // Timer 0 means that the server never closes on inactivity.
            let keep_alive_ms = match inactivity_ms {
                0 => LONGEST_KEEP_ALIVE_MS,
                ms => (u64::from(ms) * 8 / 10).clamp(SHORTEST_KEEP_ALIVE_MS, LONGEST_KEEP_ALIVE_MS),
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
            self.initiate(Master::Primary, self.repeats(), now_ms, out);
        } else {
            out.push(Action::Trouble(Trouble::Refused { status: m.status }));
            self.drop_connection(out);
        }
    }

    /// The same datagram a second time. Servers that do not count get the benefit of the doubt after a moment.
    fn is_doubled(&mut self, m: &Message<'_>, now_ms: u64) -> bool {
        if !self.is_udp() {
            return false;
        }
        let kept = &mut self.damage.published;
        kept.retain(|(at, _, _)| now_ms <= at.saturating_add(DOUBLED_WITHIN_MS));
        if kept.iter().any(|(_, s, b)| *s == m.sequence && b == m.body) {
            return true;
        }
        if kept.len() == PUBLISHED_KEPT {
            kept.remove(0);
        }
        kept.push((now_ms, m.sequence, m.body.to_vec()));
        false
    }

    pub(super) fn may_offer_primary(&self, offered: Master) -> bool {
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
}

/// The frame in a token-passing body, without preambles that some servers leave in front and without a tail.
fn whole_frame(body: &[u8]) -> Option<&[u8]> {
    let preambles = body.iter().take_while(|b| **b == 0xFF).count();
    let body = body.get(preambles..)?;
    let (_, used) = Frame::parse(body).ok()?;
    body.get(..used)
}

/// Whether a whole frame answers a request: for whoever reads a recording.
pub fn is_answer(frame: &[u8], request: &Request) -> bool {
    belongs(frame, request).is_ok()
}

/// Whether an answer belongs to a request: type, 38 address bits, command; behind an I/O system card, channel and the
/// embedded frame likewise.
fn belongs(bytes: &[u8], request: &Request) -> Result<(), Failure> {
    let (frame, _) = Frame::parse(bytes).map_err(|_| Failure::BadFrame)?;
    // The master bit is not compared, so either role does. Whoever has the tag answers a search.
    let searched = matches!(request, Request::Direct { command, .. } if command.is_search());
    let fits = frame.frame_type == FrameType::Answer
        && frame.command == request.outer_command()
        && (searched || frame.address.matches(request.address(Master::Primary)));
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
        return match request {
            Request::Direct { command, .. } => same_extended(&frame, command),
            _ => Ok(()),
        };
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
    if fits {
        same_extended(&e.frame, command)
    } else {
        Err(Failure::Mismatch)
    }
}

/// Within 31, data that come have to be of the 16-bit command that was asked.
fn same_extended(frame: &Frame<'_>, command: &ReadCommand) -> Result<(), Failure> {
    let Some(asked) = command.extended_number() else {
        return Ok(());
    };
    if !frame.status().is_some_and(|s| s.class().has_data()) {
        return Ok(());
    }
    match frame.data() {
        [hi, lo, ..] if u16::from_be_bytes([*hi, *lo]) == asked => Ok(()),
        _ => Err(Failure::Mismatch),
    }
}
