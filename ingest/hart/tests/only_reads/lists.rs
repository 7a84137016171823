//! The numbers of reads and writes, written out once more (universal commands HCF_SPEC-127, common practice HCF_SPEC-151),
//! and one command of each variant.

use ingest_hart::{Codes, ReadCommand};

/// Command and the numbers of request data bytes that make it a plain read.
pub(crate) const READS: [(u16, &[usize]); 26] = [
    (0, &[0]),
    (1, &[0]),
    (2, &[0]),
    (3, &[0]),
    (7, &[0]),
    (8, &[0]),
    (9, &[1, 2, 3, 4, 5, 6, 7, 8]),
    (12, &[0]),
    (13, &[0]),
    (14, &[0]),
    (15, &[0]),
    (16, &[0]),
    (20, &[0]),
    (33, &[1, 2, 3, 4]),
    // With data it would clear a bit for this master.
    (48, &[0]),
    (50, &[0]),
    (54, &[1]),
    (74, &[0]),
    (84, &[2]),
    (85, &[2]),
    (86, &[2]),
    (94, &[0]),
    (95, &[0]),
    (512, &[0]),
    (520, &[0]),
    (523, &[2]),
];

/// Reads that a site has to open, likewise.
pub(crate) const OPENED: [(u16, &[usize]); 24] = [
    (11, &[6]),
    (21, &[32]),
    (57, &[0]),
    (60, &[1]),
    (61, &[0]),
    (62, &[4]),
    (63, &[1]),
    (70, &[1]),
    (75, &[3]),
    (76, &[0]),
    (80, &[1]),
    (81, &[1]),
    (90, &[0]),
    (91, &[1]),
    (93, &[1]),
    (101, &[1]),
    (105, &[0, 1]),
    (110, &[0]),
    (115, &[1]),
    (515, &[0]),
    (516, &[0]),
    (518, &[0]),
    (532, &[5]),
    (534, &[1]),
];

/// Numbers that hart's standards give to writes, or that make a device do something (HCF_SPEC-127, HCF_SPEC-151).
pub(crate) const WRITES: [u16; 93] = [
    6, 17, 18, 19, 22, 34, 35, 36, 37, 38, 39, 40, 41, 42, 43, 44, 45, 46, 47, 49, 51, 52, 53, 55,
    56, 58, 59, 64, 65, 66, 67, 68, 69, 71, 72, 73, 79, 82, 83, 87, 88, 89, 92, 97, 99, 100, 102,
    103, 104, 106, 107, 108, 109, 111, 112, 113, 116, 117, 118, 119, 178, 513, 514, 517, 519, 521,
    522, 524, 525, 526, 527, 530, 531, 533, 539, 540, 541, 542, 543, 544, 545, 546, 547, 128, 253,
    768, 1023, 1024, 64384, 65535, 4, 5, 10,
];

/// One of each variant. The match below does not compile when a variant is added: give it a place here and in `READS`.
pub(crate) fn every_variant() -> Vec<ReadCommand> {
    use ReadCommand as R;
    let codes9 = |n: usize| R::VariablesWithStatus(Codes::new(&[7; 8][..n]).unwrap());
    let codes33 = |n: usize| R::DeviceVariables(Codes::new(&[7; 4][..n]).unwrap());
    let one = R::Identity;
    match one {
        R::Identity
        | R::PrimaryVariable
        | R::CurrentAndPercent
        | R::DynamicVariables
        | R::LoopConfiguration
        | R::Classifications
        | R::VariablesWithStatus(_)
        | R::Message
        | R::TagDescriptorDate
        | R::Transducer
        | R::OutputInformation
        | R::FinalAssembly
        | R::LongTag
        | R::DeviceVariables(_)
        | R::AdditionalStatus
        | R::Assignments
        | R::VariableInformation(_)
        | R::IoCapabilities
        | R::SubDeviceIdentity(_)
        | R::ChannelStatistics { .. }
        | R::SubDeviceStatistics(_)
        | R::ClientStatistics
        | R::DeviceStatistics
        | R::CountryCode
        | R::ProcessUnitTag
        | R::CondensedStatus { .. } => {}
        // To be opened: see `every_opened`.
        R::IdentityByTag(_)
        | R::IdentityByLongTag(_)
        | R::UnitTagDescriptorDate
        | R::AnalogChannel(_)
        | R::VariablesAndChannel
        | R::AnalogChannels(_)
        | R::ChannelInformation(_)
        | R::ChannelEndPoints(_)
        | R::PollSubDevice { .. }
        | R::LockState
        | R::TrimPoints(_)
        | R::TrimGuidelines(_)
        | R::Clock
        | R::TrendConfiguration(_)
        | R::Trend(_)
        | R::BurstMap(_)
        | R::BurstConfiguration(_)
        | R::AllDynamicVariables
        | R::EventSummary(_)
        | R::EventManager
        | R::Location
        | R::LocationText
        | R::Subscriptions(_)
        | R::VariableCommandCode(_) => {}
    }
    let mut all = vec![
        R::Identity,
        R::PrimaryVariable,
        R::CurrentAndPercent,
        R::DynamicVariables,
        R::LoopConfiguration,
        R::Classifications,
        R::Message,
        R::TagDescriptorDate,
        R::Transducer,
        R::OutputInformation,
        R::FinalAssembly,
        R::LongTag,
        R::AdditionalStatus,
        R::Assignments,
        R::IoCapabilities,
        R::ClientStatistics,
        R::DeviceStatistics,
        R::CountryCode,
        R::ProcessUnitTag,
    ];
    all.extend((0..=255).map(|n| R::CondensedStatus {
        first: n,
        count: 255 - n,
    }));
    all.extend((1..=8).map(codes9));
    all.extend((1..=4).map(codes33));
    // Whatever values a variant takes, it stays the same read.
    all.extend((0..=255).map(R::VariableInformation));
    for n in (0..=u16::MAX).step_by(257) {
        let [card, channel] = n.to_be_bytes();
        all.extend([
            R::SubDeviceIdentity(n),
            R::SubDeviceStatistics(n),
            R::ChannelStatistics { card, channel },
        ]);
    }
    all
}

/// One of each variant that a site has to open.
pub(crate) fn every_opened() -> Vec<ReadCommand> {
    use ReadCommand as R;
    let mut all = vec![
        R::UnitTagDescriptorDate,
        R::VariablesAndChannel,
        R::AnalogChannels([0, 1, 2, 3]),
        R::LockState,
        R::Clock,
        R::AllDynamicVariables,
        R::EventManager,
        R::Location,
        R::LocationText,
        R::BurstConfiguration(None),
        R::Subscriptions([0; 5]),
        R::PollSubDevice {
            card: 40,
            channel: 6,
            polling_address: 40,
        },
    ];
    for n in 0..=255 {
        all.extend([
            R::AnalogChannel(n),
            R::ChannelInformation(n),
            R::ChannelEndPoints(n),
            R::TrimPoints(n),
            R::TrimGuidelines(n),
            R::TrendConfiguration(n),
            R::Trend(n),
            R::BurstMap(n),
            R::BurstConfiguration(Some(n)),
            R::EventSummary(n),
            R::VariableCommandCode(n),
        ]);
    }
    all
}
