//! Requests that may be sent: an enum of read commands, and the encoder that takes nothing else.
//!
//! Numbers and request layouts: universal commands HCF_SPEC-127, common practice commands HCF_SPEC-151.

use crate::frame::{Address, Master, UniqueAddress, check_byte};

/// Longest request that can be encoded: 77 around 9 with eight codes, long address, check byte.
pub const MAX_REQUEST_LEN: usize = 1 + 5 + 2 + (3 + 1 + 5 + 2 + 8) + 1;

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
    /// 33: device variables.
    DeviceVariables(Codes<4>),
    /// 48: additional status. Sent empty: with data it would clear the more-status-available bit.
    AdditionalStatus,
    /// 50: which device variables are PV, SV, TV, QV.
    Assignments,
    /// 54: device variable information.
    VariableInformation(u8),
    /// 74: capabilities of an I/O system.
    IoCapabilities,
    /// 84: identity of a sub-device by index (0 is the I/O system itself).
    SubDeviceIdentity(u16),
    /// 85: statistics of a channel.
    ChannelStatistics { card: u8, channel: u8 },
    /// 86: statistics of a sub-device by index.
    SubDeviceStatistics(u16),
    /// 94: client-side statistics of an I/O system.
    ClientStatistics,
    /// 95: communication statistics of the device itself.
    DeviceStatistics,
}

impl ReadCommand {
    /// The command number on the wire.
    pub fn number(&self) -> u8 {
        match self {
            Self::Identity => 0,
            Self::PrimaryVariable => 1,
            Self::CurrentAndPercent => 2,
            Self::DynamicVariables => 3,
            Self::LoopConfiguration => 7,
            Self::Classifications => 8,
            Self::VariablesWithStatus(_) => 9,
            Self::Message => 12,
            Self::TagDescriptorDate => 13,
            Self::Transducer => 14,
            Self::OutputInformation => 15,
            Self::FinalAssembly => 16,
            Self::LongTag => 20,
            Self::DeviceVariables(_) => 33,
            Self::AdditionalStatus => 48,
            Self::Assignments => 50,
            Self::VariableInformation(_) => 54,
            Self::IoCapabilities => 74,
            Self::SubDeviceIdentity(_) => 84,
            Self::ChannelStatistics { .. } => 85,
            Self::SubDeviceStatistics(_) => 86,
            Self::ClientStatistics => 94,
            Self::DeviceStatistics => 95,
        }
    }

    /// Request data bytes.
    pub fn data_len(&self) -> usize {
        match self {
            Self::VariablesWithStatus(c) => c.as_slice().len(),
            Self::DeviceVariables(c) => c.as_slice().len(),
            Self::VariableInformation(_) => 1,
            Self::SubDeviceIdentity(_)
            | Self::SubDeviceStatistics(_)
            | Self::ChannelStatistics { .. } => 2,
            _ => 0,
        }
    }

    fn put_data(&self, w: &mut Writer<'_>) {
        match self {
            Self::VariablesWithStatus(c) => w.put(c.as_slice()),
            Self::DeviceVariables(c) => w.put(c.as_slice()),
            Self::VariableInformation(code) => w.put(&[*code]),
            Self::SubDeviceIdentity(index) | Self::SubDeviceStatistics(index) => {
                w.put(&index.to_be_bytes())
            }
            Self::ChannelStatistics { card, channel } => w.put(&[*card, *channel]),
            _ => {}
        }
    }
}

/// One read, with the way to the device that shall answer it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub enum Request {
    /// Command 0 by polling address 0..63 (higher bits are cut). The short form knows no other command.
    Poll { polling_address: u8 },
    /// A read of the device that is spoken to.
    Direct {
        to: UniqueAddress,
        command: ReadCommand,
    },
    /// A read of a device behind an I/O system: command 77 around it.
    Through {
        io_system: UniqueAddress,
        card: u8,
        channel: u8,
        to: UniqueAddress,
        command: ReadCommand,
    },
}

/// The caller's buffer is too small.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[error("request needs {need} bytes, the buffer has {have}")]
pub struct EncodeError {
    pub need: usize,
    pub have: usize,
}

/// Preambles that an I/O system shall send before an embedded request (5 is the least a device may ask for).
const EMBEDDED_PREAMBLES: u8 = 5;
const STX_SHORT: u8 = 0x02;
const STX_LONG: u8 = 0x82;
const SEND_COMMAND_TO_SUB_DEVICE: u8 = 77;

impl Request {
    /// Command number of the frame that is sent (77 for a read through an I/O system).
    pub fn outer_command(&self) -> u8 {
        match self {
            Self::Poll { .. } => 0,
            Self::Direct { command, .. } => command.number(),
            Self::Through { .. } => SEND_COMMAND_TO_SUB_DEVICE,
        }
    }

    /// Command number that the addressed device executes.
    pub fn inner_command(&self) -> u8 {
        match self {
            Self::Poll { .. } => 0,
            Self::Direct { command, .. } | Self::Through { command, .. } => command.number(),
        }
    }

    /// Address of the frame that is sent.
    pub fn address(&self, master: Master) -> Address {
        match self {
            Self::Poll { polling_address } => {
                Address::Short(master.code() << 7 | polling_address & 0x3F)
            }
            Self::Direct { to, .. } => Address::Long(to.bytes(master)),
            Self::Through { io_system, .. } => Address::Long(io_system.bytes(master)),
        }
    }

