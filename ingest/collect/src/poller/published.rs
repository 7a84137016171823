//! Burst messages that a gateway passes on: readings with their own time of arrival, where they carry what is polled.
//!
//! A device that publishes both values at least as fast as the plan asks for them is not asked meanwhile; when its
//! messages stop, the poll comes back by itself. A wireless sub-device is not asked while it keeps its own period, however
//! slow, and is not late for it. Nothing is ever subscribed to: that would be a write.

use super::{Moment, Poller};
use crate::device::{Route, values::Values};
use ingest_hart::answer::{
    CurrentAndPercent, DynamicVariables, Embedded, PrimaryVariable, VariablesWithStatus,
};
use ingest_hart::plan::Poll;
use ingest_hart::{CodeClass, Frame, FrameType, UniqueAddress};

/// A wireless device whose second message has not come is taken to publish at least this often.
const FIRST_WIRELESS_MS: u64 = 120_000;
/// Nobody is left unasked longer than one and a half of this.
const LONGEST_OWN_MS: u64 = 3_600_000;
/// No device gives rows of published values more often, whatever changes.
const SHORTEST_ROW_GAP_MS: u64 = 1_000;

/// Senders that are remembered as unknown.
const MOST_STRANGERS: usize = 64;

/// Where a burst message comes from.
struct Origin {
    address: Option<UniqueAddress>,
    /// Card and channel, when an I/O system says them.
    place: Option<(u8, u8)>,
}

impl Poller {
    /// A burst message: a whole frame.
    pub fn published(&mut self, bytes: &[u8], now: Moment) {
        let Ok((outer, _)) = Frame::parse(bytes) else {
            self.status.failures.bad_frames += 1;
            return;
        };
        if outer.frame_type == FrameType::Request || !self.online {
            return;
        }
        if outer.command != 77 {
            let origin = Origin {
                address: outer.address.unique(),
                place: None,
            };
            return self.burst(&origin, &outer, now);
        }
        if !outer.status().is_some_and(|s| s.class().has_data()) {
            return;
        }
        match Embedded::decode(outer.data()) {
            Ok(e) if e.frame.frame_type != FrameType::Request => {
                let origin = Origin {
                    address: e.frame.address.unique(),
                    place: Some((e.card, e.channel)),
                };
                self.burst(&origin, &e.frame, now);
            }
            _ => self.status.failures.bad_frames += 1,
        }
    }

    fn burst(&mut self, origin: &Origin, frame: &Frame<'_>, now: Moment) {
        let mut from = (0..self.devices.len()).filter(|i| self.is_from(*i, origin));
        let device = match (from.next(), from.next()) {
            (Some(i), None) => i,
            // Two device types may share the 38 bits: then nobody can tell whose it is.
            (Some(_), Some(_)) => return,
            (None, _) => return self.stranger(origin),
        };
        let Some(status) = frame.status() else { return };
        match status.class() {
            CodeClass::CommunicationError => {
                self.status.failures.comm_errors += 1;
                return;
            }
            c if !c.has_data() => return,
            _ => {}
        }
        let assigned = self.devices.get(device).and_then(|d| d.assignments);
        let data = frame.data();
        let values = match frame.command {
            1 => PrimaryVariable::decode(data).ok().map(Values::of_1),
            2 => CurrentAndPercent::decode(data).ok().map(Values::of_2),
            3 => DynamicVariables::decode(data).ok().map(Values::of_3),
            9 => VariablesWithStatus::decode(data)
                .ok()
                .map(|v| Values::of_9(&v, assigned)),
            _ => return,
        };
        let Some(values) = values else {
            self.status.failures.bad_frames += 1;
            return;
        };
        if frame.command == 9 && !values.has_pv() && assigned.is_none() {
            // Its own codes: what they stand for is asked once.
            if !self.plan.is_planned(device, Poll::Assignments) {
                self.plan.hasten(device, Poll::Assignments, now.ms);
            }
        }
        if !values.has_pv() && values.loop_ma.is_none() {
            return;
        }
        self.heard(device, now);
        if values.is_whole() {
            self.spare(device, now);
        }
        // Before the device is introduced nobody knows whose values these are, and in which unit.
        if !self.plan.is_planned(device, Poll::Dynamic)
            || !self.is_row_due(device, status.second, now)
        {
            return;
        }
        if let Some(d) = self.devices.get_mut(device) {
            d.published_row_ms = Some(now.ms);
        }
        self.take_values(device, status, &values, now);
    }

    /// Somebody who is not on the list, unless it is the gateway itself: the list may have changed.
    fn stranger(&mut self, origin: &Origin) {
        if let Some(address) = origin.address
            && self.listed
            && Some(address) != self.io_system
            && self.strangers.len() < MOST_STRANGERS
        {
            self.survey_wanted |= self.strangers.insert(address);
        }
    }

    fn is_from(&self, device: usize, origin: &Origin) -> bool {
        let Some(d) = self.devices.get(device) else {
            return false;
        };
        match d.route {
            Route::Absent => false,
            Route::Direct { to } => Some(to) == origin.address,
            Route::Sub {
                card, channel, to, ..
            } => Some(to) == origin.address && origin.place.is_none_or(|p| p == (card, channel)),
        }
    }

    /// Puts the poll off while burst messages come at least as fast.
    fn spare(&mut self, device: usize, now: Moment) {
        let period = self.period_ms();
        let Some(d) = self.devices.get_mut(device) else {
            return;
        };
        let gap = d
            .published_ms
            .replace(now.ms)
            .map(|b| now.ms.saturating_sub(b));
        // A little jitter does not make them slower.
        let fast = gap.is_some_and(|g| g <= period + period / 10);
        // Over the air a device speaks when its own period says so; asking it oftener wakes it for nothing.
        let own = if d.wireless {
            d.update_period_ms.or(gap).or(Some(FIRST_WIRELESS_MS))
        } else {
            gap.filter(|_| fast)
        };
        let Some(own) = own.map(|o| o.min(LONGEST_OWN_MS)) else {
            self.plan.set_pace(device, None);
            return;
        };
        let pace = own.max(period);
        self.plan.set_pace(device, Some(pace));
        let until = now.ms.saturating_add(pace + pace / 2);
        self.plan.postpone(device, Poll::Dynamic, until);
    }

    /// At most about two rows a poll period, so that a fast talker does not fill the store; a change of the device status
    /// comes through at once.
    fn is_row_due(&self, device: usize, device_status: u8, now: Moment) -> bool {
        let Some(d) = self.devices.get(device) else {
            return false;
        };
        let Some(last) = d.published_row_ms else {
            return true;
        };
        let gap = now.ms.saturating_sub(last);
        let changed = d.status_of_last_row() != device_status;
        gap >= self.period_ms() / 2 || (changed && gap >= SHORTEST_ROW_GAP_MS)
    }

    fn period_ms(&self) -> u64 {
        u64::try_from(self.config.poll_every.as_millis()).unwrap_or(u64::MAX)
    }
}
