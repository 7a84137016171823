//! What the data bytes of universal commands mean (HCF_SPEC-127, HCF_SPEC-183 for codes).

use ingest_hart::status::{EXTENDED_STATUS_BITS, EXTENDED_STATUS_MASK, names_of};
use ingest_hart::{Latin1, PackedAscii};

/// `, what the command does`, empty where it is not known.
pub(super) fn command_name(command: u8) -> &'static str {
    match command {
        0 => ", read unique identifier",
        1 => ", read primary variable",
        2 => ", read loop current and percent of range",
        3 => ", read dynamic variables and loop current",
        6 => ", write polling address (never sent by this program)",
        7 => ", read loop configuration",
        8 => ", read dynamic variable classifications",
        9 => ", read device variables with status",
        11 => ", read unique identifier by tag",
        12 => ", read message",
        13 => ", read tag, descriptor, date",
        14 => ", read primary variable transducer information",
        15 => ", read device information",
        16 => ", read final assembly number",
        17..=19 | 22 | 34..=47 => ", a write (never sent by this program)",
        20 => ", read long tag",
        33 => ", read device variables",
        48 => ", read additional device status",
        50 => ", read dynamic variable assignments",
        54 => ", read device variable information",
        74 => ", read I/O system capabilities",
        77 => ", send command to sub-device",
        84 => ", read sub-device identity summary",
        85 => ", read I/O channel statistics",
        86 => ", read sub-device statistics",
        94 => ", read I/O system client-side statistics",
        95 => ", read device communication statistics",
        _ => "",
    }
}

/// One field of a data part.
pub(super) enum Part {
    Byte(&'static str),
    Count(&'static str, usize),
    Float(&'static str),
    Unit(&'static str),
    Packed(&'static str, usize),
    Text(&'static str, usize),
    Date(&'static str),
    Extended,
    Transfer,
}

impl Part {
    pub(super) fn len(&self) -> usize {
        match self {
            Part::Byte(_) | Part::Unit(_) | Part::Extended | Part::Transfer => 1,
            Part::Date(_) => 3,
            Part::Float(_) => 4,
            Part::Count(_, n) | Part::Packed(_, n) | Part::Text(_, n) => *n,
        }
    }

    pub(super) fn meaning(&self, bytes: &[u8]) -> String {
        let number = bytes
            .iter()
            .take(4)
            .fold(0u32, |a, b| a << 8 | u32::from(*b));
        match self {
            Part::Byte(name) => format!("{name} {number}"),
            Part::Count(name, _) => format!(
                "{name} {number} (0x{number:0width$X})",
                width = bytes.len() * 2
            ),
            Part::Float(name) if number == 0x7FA0_0000 => format!("{name}: not available"),
            Part::Float(name) => format!("{name} {}", f32::from_bits(number)),
            Part::Unit(name) => match ingest_hart::unit_code::unit_text(number as u8) {
                Some(unit) => format!("{name} unit {unit} (code {number})"),
                None => format!("{name} unit code {number}"),
            },
            Part::Packed(name, _) => {
                format!(
                    "{name} \"{}\"",
                    PackedAscii(bytes).chars().collect::<String>().trim_end()
                )
            }
            Part::Text(name, _) => {
                let text: String = Latin1(bytes).chars().filter(|c| !c.is_control()).collect();
                format!("{name} \"{}\"", text.trim_end())
            }
            Part::Date(name) => match bytes {
                [day, month, year] => {
                    format!("{name} {}-{month:02}-{day:02}", 1900 + u16::from(*year))
                }
                _ => (*name).to_owned(),
            },
            Part::Extended => {
                let bits: Vec<_> =
                    names_of(number as u8 & EXTENDED_STATUS_MASK, &EXTENDED_STATUS_BITS).collect();
                let text = if bits.is_empty() {
                    "nothing set".to_owned()
                } else {
                    bits.join(", ")
                };
                format!("extended field device status: {text}")
            }
            Part::Transfer => {
                let text = match number {
                    0 => " (linear)",
                    1 => " (square root)",
                    _ => "",
                };
                format!("transfer function code {number}{text}")
            }
        }
    }
}

/// Fields of the answers of universal commands (HCF_SPEC-127).
pub(super) fn layout(command: u8) -> &'static [Part] {
    use Part::*;
    match command {
        0 | 11 => &[
            Byte("expansion code"),
            Count("expanded device type", 2),
            Byte("preambles wanted in requests"),
            Byte("protocol revision"),
            Byte("device revision"),
            Byte("software revision"),
            Byte("hardware revision and signalling, packed"),
            Byte("flags"),
            Count("device ID", 3),
            Byte("preambles in answers"),
            Byte("device variables"),
            Count("configuration change counter", 2),
            Extended,
            Count("manufacturer code", 2),
            Count("private label distributor code", 2),
            Byte("device profile"),
        ],
        1 => &[Unit("primary variable"), Float("primary variable")],
        2 => &[Float("loop current, mA:"), Float("percent of range")],
        3 => &[
            Float("loop current, mA:"),
            Unit("primary variable"),
            Float("primary variable"),
            Unit("secondary variable"),
            Float("secondary variable"),
            Unit("tertiary variable"),
            Float("tertiary variable"),
            Unit("quaternary variable"),
            Float("quaternary variable"),
        ],
        7 => &[
            Byte("polling address"),
            Byte("loop current mode (1 = enabled)"),
        ],
        12 => &[Packed("message", 24)],
        13 => &[Packed("tag", 6), Packed("descriptor", 12), Date("date")],
        14 => &[
            Count("transducer serial number", 3),
            Unit("transducer limits"),
            Float("upper transducer limit"),
            Float("lower transducer limit"),
            Float("minimum span"),
        ],
        15 => &[
            Byte("alarm selection code"),
            Transfer,
            Unit("range"),
            Float("upper range value"),
            Float("lower range value"),
            Float("damping, s:"),
            Byte("write protect code"),
            Byte("private label code"),
            Byte("analog channel flags"),
        ],
        16 => &[Count("final assembly number", 3)],
        20 => &[Text("long tag", 32)],
        50 => &[
            Byte("primary variable is device variable"),
            Byte("secondary variable is device variable"),
            Byte("tertiary variable is device variable"),
            Byte("quaternary variable is device variable"),
        ],
        _ => &[],
    }
}
