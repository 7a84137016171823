//! `loopwitness decode`: a frame explained byte by byte, as HCF_SPEC-81 and HCF_SPEC-85 lay it out.

mod fields;

use fields::{command_name, layout};
use ingest_hart::frame::{Address, Frame, FrameError, FrameType};
use ingest_hart::status::{
    COMMUNICATION_ERROR_BITS, CodeClass, DEVICE_STATUS_BITS, names_of, response_text,
};
use std::fmt::Write as _;

/// Why a text is not explained.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
pub enum DecodeError {
    #[error("`{text}` is not hexadecimal bytes (like 8280a1b2c30000d0, with or without spaces)")]
    NotHex { text: String },
    #[error("no bytes given")]
    Empty,
    #[error("no frame in these bytes: {0}")]
    NoFrame(FrameError),
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

/// Lines `offset  bytes  meaning`.
struct Sheet {
    text: String,
    depth: usize,
}

impl Sheet {
    fn line(&mut self, offset: usize, bytes: &[u8], meaning: &str) {
        let hex: Vec<String> = bytes.iter().map(|b| format!("{b:02X}")).collect();
        let indent = "  ".repeat(self.depth);
        let first: Vec<String> = hex.chunks(8).map(|c| c.join(" ")).collect();
        for (n, part) in first.iter().enumerate() {
            let meaning = if n == 0 { meaning } else { "" };
            let line = format!("{:4}  {part:<23}  {indent}{meaning}", offset + 8 * n);
            // Writing into a String does not fail.
            let _done = writeln!(self.text, "{}", line.trim_end());
        }
    }

    fn note(&mut self, text: &str) {
        let indent = "  ".repeat(self.depth);
        let _done = writeln!(self.text, "{:31}{indent}{text}", "");
    }
}

/// Explains one HART-IP message or one frame with or without preambles.
pub fn explain(bytes: &[u8]) -> Result<String, DecodeError> {
    let mut sheet = Sheet {
        text: String::new(),
        depth: 0,
    };
    if let Some(body) = hart_ip(&mut sheet, bytes) {
        if !body.is_empty() {
            frame(&mut sheet, 8, body, true)?;
        }
        return Ok(sheet.text);
    }
    let preambles = bytes.iter().take_while(|b| **b == 0xFF).count();
    if preambles > 0 {
        sheet.line(
            0,
            &bytes[..preambles],
            &format!("{preambles} preamble bytes"),
        );
    }
    frame(&mut sheet, preambles, &bytes[preambles..], true)?;
    Ok(sheet.text)
}

/// The header of a HART-IP message (HCF_SPEC-85); gives the frame inside it, empty where it carries none.
fn hart_ip<'a>(sheet: &mut Sheet, bytes: &'a [u8]) -> Option<&'a [u8]> {
    let &[
        version @ (1 | 2),
        kind @ 0..=15,
        id,
        status,
        s1,
        s2,
        l1,
        l2,
        ref rest @ ..,
    ] = bytes
    else {
        return None;
    };
    let length = usize::from(u16::from_be_bytes([l1, l2]));
    if length != bytes.len() {
        return None;
    }
    let kind_text = match kind {
        0 => "request",
        1 => "response",
        2 => "publish",
        15 => "negative acknowledgement",
        _ => "message type not known",
    };
    let id_text = match id {
        0 => "session initiate",
        1 => "session close",
        2 => "keep alive",
        3 => "token-passing PDU",
        4 => "direct PDU",
        5 => "audit log",
        _ => "message identifier not known",
    };
    sheet.line(0, &[version], &format!("HART-IP version {version}"));
    sheet.line(1, &[kind], kind_text);
    sheet.line(2, &[id], id_text);
    sheet.line(3, &[status], &format!("status {status}"));
    sheet.line(
        4,
        &[s1, s2],
        &format!("sequence number {}", u16::from_be_bytes([s1, s2])),
    );
    sheet.line(
        6,
        &[l1, l2],
        &format!("length {length} bytes, header included"),
    );
    match (id, rest) {
        (_, [code]) if kind == 15 => sheet.line(8, &[*code], &format!("error code {code}")),
        (3, _) if !rest.is_empty() => return Some(rest),
        (0, [master, t @ ..]) if t.len() == 4 => {
            let role = match master {
                0 => "secondary master",
                1 => "primary master",
                _ => "master type not known",
            };
            sheet.line(8, &[*master], role);
            let ms = t.iter().fold(0u32, |a, b| a << 8 | u32::from(*b));
            sheet.line(9, t, &format!("inactivity close time {ms} ms"));
        }
        _ if !rest.is_empty() => sheet.line(8, rest, "body, not explained"),
        _ => {}
    }
    Some(&[])
}

