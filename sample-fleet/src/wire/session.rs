//! The server side of one HART-IP version 1 session (HCF_SPEC-85), pure: bytes in, messages and requests out.

use super::pdu::{Asked, Body, PARITY_ERROR, check};

const HEADER: usize = 8;
const VERSION: u8 = 1;
/// Longest message that is taken.
const MAX_MESSAGE: usize = 1_042;
/// The timer granted instead of one below a second.
const DEFAULT_INACTIVITY_MS: u32 = 90_000;
const MIN_INACTIVITY_MS: u32 = 1_000;

const INITIATE: u8 = 0;
const CLOSE: u8 = 1;
const KEEP_ALIVE: u8 = 2;
const TOKEN_PASSING: u8 = 3;

const OK: u8 = 0;
const BAD_MASTER: u8 = 2;
const TOO_FEW: u8 = 5;
const NEAREST: u8 = 8;
const OTHER_VERSION: u8 = 14;
const ALL_IN_USE: u8 = 15;
const ALREADY_OPEN: u8 = 16;

/// What the connection has to do next.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Step {
    Send(Vec<u8>),
    /// A request to answer with [`response`] under this sequence number; `raw` identifies byte-identical repeats.
    Request {
        sequence: u16,
        asked: Asked,
        raw: Vec<u8>,
    },
    Close,
}

/// A response message of token-passing type.
pub(crate) fn response(sequence: u16, pdu: &[u8]) -> Vec<u8> {
    message(TOKEN_PASSING, OK, sequence, pdu)
}

/// A burst message that the server passes on, with its own count in place of a sequence number.
pub(crate) fn publish(count: u16, pdu: &[u8]) -> Vec<u8> {
    let mut out = message(TOKEN_PASSING, OK, count, pdu);
    if let Some(kind) = out.get_mut(1) {
        *kind = 2;
    }
    out
}

fn message(id: u8, status: u8, sequence: u16, body: &[u8]) -> Vec<u8> {
    let count = u16::try_from(HEADER + body.len()).unwrap_or(u16::MAX);
    let mut out = Vec::with_capacity(HEADER + body.len());
    out.extend_from_slice(&[VERSION, 1, id, status]);
    out.extend_from_slice(&sequence.to_be_bytes());
    out.extend_from_slice(&count.to_be_bytes());
    out.extend_from_slice(body);
    out
}

/// One connection's session.
#[derive(Debug)]
pub(crate) struct Session {
    buffer: Vec<u8>,
    /// False: all sessions of the server are in use.
    free: bool,
    open: bool,
    inactivity_ms: u64,
    heard_ms: u64,
}

impl Session {
    /// `free`: whether the server still has a session to give.
    pub(crate) fn new(free: bool, now_ms: u64) -> Self {
        Self {
            buffer: Vec::new(),
            free,
            open: false,
            inactivity_ms: u64::from(DEFAULT_INACTIVITY_MS),
            heard_ms: now_ms,
        }
    }

    pub(crate) fn is_open(&self) -> bool {
        self.open
    }

    /// When the connection is to be closed if nothing more is heard; `None` never.
    pub(crate) fn deadline_ms(&self) -> Option<u64> {
        (self.inactivity_ms > 0).then(|| self.heard_ms.saturating_add(self.inactivity_ms))
    }

    /// Takes one datagram: messages are whole in it, and what is not is forgotten.
    pub(crate) fn datagram(&mut self, bytes: &[u8], now_ms: u64) -> Vec<Step> {
        self.buffer.clear();
        let steps = self.received(bytes, now_ms);
        self.buffer.clear();
        steps
    }

    /// Takes bytes of the stream, in any cut.
    pub(crate) fn received(&mut self, bytes: &[u8], now_ms: u64) -> Vec<Step> {
        self.buffer.extend_from_slice(bytes);
        let mut steps = Vec::new();
        while let &[version, kind, id, _, s1, s0, c1, c0, ..] = self.buffer.as_slice() {
            let sequence = u16::from_be_bytes([s1, s0]);
            let count = usize::from(u16::from_be_bytes([c1, c0]));
            // Out of step, reserved bits, or not a request: the stream cannot be trusted any further.
            if !(HEADER..=MAX_MESSAGE).contains(&count) || kind != 0 {
                steps.push(Step::Close);
                break;
            }
            if self.buffer.len() < count {
                break;
            }
            let whole: Vec<u8> = self.buffer.drain(..count).collect();
            self.heard_ms = now_ms;
            let body = whole.get(HEADER..).unwrap_or_default();
            self.message(version, id, sequence, body, &mut steps);
            if steps.last() == Some(&Step::Close) {
                break;
            }
        }
        steps
    }

    fn message(&mut self, version: u8, id: u8, sequence: u16, body: &[u8], out: &mut Vec<Step>) {
        match id {
            INITIATE => self.initiate(version, sequence, body, out),
            _ if !self.open => out.push(Step::Close),
            CLOSE => out.extend([Step::Send(message(CLOSE, OK, sequence, &[])), Step::Close]),
            KEEP_ALIVE => out.push(Step::Send(message(KEEP_ALIVE, OK, sequence, &[]))),
            TOKEN_PASSING => {
                // Not a request, or cut short: no answer, as on the pair.
                let Some((asked, [_])) = Asked::parse(body) else {
                    return;
                };
                if check(body) != 0 {
                    let pdu = asked.answer_checked(&Body::error(PARITY_ERROR), 0);
                    out.push(Step::Send(response(sequence, &pdu)));
                    return;
                }
                out.push(Step::Request {
                    sequence,
                    asked,
                    raw: body.to_vec(),
                });
            }
            _ => {}
        }
    }

