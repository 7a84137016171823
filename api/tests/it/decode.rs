//! `decode` against frames laid out by hand from the standard (constructed).

use loopwitness::decode::{DecodeError, Piece, explain, parse_hex};

/// The whole explanation, and every byte of the input in it exactly once.
fn text(bytes: &[u8]) -> String {
    let pieces = explain(bytes).unwrap();
    let mut covered = Vec::new();
    for piece in &pieces {
        assert_eq!(piece.at, covered.len());
        let of_items: Vec<u8> = piece.items.iter().flat_map(|i| i.bytes.clone()).collect();
        assert_eq!(of_items, piece.bytes, "{}", piece.text());
        covered.extend_from_slice(&piece.bytes);
    }
    assert_eq!(covered, bytes);
    pieces.iter().map(Piece::text).collect()
}

/// Where the damage is, from the start of the input.
fn errors(bytes: &[u8]) -> Vec<(usize, String)> {
    let pieces = explain(bytes).unwrap();
    let all = pieces
        .iter()
        .flat_map(|p| p.errors().map(|i| (p.at + i.at, i.text.clone())));
    all.collect()
}

/// Check byte: XOR from the delimiter on.
fn with_check(mut frame: Vec<u8>) -> Vec<u8> {
    frame.push(frame.iter().fold(0, |x, b| x ^ b));
    frame
}

/// Command 3 answer: 12.5 mA, PV 6.25 bar.
fn command_3_answer() -> Vec<u8> {
    let mut frame = vec![0x86, 0xBA, 0x42, 0x0B, 0x1C, 0x2D, 3, 11, 0, 0x40];
    frame.extend(12.5_f32.to_be_bytes());
    frame.push(7);
    frame.extend(6.25_f32.to_be_bytes());
    with_check(frame)
}

#[test]
fn an_answer_with_preambles_is_explained() {
    let mut bytes = vec![0xFF; 5];
    bytes.extend(command_3_answer());
    let text = text(&bytes);
    for wanted in [
        "5 preamble bytes",
        "answer, device to master (ACK), unique address",
        "primary master",
        "command 3, read dynamic variables and loop current",
        "byte count 11",
        "response code 0: success",
        "field device status: configuration changed",
        "loop current, mA: 12.5",
        "primary variable unit bar (code 7)",
        "primary variable 6.25",
        "check byte, right",
    ] {
        assert!(text.contains(wanted), "{wanted} is not in:\n{text}");
    }
}

#[test]
fn a_hart_ip_message_is_explained() {
    let frame = command_3_answer();
    let mut bytes = vec![1, 1, 3, 0, 0, 9, 0, (8 + frame.len()) as u8];
    bytes.extend(frame);
    let text = text(&bytes);
    assert!(
        text.contains("token-passing PDU")
            && text.contains("sequence number 9")
            && text.contains("6.25"),
        "{text}"
    );
    let initiate = [1, 0, 0, 0, 0, 1, 0, 13, 1, 0, 0, 0x75, 0x30];
    let explained: String = explain(&initiate)
        .unwrap()
        .iter()
        .map(Piece::text)
        .collect();
    assert!(
        explained.contains("session initiate")
            && explained.contains("inactivity close time 30000 ms"),
        "{explained}"
    );
}

#[test]
fn what_is_no_frame_is_said_so() {
    assert_eq!(
        parse_hex("zz"),
        Err(DecodeError::NotHex { text: "zz".into() })
    );
    assert_eq!(
        parse_hex("123"),
        Err(DecodeError::NotHex { text: "123".into() })
    );
    assert_eq!(parse_hex("  "), Err(DecodeError::Empty));
    assert_eq!(parse_hex("0x02 80:00,00").unwrap(), [2, 0x80, 0, 0]);
    assert_eq!(explain(&[0xFF]), Err(DecodeError::NoFrame));
    assert_eq!(explain(&[0x00, 0x10, 0x20]), Err(DecodeError::NoFrame));
}

#[test]
fn damage_is_located() {
    let whole = command_3_answer();
    assert_eq!(errors(&whole), []);
    for end in 2..whole.len() {
        let found = errors(&whole[..end]);
        assert_eq!(found.len(), 1, "{end}: {found:?}");
        assert!(found[0].1.contains("missing"), "{end}: {found:?}");
        text(&whole[..end]);
    }
    let mut damaged = whole.clone();
    damaged[12] ^= 1;
    let found = errors(&damaged);
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].0, whole.len() - 1);
    assert!(found[0].1.contains("damaged on the way"), "{found:?}");
    // In a message the place counts from the start of the input too.
    let mut message = vec![1, 1, 3, 0, 0, 9, 0, (8 + damaged.len()) as u8];
    message.extend(&damaged);
    assert_eq!(errors(&message)[0].0, 8 + whole.len() - 1);
}

#[test]
fn reading_goes_on_after_damage() {
    let good = command_3_answer();
    let message = |n: u8| {
        let mut m = vec![1, 1, 3, 0, 0, n, 0, (8 + good.len()) as u8];
        m.extend(&good);
        m
    };
    // Each byte of the first of three is damaged in turn: the other two are read, whatever was hit.
    for at in 0..message(1).len() {
        for flip in [0x01, 0x40, 0xFF] {
            let mut bytes = [message(1), message(2), message(3)].concat();
            bytes[at] ^= flip;
            let pieces = explain(&bytes).unwrap();
            text(&bytes);
            for wanted in [message(2), message(3)] {
                let found = pieces
                    .iter()
                    .any(|p| p.bytes == wanted && p.errors().next().is_none());
                // Sequence number and the like: a change that no check covers is no damage to the rest either.
                assert!(found, "byte {at} flipped by {flip:#x}");
            }
        }
    }
    // On a serial line: noise, a frame cut by the next one, preambles.
    let mut bytes = vec![0x13, 0x37];
    bytes.extend([0xFF; 5]);
    bytes.extend(&good[..11]);
    bytes.extend([0xFF; 5]);
    bytes.extend(&good);
    let pieces = explain(&bytes).unwrap();
    assert_eq!(
        pieces
            .iter()
            .filter(|p| p.errors().next().is_none())
            .count(),
        1
    );
    assert!(pieces.last().unwrap().bytes.ends_with(&good));
    text(&bytes);
}
