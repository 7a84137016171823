//! The lines of an explanation, as text for people and as JSON for programs.

use serde::Serialize;
use std::borrow::Cow;
use std::fmt::Write as _;

/// What a field holds.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(untagged)]
pub enum Value {
    Number(u64),
    /// NaN and infinities are null in JSON; the bytes stand beside it.
    Float(f32),
    Text(String),
    None,
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut s, b| {
        // Writing into a String does not fail.
        let _done = write!(s, "{b:02x}");
        s
    })
}

fn as_hex<S: serde::Serializer>(bytes: &[u8], s: S) -> Result<S::Ok, S::Error> {
    s.serialize_str(&hex(bytes))
}

/// Some bytes and what they mean.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Item {
    /// From the start of the piece.
    pub at: usize,
    #[serde(serialize_with = "as_hex")]
    pub bytes: Vec<u8>,
    /// 1 for what a sub-device answered through an I/O system.
    pub depth: usize,
    pub name: Cow<'static, str>,
    pub value: Value,
    pub text: String,
    /// The damage is here.
    pub error: bool,
}

/// One message, frame, or run of bytes that is neither.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Piece {
    /// From the start of the input.
    pub at: usize,
    #[serde(serialize_with = "as_hex")]
    pub bytes: Vec<u8>,
    pub items: Vec<Item>,
}

impl Piece {
    pub fn errors(&self) -> impl Iterator<Item = &Item> {
        self.items.iter().filter(|i| i.error)
    }

    /// Nothing in it could be taken for a message or frame.
    pub(crate) fn is_rubbish(&self) -> bool {
        matches!(self.items.as_slice(), [only] if only.error)
    }

    /// Lines `offset  bytes  meaning`; offsets count from the start of the input.
    pub fn text(&self) -> String {
        let mut text = String::new();
        for item in &self.items {
            let digits: Vec<String> = item.bytes.iter().map(|b| format!("{b:02X}")).collect();
            let indent = "  ".repeat(item.depth);
            let mark = if item.error { "ERROR: " } else { "" };
            let mut rows: Vec<String> = digits.chunks(8).map(|c| c.join(" ")).collect();
            if rows.is_empty() {
                rows.push(String::new());
            }
            for (n, row) in rows.iter().enumerate() {
                let meaning = if n == 0 { item.text.as_str() } else { "" };
                let mark = if n == 0 { mark } else { "" };
                let offset = self.at + item.at + 8 * n;
                let line = format!("{offset:4}  {row:<23}  {indent}{mark}{meaning}");
                let _done = writeln!(text, "{}", line.trim_end());
            }
        }
        text
    }
}

/// Collects items.
#[derive(Default)]
pub(super) struct Sheet {
    items: Vec<Item>,
    pub(super) depth: usize,
}

impl Sheet {
    pub(super) fn item(
        &mut self,
        at: usize,
        bytes: &[u8],
        name: impl Into<Cow<'static, str>>,
        value: Value,
        text: impl Into<String>,
    ) {
        self.push(at, bytes, name.into(), value, text.into(), false);
    }

    /// A byte that is a number.
    pub(super) fn byte(
        &mut self,
        at: usize,
        byte: u8,
        name: &'static str,
        text: impl Into<String>,
    ) {
        self.item(at, &[byte], name, Value::Number(u64::from(byte)), text);
    }

    pub(super) fn error(&mut self, at: usize, bytes: &[u8], text: impl Into<String>) {
        self.push(at, bytes, "error".into(), Value::None, text.into(), true);
    }

    /// A field that is there and wrong.
    pub(super) fn wrong(
        &mut self,
        at: usize,
        byte: u8,
        name: &'static str,
        text: impl Into<String>,
    ) {
        self.push(
            at,
            &[byte],
            name.into(),
            Value::Number(u64::from(byte)),
            text.into(),
            true,
        );
    }

    fn push(
        &mut self,
        at: usize,
        bytes: &[u8],
        name: Cow<'static, str>,
        value: Value,
        text: String,
        error: bool,
    ) {
        self.items.push(Item {
            at,
            bytes: bytes.to_vec(),
            depth: self.depth,
            name,
            value,
            text,
            error,
        });
    }

    pub(super) fn last_mut(&mut self) -> Option<&mut Item> {
        self.items.last_mut()
    }

    pub(super) fn has_errors(&self) -> bool {
        self.items.iter().any(|i| i.error)
    }

    pub(super) fn into_piece(self, bytes: Vec<u8>) -> Piece {
        Piece {
            at: 0,
            bytes,
            items: self.items,
        }
    }
}
