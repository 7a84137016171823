//! HART-IP (HCF_SPEC-85), version 1: header, messages, and the cutter that finds messages in a TCP stream.

mod cutter;

pub use cutter::Cutter;

use crate::command::{EncodeError, Request};
use crate::frame::Master;

/// The version that is spoken here; 2 begins in the clear too, but goes on encrypted.
pub const VERSION: u8 = 1;

pub const HEADER_LEN: usize = 8;
/// Longest message that is accepted, header included.
pub const MAX_MESSAGE_LEN: usize = 1042;
/// Port for TCP and for the first UDP request.
pub const PORT: u16 = 5094;

/// Header byte 1, low nibble.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum MessageType {
    Request,
    Response,
    Publish,
    /// 3, or 15 (NAK): the server could not handle the message.
    Error,
    Other(u8),
}

/// Header byte 2.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum MessageId {
    Initiate,
    Close,
    KeepAlive,
    TokenPassing,
    Other(u8),
}

/// Header status codes that the session looks at.
pub mod status_code {
    pub const SUCCESS: u8 = 0;
    /// Initiate: this master type is not served.
    pub const INVALID_SELECTION: u8 = 2;
    /// Warning: set to nearest possible value (inactivity timer).
    pub const NEAREST_VALUE: u8 = 8;
    /// Warning: version not supported, the server answers with its own.
    pub const VERSION_NOT_SUPPORTED: u8 = 14;
    pub const ALL_SESSIONS_IN_USE: u8 = 15;
    pub const ACCESS_RESTRICTED: u8 = 16;
    /// Warning: an insecure session already exists.
    pub const INSECURE_SESSION_EXISTS: u8 = 30;

    /// What a status means, for people.
    pub fn text(code: u8) -> &'static str {
        match code {
            SUCCESS => "success",
            INVALID_SELECTION => "invalid selection: this master type is not served",
            5 => "too few data bytes",
            6 => "device-specific command error",
            NEAREST_VALUE => "set to nearest possible value",
            9 => "security not initialised",
            VERSION_NOT_SUPPORTED => "version not supported",
            ALL_SESSIONS_IN_USE => "all sessions in use",
            ACCESS_RESTRICTED => "access restricted: a session of this client exists already",
            INSECURE_SESSION_EXISTS => "an insecure session already exists",
            _ => "unknown status",
        }
    }

    /// Done, perhaps with a remark.
    pub fn is_accepted(code: u8) -> bool {
        matches!(
            code,
            SUCCESS | NEAREST_VALUE | VERSION_NOT_SUPPORTED | INSECURE_SESSION_EXISTS
        )
    }
}

/// One message, borrowed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Message<'a> {
    pub version: u8,
    pub message_type: MessageType,
    pub id: MessageId,
    pub status: u8,
    pub sequence: u16,
    pub body: &'a [u8],
}

/// Why bytes are no message; in a TCP stream the start of the next one has to be searched for then.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum HartIpError {
    #[error("hart-ip message is not complete: {have} bytes are here, {need} are needed")]
    NeedMore { have: usize, need: usize },
    #[error(
        "hart-ip byte count {count} is outside 8..1042: not hart-ip, or the stream is out of step"
    )]
    Length { count: u16 },
    #[error("hart-ip version {version} is not 1 or 2: not hart-ip, or the stream is out of step")]
    Version { version: u8 },
}

impl<'a> Message<'a> {
    /// Reads one message at the start of `bytes`; gives it and its length.
    pub fn parse(bytes: &'a [u8]) -> Result<(Self, usize), HartIpError> {
        let have = bytes.len();
        let (head, _) = bytes
            .split_first_chunk::<HEADER_LEN>()
            .ok_or(HartIpError::NeedMore {
                have,
                need: HEADER_LEN,
            })?;
        let [version, message_type, id, status, s1, s0, c1, c0] = *head;
        if !matches!(version, 1 | 2) {
            return Err(HartIpError::Version { version });
        }
        let count = u16::from_be_bytes([c1, c0]);
        let need = usize::from(count);
        if !(HEADER_LEN..=MAX_MESSAGE_LEN).contains(&need) {
            return Err(HartIpError::Length { count });
        }
        let body = bytes
            .get(HEADER_LEN..need)
            .ok_or(HartIpError::NeedMore { have, need })?;
        let message_type = match message_type & 0x0F {
            0 => MessageType::Request,
            1 => MessageType::Response,
            2 => MessageType::Publish,
            3 | 15 => MessageType::Error,
            n => MessageType::Other(n),
        };
        let id = match id {
            0 => MessageId::Initiate,
            1 => MessageId::Close,
            2 => MessageId::KeepAlive,
            3 => MessageId::TokenPassing,
            n => MessageId::Other(n),
        };
        Ok((
            Self {
                version,
                message_type,
                id,
                status,
                sequence: u16::from_be_bytes([s1, s0]),
                body,
            },
            need,
        ))
    }

    /// Body of a session initiate message: master type (1 primary, 0 secondary) and inactivity timer in ms.
    pub fn initiate_body(&self) -> Option<(u8, u32)> {
        match self.body {
            [master, a, b, c, d, ..] => Some((*master, u32::from_be_bytes([*a, *b, *c, *d]))),
            _ => None,
        }
    }
}

fn header(id: u8, sequence: u16, len: usize) -> [u8; HEADER_LEN] {
    let [s1, s0] = sequence.to_be_bytes();
    let [c1, c0] = (len as u16).to_be_bytes();
    [VERSION, 0, id, 0, s1, s0, c1, c0]
}

/// Session initiate request, 13 bytes.
pub fn encode_initiate(sequence: u16, master: Master, inactivity_ms: u32) -> [u8; 13] {
    let [a, b, c, d] = inactivity_ms.to_be_bytes();
    let [h0, h1, h2, h3, h4, h5, h6, h7] = header(0, sequence, 13);
    [h0, h1, h2, h3, h4, h5, h6, h7, master.code(), a, b, c, d]
}

/// Session close request.
pub fn encode_close(sequence: u16) -> [u8; HEADER_LEN] {
    header(1, sequence, HEADER_LEN)
}

/// Keep-alive request.
pub fn encode_keep_alive(sequence: u16) -> [u8; HEADER_LEN] {
    header(2, sequence, HEADER_LEN)
}

/// Token-passing PDU request around a read; gives the length.
pub fn encode_request(
    sequence: u16,
    request: &Request,
    master: Master,
    out: &mut [u8],
) -> Result<usize, EncodeError> {
    let (have, need) = (out.len(), HEADER_LEN + request.encoded_len());
    let (head, body) = out
        .split_first_chunk_mut::<HEADER_LEN>()
        .ok_or(EncodeError { need, have })?;
    let len = request
        .encode(master, body)
        .map_err(|_| EncodeError { need, have })?;
    *head = header(3, sequence, HEADER_LEN + len);
    Ok(HEADER_LEN + len)
}
