//! The frames of `tests/vectors/hart-frames.json` (public captures and constructed frames), by name.

use ingest_hart::answer::Answer;
use ingest_hart::hartip::{Message, MessageId};
use ingest_hart::{Float, Frame};
use serde_json::Value;

pub(crate) struct Vector {
    pub(crate) name: String,
    pub(crate) bytes: Vec<u8>,
    pub(crate) fields: Value,
    pub(crate) captured: bool,
}

pub(crate) fn unhex(s: &str) -> Vec<u8> {
    (0..s.len() / 2)
        .map(|i| u8::from_str_radix(&s[2 * i..2 * i + 2], 16).unwrap())
        .collect()
}

pub(crate) fn vectors() -> Vec<Vector> {
    let text = include_str!("../../../../tests/vectors/hart-frames.json");
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

pub(crate) fn get(name: &str) -> Vector {
    vectors()
        .into_iter()
        .find(|v| v.name == name)
        .unwrap_or_else(|| panic!("no vector {name}"))
}

impl Vector {
    /// Delimiter to check byte, of a serial frame or of the PDU in a message.
    pub(crate) fn pdu(&self) -> &[u8] {
        if self.fields["layer"] == "serial" {
            &self.bytes[self.bytes.iter().take_while(|b| **b == 0xFF).count()..]
        } else {
            Message::parse(&self.bytes).unwrap().0.body
        }
    }

    pub(crate) fn is_invalid(&self) -> bool {
        self.fields["note"]
            .as_str()
            .is_some_and(|n| n.starts_with("INVALID"))
    }

    pub(crate) fn is_token_passing(&self) -> bool {
        self.fields["layer"] == "serial"
            || Message::parse(&self.bytes)
                .is_ok_and(|(m, _)| m.id == MessageId::TokenPassing && m.body.len() > 1)
    }
}

pub(crate) fn answer(name: &str) -> Answer<'static> {
    let v: &'static Vector = Box::leak(Box::new(get(name)));
    let (f, _) = Frame::parse(v.pdu()).unwrap();
    Answer::decode(f.command, f.data()).unwrap()
}

pub(crate) fn value(f: Float) -> f32 {
    f.value().unwrap()
}
