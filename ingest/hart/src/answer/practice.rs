//! Answers to common practice and I/O system commands (HCF_SPEC-151).

use super::{AnswerError, Fields, Measured, need};
use crate::data::{Float, Latin1, Time32};
use crate::frame::Frame;

/// Command 33: up to four slots of code, unit, value.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DeviceVariables<'a>(&'a [u8]);

impl<'a> DeviceVariables<'a> {
    pub fn decode(data: &'a [u8]) -> Result<Self, AnswerError> {
        if data.len() < 6 {
            return Err(AnswerError::Short {
                command: 33,
                have: data.len(),
                need: 6,
            });
        }
        Ok(Self(data))
    }

    pub fn slots(&self) -> impl Iterator<Item = (u8, Measured)> + use<'a> {
        self.0.chunks_exact(6).take(4).filter_map(|c| {
            let mut f = Fields(c);
            Some((f.u8()?, Measured::read(&mut f)?))
        })
    }
}

/// Command 50: device variable codes of PV, SV, TV, QV; 250 = none.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Assignments(pub [Option<u8>; 4]);

impl Assignments {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(50, data, 1, || {
            Some(Self([Some(f.u8()?), f.u8(), f.u8(), f.u8()]))
        })
    }
}

/// Command 54: one device variable.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct VariableInformation {
    pub code: u8,
    pub serial: u32,
    pub unit: u8,
    pub upper_limit: Float,
    pub lower_limit: Float,
    pub damping_s: Option<Float>,
    pub min_span: Option<Float>,
    pub classification: Option<u8>,
    pub family: Option<u8>,
    pub acquisition_period: Option<Time32>,
    /// Bit 7 simulated, bit 0 input.
    pub properties: Option<u8>,
}

impl VariableInformation {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(54, data, 13, || {
            Some(Self {
                code: f.u8()?,
                serial: f.u24()?,
                unit: f.u8()?,
                upper_limit: f.float()?,
                lower_limit: f.float()?,
                damping_s: f.float(),
                min_span: f.float(),
                classification: f.u8(),
                family: f.u8(),
                acquisition_period: f.u32().map(Time32),
                properties: f.u8(),
            })
        })
    }
}

/// Command 74: what an I/O system can hold.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct IoCapabilities {
    pub max_cards: u8,
    pub max_channels: u8,
    pub max_sub_devices: u8,
    /// Devices detected, the I/O system itself included.
    pub devices: u16,
    pub max_delayed: Option<u8>,
    pub master_mode: Option<u8>,
    pub retries: Option<u8>,
}

impl IoCapabilities {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(74, data, 5, || {
            let [max_cards, max_channels, max_sub_devices] = f.take()?;
            Some(Self {
                max_cards,
                max_channels,
                max_sub_devices,
                devices: f.u16()?,
                max_delayed: f.u8(),
                master_mode: f.u8(),
                retries: f.u8(),
            })
        })
    }
}

/// Command 84: who sits at an index of an I/O system. 44 bytes, newer ones 48.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SubDeviceIdentity<'a> {
    pub index: u16,
    pub card: u8,
    pub channel: u8,
    pub manufacturer: u16,
    pub device_type: u16,
    pub device_id: u32,
    pub universal_revision: u8,
    pub long_tag: Latin1<'a>,
    pub device_revision: Option<u8>,
    pub profile: Option<u8>,
    pub private_label: Option<u16>,
}

impl<'a> SubDeviceIdentity<'a> {
    pub fn decode(data: &'a [u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(84, data, 12, || {
            Some(Self {
                index: f.u16()?,
                card: f.u8()?,
                channel: f.u8()?,
                manufacturer: f.u16()?,
                device_type: f.u16()?,
                device_id: f.u24()?,
                universal_revision: f.u8()?,
                long_tag: Latin1(f.up_to(32)),
                device_revision: f.u8(),
                profile: f.u8(),
                private_label: f.u16(),
            })
        })
    }

    pub fn address(&self) -> crate::UniqueAddress {
        crate::UniqueAddress::new(self.device_type, self.device_id)
    }
}

/// Command 85: statistics of one channel; counters wrap at 2^16.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ChannelStatistics {
    pub card: u8,
    pub channel: u8,
    pub sent: u16,
    pub answered: u16,
    /// Messages of the other master heard on the channel.
    pub other_sent: Option<u16>,
    pub other_answered: Option<u16>,
    pub bursts: Option<u16>,
}

impl ChannelStatistics {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(85, data, 6, || {
            Some(Self {
                card: f.u8()?,
                channel: f.u8()?,
                sent: f.u16()?,
                answered: f.u16()?,
                other_sent: f.u16(),
                other_answered: f.u16(),
                bursts: f.u16(),
            })
        })
    }
}

/// Command 86: statistics of one sub-device; counters wrap at 2^16.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SubDeviceStatistics {
    pub index: u16,
    pub sent: u16,
    pub answered: u16,
    pub bursts: Option<u16>,
}

impl SubDeviceStatistics {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(86, data, 6, || {
            Some(Self {
                index: f.u16()?,
                sent: f.u16()?,
                answered: f.u16()?,
                bursts: f.u16(),
            })
        })
    }
}

/// Command 94: messages between hosts and I/O system.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ClientStatistics {
    pub from_hosts: u16,
    pub to_hosts: u16,
    pub forwarded: Option<u16>,
    pub returned: Option<u16>,
}

impl ClientStatistics {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(94, data, 4, || {
            Some(Self {
                from_hosts: f.u16()?,
                to_hosts: f.u16()?,
                forwarded: f.u16(),
                returned: f.u16(),
            })
        })
    }
}

/// Command 95: what the device itself counted.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DeviceStatistics {
    pub received: u16,
    pub answered: u16,
    pub bursts: Option<u16>,
}

impl DeviceStatistics {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(95, data, 4, || {
            Some(Self {
                received: f.u16()?,
                answered: f.u16()?,
                bursts: f.u16(),
            })
        })
    }
}

/// Command 77: an answer carried by an I/O system. Its own status pair is in `frame`, the I/O system's in the outer frame.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Embedded<'a> {
    pub card: u8,
    pub channel: u8,
    pub frame: Frame<'a>,
}

impl<'a> Embedded<'a> {
    pub fn decode(data: &'a [u8]) -> Result<Self, AnswerError> {
        let [card, channel, inner @ ..] = data else {
            return Err(AnswerError::Short {
                command: 77,
                have: data.len(),
                need: 2,
            });
        };
        let (frame, _) = Frame::parse_embedded(inner)?;
        Ok(Self {
            card: *card,
            channel: *channel,
            frame,
        })
    }
}
