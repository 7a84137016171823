//! Who is there: the survey of a gateway, the place of each device in the plan, its tag, its introduction.

use super::{FIRST_ROUND_MS, INTRODUCTION, MAX_DEVICES, Moment, Poller, Step};
use crate::config::ModemSharing;
use crate::device::{Counters, Device, Route};
use ingest_hart::answer::{Answer, Identity, IoCapabilities, SubDeviceIdentity};
use ingest_hart::plan::Poll;
use ingest_hart::{ReadCommand, Status};
use ingest_model::{DeviceKey, Tag};
use std::collections::HashSet;

impl Poller {
    pub(super) fn survey_data(
        &mut self,
        step: Step,
        status: Status,
        data: &[u8],
        now: Moment,
    ) -> Option<()> {
        match step {
            Step::Identify => {
                let i = Identity::decode(data).ok()?;
                let state = (i.config_changes, i.extended_status, status.second);
                self.io_system = Some(i.address());
                self.gateway_identity = Some(i);
                if self.gateway_state != Some(state) {
                    self.gateway_state = Some(state);
                    self.survey_wanted = true;
                    self.last_listed_ms = None;
                }
            }
            Step::Capabilities => {
                let c = IoCapabilities::decode(data).ok()?;
                self.places = (c.max_cards, c.max_channels);
                self.seen.clear();
                self.survey_broken = false;
                self.listing = true;
                // The count includes the I/O system at index 0; asking one further does no harm if it does not.
                self.survey
                    .extend((1..=c.devices.min(MAX_DEVICES)).map(Step::SubDevice));
            }
            Step::SubDevice(index) => {
                let s = SubDeviceIdentity::decode(data).ok()?;
                let own = self
                    .gateway_identity
                    .is_some_and(|i| i.address() == s.address());
                if s.index == index && !own && !s.address().is_broadcast() {
                    self.adopt(&s, now);
                }
            }
            Step::Own(command) => {
                let number = command.number();
                Answer::decode(number, data).ok()?;
                self.note_own(command, status, data, now);
            }
            Step::Search { .. } | Step::Find { .. } => {
                let i = Identity::decode(data).ok()?;
                self.found(step, &i, now);
            }
        }
        self.survey_busy = false;
        self.listed_if_done(now);
        Some(())
    }

    /// What the gateway tells of itself; with the site's leave also who is where it shows nobody.
    pub(super) fn ask_gateway(&mut self) {
        if self.io_system.is_none() {
            return;
        }
        let opened = self.config.opt_in;
        let own = [ReadCommand::ClientStatistics, ReadCommand::DeviceStatistics];
        self.survey.extend(own.map(Step::Own));
        if opened.has(532) {
            self.survey
                .push_back(Step::Own(ReadCommand::Subscriptions([0; 5])));
        }
        if opened.has(101) {
            self.survey.push_back(Step::Own(ReadCommand::BurstMap(0)));
        }
        if opened.has(75)
            && let Some((card, channel)) = self.next_empty_place()
        {
            self.survey.push_back(Step::Search { card, channel });
        }
        if opened.has(21) {
            let missing: Vec<usize> = (0..self.devices.len())
                .filter(|i| {
                    self.devices
                        .get(*i)
                        .is_some_and(|d| d.route == Route::Absent && d.tag.is_some())
                })
                .collect();
            if let Some(at) = self.next_missing.checked_rem(missing.len()) {
                self.next_missing = at + 1;
                self.survey
                    .extend(missing.get(at).map(|device| Step::Find { device: *device }));
            }
        }
    }

    /// The next channel on which the list shows nobody.
    fn next_empty_place(&mut self) -> Option<(u8, u8)> {
        let (cards, channels) = self.places;
        let taken: HashSet<(u8, u8)> = self
            .devices
            .iter()
            .filter_map(|d| match d.route {
                Route::Sub { card, channel, .. } => Some((card, channel)),
                _ => None,
            })
            .collect();
        let empty: Vec<(u8, u8)> = (0..cards)
            .flat_map(|card| (0..channels).map(move |channel| (card, channel)))
            .filter(|p| !taken.contains(p))
            .collect();
        let at = self.next_place.checked_rem(empty.len())?;
        self.next_place = at + 1;
        empty.get(at).copied()
    }

