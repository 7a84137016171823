//! One message or frame, whole or damaged, into the lines of a sheet.

use super::audit;
use super::fields::{command_name, layout, request_layout};
use super::sheet::{Sheet, Value};
use super::{Wire, message_length};
use ingest_hart::Status;
use ingest_hart::frame::check_byte;
use ingest_hart::hartip::{HEADER_LEN, status_code};
use ingest_hart::status::{
    COMMUNICATION_ERROR_BITS, CodeClass, DEVICE_STATUS_BITS, names_of, response_text,
};

/// How long a frame says it is, check byte included; `None` when its head is not there or is no head.
pub(super) fn frame_length(bytes: &[u8]) -> Option<usize> {
    let delimiter = *bytes.first()?;
    if !is_delimiter(delimiter) {
        return None;
    }
    let address = if delimiter & 0x80 != 0 { 5 } else { 1 };
    let count_at = 2 + address + usize::from(delimiter >> 5 & 3);
    Some(count_at + 1 + usize::from(*bytes.get(count_at)?) + 1)
}

fn is_delimiter(delimiter: u8) -> bool {
    matches!(delimiter & 0x07, 1 | 2 | 6) && delimiter & 0x10 == 0
}

/// Something that is damaged or cut: explained as far as its head can be believed.
pub(super) fn damaged(sheet: &mut Sheet, bytes: &[u8], wire: Wire) {
    let preambles = bytes.iter().take_while(|b| **b == 0xFF).count();
    let is_frame = bytes.get(preambles).is_some_and(|d| is_delimiter(*d));
    if message_length(bytes).is_some() {
        message(sheet, bytes);
    } else if wire == Wire::Any && is_frame && bytes.len() > preambles + 1 {
        frame_with_preambles(sheet, bytes);
    } else {
        let what = match wire {
            Wire::HartIp => "no HART-IP message begins here: skipped to the next one",
            Wire::Any => "no message or frame begins here: skipped to the next one",
        };
        sheet.error(0, bytes, what);
    }
    if !sheet.has_errors() {
        sheet.error(bytes.len(), &[], "does not fit what comes after it");
    }
}

/// A message: header (HCF_SPEC-85) and body.
pub(super) fn message(sheet: &mut Sheet, bytes: &[u8]) {
    let [version, kind, id, status, s1, s0, l1, l0, body @ ..] = bytes else {
        return sheet.error(0, bytes, "a piece of a HART-IP header");
    };
    let kind_text = match kind {
        0 => "request",
        1 => "response",
        2 => "publish",
        3 => "error",
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
        128 => "discovery",
        _ => "message identifier not known",
    };
    let status_text = match (kind, status) {
        (0, 0) => "status 0".to_owned(),
        _ => format!("status {status}: {}", status_code::text(*status)),
    };
    sheet.byte(0, *version, "version", format!("HART-IP version {version}"));
    sheet.byte(1, *kind, "message_type", kind_text);
    sheet.byte(2, *id, "message_id", id_text);
    sheet.byte(3, *status, "status", status_text);
    let sequence = u16::from_be_bytes([*s1, *s0]);
    sheet.item(
        4,
        &[*s1, *s0],
        "sequence",
        Value::Number(u64::from(sequence)),
        format!("sequence number {sequence}"),
    );
    let length = u16::from_be_bytes([*l1, *l0]);
    sheet.item(
        6,
        &[*l1, *l0],
        "length",
        Value::Number(u64::from(length)),
        format!("length {length} bytes, header included"),
    );
    match (kind, id, body) {
        (3 | 15, _, [code]) => sheet.byte(8, *code, "error_code", format!("error code {code}")),
        (_, 3, [_, ..]) => {
            let preambles = body.iter().take_while(|b| **b == 0xFF).count();
            if preambles > 0 {
                preamble_bytes(sheet, HEADER_LEN, body.get(..preambles).unwrap_or_default());
            }
            let pdu = body.get(preambles..).unwrap_or_default();
            frame(sheet, HEADER_LEN + preambles, pdu, true);
        }
        (_, 0, [master, a, b, c, d]) => {
            let role = match master {
                0 => "secondary master",
                1 => "primary master",
                _ => "master type not known",
            };
            sheet.byte(8, *master, "master_type", role);
            let ms = u32::from_be_bytes([*a, *b, *c, *d]);
            sheet.item(
                9,
                &[*a, *b, *c, *d],
                "inactivity_close_time_ms",
                Value::Number(u64::from(ms)),
                format!("inactivity close time {ms} ms"),
            );
        }
        (_, 4, [first, second, commands @ ..]) => {
            device_status(sheet, HEADER_LEN, *first);
            sheet.byte(
                HEADER_LEN + 1,
                *second,
                "extended_status",
                format!("extended field device status {second:#04X}"),
            );
            direct(sheet, HEADER_LEN + 2, commands, *kind == 0);
        }
        (0, 5, [first, count]) => {
            sheet.byte(8, *first, "first_record", format!("first record {first}"));
            sheet.byte(9, *count, "records", format!("records {count}"));
        }
        (1, 5, [_, ..]) => audit::log(sheet, HEADER_LEN, body),
        (_, _, [_, ..]) => sheet.item(8, body, "body", Value::None, "body, not explained"),
        _ => {}
    }
    let missing = usize::from(length).saturating_sub(bytes.len());
    if missing > 0 {
        sheet.error(
            bytes.len(),
            &[],
            format!("the message ends here, {missing} bytes before its length"),
        );
    }
}

