//! Every frame of `tests/vectors/hart-frames.json` (public captures and constructed frames), read, and written where it is
//! a request that may be sent. Each frame is matched by name, so that none is left out.

use ingest_hart::answer::*;
use ingest_hart::frame::{check_byte, scan};
use ingest_hart::hartip::{self, Message, MessageId, MessageType};
use ingest_hart::{
    Address, CodeClass, Codes, Float, Frame, FrameError, FrameType, Latin1, Master, ReadCommand,
    Request, UniqueAddress, gate, status,
};
use serde_json::Value;

struct Vector {
    name: String,
    bytes: Vec<u8>,
    fields: Value,
    captured: bool,
}

fn unhex(s: &str) -> Vec<u8> {
    (0..s.len() / 2)
        .map(|i| u8::from_str_radix(&s[2 * i..2 * i + 2], 16).unwrap())
        .collect()
}

fn vectors() -> Vec<Vector> {
    let text = include_str!("../../../tests/vectors/hart-frames.json");
    let all: Vec<Value> = serde_json::from_str(text).unwrap();
    all.into_iter()
        .map(|v| Vector {
            name: v["name"].as_str().unwrap().to_owned(),
            bytes: unhex(v["hex"].as_str().unwrap()),
            captured: v["source"].as_str().unwrap().contains("capture file"),
            fields: v["fields"].clone(),
        })
        .collect()
}

fn get(name: &str) -> Vector {
    vectors()
        .into_iter()
        .find(|v| v.name == name)
        .unwrap_or_else(|| panic!("no vector {name}"))
}

impl Vector {
    /// Delimiter to check byte, of a serial frame or of the PDU in a message.
    fn pdu(&self) -> &[u8] {
        if self.fields["layer"] == "serial" {
            &self.bytes[self.bytes.iter().take_while(|b| **b == 0xFF).count()..]
        } else {
            Message::parse(&self.bytes).unwrap().0.body
        }
    }

    fn is_invalid(&self) -> bool {
        self.fields["note"]
            .as_str()
            .is_some_and(|n| n.starts_with("INVALID"))
    }

    fn is_token_passing(&self) -> bool {
        self.fields["layer"] == "serial"
            || Message::parse(&self.bytes)
                .is_ok_and(|(m, _)| m.id == MessageId::TokenPassing && m.body.len() > 1)
    }
}

fn answer(name: &str) -> Answer<'static> {
    let v: &'static Vector = Box::leak(Box::new(get(name)));
    let (f, _) = Frame::parse(v.pdu()).unwrap();
    Answer::decode(f.command, f.data()).unwrap()
}

