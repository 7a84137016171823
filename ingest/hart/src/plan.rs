//! The polling plan: which device is asked what, and when, within the budget of each modem.
//!
//! One exchange a modem at a time, a bounded number a gateway. What is not done in time is skipped and counted, never
//! queued. Of several due reads the one that is latest in units of its own period goes first, so fast reads lead and slow
//! ones are not starved.

use crate::timing::usual_exchange;
use alloc::vec::Vec;

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

const POLLS: usize = 10;

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

/// A read that is to be made now. Give it back with [`Plan::finish`].
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Job {
    pub device: usize,
    pub poll: Poll,
    /// How late it is, ms.
    pub late_ms: u64,
    /// The modem that is busy with it.
    pub modem: u32,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Item {
    /// `None`: not asked for (the device does not know the command, or nobody needs it).
    due_ms: Option<u64>,
    /// The period counts from the first time it was asked.
    anchored: bool,
}

#[derive(Clone, Debug)]
struct Slot {
    active: bool,
    modem: u32,
    busy: bool,
    /// The read under way keeps the modem from others.
    holds_modem: bool,
    last_served_ms: u64,
    /// It publishes at this period of its own and is not asked meanwhile.
    pace_ms: Option<u64>,
    items: [Item; POLLS],
}

/// What one modem is asked for.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ModemLoad {
    pub modem: u32,
    pub devices: usize,
    /// Share of its time that the plan takes with prompt answers, nobody else on the line.
    pub planned: f64,
}

/// The plan of one gateway.
#[derive(Clone, Debug)]
pub struct Plan {
    periods: Periods,
    max_outstanding: usize,
    outstanding: usize,
    slots: Vec<Slot>,
    busy_modems: Vec<u32>,
    skipped: u64,
}

impl Plan {
    pub fn new(periods: Periods, max_outstanding: usize) -> Self {
        Self {
            periods,
            max_outstanding: max_outstanding.max(1),
            outstanding: 0,
            slots: Vec::new(),
            busy_modems: Vec::new(),
            skipped: 0,
        }
    }

    /// A device behind `modem` (any number that devices sharing it have in common). Gives its number in the plan.
    /// Only the reads in `polls` are planned, all due at once.
    pub fn add(&mut self, modem: u32, polls: &[Poll], now_ms: u64) -> usize {
        let mut slot = Slot {
            active: true,
            modem,
            busy: false,
            holds_modem: false,
            last_served_ms: 0,
            pace_ms: None,
            items: [Item {
                due_ms: None,
                anchored: false,
            }; POLLS],
        };
        for p in polls {
            slot.items[*p as usize].due_ms = Some(now_ms);
        }
        self.slots.push(slot);
        self.slots.len() - 1
    }

    /// The device is not asked any more. Its number stays taken.
    pub fn remove(&mut self, device: usize) {
        if let Some(s) = self.slots.get_mut(device) {
            s.active = false;
        }
    }

    /// The device moved to another modem.
    pub fn set_modem(&mut self, device: usize, modem: u32) {
        if let Some(s) = self.slots.get_mut(device) {
            s.modem = modem;
        }
    }

    /// Plans a read, due now; starts it when it was stopped.
    pub fn hasten(&mut self, device: usize, poll: Poll, now_ms: u64) {
        if let Some(i) = self
            .slots
            .get_mut(device)
            .map(|s| &mut s.items[poll as usize])
        {
            i.due_ms = Some(i.due_ms.map_or(now_ms, |d| d.min(now_ms)));
            i.anchored = false;
        }
    }

    /// A planned read is not needed before then.
    pub fn postpone(&mut self, device: usize, poll: Poll, until_ms: u64) {
        if let Some(i) = self
            .slots
            .get_mut(device)
            .map(|s| &mut s.items[poll as usize])
            && let Some(due) = i.due_ms
        {
            i.due_ms = Some(due.max(until_ms));
            i.anchored = false;
        }
    }

    /// The device publishes every so often and is asked only when it falls silent; `None`: it is asked.
    pub fn set_pace(&mut self, device: usize, pace_ms: Option<u64>) {
        if let Some(s) = self.slots.get_mut(device) {
            s.pace_ms = pace_ms;
        }
    }

    /// What each modem is asked for, by modem. Devices that publish cost it their slow reads only.
    pub fn loads(&self) -> Vec<ModemLoad> {
        let mut all: Vec<ModemLoad> = Vec::new();
        let fast_ms = |command| usual_exchange(command).fair_ms() / self.periods.dynamic_ms as f64;
        for s in self
            .slots
            .iter()
            .filter(|s| s.active && s.modem != u32::MAX)
        {
            let at = match all.iter().position(|l| l.modem == s.modem) {
                Some(at) => at,
                None => {
                    all.push(ModemLoad {
                        modem: s.modem,
                        devices: 0,
                        planned: 0.0,
                    });
                    all.len() - 1
                }
            };
            let Some(load) = all.get_mut(at) else {
                continue;
            };
            load.devices += 1;
            load.planned += self.periods.load();
            if s.pace_ms.is_some() {
                load.planned -= fast_ms(Poll::Dynamic.command());
            }
        }
        all.sort_by_key(|l| l.modem);
        all
    }

