//! Every command number there is, 8-bit and extended, in every wrapper: only reads pass the gate, and only reads can be
//! encoded. The list is written out here once more (universal commands HCF_SPEC-127, common practice HCF_SPEC-151).

use ingest_hart::{
    Codes, MAX_REQUEST_LEN, Master, OptIn, ReadCommand, Request, UniqueAddress, gate, hartip,
};
use proptest::prelude::*;
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

/// Reads that a site has to open, likewise.
const OPENED: [(u16, &[usize]); 24] = [
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
const WRITES: [u16; 93] = [
    6, 17, 18, 19, 22, 34, 35, 36, 37, 38, 39, 40, 41, 42, 43, 44, 45, 46, 47, 49, 51, 52, 53, 55,
    56, 58, 59, 64, 65, 66, 67, 68, 69, 71, 72, 73, 79, 82, 83, 87, 88, 89, 92, 97, 99, 100, 102,
    103, 104, 106, 107, 108, 109, 111, 112, 113, 116, 117, 118, 119, 178, 513, 514, 517, 519, 521,
    522, 524, 525, 526, 527, 530, 531, 533, 539, 540, 541, 542, 543, 544, 545, 546, 547, 128, 253,
    768, 1023, 1024, 64384, 65535, 4, 5, 10,
];

/// More data bytes than any read has.
const LENGTHS: std::ops::Range<usize> = 0..36;

fn all_opened() -> OptIn {
    OptIn::new(&OPENED.map(|(n, _)| n)).unwrap()
}

/// As [`frame`], to everybody.
fn broadcast(command: u8, data: &[u8]) -> Vec<u8> {
    let mut f = frame(command, data);
    f[1..6].copy_from_slice(&[0x80, 0, 0, 0, 0]);
    f
}

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
    let mut passed_secure = BTreeSet::new();
    for version in 0..=255_u8 {
        for kind in 0..=255_u8 {
            for id in 0..=255_u8 {
                for body in [&[][..], &[1, 0, 0, 0x75, 0x30], &pdu] {
                    let mut m = vec![version, kind, id, 0, 0, 1, 0, 8 + body.len() as u8];
                    m.extend_from_slice(body);
                    if gate::check_message(&m).is_ok() {
                        passed.insert((version, kind, id));
                    }
                    if gate::check_secure_message_with(&m, OptIn::NONE).is_ok() {
                        passed_secure.insert((version, kind, id));
                    }
                }
            }
        }
    }
    assert_eq!(
        passed,
        BTreeSet::from([(1, 0, 0), (1, 0, 1), (1, 0, 2), (1, 0, 3)])
    );
    // To a server with security the same four go, with its version and no other.
    assert_eq!(
        passed_secure,
        BTreeSet::from([(2, 0, 0), (2, 0, 1), (2, 0, 2), (2, 0, 3)])
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
                let (number, length) = match inner[6] {
                    31 => (u16::from_be_bytes([inner[8], inner[9]]), inner[7] - 2),
                    number => (u16::from(number), inner[7]),
                };
                encoded
                    .entry(number)
                    .or_default()
                    .insert(usize::from(length));
            }
        }
    }
    let wanted: BTreeMap<u16, BTreeSet<usize>> = READS
        .iter()
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

