//! What was really asked of a device: an independent reading of the bytes that go out, and the list of reads.
//!
//! Shares nothing with the program that it watches. Layouts: HCF_SPEC-85 (HART-IP), HCF_SPEC-81 (frames),
//! HCF_SPEC-151 (commands 31, 77, 78), Modbus application protocol 1.1b3 and Modbus messaging on TCP/IP 1.0b.

/// The protocol of a connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Protocol {
    HartIp,
    Modbus,
}

/// One thing that was asked, without the values in it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Asked {
    /// HART-IP session initiate.
    Initiate,
    /// HART-IP session close.
    Close,
    /// HART-IP keep-alive.
    KeepAlive,
    /// A HART command; `wrappers` are the commands around it, the outermost first (77, 78, 31).
    Command {
        number: u16,
        wrappers: Vec<u16>,
        /// Number of data bytes of the innermost command.
        data: usize,
    },
    /// A Modbus function.
    Modbus { function: u8 },
    /// Bytes that no rule here explains: never accepted as a read.
    Unreadable { why: String },
}

/// Commands that only read, sent unless a site opts in to more (HCF_SPEC-127, HCF_SPEC-151): written out here on its own.
const READS: [u16; 26] = [
    0, 1, 2, 3, 7, 8, 9, 12, 13, 14, 15, 16, 20, 33, 48, 50, 54, 74, 84, 85, 86, 94, 95, 512, 520,
    523,
];

impl Asked {
    /// Whether it reads and changes nothing.
    pub fn is_read(&self) -> bool {
        match self {
            Self::Initiate | Self::Close | Self::KeepAlive => true,
            // 1 to 4: read coils, discrete inputs, holding registers, input registers.
            Self::Modbus { function } => (1..=4).contains(function),
            Self::Command {
                number,
                wrappers,
                data,
            } => {
                let wide = *number > 255;
                let way = if wide {
                    matches!(wrappers.as_slice(), [31] | [77, 31])
                } else {
                    matches!(wrappers.as_slice(), [] | [77])
                };
                // 48 with data would clear a bit in the device.
                way && READS.contains(number) && (*number != 48 || *data == 0)
            }
            Self::Unreadable { .. } => false,
        }
    }
}

impl std::fmt::Display for Asked {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Initiate => f.write_str("session initiate"),
            Self::Close => f.write_str("session close"),
            Self::KeepAlive => f.write_str("keep-alive"),
            Self::Command {
                number,
                wrappers,
                data,
            } => {
                write!(f, "command {number}")?;
                for w in wrappers.iter().rev() {
                    write!(f, " in {w}")?;
                }
                write!(f, ", {data} data bytes")
            }
            Self::Modbus { function } => write!(f, "modbus function {function}"),
            Self::Unreadable { why } => write!(f, "unreadable: {why}"),
        }
    }
}

fn unreadable(why: impl Into<String>) -> Asked {
    Asked::Unreadable { why: why.into() }
}

/// Cuts one direction of a connection into requests.
#[derive(Debug)]
pub struct Reader {
    protocol: Protocol,
    buffer: Vec<u8>,
    lost: bool,
}

impl Reader {
    pub fn new(protocol: Protocol) -> Self {
        Self {
            protocol,
            buffer: Vec::new(),
            lost: false,
        }
    }

    /// Takes bytes of the client in any cut and gives what was asked.
    pub fn push(&mut self, bytes: &[u8]) -> Vec<Asked> {
        let protocol = self.protocol;
        let mut out = Vec::new();
        for m in self.messages(bytes) {
            match m {
                Ok(m) if protocol == Protocol::HartIp => hart_ip(&m, &mut out),
                Ok(m) => out.push(modbus(&m)),
                Err(why) => out.push(unreadable(why)),
            }
        }
        out
    }

