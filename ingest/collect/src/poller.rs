//! What one gateway is asked, and what its answers become. Pure: requests out, answers and a clock in.
//!
//! On connection the gateway is surveyed (identity, capabilities, the list of sub-devices); each device then joins the
//! polling plan. Fast reads become [`Reading`]s, slow ones tell who the device is and how it is ranged.

mod answers;
mod failures;
mod published;
mod recorded;
mod sheets;
mod snapshot;
mod survey;

use crate::analog::AnalogTable;
use crate::config::GatewayConfig;
use crate::device::{Device, Discovered, Route};
use crate::directory::LoopDirectory;
use crate::sheet::SheetTable;
use crate::status::GatewayStatus;
use ingest_hart::answer::Identity;
use ingest_hart::plan::{Job, Periods, Plan, Poll};
use ingest_hart::{ReadCommand, Request, UniqueAddress};
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
    /// Something that the gateway itself tells.
    Own(ReadCommand),
    /// Is there somebody at a place that the list leaves empty (75)?
    Search {
        card: u8,
        channel: u8,
    },
    /// Who has the tag of this loop, which the gateway does not show (21)?
    Find {
        device: usize,
    },
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

/// What the gateway tells of itself, and one empty place or missing loop, every so often.
const OWN_EVERY_MS: u64 = 600_000;
/// The first round of the slow reads: one a minute.
const FIRST_ROUND_MS: u64 = 60_000;
/// The gateway's own identity is read this often; a change in it starts a survey.
const IDENTIFY_EVERY_MS: u64 = 30_000;
/// The list of devices is not read more often than this.
const SURVEY_GAP_MS: u64 = 30_000;
/// A gateway that did not say who it is, is asked again after this.
const SURVEY_RETRY_MS: u64 = 5_000;
/// No exchange on a loop takes longer, another master's turn included (HCF_SPEC-81 timing, 1200 bit/s).
const LONGEST_EXCHANGE_MS: u64 = 2_500;
/// "Busy" and "delayed" are asked again so often, about 20 s in all.
const MAX_REPEATS: u32 = 11;
const SHORTEST_REPEAT_MS: u64 = 250;
const LONGEST_REPEAT_MS: u64 = 4_000;
/// How long the fast read of a new device waits for its entry in the register.
const ENTRY_WAIT_MS: u64 = 10_000;
const MAX_DEVICES: u16 = 4_096;
const RATE_WINDOW_MS: u64 = 60_000;
/// Unanswered polls in a row after which a device is asked without retries and without slow reads.
const SILENT: u32 = 2;
/// Share of a modem's time up to which command 9 is taken for the fast read; its frames are longer than those of 3.
const MOST_BUSY_WITH_9: f64 = 0.8;
const INTRODUCTION: [Poll; 4] = [Poll::Identity, Poll::Output, Poll::LongTag, Poll::LoopMode];

