//! Answers as byte tables: universal commands (HCF_SPEC-127) and common practice commands (HCF_SPEC-151) of a field device,
//! and the gateway's own.

use super::pdu::Body;
use super::{DeviceCard, DeviceState};
use ingest_model::UtcMicros;

/// Response codes with one meaning for all commands (HCF_SPEC-307).
pub(crate) const INVALID_SELECTION: u8 = 2;
pub(crate) const TOO_FEW_BYTES: u8 = 5;
pub(crate) const WRITE_PROTECTED: u8 = 7;
pub(crate) const BAD_CARD: u8 = 21;
pub(crate) const BAD_CHANNEL: u8 = 22;
pub(crate) const BUSY: u8 = 32;
pub(crate) const DELAYED: u8 = 33;
pub(crate) const RUNNING: u8 = 34;
pub(crate) const DEAD: u8 = 35;
pub(crate) const NOT_IMPLEMENTED: u8 = 64;
const INVALID_EXTENDED: u8 = 20;
const UPDATE_FAILURE: u8 = 8;
const TRUNCATED: u8 = 30;

/// "Not used" as manufacturer code, unit code or variable code.
const NOT_USED: u8 = 250;
/// Not available, as float32 on the wire.
const NOT_A_NUMBER: [u8; 4] = [0x7F, 0xA0, 0x00, 0x00];
const MA_UNIT: u8 = 39;
const PERCENT_UNIT: u8 = 57;
const VOLT_UNIT: u8 = 58;
/// A device variable of the simulated families' own.
const TERMINAL_VOLTAGE: u8 = 2;
/// Device variable codes that every device has (HCF_SPEC-183 common table 34).
const PERCENT_OF_RANGE: u8 = 244;
const LOOP_CURRENT: u8 = 245;
const GOOD: u8 = 0xC0;
/// Bad and constant: the slot is not used.
const NO_SLOT: u8 = 0x30;
const PREAMBLES: u8 = 5;
/// Device type of the simulated gateways.
pub(crate) const GATEWAY_TYPE: u16 = 0x7B02;
const GATEWAY_ID: u32 = 0x00_A001;
/// Card and channel of the I/O system itself.
const NO_CARD: u8 = 251;
/// Device variable sample period, 1/32 ms: 100 ms.
const SAMPLE_PERIOD: u32 = 3_200;

/// Whether the command would change something in a device or gateway. Command 48 writes only when it carries data.
pub(crate) fn is_write(command: u8, data: &[u8]) -> bool {
    match command {
        6 | 17..=19 | 22 | 34..=47 | 49 | 51..=53 | 55 | 56 | 58 | 59 | 64..=69 | 71..=73 | 79 => {
            true
        }
        82 | 83 | 87..=89 | 92 | 97 | 99 | 100 | 102..=104 | 106..=109 | 111..=113 | 116..=119 => {
            true
        }
        48 => !data.is_empty(),
        31 => matches!(
            data,
            [high, low, ..] if matches!(
                u16::from_be_bytes([*high, *low]),
                513 | 517 | 519 | 521 | 522 | 524..=527 | 530 | 531 | 533 | 539..=542 | 544..=547
            )
        ),
        _ => false,
    }
}

/// float32; not available is the signalling NaN of the standard, not whatever the machine makes.
fn float(out: &mut Vec<u8>, value: f32) {
    if value.is_nan() {
        out.extend_from_slice(&NOT_A_NUMBER);
    } else {
        out.extend_from_slice(&value.to_be_bytes());
    }
}

fn u24(out: &mut Vec<u8>, value: u32) {
    let [_, a, b, c] = value.to_be_bytes();
    out.extend_from_slice(&[a, b, c]);
}

fn u16s(out: &mut Vec<u8>, values: &[u16]) {
    for v in values {
        out.extend_from_slice(&v.to_be_bytes());
    }
}