    /// Takes bytes in any cut and gives whole messages, or why no more can come.
    pub fn messages(&mut self, bytes: &[u8]) -> Vec<Result<Vec<u8>, String>> {
        let mut out = Vec::new();
        if self.lost {
            return out;
        }
        self.buffer.extend_from_slice(bytes);
        loop {
            let length = match (self.protocol, self.buffer.as_slice()) {
                (Protocol::HartIp, [_, _, _, _, _, _, hi, lo, ..]) => {
                    usize::from(u16::from_be_bytes([*hi, *lo]))
                }
                (Protocol::Modbus, [_, _, _, _, hi, lo, ..]) => {
                    6 + usize::from(u16::from_be_bytes([*hi, *lo]))
                }
                _ => break,
            };
            if length < 8 {
                out.push(Err(format!("a message of {length} bytes")));
                self.lost = true;
                break;
            }
            if self.buffer.len() < length {
                break;
            }
            out.push(Ok(self.buffer.drain(..length).collect()));
        }
        out
    }

    /// What is left at the end of the connection; a piece of a message is unreadable.
    pub fn end(self) -> Option<Asked> {
        (!self.lost && !self.buffer.is_empty())
            .then(|| unreadable(format!("{} bytes at the end", self.buffer.len())))
    }
}

/// One HART-IP message, header included.
pub fn hart_ip(message: &[u8], out: &mut Vec<Asked>) {
    let [_, kind, id, _, _, _, _, _, body @ ..] = message else {
        return out.push(unreadable("shorter than a header"));
    };
    if *kind != 0 {
        return out.push(unreadable(format!("message type {kind} from a client")));
    }
    match id {
        0 => out.push(Asked::Initiate),
        1 => out.push(Asked::Close),
        2 => out.push(Asked::KeepAlive),
        3 => token_passing(body, out),
        4 => direct(body, out),
        _ => out.push(unreadable(format!("message id {id}"))),
    }
}

fn token_passing(body: &[u8], out: &mut Vec<Asked>) {
    let start = body.iter().take_while(|b| **b == 0xFF).count();
    let pdu = body.get(start..).unwrap_or_default();
    if pdu.iter().fold(0, |x, b| x ^ b) != 0 {
        return out.push(unreadable("wrong check byte"));
    }
    match pdu.split_last() {
        Some((_check, rest)) => frame(rest, &mut Vec::new(), out),
        None => out.push(unreadable("empty PDU")),
    }
}

/// Delimiter to last data byte.
fn frame(bytes: &[u8], wrappers: &mut Vec<u16>, out: &mut Vec<Asked>) {
    let Some(delimiter) = bytes.first() else {
        return out.push(unreadable("no frame"));
    };
    if delimiter & 0x07 != 2 {
        return out.push(unreadable(format!(
            "delimiter {delimiter:#04x} is no request"
        )));
    }
    let address = if delimiter & 0x80 != 0 { 5 } else { 1 };
    let address_bytes = bytes.get(1..1 + address).unwrap_or_default();
    let zero = address_bytes.iter().skip(1).all(|b| *b == 0);
    if address == 5 && zero && address_bytes.first().is_some_and(|b| b & 0x3F == 0) {
        return out.push(unreadable("broadcast"));
    }
    let at = 1 + address + usize::from(delimiter >> 5 & 3);
    match bytes.get(at..) {
        Some([number, count, data @ ..]) if usize::from(*count) == data.len() => {
            command(u16::from(*number), data, wrappers, out);
        }
        _ => out.push(unreadable("byte count and length differ")),
    }
}

fn command(number: u16, data: &[u8], wrappers: &mut Vec<u16>, out: &mut Vec<Asked>) {
    if wrappers.len() > 8 {
        return out.push(unreadable("wrapped too deep"));
    }
    match (number, data) {
        (31, [hi, lo, rest @ ..]) => {
            wrappers.push(31);
            command(u16::from_be_bytes([*hi, *lo]), rest, wrappers, out);
            wrappers.pop();
        }
        (77, [_card, _channel, _preambles, inner @ ..]) => {
            wrappers.push(77);
            frame(inner, wrappers, out);
            wrappers.pop();
        }
        (78, [_count, inner @ ..]) => {
            wrappers.push(78);
            list(inner, wrappers, out);
            wrappers.pop();
        }
        (31 | 77 | 78, _) => out.push(unreadable(format!("command {number} cut short"))),
        _ => out.push(Asked::Command {
            number,
            wrappers: wrappers.clone(),
            data: data.len(),
        }),
    }
}

