//! Requests that may be sent: an enum of read commands, and the encoder that takes nothing else.
//!
//! Numbers and request layouts: universal commands HCF_SPEC-127, common practice commands HCF_SPEC-151.

use crate::frame::{Address, Master, UniqueAddress, check_byte};

mod read;

pub use read::{Codes, ReadCommand};

/// Longest request that can be encoded: 77 around 21 with its tag, long address, check byte.
pub const MAX_REQUEST_LEN: usize = 1 + 5 + 2 + (3 + 1 + 5 + 2 + 32) + 1;

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

    /// The read that is asked for.
    pub fn command(&self) -> Option<ReadCommand> {
        match self {
            Self::Poll { .. } => None,
            Self::Direct { command, .. } | Self::Through { command, .. } => Some(*command),
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
            CountryCode,
            ProcessUnitTag,
            CondensedStatus {
                first: 0,
                count: 208,
            },
        ]
    }

    /// The allow-list, written out a second time.
    const ALLOWED: [u16; 26] = [
        0, 1, 2, 3, 7, 8, 9, 12, 13, 14, 15, 16, 20, 33, 48, 50, 54, 74, 84, 85, 86, 94, 95, 512,
        520, 523,
    ];

    #[test]
    fn every_encodable_request_is_on_the_allow_list() {
        let (to, io) = (
            UniqueAddress::new(0x6A31, 0x0B1C2D),
            UniqueAddress::new(0x7B02, 0x00A001),
        );
        let mut seen = std::collections::BTreeSet::new();
        for command in all_reads() {
            assert!(ALLOWED.contains(&command.full_number()));
            assert_eq!(command.data().len(), command.data_len());
            seen.insert(command.full_number());
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
