//! Random and damaged bytes: nothing panics, buffers stay bounded, and what is reported is well-formed.

use ingest_hart::answer::Answer;
use ingest_hart::frame::scan;
use ingest_hart::hartip::{Cutter, MAX_MESSAGE_LEN, Message};
use ingest_hart::session::{Action, Config, Event, Session, Transport};
use ingest_hart::{Frame, ReadCommand, Request, UniqueAddress, gate};
use proptest::prelude::*;

/// Bytes that look like frames more often than chance would have it.
fn frame_like(longest: usize) -> impl Strategy<Value = Vec<u8>> {
    let byte = prop_oneof![
        4 => any::<u8>(),
        2 => Just(0xFF),
        1 => prop_oneof![Just(0x86), Just(0x06), Just(0x81), Just(0x82), Just(77), Just(1), Just(0)],
    ];
    proptest::collection::vec(byte, 0..longest)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn frames_and_answers(bytes in frame_like(400), command in any::<u8>()) {
        if let Ok((f, used)) = Frame::parse(&bytes) {
            prop_assert!(used <= bytes.len());
            let _ = (f.status(), f.data());
        }
        let _ = Frame::parse_embedded(&bytes);
        let _ = gate::check_pdu(&bytes);
        let _ = gate::check_message(&bytes);
        let _ = gate::check_serial(&bytes);
        if let Ok(a) = Answer::decode(command, &bytes) {
            let _ = format!("{a:?}");
            if let Answer::VariablesWithStatus(v) = a { prop_assert!(v.slots().count() <= 8); }
        }
        for gap in [false, true] {
            let s = scan(&bytes, gap);
            prop_assert!(s.consumed <= bytes.len());
        }
    }

    #[test]
    fn cutter_in_any_pieces(messages in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..300), 1..8),
                            piece in 1usize..200) {
        let mut stream = Vec::new();
        for (i, body) in messages.iter().enumerate() {
            let [hi, lo] = ((body.len() + 8) as u16).to_be_bytes();
            stream.extend([1, 1, 3, 0, 0, i as u8, hi, lo]);
            stream.extend(body);
        }
        let (mut cutter, mut got) = (Cutter::default(), Vec::new());
        for chunk in stream.chunks(piece) {
            let mut rest = chunk;
            while !rest.is_empty() {
                let n = cutter.push(rest);
                rest = &rest[n..];
                while let Some(m) = cutter.next_message().unwrap() { got.push(m.body.to_vec()); }
                prop_assert!(cutter.pending() <= MAX_MESSAGE_LEN);
            }
        }
        prop_assert_eq!(got, messages);
    }

    #[test]
    fn cutter_on_noise(bytes in frame_like(1200)) {
        let mut cutter = Cutter::default();
        let mut rest = bytes.as_slice();
        while !rest.is_empty() {
            let n = cutter.push(rest);
            rest = &rest[n..];
            loop {
                match cutter.next_message() {
                    Ok(Some(_)) => {}
                    Ok(None) => break,
                    Err(_) => {
                        let before = cutter.pending();
                        let skipped = cutter.resync();
                        prop_assert!(skipped > 0 && skipped + cutter.pending() == before);
                    }
                }
            }
            prop_assert!(n > 0, "the buffer is full and nothing comes of it");
        }
        let _ = Message::parse(&bytes);
    }

}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    /// Any order of events: no panic, every token is answered for at most once, all that is sent passes the gate.
    #[test]
    fn session_under_any_events(udp in any::<bool>(), events in proptest::collection::vec((0u8..8, any::<u16>(), frame_like(60)), 0..60)) {
        let transport = if udp { Transport::Udp } else { Transport::Tcp };
        let mut s = Session::new(Config { transport, ..Config::default() });
        let (mut now, mut out, mut token) = (0u64, Vec::new(), 0u64);
        let mut open = std::collections::HashSet::new();
        let to = UniqueAddress::new(0x6A31, 0x0B1C2D);
        for (kind, n, bytes) in events {
            now += u64::from(n % 3_000);
            out.clear();
            let request = if n % 2 == 0 {
                Request::Direct { to, command: ReadCommand::DynamicVariables }
            } else {
                Request::Through { io_system: to, card: 0, channel: 1, to, command: ReadCommand::Identity }
            };
            // A message with a right sequence number now and then, so that the session gets anywhere.
            let [hi, lo] = (n % 6).to_be_bytes();
            let [c1, c0] = ((bytes.len() + 8) as u16).to_be_bytes();
            let message = [&[1, (n % 4) as u8, (n / 7 % 4) as u8, 0, hi, lo, c1, c0][..], &bytes].concat();
            let initiated = [1, 1, 0, 0, hi, lo, 0, 13, 1, 0, 0, 0x75, 0x30];
            match kind {
                0 => s.handle(Event::Start, now, &mut out),
                1 => s.handle(Event::Connected, now, &mut out),
                2 => s.handle(Event::Received(&bytes), now, &mut out),
                3 => s.handle(Event::Received(&message), now, &mut out),
                4 => s.handle(Event::Lost { jitter: f64::from(n) }, now, &mut out),
                5 => {
                    token += 1;
                    open.insert(token);
                    s.handle(Event::Submit { token, request }, now, &mut out);
                }
                6 => s.handle(Event::Received(&initiated), now, &mut out),
                _ if n % 50 == 0 => s.handle(Event::Stop, now, &mut out),
                _ => s.handle(Event::Tick, now, &mut out),
            }
            for a in &out {
                match a {
                    Action::Answer { token, .. } | Action::Failed { token, .. } => prop_assert!(open.remove(token)),
                    Action::Transmit(bytes) => prop_assert!(gate::check_message(bytes).is_ok()),
                    _ => {}
                }
            }
            prop_assert!(s.outstanding() <= Config::default().max_outstanding);
            prop_assert_eq!(s.outstanding(), open.len());
        }
    }
}