/// Commands one after another: u16 number, byte count, data.
fn list(mut bytes: &[u8], wrappers: &mut Vec<u16>, out: &mut Vec<Asked>) {
    if bytes.is_empty() {
        return out.push(unreadable("an empty list of commands"));
    }
    while let [hi, lo, count, rest @ ..] = bytes {
        let (Some(data), Some(next)) = (
            rest.get(..usize::from(*count)),
            rest.get(usize::from(*count)..),
        ) else {
            return out.push(unreadable("a list of commands cut short"));
        };
        command(u16::from_be_bytes([*hi, *lo]), data, wrappers, out);
        bytes = next;
    }
    if !bytes.is_empty() {
        out.push(unreadable("a list of commands cut short"));
    }
}

fn direct(body: &[u8], out: &mut Vec<Asked>) {
    match body {
        // Version 2 only, and not used by this program: shown as wrapped in 0xFFFF, which is no read.
        [_, _, rest @ ..] => list(rest, &mut vec![0xFFFF], out),
        _ => out.push(unreadable("direct PDU cut short")),
    }
}

/// The innermost answer in a HART-IP response.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Answered {
    pub number: u16,
    /// First status byte.
    pub code: u8,
    /// Number of data bytes.
    pub data: usize,
}

/// What a message answers; `None` for all but answers to commands.
pub fn answered(message: &[u8]) -> Option<Answered> {
    let [_, 1, 3, 0, _, _, _, _, pdu @ ..] = message else {
        return None;
    };
    answered_frame(pdu.split_last()?.1)
}

/// `bytes` from delimiter to last data byte.
fn answered_frame(bytes: &[u8]) -> Option<Answered> {
    let delimiter = bytes.first().filter(|d| **d & 0x07 == 6)?;
    let address = if delimiter & 0x80 != 0 { 5 } else { 1 };
    let (number, code, data) = match bytes.get(1 + address + usize::from(delimiter >> 5 & 3)..)? {
        [77, _count, 0, _status, _card, _channel, inner @ ..] => return answered_frame(inner),
        [31, _count, code, _status, hi, lo, data @ ..] => {
            (u16::from_be_bytes([*hi, *lo]), *code, data)
        }
        [number, _count, code, _status, data @ ..] => (u16::from(*number), *code, data),
        _ => return None,
    };
    Some(Answered {
        number,
        code,
        data: data.len(),
    })
}