    /// Share of its modem's time that this device and its neighbours take with `fast` (3 or 9) as the fast read.
    pub fn load_of_modem(&self, device: usize, fast: u16) -> f64 {
        let Some(modem) = self.slots.get(device).map(|s| s.modem) else {
            return 0.0;
        };
        let n = self
            .slots
            .iter()
            .filter(|s| s.active && s.modem == modem)
            .count();
        n as f64 * self.periods.load_with(fast)
    }

    /// The device does not know this command: not asked again.
    pub fn drop_poll(&mut self, device: usize, poll: Poll) {
        if let Some(s) = self.slots.get_mut(device) {
            s.items[poll as usize].due_ms = None;
        }
    }

    pub fn is_planned(&self, device: usize, poll: Poll) -> bool {
        self.slots
            .get(device)
            .is_some_and(|s| s.active && s.items[poll as usize].due_ms.is_some())
    }

    /// The most pressing read whose modem is free; marks both as busy until [`finish`](Self::finish).
    pub fn next(&mut self, now_ms: u64) -> Option<Job> {
        if self.outstanding >= self.max_outstanding {
            return None;
        }
        let mut best: Option<(f64, u64, Job)> = None;
        for (device, slot) in self
            .slots
            .iter()
            .enumerate()
            .filter(|(_, s)| s.active && !s.busy)
        {
            let modem_busy = self.busy_modems.contains(&slot.modem);
            for poll in Poll::ALL {
                let Some(due) = slot.items[poll as usize].due_ms.filter(|d| *d <= now_ms) else {
                    continue;
                };
                if modem_busy && poll.uses_wire() {
                    continue;
                }
                let late_ms = now_ms - due;
                let pressing = late_ms as f64 / self.periods.of(poll) as f64;
                let better = best.as_ref().is_none_or(|(p, served, _)| {
                    pressing > *p || (pressing == *p && slot.last_served_ms < *served)
                });
                if better {
                    best = Some((
                        pressing,
                        slot.last_served_ms,
                        Job {
                            device,
                            poll,
                            late_ms,
                            modem: slot.modem,
                        },
                    ));
                }
            }
        }
        let (_, _, job) = best?;
        let slot = self.slots.get_mut(job.device)?;
        slot.busy = true;
        slot.last_served_ms = now_ms;
        slot.holds_modem = job.poll.uses_wire();
        if slot.holds_modem {
            self.busy_modems.push(slot.modem);
        }
        self.outstanding += 1;
        let period = self.periods.of(job.poll);
        let item = &mut slot.items[job.poll as usize];
        // From the second time on the grid stands still; whole periods that passed are skipped, not made up for.
        let due = if item.anchored {
            now_ms - job.late_ms
        } else {
            now_ms
        };
        let missed = (now_ms - due) / period;
        if job.poll == Poll::Dynamic {
            self.skipped += missed;
        }
        *item = Item {
            due_ms: Some(due.saturating_add((missed + 1).saturating_mul(period))),
            anchored: true,
        };
        Some(job)
    }

    /// The read is over, one way or the other.
    pub fn finish(&mut self, job: Job) {
        self.release_modem(job);
        let Some(slot) = self.slots.get_mut(job.device).filter(|s| s.busy) else {
            return;
        };
        slot.busy = false;
        self.outstanding = self.outstanding.saturating_sub(1);
    }

    /// The read goes on, but longer than any exchange on the loop takes: others may have the modem.
    pub fn release_modem(&mut self, job: Job) {
        let Some(slot) = self
            .slots
            .get_mut(job.device)
            .filter(|s| s.busy && s.holds_modem)
        else {
            return;
        };
        slot.holds_modem = false;
        if let Some(i) = self.busy_modems.iter().position(|m| *m == job.modem) {
            self.busy_modems.swap_remove(i);
        }
    }

    /// When the next read is due, as far as modems are free; never before `now_ms`.
    pub fn next_due_ms(&self, now_ms: u64) -> Option<u64> {
        if self.outstanding >= self.max_outstanding {
            return None;
        }
        self.slots
            .iter()
            .filter(|s| s.active && !s.busy)
            .flat_map(|s| {
                let modem_busy = self.busy_modems.contains(&s.modem);
                Poll::ALL
                    .into_iter()
                    .filter(move |p| !(modem_busy && p.uses_wire()))
                    .filter_map(|p| s.items[p as usize].due_ms)
            })
            .min()
            .map(|d| d.max(now_ms))
    }

    /// How late the latest fast read is now, ms.
    pub fn late_ms(&self, now_ms: u64) -> u64 {
        self.slots
            .iter()
            .filter(|s| s.active && !s.busy)
            .filter_map(|s| s.items[Poll::Dynamic as usize].due_ms)
            .map(|d| now_ms.saturating_sub(d))
            .max()
            .unwrap_or(0)
    }

    /// Fast reads that were left out because their time had passed.
    pub fn skipped(&self) -> u64 {
        self.skipped
    }

    /// Devices that are asked.
    pub fn devices(&self) -> usize {
        self.slots.iter().filter(|s| s.active).count()
    }

    /// Fast reads a second that the plan asks for; what publishes counts at its own pace.
    pub fn planned_per_s(&self) -> f64 {
        self.slots
            .iter()
            .filter(|s| s.active && s.items[Poll::Dynamic as usize].due_ms.is_some())
            .map(|s| 1000.0 / s.pace_ms.unwrap_or(self.periods.dynamic_ms).max(1) as f64)
            .sum()
    }
}

#[cfg(test)]
mod tests;
