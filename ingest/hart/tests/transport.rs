//! What real networks do to a session: split and joined messages, damage, lies about lengths, lost and doubled datagrams.
//! Message and frame layouts: HCF_SPEC-85 and HCF_SPEC-81, and the frames of `tests/vectors/hart-frames.json`.

#[allow(dead_code, reason = "shared with the session's other tests")]
mod common;

use common::{Bench, answer_frame, message, request};
use ingest_hart::Master;
use ingest_hart::frame::check_byte;
use ingest_hart::hartip::{HartIpError, MAX_MESSAGE_LEN, MessageId};
use ingest_hart::session::{Action, Event, Failure, MasterChoice, Transport, Trouble};

fn burst() -> Vec<u8> {
    let mut f = answer_frame(7, 0x2D);
    f[0] = 0x81;
    let n = f.len() - 1;
    f[n] = check_byte(&f[..n]);
    f
}

fn answers(actions: &[Action]) -> Vec<u64> {
    let tokens = actions.iter().filter_map(|a| match a {
        Action::Answer { token, .. } => Some(*token),
        _ => None,
    });
    tokens.collect()
}

fn stream_troubles(actions: &[Action]) -> usize {
    actions
        .iter()
        .filter(|a| matches!(a, Action::Trouble(Trouble::Stream(_))))
        .count()
}

/// Two answers, a burst message and the answer to nobody, in one stream.
fn four_messages(s1: u16, s2: u16) -> Vec<u8> {
    let f = answer_frame(7, 0x2D);
    [
        message(1, 3, 0, s2, &f),
        message(2, 3, 0, 77, &burst()),
        message(1, 2, 0, 0x4000, &[]),
        message(1, 3, 0, s1, &f),
    ]
    .concat()
}

#[test]
fn a_stream_may_be_split_at_every_byte() {
    let whole = {
        let mut b = Bench::open(60_000);
        let (s1, s2) = (b.submit(1), b.submit(2));
        b.on(Event::Received(&four_messages(s1, s2)))
    };
    assert_eq!(answers(&whole), [2, 1]);
    assert_eq!(whole.len(), 3, "{whole:?}");
    for first in 1..four_messages(1, 2).len() {
        for second in [first, first + 1, first + 9] {
            let mut b = Bench::open(60_000);
            let (s1, s2) = (b.submit(1), b.submit(2));
            let bytes = four_messages(s1, s2);
            let second = second.min(bytes.len());
            let mut got = b.on(Event::Received(&bytes[..first]));
            got.extend(b.on(Event::Received(&bytes[first..second])));
            got.extend(b.on(Event::Received(&bytes[second..])));
            assert_eq!(got, whole, "cut at {first} and {second}");
        }
    }
}

#[test]
fn the_first_answer_too_may_come_in_pieces() {
    let grant = message(1, 0, 0, 1, &[1, 0, 0, 0x75, 0x30]);
    for at in 1..grant.len() {
        let mut b = Bench::new(MasterChoice::Primary);
        b.on(Event::Start);
        b.on(Event::Connected);
        assert_eq!(b.on(Event::Received(&grant[..at])), []);
        let opened = b.on(Event::Received(&grant[at..]));
        assert!(matches!(opened[..], [Action::Opened { .. }]), "{at}");
    }
}

#[test]
fn after_any_damaged_byte_the_next_message_is_found() {
    let len = message(1, 3, 0, 0, &answer_frame(7, 0x2D)).len();
    for at in 0..len {
        for flip in [0x01u8, 0x10, 0x80, 0xFF] {
            let mut b = Bench::open(60_000);
            let (s1, s2) = (b.submit(1), b.submit(2));
            let mut first = message(1, 3, 0, s1, &answer_frame(7, 0x2D));
            first[at] ^= flip;
            let second = message(1, 3, 0, s2, &answer_frame(7, 0x2D));
            let mut got = b.on(Event::Received(&[first, second].concat()));
            // A byte count that promises more than ever comes is found out when the request times out, not before.
            let late = b.at(2_000, Event::Tick);
            let waited = !answers(&got).contains(&2);
            got.extend(late);
            assert!(
                !got.contains(&Action::Disconnect),
                "byte {at} flipped by {flip:02x}: {got:?}"
            );
            if waited {
                assert!(
                    (6..=7).contains(&at),
                    "byte {at} flipped by {flip:02x}: {got:?}"
                );
            }
            // No byte of the status in the header is covered by a check; elsewhere damage is never an answer.
            let passed = answers(&got).contains(&1);
            assert!(
                !passed || matches!(at, 0 | 1 | 3 | 6 | 7),
                "byte {at} flipped by {flip:02x} passed: {got:?}"
            );
            // The session goes on.
            b.now = 10_000;
            let s3 = b.submit(3);
            let good = message(1, 3, 0, s3, &answer_frame(7, 0x2D));
            assert!(
                answers(&b.on(Event::Received(&good))).contains(&3),
                "byte {at}"
            );
        }
    }
}

