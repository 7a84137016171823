//! Recorded request bytes as the read that they were. Here and not beside the encoder: nothing that sends knows a way from
//! bytes to a request.

use ingest_hart::{Address, Codes, Frame, FrameType, ReadCommand, Request};

/// A request from delimiter to check byte; `None` for anything that is no read of this program.
pub(super) fn request(bytes: &[u8]) -> Option<Request> {
    let (frame, _) = Frame::parse(bytes).ok()?;
    if frame.frame_type != FrameType::Request {
        return None;
    }
    let to = match frame.address {
        Address::Short(a) => {
            return Some(Request::Poll {
                polling_address: a & 0x3F,
            });
        }
        Address::Long(_) => frame.address.unique()?,
    };
    if frame.command != 77 {
        let command = command(frame.command, frame.payload)?;
        return Some(Request::Direct { to, command });
    }
    let [card, channel, _, embedded @ ..] = frame.payload else {
        return None;
    };
    let (inner, _) = Frame::parse_embedded(embedded).ok()?;
    Some(Request::Through {
        io_system: to,
        card: *card,
        channel: *channel,
        to: inner.address.unique()?,
        command: command(inner.command, inner.payload)?,
    })
}

fn command(number: u8, data: &[u8]) -> Option<ReadCommand> {
    use ReadCommand as R;
    Some(match (number, data) {
        (0, []) => R::Identity,
        (1, []) => R::PrimaryVariable,
        (2, []) => R::CurrentAndPercent,
        (3, []) => R::DynamicVariables,
        (7, []) => R::LoopConfiguration,
        (8, []) => R::Classifications,
        (9, codes) => R::VariablesWithStatus(Codes::new(codes)?),
        (12, []) => R::Message,
        (13, []) => R::TagDescriptorDate,
        (14, []) => R::Transducer,
        (15, []) => R::OutputInformation,
        (16, []) => R::FinalAssembly,
        (20, []) => R::LongTag,
        (21, tag) => R::IdentityByLongTag(tag.try_into().ok()?),
        (33, codes) => R::DeviceVariables(Codes::new(codes)?),
        (48, []) => R::AdditionalStatus,
        (50, []) => R::Assignments,
        (54, [code]) => R::VariableInformation(*code),
        (57, []) => R::UnitTagDescriptorDate,
        (60, [n]) => R::AnalogChannel(*n),
        (61, []) => R::VariablesAndChannel,
        (62, channels) => R::AnalogChannels(channels.try_into().ok()?),
        (63, [n]) => R::ChannelInformation(*n),
        (70, [n]) => R::ChannelEndPoints(*n),
        (74, []) => R::IoCapabilities,
        (75, [card, channel, polling_address]) => R::PollSubDevice {
            card: *card,
            channel: *channel,
            polling_address: *polling_address,
        },
        (76, []) => R::LockState,
        (80, [n]) => R::TrimPoints(*n),
        (81, [n]) => R::TrimGuidelines(*n),
        (84, [hi, lo]) => R::SubDeviceIdentity(u16::from_be_bytes([*hi, *lo])),
        (85, [card, channel]) => R::ChannelStatistics {
            card: *card,
            channel: *channel,
        },
        (86, [hi, lo]) => R::SubDeviceStatistics(u16::from_be_bytes([*hi, *lo])),
        (90, []) => R::Clock,
        (91, [n]) => R::TrendConfiguration(*n),
        (93, [n]) => R::Trend(*n),
        (94, []) => R::ClientStatistics,
        (95, []) => R::DeviceStatistics,
        (101, [n]) => R::BurstMap(*n),
        (105, []) => R::BurstConfiguration(None),
        (105, [n]) => R::BurstConfiguration(Some(*n)),
        (110, []) => R::AllDynamicVariables,
        (115, [n]) => R::EventSummary(*n),
        (31, [hi, lo, rest @ ..]) => match (u16::from_be_bytes([*hi, *lo]), rest) {
            (512, []) => R::CountryCode,
            (515, []) => R::EventManager,
            (516, []) => R::Location,
            (518, []) => R::LocationText,
            (520, []) => R::ProcessUnitTag,
            (523, [first, count]) => R::CondensedStatus {
                first: *first,
                count: *count,
            },
            (532, address) => R::Subscriptions(address.try_into().ok()?),
            (534, [n]) => R::VariableCommandCode(*n),
            _ => return None,
        },
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use ingest_hart::{MAX_REQUEST_LEN, Master, UniqueAddress};

    #[test]
    fn what_was_encoded_is_read_back() {
        let (to, io_system) = (
            UniqueAddress::new(0x2A31, 0x0B1C2D),
            UniqueAddress::new(0x3B02, 0xA001),
        );
        let all = [
            ReadCommand::Identity,
            ReadCommand::VariablesWithStatus(Codes::new(&[246, 245]).unwrap()),
            ReadCommand::DeviceVariables(Codes::new(&[2, 3]).unwrap()),
            ReadCommand::VariableInformation(1),
            ReadCommand::DeviceStatistics,
            ReadCommand::CondensedStatus {
                first: 0,
                count: 208,
            },
            ReadCommand::BurstConfiguration(None),
            ReadCommand::BurstConfiguration(Some(0)),
            ReadCommand::SubDeviceStatistics(300),
            ReadCommand::LocationText,
        ];
        for command in all {
            for r in [
                Request::Direct { to, command },
                Request::Through {
                    io_system,
                    card: 1,
                    channel: 2,
                    to,
                    command,
                },
            ] {
                let mut bytes = [0; MAX_REQUEST_LEN];
                let n = r.encode(Master::Secondary, &mut bytes).unwrap();
                assert_eq!(request(&bytes[..n]), Some(r));
            }
        }
        // A write is none of ours.
        let mut write = vec![0x82, 0x2A, 0x31, 0x0B, 0x1C, 0x2D, 40, 4, 0x40, 0x80, 0, 0];
        write.push(write.iter().fold(0, |x, b| x ^ b));
        assert_eq!(request(&write), None);
    }
}
