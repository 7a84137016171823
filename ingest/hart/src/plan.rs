//! The polling plan: which device is asked what, and when, within the budget of each modem.
//!
//! One exchange a modem at a time, a bounded number a gateway. What is not done in time is skipped and counted, never
//! queued. Fast reads keep their grid: a slow read goes where no fast one is due on its modem, nor will be before the slow
//! one can be over. A slow read that has waited for some fast periods waits no longer: then the one that is latest in units
//! of its own period goes first, so that a full modem starves neither.

mod reads;

pub use reads::{Periods, Poll, utilisation};

use crate::timing::usual_exchange;
use alloc::vec::Vec;
use reads::POLLS;

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
    /// Place among the modems.
    modem: usize,
    busy: bool,
    /// The modem that the read under way keeps from others.
    holds: Option<usize>,
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
    /// Fast reads a second; what publishes counts at its own pace.
    pub planned_per_s: f64,
}

#[derive(Clone, Debug)]
struct Modem {
    number: u32,
    busy: bool,
}

/// Slow reads wait for fast ones so many fast periods, and never longer than the time below.
const PATIENCE_PERIODS: u64 = 3;
const LONGEST_PATIENCE_MS: u64 = 30_000;

/// The plan of one gateway.
#[derive(Clone, Debug)]
pub struct Plan {
    periods: Periods,
    max_outstanding: usize,
    outstanding: usize,
    slots: Vec<Slot>,
    modems: Vec<Modem>,
    skipped: u64,
}

impl Plan {
    pub fn new(periods: Periods, max_outstanding: usize) -> Self {
        Self {
            periods,
            max_outstanding: max_outstanding.max(1),
            outstanding: 0,
            slots: Vec::new(),
            modems: Vec::new(),
            skipped: 0,
        }
    }

    /// Room for so many devices more, and no more than that.
    pub fn reserve(&mut self, devices: usize) {
        self.slots.reserve_exact(devices);
    }

    /// The place of a modem, new ones at the end.
    fn modem_at(&mut self, number: u32) -> usize {
        let known = self.modems.iter().position(|m| m.number == number);
        known.unwrap_or_else(|| {
            let busy = false;
            self.modems.push(Modem { number, busy });
            self.modems.len() - 1
        })
    }