fn modbus(message: &[u8]) -> Asked {
    match message {
        [_, _, 0, 0, _, _, _, function, ..] => Asked::Modbus {
            function: *function,
        },
        _ => unreadable("no modbus header"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    fn asked(message: &[u8]) -> Vec<Asked> {
        Reader::new(Protocol::HartIp).push(message)
    }

    /// A message around a frame without its check byte.
    fn message(frame: &[u8]) -> Vec<u8> {
        let check = frame.iter().fold(0, |x, b| x ^ b);
        let mut m = vec![1, 0, 3, 0, 0, 1, 0, (frame.len() + 9) as u8];
        m.extend_from_slice(frame);
        m.push(check);
        m
    }

    #[test]
    fn vectors_are_judged_as_their_names_say() {
        let text = include_str!("../vectors/hart-frames.json");
        let all: Vec<Value> = serde_json::from_str(text).unwrap();
        let (mut reads, mut forbidden) = (0, 0);
        for v in &all {
            let name = v["name"].as_str().unwrap();
            let hex = v["hex"].as_str().unwrap();
            let bytes: Vec<u8> = (0..hex.len() / 2)
                .map(|i| u8::from_str_radix(&hex[2 * i..2 * i + 2], 16).unwrap())
                .collect();
            let got = if v["fields"]["layer"] == "serial" {
                let mut out = Vec::new();
                token_passing(&bytes, &mut out);
                out
            } else {
                asked(&bytes)
            };
            if name.starts_with("FORBIDDEN") {
                forbidden += 1;
                assert!(got.iter().any(|a| !a.is_read()), "{name}: {got:?}");
            } else if name.contains("_request")
                && !["direct", "audit", "cmd75"]
                    .iter()
                    .any(|n| name.contains(n))
            {
                reads += 1;
                assert!(got.len() == 1 && got[0].is_read(), "{name}: {got:?}");
            }
        }
        assert_eq!((reads, forbidden), (20, 3));
    }

    #[test]
    fn what_hides_in_wrappers_is_found() {
        let to = [0x82, 0xAA, 0x31, 0x0B, 0x1C, 0x2D];
        let within = |command: u8, data: &[u8]| {
            let mut f = to.to_vec();
            f.extend([command, data.len() as u8]);
            f.extend_from_slice(data);
            f
        };
        let number = |frame: &[u8]| match &asked(&message(frame))[..] {
            [
                Asked::Command {
                    number, wrappers, ..
                },
            ] => (*number, wrappers.clone()),
            other => panic!("{other:?}"),
        };
        assert_eq!(number(&within(40, &[0; 4])), (40, vec![]));
        assert_eq!(number(&within(31, &[2, 1, 0])), (513, vec![31]));
        let mut carried = vec![0, 3, 5];
        carried.extend(within(31, &[2, 1, 0]));
        assert_eq!(number(&within(77, &carried)), (513, vec![77, 31]));
        let mut twice = vec![0, 3, 5];
        twice.extend(within(77, &carried));
        assert_eq!(number(&within(77, &twice)), (513, vec![77, 77, 31]));
        // The second of two commands in an aggregate.
        let got = asked(&message(&within(78, &[2, 0, 3, 0, 0, 40, 4, 0, 0, 0, 0])));
        assert_eq!(got.len(), 2);
        assert!(got.iter().all(|a| !a.is_read()), "{got:?}");
        // A read behind too many wrappers is none, 48 with data neither.
        let mut nested = vec![0, 3, 5];
        nested.extend(within(3, &[]));
        let mut outer = vec![0, 3, 5];
        outer.extend(within(77, &nested));
        assert!(!asked(&message(&within(77, &outer)))[0].is_read());
        assert!(asked(&message(&within(77, &nested)))[0].is_read());
        assert!(asked(&message(&within(48, &[])))[0].is_read());
        assert!(!asked(&message(&within(48, &[0])))[0].is_read());
        // The extended number of a plain read is none.
        assert!(!asked(&message(&within(31, &[0, 3])))[0].is_read());
    }

    #[test]
    fn streams_are_cut_anywhere_and_rubbish_is_said() {
        let mut bytes = vec![1, 0, 2, 0, 0, 7, 0, 8];
        bytes.extend(message(&[0x02, 0x80, 0, 0]));
        let mut r = Reader::new(Protocol::HartIp);
        let got: Vec<Asked> = bytes.iter().flat_map(|b| r.push(&[*b])).collect();
        assert_eq!(got.len(), 2);
        assert!(got.iter().all(Asked::is_read) && r.end().is_none());
        let mut bad = message(&[0x02, 0x80, 0, 0]);
        bad[9] ^= 1;
        assert!(!asked(&bad)[0].is_read());
        assert!(!asked(&[1, 0, 9, 0, 0, 7, 0, 8])[0].is_read());
        assert!(!asked(&[1, 0, 2, 0, 0, 7, 0, 3])[0].is_read());
        let mut r = Reader::new(Protocol::Modbus);
        let got = r.push(&[
            0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 2, 0, 2, 0, 0, 0, 6, 1, 6, 0, 0, 0, 9,
        ]);
        assert_eq!(
            got.iter().map(Asked::is_read).collect::<Vec<_>>(),
            [true, false]
        );
    }
}
