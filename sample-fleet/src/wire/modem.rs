//! One FSK modem: serves its channels in turn, and takes as long as 1200 bit/s take (HCF_SPEC-54, HCF_SPEC-81).

use super::answers;
use super::pdu::{Asked, Body, PARITY_ERROR};
use super::{DeviceState, Devices};
use ingest_model::UtcMicros;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;

/// Start, 8 data, parity and stop bit at 1200 bit/s.
const CHARACTER_US: u64 = 11 * 1_000_000 / 1_200;
/// Silence after which a primary master gives up, characters.
const RT1: u32 = 33;
/// Wait after an exchange, so that the other master may start, characters.
const RT2: u32 = 8;
/// How long a device thinks before it answers, characters; at most 28 are allowed.
const THINKING: u32 = 4;
/// The other master's exchange: a command 3 with four variables.
const OTHER_MASTER: u32 = 54;
/// Requests that wait for one modem.
pub(crate) const QUEUE: usize = 32;
const PREAMBLES: u32 = 5;

/// Time that so many characters take on the pair.
pub(crate) fn on_wire(characters: u32) -> Duration {
    Duration::from_micros(u64::from(characters) * CHARACTER_US)
}

/// Whether a second master (a handheld, an asset system) works on this modem: ten minutes of each hour.
pub(crate) fn second_master(modem: u8, now: UtcMicros) -> bool {
    let minute = now.0.div_euclid(60_000_000) + 13 * i64::from(modem);
    minute.rem_euclid(60) < 10
}

/// What the modem is to send.
#[derive(Debug)]
pub(crate) struct Job {
    /// Index into the cards and polling address; `None`: nobody has this address, but the pair is busy all the same.
    pub to: Option<(usize, u8)>,
    pub asked: Asked,
    pub preambles: u8,
    pub reply: oneshot::Sender<Outcome>,
}

/// What came of it.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Outcome {
    /// Embedded answer, without check byte; `None` when nobody answered.
    pub answer: Option<Vec<u8>>,
    /// The answer was whole: counts as received.
    pub good: bool,
    /// Exchanges of another master heard since the last job.
    pub overheard: u16,
}

/// A modem's task.
pub(crate) struct Modem {
    pub number: u8,
    pub devices: Arc<dyn Devices>,
    pub clock: fn() -> UtcMicros,
}

impl Modem {
    /// Serves jobs until told to stop.
    pub(crate) async fn run(self, mut jobs: mpsc::Receiver<Job>, shutdown: CancellationToken) {
        let mut corrupted = 0u64;
        loop {
            let job = tokio::select! {
                () = shutdown.cancelled() => return,
                job = jobs.recv() => job,
            };
            let Some(job) = job else { return };
            // Nobody waits any more: the pair is spared.
            if job.reply.is_closed() {
                continue;
            }
            let mut overheard = 0;
            if second_master(self.number, (self.clock)()) {
                tokio::time::sleep(on_wire(OTHER_MASTER + RT2)).await;
                overheard = 1;
            }
            let (answer, good) = self.exchange(&job, &mut corrupted).await;
            if let Some((index, _)) = job.to {
                self.devices.exchanged(index, good);
            }
            let _ = job.reply.send(Outcome {
                answer,
                good,
                overheard,
            });
            tokio::time::sleep(on_wire(RT2)).await;
        }
    }

    async fn exchange(&self, job: &Job, corrupted: &mut u64) -> (Option<Vec<u8>>, bool) {
        tokio::time::sleep(on_wire(job.asked.characters(job.preambles))).await;
        let now = (self.clock)();
        let met = job.to.and_then(|(index, polling)| {
            let card = self.devices.cards().get(index)?;
            let state = self.devices.state(index, now);
            state.answers.then_some((card, polling, state))
        });
        let Some((card, polling, state)) = met else {
            tokio::time::sleep(on_wire(RT1)).await;
            return (None, false);
        };
        let DeviceState { device_status, .. } = state;
        let mut good = true;
        let body = if state.exchange_fails {
            // Corrupted on the way there the device says so; on the way back nothing usable arrives.
            *corrupted += 1;
            if corrupted.is_multiple_of(2) {
                tokio::time::sleep(on_wire(RT1)).await;
                return (None, false);
            }
            good = false;
            Body::error(PARITY_ERROR)
        } else if job.asked.command == 95 && card.universal_revision >= 7 {
            // What the device itself counted, this request included.
            let [sent, answered] = job
                .to
                .map_or([0, 0], |(index, _)| self.devices.counted(index));
            answers::counters(&[], &[sent.wrapping_add(1), answered, 0])
        } else {
            answers::device(
                card,
                polling,
                &state,
                job.asked.command,
                &job.asked.data,
                now,
            )
        };
        let answer = job.asked.answer(&body, device_status);
        let characters = u32::try_from(answer.len()).unwrap_or(u32::MAX);
        tokio::time::sleep(on_wire(THINKING + PREAMBLES + characters + 1)).await;
        (Some(answer), good)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn characters_take_their_time() {
        // 54 characters of a full command 3: 495 ms; a character: 9.167 ms.
        assert_eq!(on_wire(54).as_millis(), 494);
        assert_eq!(on_wire(1).as_micros(), 9_166);
        assert_eq!(on_wire(RT1).as_millis(), 302);
    }

    #[test]
    fn the_second_master_shares_ten_minutes_of_each_hour() {
        let minutes = (0..120)
            .filter(|m| second_master(3, UtcMicros(m * 60_000_000)))
            .count();
        assert_eq!(minutes, 20);
    }
}
