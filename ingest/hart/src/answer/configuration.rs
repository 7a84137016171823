//! Answers that tell who a device is, how it is ranged and how it does (HCF_SPEC-127): 13, 14, 15, 48.

use super::{AnswerError, Fields, need};
use crate::data::{Date, Float, PackedAscii};

/// Command 13: tag, descriptor, date.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct TagDescriptorDate<'a> {
    pub tag: PackedAscii<'a>,
    pub descriptor: PackedAscii<'a>,
    pub date: Option<Date>,
}

impl<'a> TagDescriptorDate<'a> {
    pub fn decode(data: &'a [u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        if data.len() < 6 {
            return Err(AnswerError::Short {
                command: 13,
                have: data.len(),
                need: 6,
            });
        }
        let (tag, descriptor) = (f.up_to(6), f.up_to(12));
        let date = f.take().and_then(|[d, m, y]| Date::from_bytes(d, m, y));
        Ok(Self {
            tag: PackedAscii(tag),
            descriptor: PackedAscii(descriptor),
            date,
        })
    }
}

/// Command 14: transducer of the primary variable.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Transducer {
    pub serial: u32,
    pub unit: u8,
    pub upper_limit: Float,
    pub lower_limit: Float,
    pub min_span: Option<Float>,
}

impl Transducer {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(14, data, 12, || {
            Some(Self {
                serial: f.u24()?,
                unit: f.u8()?,
                upper_limit: f.float()?,
                lower_limit: f.float()?,
                min_span: f.float(),
            })
        })
    }
}

/// Command 15: range, transfer function, damping. 17 bytes in revision 5, 18 later.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct OutputInformation {
    /// Alarm selection (common table 6): 0 high, 1 low, 239 hold.
    pub alarm: u8,
    /// Transfer function (common table 3): 0 linear, 1 square root.
    pub transfer: u8,
    pub range_unit: u8,
    pub urv: Float,
    pub lrv: Float,
    pub damping_s: Option<Float>,
    /// Write protect (common table 7): 0 no, 1 yes.
    pub write_protect: Option<u8>,
    /// Analog channel flags, bit 0 input channel; from revision 6 on.
    pub channel_flags: Option<u8>,
}

impl OutputInformation {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(15, data, 11, || {
            let [alarm, transfer, range_unit] = f.take()?;
            let (urv, lrv) = (f.float()?, f.float()?);
            let (damping_s, write_protect) = (f.float(), f.u8());
            // Byte 16 is a private label in revision 5, reserved later.
            let channel_flags = f.u8().and_then(|_| f.u8());
            Some(Self {
                alarm,
                transfer,
                range_unit,
                urv,
                lrv,
                damping_s,
                write_protect,
                channel_flags,
            })
        })
    }
}

/// Command 48, 6 to 25 bytes. A missing byte is "not reported", never "healthy".
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct AdditionalStatus<'a>(pub &'a [u8]);

impl<'a> AdditionalStatus<'a> {
    pub fn decode(data: &'a [u8]) -> Result<Self, AnswerError> {
        if data.is_empty() {
            return Err(AnswerError::Short {
                command: 48,
                have: 0,
                need: 1,
            });
        }
        Ok(Self(data))
    }

    pub fn byte(&self, index: usize) -> Option<u8> {
        self.0.get(index).copied()
    }

    /// Extended field device status (byte 6), by the layout of revisions 6 and 7 only.
    pub fn extended_status(&self, universal_revision: u8) -> Option<u8> {
        if universal_revision < 6 {
            None
        } else {
            self.byte(6)
        }
    }

    /// Standardized status 0 (byte 8): simulation, memory, supply, environment, electronics.
    pub fn standardized_0(&self, universal_revision: u8) -> Option<u8> {
        if universal_revision < 6 {
            None
        } else {
            self.byte(8)
        }
    }

    /// Standardized status 1 (byte 9): status simulation, battery or supply.
    pub fn standardized_1(&self, universal_revision: u8) -> Option<u8> {
        if universal_revision < 6 {
            None
        } else {
            self.byte(9)
        }
    }

    /// Something beyond the device-specific bytes is set: there is a reason behind more-status-available.
    pub fn any_set(&self) -> bool {
        self.0.iter().any(|b| *b != 0)
    }
}