#[test]
fn a_count_set_too_high_swallows_nothing_for_good() {
    // The first message claims 40 bytes more than it has; three whole messages are in them.
    let mut b = Bench::open(60_000);
    let (s1, s2, s3) = (b.submit(1), b.submit(2), b.submit(3));
    let f = answer_frame(7, 0x2D);
    let mut first = message(1, 3, 0, s1, &f);
    first[7] += 42;
    let rest = [message(1, 3, 0, s2, &f), message(1, 3, 0, s3, &f)].concat();
    let got = b.on(Event::Received(&[first, rest].concat()));
    // 42 bytes are exactly two messages of 21: the frame inside says where the first one ends.
    assert_eq!(answers(&got), [1, 2, 3]);
}

#[test]
fn a_count_set_too_low_costs_one_message() {
    let mut b = Bench::open(60_000);
    let (s1, s2) = (b.submit(1), b.submit(2));
    let f = answer_frame(7, 0x2D);
    let mut first = message(1, 3, 0, s1, &f);
    first[7] -= 5;
    let got = b.on(Event::Received(&[first, message(1, 3, 0, s2, &f)].concat()));
    assert_eq!(answers(&got), [2]);
    assert!(got.contains(&Action::Failed {
        token: 1,
        why: Failure::BadFrame
    }));
}

#[test]
fn a_message_that_never_ends_is_given_up_in_time() {
    let mut b = Bench::open(60_000);
    let s1 = b.submit(1);
    let f = answer_frame(7, 0x2D);
    // The longest length there is, and then little.
    let mut lie = message(1, 3, 0, s1, &f);
    [lie[6], lie[7]] = (MAX_MESSAGE_LEN as u16).to_be_bytes();
    assert_eq!(b.on(Event::Received(&lie)), []);
    assert!(b.session.next_wake_ms().unwrap() <= 2_000);
    let got = b.at(2_000, Event::Tick);
    assert_eq!(stream_troubles(&got), 1, "{got:?}");
    let s2 = b.submit(2);
    let good = message(1, 3, 0, s2, &f);
    assert_eq!(answers(&b.on(Event::Received(&good))), [2]);
}

#[test]
fn noise_is_skipped_for_a_while_and_then_the_connection_is_made_anew() {
    // A little noise before an answer.
    let mut b = Bench::open(60_000);
    let s = b.submit(1);
    let good = message(1, 3, 0, s, &answer_frame(7, 0x2D));
    let got = b.on(Event::Received(
        &[b"HTTP/1.1 400 Bad Request\r\n", &good[..]].concat(),
    ));
    assert_eq!((answers(&got), stream_troubles(&got)), (vec![1], 1));
    // A length that cannot be.
    for bytes in [[1, 1, 3, 0, 0, 1, 0, 7], [1, 1, 3, 0, 0, 1, 0xFF, 0xFF]] {
        let mut b = Bench::open(60_000);
        let s = b.submit(1);
        let good = message(1, 3, 0, s, &answer_frame(7, 0x2D));
        let got = b.on(Event::Received(&[&bytes[..], &good].concat()));
        assert_eq!(answers(&got), [1]);
    }
    // Nothing but noise: bounded by bytes.
    let mut b = Bench::open(60_000);
    let (mut sent, mut got) = (0, Vec::new());
    while !got.contains(&Action::Disconnect) {
        got.extend(b.on(Event::Received(&[0x55; 100])));
        sent += 100;
        assert!(sent <= 2 * MAX_MESSAGE_LEN + 200);
    }
    assert!(got.contains(&Action::Trouble(Trouble::OutOfStep)));
    // Nothing is read from a connection that is given up.
    assert_eq!(b.on(Event::Received(&[0x55; 100])), []);
    // Noise between good messages: bounded by times.
    let mut b = Bench::open(60_000);
    let mut times = 0;
    loop {
        times += 1;
        let s = b.submit(times);
        let good = message(1, 3, 0, s, &answer_frame(7, 0x2D));
        let got = b.on(Event::Received(&[&[0u8; 3], &good[..]].concat()));
        if got.contains(&Action::Disconnect) {
            break;
        }
        assert_eq!(answers(&got), [times]);
        assert!(times < 20);
    }
    assert_eq!(times, 9);
}