/// Packed ASCII: four characters of six bits in three bytes, upper case, filled with spaces to `len` characters.
pub(crate) fn packed(text: &str, len: usize) -> Vec<u8> {
    let mut six = text
        .chars()
        .map(|c| {
            let c = c.to_ascii_uppercase();
            // The set is 0x20..=0x5F; anything else is shown as a question mark.
            let code = u8::try_from(c).ok().filter(|b| (0x20..0x60).contains(b));
            u32::from(code.unwrap_or(b'?') & 0x3F)
        })
        .chain(std::iter::repeat(u32::from(b' ')));
    let mut out = Vec::with_capacity(len / 4 * 3);
    for _ in 0..len / 4 {
        let group = (0..4).fold(0, |bits, _| bits << 6 | six.next().unwrap_or_default());
        u24(&mut out, group);
    }
    out
}

/// Latin-1, cut and filled with zeros to 32 bytes.
fn latin1(text: &str) -> Vec<u8> {
    let mut out: Vec<u8> = text
        .chars()
        .take(32)
        .map(|c| u8::try_from(c).unwrap_or(b'?'))
        .collect();
    out.resize(32, 0);
    out
}

/// Tag, descriptor and date of command 13; the date is the same for all.
fn tag_descriptor_date(tag: &str, descriptor: &str) -> Vec<u8> {
    let mut out = packed(tag, 8);
    out.extend(packed(descriptor, 16));
    out.extend_from_slice(&[17, 3, 124]);
    out
}

/// Device variable classification of a unit (common table 21 of HCF_SPEC-183).
fn classification(unit: u8) -> u8 {
    match unit {
        7 | 8 | 12 => 65,
        19 => 66,
        32 => 64,
        45 => 69,
        59 | 66 | 67 | 139 => 81,
        MA_UNIT => 84,
        VOLT_UNIT => 83,
        _ => 0,
    }
}

fn is_used(unit: u8) -> bool {
    unit != NOT_USED
}

/// How many dynamic variables a device has is a matter of its family, not of its revision: command 3 has 9, 14, 19 or 24
/// bytes. Here loop current is the third where there is one, percent of range the fourth.
fn dynamic_variables(card: &DeviceCard) -> usize {
    if is_used(card.sv_unit_code) {
        2 + usize::from(card.device_type % 3)
    } else {
        1
    }
}

/// Devices of revision 7 also measure the voltage at their terminals: variable 2 of their own.
fn has_terminal_voltage(card: &DeviceCard) -> bool {
    card.universal_revision >= 7
}

/// What 24 V leave at the terminals behind 350 ohm of wire, shunt and isolator.
fn terminal_voltage(loop_ma: f32) -> f32 {
    24.0 - 0.35 * loop_ma
}

/// Percent of range that the device computes from its PV.
fn percent(card: &DeviceCard, pv: f32) -> f32 {
    let x = (pv - card.lrv) / (card.urv - card.lrv);
    let x = if card.transfer_code == 1 {
        x.max(0.0).sqrt()
    } else {
        x
    };
    if x.is_finite() { 100.0 * x } else { f32::NAN }
}

/// Unit and value of a device variable code; `None` for one that the device does not have.
fn variable(card: &DeviceCard, s: &DeviceState, code: u8) -> Option<(u8, f32)> {
    match code {
        0 | 246 => Some((card.pv_unit_code, s.pv)),
        1 | 247 if is_used(card.sv_unit_code) => Some((card.sv_unit_code, s.sv)),
        TERMINAL_VOLTAGE if has_terminal_voltage(card) => {
            Some((VOLT_UNIT, terminal_voltage(s.loop_ma)))
        }
        PERCENT_OF_RANGE => Some((PERCENT_UNIT, percent(card, s.pv))),
        LOOP_CURRENT => Some((MA_UNIT, s.loop_ma)),
        _ => None,
    }
}

