//! The answers byte by byte, by hand and as the collector's decoders read them.

use super::*;
use ingest_hart::answer::{
    AdditionalStatus, Assignments, CurrentAndPercent, DynamicVariables, Identity,
    LoopConfiguration, OutputInformation, SubDeviceIdentity, TagDescriptorDate, Transducer,
    VariableInformation, VariablesWithStatus,
};

fn card(universal_revision: u8) -> DeviceCard {
    DeviceCard {
        tag: "PT-1001A".to_owned(),
        gateway: 0,
        modem: 1,
        channel: 3,
        device_type: 0x6A31,
        device_id: 0x0B_1C2D,
        device_revision: 2,
        universal_revision,
        pv_unit_code: 7,
        sv_unit_code: 32,
        lrv: 0.0,
        urv: 5.0,
        transfer_code: 0,
        damping_s: 0.5,
        multidrop: false,
    }
}

fn state() -> DeviceState {
    DeviceState {
        pv: 2.5,
        sv: 21.25,
        loop_ma: 12.0,
        device_status: 0,
        extended_status: 1,
        config_counter: 17,
        answers: true,
        exchange_fails: false,
    }
}

fn ask(rev: u8, command: u8, data: &[u8]) -> Body {
    device(&card(rev), 0, &state(), command, data, UtcMicros(1_000_000))
}

#[test]
fn bytes_by_hand() {
    // PV 2.5 bar, SV 21.25 degC, 12 mA; this family has 12 mA and 50 % as third and fourth variable.
    assert_eq!(
        ask(7, 3, &[]).data,
        [
            0x41, 0x40, 0, 0, 7, 0x40, 0x20, 0, 0, 32, 0x41, 0xAA, 0, 0, 39, 0x41, 0x40, 0, 0, 57,
            0x42, 0x48, 0, 0
        ]
    );
    assert_eq!(ask(6, 3, &[]).data, ask(7, 3, &[]).data);
    // 9, 14, 19 or 24 bytes by number of variables (HCF_SPEC-127), whatever the revision.
    let length = |device_type, sv_unit_code| {
        let card = DeviceCard {
            device_type,
            sv_unit_code,
            ..card(7)
        };
        device(&card, 0, &state(), 3, &[], UtcMicros(0)).data.len()
    };
    assert_eq!(
        [(0x6A31, 250), (0x6A32, 32), (0x6A33, 32), (0x6A31, 32)].map(|(t, sv)| length(t, sv)),
        [9, 14, 19, 24]
    );
    // Variable 2 is the terminal voltage: 24 V less 350 ohm times 12 mA.
    assert_eq!(ask(7, 33, &[2]).data, [2, 58, 0x41, 0x9E, 0x66, 0x66]);
    assert_eq!(ask(6, 33, &[2]).data, [2, 250, 0x7F, 0xA0, 0, 0]);
    assert_eq!(
        ask(7, 0, &[]).data,
        [
            254, 0x6A, 0x31, 5, 7, 2, 1, 8, 0, 0x0B, 0x1C, 0x2D, 5, 2, 0, 17, 1, 0, 250, 0, 250, 1
        ]
    );
    // Six-bit codes of PT-1001A, four in three bytes.
    assert_eq!(packed("pt-1001a", 8), [0x41, 0x4B, 0x71, 0xC3, 0x0C, 0x41]);
    let mut s = state();
    s.pv = f32::NAN;
    let body = device(&card(7), 0, &s, 1, &[], UtcMicros(0));
    assert_eq!(body.code, 8);
    assert_eq!(body.data, [7, 0x7F, 0xA0, 0, 0]);
}

