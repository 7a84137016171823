//! What brings no data: failed tries and their repeats, reads that are given up, refused, or not implemented.

use super::{Moment, Poller, SILENT, SURVEY_RETRY_MS, Step, What, Work};
use crate::device::Counters;
use ingest_hart::plan::{Job, Poll};
use ingest_hart::{Codes, ReadCommand, Request, Status};

impl Poller {
    pub(super) fn failed_try(&mut self, work: Work, status: Option<Status>, now: Moment) {
        let (mut silent, mut trial) = (false, false);
        let nine = codes_of(&work).is_some();
        if let Some(d) = self.device_of(&work) {
            d.try_failed();
            silent = d.unanswered >= SILENT;
            trial = nine && !silent && d.fast.lost();
        }
        if self.online && trial {
            return self.ask_plainly(work, now);
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

    /// Command 9 did not do: the same read with command 3.
    pub(super) fn ask_plainly(&mut self, work: Work, now: Moment) {
        let request = match work.what {
            What::Poll(job) => self
                .devices
                .get(job.device)
                .and_then(|d| d.request(Poll::Dynamic, self.io_system, false, self.config.opt_in)),
            What::Survey(_) => None,
        };
        match request {
            Some(request) => self.resend.push_back(Work {
                request,
                repeats: 0,
                ..work
            }),
            None => self.give_up(work, None, now),
        }
    }

    /// Command 9 was refused, or does not carry both values: from now on 3.
    pub(super) fn nine_refused(&mut self, work: Work, now: Moment) {
        if let Some(d) = self.device_of(&work) {
            d.fast.refused();
        }
        self.ask_plainly(work, now);
    }

    /// Retries are spent, or the session is gone.
    pub(super) fn give_up(&mut self, work: Work, status: Option<Status>, now: Moment) {
        let nine = codes_of(&work).is_some();
        match work.what {
            What::Survey(step) => {
                self.survey_busy = false;
                let broken = self.survey_broken;
                self.survey_broken = true;
                match step {
                    Step::Identify => self.next_identify_ms = now.ms + SURVEY_RETRY_MS,
                    Step::Capabilities => self.survey_wanted = true,
                    Step::SubDevice(_) => self.listed_if_done(now),
                    Step::Own(_) | Step::Search { .. } | Step::Find { .. } => {
                        self.survey_broken = broken;
                    }
                }
            }
            What::Poll(job) => {
                self.plan.finish(job);
                if job.poll == Poll::Rest {
                    let online = self.online;
                    if let (Some(command), Some(d)) =
                        (work.request.command(), self.devices.get_mut(job.device))
                    {
                        if online && status.is_none() {
                            d.rest.unanswered(command.full_number());
                        }
                        self.next_rest(job, command, now);
                    }
                }
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
                    if nine {
                        d.nine_lost();
                    }
                    self.survey_wanted |= d.unanswered == SILENT;
                }
            }
        }
    }

    pub(super) fn not_implemented(&mut self, work: Work, status: Option<Status>, now: Moment) {
        if codes_of(&work).is_some() {
            return self.nine_refused(work, now);
        }
        let job = match work.what {
            What::Survey(_) => return self.refused(work, status, now),
            What::Poll(job) if job.poll == Poll::Dynamic => {
                if work.request.inner_command() == 3
                    && let Some(d) = self.devices.get_mut(job.device)
                {
                    d.fast.lacks_3();
                    return self.ask_plainly(work, now);
                }
                return self.refused(work, status, now);
            }
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
        if job.poll == Poll::Rest {
            if let Some(command) = work.request.command() {
                d.rest.lacks(command.full_number());
                if command == ReadCommand::Assignments {
                    d.lacks(Poll::Assignments);
                }
                self.next_rest(job, command, now);
            }
            self.heard(job.device, now);
            return;
        }
        d.lacks(job.poll);
        self.plan.drop_poll(job.device, job.poll);
        self.heard(job.device, now);
        self.progress(job.device, now);
    }

    pub(super) fn refused(&mut self, work: Work, status: Option<Status>, now: Moment) {
        if codes_of(&work).is_some() {
            return self.nine_refused(work, now);
        }
        match work.what {
            What::Survey(step) => {
                self.survey_busy = false;
                match step {
                    // No I/O system: the server is the device.
                    Step::Capabilities => self.adopt_server(now),
                    // Nobody at this index.
                    Step::SubDevice(_) => self.listed_if_done(now),
                    Step::Identify | Step::Own(_) | Step::Search { .. } | Step::Find { .. } => {}
                }
            }
            What::Poll(job) => {
                self.plan.finish(job);
                self.heard(job.device, now);
                if job.poll == Poll::Dynamic {
                    self.failure_row(job.device, status, now);
                } else if job.poll == Poll::Rest {
                    if let Some(command) = work.request.command() {
                        self.next_rest(job, command, now);
                    }
                } else {
                    if let Some(d) = self.devices.get_mut(job.device) {
                        d.no_answer_to(job.poll);
                    }
                    self.progress(job.device, now);
                }
            }
        }
    }
}

/// The codes of a fast read that is made with command 9.
pub(super) fn codes_of(work: &Work) -> Option<Codes<8>> {
    let What::Poll(Job {
        poll: Poll::Dynamic,
        ..
    }) = work.what
    else {
        return None;
    };
    match work.request {
        Request::Direct {
            command: ReadCommand::VariablesWithStatus(codes),
            ..
        }
        | Request::Through {
            command: ReadCommand::VariablesWithStatus(codes),
            ..
        } => Some(codes),
        _ => None,
    }
}
