//! The reads of the plan, their periods, and what they take of a modem's time.

use crate::timing::usual_exchange;

/// The reads of the plan.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub enum Poll {
    /// 3 or 9: the fast one.
    Dynamic,
    /// 0: configuration change counter, extended status.
    Identity,
    /// 15: range, transfer function, damping.
    Output,
    /// 20: long tag.
    LongTag,
    /// 13: tag of old revisions.
    TagDescriptor,
    /// 50: which device variables are PV to QV; of old revisions, and of devices that publish by their own codes.
    Assignments,
    /// 7: loop current mode.
    LoopMode,
    /// 48: additional status.
    AdditionalStatus,
    /// 86 or 85: statistics that the I/O system keeps; no traffic on the loop.
    Statistics,
    /// One of all other reads in turn: limits and damping of the variables (54), further variables (33), the device's own
    /// statistics (95), texts, and what the site has opened.
    Rest,
}

pub(super) const POLLS: usize = 10;

impl Poll {
    pub const ALL: [Poll; POLLS] = [
        Poll::Dynamic,
        Poll::Identity,
        Poll::Output,
        Poll::LongTag,
        Poll::TagDescriptor,
        Poll::Assignments,
        Poll::LoopMode,
        Poll::AdditionalStatus,
        Poll::Statistics,
        Poll::Rest,
    ];

    /// Command that is executed; of the rest a long one.
    pub fn command(self) -> u16 {
        match self {
            Self::Dynamic => 3,
            Self::Identity => 0,
            Self::Output => 15,
            Self::LongTag => 20,
            Self::TagDescriptor => 13,
            Self::Assignments => 50,
            Self::LoopMode => 7,
            Self::AdditionalStatus => 48,
            Self::Statistics => 86,
            Self::Rest => 54,
        }
    }

    /// Whether it costs time on the loop.
    pub fn uses_wire(self) -> bool {
        self != Self::Statistics
    }
}

/// Period of each read, ms.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Periods {
    pub dynamic_ms: u64,
    pub identity_ms: u64,
    pub statistics_ms: u64,
    /// Range, tags, loop mode, additional status, one of the rest.
    pub slow_ms: u64,
}

impl Periods {
    /// Fast reads every `dynamic_ms`; identity every minute, statistics every five, the rest every ten, but none more
    /// often than the fast one.
    pub fn every(dynamic_ms: u64) -> Self {
        let dynamic_ms = dynamic_ms.max(1);
        Self {
            dynamic_ms,
            identity_ms: dynamic_ms.max(60_000),
            statistics_ms: dynamic_ms.max(300_000),
            slow_ms: dynamic_ms.max(600_000),
        }
    }

    pub fn of(&self, poll: Poll) -> u64 {
        let ms = match poll {
            Poll::Dynamic => self.dynamic_ms,
            Poll::Identity => self.identity_ms,
            Poll::Statistics => self.statistics_ms,
            _ => self.slow_ms,
        };
        ms.max(1)
    }

    /// Share of a modem's time that one device takes with prompt answers; above 1 the plan cannot be met.
    pub fn load(&self) -> f64 {
        self.load_with(Poll::Dynamic.command())
    }

    /// The same with 3 or 9 as the fast read.
    pub fn load_with(&self, fast: u16) -> f64 {
        Poll::ALL
            .iter()
            .filter(|p| p.uses_wire() && !matches!(p, Poll::TagDescriptor | Poll::Assignments))
            .map(|p| {
                let command = if *p == Poll::Dynamic {
                    fast
                } else {
                    p.command()
                };
                usual_exchange(command).fair_ms() / self.of(*p) as f64
            })
            .sum()
    }
}

/// Share of one modem's time that `devices` take; above 1 the plan cannot be met at 1200 bit/s.
pub fn utilisation(devices: usize, periods: &Periods) -> f64 {
    devices as f64 * periods.load()
}