#[test]
fn another_protocol_is_left_at_once() {
    let mut b = Bench::new(MasterChoice::Auto);
    b.on(Event::Start);
    b.on(Event::Connected);
    let got = b.on(Event::Received(b"HTTP/1.1 400"));
    let error = HartIpError::Version { version: b'H' };
    assert_eq!(
        got,
        [Action::Trouble(Trouble::Stream(error)), Action::Disconnect]
    );
}

#[test]
fn versions_and_timers_that_a_server_grants() {
    let start = |version: u8, status: u8, timer_ms: u32| {
        let mut b = Bench::new(MasterChoice::Primary);
        b.on(Event::Start);
        b.on(Event::Connected);
        let body = [&[1], &timer_ms.to_be_bytes()[..]].concat();
        let mut m = message(1, 0, status, 1, &body);
        m[0] = version;
        let a = b.on(Event::Received(&m));
        (b, a)
    };
    // 14: the server answers with its own version.
    let (_, a) = start(1, 14, 60_000);
    assert!(matches!(a[..], [Action::Opened { .. }]));
    let (_, a) = start(2, 14, 60_000);
    assert_eq!(
        a,
        [
            Action::Trouble(Trouble::OtherVersion { version: 2 }),
            Action::Disconnect
        ]
    );
    // 9: security not initialised.
    let (_, a) = start(1, 9, 60_000);
    assert!(a.contains(&Action::Trouble(Trouble::Refused { status: 9 })));
    // Timers from nothing to for ever: a keep-alive at four fifths, at least once a minute, never in a hurry.
    for (timer_ms, keep_alive_ms) in [
        (0, 60_000),
        (1, 100),
        (1_000, 800),
        (30_000, 24_000),
        (u32::MAX, 60_000),
    ] {
        let (mut b, _) = start(1, 8, timer_ms);
        assert_eq!(b.session.next_wake_ms(), Some(keep_alive_ms), "{timer_ms}");
        let sent = Bench::sent(&b.at(keep_alive_ms, Event::Tick));
        assert_eq!(sent[0].0, MessageId::KeepAlive);
    }
}

#[test]
fn a_late_answer_to_the_first_offer_opens_the_session() {
    let mut b = Bench::new(MasterChoice::Auto);
    b.on(Event::Start);
    let first = Bench::sent(&b.on(Event::Connected))[0].1;
    b.at(2_000, Event::Tick);
    let a = b.on(Event::Received(&message(
        1,
        0,
        0,
        first,
        &[0, 0, 0, 0x75, 0x30],
    )));
    assert!(matches!(
        a[..],
        [Action::Opened {
            master: Master::Secondary,
            ..
        }]
    ));
}

#[test]
fn nobody_picks_up() {
    // No answer to the attempt to connect, not even a refusal.
    let mut b = Bench::new(MasterChoice::Auto);
    assert_eq!(b.on(Event::Start), [Action::Connect]);
    assert_eq!(b.at(4_999, Event::Tick), []);
    assert_eq!(
        b.at(5_000, Event::Tick),
        [Action::Trouble(Trouble::ConnectFailed), Action::Disconnect]
    );
    assert_eq!(b.on(Event::Lost { jitter: 0.5 }), []);
    assert_eq!(b.session.next_wake_ms(), Some(6_000));
    // A server that hangs up at once, as some do when all sessions are in use: the wait doubles all the same.
    assert_eq!(b.at(6_000, Event::Tick), [Action::Connect]);
    b.on(Event::Connected);
    b.on(Event::Lost { jitter: 0.5 });
    assert_eq!(b.session.next_wake_ms(), Some(8_000));
}

#[test]
fn a_session_whose_grant_was_lost_is_given_back() {
    // UDP: the server granted, the answer was lost, and the repeat hears that this client has a session.
    let mut b = Bench::over(Transport::Udp, MasterChoice::Primary);
    b.on(Event::Start);
    b.on(Event::Connected);
    let again = Bench::sent(&b.at(2_000, Event::Tick));
    let a = b.on(Event::Received(&message(1, 0, 16, again[0].1, &[])));
    assert!(a.contains(&Action::Trouble(Trouble::Refused { status: 16 })));
    assert_eq!(Bench::sent(&a)[0].0, MessageId::Close);
    assert!(a.contains(&Action::Disconnect));
}

#[test]
fn jitter_spreads_the_back_off_and_nothing_else_does() {
    for (jitter, wait) in [
        (0.0, 750),
        (0.5, 1_000),
        (1.0, 1_250),
        (f64::NAN, 1_000),
        (7.0, 1_250),
    ] {
        let mut b = Bench::new(MasterChoice::Primary);
        b.on(Event::Start);
        b.on(Event::Lost { jitter });
        assert_eq!(b.session.next_wake_ms(), Some(wait));
    }
}

