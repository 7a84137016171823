//! Every frame of `tests/vectors/hart-frames.json`, read, and written where it is a request that may be sent. Each frame is
//! matched by name, so that none is left out. What the answers say is in `vectors_answers.rs`.

#[allow(dead_code, reason = "shared with the other tests")]
mod common;

use common::vectors::{get, vectors};
use ingest_hart::answer::*;
use ingest_hart::frame::{check_byte, scan};
use ingest_hart::hartip::{self, Message, MessageType};
use ingest_hart::{
    Address, Codes, Frame, FrameError, FrameType, Latin1, Master, ReadCommand, Request,
    UniqueAddress, gate,
};

#[test]
fn all_frames_parse_and_say_what_the_file_says() {
    let all = vectors();
    assert_eq!(all.len(), 83);
    assert_eq!(all.iter().filter(|v| v.captured).count(), 9);
    let mut frames = 0;
    for v in all.iter().filter(|v| v.is_token_passing()) {
        if v.is_invalid() {
            assert!(Frame::parse(v.pdu()).is_err(), "{}", v.name);
            assert_eq!(scan(&v.bytes, true).frame, None, "{}", v.name);
            continue;
        }
        frames += 1;
        let (f, used) = Frame::parse(v.pdu()).unwrap_or_else(|e| panic!("{}: {e}", v.name));
        // A capture holds an over-long message; all else is used to the last byte.
        assert!(used == v.pdu().len() || v.captured, "{}", v.name);
        assert_eq!(check_byte(&v.pdu()[..used]), 0);
        if let Some(c) = v.fields["command"].as_u64() {
            assert_eq!(u64::from(f.command), c, "{}", v.name);
        }
        let serial = v.fields["layer"] == "serial";
        if let (true, Some(n)) = (serial, v.fields["byte_count"].as_u64()) {
            assert_eq!(f.payload.len() as u64, n, "{}", v.name);
        }
        if let Some(code) = v.fields["response_code"].as_u64() {
            assert_eq!(u64::from(f.status().unwrap().first), code, "{}", v.name);
        }
        if serial {
            let s = scan(&v.bytes, false);
            assert_eq!(
                (s.frame, s.consumed, s.damaged),
                (Some(f), v.bytes.len(), 0),
                "{}",
                v.name
            );
        }
        // No prefix of a frame is a frame; each says that it needs more.
        for n in 0..used {
            assert!(
                matches!(Frame::parse(&v.pdu()[..n]), Err(FrameError::NeedMore { need, .. }) if need > n && need <= used),
                "{} cut at {n}",
                v.name
            );
        }
        // A lying byte count is never believed past the end, and one wrong bit never passes.
        for at in 0..used {
            for bit in 0..8 {
                let mut bad = v.pdu()[..used].to_vec();
                bad[at] ^= 1 << bit;
                if let Ok((g, _)) = Frame::parse(&bad) {
                    panic!("{}: bit {bit} of byte {at} flipped and still {g:?}", v.name);
                }
            }
        }
        // Decoders take every shorter and longer data field without harm.
        if f.frame_type != FrameType::Request {
            let mut long = f.data().to_vec();
            for n in 0..=long.len() {
                let _ = Answer::decode(f.command, &long[..n]);
            }
            long.extend([0xA5; 40]);
            let _ = Answer::decode(f.command, &long);
        }
    }
    assert_eq!(
        frames,
        83 - 2 - 14,
        "serial and token-passing frames that are valid"
    );
}

#[test]
fn hart_ip_headers() {
    for v in vectors().iter().filter(|v| v.fields["layer"] == "hart-ip") {
        let (m, used) = Message::parse(&v.bytes).unwrap();
        assert_eq!(used, v.bytes.len(), "{}", v.name);
        if let Some(s) = v.fields["sequence"].as_u64() {
            assert_eq!(u64::from(m.sequence), s, "{}", v.name);
        }
        if let Some(ms) = v.fields["inactivity_ms"].as_u64() {
            assert_eq!(u64::from(m.initiate_body().unwrap().1), ms, "{}", v.name);
        }
        let want = match v.fields["message_type"].as_u64() {
            Some(0) => Some(MessageType::Request),
            Some(1) => Some(MessageType::Response),
            _ => None,
        };
        assert!(want.is_none_or(|w| w == m.message_type), "{}", v.name);
        for n in 0..v.bytes.len() {
            assert!(matches!(
                Message::parse(&v.bytes[..n]),
                Err(hartip::HartIpError::NeedMore { .. })
            ));
        }
    }
    let nak = get("hip_nak_example");
    assert_eq!(
        Message::parse(&nak.bytes).unwrap().0.message_type,
        MessageType::Error
    );
    let publish = get("capture_publish_cmd9");
    let (m, _) = Message::parse(&publish.bytes).unwrap();
    assert_eq!((m.message_type, m.status), (MessageType::Publish, 0));
    let changed = get("hip_session_initiate_response_timer_changed");
    let (m, _) = Message::parse(&changed.bytes).unwrap();
    assert_eq!(
        (m.status, m.initiate_body()),
        (hartip::status_code::NEAREST_VALUE, Some((1, 90_000)))
    );
    assert!(hartip::status_code::is_accepted(m.status));
    let full = get("hip_session_initiate_response_all_in_use");
    assert!(!hartip::status_code::is_accepted(
        Message::parse(&full.bytes).unwrap().0.status
    ));
}

