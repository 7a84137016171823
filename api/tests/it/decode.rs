//! `decode` against frames laid out by hand from the standard (constructed).

use loopwitness::decode::{DecodeError, explain, parse_hex};

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
    let text = explain(&bytes).unwrap();
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
    let text = explain(&bytes).unwrap();
    assert!(
        text.contains("token-passing PDU")
            && text.contains("sequence number 9")
            && text.contains("6.25"),
        "{text}"
    );
    let text = explain(&[1, 0, 0, 0, 0, 1, 0, 13, 1, 0, 0, 0x75, 0x30]).unwrap();
    assert!(
        text.contains("session initiate") && text.contains("inactivity close time 30000 ms"),
        "{text}"
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
    let whole = command_3_answer();
    for end in 0..whole.len() {
        assert!(
            explain(&whole[..end]).is_err(),
            "{end} bytes are no whole frame"
        );
    }
    let mut damaged = whole;
    damaged[12] ^= 1;
    assert!(
        explain(&damaged)
            .unwrap_err()
            .to_string()
            .contains("damaged on the way")
    );
}
