//! Loops whose newest hours state nothing: most loops, most of the time. They need no second look with each new reading.

use super::{Fleet, on_all_cores};
use crate::block::HourBlock;
use crate::context::hours_of;
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};

/// Shorter than what counts as silence, at any budget that [`super::with_recent`] takes calm for an answer at.
pub(super) const CALM_GAP_US: i64 = MICROS_PER_HOUR;

/// What a loop showed in the hours before the newest rows, as far as that spares another look at them.
#[derive(Debug, Clone)]
pub struct LookBack {
    pub(super) hours: Vec<i32>,
    /// `None` where something was there that a detector of facts may want to see.
    pub(super) calm: Option<Calm>,
}

/// The end of hours in which replies came without a gap, no current reached a level of NE 43, no status bit was set and the
/// configuration stayed as it was.
#[derive(Debug, Clone, Copy)]
pub(super) struct Calm {
    last_reply: i64,
    /// -1 = not known.
    config: i32,
}

impl Calm {
    pub(super) fn of(blocks: &[HourBlock]) -> Option<Self> {
        let (first, rest) = blocks.split_first()?;
        let begin = Self {
            last_reply: first.first_reply,
            config: first.config_first,
        };
        begin.goes_on(std::slice::from_ref(first))?.goes_on(rest)
    }

    /// With the blocks that follow; `None` if these are not calm.
    pub(super) fn goes_on(mut self, blocks: &[HourBlock]) -> Option<Self> {
        for b in blocks {
            let config = b.config_first < 0 || self.config < 0 || b.config_first == self.config;
            let gap = b.first_reply.saturating_sub(self.last_reply);
            if b.replies == 0 || b.states_something() || !config || gap >= CALM_GAP_US {
                return None;
            }
            self.last_reply = b.last_reply;
            if b.config_last >= 0 {
                self.config = b.config_last;
            }
        }
        Some(self)
    }

    /// Whether the last reply is not long ago.
    pub(super) fn lasts_to(self, to: UtcMicros) -> bool {
        to.0.saturating_sub(self.last_reply) < CALM_GAP_US
    }
}

/// What the loops of `fleet` showed, in its order.
pub fn look_back(fleet: &Fleet<'_>) -> Vec<LookBack> {
    on_all_cores(&fleet.loops, &|l| LookBack {
        hours: hours_of(l.blocks),
        calm: Calm::of(l.blocks),
    })
}
