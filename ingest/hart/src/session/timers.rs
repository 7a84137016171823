//! What falls due: time-outs, repeats, keep-alives, the next attempt to connect.

use super::{Action, Failure, Probe, REMEMBERED, Session, State, Trouble};
use crate::frame::Master;
use crate::hartip;
use alloc::vec::Vec;

const FIRST_BACK_OFF_MS: u64 = 1_000;
const LAST_BACK_OFF_MS: u64 = 30_000;

impl Session {
    /// Everything whose time has come.
    pub(super) fn expire(&mut self, now_ms: u64, out: &mut Vec<Action>) {
        self.expire_requests(now_ms, out);
        self.expire_state(now_ms, out);
    }

    /// Requests that were to be answered by `now_ms`.
    pub(super) fn expire_requests(&mut self, now_ms: u64, out: &mut Vec<Action>) {
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
    }

    fn expire_state(&mut self, now_ms: u64, out: &mut Vec<Action>) {
        match self.state {
            State::Waiting { until_ms } if until_ms <= now_ms => self.connect(now_ms, out),
            State::Connecting { until_ms } if until_ms <= now_ms => {
                out.push(Action::Trouble(Trouble::ConnectFailed));
                self.drop_connection(out);
            }
            State::Initiating {
                master,
                until_ms,
                repeats,
            } if until_ms <= now_ms => {
                // Some servers never answer a secondary master: that is why the other role is offered.
                if let Some(left) = repeats.checked_sub(1) {
                    self.initiate(master, left, now_ms, out);
                } else if self.may_offer_primary(master) {
                    self.initiate(Master::Primary, self.repeats(), now_ms, out);
                } else {
                    out.push(Action::Trouble(Trouble::SilentInitiate { master }));
                    self.drop_connection(out);
                }
            }
            State::Closing { until_ms, .. } if until_ms <= now_ms => self.drop_connection(out),
            State::Open { probe: Some(p), .. } if p.until_ms <= now_ms => {
                match p.repeats.checked_sub(1) {
                    Some(left) => self.keep_alive(left, now_ms, out),
                    None => {
                        out.push(Action::Trouble(Trouble::SilentKeepAlive));
                        self.drop_connection(out);
                    }
                }
            }
            State::Open {
                probe: None,
                next_keep_alive_ms,
                ..
            } if next_keep_alive_ms <= now_ms
                || self.silence_limit_ms().is_some_and(|s| s <= now_ms) =>
            {
                self.keep_alive(self.repeats(), now_ms, out);
            }
            _ => {}
        }
        if self.stalls_ms().is_some_and(|t| t <= now_ms) {
            self.stalled(now_ms, out);
        }
    }

    fn keep_alive(&mut self, repeats: u8, now_ms: u64, out: &mut Vec<Action>) {
        let sequence = self.next_sequence();
        // Some servers handle one message after the other: it may have to wait for a slow loop.
        let until_ms = now_ms.saturating_add(self.config.timeout_ms);
        self.silent_since_ms = None;
        self.touched(now_ms);
        if let State::Open { probe, .. } = &mut self.state {
            *probe = Some(Probe { until_ms, repeats });
        }
        out.push(Action::Transmit(
            hartip::encode_keep_alive(sequence).to_vec(),
        ));
    }
}

/// 1 s doubling to 30 s, spread over 0.75 to 1.25 of it.
pub(super) fn back_off_ms(attempts: u32, jitter: f64) -> u64 {
    let doubled = FIRST_BACK_OFF_MS << attempts.saturating_sub(1).min(5);
    let base = doubled.min(LAST_BACK_OFF_MS) as f64;
    let jitter = if jitter.is_finite() {
        jitter.clamp(0.0, 1.0)
    } else {
        0.5
    };
    (base * (0.75 + 0.5 * jitter)) as u64
}
