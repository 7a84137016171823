//! One message or frame, whole or damaged, into the lines of a sheet.

mod frame;

use self::frame::{device_status, frame, response_code};
use super::audit;
use super::fields::{command_name, layout, request_layout};
use super::sheet::{Sheet, Value};
use super::{Wire, message_length};
use ingest_hart::hartip::{HEADER_LEN, status_code};

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
