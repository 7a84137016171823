//! What one gateway is asked, and what its answers become. Pure: requests out, answers and a clock in.
//!
//! On connection the gateway is surveyed (identity, capabilities, the list of sub-devices); each device then joins the
//! polling plan. Fast reads become [`Reading`]s, slow ones tell who the device is and how it is ranged.

use crate::analog::AnalogTable;
use crate::config::{GatewayConfig, ModemSharing};
use crate::device::{Counters, Device, Discovered, Route};
use crate::directory::LoopDirectory;
use crate::status::GatewayStatus;
use ingest_hart::answer::{
    AdditionalStatus, ChannelStatistics, DynamicVariables, Embedded, Identity, IoCapabilities,
    LoopConfiguration, OutputInformation, SubDeviceIdentity, SubDeviceStatistics,
    TagDescriptorDate,
};
use ingest_hart::plan::{Job, Periods, Plan, Poll};
use ingest_hart::session::Failure;
use ingest_hart::{CodeClass, Frame, Latin1, ReadCommand, Request, Status, UniqueAddress};
use ingest_model::{DeviceKey, Reading, Tag, UtcMicros};
use std::collections::{HashMap, HashSet, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};

/// One instant on both clocks: the monotonic one orders, the wall clock stamps.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Moment {
    pub ms: u64,
    pub wall: UtcMicros,
}

/// Which device has which tag, over all gateways: one tag never mixes devices.
#[derive(Debug, Default)]
pub struct Claims(Mutex<HashMap<Tag, DeviceKey>>);

impl Claims {
    fn is_taken(&self, tag: &Tag, by_other_than: DeviceKey) -> bool {
        let map = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        map.get(tag).is_some_and(|k| *k != by_other_than)
    }

    fn claim(&self, tag: Tag, device: DeviceKey) {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .insert(tag, device);
    }
}

/// One step of the survey.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Step {
    Identify,
    Capabilities,
    SubDevice(u16),
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum What {
    Survey(Step),
    Poll(Job),
}

/// A request with its history.
#[derive(Clone, Copy, Debug)]
struct Work {
    what: What,
    request: Request,
    /// Failed tries so far.
    failed: u32,
    /// Repeats after "busy" or "delayed", which are no failures.
    repeats: u32,
}

/// What an answer means for the work it belongs to.
enum Verdict<'a> {
    Data(Status, &'a [u8]),
    /// Ask again later with the same bytes.
    Repeat(Option<Status>),
    /// A failed exchange.
    Failed(Option<Status>),
    NotImplemented(Option<Status>),
    /// The device answered and gives no data.
    Refused(Option<Status>),
}

/// The gateway's own identity is read this often; a change in it starts a survey.
const IDENTIFY_EVERY_MS: u64 = 30_000;
/// The list of devices is not read more often than this.
const SURVEY_GAP_MS: u64 = 30_000;
/// A gateway that did not say who it is, is asked again after this.
const SURVEY_RETRY_MS: u64 = 5_000;
const MAX_REPEATS: u32 = 8;
const FIRST_REPEAT_MS: u64 = 250;
const LONGEST_REPEAT_MS: u64 = 4_000;
/// How long the fast read of a new device waits for its entry in the register.
const ENTRY_WAIT_MS: u64 = 10_000;
const MAX_DEVICES: u16 = 4_096;
const RATE_WINDOW_MS: u64 = 60_000;
/// Unanswered polls in a row after which a device is asked without retries and without slow reads.
const SILENT: u32 = 2;
const INTRODUCTION: [Poll; 4] = [Poll::Identity, Poll::Output, Poll::LongTag, Poll::LoopMode];

