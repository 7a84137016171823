//! Beside the readings: what devices and the gateway said in slow reads goes to their sheets; time on the wire is added up.

use super::{FIRST_ROUND_MS, Moment, Poller, What, Work};
use crate::device::Route;
use crate::sheet::{Sheet, SheetAnswer, SheetTable};
use ingest_hart::plan::{Job, Poll};
use ingest_hart::timing::usual_exchange;
use ingest_hart::{ReadCommand, Request, Status};
use ingest_model::DeviceKey;

/// Puts an answer into the sheet; the number within 31 is in neither request nor data.
fn note(
    sheets: &SheetTable,
    head: Sheet,
    command: &ReadCommand,
    status: Status,
    data: &[u8],
    now: Moment,
) {
    let number = if command.extended_number().is_some() {
        2
    } else {
        0
    };
    let request = command.data();
    let answer = SheetAnswer {
        command: command.full_number(),
        request: request.get(number..).unwrap_or_default(),
        time: now.wall,
        response_code: status.first,
        device_status: status.second,
        data: data.get(number..).unwrap_or_default(),
    };
    sheets.note(head, answer);
}

impl Poller {
    /// A slow read of a device was answered.
    pub(super) fn note_answer(
        &self,
        device: usize,
        request: &Request,
        status: Status,
        data: &[u8],
        now: Moment,
    ) {
        let Some(d) = self.devices.get(device) else {
            return;
        };
        let (Some(key), Some(command)) = (d.key, request.command()) else {
            return;
        };
        let mut head = Sheet::new(self.name.clone(), key);
        head.tag = d.tag.clone();
        head.device_revision = d.device_revision();
        head.universal_revision = d.universal_revision();
        head.wireless = d.wireless;
        note(&self.sheets, head, &command, status, data, now);
    }

    /// The gateway told something of itself.
    pub(super) fn note_own(&self, command: ReadCommand, status: Status, data: &[u8], now: Moment) {
        let Some(i) = self.gateway_identity else {
            return;
        };
        let key = DeviceKey {
            device_type: i.device_type,
            device_id: i.device_id,
        };
        let mut head = Sheet::new(self.name.clone(), key);
        head.device_revision = Some(i.device_revision);
        head.universal_revision = i.universal_revision;
        note(&self.sheets, head, &command, status, data, now);
    }

    /// The next of the slow reads: soon in the first round, then a slow period later.
    pub(super) fn next_rest(&mut self, job: Job, done: ReadCommand, now: Moment) {
        let opened = self.config.opt_in;
        let Some(d) = self.devices.get_mut(job.device) else {
            return;
        };
        d.rest_done(done, opened);
        if d.rest.is_first_round() {
            let soon = now.ms.saturating_add(FIRST_ROUND_MS);
            self.plan.hasten(job.device, Poll::Rest, soon);
        }
    }

    /// An exchange on a loop is over.
    pub(super) fn note_wire(&mut self, work: &Work, now: Moment) {
        let What::Poll(job) = work.what else { return };
        let reached = self
            .devices
            .get(job.device)
            .is_some_and(|d| d.route != Route::Absent);
        if !job.poll.uses_wire() || !reached {
            return;
        }
        let number = work.request.command().map_or(0, |c| c.full_number());
        let ms = usual_exchange(number).fair_ms();
        self.wire.push_back((now.ms, job.modem, ms));
    }
}