#[test]
fn udp_session_messages_are_repeated() {
    let mut b = Bench::over(Transport::Udp, MasterChoice::Auto);
    b.on(Event::Start);
    let mut roles = vec![Bench::sent(&b.on(Event::Connected))[0].2[0]];
    for n in 1..6 {
        let sent = Bench::sent(&b.at(n * 2_000, Event::Tick));
        roles.push(sent[0].2[0]);
    }
    // Three tries as secondary master, three as primary.
    assert_eq!(roles, [0, 0, 0, 1, 1, 1]);
    let a = b.at(12_000, Event::Tick);
    // Left with a close: an answer that was lost may have opened a session.
    assert_eq!(Bench::sent(&a)[0].0, MessageId::Close);
    assert!(a.contains(&Action::Disconnect));

    // A lost keep-alive is no lost session.
    let mut b = Bench::open_over(Transport::Udp, 30_000);
    let first = Bench::sent(&b.at(24_000, Event::Tick));
    let second = Bench::sent(&b.at(26_000, Event::Tick));
    assert_eq!(
        (first[0].0, second[0].0),
        (MessageId::KeepAlive, MessageId::KeepAlive)
    );
    b.on(Event::Received(&message(1, 2, 0, first[0].1, &[])));
    assert_eq!(b.at(28_000, Event::Tick), []);
    assert_eq!(b.session.next_wake_ms(), Some(50_000));
    // Three lost ones are.
    for at in [50_000, 52_000, 54_000] {
        assert_eq!(Bench::sent(&b.at(at, Event::Tick)).len(), 1);
    }
    assert!(b.at(56_000, Event::Tick).contains(&Action::Disconnect));
}

#[test]
fn udp_datagrams_lost_doubled_overtaken_and_damaged() {
    let mut b = Bench::open_over(Transport::Udp, 60_000);
    let f = answer_frame(7, 0x2D);
    let (s1, s2, s3) = (b.submit(1), b.submit(2), b.submit(3));
    // Overtaken: the third first. Two messages in one datagram. Doubled: the second copy is for nobody.
    let third = message(1, 3, 0, s3, &f);
    let first_two = [message(1, 3, 0, s1, &f), message(1, 3, 0, s2, &f)].concat();
    assert_eq!(answers(&b.on(Event::Received(&third))), [3]);
    assert_eq!(answers(&b.on(Event::Received(&first_two))), [1, 2]);
    assert_eq!(
        b.on(Event::Received(&third)),
        [Action::Trouble(Trouble::LateAnswer)]
    );
    // Lost: the time-out, and the repeat has another number; then the first answer comes after all.
    let s4 = b.submit(4);
    assert!(b.at(2_000, Event::Tick).contains(&Action::Failed {
        token: 4,
        why: Failure::Timeout
    }));
    let s5 = b.submit(4);
    assert_ne!(s4, s5);
    assert_eq!(
        b.on(Event::Received(&message(1, 3, 0, s4, &f))),
        [Action::Trouble(Trouble::LateAnswer)]
    );
    assert_eq!(
        answers(&b.on(Event::Received(&message(1, 3, 0, s5, &f)))),
        [4]
    );
    // Cut off, too short, empty, noise: each costs itself, and the next datagram is read from its start.
    let s6 = b.submit(6);
    let sixth = message(1, 3, 0, s6, &f);
    for bad in [&sixth[..sixth.len() - 1], &sixth[..5], &[], &[0xFF; 2_000]] {
        let got = b.on(Event::Received(bad));
        assert!(
            got.len() <= 1 && !got.contains(&Action::Disconnect),
            "{got:?}"
        );
    }
    assert_eq!(answers(&b.on(Event::Received(&sixth))), [6]);
    // A burst message that came twice is one; the same again later is another.
    let p = message(2, 3, 0, 9, &burst());
    assert!(matches!(
        b.on(Event::Received(&p))[..],
        [Action::Publish(_)]
    ));
    assert_eq!(b.on(Event::Received(&p)), []);
    assert!(matches!(
        b.at(b.now + 500, Event::Received(&p))[..],
        [Action::Publish(_)]
    ));
}

#[test]
fn udp_stop_closes_and_submit_needs_a_session() {
    let mut b = Bench::open_over(Transport::Udp, 60_000);
    let sent = Bench::sent(&b.on(Event::Stop));
    assert_eq!(sent[0].0, MessageId::Close);
    // The answer to the close was lost.
    assert_eq!(b.at(2_000, Event::Tick), [Action::Disconnect]);
    assert_eq!(b.on(Event::Lost { jitter: 0.5 }), [Action::Closed]);
    let a = b.on(Event::Submit {
        token: 1,
        request: request(),
    });
    assert_eq!(
        a,
        [Action::Failed {
            token: 1,
            why: Failure::NotOpen
        }]
    );
}
