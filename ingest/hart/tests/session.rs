//! The session state machine against a scripted server and a clock that the test turns.

#[allow(dead_code, reason = "shared with the other tests")]
mod common;

use common::{Bench, answer_frame, message, request};
use ingest_hart::Master;
use ingest_hart::frame::check_byte;
use ingest_hart::hartip::MessageId;
use ingest_hart::session::{Action, Event, Failure, MasterChoice, Trouble};

#[test]
fn auto_offers_secondary_then_primary_on_silence_and_on_status_2() {
    let mut b = Bench::new(MasterChoice::Auto);
    b.on(Event::Start);
    let first = Bench::sent(&b.on(Event::Connected));
    assert_eq!((first[0].0, first[0].2[0]), (MessageId::Initiate, 0));
    let a = b.at(2_000, Event::Tick);
    let second = Bench::sent(&a);
    assert_eq!(second[0].2[0], 1);
    // Silence again: drop, back off.
    let a = b.at(4_000, Event::Tick);
    let silent = Trouble::SilentInitiate {
        master: Master::Primary,
    };
    assert_eq!(a, [Action::Trouble(silent), Action::Disconnect]);

    let mut b = Bench::new(MasterChoice::Auto);
    b.on(Event::Start);
    let first = Bench::sent(&b.on(Event::Connected));
    let a = b.on(Event::Received(&message(
        1,
        0,
        2,
        first[0].1,
        &[0, 0, 0, 0x75, 0x30],
    )));
    let second = Bench::sent(&a);
    assert_eq!(second[0].2[0], 1);
    let a = b.on(Event::Received(&message(
        1,
        0,
        0,
        second[0].1,
        &[1, 0, 0, 0x75, 0x30],
    )));
    assert_eq!(
        a,
        [Action::Opened {
            master: Master::Primary,
            inactivity_ms: 30_000
        }]
    );
    assert_eq!(b.session.master(), Some(Master::Primary));
}

#[test]
fn refused_sessions_back_off_from_1_s_doubling_to_30_s() {
    let mut b = Bench::new(MasterChoice::Primary);
    b.on(Event::Start);
    let mut waits = Vec::new();
    for n in 0..8 {
        let sent = Bench::sent(&b.on(Event::Connected));
        let status = if n % 2 == 0 { 15 } else { 16 };
        let a = b.on(Event::Received(&message(1, 0, status, sent[0].1, &[])));
        assert_eq!(
            a,
            [
                Action::Trouble(Trouble::Refused { status }),
                Action::Disconnect
            ]
        );
        b.on(Event::Lost { jitter: 0.5 });
        let wake = b.session.next_wake_ms().unwrap();
        waits.push(wake - b.now);
        assert_eq!(b.at(wake - 1, Event::Tick), []);
        assert_eq!(b.at(wake, Event::Tick), [Action::Connect]);
    }
    assert_eq!(
        waits,
        [1_000, 2_000, 4_000, 8_000, 16_000, 30_000, 30_000, 30_000]
    );
}

#[test]
fn answers_go_to_their_request_in_any_order() {
    let mut b = Bench::open(60_000);
    let (s1, s2) = (b.submit(1), b.submit(2));
    assert_ne!(s1, s2);
    let f = answer_frame(7, 0x2D);
    // Both answers in one segment, the second request's first, with a burst message between.
    let burst = {
        let mut f = f.clone();
        f[0] = 0x81;
        let n = f.len() - 1;
        f[n] = check_byte(&f[..n]);
        f
    };
    let stream = [
        message(1, 3, 0, s2, &f),
        message(2, 3, 0, s1, &burst),
        message(1, 3, 0, s1, &f),
    ]
    .concat();
    let a = b.on(Event::Received(&stream));
    assert_eq!(
        a,
        [
            Action::Answer {
                token: 2,
                frame: f.clone()
            },
            Action::Publish(burst),
            Action::Answer {
                token: 1,
                frame: f.clone()
            }
        ]
    );
    // Split into single bytes.
    let s3 = b.submit(3);
    let mut all = Vec::new();
    for byte in message(1, 3, 0, s3, &f) {
        all.extend(b.on(Event::Received(&[byte])));
    }
    assert_eq!(all, [Action::Answer { token: 3, frame: f }]);
}

#[test]
fn late_answers_are_given_to_nobody() {
    let mut b = Bench::open(60_000);
    let s1 = b.submit(1);
    let a = b.at(2_000, Event::Tick);
    assert_eq!(
        a,
        [
            Action::Trouble(Trouble::Timeout),
            Action::Failed {
                token: 1,
                why: Failure::Timeout
            }
        ]
    );
    // The same request again, with a new number; then the answer to the first one comes.
    let s2 = b.submit(2);
    assert_ne!(s1, s2);
    let late = message(1, 3, 0, s1, &answer_frame(7, 0x2D));
    assert_eq!(
        b.on(Event::Received(&late)),
        [Action::Trouble(Trouble::LateAnswer)]
    );
    let good = message(1, 3, 0, s2, &answer_frame(7, 0x2D));
    assert!(matches!(
        b.on(Event::Received(&good))[..],
        [Action::Answer { token: 2, .. }]
    ));
    // An answer on the very tick of its time-out: bytes first, so it counts.
    let s3 = b.submit(3);
    let a = b.at(
        b.now + 2_000,
        Event::Received(&message(1, 3, 0, s3, &answer_frame(7, 0x2D))),
    );
    assert!(matches!(a[..], [Action::Answer { token: 3, .. }]));
    // After it, with no event between (a program that was held up): late.
    let s4 = b.submit(4);
    let a = b.at(
        b.now + 2_001,
        Event::Received(&message(1, 3, 0, s4, &answer_frame(7, 0x2D))),
    );
    assert_eq!(
        a,
        [
            Action::Trouble(Trouble::Timeout),
            Action::Failed {
                token: 4,
                why: Failure::Timeout
            },
            Action::Trouble(Trouble::LateAnswer)
        ]
    );
}