#[test]
fn requests_are_written_to_the_byte() {
    let to = UniqueAddress::new(0x6A31, 0x0B1C2D);
    let io = UniqueAddress::new(0x7B02, 0x00A001);
    let direct = |command| Request::Direct { to, command };
    let asked = |command| Request::Direct { to: io, command };
    let through = Request::Through {
        io_system: io,
        card: 0,
        channel: 3,
        to,
        command: ReadCommand::DynamicVariables,
    };
    let four = Codes::new(&[0, 1, 246, 244]).unwrap();
    let poll0 = Request::Poll { polling_address: 0 };
    for (name, request) in [
        ("serial_cmd0_request_short_primary", poll0),
        (
            "serial_cmd3_request_long",
            direct(ReadCommand::DynamicVariables),
        ),
        (
            "serial_cmd48_request_empty",
            direct(ReadCommand::AdditionalStatus),
        ),
        (
            "serial_cmd9_request_4slots",
            direct(ReadCommand::VariablesWithStatus(four)),
        ),
        (
            "serial_cmd13_request",
            direct(ReadCommand::TagDescriptorDate),
        ),
        ("hip_tp_cmd0_request_short", poll0),
        ("hip_tp_cmd3_request", direct(ReadCommand::DynamicVariables)),
        ("hip_tp_cmd74_request", asked(ReadCommand::IoCapabilities)),
        (
            "hip_tp_cmd84_request",
            asked(ReadCommand::SubDeviceIdentity(1)),
        ),
        (
            "hip_tp_cmd85_request",
            asked(ReadCommand::ChannelStatistics {
                card: 0,
                channel: 3,
            }),
        ),
        (
            "hip_tp_cmd86_request",
            asked(ReadCommand::SubDeviceStatistics(1)),
        ),
        ("hip_tp_cmd94_request", asked(ReadCommand::ClientStatistics)),
        ("hip_tp_cmd77_request_wrapping_cmd3", through),
    ] {
        let v = get(name);
        let mut out = [0; 80];
        if v.fields["layer"] == "serial" {
            let n = request.encode(Master::Primary, &mut out).unwrap();
            assert_eq!(&out[..n], v.pdu(), "{name}");
            gate::check_serial(&v.bytes).unwrap();
        } else {
            let sequence = Message::parse(&v.bytes).unwrap().0.sequence;
            let n = hartip::encode_request(sequence, &request, Master::Primary, &mut out).unwrap();
            assert_eq!(out[..n], v.bytes, "{name}");
            gate::check_message(&v.bytes).unwrap();
        }
    }
    let v = get("serial_cmd0_request_short_secondary_poll5");
    let mut out = [0; 5];
    Request::Poll { polling_address: 5 }
        .encode(Master::Secondary, &mut out)
        .unwrap();
    assert_eq!(out, v.pdu());
    for (name, bytes) in [
        (
            "hip_session_initiate_request",
            hartip::encode_initiate(1, Master::Primary, 30_000).to_vec(),
        ),
        (
            "capture_session_initiate_request",
            hartip::encode_initiate(2, Master::Primary, 30_000).to_vec(),
        ),
        (
            "hip_keepalive_request",
            hartip::encode_keep_alive(2).to_vec(),
        ),
        (
            "hip_session_close_request",
            hartip::encode_close(17).to_vec(),
        ),
    ] {
        assert_eq!(get(name).bytes, bytes, "{name}");
        gate::check_message(&bytes).unwrap();
    }
}

#[test]
fn the_gate_refuses_what_must_never_leave() {
    let all = vectors();
    let forbidden: Vec<_> = all
        .iter()
        .filter(|v| v.name.starts_with("FORBIDDEN_"))
        .collect();
    assert_eq!(forbidden.len(), 3);
    for v in &forbidden {
        assert!(gate::check_pdu(v.pdu()).is_err(), "{}", v.name);
        assert!(
            gate::check_message(&v.bytes).is_err() && gate::check_serial(&v.bytes).is_err(),
            "{}",
            v.name
        );
    }
    let refused = |name: &str| gate::check_pdu(get(name).pdu()).unwrap_err();
    assert_eq!(
        refused("FORBIDDEN_hip_tp_cmd77_wrapping_cmd40"),
        gate::Refusal::Command { number: 40 }
    );
    assert_eq!(
        refused("FORBIDDEN_serial_cmd31_wrapping_513_write"),
        gate::Refusal::Command { number: 513 }
    );
    assert_eq!(
        refused("FORBIDDEN_serial_cmd6_write_polling_address"),
        gate::Refusal::Command { number: 6 }
    );
    // 75 makes traffic on the loop: not on by default. 523 within 31 is a read.
    assert_eq!(
        refused("hip_tp_cmd75_request"),
        gate::Refusal::NotOpened { number: 75 }
    );
    gate::check_pdu(get("serial_cmd523_request_via_31").pdu()).unwrap();
    // Direct PDUs and audit logs are messages that are not sent.
    for name in ["hip_direct_pdu_cmd20_request", "hip_read_audit_log_request"] {
        assert!(matches!(
            gate::check_message(&get(name).bytes),
            Err(gate::Refusal::Message { .. })
        ));
    }
    // Answers are no requests.
    for v in all
        .iter()
        .filter(|v| v.name.contains("response") && v.is_token_passing())
    {
        assert!(gate::check_pdu(v.pdu()).is_err(), "{}", v.name);
    }
}