    fn initiate(&mut self, version: u8, sequence: u16, body: &[u8], out: &mut Vec<Step>) {
        let &[master, a, b, c, d, ..] = body else {
            out.push(Step::Send(message(INITIATE, TOO_FEW, sequence, &[])));
            return;
        };
        let asked_ms = u32::from_be_bytes([a, b, c, d]);
        let mut granted_ms = asked_ms;
        let status = match master {
            // Common practice of servers: a secondary master gets no answer at all.
            0 => return,
            1 if self.open => ALREADY_OPEN,
            1 if !self.free => ALL_IN_USE,
            1 => {
                if (1..MIN_INACTIVITY_MS).contains(&asked_ms) {
                    granted_ms = DEFAULT_INACTIVITY_MS;
                }
                self.open = true;
                self.inactivity_ms = u64::from(granted_ms);
                if version != VERSION {
                    OTHER_VERSION
                } else if granted_ms != asked_ms {
                    NEAREST
                } else {
                    OK
                }
            }
            _ => BAD_MASTER,
        };
        let [a, b, c, d] = granted_ms.to_be_bytes();
        let answer = message(INITIATE, status, sequence, &[master, a, b, c, d]);
        out.push(Step::Send(answer));
        if status == ALL_IN_USE {
            out.push(Step::Close);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const INITIATE_30_S: [u8; 13] = [1, 0, 0, 0, 0, 1, 0, 13, 1, 0, 0, 0x75, 0x30];

    #[test]
    fn initiate_keep_alive_close_in_any_cut() {
        let mut bytes = INITIATE_30_S.to_vec();
        bytes.extend([1, 0, 2, 0, 0, 2, 0, 8]);
        bytes.extend([1, 0, 1, 0, 0, 3, 0, 8]);
        let want = vec![
            Step::Send(vec![1, 1, 0, 0, 0, 1, 0, 13, 1, 0, 0, 0x75, 0x30]),
            Step::Send(vec![1, 1, 2, 0, 0, 2, 0, 8]),
            Step::Send(vec![1, 1, 1, 0, 0, 3, 0, 8]),
            Step::Close,
        ];
        let mut whole = Session::new(true, 0);
        assert_eq!(whole.received(&bytes, 5), want);
        assert_eq!(whole.deadline_ms(), Some(30_005));
        let mut cut = Session::new(true, 0);
        let got: Vec<Step> = bytes.iter().flat_map(|b| cut.received(&[*b], 5)).collect();
        assert_eq!(got, want);
    }

    #[test]
    fn timer_below_a_second_and_other_version_are_warned_of() {
        let mut s = Session::new(true, 0);
        let got = s.received(&[1, 0, 0, 0, 0, 1, 0, 13, 1, 0, 0, 0, 100], 0);
        assert_eq!(
            got,
            [Step::Send(vec![
                1, 1, 0, 8, 0, 1, 0, 13, 1, 0, 1, 0x5F, 0x90
            ])]
        );
        let mut s = Session::new(true, 0);
        let got = s.received(&[2, 0, 0, 0, 0, 1, 0, 13, 1, 0, 0, 0, 0], 0);
        assert_eq!(
            got,
            [Step::Send(vec![1, 1, 0, 14, 0, 1, 0, 13, 1, 0, 0, 0, 0])]
        );
        assert_eq!(s.deadline_ms(), None);
    }

    #[test]
    fn who_may_not_open() {
        let mut secondary = INITIATE_30_S;
        secondary[8] = 0;
        assert_eq!(Session::new(true, 0).received(&secondary, 0), []);
        let got = Session::new(false, 0).received(&INITIATE_30_S, 0);
        assert!(matches!(&got[..], [Step::Send(m), Step::Close] if m[3] == 15));
        // Without a session nothing is answered.
        assert_eq!(
            Session::new(true, 0).received(&[1, 0, 2, 0, 0, 2, 0, 8], 0),
            [Step::Close]
        );
        // A byte count that cannot be.
        assert_eq!(
            Session::new(true, 0).received(&[1, 0, 2, 0, 0, 2, 0, 7], 0),
            [Step::Close]
        );
    }

    #[test]
    fn wrong_check_byte_is_a_communication_error() {
        let mut s = Session::new(true, 0);
        s.received(&INITIATE_30_S, 0);
        let good = s.received(&[1, 0, 3, 0, 0, 3, 0, 13, 2, 0x80, 0, 0, 0x82], 0);
        assert!(matches!(&good[..], [Step::Request { sequence: 3, .. }]));
        let bad = s.received(&[1, 0, 3, 0, 0, 4, 0, 13, 2, 0x80, 0, 0, 0x83], 0);
        assert_eq!(
            bad,
            [Step::Send(vec![
                1, 1, 3, 0, 0, 4, 0, 15, 6, 0x80, 0, 2, 0x88, 0, 0x0C
            ])]
        );
    }
}