/// The state of one gateway's polling.
pub struct Poller {
    config: GatewayConfig,
    directory: Arc<dyn LoopDirectory>,
    claims: Arc<Claims>,
    analog: Arc<AnalogTable>,
    plan: Plan,
    /// Same numbers as in the plan.
    devices: Vec<Device>,
    online: bool,
    io_system: Option<UniqueAddress>,
    gateway_identity: Option<Identity>,
    gateway_state: Option<(Option<u16>, Option<u8>, u8)>,
    survey: VecDeque<Step>,
    survey_busy: bool,
    survey_broken: bool,
    survey_wanted: bool,
    listing: bool,
    seen: HashSet<DeviceKey>,
    next_identify_ms: u64,
    last_listed_ms: Option<u64>,
    pending: HashMap<u64, Work>,
    resend: VecDeque<Work>,
    later: Vec<(u64, Work)>,
    next_token: u64,
    done_ms: VecDeque<u64>,
    started_ms: u64,
    readings: Vec<(Tag, Reading)>,
    discovered: VecDeque<Discovered>,
    /// Counters and connection state; the rest is filled in by [`snapshot`](Self::snapshot).
    pub status: GatewayStatus,
}

impl std::fmt::Debug for Poller {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Poller")
            .field("gateway", &self.config.name)
            .field("devices", &self.devices.len())
            .finish()
    }
}

impl Poller {
    pub fn new(
        config: GatewayConfig,
        directory: Arc<dyn LoopDirectory>,
        claims: Arc<Claims>,
        analog: Arc<AnalogTable>,
        now_ms: u64,
    ) -> Self {
        let periods = Periods::every(config.poll_every.as_millis().try_into().unwrap_or(u64::MAX));
        let mut p = Self {
            plan: Plan::new(periods, config.max_outstanding),
            status: GatewayStatus {
                name: config.name.clone(),
                ..GatewayStatus::default()
            },
            devices: Vec::new(),
            online: false,
            io_system: None,
            gateway_identity: None,
            gateway_state: None,
            survey: VecDeque::new(),
            survey_busy: false,
            survey_broken: false,
            survey_wanted: false,
            listing: false,
            seen: HashSet::new(),
            next_identify_ms: now_ms,
            last_listed_ms: None,
            pending: HashMap::new(),
            resend: VecDeque::new(),
            later: Vec::new(),
            next_token: 0,
            done_ms: VecDeque::new(),
            started_ms: now_ms,
            readings: Vec::new(),
            discovered: VecDeque::new(),
            config,
            directory,
            claims,
            analog,
        };
        // Loops that the register places here are polled, and found silent, even if the gateway never shows them.
        for known in p.directory.of_gateway(&p.config.name) {
            let first = now_ms.saturating_add(periods.dynamic_ms);
            p.plan.add(u32::MAX, &[Poll::Dynamic], first);
            let mut d = Device::new(Route::Absent, known.device);
            d.take_known(&known);
            p.devices.push(d);
        }
        p
    }

    /// Rows that are ready.
    pub fn take_readings(&mut self) -> Vec<(Tag, Reading)> {
        std::mem::take(&mut self.readings)
    }

    /// The next device description that is ready.
    pub fn take_discovered(&mut self) -> Option<Discovered> {
        self.discovered.pop_front()
    }

    /// Puts a description back that could not be handed on.
    pub fn return_discovered(&mut self, d: Discovered) {
        self.discovered.push_front(d);
    }

    /// The session is open: survey.
    pub fn opened(&mut self, now: Moment) {
        self.online = true;
        self.gateway_state = None;
        self.next_identify_ms = now.ms;
    }

    /// The session is gone; what was under way is reported as failed by the session.
    pub fn closed(&mut self, now: Moment) {
        self.online = false;
        self.status.closed();
        let waiting: Vec<Work> = self
            .resend
            .drain(..)
            .chain(self.later.drain(..).map(|(_, w)| w))
            .collect();
        for work in waiting {
            self.give_up(work, None, now);
        }
        self.survey.clear();
        self.survey_busy = false;
        self.listing = false;
    }

    /// The next request to submit, if one is due.
    pub fn next_request(&mut self, now: Moment) -> Option<(u64, Request)> {
        while self.online {
            if let Some(work) = self.resend.pop_front() {
                return Some(self.emit(work));
            }
            if !self.survey_busy
                && let Some(step) = self.survey.pop_front()
            {
                let Some(request) = self.survey_request(step) else {
                    continue;
                };
                self.survey_busy = true;
                return Some(self.emit(Work {
                    what: What::Survey(step),
                    request,
                    failed: 0,
                    repeats: 0,
                }));
            }
            let job = self.plan.next(now.ms)?;
            let Some(device) = self.devices.get(job.device) else {
                self.plan.finish(job);
                continue;
            };
            let silent =
                device.unanswered >= SILENT && !matches!(job.poll, Poll::Dynamic | Poll::Identity);
            match device.request(job.poll, self.io_system).filter(|_| !silent) {
                Some(request) => {
                    return Some(self.emit(Work {
                        what: What::Poll(job),
                        request,
                        failed: 0,
                        repeats: 0,
                    }));
                }
                None => self.not_tried(job, now),
            }
        }
        None
    }