/// All 256 command numbers, plain and behind 77, 31 and 78: only the reads pass.
#[test]
fn the_gate_by_number() {
    let reads = [0, 1, 2, 3, 7, 8, 12, 13, 14, 15, 16, 20, 48, 50, 74, 94, 95];
    let close = |mut b: Vec<u8>| {
        b.push(check_byte(&b));
        b
    };
    let head = [0x82, 0xAA, 0x31, 0x0B, 0x1C, 0x2D];
    for n in 0..=255u8 {
        let plain = [head.as_slice(), &[n, 0]].concat();
        assert_eq!(
            gate::check_pdu(&close(plain.clone())).is_ok(),
            reads.contains(&n),
            "{n}"
        );
        let wrap = [head.as_slice(), &[77, 11, 0, 3, 5], &plain].concat();
        assert_eq!(
            gate::check_pdu(&close(wrap.clone())).is_ok(),
            reads.contains(&n),
            "77 around {n}"
        );
        let twice = [head.as_slice(), &[77, 22, 0, 3, 5], &wrap].concat();
        assert!(
            gate::check_pdu(&close(twice)).is_err(),
            "77 around 77 around {n}"
        );
        let aggregate = [head.as_slice(), &[78, 4, 1, 0, n, 0]].concat();
        assert!(gate::check_pdu(&close(aggregate)).is_err(), "78 around {n}");
        let wide = [head.as_slice(), &[31, 2, 2, n]].concat();
        assert_eq!(
            gate::check_pdu(&close(wide)).is_ok(),
            matches!(n, 0 | 8),
            "31 around 512 + {n}"
        );
    }
    // 48 with data is a write in disguise; broadcasts and trailing bytes do not pass.
    assert!(gate::check_pdu(&close([head.as_slice(), &[48, 1, 0]].concat())).is_err());
    assert!(gate::check_pdu(&close(vec![0x82, 0x80, 0, 0, 0, 0, 3, 0])).is_err());
    assert!(gate::check_pdu(&close([head.as_slice(), &[3, 0, 40, 0]].concat())).is_err());
}

#[test]
fn answers_match_requests_on_38_bits() {
    let (a, b) = (
        get("serial_burst_back_cmd3_long"),
        get("serial_burst_back_cmd3_long_other_master"),
    );
    let (a, b) = (
        Frame::parse(a.pdu()).unwrap().0.address,
        Frame::parse(b.pdu()).unwrap().0.address,
    );
    assert!(a != b && a.matches(b) && a.burst() && a.master() != b.master());
    assert!(!a.matches(Address::Long([0xAA, 0x31, 0x0B, 0x1C, 0x2E])));
    assert!(!a.matches(Address::Short(0x80)));
}

/// A serial stream with noise, a damaged frame and a cut one between good frames: the good ones all come out.
#[test]
fn scan_finds_its_way_back() {
    let good = get("serial_cmd3_response_long_4vars").bytes;
    let bad = get("serial_cmd3_response_bad_check_byte").bytes;
    let cut = get("serial_cmd3_response_truncated").bytes;
    let stream = [
        &[0x06, 0xFF, 0x13, 0xFF][..],
        &good,
        &bad,
        &[0xFF; 30],
        &good,
        &cut,
    ]
    .concat();
    // One character at a time, as a port delivers them.
    let (mut buffer, mut found, mut damaged) = (Vec::new(), 0, 0);
    for byte in &stream {
        buffer.push(*byte);
        let s = scan(&buffer, false);
        found += usize::from(s.frame.is_some());
        damaged += s.damaged;
        let consumed = s.consumed;
        buffer.drain(..consumed);
    }
    assert_eq!(found, 2);
    assert!(damaged >= 1);
    // The line goes silent: what is left was damaged. Then a good frame comes.
    let s = scan(&buffer, true);
    assert_eq!((s.frame, s.consumed), (None, buffer.len()));
    // A damaged length that would swallow the next frame: after the gap it is found inside.
    let mut lying = good.clone();
    lying[12] = 0xF0;
    let stream = [lying.as_slice(), &good].concat();
    assert_eq!(scan(&stream, false).frame, None);
    let s = scan(&stream, true);
    assert_eq!(
        (s.frame.map(|f| f.command), s.consumed),
        (Some(3), stream.len())
    );
    assert_eq!(Latin1(b"x\0y").to_string(), "x");
}