/// The state of one gateway's polling.
pub struct Poller {
    config: GatewayConfig,
    /// The gateway's, for the sheets.
    name: Arc<str>,
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
    /// Senders of burst messages that the list did not have: each calls for the list once in a session.
    strangers: HashSet<UniqueAddress>,
    listing: bool,
    seen: HashSet<DeviceKey>,
    next_identify_ms: u64,
    next_own_ms: u64,
    /// Cards and channels that the I/O system can have.
    places: (u8, u8),
    next_place: usize,
    next_missing: usize,
    last_listed_ms: Option<u64>,
    /// The list was read in this session: who is not on it is not there.
    listed: bool,
    /// With the time of sending.
    pending: HashMap<u64, (u64, Work)>,
    resend: VecDeque<Work>,
    later: Vec<(u64, Work)>,
    next_token: u64,
    /// When each fast read was answered, and on which modem.
    done_ms: VecDeque<(u64, u32)>,
    /// When each exchange on a loop was over, on which modem, and how long it is on the wire.
    wire: VecDeque<(u64, u32, f64)>,
    sheets: Arc<SheetTable>,
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
            strangers: HashSet::new(),
            listing: false,
            seen: HashSet::new(),
            next_identify_ms: now_ms,
            next_own_ms: now_ms,
            places: (0, 0),
            next_place: 0,
            next_missing: 0,
            last_listed_ms: None,
            listed: false,
            pending: HashMap::new(),
            resend: VecDeque::new(),
            later: Vec::new(),
            next_token: 0,
            done_ms: VecDeque::new(),
            wire: VecDeque::new(),
            sheets: Arc::default(),
            started_ms: now_ms,
            readings: Vec::new(),
            discovered: VecDeque::new(),
            name: config.name.as_str().into(),
            config,
            directory,
            claims,
            analog,
        };
        // Loops that the register places here are polled, and found silent, even if the gateway never shows them.
        let known = p.directory.of_gateway(&p.config.name);
        p.plan.reserve(known.len());
        p.devices.reserve_exact(known.len());
        for known in known {
            let first = now_ms.saturating_add(periods.dynamic_ms);
            p.plan.add(u32::MAX, &[Poll::Dynamic], first);
            let mut d = Device::new(Route::Absent, known.device);
            d.take_known(&known);
            p.devices.push(d);
        }
        p
    }

    /// Where to keep what devices say beside their readings.
    #[must_use]
    pub fn with_sheets(mut self, sheets: Arc<SheetTable>) -> Self {
        self.sheets = sheets;
        self
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
        self.strangers.clear();
        self.gateway_state = None;
        self.next_identify_ms = now.ms;
        self.next_own_ms = now.ms.saturating_add(FIRST_ROUND_MS);
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
        self.listed = false;
    }

    /// The next request to submit, if one is due.
    pub fn next_request(&mut self, now: Moment) -> Option<(u64, Request)> {
        while self.online {
            if let Some(work) = self.resend.pop_front() {
                return Some(self.emit(now, work));
            }
            if !self.survey_busy
                && let Some(step) = self.survey.pop_front()
            {
                let Some(request) = self.survey_request(step) else {
                    continue;
                };
                self.survey_busy = true;
                return Some(self.emit(
                    now,
                    Work {
                        what: What::Survey(step),
                        request,
                        failed: 0,
                        repeats: 0,
                    },
                ));
            }
            let job = self.plan.next(now.ms)?;
            let Some(device) = self.devices.get(job.device) else {
                self.plan.finish(job);
                continue;
            };
            // A silent device costs as little of the modem's time as may be; statistics cost none.
            let asked = matches!(job.poll, Poll::Dynamic | Poll::Identity | Poll::Statistics);
            let silent = device.unanswered >= SILENT && !asked;
            let room = job.poll == Poll::Dynamic
                && self.plan.load_of_modem(job.device, 9) <= MOST_BUSY_WITH_9;
            match device
                .request(job.poll, self.io_system, room, self.config.opt_in)
                .filter(|_| !silent)
            {
                Some(request) => {
                    return Some(self.emit(
                        now,
                        Work {
                            what: What::Poll(job),
                            request,
                            failed: 0,
                            repeats: 0,
                        },
                    ));
                }
                None => self.not_tried(job, now),
            }
        }
        None
    }

    fn emit(&mut self, now: Moment, work: Work) -> (u64, Request) {
        self.next_token += 1;
        self.pending.insert(self.next_token, (now.ms, work));
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
            Step::Own(command) => Request::Direct {
                to: self.io_system?,
                command,
            },
            Step::Search { card, channel } => Request::Direct {
                to: self.io_system?,
                command: ReadCommand::PollSubDevice {
                    card,
                    channel,
                    polling_address: 0,
                },
            },
            Step::Find { device } => {
                let tag = self.devices.get(device)?.tag.as_ref()?;
                let mut bytes = [0; 32];
                for (b, c) in bytes.iter_mut().zip(tag.as_str().chars()) {
                    *b = u8::try_from(c).ok()?;
                }
                Request::Direct {
                    to: UniqueAddress::new(0, 0),
                    command: ReadCommand::IdentityByLongTag(bytes),
                }
            }
        })
    }

    /// A poll without a way to the device.
    fn not_tried(&mut self, job: Job, now: Moment) {
        self.plan.finish(job);
        // Before the gateway has said who is there, nobody is missing.
        if job.poll == Poll::Dynamic && (self.listed || !self.online) {
            self.failure_row(job.device, None, now);
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
        // A lost answer is waited for, but not at the cost of the other devices on its modem.
        for (sent_ms, work) in self.pending.values() {
            if let What::Poll(job) = work.what
                && now.ms >= sent_ms.saturating_add(LONGEST_EXCHANGE_MS)
            {
                self.plan.release_modem(job);
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
            } else if quiet && self.listed && now.ms >= self.next_own_ms {
                self.next_own_ms = now.ms + OWN_EVERY_MS;
                self.ask_gateway();
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
            .is_some_and(|(t, _)| t + RATE_WINDOW_MS < now.ms)
        {
            self.done_ms.pop_front();
        }
        while self
            .wire
            .front()
            .is_some_and(|(t, ..)| t + RATE_WINDOW_MS < now.ms)
        {
            self.wire.pop_front();
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
}
