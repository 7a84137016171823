//! What devices answer: one decoder a command, over borrowed data, without allocation.
//!
//! `data` is the data field after the status pair. Longer answers (newer revisions) are fine, the tail is ignored; of
//! shorter ones what is there is decoded. Layouts: HCF_SPEC-127 (universal), HCF_SPEC-151 (common practice).

mod configuration;
mod extended;
mod opened;
mod practice;

pub use configuration::{AdditionalStatus, OutputInformation, TagDescriptorDate, Transducer};
pub use extended::{CondensedStatus, Extended, ExtendedAnswer};
pub use opened::{
    AllDynamicVariables, AnalogChannel, BurstConfiguration, BurstMap, ChannelEndPoints,
    ChannelInformation, Clock, EventSummary, Trend, TrendConfiguration, TrimGuidelines, TrimPoints,
    VariablesAndChannel,
};
pub use practice::{
    Assignments, ChannelStatistics, ClientStatistics, DeviceStatistics, DeviceVariables, Embedded,
    IoCapabilities, SubDeviceIdentity, SubDeviceStatistics, VariableInformation,
};

use crate::data::{Float, Latin1, PackedAscii, Time32};
use crate::frame::FrameError;

/// Why an answer means nothing.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum AnswerError {
    #[error("answer to command {command} has {have} data bytes, at least {need} are needed")]
    Short {
        command: u8,
        have: usize,
        need: usize,
    },
    #[error("identity starts with 0x{found:02x} instead of 0xfe: a device older than revision 5")]
    Expansion { found: u8 },
    #[error("command {command} has no decoder")]
    Unknown { command: u8 },
    #[error("embedded answer: {0}")]
    Embedded(#[from] FrameError),
}

/// Reads fields from the front; `None` once the bytes are used up.
struct Fields<'a>(&'a [u8]);

impl<'a> Fields<'a> {
    fn take<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (head, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(*head)
    }

    fn u8(&mut self) -> Option<u8> {
        self.take::<1>().map(|[b]| b)
    }

    fn u16(&mut self) -> Option<u16> {
        self.take().map(u16::from_be_bytes)
    }

    fn u24(&mut self) -> Option<u32> {
        self.take::<3>()
            .map(|[a, b, c]| u32::from_be_bytes([0, a, b, c]))
    }

    fn u32(&mut self) -> Option<u32> {
        self.take().map(u32::from_be_bytes)
    }

    fn float(&mut self) -> Option<Float> {
        self.u32().map(Float)
    }

    /// The next `len` bytes or what is left of them.
    fn up_to(&mut self, len: usize) -> &'a [u8] {
        let (head, rest) = self.0.split_at(len.min(self.0.len()));
        self.0 = rest;
        head
    }
}

fn need<T>(
    command: u8,
    data: &[u8],
    need: usize,
    read: impl FnOnce() -> Option<T>,
) -> Result<T, AnswerError> {
    read().ok_or(AnswerError::Short {
        command,
        have: data.len(),
        need,
    })
}

/// Command 0 (also 11, 21): 12 bytes in revision 5, 17 in 6, 22 in 7.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Identity {
    /// Expanded device type (revision 5: manufacturer byte, type byte).
    pub device_type: u16,
    pub request_preambles: u8,
    pub universal_revision: u8,
    pub device_revision: u8,
    pub software_revision: u8,
    pub hardware_revision: u8,
    /// Physical signalling (common table 10): 0 FSK current, 1 FSK voltage, 2 RS-485, 3 RS-232, 4 wireless.
    pub signalling: u8,
    pub flags: u8,
    /// 24-bit device identifier.
    pub device_id: u32,
    pub answer_preambles: Option<u8>,
    pub last_variable: Option<u8>,
    pub config_changes: Option<u16>,
    pub extended_status: Option<u8>,
    pub manufacturer: Option<u16>,
    pub private_label: Option<u16>,
    /// Device profile: 1 process, 4 I/O system; 65, 68 the same over HART-IP; 132 wireless gateway.
    pub profile: Option<u8>,
}

impl Identity {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        match data.first() {
            Some(0xFE) | None => {}
            Some(found) => return Err(AnswerError::Expansion { found: *found }),
        }
        let mut f = Fields(data);
        need(0, data, 12, || {
            f.u8()?;
            let device_type = f.u16()?;
            let [
                request_preambles,
                universal_revision,
                device_revision,
                software_revision,
                hardware,
                flags,
            ] = f.take()?;
            Some(Self {
                device_type,
                request_preambles,
                universal_revision,
                device_revision,
                software_revision,
                hardware_revision: hardware >> 3,
                signalling: hardware & 0x07,
                flags,
                device_id: f.u24()?,
                answer_preambles: f.u8(),
                last_variable: f.u8(),
                config_changes: f.u16(),
                extended_status: f.u8(),
                manufacturer: f.u16(),
                private_label: f.u16(),
                profile: f.u8(),
            })
        })
    }

    /// The unique address that follows from type and identifier.
    pub fn address(&self) -> crate::UniqueAddress {
        crate::UniqueAddress::new(self.device_type, self.device_id)
    }
}

