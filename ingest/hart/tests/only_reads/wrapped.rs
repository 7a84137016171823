//! The same in every nesting of wrappers, and in any bytes.

use super::lists::{OPENED, READS, WRITES};
use super::{all_opened, checked, frame};
use ingest_hart::gate;
use proptest::prelude::*;

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
