//! A session with a clock that the test turns, and a server's messages by hand.

pub(crate) mod vectors;

use ingest_hart::frame::check_byte;
use ingest_hart::hartip::{Message, MessageId};
use ingest_hart::session::{Action, Config, Event, MasterChoice, Session, Transport};
use ingest_hart::{Master, ReadCommand, Request, UniqueAddress};

pub(crate) struct Bench {
    pub(crate) session: Session,
    pub(crate) now: u64,
}

pub(crate) fn request() -> Request {
    Request::Direct {
        to: UniqueAddress::new(0x6A31, 0x0B1C2D),
        command: ReadCommand::LoopConfiguration,
    }
}

/// An answer of that device to a command 7, master bit not echoed.
pub(crate) fn answer_frame(command: u8, id: u8) -> Vec<u8> {
    let mut f = vec![0x86, 0x2A, 0x31, 0x0B, 0x1C, id, command, 4, 0, 0, 0, 1];
    f.push(check_byte(&f));
    f
}

pub(crate) fn message(message_type: u8, id: u8, status: u8, sequence: u16, body: &[u8]) -> Vec<u8> {
    let ([s1, s0], [c1, c0]) = (
        sequence.to_be_bytes(),
        ((body.len() + 8) as u16).to_be_bytes(),
    );
    [&[1, message_type, id, status, s1, s0, c1, c0], body].concat()
}

impl Bench {
    pub(crate) fn new(master: MasterChoice) -> Self {
        Self::over(Transport::Tcp, master)
    }

    pub(crate) fn over(transport: Transport, master: MasterChoice) -> Self {
        Self {
            session: Session::new(Config {
                transport,
                master,
                max_outstanding: 3,
                ..Config::default()
            }),
            now: 0,
        }
    }

    pub(crate) fn at(&mut self, now: u64, event: Event<'_>) -> Vec<Action> {
        self.now = now;
        let mut out = Vec::new();
        self.session.handle(event, now, &mut out);
        out
    }

    pub(crate) fn on(&mut self, event: Event<'_>) -> Vec<Action> {
        self.at(self.now, event)
    }

    pub(crate) fn sent(actions: &[Action]) -> Vec<(MessageId, u16, Vec<u8>)> {
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
    pub(crate) fn open(timer_ms: u32) -> Self {
        Self::open_over(Transport::Tcp, timer_ms)
    }

    pub(crate) fn open_over(transport: Transport, timer_ms: u32) -> Self {
        let mut b = Self::over(transport, MasterChoice::Primary);
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

    pub(crate) fn submit(&mut self, token: u64) -> u16 {
        let a = self.on(Event::Submit {
            token,
            request: request(),
        });
        Self::sent(&a)[0].1
    }
}
