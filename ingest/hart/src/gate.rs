//! The second look: parses the final bytes again, on its own, and lets only known reads through to the socket.
//!
//! It shares no code with the encoder or the frame parser on purpose. Wrappers (77, 31, 78, direct PDUs) are opened, in
//! whatever order they are packed, and the innermost command decides. Reads that cost the plant something (time on the
//! loop, another host's patience) pass only where the site has opened them: [`OptIn`].

mod opt_in;

pub use opt_in::{NotOptional, OPTIONAL, OptIn};

/// Why bytes must not be sent.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Refusal {
    #[error("request is malformed ({what}): it is not sent")]
    Malformed { what: &'static str },
    #[error("command {number} is not on the list of reads: it is not sent")]
    Command { number: u16 },
    #[error("command {number} is a read that the site has not opened (opt_in): it is not sent")]
    NotOpened { number: u16 },
    #[error("command {number} with {len} data bytes is not a plain read: it is not sent")]
    Data { number: u16, len: usize },
    #[error(
        "hart-ip message type {message_type}, id {id}, version {version} is not one that this program sends"
    )]
    Message {
        version: u8,
        message_type: u8,
        id: u8,
    },
}

const fn malformed(what: &'static str) -> Refusal {
    Refusal::Malformed { what }
}

/// Wrappers in one another that are still opened to name what they carry; deeper ones are malformed.
const DEEPEST: u8 = 4;

/// A whole HART-IP message as it goes to the socket; only reads that need no opening.
pub fn check_message(bytes: &[u8]) -> Result<(), Refusal> {
    check_message_with(bytes, OptIn::NONE)
}

/// A whole HART-IP message as it goes to the socket.
pub fn check_message_with(bytes: &[u8], opened: OptIn) -> Result<(), Refusal> {
    check_of_version(1, bytes, opened)
}

/// A whole HART-IP message for a server with security (version 2), as it is before it is encrypted.
pub fn check_secure_message_with(bytes: &[u8], opened: OptIn) -> Result<(), Refusal> {
    check_of_version(2, bytes, opened)
}

fn check_of_version(spoken: u8, bytes: &[u8], opened: OptIn) -> Result<(), Refusal> {
    let [version, message_type, id, status, _, _, hi, lo, body @ ..] = bytes else {
        return Err(malformed("shorter than a hart-ip header"));
    };
    if usize::from(u16::from_be_bytes([*hi, *lo])) != bytes.len() || *status != 0 {
        return Err(malformed("hart-ip byte count or status"));
    }
    let message = Refusal::Message {
        version: *version,
        message_type: *message_type,
        id: *id,
    };
    match (*version, *message_type, *id, body) {
        (v, 0, 0, [0 | 1, _, _, _, _]) if v == spoken => Ok(()),
        (v, 0, 1 | 2, []) if v == spoken => Ok(()),
        (v, 0, 3, pdu) if v == spoken => check_pdu_with(pdu, opened),
        // This program sends none; if one ever came here, the write in it is what has to be named.
        (1 | 2, 0, 4, [_, _, commands @ ..]) => {
            check_direct(commands, opened, 0)?;
            Err(message)
        }
        _ => Err(message),
    }
}

/// A frame as it goes to a serial line: preambles, then one request.
pub fn check_serial(bytes: &[u8]) -> Result<(), Refusal> {
    let preambles = bytes.iter().take_while(|b| **b == 0xFF).count();
    if !(2..=20).contains(&preambles) {
        return Err(malformed("number of preambles"));
    }
    check_pdu(bytes.get(preambles..).unwrap_or_default())
}

/// One request from delimiter to check byte, nothing before or after; only reads that need no opening.
pub fn check_pdu(bytes: &[u8]) -> Result<(), Refusal> {
    check_pdu_with(bytes, OptIn::NONE)
}

/// One request from delimiter to check byte, nothing before or after.
pub fn check_pdu_with(bytes: &[u8], opened: OptIn) -> Result<(), Refusal> {
    let Some((check, rest)) = bytes.split_last() else {
        return Err(malformed("empty"));
    };
    let mut sum = 0u8;
    for b in rest {
        sum ^= b;
    }
    if sum != *check {
        return Err(malformed("check byte"));
    }
    check_body(rest, opened, 0)
}