/// Commands of a direct PDU, one after another: number, byte count, in answers a response code, data.
fn direct(sheet: &mut Sheet, base: usize, bytes: &[u8], request: bool) {
    let mut at = 0;
    while let Some([hi, lo, count, rest @ ..]) = bytes.get(at..) {
        let number = u16::from_be_bytes([*hi, *lo]);
        sheet.item(
            base + at,
            &[*hi, *lo],
            "command",
            Value::Number(u64::from(number)),
            format!("command {number}{}", command_name(number)),
        );
        sheet.byte(
            base + at + 2,
            *count,
            "byte_count",
            format!("byte count {count}"),
        );
        let Some(mut data) = rest.get(..usize::from(*count)) else {
            return sheet.error(base + at + 3, rest, "fewer bytes than the byte count says");
        };
        let mut from = base + at + 3;
        at += 3 + data.len();
        if let (false, [code, more @ ..]) = (request, data) {
            response_code(sheet, from, number, *code);
            (data, from) = (more, from + 1);
        }
        fields(sheet, from, number, data, request);
    }
    let rest = bytes.get(at..).unwrap_or_default();
    if !rest.is_empty() {
        sheet.error(base + at, rest, "a piece of a command");
    }
}

fn preamble_bytes(sheet: &mut Sheet, at: usize, bytes: &[u8]) {
    let n = bytes.len();
    sheet.item(
        at,
        bytes,
        "preambles",
        Value::Number(n as u64),
        format!("{n} preamble bytes"),
    );
}

pub(super) fn frame_with_preambles(sheet: &mut Sheet, bytes: &[u8]) {
    let preambles = bytes.iter().take_while(|b| **b == 0xFF).count();
    if preambles > 0 {
        preamble_bytes(sheet, 0, bytes.get(..preambles).unwrap_or_default());
    }
    frame(
        sheet,
        preambles,
        bytes.get(preambles..).unwrap_or_default(),
        true,
    );
}

/// Bytes of a frame, taken from the front; what is missing is said once.
struct Cursor<'a> {
    bytes: &'a [u8],
    base: usize,
    at: usize,
}

impl<'a> Cursor<'a> {
    /// The next `n` bytes and their place, or an error line in the sheet.
    fn take(&mut self, sheet: &mut Sheet, n: usize, what: &str) -> Option<(usize, &'a [u8])> {
        let at = self.base + self.at;
        match self.bytes.get(self.at..self.at + n) {
            Some(part) => {
                self.at += n;
                Some((at, part))
            }
            None => {
                let rest = self.bytes.get(self.at..).unwrap_or_default();
                let missing = n - rest.len();
                sheet.error(
                    at,
                    rest,
                    format!("the frame ends within its {what}: {missing} bytes are missing"),
                );
                self.at = self.bytes.len();
                None
            }
        }
    }
}

/// A frame (HCF_SPEC-81) from delimiter to check byte, which an embedded one has not.
fn frame(sheet: &mut Sheet, base: usize, bytes: &[u8], with_check: bool) {
    let mut c = Cursor { bytes, base, at: 0 };
    // What is missing is said where it is missing.
    let _whole = frame_parts(sheet, &mut c, with_check);
    let rest = bytes.get(c.at..).unwrap_or_default();
    if !rest.is_empty() {
        sheet.item(
            base + c.at,
            rest,
            "after_frame",
            Value::None,
            "after the frame, not explained",
        );
    }
}

