//! What answers become: a verdict from both status pairs, then rows, device knowledge, retries and repeats.

use super::failures::codes_of;
use super::{
    INTRODUCTION, LONGEST_REPEAT_MS, MAX_REPEATS, Moment, Poller, SHORTEST_REPEAT_MS, SILENT, What,
    Work,
};
use crate::device::values::Values;
use crate::device::{Changed, Counters, Route};
use ingest_hart::answer::{
    AdditionalStatus, Answer, Assignments, ChannelStatistics, DeviceVariables, DynamicVariables,
    Embedded, Identity, LoopConfiguration, OutputInformation, SubDeviceStatistics,
    TagDescriptorDate, VariablesWithStatus,
};
use ingest_hart::plan::{Job, Poll};
use ingest_hart::session::Failure;
use ingest_hart::status::device_bit;
use ingest_hart::timing::usual_exchange;
use ingest_hart::{CodeClass, Frame, Latin1, ReadCommand, Request, Status, Time32};
use ingest_model::{Reading, Tag};

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

impl Poller {
    /// The answer to a request: a whole frame that the session has matched.
    pub fn answered(&mut self, token: u64, bytes: &[u8], now: Moment) {
        let Some((_, work)) = self.pending.remove(&token) else {
            return;
        };
        self.note_wire(&work, now);
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
                self.later.push((
                    now.ms + repeat_wait_ms(&work),
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
        let Some((_, work)) = self.pending.remove(&token) else {
            return;
        };
        if why == Failure::Timeout {
            self.note_wire(&work, now);
        }
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

    pub(super) fn failure_row(&mut self, device: usize, status: Option<Status>, now: Moment) {
        if let Some(d) = self.devices.get_mut(device)
            && let Some(tag) = d.tag.clone()
        {
            let row = d.failure_row(status, now.wall);
            self.push_row(tag, row);
        }
    }

    /// Adds the analog sample, if there is one within a poll period, and keeps the row.
    pub(super) fn push_row(&mut self, tag: Tag, mut row: Reading) {
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
    pub(super) fn heard(&mut self, device: usize, now: Moment) {
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

    pub(super) fn data(&mut self, work: Work, status: Status, data: &[u8], now: Moment) {
        let read = match work.what {
            What::Survey(step) => self.survey_data(step, status, data, now),
            What::Poll(job) => self.poll_data(work, job, status, data, now),
        };
        if read.is_none() {
            self.status.failures.bad_frames += 1;
            self.failed_try(work, None, now);
        }
    }

    /// `None`: the data field is not what the command promises.
    fn poll_data(
        &mut self,
        work: Work,
        job: Job,
        status: Status,
        data: &[u8],
        now: Moment,
    ) -> Option<()> {
        let d = self.devices.get_mut(job.device)?;
        match job.poll {
            Poll::Dynamic => {
                let values = match codes_of(&work) {
                    Some(codes) => {
                        let v = Values::of_9(&VariablesWithStatus::decode(data).ok()?, None);
                        if !d.fast.answered(codes, &v) {
                            self.ask_plainly(work, now);
                            return Some(());
                        }
                        v
                    }
                    None if work.request.inner_command() == 33 => {
                        Values::of_33(&DeviceVariables::decode(data).ok()?, d.assignments)
                    }
                    None => {
                        let v = Values::of_3(DynamicVariables::decode(data).ok()?);
                        d.take_variables(&v);
                        v
                    }
                };
                self.take_values(job.device, status, &values, now);
            }
            Poll::Identity => {
                let changed = d.take_identity(&Identity::decode(data).ok()?);
                self.follow_change(job.device, changed, now);
                self.refresh(job.device);
            }
            Poll::Output => d.take_output(OutputInformation::decode(data).ok()?),
            Poll::LongTag => d.long_tag = Some(Latin1(data.get(..32).unwrap_or(data)).to_string()),
            Poll::TagDescriptor => {
                d.short_tag = Some(TagDescriptorDate::decode(data).ok()?.tag.to_string())
            }
            Poll::Assignments => d.assignments = Some(Assignments::decode(data).ok()?),
            Poll::LoopMode => d.take_loop_configuration(LoopConfiguration::decode(data).ok()?),
            Poll::AdditionalStatus => {
                let a = AdditionalStatus::decode(data).ok()?;
                d.take_extended(a.extended_status(d.universal_revision()));
            }
            Poll::Rest => {
                let command = work.request.command()?;
                let number = command.number();
                match Answer::decode(number, data).ok()? {
                    Answer::Assignments(a) => d.assignments = Some(a),
                    Answer::BurstConfiguration(b) if b.is_on() => {
                        let ms = b.update_period.and_then(Time32::ms);
                        d.update_period_ms = ms.map(|ms| ms as u64).filter(|ms| *ms > 0);
                    }
                    Answer::Extended(e) => {
                        e.answer().ok()?;
                    }
                    _ => {}
                }
                d.rest.answered(command.full_number());
                match command {
                    ReadCommand::Assignments => d.take_content(Poll::Assignments, data),
                    ReadCommand::TagDescriptorDate => d.take_content(Poll::TagDescriptor, data),
                    _ => {}
                }
                self.next_rest(job, command, now);
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
        if let Some(d) = self.devices.get_mut(job.device) {
            d.take_content(job.poll, data);
        }
        if job.poll != Poll::Dynamic {
            self.note_answer(job.device, &work.request, status, data, now);
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

    /// Values of a device came, asked for or published: a row, and what its status bits call for.
    pub(super) fn take_values(
        &mut self,
        device: usize,
        status: Status,
        values: &Values,
        now: Moment,
    ) {
        let Some(d) = self.devices.get_mut(device) else {
            return;
        };
        let row = d.value_row(status, values, now.wall);
        let rose = d.rising_bits(status);
        let (tag, uncounted) = (d.tag.clone(), d.counts_no_changes());
        let modem = self.plan.modem_of(device).unwrap_or(u32::MAX);
        self.done_ms.push_back((now.ms, modem));
        if let Some(tag) = tag {
            self.push_row(tag, row);
        }
        if rose & device_bit::MORE_STATUS_AVAILABLE != 0 {
            self.hasten_planned(device, &[Poll::AdditionalStatus], now);
        }
        if rose & device_bit::CONFIGURATION_CHANGED != 0 && uncounted {
            self.hasten_planned(device, &CONFIGURATION, now);
        }
    }

    fn hasten_planned(&mut self, device: usize, polls: &[Poll], now: Moment) {
        for poll in polls {
            if self.plan.is_planned(device, *poll) {
                self.plan.hasten(device, *poll, now.ms);
            }
        }
    }

    /// Another configuration is read anew; another firmware or hardware may also know other commands.
    fn follow_change(&mut self, device: usize, changed: Changed, now: Moment) {
        match changed {
            Changed::Nothing => {}
            Changed::Configuration => self.hasten_planned(device, &CONFIGURATION, now),
            Changed::Revision => {
                for poll in INTRODUCTION
                    .into_iter()
                    .chain([Poll::AdditionalStatus, Poll::Rest])
                {
                    self.plan.hasten(device, poll, now.ms);
                }
                if let Some(d) = self.devices.get_mut(device)
                    && matches!(d.route, Route::Sub { .. })
                    && d.counters == Counters::Own
                {
                    d.counters = Counters::SubDevice;
                    self.plan.hasten(device, Poll::Statistics, now.ms);
                }
            }
        }
    }
}

/// How long until the same bytes are sent again. No result is there before the exchange on the loop can be over; then it
/// is looked for often, and ever less often.
fn repeat_wait_ms(work: &Work) -> u64 {
    let Some(before) = work.repeats.checked_sub(1) else {
        let number = work.request.command().map_or(0, |c| c.full_number());
        return (usual_exchange(number).fair_ms() as u64).max(SHORTEST_REPEAT_MS);
    };
    // One and a half times longer each time.
    let wait = (0..before.min(MAX_REPEATS)).fold(SHORTEST_REPEAT_MS, |ms, _| ms * 3 / 2);
    wait.min(LONGEST_REPEAT_MS)
}

/// The reads that tell how a device is configured.
const CONFIGURATION: [Poll; 5] = [
    Poll::Output,
    Poll::LongTag,
    Poll::TagDescriptor,
    Poll::Assignments,
    Poll::LoopMode,
];