/// Delimiter to last data byte; `depth` counts the wrappers around it.
fn check_body(bytes: &[u8], opened: OptIn, depth: u8) -> Result<(), Refusal> {
    match bytes {
        // Polling address: identity only.
        [0x02, _, 0, 0] => Ok(()),
        [0x02, _, number, ..] => Err(Refusal::Command {
            number: u16::from(*number),
        }),
        [0x82, a, b, c, d, e, number, count, data @ ..] => {
            if usize::from(*count) != data.len() {
                return Err(malformed("byte count"));
            }
            // Searches by tag go to everybody, and nothing else does.
            let everybody = [a & 0x3F, *b, *c, *d, *e] == [0; 5];
            if everybody != matches!(number, 11 | 21) {
                return Err(malformed("broadcast address"));
            }
            check_command(u16::from(*number), data, opened, depth)
        }
        _ => Err(malformed("not a request frame")),
    }
}

/// One command with its data, in whatever it came.
fn check_command(number: u16, data: &[u8], opened: OptIn, depth: u8) -> Result<(), Refusal> {
    if depth > DEEPEST {
        return Err(malformed("too many wrappers in one another"));
    }
    let len = data.len();
    let fits = |ok: bool| {
        if ok {
            Ok(())
        } else {
            Err(Refusal::Data { number, len })
        }
    };
    match number {
        // 48 with data would clear more-status-available for this master: empty only.
        0..=3 | 7 | 8 | 12..=16 | 20 | 48 | 50 | 74 | 94 | 95 => fits(len == 0),
        9 => fits((1..=8).contains(&len)),
        33 => fits((1..=4).contains(&len)),
        54 => fits(len == 1),
        84..=86 => fits(len == 2),
        31 => match data {
            // The number of an 8-bit command is none in its long form.
            [0, lo, ..] => Err(Refusal::Command {
                number: u16::from(*lo),
            }),
            [hi, lo, rest @ ..] => check_extended(u16::from_be_bytes([*hi, *lo]), rest, opened),
            _ => fits(false),
        },
        77 => match data {
            [_, _, 5..=20, embedded @ ..] if depth == 0 => {
                // What speaks to a gateway or to everybody has no business behind one.
                if let [0x82, _, _, _, _, _, number @ (11 | 21 | 75), ..] = embedded {
                    return Err(Refusal::Command {
                        number: u16::from(*number),
                    });
                }
                check_body(embedded, opened, depth + 1)
            }
            // In another wrapper: refused whatever it carries; the innermost command is named.
            [_, _, _, embedded @ ..] => {
                check_body(embedded, opened, depth + 1)?;
                Err(Refusal::Command { number })
            }
            _ => fits(false),
        },
        // An aggregate is not on the list, even of reads; a write in it is named.
        78 => {
            let (_, commands) = data.split_first().unwrap_or((&0, &[]));
            check_direct(commands, opened, depth)?;
            Err(Refusal::Command { number })
        }
        _ => check_extended(number, data, opened),
    }
}

/// Extended commands, and those that a site has to open.
fn check_extended(number: u16, data: &[u8], opened: OptIn) -> Result<(), Refusal> {
    let len = data.len();
    let wanted = match number {
        512 | 520 => Some(0..=0),
        523 => Some(2..=2),
        _ => opt_in::lengths(number),
    };
    match wanted {
        None => Err(Refusal::Command { number }),
        Some(lengths) if !lengths.contains(&len) => Err(Refusal::Data { number, len }),
        Some(_) if matches!(number, 512 | 520 | 523) || opened.has(number) => Ok(()),
        Some(_) => Err(Refusal::NotOpened { number }),
    }
}

/// Commands of a direct PDU or an aggregate, one after another: number, byte count, data. All are looked at.
fn check_direct(bytes: &[u8], opened: OptIn, depth: u8) -> Result<(), Refusal> {
    let mut rest = bytes;
    while let [hi, lo, count, more @ ..] = rest {
        let Some((data, next)) = more.split_at_checked(usize::from(*count)) else {
            return Err(malformed("byte count of a command"));
        };
        check_command(u16::from_be_bytes([*hi, *lo]), data, opened, depth + 1)?;
        rest = next;
    }
    if rest.is_empty() {
        Ok(())
    } else {
        Err(malformed("a piece of a command"))
    }
}
