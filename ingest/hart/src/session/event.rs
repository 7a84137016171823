//! What a session is told, what it asks for, and what can go wrong.

use crate::command::Request;
use crate::frame::Master;
use crate::hartip::{HartIpError, status_code};
use alloc::vec::Vec;

/// Which master the session offers to be.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum MasterChoice {
    /// Secondary; on silence or status 2 primary.
    #[default]
    Auto,
    Primary,
    Secondary,
}

impl MasterChoice {
    pub(super) fn first(self) -> Master {
        match self {
            Self::Primary => Master::Primary,
            Self::Auto | Self::Secondary => Master::Secondary,
        }
    }
}

/// What carries the messages.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Transport {
    /// A stream: messages joined and split, none lost while the connection stands.
    #[default]
    Tcp,
    /// Datagrams of one or more whole messages; each may be lost, doubled or overtaken.
    Udp,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Config {
    pub transport: Transport,
    pub master: MasterChoice,
    /// Inactivity close timer that is asked for, ms.
    pub inactivity_ms: u32,
    /// How long an answer may take, ms.
    pub timeout_ms: u64,
    /// Most requests that are under way at once.
    pub max_outstanding: usize,
}

impl Default for Config {
    fn default() -> Self {
        Self {
            transport: Transport::Tcp,
            master: MasterChoice::Auto,
            inactivity_ms: 60_000,
            timeout_ms: 2_000,
            max_outstanding: 8,
        }
    }
}

/// What happened.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Event<'a> {
    /// Open the session and keep it open.
    Start,
    /// The connection asked for stands.
    Connected,
    /// Bytes came: some of a stream, or one datagram.
    Received(&'a [u8]),
    /// The connection is gone, or could not be made; `jitter` in 0..=1 spreads the next attempt.
    Lost { jitter: f64 },
    /// Send this; `token` comes back with the result.
    Submit { token: u64, request: Request },
    /// The caller saw why this connection must not be used (security that failed) and says so itself: it is left.
    Reject,
    /// Nothing but time.
    Tick,
    /// Close the session and stay closed.
    Stop,
}

/// What the caller has to do or know.
#[derive(Clone, PartialEq, Debug)]
pub enum Action {
    /// Open a connection; report `Connected` or `Lost`.
    Connect,
    /// Send these bytes, one whole message.
    Transmit(Vec<u8>),
    /// Drop the connection; report `Lost`.
    Disconnect,
    /// The session is open in this role.
    Opened { master: Master, inactivity_ms: u32 },
    /// The answer to `token`: a whole frame that matches the request in address, command, card and channel.
    Answer { token: u64, frame: Vec<u8> },
    /// `token` gets no answer any more.
    Failed { token: u64, why: Failure },
    /// A burst message that the server passed on: a whole frame.
    Publish(Vec<u8>),
    /// Something to count and show.
    Trouble(Trouble),
    /// The session is closed for good after `Stop`.
    Closed,
}

/// Why a request has no answer.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Failure {
    #[error("no answer within the time-out")]
    Timeout,
    #[error("the session ended before the answer came")]
    Lost,
    #[error("the session is not open")]
    NotOpen,
    #[error("as many requests as allowed are under way")]
    Busy,
    #[error("the answer is damaged")]
    BadFrame,
    #[error("the answer belongs to another device or command")]
    Mismatch,
    #[error("the server answered with status {0}")]
    Status(u8),
}

/// What went wrong, for counters and the last error.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Trouble {
    #[error("request timed out")]
    Timeout,
    #[error("session refused with status {status} ({})", status_code::text(*.status))]
    Refused { status: u8 },
    #[error("server speaks hart-ip version {version} only; this program speaks version 1")]
    OtherVersion { version: u8 },
    #[error("server did not answer the session initiate as {} master", .master.as_str())]
    SilentInitiate { master: Master },
    #[error("damaged or unreadable answer")]
    BadFrame,
    #[error("answer for another device or command")]
    Mismatch,
    #[error("answer came after its time-out")]
    LateAnswer,
    #[error("connection lost")]
    Disconnected,
    #[error("could not connect")]
    ConnectFailed,
    #[error("keep-alive was not answered")]
    SilentKeepAlive,
    #[error("server closed the session")]
    ServerClosed,
    /// Bytes that are no message, or the rest of one that never came.
    #[error("{0}")]
    Stream(HartIpError),
    #[error("the stream stays out of step: the connection is made anew")]
    OutOfStep,
}