/// One of each variant that a site has to open.
fn every_opened() -> Vec<ReadCommand> {
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

#[test]
fn what_a_site_opens_passes_and_nothing_else_with_it() {
    let to = UniqueAddress::new(0x6A31, 0x0B1C2D);
    let everybody = UniqueAddress::new(0, 0);
    let io_system = UniqueAddress::new(0x7B02, 0x00A001);
    let mut seen = BTreeSet::new();
    let searches = [
        ReadCommand::IdentityByTag([40; 6]),
        ReadCommand::IdentityByLongTag([40; 32]),
    ];
    for command in every_opened().into_iter().chain(searches) {
        let number = command.full_number();
        seen.insert(number);
        let to = if command.is_search() { everybody } else { to };
        let (only, all_but) = (
            OptIn::new(&[number]).unwrap(),
            OptIn::new(
                &OPENED
                    .map(|(n, _)| n)
                    .into_iter()
                    .filter(|n| *n != number)
                    .collect::<Vec<_>>(),
            )
            .unwrap(),
        );
        let mut out = [0; hartip::HEADER_LEN + MAX_REQUEST_LEN];
        let direct = Request::Direct { to, command };
        let n = hartip::encode_request(1, &direct, Master::Primary, &mut out).unwrap();
        gate::check_message_with(&out[..n], only).unwrap();
        for opened in [OptIn::NONE, all_but] {
            let said = gate::check_message_with(&out[..n], opened).unwrap_err();
            assert_eq!(said, gate::Refusal::NotOpened { number });
        }
        let through = Request::Through {
            io_system,
            card: 0,
            channel: 3,
            to,
            command,
        };
        let n = hartip::encode_request(1, &through, Master::Primary, &mut out).unwrap();
        let behind = gate::check_message_with(&out[..n], only);
        // What asks everybody, or the gateway, does not go behind one.
        assert_eq!(
            behind.is_ok(),
            !matches!(number, 11 | 21 | 75),
            "{number}: {behind:?}"
        );
    }
    assert_eq!(seen, OPENED.iter().map(|(n, _)| *n).collect());
    assert_eq!(gate::OPTIONAL.map(|(n, _)| n), OPENED.map(|(n, _)| n));
}

#[test]
fn with_everything_opened_still_only_reads_pass() {
    let passes = |frame: Vec<u8>| gate::check_pdu_with(&checked(frame), all_opened()).is_ok();
    for number in 0..=u16::MAX {
        let wanted: Vec<usize> = READS
            .iter()
            .chain(&OPENED)
            .find(|(n, _)| *n == number)
            .map_or(vec![], |(_, lengths)| lengths.to_vec());
        let got: Vec<usize> = LENGTHS
            .filter(|n| match u8::try_from(number) {
                Ok(command @ (11 | 21)) => passes(broadcast(command, &vec![0; *n])),
                Ok(command) => passes(frame(command, &vec![0; *n])),
                Err(_) => passes(extended(number, &vec![0; *n])),
            })
            .collect();
        assert_eq!(got, wanted, "{number}");
        assert!(number > 255 || !passes(extended(number, &[])), "{number}");
        if let Ok(command) = u8::try_from(number) {
            // A search goes to everybody, a read to one.
            let wrong = match command {
                11 | 21 => frame(command, &vec![0; wanted[0]]),
                _ => broadcast(command, &vec![0; wanted.first().copied().unwrap_or(0)]),
            };
            assert!(!passes(wrong), "{number}");
        }
    }
    for number in WRITES {
        assert!(
            matches!(OptIn::new(&[number]), Err(gate::NotOptional::Never { .. })),
            "{number}"
        );
    }
    assert!(matches!(
        OptIn::new(&[528]),
        Err(gate::NotOptional::NoLayout { .. })
    ));
    assert!(matches!(
        OptIn::new(&[60, 3]),
        Err(gate::NotOptional::Always { number: 3 })
    ));
}

/// What a command is packed into.
#[derive(Clone, Copy, Debug)]
enum Wrapper {
    /// 77 around a frame.
    Through,
    /// 78: an aggregate, with that many reads before it.
    Aggregate(usize),
    /// 31 around the number.
    Extended,
}

/// `number` with `data`, wrapped from the inside out, as one command and its data.
fn wrapped(number: u16, data: &[u8], wrappers: &[Wrapper]) -> (u16, Vec<u8>) {
    let (mut number, mut data) = (number, data.to_vec());
    for wrapper in wrappers {
        let inner = match u8::try_from(number) {
            Ok(n) => (n, data.clone()),
            Err(_) => (31, [&number.to_be_bytes()[..], &data].concat()),
        };
        (number, data) = match wrapper {
            Wrapper::Through => (77, [&[0, 3, 5][..], &frame(inner.0, &inner.1)].concat()),
            Wrapper::Aggregate(reads) => {
                let mut all = vec![*reads as u8 + 1];
                (0..*reads).for_each(|_| all.extend([0, 3, 0]));
                all.extend(number.to_be_bytes());
                all.push(data.len() as u8);
                all.extend(&data);
                (78, all)
            }
            Wrapper::Extended => (31, [&number.to_be_bytes()[..], &data].concat()),
        };
        data.truncate(200);
    }
    (number, data)
}

/// A direct PDU (HART-IP 2) with that many reads around the command.
fn direct_pdu(number: u16, data: &[u8], before: usize, after: usize) -> Vec<u8> {
    let mut body = vec![0, 0];
    (0..before).for_each(|_| body.extend([0, 20, 0]));
    body.extend(number.to_be_bytes());
    body.push(data.len() as u8);
    body.extend(data);
    (0..after).for_each(|_| body.extend([0, 3, 0]));
    let [hi, lo] = (body.len() as u16 + 8).to_be_bytes();
    [&[2, 0, 4, 0, 0, 1, hi, lo][..], &body].concat()
}

fn wrappers() -> impl Strategy<Value = Vec<Wrapper>> {
    let one = prop_oneof![
        Just(Wrapper::Through),
        (0usize..3).prop_map(Wrapper::Aggregate),
        Just(Wrapper::Extended),
    ];
    proptest::collection::vec(one, 0..4)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(4_096))]

    #[test]
    fn no_wrapping_brings_a_write_past_the_gate(at in 0usize..WRITES.len(), data in proptest::collection::vec(any::<u8>(), 0..9),
                                                how in wrappers(), before in 0usize..3, after in 0usize..3) {
        let write = WRITES[at];
        let (number, data) = wrapped(write, &data, &how);
        let in_direct = gate::check_message_with(&direct_pdu(number, &data, before, after), all_opened());
        prop_assert!(in_direct.is_err());
        // With few wrappers, and none that hides the number's width, the write is named.
        if how.is_empty() {
            prop_assert_eq!(in_direct, Err(gate::Refusal::Command { number: write }));
        }
        if let Ok(n) = u8::try_from(number) {
            prop_assert!(gate::check_pdu_with(&checked(frame(n, &data)), all_opened()).is_err());
        }
    }

    #[test]
    fn of_any_bytes_what_passes_ends_in_a_read(bytes in proptest::collection::vec(any::<u8>(), 0..60), head in any::<bool>()) {
        let body = if head { frame(bytes.first().copied().unwrap_or(0), bytes.get(1..).unwrap_or_default()) } else { bytes };
        if gate::check_pdu_with(&checked(body.clone()), all_opened()).is_ok() {
            // Read back by hand, through 77 and 31.
            let mut frame = &body[..];
            if frame[0] == 0x82 && frame[6] == 77 { frame = &frame[11..]; }
            let number = match frame[0] {
                0x02 => u16::from(frame[2]),
                _ if frame[6] == 31 => u16::from_be_bytes([frame[8], frame[9]]),
                _ => u16::from(frame[6]),
            };
            prop_assert!(READS.iter().chain(&OPENED).any(|(n, _)| *n == number));
        }
    }
}
