//! What comes from the server: messages to their requests, and to nobody when they are late or foreign.

use super::{
    Action, Failure, LONGEST_KEEP_ALIVE_MS, MasterChoice, Outstanding, Session, State, Trouble,
};
use crate::answer::Embedded;
use crate::command::Request;
use crate::frame::{Frame, FrameType, Master};
use crate::hartip::{Message, MessageId, MessageType, status_code};
use crate::status::CodeClass;
use alloc::vec::Vec;

impl Session {
    pub(super) fn received(&mut self, mut bytes: &[u8], now_ms: u64, out: &mut Vec<Action>) {
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
