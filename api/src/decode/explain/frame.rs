//! One frame (HCF_SPEC-81) byte by byte, whole or cut: delimiter, address, command, status, data, check byte.

use super::super::fields::command_name;
use super::super::sheet::{Sheet, Value};
use super::{embedded, extended, fields, is_delimiter};
use ingest_hart::Status;
use ingest_hart::frame::check_byte;
use ingest_hart::status::{
    COMMUNICATION_ERROR_BITS, CodeClass, DEVICE_STATUS_BITS, names_of, response_text,
};

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
pub(super) fn frame(sheet: &mut Sheet, base: usize, bytes: &[u8], with_check: bool) {
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

pub(super) fn response_code(sheet: &mut Sheet, at: usize, command: u16, code: u8) {
    // The meaning of some codes hangs on the command; extended ones have no table here.
    let text = response_text(u8::try_from(command).unwrap_or(31), code);
    sheet.byte(
        at,
        code,
        "response_code",
        format!("response code {code}: {text}"),
    );
}

pub(super) fn device_status(sheet: &mut Sheet, at: usize, status: u8) {
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
