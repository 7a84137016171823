//! Requests out of a recording in place of those of the plan: so a recording becomes the rows that were collected.
//!
//! The same answers go through the same code; only who asks is another. What did not pass the wire (rows of a gateway that
//! was out of reach, analog currents) is not in a recording and so not in its rows.

use super::{Moment, Poller, Step, What, Work};
use crate::device::{Counters, Route};
use ingest_hart::plan::{Job, Poll};
use ingest_hart::{ReadCommand, Request};

impl Poller {
    /// A request that was sent. `None`: of nobody that is known by then.
    pub fn recorded(&mut self, request: Request, now: Moment) -> Option<u64> {
        self.settle_entered();
        let again = self
            .resend
            .iter()
            .position(|w| w.request == request)
            .and_then(|at| self.resend.remove(at));
        let again = again.or_else(|| {
            let at = self.later.iter().position(|(_, w)| w.request == request)?;
            Some(self.later.swap_remove(at).1)
        });
        let work = match again {
            Some(work) => work,
            None => Work {
                what: self.recorded_what(&request)?,
                request,
                failed: 0,
                repeats: 0,
            },
        };
        if let What::Survey(step) = work.what {
            self.survey_busy = true;
            if let Some(at) = self.survey.iter().position(|s| *s == step) {
                self.survey.remove(at);
            }
        }
        Some(self.emit(now, work).0)
    }

    /// Devices whose description was taken have their entry by the next message.
    fn settle_entered(&mut self) {
        for i in 0..self.devices.len() {
            if self
                .devices
                .get(i)
                .is_some_and(|d| d.introduced_ms.is_some() && !d.known)
            {
                self.refresh(i);
            }
        }
    }

    fn recorded_what(&self, request: &Request) -> Option<What> {
        let (command, to, place) = match request {
            Request::Poll { .. } => return Some(What::Survey(Step::Identify)),
            Request::Direct { to, command } => (*command, *to, None),
            Request::Through {
                card,
                channel,
                to,
                command,
                ..
            } => (*command, *to, Some((*card, *channel))),
        };
        let poll = poll_of(&command);
        let device = if place.is_none() && Some(to) == self.io_system {
            match command {
                ReadCommand::IoCapabilities => return Some(What::Survey(Step::Capabilities)),
                ReadCommand::SubDeviceIdentity(index) => {
                    return Some(What::Survey(Step::SubDevice(index)));
                }
                ReadCommand::SubDeviceStatistics(index) => self.devices.iter().position(
                    |d| matches!(d.route, Route::Sub { index: i, .. } if i == index),
                ),
                ReadCommand::ChannelStatistics { card, channel } => {
                    self.devices.iter().position(|d| {
                        let there = matches!(d.route, Route::Sub { card: a, channel: b, .. } if (a, b) == (card, channel));
                        there && d.counters == Counters::Channel
                    })
                }
                _ => self
                    .devices
                    .iter()
                    .position(|d| d.route == Route::Direct { to }),
            }
        } else {
            self.devices.iter().position(|d| match d.route {
                Route::Direct { to: t } => place.is_none() && t == to,
                Route::Sub {
                    card,
                    channel,
                    to: t,
                    ..
                } => place == Some((card, channel)) && t == to,
                Route::Absent => false,
            })
        };
        match device {
            Some(device) => Some(What::Poll(Job {
                device,
                poll,
                late_ms: 0,
                modem: 0,
            })),
            None => (Some(to) == self.io_system).then_some(What::Survey(Step::Own(command))),
        }
    }
}

fn poll_of(command: &ReadCommand) -> Poll {
    use ReadCommand as R;
    match command {
        // The list of the variables that every device has stands in for 3.
        R::DeviceVariables(codes) if codes.as_slice().contains(&245) => Poll::Dynamic,
        R::DynamicVariables | R::VariablesWithStatus(_) => Poll::Dynamic,
        R::Identity => Poll::Identity,
        R::OutputInformation => Poll::Output,
        R::LongTag => Poll::LongTag,
        R::TagDescriptorDate => Poll::TagDescriptor,
        R::Assignments => Poll::Assignments,
        R::LoopConfiguration => Poll::LoopMode,
        R::AdditionalStatus => Poll::AdditionalStatus,
        R::ChannelStatistics { .. } | R::SubDeviceStatistics(_) => Poll::Statistics,
        _ => Poll::Rest,
    }
}