fn value(f: Float) -> f32 {
    f.value().unwrap()
}

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
        gate::Refusal::Command { number: 75 }
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
fn universal_answers() {
    let Answer::Identity(i) = answer("serial_cmd0_response_short_rev7") else {
        panic!()
    };
    assert_eq!(
        (
            i.device_type,
            i.device_id,
            i.universal_revision,
            i.device_revision
        ),
        (0x6A31, 0x0B1C2D, 7, 2)
    );
    assert_eq!(
        (i.config_changes, i.extended_status, i.profile),
        (Some(17), Some(0), Some(1))
    );
    assert_eq!((i.manufacturer, i.private_label), (Some(250), Some(250)));
    assert_eq!(
        (i.hardware_revision, i.signalling, i.last_variable),
        (1, 0, Some(3))
    );
    assert_eq!(
        i.address().bytes(Master::Primary),
        [0xAA, 0x31, 0x0B, 0x1C, 0x2D]
    );
    let Answer::Identity(i) = answer("hip_tp_cmd0_response_short") else {
        panic!()
    };
    assert_eq!(i.config_changes, Some(17));
    let Answer::Identity(i) = answer("serial_cmd0_response_short_rev6_17bytes") else {
        panic!()
    };
    assert_eq!((i.extended_status, i.manufacturer), (Some(0), None));
    let Answer::Identity(i) = answer("serial_cmd0_response_short_rev5_12bytes") else {
        panic!()
    };
    assert_eq!(
        (i.device_type, i.universal_revision, i.config_changes),
        (0x2A31, 5, None)
    );
    let Answer::Identity(i) = answer("capture_cmd0_response") else {
        panic!()
    };
    assert_eq!(i.profile, Some(132));

    for name in [
        "serial_cmd3_response_long_4vars",
        "hip_tp_cmd3_response",
        "serial_burst_back_cmd3_long",
        "hip_publish_cmd3_burst",
    ] {
        let Answer::DynamicVariables(d) = answer(name) else {
            panic!()
        };
        assert_eq!(value(d.loop_ma), 12.0);
        let got = d.variables.map(|v| v.map(|m| (m.unit, value(m.value))));
        assert_eq!(
            got,
            [
                Some((7, 2.5)),
                Some((32, 21.25)),
                Some((39, 12.0)),
                Some((57, 50.0))
            ]
        );
    }
    for name in ["serial_cmd3_response_nan_pv", "hip_tp_cmd3_response_nan"] {
        let Answer::DynamicVariables(d) = answer(name) else {
            panic!()
        };
        assert_eq!(value(d.loop_ma), 22.0);
        let [pv, sv, tv, qv] = d.variables.map(Option::unwrap);
        assert_eq!(
            (pv.value, value(sv.value), tv.unit, qv.value),
            (Float::NOT_AVAILABLE, 21.25, 250, Float::NOT_AVAILABLE)
        );
        assert_eq!(pv.value.value(), None);
    }
    let Answer::DynamicVariables(d) = answer("serial_cmd3_response_2vars_truncated") else {
        panic!()
    };
    assert_eq!(
        (
            value(d.loop_ma),
            d.variables[1].map(|m| value(m.value)),
            d.variables[2]
        ),
        (4.0, Some(20.0), None)
    );
    let Answer::DynamicVariables(d) = answer("capture_cmd3_response_nan") else {
        panic!()
    };
    assert_eq!(
        (d.loop_ma.value(), d.variables[0].unwrap().unit),
        (None, 251)
    );

    let Answer::AdditionalStatus(a) = answer("serial_cmd48_response_rev7_25bytes") else {
        panic!()
    };
    assert_eq!(
        (
            a.0.len(),
            a.extended_status(7),
            a.standardized_0(7),
            a.standardized_1(7)
        ),
        (25, Some(0x11), Some(0x21), Some(0x08))
    );
    assert_eq!(a.extended_status(5), None);
    let Answer::AdditionalStatus(a) = answer("serial_cmd48_response_9bytes") else {
        panic!()
    };
    assert_eq!(
        (a.standardized_0(7), a.standardized_1(7)),
        (Some(0x21), None)
    );
    let Answer::AdditionalStatus(a) = answer("hip_tp_cmd48_response") else {
        panic!()
    };
    assert!(a.any_set());

    for name in [
        "serial_cmd9_response_4slots",
        "capture_cmd9_response_4slots",
    ] {
        let Answer::VariablesWithStatus(v) = answer(name) else {
            panic!()
        };
        assert_eq!(v.slots().count(), 4, "{name}");
    }
    let Answer::VariablesWithStatus(v) = answer("serial_cmd9_response_4slots") else {
        panic!()
    };
    let slots: Vec<_> = v.slots().collect();
    assert_eq!(
        (slots[1].code, slots[1].classification, slots[1].status),
        (1, 64, 0x50)
    );
    assert_eq!((value(slots[3].value), slots[2].code), (50.0, 246));
    assert_eq!(v.time.unwrap().to_string(), "09:30:00.250");
    let Answer::VariablesWithStatus(v) = answer("capture_publish_cmd9") else {
        panic!()
    };
    assert_eq!(
        (v.extended_status, v.time.unwrap().to_string()),
        (1, "23:49:45.334".to_owned())
    );

    let Answer::TagDescriptorDate(t) = answer("serial_cmd13_response") else {
        panic!()
    };
    assert_eq!(
        (t.tag.to_string(), t.descriptor.to_string()),
        ("PT-1001A".into(), "FEED PRESSURE 1".into())
    );
    assert_eq!(t.date.unwrap().to_string(), "2024-03-17");
    let Answer::LongTag(t) = answer("serial_cmd20_response_latin1") else {
        panic!()
    };
    assert_eq!(t.to_string(), "Feed pressure, unit 3 \u{b0}C");
    let Answer::OutputInformation(o) = answer("serial_cmd15_response_rev7") else {
        panic!()
    };
    assert_eq!(
        (
            value(o.urv),
            value(o.lrv),
            o.damping_s.map(value),
            o.range_unit
        ),
        (10.0, 0.0, Some(0.5), 7)
    );
    assert_eq!(
        (o.transfer, o.write_protect, o.channel_flags),
        (0, Some(0), Some(0))
    );
    let Answer::Transducer(t) = answer("serial_cmd14_response") else {
        panic!()
    };
    assert_eq!(
        (t.serial, value(t.upper_limit), value(t.lower_limit)),
        (0x012345, 25.0, -1.0)
    );
    let Answer::LoopConfiguration(l) = answer("serial_cmd7_response") else {
        panic!()
    };
    assert!(!l.is_parked());
    let Answer::Classifications(c) = answer("serial_cmd8_response") else {
        panic!()
    };
    assert_eq!(c.0, [Some(65), Some(64), Some(84), Some(0)]);
    let Answer::Message(m) = answer("serial_cmd12_response") else {
        panic!()
    };
    assert_eq!(m.to_string(), "CHECKED IN 2024");
    let Answer::Message(m) = answer("capture_cmd12_response") else {
        panic!()
    };
    assert_eq!(
        m.chars().collect::<String>(),
        "@ABCDEFGHIJKLMNO/ !-#$%&'()*+,-."
    );
    assert_eq!(
        answer("serial_cmd16_response"),
        Answer::FinalAssembly(70_001)
    );
}