    /// Bytes from delimiter to check byte.
    pub fn encoded_len(&self) -> usize {
        match self {
            Self::Poll { .. } => 5,
            Self::Direct { command, .. } => 9 + command.data_len(),
            Self::Through { command, .. } => 9 + 3 + 8 + command.data_len(),
        }
    }

    /// Writes delimiter to check byte (no preambles) into `out`; gives the length.
    pub fn encode(&self, master: Master, out: &mut [u8]) -> Result<usize, EncodeError> {
        let need = self.encoded_len();
        let have = out.len();
        let out = out.get_mut(..need).ok_or(EncodeError { need, have })?;
        let mut w = Writer { out, at: 0 };
        match self {
            Self::Poll { polling_address } => {
                w.put(&[STX_SHORT, master.code() << 7 | polling_address & 0x3F, 0, 0]);
            }
            Self::Direct { to, command } => {
                w.put_head(*to, master, command.number(), command.data_len());
                command.put_data(&mut w);
            }
            Self::Through {
                io_system,
                card,
                channel,
                to,
                command,
            } => {
                w.put_head(
                    *io_system,
                    master,
                    SEND_COMMAND_TO_SUB_DEVICE,
                    3 + 8 + command.data_len(),
                );
                w.put(&[*card, *channel, EMBEDDED_PREAMBLES]);
                w.put_head(*to, master, command.number(), command.data_len());
                command.put_data(&mut w);
            }
        }
        let check = check_byte(w.out.get(..w.at).unwrap_or_default());
        w.put(&[check]);
        Ok(need)
    }
}

/// Appends to a slice whose length was computed beforehand.
struct Writer<'a> {
    out: &'a mut [u8],
    at: usize,
}

impl Writer<'_> {
    fn put(&mut self, bytes: &[u8]) {
        if let Some(room) = self.out.get_mut(self.at..self.at + bytes.len()) {
            room.copy_from_slice(bytes);
        }
        self.at += bytes.len();
    }

    fn put_head(&mut self, to: UniqueAddress, master: Master, command: u8, data_len: usize) {
        self.put(&[STX_LONG]);
        self.put(&to.bytes(master));
        self.put(&[command, data_len as u8]);
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// One of each read command.
    pub(crate) fn all_reads() -> Vec<ReadCommand> {
        use ReadCommand::*;
        vec![
            Identity,
            PrimaryVariable,
            CurrentAndPercent,
            DynamicVariables,
            LoopConfiguration,
            Classifications,
            VariablesWithStatus(Codes::new(&[0, 1, 246, 244]).unwrap()),
            VariablesWithStatus(Codes::new(&[0, 1, 2, 3, 4, 5, 6, 7]).unwrap()),
            Message,
            TagDescriptorDate,
            Transducer,
            OutputInformation,
            FinalAssembly,
            LongTag,
            DeviceVariables(Codes::new(&[0, 1, 2, 3]).unwrap()),
            AdditionalStatus,
            Assignments,
            VariableInformation(0),
            IoCapabilities,
            SubDeviceIdentity(258),
            ChannelStatistics {
                card: 1,
                channel: 2,
            },
            SubDeviceStatistics(3),
            ClientStatistics,
            DeviceStatistics,
        ]
    }

    /// The allow-list, written out a second time.
    const ALLOWED: [u8; 23] = [
        0, 1, 2, 3, 7, 8, 9, 12, 13, 14, 15, 16, 20, 33, 48, 50, 54, 74, 84, 85, 86, 94, 95,
    ];

    #[test]
    fn every_encodable_request_is_on_the_allow_list() {
        let (to, io) = (
            UniqueAddress::new(0x6A31, 0x0B1C2D),
            UniqueAddress::new(0x7B02, 0x00A001),
        );
        let mut seen = std::collections::BTreeSet::new();
        for command in all_reads() {
            assert!(ALLOWED.contains(&command.number()));
            seen.insert(command.number());
            for master in [Master::Primary, Master::Secondary] {
                for r in [
                    Request::Direct { to, command },
                    Request::Through {
                        io_system: io,
                        card: 0,
                        channel: 3,
                        to,
                        command,
                    },
                ] {
                    let mut b = [0u8; MAX_REQUEST_LEN];
                    let n = r.encode(master, &mut b).unwrap();
                    crate::gate::check_pdu(&b[..n]).unwrap();
                    let (f, used) = crate::Frame::parse(&b[..n]).unwrap();
                    assert_eq!(
                        (used, f.command, f.address),
                        (n, r.outer_command(), r.address(master))
                    );
                    if let Request::Through { .. } = r {
                        let (inner, len) = crate::Frame::parse_embedded(&f.payload[3..]).unwrap();
                        assert_eq!(
                            (inner.command, len),
                            (command.number(), f.payload.len() - 3)
                        );
                    }
                    assert!(r.encode(master, &mut b[..n - 1]).is_err());
                }
            }
        }
        assert_eq!(seen.len(), ALLOWED.len());
    }

    #[test]
    fn codes_are_bounded() {
        assert!(Codes::<4>::new(&[]).is_none());
        assert!(Codes::<4>::new(&[0; 5]).is_none());
        assert_eq!(Codes::<8>::new(&[7; 8]).unwrap().as_slice(), [7; 8]);
    }
}
