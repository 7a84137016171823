//! Every command number there is, 8-bit and extended, in every wrapper: only reads pass the gate, and only reads can be
//! encoded. The list is written out here once more (universal commands HCF_SPEC-127, common practice HCF_SPEC-151).

mod lists;
mod wrapped;

use ingest_hart::{
    MAX_REQUEST_LEN, Master, OptIn, ReadCommand, Request, UniqueAddress, gate, hartip,
};
use lists::{OPENED, READS, WRITES, every_opened, every_variant};
use std::collections::{BTreeMap, BTreeSet};

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