#[test]
fn common_practice_answers() {
    let Answer::DeviceVariables(d) = answer("serial_cmd33_response_2slots") else {
        panic!()
    };
    let slots: Vec<_> = d
        .slots()
        .map(|(c, m)| (c, m.unit, value(m.value)))
        .collect();
    assert_eq!(slots, [(0, 7, 2.5), (1, 32, 21.25)]);
    let Answer::Assignments(a) = answer("serial_cmd50_response") else {
        panic!()
    };
    assert_eq!(a.0, [Some(0), Some(1), Some(2), Some(250)]);
    let Answer::VariableInformation(v) = answer("serial_cmd54_response") else {
        panic!()
    };
    assert_eq!(
        (v.serial, value(v.upper_limit), v.damping_s.map(value)),
        (0x012345, 25.0, Some(0.5))
    );
    assert_eq!(
        (
            v.classification,
            v.family,
            v.acquisition_period.and_then(|t| t.ms())
        ),
        (Some(65), Some(250), Some(100.0))
    );
    let Answer::DeviceStatistics(s) = answer("serial_cmd95_response") else {
        panic!()
    };
    assert_eq!((s.received, s.answered, s.bursts), (1200, 1198, Some(0)));
    let Answer::IoCapabilities(c) = answer("hip_tp_cmd74_response") else {
        panic!()
    };
    assert_eq!(
        (c.max_cards, c.max_channels, c.max_sub_devices, c.devices),
        (2, 16, 1, 5)
    );
    assert_eq!(
        (c.max_delayed, c.master_mode, c.retries),
        (Some(4), Some(1), Some(3))
    );
    let Answer::SubDeviceIdentity(s) = answer("hip_tp_cmd84_response") else {
        panic!()
    };
    assert_eq!(
        (s.index, s.card, s.channel, s.device_type, s.device_id),
        (1, 0, 3, 0x6A31, 0x0B1C2D)
    );
    assert_eq!(
        (s.long_tag.to_string(), s.universal_revision),
        ("PT-1001A feed pressure".into(), 7)
    );
    assert_eq!(
        (s.device_revision, s.profile, s.private_label),
        (Some(2), Some(1), Some(250))
    );
    let Answer::ChannelStatistics(s) = answer("hip_tp_cmd85_response") else {
        panic!()
    };
    assert_eq!(
        (s.sent, s.answered, s.other_sent, s.other_answered),
        (5000, 4980, Some(120), Some(118))
    );
    let Answer::SubDeviceStatistics(s) = answer("hip_tp_cmd86_response") else {
        panic!()
    };
    assert_eq!((s.index, s.sent, s.answered), (1, 5000, 4980));
    let Answer::ClientStatistics(s) = answer("hip_tp_cmd94_response") else {
        panic!()
    };
    assert_eq!(
        (s.from_hosts, s.to_hosts, s.forwarded, s.returned),
        (800, 800, Some(640), Some(631))
    );
    let Answer::Embedded(e) = answer("hip_tp_cmd77_response_wrapping_cmd3") else {
        panic!()
    };
    assert_eq!((e.card, e.channel, e.frame.command), (0, 3, 3));
    assert_eq!(
        e.frame.status().unwrap(),
        ingest_hart::Status {
            first: 0,
            second: 0
        }
    );
    assert_eq!(
        value(DynamicVariables::decode(e.frame.data()).unwrap().loop_ma),
        12.0
    );
}

#[test]
fn status_pairs() {
    let status = |name: &str| Frame::parse(get(name).pdu()).unwrap().0.status().unwrap();
    for name in [
        "serial_comm_error_response_parity",
        "hip_tp_comm_error_response",
        "capture_error_status_only",
    ] {
        assert_eq!(
            status(name).class(),
            CodeClass::CommunicationError,
            "{name}"
        );
        assert_eq!(status(name).device_status(), None);
    }
    let s = status("serial_comm_error_response_vertical_parity_framing");
    let bits: Vec<_> =
        status::names_of(s.first & 0x7F, &status::COMMUNICATION_ERROR_BITS).collect();
    assert_eq!(bits, ["framing error", "vertical parity error"]);
    assert_eq!(
        status("serial_cmd74_response_not_implemented").class(),
        CodeClass::NotImplemented
    );
    assert_eq!(status("serial_cmd3_response_busy").class(), CodeClass::Busy);
    assert_eq!(
        status("hip_tp_cmd75_response_delayed_initiated").class(),
        CodeClass::Delayed
    );
    let nan = status("serial_cmd3_response_nan_pv");
    assert_eq!(
        (nan.class(), nan.device_status()),
        (CodeClass::Warning, Some(0x90))
    );
    assert_eq!(
        status::response_text(3, nan.first),
        "warning: update failure or update in progress"
    );
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
