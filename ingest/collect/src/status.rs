//! How a gateway is doing, with the fields of the service's `gateways` answer.

use ingest_hart::session::Trouble;
use ingest_hart::{Master, session};
use ingest_model::Tag;
use std::net::SocketAddr;

/// Failures since the collector started.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Failures {
    /// Requests without an answer in time.
    pub timeouts: u64,
    /// Sessions that the server did not grant.
    pub refused: u64,
    /// Damaged, foreign or unreadable answers.
    pub bad_frames: u64,
    /// Answers after their time-out; they are given to nobody.
    pub late_answers: u64,
    /// Answers whose first status byte reports a communication error.
    pub comm_errors: u64,
    /// Polls whose retries are spent without an answer.
    pub no_reply: u64,
    pub disconnects: u64,
}

/// One modem: what the plan asks of it and what it did.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct ModemStatus {
    /// I/O card, or whatever its sub-devices have in common.
    pub modem: u32,
    /// One of its loops, by which the register's name of the modem is found.
    pub tag: Option<Tag>,
    pub devices: usize,
    /// Fast reads a second, as planned and as answered over the last minute.
    pub planned_per_s: f64,
    pub achieved_per_s: f64,
    /// Share of its time that the plan takes with prompt answers and nobody else on the line.
    pub planned_load: f64,
    /// Share of its time that exchanges took over the last minute, by their length on the wire.
    pub achieved_load: f64,
}

/// Snapshot of one gateway.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct GatewayStatus {
    pub name: String,
    pub connected: bool,
    /// Sessions held now, 0 or 1.
    pub sessions: u32,
    /// Role taken, `primary` or `secondary`.
    pub master: Option<&'static str>,
    /// Devices that answer behind it.
    pub devices: usize,
    /// Fast reads a second that the plan asks for.
    pub planned_per_s: f64,
    /// Fast reads a second over the last minute.
    pub achieved_per_s: f64,
    /// How late the latest fast read is, s.
    pub late_s: f64,
    pub modems: Vec<ModemStatus>,
    pub failures: Failures,
    /// Readings that could not be handed on because the sink did not keep up.
    pub readings_lost: u64,
    /// Jumps of the wall clock by more than a second.
    pub clock_steps: u64,
    pub last_error: Option<String>,
}

impl Failures {
    pub(crate) fn count(&mut self, trouble: Trouble) {
        let n = match trouble {
            Trouble::Timeout | Trouble::SilentKeepAlive => &mut self.timeouts,
            Trouble::Refused { .. }
            | Trouble::OtherVersion { .. }
            | Trouble::SilentInitiate { .. } => &mut self.refused,
            Trouble::BadFrame | Trouble::Mismatch | Trouble::Stream(_) => &mut self.bad_frames,
            Trouble::LateAnswer => &mut self.late_answers,
            Trouble::Disconnected
            | Trouble::ConnectFailed
            | Trouble::ServerClosed
            | Trouble::OutOfStep => &mut self.disconnects,
        };
        *n += 1;
    }
}

impl GatewayStatus {
    /// Something happened since `shown`; what is only added up (rates, loads) is not looked at.
    pub(crate) fn tells_more_than(&self, shown: &Self) -> bool {
        self.connected != shown.connected
            || self.master != shown.master
            || self.failures != shown.failures
            || self.readings_lost != shown.readings_lost
            || self.clock_steps != shown.clock_steps
            || self.last_error != shown.last_error
    }

    pub(crate) fn opened(&mut self, master: Master) {
        self.connected = true;
        self.sessions = 1;
        self.master = Some(master.as_str());
    }

    pub(crate) fn closed(&mut self) {
        self.connected = false;
        self.sessions = 0;
        self.master = None;
    }

    /// A datagram came from another host than the gateway's.
    pub(crate) fn foreign(&mut self, from: SocketAddr) {
        self.failures.bad_frames += 1;
        self.last_error = Some(format!(
            "a datagram from {from}, which is not the gateway's host, was not taken; if the gateway has several addresses, give the one that it answers from"
        ));
    }

    /// More came in a second than is read in one.
    pub(crate) fn flooded(&mut self, most_bytes: usize) {
        self.failures.bad_frames += 1;
        self.last_error = Some(format!(
            "sends more than {} kB a second, more than any number of modems brings: no more is read in that second; look at what this server is",
            most_bytes / 1_024
        ));
    }

    /// We do not take the session that the server offers.
    pub(crate) fn refuse(&mut self, why: String) {
        self.failures.refused += 1;
        self.last_error = Some(why);
    }

    pub(crate) fn trouble(&mut self, trouble: session::Trouble) {
        self.failures.count(trouble);
        // A single time-out is daily business and would hide what matters.
        if !matches!(trouble, Trouble::Timeout | Trouble::LateAnswer) {
            self.last_error = Some(trouble.to_string());
        }
    }
}