fn frame_parts(sheet: &mut Sheet, c: &mut Cursor<'_>, with_check: bool) -> Option<()> {
    let (at, first) = c.take(sheet, 1, "delimiter")?;
    let delimiter = *first.first()?;
    if !is_delimiter(delimiter) {
        sheet.error(
            at,
            first,
            format!(
                "{delimiter:#04X} is no start of a frame (02/82 request, 06/86 answer, 01/81 burst)"
            ),
        );
        return None;
    }
    let request = delimiter & 0x07 == 2;
    let kind = match delimiter & 0x07 {
        2 => "request, master to device (STX)",
        6 => "answer, device to master (ACK)",
        _ => "burst message of a device (BACK)",
    };
    let long = delimiter & 0x80 != 0;
    let form = if long {
        "unique address"
    } else {
        "polling address"
    };
    let psk = if delimiter & 0x08 != 0 { ", PSK" } else { "" };
    sheet.byte(at, delimiter, "delimiter", format!("{kind}, {form}{psk}"));
    address(sheet, c, long)?;
    let expansion = usize::from(delimiter >> 5 & 3);
    if expansion > 0 {
        let (at, bytes) = c.take(sheet, expansion, "expansion bytes")?;
        sheet.item(
            at,
            bytes,
            "expansion",
            Value::None,
            "expansion bytes, no use defined",
        );
    }
    let (at, byte) = c.take(sheet, 1, "command")?;
    let command = *byte.first()?;
    sheet.byte(
        at,
        command,
        "command",
        format!("command {command}{}", command_name(u16::from(command))),
    );
    let (at, byte) = c.take(sheet, 1, "byte count")?;
    let mut count = usize::from(*byte.first()?);
    sheet.byte(
        at,
        *byte.first()?,
        "byte_count",
        format!("byte count {count}"),
    );

    let mut has_data = true;
    if !request {
        if count < 2 {
            sheet.error(c.base + c.at, &[], "an answer without its two status bytes");
            return None;
        }
        let (at, pair) = c.take(sheet, 2, "status bytes")?;
        let &[first, second] = pair else { return None };
        count -= 2;
        has_data = status_pair(sheet, at, command, Status { first, second });
    }
    let have = c.bytes.len().saturating_sub(c.at).min(count);
    let (at, data) = c.take(sheet, have, "data")?;
    match (command, has_data, request) {
        (77, true, _) => embedded(sheet, at, data, request),
        (31, true, _) => extended(sheet, at, data, request),
        (_, true, _) => fields(sheet, at, u16::from(command), data, request),
        _ if !data.is_empty() => sheet.item(
            at,
            data,
            "data",
            Value::None,
            "data after an error, without meaning",
        ),
        _ => {}
    }
    if have < count {
        let missing = count - have;
        sheet.error(
            c.base + c.at,
            &[],
            format!("the frame ends within its data: {missing} bytes are missing"),
        );
        return None;
    }
    if with_check {
        let computed = check_byte(c.bytes.get(..c.at)?);
        let (at, byte) = c.take(sheet, 1, "check byte")?;
        let found = *byte.first()?;
        if found == computed {
            sheet.byte(
                at,
                found,
                "check",
                "check byte, right: XOR from the delimiter on",
            );
        } else {
            sheet.wrong(
                at,
                found,
                "check",
                format!("check byte, the frame adds up to {computed:#04X}: damaged on the way"),
            );
        }
    }
    Some(())
}

fn address(sheet: &mut Sheet, c: &mut Cursor<'_>, long: bool) -> Option<()> {
    let (at, bytes) = c.take(sheet, if long { 5 } else { 1 }, "address")?;
    let first = *bytes.first()?;
    let master = if first & 0x80 != 0 {
        "primary"
    } else {
        "secondary"
    };
    let burst = if first & 0x40 != 0 {
        ", in burst mode"
    } else {
        ""
    };
    let (name, value, whom) = match bytes {
        [a, b, rest @ ..] if long => {
            let id = rest.iter().fold(0u32, |n, b| n << 8 | u32::from(*b));
            let whom = if a & 0x3F == 0 && *b == 0 && id == 0 {
                "broadcast".to_owned()
            } else {
                // Master and burst bits take the place of the type's top two.
                format!(
                    "device type 0x{:02X}{b:02X} in its lower 14 bits, device ID 0x{id:06X}",
                    a & 0x3F
                )
            };
            ("address", Value::None, whom)
        }
        _ => (
            "polling_address",
            Value::Number(u64::from(first & 0x3F)),
            format!("polling address {}", first & 0x3F),
        ),
    };
    sheet.item(
        at,
        bytes,
        name,
        value,
        format!("{master} master{burst}; {whom}"),
    );
    Some(())
}