#[test]
fn lengths_follow_the_universal_revision() {
    let lengths = |command| [5, 6, 7].map(|rev| ask(rev, command, &[]).data.len());
    assert_eq!(lengths(0), [12, 17, 22]);
    assert_eq!(lengths(15), [17, 18, 18]);
    assert_eq!(lengths(48), [6, 9, 25]);
    assert_eq!(lengths(20), [0, 32, 32]);
    assert_eq!(ask(5, 20, &[]).code, 64);
    assert_eq!(ask(5, 9, &[246]).code, 64);
    assert_eq!(ask(6, 9, &[246, 247]).data.len(), 17);
    assert_eq!(ask(7, 9, &[246, 247]).data.len(), 21);
    assert_eq!(ask(6, 9, &[0; 5]).code, 30);
    assert_eq!(ask(7, 200, &[]).code, 64);
}

#[test]
fn every_write_is_refused() {
    for command in [6, 17, 22, 34, 35, 38, 40, 42, 45, 46, 66, 71, 79, 108] {
        assert_eq!(ask(7, command, &[0; 4]), Body::error(7), "{command}");
    }
    assert_eq!(ask(7, 48, &[1]), Body::error(7));
    assert_eq!(ask(7, 31, &[2, 14]), Body::error(7));
    for read in [
        0, 1, 2, 3, 7, 8, 9, 11, 12, 13, 14, 15, 16, 20, 21, 33, 50, 54, 57, 74, 75, 84, 85, 86,
        94, 95,
    ] {
        assert!(!is_write(read, &[]), "{read}");
    }
}

#[test]
fn the_other_side_reads_the_same() {
    let i = ask(6, 0, &[]);
    let i = Identity::decode(&i.data).unwrap();
    assert_eq!((i.device_type, i.device_id), (0x6A31, 0x0B_1C2D));
    assert_eq!((i.config_changes, i.extended_status), (Some(17), Some(1)));

    let b = ask(7, 2, &[]);
    let b = CurrentAndPercent::decode(&b.data).unwrap();
    assert_eq!(
        format!("{b:?}"),
        format!(
            "{:?}",
            CurrentAndPercent::decode(&[0x41, 0x40, 0, 0, 0x42, 0x48, 0, 0]).unwrap()
        )
    );

    let b = ask(7, 3, &[]);
    assert!(DynamicVariables::decode(&b.data).is_ok());
    let b = ask(7, 7, &[]);
    assert!(!LoopConfiguration::decode(&b.data).unwrap().is_parked());
    let b = ask(7, 9, &[246, 99]);
    let v = VariablesWithStatus::decode(&b.data).unwrap();
    assert_eq!(v.slots().count(), 2);
    let b = ask(7, 13, &[]);
    let t = TagDescriptorDate::decode(&b.data).unwrap();
    assert_eq!(t.tag.chars().collect::<String>().trim_end(), "PT-1001A");
    let b = ask(7, 14, &[]);
    let t = Transducer::decode(&b.data).unwrap();
    assert_eq!(
        (t.upper_limit.value(), t.lower_limit.value()),
        (Some(10.0), Some(-5.0))
    );
    let b = ask(7, 15, &[]);
    let o = OutputInformation::decode(&b.data).unwrap();
    assert_eq!((o.urv.value(), o.lrv.value()), (Some(5.0), Some(0.0)));
    let b = ask(7, 48, &[]);
    assert_eq!(AdditionalStatus(&b.data).extended_status(7), Some(1));
    let b = ask(7, 50, &[]);
    assert_eq!(
        Assignments::decode(&b.data).unwrap().0,
        [Some(0), Some(1), Some(245), Some(244)]
    );
    let b = ask(7, 54, &[0]);
    let v = VariableInformation::decode(&b.data).unwrap();
    assert_eq!(
        (v.unit, v.classification, v.properties),
        (7, Some(65), Some(1))
    );

    let b = list_entry(2, &card(5));
    let s = SubDeviceIdentity::decode(&b.data).unwrap();
    assert_eq!(b.data.len(), 48);
    assert_eq!((s.index, s.card, s.channel), (2, 1, 3));
    assert_eq!(s.universal_revision, 5);
}
