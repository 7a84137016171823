//! The read commands themselves: numbers, request data, and which of them a site has to open first.

use super::Writer;

/// One to `MAX` device variable codes.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub struct Codes<const MAX: usize> {
    codes: [u8; MAX],
    len: usize,
}

impl<const MAX: usize> Codes<MAX> {
    /// `None` for no code or more than `MAX`.
    pub fn new(codes: &[u8]) -> Option<Self> {
        if codes.is_empty() {
            return None;
        }
        let mut all = [0; MAX];
        all.get_mut(..codes.len())?.copy_from_slice(codes);
        Some(Self {
            codes: all,
            len: codes.len(),
        })
    }

    pub fn as_slice(&self) -> &[u8] {
        self.codes.get(..self.len).unwrap_or_default()
    }
}

/// A command that reads and changes nothing. There is no variant for any other command and no constructor from a number.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub enum ReadCommand {
    /// 0: identity, revisions, configuration change counter.
    Identity,
    /// 1: primary variable.
    PrimaryVariable,
    /// 2: loop current and percent of range.
    CurrentAndPercent,
    /// 3: loop current and up to four dynamic variables.
    DynamicVariables,
    /// 7: polling address and loop current mode.
    LoopConfiguration,
    /// 8: classifications of the dynamic variables.
    Classifications,
    /// 9: device variables with status.
    VariablesWithStatus(Codes<8>),
    /// 11: who has this tag (packed)? By broadcast; only that device answers. To be opened by the site.
    IdentityByTag([u8; 6]),
    /// 12: message.
    Message,
    /// 13: tag, descriptor, date.
    TagDescriptorDate,
    /// 14: transducer limits of the primary variable.
    Transducer,
    /// 15: range, transfer function, damping.
    OutputInformation,
    /// 16: final assembly number.
    FinalAssembly,
    /// 20: long tag.
    LongTag,
    /// 21: who has this long tag? By broadcast. To be opened by the site.
    IdentityByLongTag([u8; 32]),
    /// 33: device variables.
    DeviceVariables(Codes<4>),
    /// 48: additional status. Sent empty: with data it would clear the more-status-available bit.
    AdditionalStatus,
    /// 50: which device variables are PV, SV, TV, QV.
    Assignments,
    /// 54: device variable information.
    VariableInformation(u8),
    /// 57: tag, descriptor, date of the process unit. To be opened by the site, as all below that say "opened".
    UnitTagDescriptorDate,
    /// 60: analog channel and percent of range (opened).
    AnalogChannel(u8),
    /// 61: dynamic variables and the PV's analog channel (opened).
    VariablesAndChannel,
    /// 62: four analog channels (opened).
    AnalogChannels([u8; 4]),
    /// 63: information of an analog channel (opened).
    ChannelInformation(u8),
    /// 70: end points of an analog channel (opened).
    ChannelEndPoints(u8),
    /// 74: capabilities of an I/O system.
    IoCapabilities,
    /// 75: who is at this polling address of a channel? Makes traffic on the loop (opened).
    PollSubDevice {
        card: u8,
        channel: u8,
        polling_address: u8,
    },
    /// 76: lock state (opened).
    LockState,
    /// 80: trim points of a device variable (opened).
    TrimPoints(u8),
    /// 81: trim guidelines of a device variable (opened).
    TrimGuidelines(u8),
    /// 84: identity of a sub-device by index (0 is the I/O system itself).
    SubDeviceIdentity(u16),
    /// 85: statistics of a channel.
    ChannelStatistics { card: u8, channel: u8 },
    /// 86: statistics of a sub-device by index.
    SubDeviceStatistics(u16),
    /// 90: real-time clock (opened).
    Clock,
    /// 91: configuration of a trend (opened).
    TrendConfiguration(u8),
    /// 93: a trend's values (opened).
    Trend(u8),
    /// 94: client-side statistics of an I/O system.
    ClientStatistics,
    /// 95: communication statistics of the device itself.
    DeviceStatistics,
    /// 101: sub-device of a burst message (opened).
    BurstMap(u8),
    /// 105: configuration of a burst message; `None` asks for the old short form (opened).
    BurstConfiguration(Option<u8>),
    /// 110: all dynamic variables (opened).
    AllDynamicVariables,
    /// 115: summary of an event (opened).
    EventSummary(u8),
    /// 512 within 31: country code.
    CountryCode,
    /// 515 within 31: event manager (opened).
    EventManager,
    /// 516 within 31: geographic location (opened).
    Location,
    /// 518 within 31: location as text (opened).
    LocationText,
    /// 520 within 31: process unit tag.
    ProcessUnitTag,
    /// 523 within 31: condensed status map, `count` entries (even) from `first` on.
    CondensedStatus { first: u8, count: u8 },
    /// 532 within 31: subscriptions of a server for a device; zeros: of all (opened).
    Subscriptions([u8; 5]),
    /// 534 within 31: whether a device variable is fixed or simulated (opened).
    VariableCommandCode(u8),
}

/// The command byte that carries 16-bit command numbers.
const EXTENDED: u8 = 31;