/// Success, or the warning that the variable could not be updated.
fn measured(data: Vec<u8>, pv: f32) -> Body {
    let code = if pv.is_nan() { UPDATE_FAILURE } else { 0 };
    Body { code, data }
}

/// Answer of a field device. `polling` is its polling address; everything that moves is in `s`.
pub(crate) fn device(
    card: &DeviceCard,
    polling: u8,
    s: &DeviceState,
    command: u8,
    request: &[u8],
    now: UtcMicros,
) -> Body {
    if is_write(command, request) {
        return Body::error(WRITE_PROTECTED);
    }
    let rev = card.universal_revision;
    let mut out = Vec::with_capacity(32);
    match command {
        0 => out = identity(card, s),
        1 => {
            out.push(card.pv_unit_code);
            float(&mut out, s.pv);
            return measured(out, s.pv);
        }
        2 => {
            float(&mut out, s.loop_ma);
            float(&mut out, percent(card, s.pv));
        }
        3 => {
            float(&mut out, s.loop_ma);
            out.push(card.pv_unit_code);
            float(&mut out, s.pv);
            if is_used(card.sv_unit_code) {
                out.push(card.sv_unit_code);
                float(&mut out, s.sv);
            }
            if dynamic_variables(card) >= 3 {
                out.push(MA_UNIT);
                float(&mut out, s.loop_ma);
            }
            if dynamic_variables(card) >= 4 {
                out.push(PERCENT_UNIT);
                float(&mut out, percent(card, s.pv));
            }
            return measured(out, s.pv);
        }
        // A parked device keeps its current at 4 mA: loop current mode 0.
        7 if rev >= 6 => out.extend_from_slice(&[polling, u8::from(!card.multidrop)]),
        8 if rev >= 6 => {
            let sv = if is_used(card.sv_unit_code) {
                classification(card.sv_unit_code)
            } else {
                NOT_USED
            };
            let [tv, qv] = [(3, MA_UNIT), (4, PERCENT_UNIT)].map(|(n, unit)| {
                if dynamic_variables(card) >= n {
                    classification(unit)
                } else {
                    NOT_USED
                }
            });
            out.extend_from_slice(&[classification(card.pv_unit_code), sv, tv, qv]);
        }
        9 if rev >= 6 => return with_status(card, s, request, now),
        12 => out = packed("SABLE POINT SIMULATED DEVICE", 32),
        13 => out = tag_descriptor_date(&card.tag, &card.tag),
        14 => {
            u24(&mut out, card.device_id);
            out.push(card.pv_unit_code);
            limits(&mut out, card);
            float(&mut out, (card.urv - card.lrv).abs() / 10.0);
        }
        15 => {
            // Alarm selection 0: upscale.
            out.extend_from_slice(&[0, card.transfer_code, card.pv_unit_code]);
            float(&mut out, card.urv);
            float(&mut out, card.lrv);
            float(&mut out, card.damping_s);
            out.extend_from_slice(&[0, NOT_USED]);
            if rev >= 6 {
                out.push(0);
            }
        }
        16 => u24(&mut out, card.device_id),
        20 if rev >= 6 => out = latin1(&card.tag),
        31 => return Body::error(INVALID_EXTENDED),
        33 => {
            if request.is_empty() {
                return Body::error(TOO_FEW_BYTES);
            }
            for &code in request.iter().take(4) {
                let (unit, value) = variable(card, s, code).unwrap_or((NOT_USED, f32::NAN));
                out.extend_from_slice(&[code, unit]);
                float(&mut out, value);
            }
        }
        48 => out = additional_status(card, s),
        50 => {
            let sv = if is_used(card.sv_unit_code) {
                1
            } else {
                NOT_USED
            };
            let [tv, qv] = [(3, LOOP_CURRENT), (4, PERCENT_OF_RANGE)].map(|(n, code)| {
                if dynamic_variables(card) >= n {
                    code
                } else {
                    NOT_USED
                }
            });
            out.extend_from_slice(&[0, sv, tv, qv]);
        }
        54 => {
            let Some(&code) = request.first() else {
                return Body::error(TOO_FEW_BYTES);
            };
            let Some((unit, _)) = variable(card, s, code) else {
                return Body::error(INVALID_SELECTION);
            };
            out.push(code);
            u24(&mut out, card.device_id);
            out.push(unit);
            if matches!(code, 0 | 246) {
                limits(&mut out, card);
                float(&mut out, card.damping_s);
                float(&mut out, (card.urv - card.lrv).abs() / 10.0);
            } else {
                (0..4).for_each(|_| out.extend_from_slice(&NOT_A_NUMBER));
            }
            out.extend_from_slice(&[classification(unit), NOT_USED]);
            out.extend_from_slice(&SAMPLE_PERIOD.to_be_bytes());
            if rev >= 7 {
                out.push(1);
            }
        }
        _ => return Body::error(NOT_IMPLEMENTED),
    }
    Body::ok(out)
}