/// A value with its unit code.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Measured {
    pub unit: u8,
    pub value: Float,
}

impl Measured {
    fn read(f: &mut Fields<'_>) -> Option<Self> {
        Some(Self {
            unit: f.u8()?,
            value: f.float()?,
        })
    }
}

/// Command 1.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PrimaryVariable(pub Measured);

impl PrimaryVariable {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        need(1, data, 5, || Measured::read(&mut Fields(data)).map(Self))
    }
}

/// Command 2.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct CurrentAndPercent {
    pub loop_ma: Float,
    pub percent: Option<Float>,
}

impl CurrentAndPercent {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(2, data, 4, || {
            Some(Self {
                loop_ma: f.float()?,
                percent: f.float(),
            })
        })
    }
}

/// Command 3: 9, 14, 19 or 24 bytes by number of variables.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DynamicVariables {
    pub loop_ma: Float,
    /// PV, SV, TV, QV as far as the device has them.
    pub variables: [Option<Measured>; 4],
}

impl DynamicVariables {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(3, data, 4, || {
            let loop_ma = f.float()?;
            Some(Self {
                loop_ma,
                variables: [(); 4].map(|()| Measured::read(&mut f)),
            })
        })
    }
}

/// Command 7 (and 6).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct LoopConfiguration {
    pub polling_address: u8,
    /// Loop current mode (common table 16): 0 disabled (parked), 1 enabled.
    pub loop_current_mode: u8,
}

impl LoopConfiguration {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(7, data, 2, || {
            Some(Self {
                polling_address: f.u8()?,
                loop_current_mode: f.u8()?,
            })
        })
    }

    /// The current is parked and carries no measurement.
    pub fn is_parked(&self) -> bool {
        self.loop_current_mode == 0
    }
}

/// Command 8: classification of PV, SV, TV, QV (common table 21).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Classifications(pub [Option<u8>; 4]);

impl Classifications {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(8, data, 1, || {
            Some(Self([Some(f.u8()?), f.u8(), f.u8(), f.u8()]))
        })
    }
}

/// One slot of command 9.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct VariableSlot {
    pub code: u8,
    pub classification: u8,
    pub unit: u8,
    pub value: Float,
    /// Device variable status byte.
    pub status: u8,
}

/// Command 9: extended status, up to eight slots, time of slot 0 in revision 7.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct VariablesWithStatus<'a> {
    pub extended_status: u8,
    slots: &'a [u8],
    /// Time of day of slot 0 as the device sees it.
    pub time: Option<Time32>,
}

impl<'a> VariablesWithStatus<'a> {
    pub fn decode(data: &'a [u8]) -> Result<Self, AnswerError> {
        let short = AnswerError::Short {
            command: 9,
            have: data.len(),
            need: 1,
        };
        let (extended_status, rest) = data.split_first().ok_or(short)?;
        let (slots, tail) = rest.split_at((rest.len() / 8).min(8) * 8);
        Ok(Self {
            extended_status: *extended_status,
            slots,
            time: Fields(tail).u32().map(Time32),
        })
    }

    pub fn slots(&self) -> impl Iterator<Item = VariableSlot> + use<'a> {
        self.slots.chunks_exact(8).filter_map(|c| {
            let mut f = Fields(c);
            let [code, classification, unit] = f.take()?;
            Some(VariableSlot {
                code,
                classification,
                unit,
                value: f.float()?,
                status: f.u8()?,
            })
        })
    }
}