    fn emit(&mut self, work: Work) -> (u64, Request) {
        self.next_token += 1;
        self.pending.insert(self.next_token, work);
        if let Some(d) = self.device_of(&work) {
            d.tried();
        }
        (self.next_token, work.request)
    }

    fn device_of(&mut self, work: &Work) -> Option<&mut Device> {
        match work.what {
            // Statistics are between us and the I/O system.
            What::Poll(job) if job.poll != Poll::Statistics => self.devices.get_mut(job.device),
            _ => None,
        }
    }

    fn survey_request(&self, step: Step) -> Option<Request> {
        Some(match step {
            Step::Identify => Request::Poll { polling_address: 0 },
            Step::Capabilities => Request::Direct {
                to: self.io_system?,
                command: ReadCommand::IoCapabilities,
            },
            Step::SubDevice(index) => Request::Direct {
                to: self.io_system?,
                command: ReadCommand::SubDeviceIdentity(index),
            },
        })
    }

    /// A poll without a way to the device.
    fn not_tried(&mut self, job: Job, now: Moment) {
        self.plan.finish(job);
        if job.poll == Poll::Dynamic {
            self.failure_row(job.device, None, now);
        }
    }

    /// The answer to a request: a whole frame that the session has matched.
    pub fn answered(&mut self, token: u64, bytes: &[u8], now: Moment) {
        let Some(work) = self.pending.remove(&token) else {
            return;
        };
        let Ok((frame, _)) = Frame::parse(bytes) else {
            self.failed_try(work, None, now);
            return;
        };
        match self.verdict(&work.request, &frame) {
            Verdict::Data(status, data) => self.data(work, status, data, now),
            Verdict::Repeat(status) if work.repeats >= MAX_REPEATS => {
                self.give_up(work, status, now)
            }
            Verdict::Repeat(_) => {
                let wait = (FIRST_REPEAT_MS << work.repeats.min(8)).min(LONGEST_REPEAT_MS);
                self.later.push((
                    now.ms + wait,
                    Work {
                        repeats: work.repeats + 1,
                        ..work
                    },
                ));
            }
            Verdict::Failed(status) => self.failed_try(work, status, now),
            Verdict::NotImplemented(status) => self.not_implemented(work, status, now),
            Verdict::Refused(status) => self.refused(work, status, now),
        }
    }

    /// A request that got no answer.
    pub fn failed(&mut self, token: u64, why: Failure, now: Moment) {
        let Some(work) = self.pending.remove(&token) else {
            return;
        };
        match why {
            Failure::Busy => self.resend.push_back(work),
            Failure::Lost | Failure::NotOpen => {
                // The gateway is out of reach, not the device.
                self.online = false;
                if let Some(d) = self.device_of(&work) {
                    d.try_failed();
                }
                self.give_up(work, None, now);
            }
            _ => self.failed_try(work, None, now),
        }
    }

