//! Answers within 31: a 16-bit command number, then that command's data (HCF_SPEC-151).

use super::{AnswerError, Fields, need};
use crate::data::{Float, Latin1};

/// The data field of an answer to 31.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Extended<'a> {
    pub number: u16,
    pub data: &'a [u8],
}

/// What it says, where the number is known.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ExtendedAnswer<'a> {
    /// 512: two letters, and whether only SI units are allowed.
    Country {
        code: Latin1<'a>,
        si_only: Option<u8>,
    },
    /// 515: flags of the event manager.
    EventManager(u8),
    /// 516; field order from a source of uneven quality.
    Location {
        latitude: Float,
        longitude: Float,
        method: Option<u8>,
        altitude: Option<Float>,
    },
    /// 518 and 520.
    Text(Latin1<'a>),
    CondensedStatus(CondensedStatus<'a>),
    /// 532: the device, and bits: 1 process data, 2 event, 4 device status, 8 device configuration, 0x100 network
    /// statistics, 0x200 wireless health, 0x8000 device specific.
    Subscriptions {
        address: [u8; 5],
        flags: u16,
    },
    /// 534: 1 means fixed or simulated.
    VariableCommandCode {
        code: u8,
        command_code: u8,
        unit: Option<u8>,
        value: Option<Float>,
        status: Option<u8>,
    },
    /// Kept by number.
    Other,
}

/// 523: the device's own mapping of status bits to condensed status, four bits each.
///
/// How entries are packed and numbered is inferred (hart reference: open point): low nibble is the lower index; entries
/// 0-7 are the bits of the device status, 8 + 8 n + b is bit b of byte n of command 48.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct CondensedStatus<'a> {
    pub first: u8,
    pub count: u8,
    packed: &'a [u8],
}

impl<'a> CondensedStatus<'a> {
    /// Index and code (0 no effect, 1 maintenance required, 3 failure, 4 out of specification, 5 function check, 6 not
    /// defined), as far as they are there.
    pub fn entries(&self) -> impl Iterator<Item = (u16, u8)> + use<'a> {
        let first = u16::from(self.first);
        let codes = self.packed.iter().flat_map(|b| [b & 0x0F, b >> 4]);
        codes
            .take(usize::from(self.count))
            .zip(0u16..)
            .map(move |(code, n)| (first + n, code))
    }
}

impl<'a> Extended<'a> {
    pub fn decode(data: &'a [u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(31, data, 2, || {
            let number = f.u16()?;
            Some(Self { number, data: f.0 })
        })
    }

    pub fn answer(&self) -> Result<ExtendedAnswer<'a>, AnswerError> {
        let mut f = Fields(self.data);
        let short = |least: usize| AnswerError::Short {
            command: 31,
            have: self.data.len() + 2,
            need: least + 2,
        };
        let text = || Latin1(self.data.get(..32).unwrap_or(self.data));
        Ok(match self.number {
            512 => ExtendedAnswer::Country {
                code: Latin1(f.up_to(2)),
                si_only: f.u8(),
            },
            515 => ExtendedAnswer::EventManager(f.u8().ok_or(short(1))?),
            516 => ExtendedAnswer::Location {
                latitude: f.float().ok_or(short(8))?,
                longitude: f.float().ok_or(short(8))?,
                method: f.u8(),
                altitude: f.float(),
            },
            518 | 520 => ExtendedAnswer::Text(text()),
            523 => {
                let [first, count] = f.take().ok_or(short(2))?;
                ExtendedAnswer::CondensedStatus(CondensedStatus {
                    first,
                    count,
                    packed: f.0,
                })
            }
            532 => ExtendedAnswer::Subscriptions {
                address: f.take().ok_or(short(7))?,
                flags: f.u16().ok_or(short(7))?,
            },
            534 => ExtendedAnswer::VariableCommandCode {
                code: f.u8().ok_or(short(2))?,
                command_code: f.u8().ok_or(short(2))?,
                unit: f.u8(),
                value: f.float(),
                status: f.u8(),
            },
            _ => ExtendedAnswer::Other,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_that_are_known_and_others() {
        // Entries 0..8 with the packing of the frame collection: 08 44 54 00 30 13 without its check byte.
        let data = [0x02, 0x0B, 0, 8, 0x44, 0x54, 0x00, 0x30];
        let e = Extended::decode(&data).unwrap();
        let ExtendedAnswer::CondensedStatus(s) = e.answer().unwrap() else {
            panic!("{e:?}");
        };
        let codes: Vec<u8> = s.entries().map(|(_, c)| c).collect();
        assert_eq!(codes, [4, 4, 4, 5, 0, 0, 0, 3]);
        assert_eq!(s.entries().last().map(|(i, _)| i), Some(7));
        let e = Extended::decode(&[0x02, 0x16, 1, 1, 7]).unwrap();
        assert!(matches!(
            e.answer().unwrap(),
            ExtendedAnswer::VariableCommandCode {
                code: 1,
                command_code: 1,
                unit: Some(7),
                value: None,
                ..
            }
        ));
        assert_eq!(
            Extended::decode(&[0x03, 0x00, 1]).unwrap().answer(),
            Ok(ExtendedAnswer::Other)
        );
        assert!(Extended::decode(&[2]).is_err());
        assert!(Extended::decode(&[2, 0x14, 0]).unwrap().answer().is_err());
    }
}
