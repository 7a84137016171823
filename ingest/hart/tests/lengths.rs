//! Every answer at every length: older revisions send less, newer ones more. Shortest lengths: HCF_SPEC-127 and
//! HCF_SPEC-151 as the vectors and the handbook tables give them.

use ingest_hart::answer::{
    Answer, AnswerError, Assignments, ChannelStatistics, DeviceStatistics, DeviceVariables,
    SubDeviceStatistics, VariableInformation, VariablesWithStatus,
};

/// Command, the least that means something, the longest answer known.
const LENGTHS: [(u8, usize, usize); 21] = [
    (0, 12, 22),
    (1, 5, 5),
    (2, 4, 8),
    (3, 4, 24),
    (7, 2, 2),
    (8, 1, 4),
    (9, 1, 69),
    (13, 6, 21),
    (14, 12, 16),
    (15, 11, 18),
    (16, 3, 3),
    (33, 6, 24),
    (48, 1, 25),
    (50, 1, 4),
    (54, 13, 28),
    (74, 5, 8),
    (84, 12, 48),
    (85, 6, 12),
    (86, 6, 8),
    (94, 4, 8),
    (95, 4, 6),
];

/// Bytes that differ from each other; 0xFE in front for command 0.
fn data(len: usize) -> Vec<u8> {
    let mut d: Vec<u8> = (0..len).map(|i| i as u8 + 1).collect();
    if let Some(first) = d.first_mut() {
        *first = 0xFE;
    }
    d
}

#[test]
fn every_length_of_every_answer() {
    for (command, least, longest) in LENGTHS {
        for len in 0..=255 {
            let d = data(len);
            match Answer::decode(command, &d) {
                Ok(_) => assert!(len >= least, "command {command} with {len} bytes"),
                Err(AnswerError::Short { have, need, .. }) => {
                    assert!(
                        len < least && have == len && need > len,
                        "command {command} with {len} bytes"
                    );
                }
                Err(e) => panic!("command {command} with {len} bytes: {e}"),
            }
        }
        // What comes after the longest answer known changes nothing.
        let (whole, longer) = (data(longest), data(longest + 9));
        match command {
            // These borrow their data; their fields are compared below.
            9 | 33 | 48 | 84 => {}
            _ => assert_eq!(
                Answer::decode(command, &whole),
                Answer::decode(command, &longer),
                "command {command}"
            ),
        }
    }
}

#[test]
fn statistics_by_length() {
    let d = [1, 3, 0x03, 0xE8, 0x03, 0xDE, 0, 7, 0, 6, 0, 5];
    let long = ChannelStatistics::decode(&d).unwrap();
    assert_eq!(
        (long.card, long.channel, long.sent, long.answered),
        (1, 3, 1000, 990)
    );
    assert_eq!(
        (long.other_sent, long.other_answered, long.bursts),
        (Some(7), Some(6), Some(5))
    );
    let short = ChannelStatistics::decode(&d[..9]).unwrap();
    assert_eq!(
        (short.other_sent, short.other_answered, short.bursts),
        (Some(7), None, None)
    );
    assert_eq!(SubDeviceStatistics::decode(&d[..6]).unwrap().bursts, None);
    let own = DeviceStatistics::decode(&d[2..8]).unwrap();
    assert_eq!(
        (own.received, own.answered, own.bursts),
        (1000, 990, Some(7))
    );
    assert_eq!(DeviceStatistics::decode(&d[2..7]).unwrap().bursts, None);
}

#[test]
fn variables_by_length() {
    // 33: whole slots count, a part of one does not.
    let slot = |code: u8, value: f32| [&[code, 7], &value.to_be_bytes()[..]].concat();
    let four: Vec<u8> = (0..4).flat_map(|n| slot(n, f32::from(n))).collect();
    for (len, slots) in [(6, 1), (11, 1), (12, 2), (23, 3), (24, 4)] {
        let v = DeviceVariables::decode(&four[..len]).unwrap();
        assert_eq!(v.slots().count(), slots, "{len}");
    }
    let more = [&four[..], &slot(4, 4.0)].concat();
    let v = DeviceVariables::decode(&more).unwrap();
    assert_eq!(v.slots().map(|(c, _)| c).collect::<Vec<_>>(), [0, 1, 2, 3]);
    // 50.
    assert_eq!(
        Assignments::decode(&[0, 1]).unwrap().0,
        [Some(0), Some(1), None, None]
    );
    // 54: 21 bytes before classification came, 28 in revision 7.
    let mut d = vec![0, 0, 0, 9, 7];
    for x in [20.0f32, -20.0, 0.5, 1.0] {
        d.extend(x.to_be_bytes());
    }
    d.extend([65, 5, 0, 0, 0x0C, 0x80, 0x81]);
    assert_eq!(d.len(), 28);
    let v = VariableInformation::decode(&d).unwrap();
    assert_eq!(
        (v.classification, v.family, v.properties),
        (Some(65), Some(5), Some(0x81))
    );
    assert_eq!(v.acquisition_period.map(|t| t.0), Some(3_200));
    let v = VariableInformation::decode(&d[..21]).unwrap();
    assert_eq!(
        (v.min_span.map(|f| f.value()), v.classification),
        (Some(Some(1.0)), None)
    );
    let v = VariableInformation::decode(&d[..13]).unwrap();
    assert_eq!((v.damping_s, v.min_span), (None, None));
    // 9: slots of eight bytes, then the time of the first one in revision 7.
    for slots in 0..=8usize {
        let revision_6 = data(1 + 8 * slots);
        let v = VariablesWithStatus::decode(&revision_6).unwrap();
        assert_eq!((v.slots().count(), v.time), (slots, None));
        let revision_7 = data(1 + 8 * slots + 4);
        let v = VariablesWithStatus::decode(&revision_7).unwrap();
        assert_eq!((v.slots().count(), v.time.is_some()), (slots, true));
    }
}
