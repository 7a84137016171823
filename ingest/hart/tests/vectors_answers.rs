//! What the answers among the frames of `tests/vectors/hart-frames.json` say, field by field.

#[allow(dead_code, reason = "shared with the other tests")]
mod common;

use common::vectors::{answer, get, value};
use ingest_hart::answer::*;
use ingest_hart::{CodeClass, Float, Frame, Master, status};

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