#[test]
fn wrong_device_wrong_command_damage_and_status() {
    let mut b = Bench::open(60_000);
    for (frame, why, trouble) in [
        (
            answer_frame(7, 0x2E),
            Failure::Mismatch,
            Some(Trouble::Mismatch),
        ),
        (
            answer_frame(3, 0x2D),
            Failure::Mismatch,
            Some(Trouble::Mismatch),
        ),
        (
            answer_frame(7, 0x2D)[..9].to_vec(),
            Failure::BadFrame,
            Some(Trouble::BadFrame),
        ),
        (vec![], Failure::BadFrame, Some(Trouble::BadFrame)),
    ] {
        let s = b.submit(1);
        let a = b.on(Event::Received(&message(1, 3, 0, s, &frame)));
        let want: Vec<_> = trouble
            .map(Action::Trouble)
            .into_iter()
            .chain([Action::Failed { token: 1, why }])
            .collect();
        assert_eq!(a, want);
    }
    let s = b.submit(1);
    let a = b.on(Event::Received(&message(1, 3, 16, s, &[])));
    assert_eq!(
        a,
        [Action::Failed {
            token: 1,
            why: Failure::Status(16)
        }]
    );
    let s = b.submit(1);
    let a = b.on(Event::Received(&message(15, 3, 0, s, &[2])));
    assert_eq!(
        a,
        [Action::Failed {
            token: 1,
            why: Failure::Status(2)
        }]
    );
    let a = b.on(Event::Received(&message(15, 3, 0, 9, &[0])));
    assert_eq!(
        a,
        [Action::Trouble(Trouble::ServerClosed), Action::Disconnect]
    );
}

#[test]
fn outstanding_requests_are_bounded() {
    let mut b = Bench::open(60_000);
    for token in 1..=3 {
        b.submit(token);
    }
    assert!(!b.session.can_submit());
    let a = b.on(Event::Submit {
        token: 4,
        request: request(),
    });
    assert_eq!(
        a,
        [Action::Failed {
            token: 4,
            why: Failure::Busy
        }]
    );
    let a = b.on(Event::Lost { jitter: 0.0 });
    assert_eq!(
        a.iter()
            .filter(|a| matches!(
                a,
                Action::Failed {
                    why: Failure::Lost,
                    ..
                }
            ))
            .count(),
        3
    );
    let a = b.on(Event::Submit {
        token: 5,
        request: request(),
    });
    assert_eq!(
        a,
        [Action::Failed {
            token: 5,
            why: Failure::NotOpen
        }]
    );
}

#[test]
fn keep_alive_at_four_fifths_of_the_granted_timer() {
    let mut b = Bench::open(30_000);
    assert_eq!(b.at(23_999, Event::Tick), []);
    let sent = Bench::sent(&b.at(24_000, Event::Tick));
    assert_eq!(sent[0].0, MessageId::KeepAlive);
    assert_eq!(b.on(Event::Received(&message(1, 2, 0, sent[0].1, &[]))), []);
    // A request restarts the timer.
    b.now = 40_000;
    let s = b.submit(1);
    b.on(Event::Received(&message(
        1,
        3,
        0,
        s,
        &answer_frame(7, 0x2D),
    )));
    assert_eq!(b.at(63_999, Event::Tick), []);
    // No answer to the keep-alive: the connection is given up.
    assert_eq!(Bench::sent(&b.at(64_000, Event::Tick)).len(), 1);
    assert_eq!(
        b.at(66_000, Event::Tick),
        [
            Action::Trouble(Trouble::SilentKeepAlive),
            Action::Disconnect
        ]
    );
}

#[test]
fn silence_is_probed_long_before_the_timer() {
    let mut b = Bench::open(60_000);
    b.submit(1);
    b.at(2_000, Event::Tick);
    let sent = Bench::sent(&b.at(10_000, Event::Tick));
    assert_eq!(sent[0].0, MessageId::KeepAlive);
    let a = b.at(12_000, Event::Tick);
    assert!(a.contains(&Action::Disconnect));
}

#[test]
fn stop_closes_the_session_cleanly() {
    let mut b = Bench::open(60_000);
    b.submit(1);
    let a = b.on(Event::Stop);
    assert_eq!(
        a[0],
        Action::Failed {
            token: 1,
            why: Failure::Lost
        }
    );
    let sent = Bench::sent(&a);
    assert_eq!(sent[0].0, MessageId::Close);
    let a = b.on(Event::Received(&message(1, 1, 0, sent[0].1, &[])));
    assert_eq!(a, [Action::Disconnect]);
    assert_eq!(b.on(Event::Lost { jitter: 0.0 }), [Action::Closed]);
    assert_eq!(b.session.next_wake_ms(), None);
    // Without an answer to the close it ends after the time-out.
    let mut b = Bench::open(60_000);
    b.on(Event::Stop);
    assert_eq!(b.at(2_000, Event::Tick), [Action::Disconnect]);
}
