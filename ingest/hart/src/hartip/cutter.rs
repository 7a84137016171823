//! Cuts a TCP stream into messages: joined and split ones, and finds the next message after damage. Its buffer never grows.

use super::{HEADER_LEN, HartIpError, MAX_MESSAGE_LEN, Message, MessageId, MessageType};
use crate::frame::{Frame, FrameType};
use alloc::vec::Vec;

/// A stream in pieces of any size; [`push`](Self::push) bytes in, take messages out.
#[derive(Debug, Default)]
pub struct Cutter {
    buffer: Vec<u8>,
    start: usize,
}

impl Cutter {
    /// One whole message beside a part of the next.
    const CAPACITY: usize = 2 * MAX_MESSAGE_LEN;

    /// Takes as many bytes as there is room for and says how many; take messages out before the rest.
    pub fn push(&mut self, bytes: &[u8]) -> usize {
        if self.start > 0 {
            self.buffer.drain(..self.start);
            self.start = 0;
        }
        self.buffer
            .reserve_exact(Self::CAPACITY - self.buffer.len());
        let take = bytes.len().min(Self::CAPACITY - self.buffer.len());
        self.buffer
            .extend_from_slice(bytes.get(..take).unwrap_or_default());
        take
    }

    /// The next whole message, or `None` when more bytes are needed.
    pub fn next_message(&mut self) -> Result<Option<Message<'_>>, HartIpError> {
        match Message::parse(self.buffer.get(self.start..).unwrap_or_default()) {
            Ok((message, used)) => {
                let body = real_body(&message);
                let swallowed = message.body.len() - body.len();
                self.start += used - swallowed;
                Ok(Some(Message { body, ..message }))
            }
            Err(HartIpError::NeedMore { .. }) => Ok(None),
            Err(e) => Err(e),
        }
    }

    /// Leaves out at least one byte, up to where the next message may start; says how many. Bytes that may be the
    /// beginning of a header stay.
    pub fn resync(&mut self) -> usize {
        let rest = self.buffer.get(self.start..).unwrap_or_default();
        let skipped = (1..rest.len())
            .find(|i| rest.get(*i..).is_some_and(may_start))
            .unwrap_or(rest.len());
        self.start += skipped;
        skipped
    }

    /// Bytes that wait for the rest of their message.
    pub fn pending(&self) -> usize {
        self.buffer.len() - self.start
    }

    pub fn clear(&mut self) {
        self.buffer.clear();
        self.start = 0;
    }
}

/// The body without messages that a byte count set too high has swallowed: the frame inside says where it ends.
fn real_body<'a>(m: &Message<'a>) -> &'a [u8] {
    if m.id != MessageId::TokenPassing {
        return m.body;
    }
    let preambles = m.body.iter().take_while(|b| **b == 0xFF).count();
    let frame = m.body.get(preambles..).unwrap_or_default();
    let Ok((_, used)) = Frame::parse(frame) else {
        return m.body;
    };
    match m.body.split_at_checked(preambles + used) {
        // A tail of another kind is left alone; whoever reads the frame ignores it.
        Some((own, tail)) if tail.len() >= HEADER_LEN && may_start(tail) => own,
        _ => m.body,
    }
}

/// Whether a message of a server may start here, as far as the bytes reach.
fn may_start(bytes: &[u8]) -> bool {
    let at = |i: usize| bytes.get(i).copied();
    let head = at(0).is_none_or(|v| matches!(v, 1 | 2))
        && at(1).is_none_or(|t| matches!(t, 1..=3 | 15))
        && at(2).is_none_or(|id| id <= 3);
    if !head {
        return false;
    }
    match Message::parse(bytes) {
        Ok((m, _)) => fits(&m),
        Err(HartIpError::NeedMore { need, .. }) => {
            let id = at(2);
            let long_enough = need > HEADER_LEN || id.is_none_or(|id| id != 3) || bytes.len() < 8;
            // Session messages are short; only a frame is waited for.
            let short = id.is_none_or(|id| id == 3) || need <= HEADER_LEN + 5;
            let starts = at(HEADER_LEN).is_none_or(|b| id != Some(3) || is_frame_start(b));
            long_enough && short && starts
        }
        Err(_) => false,
    }
}

fn is_frame_start(b: u8) -> bool {
    // Preamble, answer or burst with short or long address, FSK or PSK.
    b == 0xFF || (matches!(b & 0x07, 1 | 6) && b & 0x70 == 0)
}

/// A whole message that makes sense in itself.
fn fits(m: &Message<'_>) -> bool {
    match (m.message_type, m.id) {
        (MessageType::Error, _) => m.body.len() <= 1,
        (MessageType::Response, MessageId::Initiate) => matches!(m.body.len(), 0 | 5),
        (MessageType::Response, MessageId::Close | MessageId::KeepAlive) => m.body.is_empty(),
        (MessageType::Response | MessageType::Publish, MessageId::TokenPassing) => {
            let preambles = m.body.iter().take_while(|b| **b == 0xFF).count();
            // A refusal in the header's status comes without a frame.
            (m.body.is_empty() && m.status != 0)
                || Frame::parse(m.body.get(preambles..).unwrap_or_default())
                    .is_ok_and(|(f, _)| f.frame_type != FrameType::Request)
        }
        _ => false,
    }
}
