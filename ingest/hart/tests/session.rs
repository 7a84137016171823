//! The session state machine against a scripted server and a clock that the test turns.

use ingest_hart::frame::check_byte;
use ingest_hart::hartip::{HartIpError, Message, MessageId};
use ingest_hart::session::{Action, Config, Event, Failure, MasterChoice, Session, Trouble};
use ingest_hart::{Master, ReadCommand, Request, UniqueAddress};

struct Bench {
    session: Session,
    now: u64,
}

fn request() -> Request {
    Request::Direct {
        to: UniqueAddress::new(0x6A31, 0x0B1C2D),
        command: ReadCommand::LoopConfiguration,
    }
}

/// An answer of that device to a command 7, master bit not echoed.
fn answer_frame(command: u8, id: u8) -> Vec<u8> {
    let mut f = vec![0x86, 0x2A, 0x31, 0x0B, 0x1C, id, command, 4, 0, 0, 0, 1];
    f.push(check_byte(&f));
    f
}

fn message(message_type: u8, id: u8, status: u8, sequence: u16, body: &[u8]) -> Vec<u8> {
    let ([s1, s0], [c1, c0]) = (
        sequence.to_be_bytes(),
        ((body.len() + 8) as u16).to_be_bytes(),
    );
    [&[1, message_type, id, status, s1, s0, c1, c0], body].concat()
}

impl Bench {
    fn new(master: MasterChoice) -> Self {
        Self {
            session: Session::new(Config {
                master,
                max_outstanding: 3,
                ..Config::default()
            }),
            now: 0,
        }
    }

    fn at(&mut self, now: u64, event: Event<'_>) -> Vec<Action> {
        self.now = now;
        let mut out = Vec::new();
        self.session.handle(event, now, &mut out);
        out
    }

    fn on(&mut self, event: Event<'_>) -> Vec<Action> {
        self.at(self.now, event)
    }

    fn sent(actions: &[Action]) -> Vec<(MessageId, u16, Vec<u8>)> {
        actions
            .iter()
            .filter_map(|a| match a {
                Action::Transmit(b) => Message::parse(b)
                    .ok()
                    .map(|(m, _)| (m.id, m.sequence, m.body.to_vec())),
                _ => None,
            })
            .collect()
    }

    /// A bench with an open session whose granted timer is `timer_ms`.
    fn open(timer_ms: u32) -> Self {
        let mut b = Self::new(MasterChoice::Primary);
        assert_eq!(b.on(Event::Start), [Action::Connect]);
        let sent = Self::sent(&b.on(Event::Connected));
        let body = [&[1], &timer_ms.to_be_bytes()[..]].concat();
        let a = b.on(Event::Received(&message(1, 0, 8, sent[0].1, &body)));
        assert_eq!(
            a,
            [Action::Opened {
                master: Master::Primary,
                inactivity_ms: timer_ms
            }]
        );
        b
    }

    fn submit(&mut self, token: u64) -> u16 {
        let a = self.on(Event::Submit {
            token,
            request: request(),
        });
        Self::sent(&a)[0].1
    }
}

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
fn streams_out_of_step_are_closed() {
    for (bytes, error) in [
        (&b"HTTP/1.1 400"[..], HartIpError::Version { version: b'H' }),
        (&[1, 1, 3, 0, 0, 1, 0, 7], HartIpError::Length { count: 7 }),
        (
            &[1, 1, 3, 0, 0, 1, 0xFF, 0xFF],
            HartIpError::Length { count: 0xFFFF },
        ),
    ] {
        let mut b = Bench::open(60_000);
        let a = b.on(Event::Received(bytes));
        assert_eq!(
            a,
            [Action::Trouble(Trouble::Stream(error)), Action::Disconnect]
        );
        // Nothing is read from a connection that is given up.
        assert_eq!(b.on(Event::Received(bytes)), []);
    }
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
