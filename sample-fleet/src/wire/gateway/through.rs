//! Command 77: the way through a modem to a sub-device, with delayed responses and what is counted on the way.

use super::{
    Connection, DELAY_EVERY, DELAYED, Gateway, KEPT_FOR, SILENT_EVERY, Through, answers, locked,
};
use crate::wire::modem::{Job, Outcome};
use crate::wire::pdu::{Asked, Body};
use crate::wire::session::response;
use std::sync::Arc;
use std::time::Instant;
use tokio::sync::oneshot;

impl Gateway {
    fn parse_through(&self, data: &[u8]) -> Result<Through, Body> {
        let [card, channel, preambles, frame @ ..] = data else {
            return Err(Body::error(answers::TOO_FEW_BYTES));
        };
        if !locked(&self.counters)
            .channels
            .contains_key(&(*card, *channel))
        {
            return Err(Body::error(self.bad_place(*card)));
        }
        let Some((inner, [])) = Asked::parse(frame) else {
            return Err(Body::error(answers::INVALID_SELECTION));
        };
        // A wrapper in a wrapper goes nowhere.
        if matches!(inner.command, 77 | 78) {
            return Err(Body::error(answers::INVALID_SELECTION));
        }
        Ok(Through {
            card: *card,
            channel: *channel,
            preambles: (*preambles).clamp(5, 20),
            inner,
        })
    }

    /// Command 77. `None`: the answer comes later, or never.
    pub(super) fn through(
        self: &Arc<Self>,
        link: &Connection,
        sequence: u16,
        asked: &Asked,
        raw: Vec<u8>,
    ) -> Option<Body> {
        let t = match self.parse_through(&asked.data) {
            Ok(t) => t,
            Err(body) => return Some(body),
        };
        if answers::is_write(t.inner.command, &t.inner.data) {
            // The sub-device refuses it; the pair is not troubled with it.
            let refused = self.refuse_write(t.inner.command);
            return Some(wrapped(&t, &t.inner.answer(&refused, 0)));
        }
        let mut later = false;
        {
            let mut waiting = locked(&link.delayed);
            waiting.retain(|_, (since, done)| done.is_none() || since.elapsed() < KEPT_FOR);
            match waiting.get(&raw) {
                Some((_, None)) => return Some(Body::error(answers::RUNNING)),
                Some((_, Some(_))) => {
                    let (_, done) = waiting.remove(&raw)?;
                    return done;
                }
                None => {}
            }
            let mut c = locked(&self.counters);
            c.forwards += 1;
            if c.forwards.is_multiple_of(DELAY_EVERY) && waiting.len() < DELAYED {
                later = true;
            }
        }
        let sub = self.find(&t);
        let (reply, outcome) = oneshot::channel();
        let job = Job {
            to: sub
                .and_then(|i| self.subs.get(i))
                .map(|s| (s.card, s.polling)),
            asked: t.inner.clone(),
            preambles: t.preambles,
            reply,
        };
        let sent = link.modems.get(&t.card).map(|m| m.try_send(job));
        if !matches!(sent, Some(Ok(()))) {
            return Some(Body::error(answers::BUSY));
        }
        let (gateway, link, asked) = (Arc::clone(self), link.clone(), asked.clone());
        if later {
            locked(&link.delayed).insert(raw.clone(), (Instant::now(), None));
        }
        tokio::spawn(async move {
            // The modem is gone: the gateway is being stopped.
            let Ok(outcome) = outcome.await else { return };
            gateway.count(&t, sub, &outcome);
            let body = outcome.answer.map(|a| wrapped(&t, &a));
            if later {
                let body = body.unwrap_or_else(|| Body::error(answers::DEAD));
                locked(&link.delayed).insert(raw, (Instant::now(), Some(body)));
                return;
            }
            if let Some(body) = body.or_else(|| gateway.failed()) {
                let pdu = gateway.sealed(&asked, &body);
                let _ = link.answers.send(response(sequence, &pdu)).await;
            }
        });
        later.then(|| Body::error(answers::DELAYED))
    }

    /// Which sub-device has the address on that channel.
    fn find(&self, t: &Through) -> Option<usize> {
        self.subs.iter().position(|s| {
            self.card(s).is_some_and(|c| {
                (c.modem, c.channel) == (t.card, t.channel)
                    && match t.inner.polling() {
                        Some(p) => p == s.polling && t.inner.command == 0,
                        None => t.inner.is_for(c.device_type, c.device_id),
                    }
            })
        })
    }

    fn count(&self, t: &Through, sub: Option<usize>, outcome: &Outcome) {
        let mut c = locked(&self.counters);
        let received = u16::from(outcome.good);
        c.forwarded = c.forwarded.wrapping_add(1);
        c.returned = c.returned.wrapping_add(u16::from(outcome.answer.is_some()));
        if let Some([stx, ack]) = sub.and_then(|i| c.subs.get_mut(i)) {
            *stx = stx.wrapping_add(1);
            *ack = ack.wrapping_add(received);
        }
        if let Some([stx, ack, ostx, oack]) = c.channels.get_mut(&(t.card, t.channel)) {
            *stx = stx.wrapping_add(1);
            *ack = ack.wrapping_add(received);
            *ostx = ostx.wrapping_add(outcome.overheard);
            *oack = oack.wrapping_add(outcome.overheard);
        }
    }

    /// How a sub-device that did not answer is reported; every fourth is not.
    fn failed(&self) -> Option<Body> {
        let mut c = locked(&self.counters);
        c.failures += 1;
        (!c.failures.is_multiple_of(SILENT_EVERY)).then(|| Body::error(answers::DEAD))
    }
}

/// Card, channel and the embedded answer.
fn wrapped(t: &Through, embedded: &[u8]) -> Body {
    let mut data = vec![t.card, t.channel];
    data.extend_from_slice(embedded);
    Body::ok(data)
}