    fn verdict<'a>(&mut self, request: &Request, frame: &Frame<'a>) -> Verdict<'a> {
        let Some(outer) = frame.status() else {
            return Verdict::Failed(None);
        };
        if outer.class() == CodeClass::CommunicationError {
            self.status.failures.comm_errors += 1;
        }
        if !matches!(request, Request::Through { .. }) {
            return Self::classify(outer, frame.data());
        }
        // The outer pair is the I/O system's: never written into a row.
        match outer.class() {
            CodeClass::Busy | CodeClass::Delayed => Verdict::Repeat(None),
            c if !c.has_data() => Verdict::Failed(None),
            _ => match Embedded::decode(frame.data())
                .ok()
                .and_then(|e| Some((e.frame.status()?, e.frame.data())))
            {
                Some((inner, data)) => {
                    if inner.class() == CodeClass::CommunicationError {
                        self.status.failures.comm_errors += 1;
                    }
                    Self::classify(inner, data)
                }
                None => Verdict::Failed(None),
            },
        }
    }

    fn classify(status: Status, data: &[u8]) -> Verdict<'_> {
        match status.class() {
            CodeClass::Success | CodeClass::Warning => Verdict::Data(status, data),
            CodeClass::Busy | CodeClass::Delayed => Verdict::Repeat(Some(status)),
            CodeClass::CommunicationError | CodeClass::DelayedLost => Verdict::Failed(Some(status)),
            CodeClass::NotImplemented => Verdict::NotImplemented(Some(status)),
            CodeClass::Error => Verdict::Refused(Some(status)),
        }
    }

    fn failed_try(&mut self, work: Work, status: Option<Status>, now: Moment) {
        let mut silent = false;
        if let Some(d) = self.device_of(&work) {
            d.try_failed();
            silent = d.unanswered >= SILENT;
        }
        if self.online && !silent && work.failed < self.config.retries {
            self.resend.push_back(Work {
                failed: work.failed + 1,
                ..work
            });
        } else {
            self.give_up(work, status, now);
        }
    }

    /// Retries are spent, or the session is gone.
    fn give_up(&mut self, work: Work, status: Option<Status>, now: Moment) {
        match work.what {
            What::Survey(step) => {
                self.survey_busy = false;
                self.survey_broken = true;
                match step {
                    Step::Identify => self.next_identify_ms = now.ms + SURVEY_RETRY_MS,
                    Step::Capabilities => self.survey_wanted = true,
                    Step::SubDevice(_) => self.listed_if_done(now),
                }
            }
            What::Poll(job) => {
                self.plan.finish(job);
                if job.poll == Poll::Dynamic {
                    if status.is_none() {
                        self.status.failures.no_reply += 1;
                    }
                    self.failure_row(job.device, status, now);
                }
                if job.poll != Poll::Statistics
                    && self.online
                    && let Some(d) = self.devices.get_mut(job.device)
                {
                    d.unanswered = d.unanswered.saturating_add(1);
                    self.survey_wanted |= d.unanswered == SILENT;
                }
            }
        }
    }

    fn failure_row(&mut self, device: usize, status: Option<Status>, now: Moment) {
        if let Some(d) = self.devices.get_mut(device)
            && let Some(tag) = d.tag.clone()
        {
            let row = d.failure_row(status, now.wall);
            self.push_row(tag, row);
        }
    }

    /// Adds the analog sample, if there is one within a poll period, and keeps the row.
    fn push_row(&mut self, tag: Tag, mut row: Reading) {
        let within_us = i64::try_from(self.config.poll_every.as_micros()).unwrap_or(i64::MAX);
        if let Some((ma, at)) = self.analog.latest(&tag)
            && row.time.0.saturating_sub(at.0).abs() <= within_us
        {
            row.analog_ma = ma;
            row.analog_time = Some(at);
        }
        self.readings.push((tag, row));
    }

    /// The device or gateway answered; it is not silent (any more).
    fn heard(&mut self, device: usize, now: Moment) {
        let Some(d) = self.devices.get_mut(device) else {
            return;
        };
        if std::mem::take(&mut d.unanswered) >= SILENT {
            for poll in INTRODUCTION {
                if self.plan.is_planned(device, poll) {
                    self.plan.hasten(device, poll, now.ms);
                }
            }
        }
    }

    fn not_implemented(&mut self, work: Work, status: Option<Status>, now: Moment) {
        let job = match work.what {
            What::Survey(_) => return self.refused(work, status, now),
            What::Poll(job) if job.poll == Poll::Dynamic => return self.refused(work, status, now),
            What::Poll(job) => job,
        };
        self.plan.finish(job);
        let Some(d) = self.devices.get_mut(job.device) else {
            return;
        };
        if job.poll == Poll::Statistics {
            d.counters = if d.counters == Counters::SubDevice {
                Counters::Channel
            } else {
                Counters::Own
            };
            if d.counters == Counters::Own {
                self.plan.drop_poll(job.device, Poll::Statistics);
            } else {
                self.plan.hasten(job.device, Poll::Statistics, now.ms);
            }
            return;
        }
        d.no_answer_to(job.poll);
        self.plan.drop_poll(job.device, job.poll);
        self.heard(job.device, now);
        self.progress(job.device, now);
    }

    fn refused(&mut self, work: Work, status: Option<Status>, now: Moment) {
        match work.what {
            What::Survey(step) => {
                self.survey_busy = false;
                match step {
                    // No I/O system: the server is the device.
                    Step::Capabilities => self.adopt_server(now),
                    // Nobody at this index.
                    Step::SubDevice(_) => self.listed_if_done(now),
                    Step::Identify => {}
                }
            }
            What::Poll(job) => {
                self.plan.finish(job);
                self.heard(job.device, now);
                if job.poll == Poll::Dynamic {
                    self.failure_row(job.device, status, now);
                } else {
                    if let Some(d) = self.devices.get_mut(job.device) {
                        d.no_answer_to(job.poll);
                    }
                    self.progress(job.device, now);
                }
            }
        }
    }

    fn data(&mut self, work: Work, status: Status, data: &[u8], now: Moment) {
        let read = match work.what {
            What::Survey(step) => self.survey_data(step, status, data, now),
            What::Poll(job) => self.poll_data(job, status, data, now),
        };
        if read.is_none() {
            self.status.failures.bad_frames += 1;
            self.failed_try(work, None, now);
        }
    }

    /// `None`: the data field is not what the command promises.
    fn poll_data(&mut self, job: Job, status: Status, data: &[u8], now: Moment) -> Option<()> {
        let d = self.devices.get_mut(job.device)?;
        match job.poll {
            Poll::Dynamic => {
                let v = DynamicVariables::decode(data).ok()?;
                let row = d.value_row(status, &v, now.wall);
                let rose = d.more_status_rose(status);
                let tag = d.tag.clone();
                self.done_ms.push_back(now.ms);
                if let Some(tag) = tag {
                    self.push_row(tag, row);
                }
                if rose && self.plan.is_planned(job.device, Poll::AdditionalStatus) {
                    self.plan.hasten(job.device, Poll::AdditionalStatus, now.ms);
                }
            }
            Poll::Identity => {
                d.take_identity(&Identity::decode(data).ok()?);
                self.refresh(job.device);
            }
            Poll::Output => d.take_output(OutputInformation::decode(data).ok()?),
            Poll::LongTag => d.long_tag = Some(Latin1(data.get(..32).unwrap_or(data)).to_string()),
            Poll::TagDescriptor => {
                d.short_tag = Some(TagDescriptorDate::decode(data).ok()?.tag.to_string())
            }
            Poll::LoopMode => d.take_loop_configuration(LoopConfiguration::decode(data).ok()?),
            Poll::AdditionalStatus => {
                let a = AdditionalStatus::decode(data).ok()?;
                d.take_extended(a.extended_status(d.universal_revision()));
            }
            Poll::Statistics if d.counters == Counters::Channel => {
                let s = ChannelStatistics::decode(data).ok()?;
                d.take_counters(s.sent, s.answered);
            }
            Poll::Statistics => {
                let s = SubDeviceStatistics::decode(data).ok()?;
                d.take_counters(s.sent, s.answered);
            }
        }
        self.plan.finish(job);
        if job.poll != Poll::Statistics {
            self.heard(job.device, now);
        }
        if job.poll != Poll::Dynamic {
            self.progress(job.device, now);
        }
        Some(())
    }

    fn survey_data(&mut self, step: Step, status: Status, data: &[u8], now: Moment) -> Option<()> {
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
        }
        self.survey_busy = false;
        self.listed_if_done(now);
        Some(())
    }

    /// At the end of a whole list: devices that are not on it are absent.
    fn listed_if_done(&mut self, now: Moment) {
        if !self.listing || self.survey.iter().any(|s| matches!(s, Step::SubDevice(_))) {
            return;
        }
        self.listing = false;
        self.last_listed_ms = Some(now.ms);
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

    fn modem_of(&self, card: u8, channel: u8) -> u32 {
        match self.config.modems {
            ModemSharing::Card => u32::from(card),
            ModemSharing::Channel => u32::from(card) << 8 | u32::from(channel),
            ModemSharing::Gateway => 0,
        }
    }

    fn adopt(&mut self, s: &SubDeviceIdentity<'_>, now: Moment) {
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
    fn adopt_server(&mut self, now: Moment) {
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
            d.take_identity(&identity);
        }
        self.last_listed_ms = Some(now.ms);
        self.progress(i, now);
    }

    /// Finds the device or makes room for it.
    fn place(&mut self, key: DeviceKey, route: Route, modem: u32, now: Moment) -> Option<usize> {
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
        if matches!(route, Route::Sub { .. }) {
            self.plan.hasten(i, Poll::Statistics, now.ms);
        }
        Some(i)
    }

    /// Moves a device on: decides its tag, introduces it, starts its fast read.
    fn progress(&mut self, i: usize, now: Moment) {
        self.decide_tag(i);
        let Some(d) = self.devices.get_mut(i) else {
            return;
        };
        let wants_short =
            d.long_tag.as_deref() == Some("") && d.short_tag.is_none() && d.tag.is_none();
        if wants_short && !self.plan.is_planned(i, Poll::TagDescriptor) {
            self.plan.hasten(i, Poll::TagDescriptor, now.ms);
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

    fn decide_tag(&mut self, i: usize) {
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
    fn settle(&mut self, i: usize) {
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
    fn refresh(&mut self, i: usize) {
        let Some(d) = self.devices.get_mut(i) else {
            return;
        };
        let before = d.tag.clone();
        d.refresh(self.directory.as_ref());
        if d.tag != before {
            self.settle(i);
        }
    }

    /// Time passes: repeats, surveys, rows while the gateway is out of reach.
    pub fn tick(&mut self, now: Moment) {
        let mut n = 0;
        while let Some((due, work)) = self.later.get(n).copied() {
            if due <= now.ms {
                self.later.swap_remove(n);
                self.resend.push_back(work);
            } else {
                n += 1;
            }
        }
        if self.online {
            let quiet = self.survey.is_empty() && !self.survey_busy;
            if quiet && now.ms >= self.next_identify_ms {
                self.next_identify_ms = now.ms + IDENTIFY_EVERY_MS;
                self.survey.push_back(Step::Identify);
            } else if quiet && self.survey_wanted && self.io_system.is_some() && self.may_list(now)
            {
                self.survey_wanted = false;
                self.survey.push_back(Step::Capabilities);
            }
            self.start_entered(now);
        } else {
            while let Some(job) = self.plan.next(now.ms) {
                self.not_tried(job, now);
            }
        }
        while self
            .done_ms
            .front()
            .is_some_and(|t| t + RATE_WINDOW_MS < now.ms)
        {
            self.done_ms.pop_front();
        }
    }

    fn may_list(&self, now: Moment) -> bool {
        self.last_listed_ms
            .is_none_or(|t| now.ms >= t + SURVEY_GAP_MS)
    }

    /// New devices whose entry in the register stands, or did not come in time, get their fast read.
    fn start_entered(&mut self, now: Moment) {
        for i in 0..self.devices.len() {
            let since = self.devices.get(i).and_then(|d| d.introduced_ms);
            let Some(since) = since.filter(|_| !self.plan.is_planned(i, Poll::Dynamic)) else {
                continue;
            };
            self.refresh(i);
            if self.devices.get(i).is_some_and(|d| d.known) || now.ms >= since + ENTRY_WAIT_MS {
                self.plan.hasten(i, Poll::Dynamic, now.ms);
            }
        }
    }

    /// When [`tick`](Self::tick) or [`next_request`](Self::next_request) has something to do at the latest.
    pub fn next_wake_ms(&self, now: Moment) -> u64 {
        let waiting = self
            .devices
            .iter()
            .enumerate()
            .any(|(i, d)| d.introduced_ms.is_some() && !self.plan.is_planned(i, Poll::Dynamic));
        let own = if self.online {
            self.next_identify_ms
        } else {
            u64::MAX
        };
        let soon = if waiting || self.survey_wanted {
            now.ms + 500
        } else {
            u64::MAX
        };
        self.later
            .iter()
            .map(|(due, _)| *due)
            .chain(self.plan.next_due_ms(now.ms))
            .chain([own, soon, now.ms + 1_000])
            .min()
            .unwrap_or(now.ms + 1_000)
    }

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
        s
    }
}