impl ReadCommand {
    /// The command's own number; above 255 it travels within 31.
    pub fn full_number(&self) -> u16 {
        match self {
            Self::Identity => 0,
            Self::PrimaryVariable => 1,
            Self::CurrentAndPercent => 2,
            Self::DynamicVariables => 3,
            Self::LoopConfiguration => 7,
            Self::Classifications => 8,
            Self::VariablesWithStatus(_) => 9,
            Self::IdentityByTag(_) => 11,
            Self::Message => 12,
            Self::TagDescriptorDate => 13,
            Self::Transducer => 14,
            Self::OutputInformation => 15,
            Self::FinalAssembly => 16,
            Self::LongTag => 20,
            Self::IdentityByLongTag(_) => 21,
            Self::DeviceVariables(_) => 33,
            Self::AdditionalStatus => 48,
            Self::Assignments => 50,
            Self::VariableInformation(_) => 54,
            Self::UnitTagDescriptorDate => 57,
            Self::AnalogChannel(_) => 60,
            Self::VariablesAndChannel => 61,
            Self::AnalogChannels(_) => 62,
            Self::ChannelInformation(_) => 63,
            Self::ChannelEndPoints(_) => 70,
            Self::IoCapabilities => 74,
            Self::PollSubDevice { .. } => 75,
            Self::LockState => 76,
            Self::TrimPoints(_) => 80,
            Self::TrimGuidelines(_) => 81,
            Self::SubDeviceIdentity(_) => 84,
            Self::ChannelStatistics { .. } => 85,
            Self::SubDeviceStatistics(_) => 86,
            Self::Clock => 90,
            Self::TrendConfiguration(_) => 91,
            Self::Trend(_) => 93,
            Self::ClientStatistics => 94,
            Self::DeviceStatistics => 95,
            Self::BurstMap(_) => 101,
            Self::BurstConfiguration(_) => 105,
            Self::AllDynamicVariables => 110,
            Self::EventSummary(_) => 115,
            Self::CountryCode => 512,
            Self::EventManager => 515,
            Self::Location => 516,
            Self::LocationText => 518,
            Self::ProcessUnitTag => 520,
            Self::CondensedStatus { .. } => 523,
            Self::Subscriptions(_) => 532,
            Self::VariableCommandCode(_) => 534,
        }
    }

    /// The command byte on the wire: 31 for a 16-bit number.
    pub fn number(&self) -> u8 {
        u8::try_from(self.full_number()).unwrap_or(EXTENDED)
    }

    /// The number within 31, if the command travels so.
    pub fn extended_number(&self) -> Option<u16> {
        Some(self.full_number()).filter(|n| *n > 255)
    }

    /// The device with the tag answers, whoever it is: sent to the broadcast address.
    pub fn is_search(&self) -> bool {
        matches!(self, Self::IdentityByTag(_) | Self::IdentityByLongTag(_))
    }

    /// Request data bytes, the number within 31 included.
    pub fn data_len(&self) -> usize {
        let own = match self {
            Self::VariablesWithStatus(c) => c.as_slice().len(),
            Self::DeviceVariables(c) => c.as_slice().len(),
            Self::IdentityByTag(tag) => tag.len(),
            Self::IdentityByLongTag(tag) => tag.len(),
            Self::AnalogChannels(channels) => channels.len(),
            Self::Subscriptions(address) => address.len(),
            Self::PollSubDevice { .. } => 3,
            Self::SubDeviceIdentity(_)
            | Self::SubDeviceStatistics(_)
            | Self::ChannelStatistics { .. }
            | Self::CondensedStatus { .. } => 2,
            Self::VariableInformation(_)
            | Self::AnalogChannel(_)
            | Self::ChannelInformation(_)
            | Self::ChannelEndPoints(_)
            | Self::TrimPoints(_)
            | Self::TrimGuidelines(_)
            | Self::TrendConfiguration(_)
            | Self::Trend(_)
            | Self::BurstMap(_)
            | Self::BurstConfiguration(Some(_))
            | Self::EventSummary(_)
            | Self::VariableCommandCode(_) => 1,
            _ => 0,
        };
        own + self.extended_number().map_or(0, |_| 2)
    }

    pub(super) fn put_data(&self, w: &mut Writer<'_>) {
        if let Some(number) = self.extended_number() {
            w.put(&number.to_be_bytes());
        }
        match self {
            Self::VariablesWithStatus(c) => w.put(c.as_slice()),
            Self::DeviceVariables(c) => w.put(c.as_slice()),
            Self::IdentityByTag(tag) => w.put(tag),
            Self::IdentityByLongTag(tag) => w.put(tag),
            Self::AnalogChannels(channels) => w.put(channels),
            Self::Subscriptions(address) => w.put(address),
            Self::PollSubDevice {
                card,
                channel,
                polling_address,
            } => w.put(&[*card, *channel, *polling_address]),
            Self::SubDeviceIdentity(index) | Self::SubDeviceStatistics(index) => {
                w.put(&index.to_be_bytes());
            }
            Self::ChannelStatistics { card, channel } => w.put(&[*card, *channel]),
            Self::CondensedStatus { first, count } => w.put(&[*first, *count]),
            Self::VariableInformation(n)
            | Self::AnalogChannel(n)
            | Self::ChannelInformation(n)
            | Self::ChannelEndPoints(n)
            | Self::TrimPoints(n)
            | Self::TrimGuidelines(n)
            | Self::TrendConfiguration(n)
            | Self::Trend(n)
            | Self::BurstMap(n)
            | Self::BurstConfiguration(Some(n))
            | Self::EventSummary(n)
            | Self::VariableCommandCode(n) => w.put(&[*n]),
            _ => {}
        }
    }

    /// The request data, as it is shown beside an answer.
    pub fn data(&self) -> alloc::vec::Vec<u8> {
        let mut bytes = alloc::vec![0; self.data_len()];
        self.put_data(&mut Writer {
            out: &mut bytes,
            at: 0,
        });
        bytes
    }
}