/// Command 0: 12 bytes from revision 5, 17 from 6, 22 from 7.
fn identity(card: &DeviceCard, s: &DeviceState) -> Vec<u8> {
    let rev = card.universal_revision;
    let mut out = vec![254];
    u16s(&mut out, &[card.device_type]);
    // Software revision 1, hardware revision 1 with FSK current signalling, no flags.
    out.extend_from_slice(&[PREAMBLES, rev, card.device_revision, 1, 0x08, 0]);
    u24(&mut out, card.device_id);
    if rev >= 6 {
        let last_variable = if has_terminal_voltage(card) {
            TERMINAL_VOLTAGE
        } else {
            1
        };
        out.extend_from_slice(&[PREAMBLES, last_variable]);
        u16s(&mut out, &[s.config_counter]);
        out.push(s.extended_status);
    }
    if rev >= 7 {
        u16s(&mut out, &[u16::from(NOT_USED), u16::from(NOT_USED)]);
        // Profile 1: process automation device.
        out.push(1);
    }
    out
}

/// Upper and lower transducer limit: one span beyond the range on either side.
fn limits(out: &mut Vec<u8>, card: &DeviceCard) {
    let span = (card.urv - card.lrv).abs();
    float(out, card.urv.max(card.lrv) + span);
    float(out, card.urv.min(card.lrv) - span);
}

/// Command 9: four slots in revision 6, eight and a time stamp from revision 7.
fn with_status(card: &DeviceCard, s: &DeviceState, request: &[u8], now: UtcMicros) -> Body {
    let slots = if card.universal_revision >= 7 { 8 } else { 4 };
    if request.is_empty() {
        return Body::error(TOO_FEW_BYTES);
    }
    let mut out = vec![s.extended_status];
    for &code in request.iter().take(slots) {
        match variable(card, s, code) {
            Some((unit, value)) => {
                out.extend_from_slice(&[code, classification(unit), unit]);
                float(&mut out, value);
                out.push(if value.is_nan() { 0 } else { GOOD });
            }
            None => {
                out.extend_from_slice(&[code, 0, NOT_USED]);
                out.extend_from_slice(&NOT_A_NUMBER);
                out.push(NO_SLOT);
            }
        }
    }
    if card.universal_revision >= 7 {
        // Time of day in 1/32 ms: 2.76e9 at most, so it fits.
        let of_day = now.0.rem_euclid(86_400_000_000) * 4 / 125;
        out.extend_from_slice(&u32::try_from(of_day).unwrap_or_default().to_be_bytes());
    }
    Body {
        code: if request.len() > slots { TRUNCATED } else { 0 },
        data: out,
    }
}

