//! One direction of a TCP connection, put in order.

use super::super::{Piece, Start, Wire, message_start, next_piece};
use ingest_model::UtcMicros;
use std::collections::BTreeMap;

/// Bytes ahead of a hole that are kept while it may still be filled.
const AHEAD: usize = 1 << 16;

/// A piece and where it was completed.
pub(super) struct Taken {
    pub(super) piece: Piece,
    pub(super) packet: u64,
    pub(super) time: UtcMicros,
    pub(super) missing_before: u64,
}

#[derive(Default)]
pub(super) struct Flow {
    /// Sequence number of the byte after the buffer.
    next: Option<u32>,
    buffer: Vec<u8>,
    /// Offset of the buffer's front in the stream.
    front: u64,
    /// Length of the buffer after each segment, with packet and time.
    marks: Vec<(usize, u64, UtcMicros)>,
    /// Segments beyond a hole, by distance from `next` at the time; the packets they came in.
    ahead: BTreeMap<u32, (Vec<u8>, u64, UtcMicros)>,
    missing: u64,
    /// Whether it speaks HART-IP, once known.
    verdict: Option<bool>,
    last: (u64, UtcMicros),
}

impl Flow {
    pub(super) fn is_other(&self) -> bool {
        self.verdict == Some(false)
    }

    pub(super) fn segment(
        &mut self,
        sequence: u32,
        syn: bool,
        bytes: &[u8],
        (packet, time): (u64, UtcMicros),
    ) {
        self.last = (packet, time);
        if syn {
            self.next = Some(sequence.wrapping_add(1));
            return;
        }
        if bytes.is_empty() || self.is_other() {
            return;
        }
        self.ahead
            .entry(sequence)
            .and_modify(|old| {
                if old.0.len() < bytes.len() {
                    *old = (bytes.to_vec(), packet, time);
                }
            })
            .or_insert_with(|| (bytes.to_vec(), packet, time));
        self.next.get_or_insert(sequence);
        self.join();
    }

    /// Moves what follows on into the buffer.
    fn join(&mut self) {
        while let Some(next) = self.next {
            // A segment that begins at or before the next byte; further on there is a hole.
            let due = self
                .ahead
                .keys()
                .copied()
                .find(|s| (s.wrapping_sub(next) as i32) <= 0);
            let Some(sequence) = due else { return };
            let Some((bytes, packet, time)) = self.ahead.remove(&sequence) else {
                return;
            };
            let known = next.wrapping_sub(sequence) as usize;
            let Some(new) = bytes.get(known..).filter(|n| !n.is_empty()) else {
                continue;
            };
            self.buffer.extend_from_slice(new);
            self.next = Some(next.wrapping_add(new.len() as u32));
            self.marks.push((self.buffer.len(), packet, time));
        }
    }

    /// Gives up waiting for what is missing.
    fn skip_hole(&mut self) -> bool {
        let Some(next) = self.next else { return false };
        let nearest = self
            .ahead
            .keys()
            .copied()
            .min_by_key(|s| s.wrapping_sub(next));
        let Some(sequence) = nearest else {
            return false;
        };
        let hole = u64::from(sequence.wrapping_sub(next));
        self.missing += hole;
        self.front += hole;
        self.next = Some(sequence);
        self.join();
        true
    }

    /// The next message, or bytes that are none. With `end` nothing more will come.
    pub(super) fn next_piece(&mut self, end: bool, by_port: bool) -> Option<Taken> {
        if self.buffer.is_empty() {
            let ahead: usize = self.ahead.values().map(|(b, ..)| b.len()).sum();
            if !(end || ahead > AHEAD) || !self.skip_hole() {
                return None;
            }
        }
        if self.verdict.is_none() {
            self.verdict = match message_start(&self.buffer) {
                _ if by_port => Some(true),
                Start::Message(_) => Some(true),
                Start::More if !end => return None,
                _ => Some(false),
            };
        }
        if self.is_other() {
            self.buffer.clear();
            self.marks.clear();
            self.ahead.clear();
            return None;
        }
        let ahead: usize = self.ahead.values().map(|(b, ..)| b.len()).sum();
        // Before a hole that stays, the buffer is at its end.
        let hole_stays = !self.ahead.is_empty() && (end || ahead > AHEAD);
        let (mut piece, used) = next_piece(&self.buffer, hole_stays || end, Wire::HartIp)?;
        let (packet, time) = self
            .marks
            .iter()
            .find(|(length, ..)| *length >= used)
            .map_or(self.last, |(_, packet, time)| (*packet, *time));
        piece.at = usize::try_from(self.front).unwrap_or(usize::MAX);
        self.buffer.drain(..used);
        self.front += used as u64;
        self.marks.retain_mut(|(length, ..)| {
            *length = length.saturating_sub(used);
            *length > 0
        });
        Some(Taken {
            piece,
            packet,
            time,
            missing_before: std::mem::take(&mut self.missing),
        })
    }
}
