//! The second look: parses the final bytes again, on its own, and lets only known reads through to the socket.
//!
//! It shares no code with the encoder or the frame parser on purpose. Wrappers (77, 31, 78) are opened and the
//! innermost command decides.

/// Why bytes must not be sent.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Refusal {
    #[error("request is malformed ({what}): it is not sent")]
    Malformed { what: &'static str },
    #[error("command {number} is not on the list of reads: it is not sent")]
    Command { number: u16 },
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

/// A whole HART-IP message as it goes to the socket.
pub fn check_message(bytes: &[u8]) -> Result<(), Refusal> {
    let [version, message_type, id, status, _, _, hi, lo, body @ ..] = bytes else {
        return Err(malformed("shorter than a hart-ip header"));
    };
    if usize::from(u16::from_be_bytes([*hi, *lo])) != bytes.len() || *status != 0 {
        return Err(malformed("hart-ip byte count or status"));
    }
    match (*version, *message_type, *id, body) {
        (1, 0, 0, [0 | 1, _, _, _, _]) => Ok(()),
        (1, 0, 1 | 2, []) => Ok(()),
        (1, 0, 3, pdu) => check_pdu(pdu),
        (version, message_type, id, _) => Err(Refusal::Message {
            version,
            message_type,
            id,
        }),
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

/// One request from delimiter to check byte, nothing before or after.
pub fn check_pdu(bytes: &[u8]) -> Result<(), Refusal> {
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
    check_body(rest, 0)
}

/// Delimiter to last data byte; `depth` counts the wrappers around it.
fn check_body(bytes: &[u8], depth: u8) -> Result<(), Refusal> {
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
            if [a & 0x3F, *b, *c, *d, *e] == [0; 5] {
                return Err(malformed("broadcast address"));
            }
            check_command(*number, data, depth)
        }
        _ => Err(malformed("not a request frame")),
    }
}

fn check_command(number: u8, data: &[u8], depth: u8) -> Result<(), Refusal> {
    let len = data.len();
    let wide = u16::from(number);
    let fits = |ok: bool| {
        if ok {
            Ok(())
        } else {
            Err(Refusal::Data { number: wide, len })
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
            [hi, lo, rest @ ..] => match (u16::from_be_bytes([*hi, *lo]), rest) {
                (512 | 520, []) | (523, [_, _]) => Ok(()),
                (number @ (512 | 520 | 523), rest) => Err(Refusal::Data {
                    number,
                    len: rest.len(),
                }),
                (number, _) => Err(Refusal::Command { number }),
            },
            _ => fits(false),
        },
        77 if depth == 0 => match data {
            [_, _, 5..=20, embedded @ ..] => check_body(embedded, depth + 1),
            _ => fits(false),
        },
        // Name what 78 carries when it is a write; an aggregate of reads is not on the list either.
        78 => Err(match data {
            [_, hi, lo, ..] if !is_plain_read(u16::from_be_bytes([*hi, *lo])) => Refusal::Command {
                number: u16::from_be_bytes([*hi, *lo]),
            },
            _ => Refusal::Command { number: 78 },
        }),
        _ => Err(Refusal::Command { number: wide }),
    }
}

fn is_plain_read(number: u16) -> bool {
    matches!(number, 0..=3 | 7..=9 | 12..=16 | 20 | 33 | 48 | 50 | 54 | 74 | 84..=86 | 94 | 95 | 512 | 520 | 523)
}