/// Command 48: 6 bytes from revision 5, 9 from 6, 25 from 7.
fn additional_status(card: &DeviceCard, s: &DeviceState) -> Vec<u8> {
    let malfunction = s.device_status & 0x80 != 0;
    let mut out = vec![u8::from(malfunction), 0, 0, 0, 0, 0];
    if card.universal_revision >= 6 {
        // Standardised status 0, bit 6: electronic defect.
        let defect = if malfunction { 0x40 } else { 0 };
        out.extend_from_slice(&[s.extended_status, 0, defect]);
    }
    if card.universal_revision >= 7 {
        out.resize(25, 0);
    }
    out
}

/// What the gateway knows about itself, for its own answers.
#[derive(Debug, Clone)]
pub(crate) struct GatewayFacts {
    pub name: String,
    pub index: usize,
    pub cards: u8,
    pub channels: u8,
    pub per_channel: u8,
    pub devices: u16,
}

impl GatewayFacts {
    pub(crate) fn device_id(&self) -> u32 {
        GATEWAY_ID + u32::try_from(self.index).unwrap_or_default()
    }

    /// Commands 0, 13, 20 and 74: what never changes.
    pub(crate) fn answer(&self, command: u8) -> Option<Body> {
        let mut out = Vec::with_capacity(32);
        match command {
            0 => {
                out.push(254);
                u16s(&mut out, &[GATEWAY_TYPE]);
                // Universal revision 7; flag 0x04: protocol bridge device (common table 11).
                out.extend_from_slice(&[PREAMBLES, 7, 1, 1, 0x08, 0x04]);
                u24(&mut out, self.device_id());
                out.extend_from_slice(&[PREAMBLES, 0]);
                u16s(&mut out, &[0]);
                out.push(0);
                u16s(&mut out, &[u16::from(NOT_USED), u16::from(NOT_USED)]);
                // Profile 4: I/O system.
                out.push(4);
            }
            13 => out = tag_descriptor_date(&self.name, "HART-IP GATEWAY"),
            20 => out = latin1(&self.name),
            74 => {
                out.extend_from_slice(&[self.cards, self.channels, self.per_channel]);
                // The count includes the gateway itself.
                u16s(&mut out, &[self.devices.saturating_add(1)]);
                // Two delayed responses, primary master on the channels, two retries.
                out.extend_from_slice(&[2, 1, 2]);
            }
            _ => return None,
        }
        Some(Body::ok(out))
    }

    /// Command 84 for index 0.
    pub(crate) fn list_entry(&self) -> Body {
        let id = self.device_id();
        entry(
            0,
            (NO_CARD, NO_CARD),
            (GATEWAY_TYPE, id, 7),
            &self.name,
            1,
            4,
        )
    }
}

/// Command 84 for a sub-device; the gateway holds the long tag for those that have none of their own.
pub(crate) fn list_entry(index: u16, card: &DeviceCard) -> Body {
    entry(
        index,
        (card.modem, card.channel),
        (card.device_type, card.device_id, card.universal_revision),
        &card.tag,
        card.device_revision,
        1,
    )
}

fn entry(
    index: u16,
    place: (u8, u8),
    who: (u16, u32, u8),
    tag: &str,
    revision: u8,
    profile: u8,
) -> Body {
    let mut out = Vec::with_capacity(48);
    u16s(&mut out, &[index]);
    out.extend_from_slice(&[place.0, place.1]);
    u16s(&mut out, &[u16::from(NOT_USED), who.0]);
    u24(&mut out, who.1);
    out.push(who.2);
    out.extend(latin1(tag));
    out.extend_from_slice(&[revision, profile]);
    u16s(&mut out, &[u16::from(NOT_USED)]);
    Body::ok(out)
}

/// Counters as an answer: an echo of what was asked, then words (commands 85, 86, 94, 95).
pub(crate) fn counters(echo: &[u8], values: &[u16]) -> Body {
    let mut out = echo.to_vec();
    u16s(&mut out, values);
    Body::ok(out)
}

#[cfg(test)]
#[path = "answers_tests.rs"]
mod tests;
