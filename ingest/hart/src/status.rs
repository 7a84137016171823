//! The two status bytes, extended status and device variable status, in classes and words.
//!
//! Response codes HCF_SPEC-307; field device status HCF_SPEC-99; extended status common table 17 (HCF_SPEC-183).

/// The status pair of an answer or burst.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub struct Status {
    /// Response code, or communication error summary when bit 7 is set.
    pub first: u8,
    /// Field device status; means nothing after a communication error.
    pub second: u8,
}

/// What a first status byte asks the master to do.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub enum CodeClass {
    Success,
    /// Done, data follows, with a remark.
    Warning,
    /// Not done, no data.
    Error,
    /// 32: ask again later. Not a failure.
    Busy,
    /// 33, 34: the answer comes later; repeat the byte-identical request. Not a failure.
    Delayed,
    /// 35, 36: the delayed answer is lost or another one is in the way.
    DelayedLost,
    /// 64: the device does not know this command; stop asking.
    NotImplemented,
    /// Bit 7 set: the request arrived damaged and was not executed.
    CommunicationError,
}

impl CodeClass {
    pub fn of(first: u8) -> Self {
        match first {
            0 => Self::Success,
            32 => Self::Busy,
            33 | 34 => Self::Delayed,
            35 | 36 => Self::DelayedLost,
            64 => Self::NotImplemented,
            8 | 14 | 24..=27 | 30 | 31 | 96..=127 => Self::Warning,
            128.. => Self::CommunicationError,
            _ => Self::Error,
        }
    }

    /// Data follows the status pair.
    pub fn has_data(self) -> bool {
        matches!(self, Self::Success | Self::Warning)
    }
}

impl Status {
    pub fn class(self) -> CodeClass {
        CodeClass::of(self.first)
    }

    /// Field device status, unless the first byte says that there is none.
    pub fn device_status(self) -> Option<u8> {
        (self.class() != CodeClass::CommunicationError).then_some(self.second)
    }
}

/// Bits of the field device status byte.
pub mod device_bit {
    pub const MALFUNCTION: u8 = 0x80;
    pub const CONFIGURATION_CHANGED: u8 = 0x40;
    pub const COLD_START: u8 = 0x20;
    pub const MORE_STATUS_AVAILABLE: u8 = 0x10;
    pub const LOOP_CURRENT_FIXED: u8 = 0x08;
    pub const LOOP_CURRENT_SATURATED: u8 = 0x04;
    pub const NON_PRIMARY_OUT_OF_LIMITS: u8 = 0x02;
    pub const PRIMARY_OUT_OF_LIMITS: u8 = 0x01;
}

/// Field device status by bit, bit 0 first.
pub const DEVICE_STATUS_BITS: [&str; 8] = [
    "primary variable out of limits",
    "non-primary variable out of limits",
    "loop current saturated",
    "loop current fixed",
    "more status available",
    "cold start",
    "configuration changed",
    "device malfunction",
];

/// Extended field device status by bit, bit 0 first; bits 6 and 7 are undefined and to be masked.
pub const EXTENDED_STATUS_BITS: [&str; 6] = [
    "maintenance required",
    "device variable alert",
    "critical power failure",
    "failure",
    "out of specification",
    "function check",
];

/// Defined bits of the extended field device status.
pub const EXTENDED_STATUS_MASK: u8 = 0x3F;

/// Communication error summary by bit, bit 0 first.
pub const COMMUNICATION_ERROR_BITS: [&str; 7] = [
    "undefined",
    "buffer overflow",
    "reserved",
    "longitudinal parity error",
    "framing error",
    "overrun error",
    "vertical parity error",
];

/// Names of the bits that are set, bit 0 first.
pub fn names_of<const N: usize>(
    bits: u8,
    names: &'static [&'static str; N],
) -> impl Iterator<Item = &'static str> {
    names
        .iter()
        .enumerate()
        .filter(move |(i, _)| bits >> i & 1 == 1)
        .map(|(_, n)| *n)
}

/// Data quality in bits 7-6 of a device variable status byte.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Quality {
    Good,
    PoorAccuracy,
    ManualOrFixed,
    Bad,
}

/// Limit in bits 5-4 of a device variable status byte.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Limit {
    None,
    Low,
    High,
    Constant,
}

/// Splits a device variable status byte (command 9).
pub fn variable_status(byte: u8) -> (Quality, Limit) {
    let quality = match byte >> 6 {
        3 => Quality::Good,
        2 => Quality::ManualOrFixed,
        1 => Quality::PoorAccuracy,
        _ => Quality::Bad,
    };
    let limit = match byte >> 4 & 3 {
        0 => Limit::None,
        1 => Limit::Low,
        2 => Limit::High,
        _ => Limit::Constant,
    };
    (quality, limit)
}

/// What a response code below 0x80 means for one command; codes with several definitions depend on it.
pub fn response_text(command: u8, code: u8) -> &'static str {
    match (code, command) {
        (0, _) => "success",
        (2, _) => "invalid selection",
        (3, _) => "passed parameter too large",
        (4, _) => "passed parameter too small",
        (5, _) => "too few data bytes received",
        (6, _) => "device-specific command error",
        (7, _) => "in write-protect mode",
        (8, 1..=3 | 9 | 33) => "warning: update failure or update in progress",
        (8, _) => "warning: set to nearest possible value",
        (9, 75) => "no sub-device found",
        (14, 9) => "warning: dynamic variables returned",
        (14, 48) => "warning: status bytes mismatch",
        (16, _) => "access restricted",
        (17, _) => "invalid device variable index",
        (18, _) => "invalid units code",
        (19, _) => "device variable index not allowed for this command",
        (20, _) => "invalid extended command number",
        (21, _) => "invalid I/O card number",
        (22, _) => "invalid channel number",
        (23, _) => "sub-device response too long",
        (30, _) => "warning: response truncated",
        (32, _) => "busy",
        (33, _) => "delayed response initiated",
        (34, _) => "delayed response running",
        (35, _) => "delayed response dead",
        (36, _) => "delayed response conflict",
        (60, _) => "payload too long",
        (61, _) => "no buffers available",
        (64, _) => "command not implemented",
        (128.., _) => "communication error",
        _ => match CodeClass::of(code) {
            CodeClass::Warning => "warning with a meaning of its own for this command",
            _ => "error with a meaning of its own for this command",
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes() {
        assert_eq!(CodeClass::of(0x84), CodeClass::CommunicationError);
        assert_eq!(CodeClass::of(33), CodeClass::Delayed);
        assert_eq!(CodeClass::of(36), CodeClass::DelayedLost);
        assert_eq!(CodeClass::of(8), CodeClass::Warning);
        assert_eq!(CodeClass::of(9), CodeClass::Error);
        assert_eq!(CodeClass::of(65), CodeClass::Error);
        assert_eq!(
            Status {
                first: 0x88,
                second: 0
            }
            .device_status(),
            None
        );
        assert_eq!(
            Status {
                first: 32,
                second: 0x40
            }
            .device_status(),
            Some(0x40)
        );
        assert_eq!(variable_status(0xC0), (Quality::Good, Limit::None));
        assert_eq!(variable_status(0x50), (Quality::PoorAccuracy, Limit::Low));
        assert_eq!(variable_status(0x30), (Quality::Bad, Limit::Constant));
        let n: Vec<_> = names_of(0x90, &DEVICE_STATUS_BITS).collect();
        assert_eq!(n, ["more status available", "device malfunction"]);
    }
}