    /// A device behind `modem` (any number that devices sharing it have in common). Gives its number in the plan.
    /// Only the reads in `polls` are planned, all due at once.
    pub fn add(&mut self, modem: u32, polls: &[Poll], now_ms: u64) -> usize {
        let mut slot = Slot {
            active: true,
            modem: self.modem_at(modem),
            busy: false,
            holds: None,
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
        let modem = self.modem_at(modem);
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
        let fast_ms = usual_exchange(Poll::Dynamic.command()).fair_ms();
        let (fast, all_reads) = (
            fast_ms / self.periods.dynamic_ms as f64,
            self.periods.load(),
        );
        let empty = |m: &Modem| ModemLoad {
            modem: m.number,
            devices: 0,
            planned: 0.0,
            planned_per_s: 0.0,
        };
        let mut all: Vec<ModemLoad> = self.modems.iter().map(empty).collect();
        for s in self.slots.iter().filter(|s| s.active) {
            let Some(load) = all.get_mut(s.modem) else {
                continue;
            };
            load.devices += 1;
            load.planned += all_reads;
            load.planned_per_s += self.pace_of(s);
            if s.pace_ms.is_some() {
                load.planned -= fast;
            }
        }
        all.retain(|l| l.devices > 0 && l.modem != u32::MAX);
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

    /// When the next fast read is due on each modem, devices that are being asked left out.
    fn fast_due_ms(&self) -> Vec<u64> {
        let mut due = alloc::vec![u64::MAX; self.modems.len()];
        for s in self.slots.iter().filter(|s| s.active && !s.busy) {
            if let (Some(of_modem), Some(fast)) =
                (due.get_mut(s.modem), s.items[Poll::Dynamic as usize].due_ms)
            {
                *of_modem = fast.min(*of_modem);
            }
        }
        due
    }

    /// From when on a slow read that is due at `due_ms` may go though fast ones are near.
    fn patient_until_ms(&self, due_ms: u64) -> u64 {
        let patience_ms = self.periods.dynamic_ms.saturating_mul(PATIENCE_PERIODS);
        due_ms.saturating_add(patience_ms.min(LONGEST_PATIENCE_MS))
    }

    /// Whether a slow read leaves the modem to a fast one that is due at `fast_ms`.
    fn gives_way(&self, poll: Poll, due_ms: u64, fast_ms: u64, now_ms: u64) -> bool {
        if poll == Poll::Dynamic || !poll.uses_wire() || now_ms >= self.patient_until_ms(due_ms) {
            return false;
        }
        let longest_ms = usual_exchange(poll.command()).slowest_ms() as u64;
        fast_ms <= now_ms.saturating_add(longest_ms)
    }

    /// The most pressing read whose modem is free; marks both as busy until [`finish`](Self::finish).
    pub fn next(&mut self, now_ms: u64) -> Option<Job> {
        if self.outstanding >= self.max_outstanding {
            return None;
        }
        let fast_due = self.fast_due_ms();
        let mut best: Option<(f64, u64, Job)> = None;
        for (device, slot) in self
            .slots
            .iter()
            .enumerate()
            .filter(|(_, s)| s.active && !s.busy)
        {
            let Some(modem) = self.modems.get(slot.modem) else {
                continue;
            };
            let fast_ms = fast_due.get(slot.modem).copied().unwrap_or(u64::MAX);
            for poll in Poll::ALL {
                let Some(due) = slot.items[poll as usize].due_ms.filter(|d| *d <= now_ms) else {
                    continue;
                };
                let waits = poll.uses_wire() && modem.busy;
                if waits || self.gives_way(poll, due, fast_ms, now_ms) {
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
                            modem: modem.number,
                        },
                    ));
                }
            }
        }
        let (_, _, job) = best?;
        let slot = self.slots.get_mut(job.device)?;
        slot.busy = true;
        slot.last_served_ms = now_ms;
        slot.holds = job.poll.uses_wire().then_some(slot.modem);
        if let Some(m) = slot.holds.and_then(|at| self.modems.get_mut(at)) {
            m.busy = true;
        }
        self.outstanding += 1;
        let period = self.periods.of(job.poll);
        let item = &mut slot.items[job.poll as usize];
        // From the second time on the grid stands still; whole periods that passed are skipped, not made up for.
        let due_ms = if item.anchored {
            let due = now_ms - job.late_ms;
            let missed = job.late_ms / period;
            if job.poll == Poll::Dynamic {
                self.skipped += missed;
            }
            due.saturating_add((missed + 1).saturating_mul(period))
        } else if job.poll == Poll::Dynamic {
            self.place_on_grid(job.device, now_ms)
        } else {
            now_ms.saturating_add(period)
        };
        if let Some(slot) = self.slots.get_mut(job.device) {
            slot.items[job.poll as usize] = Item {
                due_ms: Some(due_ms),
                anchored: true,
            };
        }
        Some(job)
    }

    /// Where the fast reads of a device go from now on: within the second half of the next period, as far as may be from
    /// those of its neighbours on the modem, so that none waits for another and slow reads find room between them.
    fn place_on_grid(&self, device: usize, now_ms: u64) -> u64 {
        let period = self.periods.dynamic_ms.max(1);
        let latest = now_ms.saturating_add(period);
        let modem = self.slots.get(device).map(|s| s.modem);
        let neighbours = self.slots.iter().enumerate();
        let mut taken: Vec<u64> = neighbours
            .filter(|(n, s)| *n != device && s.active && Some(s.modem) == modem)
            .map(|(_, s)| s.items[Poll::Dynamic as usize])
            .filter(|fast| fast.anchored)
            .filter_map(|fast| Some(fast.due_ms? % period))
            .collect();
        taken.sort_unstable();
        let (Some(first), Some(last)) = (taken.first().copied(), taken.last().copied()) else {
            return latest;
        };
        // How far the nearest neighbour is, going round.
        let room = |at: u64| {
            let at = at % period;
            let n = taken.partition_point(|t| *t < at);
            let after = taken.get(n).copied().unwrap_or(first + period);
            let before = n.checked_sub(1).and_then(|n| taken.get(n).copied());
            let behind = before.map_or(at + period - last, |b| at - b);
            behind.min(after - at)
        };
        let next_of = taken
            .iter()
            .skip(1)
            .copied()
            .chain(core::iter::once(first + period));
        let middles = taken.iter().zip(next_of).map(|(a, b)| a.midpoint(b));
        let earliest = now_ms.saturating_add(period / 2);
        let best = middles
            .map(|m| earliest + (m % period + period - earliest % period) % period)
            .filter(|at| *at <= latest)
            .chain([earliest])
            .max_by_key(|at| room(*at));
        best.filter(|at| room(*at) > room(latest)).unwrap_or(latest)
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
        let held = self
            .slots
            .get_mut(job.device)
            .filter(|s| s.busy)
            .and_then(|s| s.holds.take());
        if let Some(m) = held.and_then(|at| self.modems.get_mut(at)) {
            m.busy = false;
        }
    }

    /// When the next read is due, as far as modems are free; never before `now_ms`.
    pub fn next_due_ms(&self, now_ms: u64) -> Option<u64> {
        if self.outstanding >= self.max_outstanding {
            return None;
        }
        let fast_due = self.fast_due_ms();
        let mut next: Option<u64> = None;
        for s in self.slots.iter().filter(|s| s.active && !s.busy) {
            let modem_busy = self.modems.get(s.modem).is_some_and(|m| m.busy);
            let fast_ms = fast_due.get(s.modem).copied().unwrap_or(u64::MAX);
            for poll in Poll::ALL {
                let Some(due) = s.items[poll as usize].due_ms else {
                    continue;
                };
                if modem_busy && poll.uses_wire() {
                    continue;
                }
                // What gives way to a fast read goes after it, or when its patience ends.
                let due = if due <= now_ms && self.gives_way(poll, due, fast_ms, now_ms) {
                    self.patient_until_ms(due)
                } else {
                    due
                };
                next = Some(next.map_or(due, |n| n.min(due)));
            }
        }
        next.map(|d| d.max(now_ms))
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
        self.slots.iter().map(|s| self.pace_of(s)).sum()
    }

    fn pace_of(&self, s: &Slot) -> f64 {
        if !s.active || s.items[Poll::Dynamic as usize].due_ms.is_none() {
            return 0.0;
        }
        1000.0 / s.pace_ms.unwrap_or(self.periods.dynamic_ms).max(1) as f64
    }

    /// The modem that a device is asked through.
    pub fn modem_of(&self, device: usize) -> Option<u32> {
        let slot = self.slots.get(device)?;
        self.modems.get(slot.modem).map(|m| m.number)
    }
}

#[cfg(test)]
mod tests;