/// Any answer, by its command number.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Answer<'a> {
    Identity(Identity),
    PrimaryVariable(PrimaryVariable),
    CurrentAndPercent(CurrentAndPercent),
    DynamicVariables(DynamicVariables),
    LoopConfiguration(LoopConfiguration),
    Classifications(Classifications),
    VariablesWithStatus(VariablesWithStatus<'a>),
    Message(PackedAscii<'a>),
    TagDescriptorDate(TagDescriptorDate<'a>),
    Transducer(Transducer),
    OutputInformation(OutputInformation),
    FinalAssembly(u32),
    LongTag(Latin1<'a>),
    DeviceVariables(DeviceVariables<'a>),
    AdditionalStatus(AdditionalStatus<'a>),
    Assignments(Assignments),
    VariableInformation(VariableInformation),
    IoCapabilities(IoCapabilities),
    Embedded(Embedded<'a>),
    SubDeviceIdentity(SubDeviceIdentity<'a>),
    ChannelStatistics(ChannelStatistics),
    SubDeviceStatistics(SubDeviceStatistics),
    ClientStatistics(ClientStatistics),
    DeviceStatistics(DeviceStatistics),
    Extended(Extended<'a>),
    /// 57: as 13, of the process unit.
    UnitTagDescriptorDate(TagDescriptorDate<'a>),
    AnalogChannel(AnalogChannel),
    VariablesAndChannel(VariablesAndChannel),
    /// 62: up to four channels in the form of 33.
    AnalogChannels(DeviceVariables<'a>),
    ChannelInformation(ChannelInformation),
    ChannelEndPoints(ChannelEndPoints),
    /// 76: bits, 0 locked, 1 permanently, 2 by the primary master, 3 configuration cannot change, 4 by a gateway.
    LockState(u8),
    TrimPoints(TrimPoints),
    TrimGuidelines(TrimGuidelines),
    Clock(Clock),
    TrendConfiguration(TrendConfiguration),
    Trend(Trend<'a>),
    BurstMap(BurstMap),
    BurstConfiguration(BurstConfiguration),
    AllDynamicVariables(AllDynamicVariables),
    EventSummary(EventSummary<'a>),
}

impl<'a> Answer<'a> {
    /// Decodes the data field of an answer to `command` whose response code says that data follows.
    pub fn decode(command: u8, data: &'a [u8]) -> Result<Self, AnswerError> {
        Ok(match command {
            0 | 11 | 21 | 75 => Self::Identity(Identity::decode(data)?),
            1 => Self::PrimaryVariable(PrimaryVariable::decode(data)?),
            2 => Self::CurrentAndPercent(CurrentAndPercent::decode(data)?),
            3 => Self::DynamicVariables(DynamicVariables::decode(data)?),
            7 => Self::LoopConfiguration(LoopConfiguration::decode(data)?),
            8 => Self::Classifications(Classifications::decode(data)?),
            9 => Self::VariablesWithStatus(VariablesWithStatus::decode(data)?),
            12 => Self::Message(PackedAscii(data.get(..24).unwrap_or(data))),
            13 => Self::TagDescriptorDate(TagDescriptorDate::decode(data)?),
            14 => Self::Transducer(Transducer::decode(data)?),
            15 => Self::OutputInformation(OutputInformation::decode(data)?),
            16 => Self::FinalAssembly(need(16, data, 3, || Fields(data).u24())?),
            20 => Self::LongTag(Latin1(data.get(..32).unwrap_or(data))),
            33 => Self::DeviceVariables(DeviceVariables::decode(data)?),
            48 => Self::AdditionalStatus(AdditionalStatus::decode(data)?),
            50 => Self::Assignments(Assignments::decode(data)?),
            54 => Self::VariableInformation(VariableInformation::decode(data)?),
            74 => Self::IoCapabilities(IoCapabilities::decode(data)?),
            77 => Self::Embedded(Embedded::decode(data)?),
            84 => Self::SubDeviceIdentity(SubDeviceIdentity::decode(data)?),
            85 => Self::ChannelStatistics(ChannelStatistics::decode(data)?),
            86 => Self::SubDeviceStatistics(SubDeviceStatistics::decode(data)?),
            94 => Self::ClientStatistics(ClientStatistics::decode(data)?),
            95 => Self::DeviceStatistics(DeviceStatistics::decode(data)?),
            31 => Self::Extended(Extended::decode(data)?),
            57 => Self::UnitTagDescriptorDate(TagDescriptorDate::decode(data)?),
            60 => Self::AnalogChannel(AnalogChannel::decode(data)?),
            61 => Self::VariablesAndChannel(VariablesAndChannel::decode(data)?),
            62 => Self::AnalogChannels(DeviceVariables::decode(data)?),
            63 => Self::ChannelInformation(ChannelInformation::decode(data)?),
            70 => Self::ChannelEndPoints(ChannelEndPoints::decode(data)?),
            76 => Self::LockState(need(76, data, 1, || Fields(data).u8())?),
            80 => Self::TrimPoints(TrimPoints::decode(data)?),
            81 => Self::TrimGuidelines(TrimGuidelines::decode(data)?),
            90 => Self::Clock(Clock::decode(data)?),
            91 => Self::TrendConfiguration(TrendConfiguration::decode(data)?),
            93 => Self::Trend(Trend::decode(data)?),
            101 => Self::BurstMap(BurstMap::decode(data)?),
            105 => Self::BurstConfiguration(BurstConfiguration::decode(data)?),
            110 => Self::AllDynamicVariables(AllDynamicVariables::decode(data)?),
            115 => Self::EventSummary(EventSummary::decode(data)?),
            _ => return Err(AnswerError::Unknown { command }),
        })
    }
}
