//! Every command number there is, 8-bit and extended, in every wrapper: only reads pass the gate, and only reads can be
//! encoded. The list is written out here once more (universal commands HCF_SPEC-127, common practice HCF_SPEC-151).

use ingest_hart::{
    Codes, MAX_REQUEST_LEN, Master, ReadCommand, Request, UniqueAddress, gate, hartip,
};
use std::collections::{BTreeMap, BTreeSet};

/// Command and the numbers of request data bytes that make it a plain read.
const READS: [(u16, &[usize]); 26] = [
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

/// More data bytes than any read has.
const LENGTHS: std::ops::Range<usize> = 0..12;

fn frame(command: u8, data: &[u8]) -> Vec<u8> {
    let mut f = vec![
        0x82,
        0xAA,
        0x31,
        0x0B,
        0x1C,
        0x2D,
        command,
        data.len() as u8,
    ];
    f.extend_from_slice(data);
    f
}

fn checked(mut frame: Vec<u8>) -> Vec<u8> {
    frame.push(frame.iter().fold(0, |x, b| x ^ b));
    frame
}

fn within_77(frame: &[u8]) -> Vec<u8> {
    let mut data = vec![0, 3, 5];
    data.extend_from_slice(frame);
    self::frame(77, &data)
}

fn extended(number: u16, data: &[u8]) -> Vec<u8> {
    let mut all = number.to_be_bytes().to_vec();
    all.extend_from_slice(data);
    frame(31, &all)
}

/// The numbers of data bytes with which a frame passes.
fn passing(of: impl Fn(&[u8]) -> Vec<u8>) -> Vec<usize> {
    let passes = |n: &usize| gate::check_pdu(&checked(of(&vec![0; *n]))).is_ok();
    LENGTHS.filter(passes).collect()
}

fn wanted(number: u16) -> &'static [usize] {
    READS
        .iter()
        .find(|(n, _)| *n == number)
        .map_or(&[], |(_, lengths)| lengths)
}

#[test]
fn of_all_8_bit_commands_only_reads_pass() {
    let mut passed = 0;
    for number in 0..=255_u8 {
        // 31 and 77 carry others, and pass only around a read: below.
        let expected = wanted(u16::from(number));
        assert_eq!(passing(|d| frame(number, d)), expected, "command {number}");
        assert_eq!(
            passing(|d| within_77(&frame(number, d))),
            expected,
            "{number} in 77"
        );
        // Nothing passes in two wrappers, in an aggregate, or as a direct PDU.
        assert!(
            passing(|d| within_77(&within_77(&frame(number, d)))).is_empty(),
            "{number} in 77 in 77"
        );
        let in_78 = |d: &[u8]| [&[1, 0, number, d.len() as u8], d].concat();
        assert!(
            passing(|d| frame(78, &in_78(d))).is_empty(),
            "{number} in 78"
        );
        assert!(
            passing(|d| within_77(&frame(78, &in_78(d)))).is_empty(),
            "{number} in 78 in 77"
        );
        // The polling address form knows command 0 alone.
        let short = passing(|d| [&[0x02, 0x80, number, d.len() as u8], d].concat());
        assert_eq!(
            short,
            if number == 0 { vec![0] } else { vec![] },
            "{number} by polling address"
        );
        passed += usize::from(!expected.is_empty());
    }
    assert_eq!(passed, 23);
}

#[test]
fn of_all_extended_commands_only_reads_pass() {
    let mut passed = 0;
    for number in 0..=u16::MAX {
        // The number of an 8-bit read is none in its long form.
        let expected = if number > 255 { wanted(number) } else { &[] };
        assert_eq!(
            passing(|d| extended(number, d)),
            expected,
            "extended {number}"
        );
        assert_eq!(
            passing(|d| within_77(&extended(number, d))),
            expected,
            "extended {number} in 77"
        );
        let [hi, lo] = number.to_be_bytes();
        for d in [&[][..], &[0, 0]] {
            let in_78 = [&[1, hi, lo, d.len() as u8], d].concat();
            assert!(
                gate::check_pdu(&checked(frame(78, &in_78))).is_err(),
                "{number} in 78"
            );
        }
        passed += usize::from(!expected.is_empty());
    }
    assert_eq!(passed, 3);
}

#[test]
fn of_all_messages_only_four_kinds_pass() {
    let pdu = checked(frame(3, &[]));
    let mut passed = BTreeSet::new();
    for version in 0..=255_u8 {
        for kind in 0..=255_u8 {
            for id in 0..=255_u8 {
                for body in [&[][..], &[1, 0, 0, 0x75, 0x30], &pdu] {
                    let mut m = vec![version, kind, id, 0, 0, 1, 0, 8 + body.len() as u8];
                    m.extend_from_slice(body);
                    if gate::check_message(&m).is_ok() {
                        passed.insert((version, kind, id));
                    }
                }
            }
        }
    }
    assert_eq!(
        passed,
        BTreeSet::from([(1, 0, 0), (1, 0, 1), (1, 0, 2), (1, 0, 3)])
    );
}

/// One of each variant. The match below does not compile when a variant is added: give it a place here and in `READS`.
fn every_variant() -> Vec<ReadCommand> {
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
        | R::DeviceStatistics => {}
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
    ];
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

#[test]
fn all_that_can_be_encoded_is_a_read() {
    let to = UniqueAddress::new(0x6A31, 0x0B1C2D);
    let io_system = UniqueAddress::new(0x7B02, 0x00A001);
    let mut encoded: BTreeMap<u16, BTreeSet<usize>> = BTreeMap::new();
    for command in every_variant() {
        for master in [Master::Primary, Master::Secondary] {
            let ways = [
                Request::Direct { to, command },
                Request::Through {
                    io_system,
                    card: 0,
                    channel: 3,
                    to,
                    command,
                },
            ];
            for (n, request) in ways.iter().enumerate() {
                let mut out = [0; hartip::HEADER_LEN + MAX_REQUEST_LEN];
                let length = hartip::encode_request(1, request, master, &mut out).unwrap();
                gate::check_message(&out[..length]).unwrap();
                // Read back by hand: delimiter, five bytes of address, command, byte count; behind 77 three bytes more.
                let pdu = &out[hartip::HEADER_LEN..length];
                let inner = if n == 0 { pdu } else { &pdu[11..] };
                assert!(n == 0 || pdu[6] == 77);
                encoded
                    .entry(u16::from(inner[6]))
                    .or_default()
                    .insert(usize::from(inner[7]));
            }
        }
    }
    // 512, 520 and 523 may pass the gate; there is no way to encode them yet.
    let wanted: BTreeMap<u16, BTreeSet<usize>> = READS
        .iter()
        .filter(|(n, _)| *n <= 255)
        .map(|(n, lengths)| (*n, lengths.iter().copied().collect()))
        .collect();
    assert_eq!(encoded, wanted);
    for polling_address in 0..=255 {
        let mut out = [0; MAX_REQUEST_LEN];
        let n = Request::Poll { polling_address }
            .encode(Master::Primary, &mut out)
            .unwrap();
        assert_eq!((&out[..1], &out[2..4], n), (&[0x02][..], &[0, 0][..], 5));
        gate::check_pdu(&out[..n]).unwrap();
    }
}
