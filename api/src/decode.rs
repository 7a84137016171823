//! `loopwitness decode`: messages and frames explained byte by byte, as HCF_SPEC-81 and HCF_SPEC-85 lay them out.
//!
//! Every byte is accounted for. Damage is located, and reading goes on at the next whole message or frame.

mod audit;
pub mod capture;
mod explain;
mod fields;
mod opened;
mod sheet;

pub use sheet::{Item, Piece, Value};

use ingest_hart::frame::{Frame, FrameError};
use ingest_hart::hartip::{HEADER_LEN, MAX_MESSAGE_LEN};
use sheet::Sheet;

/// Why a text is not explained.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
pub enum DecodeError {
    #[error("`{text}` is not hexadecimal bytes (like 8280a1b2c30000d0, with or without spaces)")]
    NotHex { text: String },
    #[error("no bytes given")]
    Empty,
    #[error("no frame in these bytes")]
    NoFrame,
}

/// Reads hexadecimal digits; spaces, colons, commas and `0x` between bytes are fine.
pub fn parse_hex(text: &str) -> Result<Vec<u8>, DecodeError> {
    let not_hex = || DecodeError::NotHex {
        text: text.chars().take(60).collect(),
    };
    let mut bytes = Vec::new();
    for word in text
        .split(|c: char| c.is_whitespace() || matches!(c, ':' | ',' | '-'))
        .filter(|w| !w.is_empty())
    {
        let digits = word
            .strip_prefix("0x")
            .or_else(|| word.strip_prefix("0X"))
            .unwrap_or(word);
        let nibbles: Vec<u8> = digits
            .chars()
            .map(|c| c.to_digit(16).map(|d| d as u8))
            .collect::<Option<_>>()
            .ok_or_else(not_hex)?;
        if !nibbles.len().is_multiple_of(2) {
            return Err(not_hex());
        }
        bytes.extend(nibbles.chunks_exact(2).map(|p| p[0] << 4 | p[1]));
    }
    if bytes.is_empty() {
        Err(DecodeError::Empty)
    } else {
        Ok(bytes)
    }
}

/// Explains the data field of one command alone; 16-bit numbers without the two bytes that carry them.
pub fn explain_data(command: u16, data: &[u8], request: bool) -> Vec<Item> {
    let mut sheet = Sheet::default();
    explain::fields(&mut sheet, 0, command, data, request);
    sheet.into_piece(Vec::new()).items
}

/// What a command does, in a few words; empty where that is not known.
pub fn command_text(command: u16) -> &'static str {
    fields::command_name(command).trim_start_matches(", ")
}

/// What may be in a run of bytes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Wire {
    /// HART-IP messages, or frames with or without preambles.
    Any,
    /// HART-IP messages only.
    HartIp,
}

/// Explains messages and frames that follow each other.
///
/// # Errors
/// When nothing in the bytes can be taken for a message or a frame, damaged or not.
pub fn explain(bytes: &[u8]) -> Result<Vec<Piece>, DecodeError> {
    let mut pieces = Vec::new();
    let mut at = 0;
    while let Some((mut piece, used)) =
        next_piece(bytes.get(at..).unwrap_or_default(), true, Wire::Any)
    {
        piece.at = at;
        at += used;
        pieces.push(piece);
    }
    if pieces.iter().all(|p| p.is_rubbish()) {
        return Err(DecodeError::NoFrame);
    }
    Ok(pieces)
}

/// What the front of some bytes is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Start {
    /// A whole message of this length.
    Message(usize),
    /// A whole frame of this length, preambles included.
    Frame(usize),
    /// What it may become depends on bytes to come.
    More,
    Nothing,
}

/// Bytes that a message or frame may still grow to; beyond that the wait is over.
const PATIENCE: usize = 4 * MAX_MESSAGE_LEN;

