//! A gateway's state as it is shown: its devices, rates and lateness, and what each modem is asked for and does.

use super::{Moment, Poller, RATE_WINDOW_MS, SILENT};
use crate::device::Route;
use crate::status::{GatewayStatus, ModemStatus};
use ingest_model::Tag;
use std::collections::HashMap;

impl Poller {
    /// The gateway as it stands.
    pub fn snapshot(&self, now: Moment) -> GatewayStatus {
        let window_s =
            (now.ms.saturating_sub(self.started_ms)).clamp(1_000, RATE_WINDOW_MS) as f64 / 1000.0;
        let mut s = self.status.clone();
        s.devices = self
            .devices
            .iter()
            .filter(|d| d.route != Route::Absent && d.unanswered < SILENT)
            .count();
        s.planned_per_s = self.plan.planned_per_s();
        s.achieved_per_s = self.done_ms.len() as f64 / window_s;
        s.late_s = self.plan.late_ms(now.ms) as f64 / 1000.0;
        let mut busy_s: HashMap<u32, f64> = HashMap::new();
        for (_, modem, ms) in &self.wire {
            *busy_s.entry(*modem).or_default() += ms / 1000.0;
        }
        let mut done: HashMap<u32, usize> = HashMap::new();
        for (_, modem) in &self.done_ms {
            *done.entry(*modem).or_default() += 1;
        }
        let mut tags: HashMap<u32, Tag> = HashMap::new();
        for (i, d) in self.devices.iter().enumerate() {
            if let (Some(modem), Some(tag)) = (self.plan.modem_of(i), &d.tag) {
                tags.entry(modem).or_insert_with(|| tag.clone());
            }
        }
        s.modems = self
            .plan
            .loads()
            .into_iter()
            .map(|l| ModemStatus {
                modem: l.modem,
                tag: tags.remove(&l.modem),
                devices: l.devices,
                planned_per_s: l.planned_per_s,
                achieved_per_s: done.get(&l.modem).copied().unwrap_or(0) as f64 / window_s,
                planned_load: l.planned,
                achieved_load: busy_s.get(&l.modem).copied().unwrap_or(0.0) / window_s,
            })
            .collect();
        s
    }
}