    /// A device answered a search: it is shown nowhere else.
    fn found(&mut self, step: Step, i: &Identity, now: Moment) {
        match step {
            Step::Search { card, channel } => {
                self.status.last_error = Some(format!(
                    "device {:04X}/{:06X} answers at card {card}, channel {channel}, and the gateway does not list it: let the gateway search that channel again",
                    i.device_type, i.device_id
                ));
            }
            Step::Find { .. } if Some(i.address()) != self.io_system => {
                let key = DeviceKey {
                    device_type: i.device_type,
                    device_id: i.device_id,
                };
                let to = i.address();
                if let Some(at) = self.place(key, Route::Direct { to }, 0, now) {
                    self.progress(at, now);
                }
            }
            _ => {}
        }
    }

    /// At the end of a whole list: devices that are not on it are absent.
    pub(super) fn listed_if_done(&mut self, now: Moment) {
        if !self.listing || self.survey.iter().any(|s| matches!(s, Step::SubDevice(_))) {
            return;
        }
        self.listing = false;
        self.last_listed_ms = Some(now.ms);
        self.listed = true;
        if self.survey_broken {
            self.survey_wanted = true;
            return;
        }
        for d in &mut self.devices {
            if matches!(d.route, Route::Sub { .. }) && d.key.is_none_or(|k| !self.seen.contains(&k))
            {
                d.route = Route::Absent;
            }
        }
    }

    pub(super) fn modem_of(&self, card: u8, channel: u8) -> u32 {
        match self.config.modems {
            ModemSharing::Card => u32::from(card),
            ModemSharing::Channel => u32::from(card) << 8 | u32::from(channel),
            ModemSharing::Gateway => 0,
        }
    }

    pub(super) fn adopt(&mut self, s: &SubDeviceIdentity<'_>, now: Moment) {
        let key = DeviceKey {
            device_type: s.device_type,
            device_id: s.device_id,
        };
        let route = Route::Sub {
            index: s.index,
            card: s.card,
            channel: s.channel,
            to: s.address(),
        };
        self.seen.insert(key);
        let Some(i) = self.place(key, route, self.modem_of(s.card, s.channel), now) else {
            return;
        };
        if let Some(d) = self.devices.get_mut(i) {
            d.take_sub_device(s);
        }
        self.progress(i, now);
    }

    /// The server itself is the only device.
    pub(super) fn adopt_server(&mut self, now: Moment) {
        let Some(identity) = self.gateway_identity else {
            return;
        };
        let key = DeviceKey {
            device_type: identity.device_type,
            device_id: identity.device_id,
        };
        let Some(i) = self.place(
            key,
            Route::Direct {
                to: identity.address(),
            },
            0,
            now,
        ) else {
            return;
        };
        if let Some(d) = self.devices.get_mut(i) {
            // What changed is followed where the device is read as such.
            let _ = d.take_identity(&identity);
        }
        self.last_listed_ms = Some(now.ms);
        self.listed = true;
        self.progress(i, now);
    }

    /// Finds the device or makes room for it.
    pub(super) fn place(
        &mut self,
        key: DeviceKey,
        route: Route,
        modem: u32,
        now: Moment,
    ) -> Option<usize> {
        // A register entry waits under its device, reachable or not.
        if let Some(i) = self
            .devices
            .iter()
            .position(|d| d.key == Some(key) && d.route != Route::Absent)
        {
            self.devices.get_mut(i)?.route = route;
            self.plan.set_modem(i, modem);
            return Some(i);
        }
        if self.devices.len() >= usize::from(MAX_DEVICES) {
            self.status.last_error = Some(format!(
                "more than {MAX_DEVICES} devices: the rest is not polled"
            ));
            return None;
        }
        // A device that was gone comes back into its place, with all reads due.
        let back = self.devices.iter().position(|d| d.key == Some(key));
        let i = match back {
            Some(i) => i,
            None => {
                let slot = self.plan.add(modem, &[], now.ms);
                self.devices.push(Device::new(route, Some(key)));
                slot
            }
        };
        let d = self.devices.get_mut(i)?;
        d.route = route;
        if back.is_some() && d.counters == Counters::Own && matches!(route, Route::Sub { .. }) {
            d.counters = Counters::SubDevice;
        }
        self.plan.set_modem(i, modem);
        for poll in INTRODUCTION.into_iter().chain([Poll::AdditionalStatus]) {
            self.plan.hasten(i, poll, now.ms);
        }
        // The rest has time: first the device is introduced.
        self.plan
            .hasten(i, Poll::Rest, now.ms.saturating_add(FIRST_ROUND_MS));
        if matches!(route, Route::Sub { .. }) {
            self.plan.hasten(i, Poll::Statistics, now.ms);
        }
        Some(i)
    }