fn frame(
    sheet: &mut Sheet,
    base: usize,
    bytes: &[u8],
    with_check: bool,
) -> Result<(), DecodeError> {
    let parsed = if with_check {
        Frame::parse(bytes)
    } else {
        Frame::parse_embedded(bytes)
    };
    let (f, used) = parsed.map_err(DecodeError::NoFrame)?;
    let kind = match f.frame_type {
        FrameType::Request => "request, master to device (STX)",
        FrameType::Answer => "answer, device to master (ACK)",
        FrameType::Burst => "burst message of a device (BACK)",
    };
    let form = if matches!(f.address, Address::Long(_)) {
        "unique address"
    } else {
        "polling address"
    };
    let psk = if f.psk { ", PSK" } else { "" };
    sheet.line(base, &bytes[..1], &format!("{kind}, {form}{psk}"));
    let mut at = match f.address {
        Address::Long(a) => {
            let id = u32::from(a[2]) << 16 | u32::from(a[3]) << 8 | u32::from(a[4]);
            let master = f.address.master().as_str();
            let burst = if f.address.burst() {
                ", in burst mode"
            } else {
                ""
            };
            let whom = if a[0] & 0x3F == 0 && a[1] == 0 && id == 0 {
                "broadcast".to_owned()
            } else {
                // Master and burst bits take the place of the type's top two.
                format!(
                    "device type 0x{:02X}{:02X} in its lower 14 bits, device ID 0x{id:06X}",
                    a[0] & 0x3F,
                    a[1]
                )
            };
            sheet.line(
                base + 1,
                &bytes[1..6],
                &format!("{master} master{burst}; {whom}"),
            );
            6
        }
        Address::Short(a) => {
            let master = f.address.master().as_str();
            let burst = if f.address.burst() {
                ", in burst mode"
            } else {
                ""
            };
            sheet.line(
                base + 1,
                &bytes[1..2],
                &format!("{master} master{burst}; polling address {}", a & 0x3F),
            );
            2
        }
    };
    if !f.expansion.is_empty() {
        sheet.line(base + at, f.expansion, "expansion bytes, no use defined");
        at += f.expansion.len();
    }
    sheet.line(
        base + at,
        &[f.command],
        &format!("command {}{}", f.command, command_name(f.command)),
    );
    sheet.line(
        base + at + 1,
        &[f.payload.len() as u8],
        &format!("byte count {}", f.payload.len()),
    );
    at += 2;
    let mut has_data = true;
    if let Some(s) = f.status() {
        if s.class() == CodeClass::CommunicationError {
            let bits: Vec<_> = names_of(s.first & 0x7F, &COMMUNICATION_ERROR_BITS).collect();
            sheet.line(
                base + at,
                &[s.first],
                &format!("the device received it damaged: {}", bits.join(", ")),
            );
            sheet.line(base + at + 1, &[s.second], "without meaning here");
        } else {
            sheet.line(
                base + at,
                &[s.first],
                &format!(
                    "response code {}: {}",
                    s.first,
                    response_text(f.command, s.first)
                ),
            );
            let bits: Vec<_> = names_of(s.second, &DEVICE_STATUS_BITS).collect();
            let text = if bits.is_empty() {
                "nothing set".to_owned()
            } else {
                bits.join(", ")
            };
            sheet.line(
                base + at + 1,
                &[s.second],
                &format!("field device status: {text}"),
            );
        }
        has_data = s.class().has_data();
        at += 2;
    }
    let data = f.data();
    if f.command == 77 && has_data {
        embedded(sheet, base + at, data, f.frame_type == FrameType::Request)?;
    } else {
        fields(
            sheet,
            base + at,
            f.command,
            data,
            f.frame_type == FrameType::Request || !has_data,
        );
    }
    at += data.len();
    if with_check {
        sheet.line(
            base + at,
            &bytes[at..at + 1],
            "check byte, right: XOR from the delimiter on",
        );
    }
    if bytes.len() > used {
        sheet.line(
            base + used,
            &bytes[used..],
            "after the frame, not explained",
        );
    }
    Ok(())
}

/// Command 77: card, channel, (preambles,) and the frame for the sub-device without its check byte.
fn embedded(sheet: &mut Sheet, base: usize, data: &[u8], request: bool) -> Result<(), DecodeError> {
    let names: &[&str] = if request {
        &["I/O card", "channel", "preambles to send"]
    } else {
        &["I/O card", "channel"]
    };
    for (n, (byte, name)) in data.iter().zip(names).enumerate() {
        sheet.line(base + n, &[*byte], &format!("{name} {byte}"));
    }
    let inner = data.get(names.len()..).unwrap_or_default();
    if inner.is_empty() {
        return Ok(());
    }
    sheet.note("the sub-device's frame, without check byte:");
    sheet.depth += 1;
    // An answer may leave the delimiter out of the embedded frame's rules; show the bytes where it is no frame.
    let done = frame(sheet, base + names.len(), inner, false);
    if done.is_err() {
        sheet.line(base + names.len(), inner, "no whole frame");
    }
    sheet.depth -= 1;
    Ok(())
}

fn fields(sheet: &mut Sheet, base: usize, command: u8, data: &[u8], plain: bool) {
    let mut at = 0;
    if !plain {
        for part in layout(command) {
            let Some(bytes) = data.get(at..at + part.len()) else {
                break;
            };
            sheet.line(base + at, bytes, &part.meaning(bytes));
            at += part.len();
        }
    }
    let rest = data.get(at..).unwrap_or_default();
    if !rest.is_empty() {
        sheet.line(base + at, rest, "data");
    }
}