/// The first piece and its length; `None` when the bytes are used up, or may go on and `end` does not say otherwise.
pub(crate) fn next_piece(bytes: &[u8], end: bool, wire: Wire) -> Option<(Piece, usize)> {
    if bytes.is_empty() {
        return None;
    }
    let mut sheet = Sheet::default();
    let length = match start(bytes, wire) {
        Start::Message(length) => {
            explain::message(&mut sheet, bytes.get(..length)?);
            length
        }
        Start::Frame(length) => {
            explain::frame_with_preambles(&mut sheet, bytes.get(..length)?);
            length
        }
        Start::More if !end && bytes.len() < PATIENCE => return None,
        Start::More | Start::Nothing => {
            let again = (1..bytes.len()).find(|i| {
                let rest = bytes.get(*i..).unwrap_or_default();
                matches!(start(rest, wire), Start::Message(_) | Start::Frame(_))
            });
            let claimed = claimed_length(bytes, wire);
            let length = match (again, claimed) {
                (Some(i), Some(n)) => i.min(n),
                (Some(i), None) => i,
                (None, Some(n)) => n.min(bytes.len()),
                // Something may begin in the last bytes and not be whole yet.
                (None, None) if !end && bytes.len() < PATIENCE => return None,
                (None, None) => bytes.len(),
            };
            explain::damaged(&mut sheet, bytes.get(..length)?, wire);
            length
        }
    };
    let bytes = bytes.get(..length)?.to_vec();
    Some((sheet.into_piece(bytes), length))
}

fn start(bytes: &[u8], wire: Wire) -> Start {
    let message = message_start(bytes);
    if wire == Wire::HartIp || matches!(message, Start::Message(_)) {
        return message;
    }
    let preambles = bytes.iter().take_while(|b| **b == 0xFF).count();
    match Frame::parse(bytes.get(preambles..).unwrap_or_default()) {
        Ok((_, used)) => Start::Frame(preambles + used),
        Err(FrameError::NeedMore { .. }) => Start::More,
        Err(_) => message,
    }
}

/// The length that a plausible head of a message says.
pub(crate) fn message_length(bytes: &[u8]) -> Option<usize> {
    let head = bytes.get(..HEADER_LEN)?;
    let &[1 | 2, 0..=3 | 15, 0..=5 | 128, _, _, _, hi, lo] = head else {
        return None;
    };
    let length = usize::from(u16::from_be_bytes([hi, lo]));
    (HEADER_LEN..=MAX_MESSAGE_LEN)
        .contains(&length)
        .then_some(length)
}

pub(crate) fn message_start(bytes: &[u8]) -> Start {
    if bytes.len() < HEADER_LEN {
        return match bytes {
            [1 | 2] | [1 | 2, 0..=3 | 15] | [1 | 2, 0..=3 | 15, 0..=5 | 128, ..] => Start::More,
            _ => Start::Nothing,
        };
    }
    let Some(length) = message_length(bytes) else {
        return Start::Nothing;
    };
    let Some(body) = bytes.get(HEADER_LEN..length) else {
        return Start::More;
    };
    let (kind, id) = (bytes.get(1).copied(), bytes.get(2).copied());
    let fits = match (kind, id) {
        // A refusal may come with an empty or a short body.
        (Some(3 | 15), _) => body.len() <= 1,
        (_, Some(0)) => matches!(body.len(), 0 | 5),
        (_, Some(1 | 2)) => body.is_empty(),
        (_, Some(3)) => {
            let preambles = body.iter().take_while(|b| **b == 0xFF).count();
            match Frame::parse(body.get(preambles..).unwrap_or_default()) {
                Ok((_, used)) => {
                    // Some servers send bytes after the frame; where a message begins there, the length is damaged.
                    let end = HEADER_LEN + preambles + used;
                    end == length || message_length(bytes.get(end..).unwrap_or_default()).is_none()
                }
                Err(_) => body.is_empty(),
            }
        }
        _ => true,
    };
    if fits {
        Start::Message(length)
    } else {
        Start::Nothing
    }
}

/// How long the damaged thing at the front says it is.
fn claimed_length(bytes: &[u8], wire: Wire) -> Option<usize> {
    if let Some(length) = message_length(bytes) {
        return Some(length);
    }
    if wire == Wire::HartIp {
        return None;
    }
    let preambles = bytes.iter().take_while(|b| **b == 0xFF).count();
    explain::frame_length(bytes.get(preambles..)?).map(|n| preambles + n)
}