/// The two status bytes; whether data follow.
fn status_pair(sheet: &mut Sheet, at: usize, command: u8, s: Status) -> bool {
    if s.class() == CodeClass::CommunicationError {
        let bits: Vec<_> = names_of(s.first & 0x7F, &COMMUNICATION_ERROR_BITS).collect();
        sheet.byte(
            at,
            s.first,
            "response_code",
            format!("the device received it damaged: {}", bits.join(", ")),
        );
        sheet.byte(at + 1, s.second, "device_status", "without meaning here");
    } else {
        response_code(sheet, at, u16::from(command), s.first);
        device_status(sheet, at + 1, s.second);
    }
    s.class().has_data()
}

fn response_code(sheet: &mut Sheet, at: usize, command: u16, code: u8) {
    // The meaning of some codes hangs on the command; extended ones have no table here.
    let text = response_text(u8::try_from(command).unwrap_or(31), code);
    sheet.byte(
        at,
        code,
        "response_code",
        format!("response code {code}: {text}"),
    );
}

fn device_status(sheet: &mut Sheet, at: usize, status: u8) {
    let bits: Vec<_> = names_of(status, &DEVICE_STATUS_BITS).collect();
    let text = if bits.is_empty() {
        "nothing set".to_owned()
    } else {
        bits.join(", ")
    };
    sheet.byte(
        at,
        status,
        "device_status",
        format!("field device status: {text}"),
    );
}

/// Command 77: card, channel, (preambles,) and the frame for the sub-device without its check byte.
fn embedded(sheet: &mut Sheet, base: usize, data: &[u8], request: bool) {
    let names: &[(&'static str, &str)] = if request {
        &[
            ("io_card", "I/O card"),
            ("channel", "channel"),
            ("preambles_to_send", "preambles to send"),
        ]
    } else {
        &[("io_card", "I/O card"), ("channel", "channel")]
    };
    for (n, (byte, (name, label))) in data.iter().zip(names).enumerate() {
        sheet.byte(base + n, *byte, name, format!("{label} {byte}"));
    }
    let inner = data.get(names.len()..).unwrap_or_default();
    if inner.is_empty() {
        return;
    }
    sheet.depth += 1;
    frame(sheet, base + names.len(), inner, false);
    sheet.depth -= 1;
}

/// Command 31: a 16-bit command number and that command's data.
fn extended(sheet: &mut Sheet, base: usize, data: &[u8], request: bool) {
    let [hi, lo, rest @ ..] = data else {
        return sheet.error(base, data, "the extended command number is cut short");
    };
    let number = u16::from_be_bytes([*hi, *lo]);
    sheet.item(
        base,
        &[*hi, *lo],
        "extended_command",
        Value::Number(u64::from(number)),
        format!("extended command {number}{}", command_name(number)),
    );
    fields(sheet, base + 2, number, rest, request);
}

pub(super) fn fields(sheet: &mut Sheet, base: usize, command: u16, data: &[u8], request: bool) {
    let parts = if request {
        request_layout(command, data.len())
    } else {
        layout(command, data.len())
    };
    let mut at = 0;
    for part in parts {
        let Some(bytes) = data.get(at..at + part.len()) else {
            break;
        };
        let (value, text) = part.meaning(bytes);
        let text = match part.name.as_ref() {
            "specific_0" => super::super::notes::specific_text(0, bytes, None),
            "specific_1" => super::super::notes::specific_text(14, bytes, None),
            _ => text,
        };
        sheet.item(base + at, bytes, part.name, value, text);
        at += bytes.len();
    }
    let rest = data.get(at..).unwrap_or_default();
    if !rest.is_empty() {
        sheet.item(base + at, rest, "data", Value::None, "data, not explained");
    }
}