    /// Moves a device on: decides its tag, introduces it, starts its fast read.
    pub(super) fn progress(&mut self, i: usize, now: Moment) {
        self.decide_tag(i);
        let Some(d) = self.devices.get_mut(i) else {
            return;
        };
        let wants_short =
            d.long_tag.as_deref() == Some("") && d.short_tag.is_none() && d.tag.is_none();
        if wants_short && !self.plan.is_planned(i, Poll::TagDescriptor) {
            self.plan.hasten(i, Poll::TagDescriptor, now.ms);
        }
        let parts = [Poll::TagDescriptor, Poll::Assignments].map(|p| (p, d.wants(p)));
        for (poll, _) in parts.into_iter().filter(|(_, wanted)| *wanted) {
            if !self.plan.is_planned(i, poll) {
                self.plan.hasten(i, poll, now.ms);
            }
        }
        if d.is_introducible()
            && let Some(found) = d.describe(&self.config.name)
            && d.announced.as_ref() != Some(&found)
        {
            d.announced = Some(found.clone());
            d.introduced_ms.get_or_insert(now.ms);
            // Only the newest description of a device is worth anything.
            self.discovered.retain(|o| o.device != found.device);
            self.discovered.push_back(found);
        }
        if d.known && !self.plan.is_planned(i, Poll::Dynamic) {
            self.plan.hasten(i, Poll::Dynamic, now.ms);
        }
    }

    pub(super) fn decide_tag(&mut self, i: usize) {
        let Some(d) = self.devices.get_mut(i).filter(|d| d.tag.is_none()) else {
            return;
        };
        let Some(key) = d.key else { return };
        if let Some(known) = self.directory.by_device(key) {
            d.take_known(&known);
        } else {
            let Some(own) = d.own_tag(&self.config.name) else {
                return;
            };
            let short: String = own.chars().take(32).collect();
            let Ok(own) = Tag::new(&short) else { return };
            let registered = self.directory.by_tag(own.as_str());
            let free = !self.claims.is_taken(&own, key);
            match registered {
                Some(k) if free && k.device.is_none_or(|r| r == key) => d.take_known(&k),
                None if free => d.tag = Some(own),
                _ => {
                    let base: String = own.as_str().chars().take(25).collect();
                    let Ok(tag) = Tag::new(&format!("{}~{:06X}", base.trim_end(), key.device_id))
                    else {
                        return;
                    };
                    self.status.last_error = Some(format!(
                        "device {:06X} carries tag `{own}` of another device: entered as `{tag}`; correct the tag or the register",
                        key.device_id
                    ));
                    d.duplicate_of = Some(own);
                    match self.directory.by_tag(tag.as_str()) {
                        Some(k) => d.take_known(&k),
                        None => d.tag = Some(tag),
                    }
                }
            }
        }
        self.settle(i);
    }

    /// Claims a device's tag; the register's entry that waited for it has it now.
    pub(super) fn settle(&mut self, i: usize) {
        let Some((tag, key)) = self
            .devices
            .get(i)
            .and_then(|d| Some((d.tag.clone()?, d.key?)))
        else {
            return;
        };
        for (n, other) in self.devices.iter_mut().enumerate() {
            if n != i && other.route == Route::Absent && other.tag.as_ref() == Some(&tag) {
                other.tag = None;
                other.key = None;
                self.plan.remove(n);
            }
        }
        self.claims.claim(tag, key);
    }

    /// Looks a device up again in the register.
    pub(super) fn refresh(&mut self, i: usize) {
        let Some(d) = self.devices.get_mut(i) else {
            return;
        };
        let before = d.tag.clone();
        d.refresh(self.directory.as_ref());
        if d.tag != before {
            self.settle(i);
        }
    }
}
