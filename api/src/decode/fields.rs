//! What the data bytes of commands mean (HCF_SPEC-127, HCF_SPEC-151; HCF_SPEC-183 for codes).

use super::opened;
use super::sheet::Value;
use ingest_hart::status::{EXTENDED_STATUS_BITS, EXTENDED_STATUS_MASK, names_of};
use ingest_hart::{Latin1, PackedAscii, Time32};
use std::borrow::Cow;

/// `, what the command does`, empty where it is not known.
pub(super) fn command_name(command: u16) -> &'static str {
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
        21 => ", read unique identifier by long tag",
        31 => ", extended command",
        33 => ", read device variables",
        48 => ", read additional device status",
        50 => ", read dynamic variable assignments",
        54 => ", read device variable information",
        74 => ", read I/O system capabilities",
        75 => ", poll sub-device",
        77 => ", send command to sub-device",
        84 => ", read sub-device identity summary",
        85 => ", read I/O channel statistics",
        86 => ", read sub-device statistics",
        94 => ", read I/O system client-side statistics",
        95 => ", read device communication statistics",
        512 => ", read country code",
        520 => ", read process unit tag",
        523 => ", read condensed status map",
        _ => opened::command_name(command),
    }
}

/// How a field is coded.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Kind {
    Byte,
    Bits,
    Count(usize),
    Float,
    Unit,
    Packed(usize),
    Text(usize),
    /// Bytes without a table for their meaning.
    Raw(usize),
    Extended,
    Transfer,
    Time,
}

/// One field of a data part.
#[derive(Clone, Debug)]
pub(super) struct Part {
    pub(super) name: Cow<'static, str>,
    label: Cow<'static, str>,
    kind: Kind,
}

pub(super) fn p(name: &'static str, label: &'static str, kind: Kind) -> Part {
    Part {
        name: name.into(),
        label: label.into(),
        kind,
    }
}

impl Part {
    pub(super) fn len(&self) -> usize {
        match self.kind {
            Kind::Byte | Kind::Bits | Kind::Unit | Kind::Extended | Kind::Transfer => 1,
            Kind::Float | Kind::Time => 4,
            Kind::Count(n) | Kind::Packed(n) | Kind::Text(n) | Kind::Raw(n) => n,
        }
    }

    pub(super) fn meaning(&self, bytes: &[u8]) -> (Value, String) {
        let label = &self.label;
        let number = bytes
            .iter()
            .take(4)
            .fold(0u32, |a, b| a << 8 | u32::from(*b));
        let integer = Value::Number(u64::from(number));
        match self.kind {
            Kind::Byte => (integer, format!("{label} {number}")),
            Kind::Bits => (integer, format!("{label} {number:#04X}")),
            Kind::Count(n) => (
                integer,
                format!("{label} {number} (0x{number:0width$X})", width = n * 2),
            ),
            Kind::Float => {
                let value = f32::from_bits(number);
                let text = if number == 0x7FA0_0000 {
                    format!("{label}: not available")
                } else {
                    format!("{label} {value}")
                };
                (Value::Float(value), text)
            }
            Kind::Unit => {
                let text = match ingest_hart::unit_code::unit_text(number as u8) {
                    Some(unit) => format!("{label} unit {unit} (code {number})"),
                    None => format!("{label} unit code {number}"),
                };
                (integer, text)
            }
            Kind::Packed(_) => {
                let text: String = PackedAscii(bytes).chars().collect();
                let text = text.trim_end();
                (Value::Text(text.to_owned()), format!("{label} \"{text}\""))
            }
            Kind::Text(_) => {
                let text: String = Latin1(bytes).chars().filter(|c| !c.is_control()).collect();
                let text = text.trim_end();
                (Value::Text(text.to_owned()), format!("{label} \"{text}\""))
            }
            Kind::Raw(_) => (Value::None, label.to_string()),
            Kind::Extended => {
                let bits: Vec<_> =
                    names_of(number as u8 & EXTENDED_STATUS_MASK, &EXTENDED_STATUS_BITS).collect();
                let text = if bits.is_empty() {
                    "nothing set".to_owned()
                } else {
                    bits.join(", ")
                };
                (integer, format!("{label}: {text}"))
            }
            Kind::Transfer => {
                let text = match number {
                    0 => " (linear)",
                    1 => " (square root)",
                    _ => "",
                };
                (integer, format!("{label} {number}{text}"))
            }
            Kind::Time => (integer, format!("{label} {}", Time32(number))),
        }
    }
}

const ROLES: [(&str, &str); 4] = [
    ("pv", "primary variable"),
    ("sv", "secondary variable"),
    ("tv", "tertiary variable"),
    ("qv", "quaternary variable"),
];

/// `unit` and value of the four dynamic variables.
pub(super) fn dynamic() -> impl Iterator<Item = Part> {
    ROLES.into_iter().flat_map(|(short, label)| {
        [("_unit", Kind::Unit), ("", Kind::Float)].map(|(end, kind)| Part {
            name: format!("{short}{end}").into(),
            label: label.into(),
            kind,
        })
    })
}

fn of_roles(end: &'static str, label_end: &'static str) -> Vec<Part> {
    let one = |(short, label)| Part {
        name: format!("{short}{end}").into(),
        label: format!("{label} {label_end}").into(),
        kind: Kind::Byte,
    };
    ROLES.into_iter().map(one).collect()
}

/// Serial number and limits of a transducer.
fn transducer() -> impl Iterator<Item = Part> {
    [
        p(
            "transducer_serial",
            "transducer serial number",
            Kind::Count(3),
        ),
        p("transducer_unit", "transducer limits", Kind::Unit),
        p("upper_limit", "upper transducer limit", Kind::Float),
        p("lower_limit", "lower transducer limit", Kind::Float),
    ]
    .into_iter()
}

/// How an analog channel turns a value into current.
pub(super) fn output() -> impl Iterator<Item = Part> {
    [
        p("alarm", "alarm selection code", Kind::Byte),
        p("transfer", "transfer function code", Kind::Transfer),
        p("range_unit", "range", Kind::Unit),
        p("urv", "upper range value", Kind::Float),
        p("lrv", "lower range value", Kind::Float),
        p("damping_s", "damping, s:", Kind::Float),
    ]
    .into_iter()
}

/// The same fields for slot after slot.
pub(super) fn slots(count: usize, fields: &[(&'static str, &'static str, Kind)]) -> Vec<Part> {
    let slot = |n: usize| {
        fields.iter().map(move |(name, label, kind)| Part {
            name: format!("slot{n}_{name}").into(),
            label: format!("slot {n}: {label}").into(),
            kind: *kind,
        })
    };
    (0..count).flat_map(slot).collect()
}

/// Fields of a request's data.
pub(super) fn request_layout(command: u16, len: usize) -> Vec<Part> {
    use Kind::*;
    match command {
        9 | 33 => slots(len, &[("code", "device variable code", Byte)]),
        11 => vec![p("tag", "tag", Packed(6))],
        21 => vec![p("long_tag", "long tag", Text(32))],
        54 => vec![p("code", "device variable code", Byte)],
        75 => vec![
            p("io_card", "I/O card", Byte),
            p("channel", "channel", Byte),
            p("polling_address", "polling address", Byte),
        ],
        84 | 86 => vec![p("index", "sub-device index", Count(2))],
        85 => vec![
            p("io_card", "I/O card", Byte),
            p("channel", "channel", Byte),
        ],
        523 => vec![
            p("first_entry", "first entry", Byte),
            p("entries", "entries", Byte),
        ],
        _ => opened::request_layout(command, len),
    }
}

/// Fields of an answer's data. `len` decides where newer revisions have more.
pub(super) fn layout(command: u16, len: usize) -> Vec<Part> {
    use Kind::*;
    match command {
        0 | 11 | 21 | 75 => vec![
            p("expansion_code", "expansion code", Byte),
            p("device_type", "expanded device type", Count(2)),
            p("request_preambles", "preambles wanted in requests", Byte),
            p("universal_revision", "protocol revision", Byte),
            p("device_revision", "device revision", Byte),
            p("software_revision", "software revision", Byte),
            p("hardware", "hardware revision and signalling, packed", Bits),
            p("flags", "flags", Bits),
            p("device_id", "device ID", Count(3)),
            p("answer_preambles", "preambles in answers", Byte),
            p("last_variable", "device variables", Byte),
            p("config_changes", "configuration change counter", Count(2)),
            p("extended_status", "extended field device status", Extended),
            p("manufacturer", "manufacturer code", Count(2)),
            p("private_label", "private label distributor code", Count(2)),
            p("profile", "device profile", Byte),
        ],
        1 => dynamic().take(2).collect(),
        2 => vec![
            p("loop_ma", "loop current, mA:", Float),
            p("percent", "percent of range", Float),
        ],
        3 => [p("loop_ma", "loop current, mA:", Float)]
            .into_iter()
            .chain(dynamic())
            .collect(),
        7 => vec![
            p("loop_polling_address", "polling address", Byte),
            p("loop_current_mode", "loop current mode (1 = enabled)", Byte),
        ],
        8 => of_roles("_classification", "classification"),
        9 => {
            let mut all = vec![p(
                "extended_status",
                "extended field device status",
                Extended,
            )];
            all.extend(slots(
                (len.saturating_sub(1) / 8).min(8),
                &[
                    ("code", "device variable code", Byte),
                    ("classification", "classification", Byte),
                    ("unit", "value", Unit),
                    ("value", "value", Float),
                    ("status", "device variable status", Bits),
                ],
            ));
            all.push(p("slot0_time", "time of slot 0", Time));
            all
        }
        12 => vec![p("message", "message", Packed(24))],
        13 => vec![
            p("tag", "tag", Packed(6)),
            p("descriptor", "descriptor", Packed(12)),
            p("day", "date: day", Byte),
            p("month", "date: month", Byte),
            p("year", "date: year less 1900", Byte),
        ],
        14 => transducer()
            .chain([p("min_span", "minimum span", Float)])
            .collect(),
        15 => output()
            .chain([
                p("write_protect", "write protect code", Byte),
                p("private_label_code", "private label code", Byte),
                p("channel_flags", "analog channel flags", Bits),
            ])
            .collect(),
        16 => vec![p("final_assembly", "final assembly number", Count(3))],
        20 => vec![p("long_tag", "long tag", Text(32))],
        33 => slots(
            (len / 6).min(4),
            &[
                ("code", "device variable code", Byte),
                ("unit", "value", Unit),
                ("value", "value", Float),
            ],
        ),
        48 => {
            let mut all = vec![
                p("specific_0", "device-specific status", Raw(6.min(len))),
                p("extended_status", "extended field device status", Extended),
                p("operating_mode", "operating mode", Byte),
                p("standardized_0", "standardized status 0", Bits),
                p("standardized_1", "standardized status 1", Bits),
                p("analog_saturated", "analog channels saturated", Bits),
                p("standardized_2", "standardized status 2", Bits),
                p("standardized_3", "standardized status 3", Bits),
                p("analog_fixed", "analog channels fixed", Bits),
            ];
            if len > 14 {
                let rest = (len - 14).min(11);
                all.push(p("specific_1", "device-specific status", Raw(rest)));
            }
            all
        }
        50 => of_roles("_code", "is device variable"),
        54 => [p("code", "device variable code", Byte)]
            .into_iter()
            .chain(transducer())
            .chain([
                p("damping_s", "damping, s:", Float),
                p("min_span", "minimum span", Float),
                p("classification", "classification", Byte),
                p("family", "device family", Byte),
                p(
                    "acquisition_period",
                    "acquisition period, 1/32 ms:",
                    Count(4),
                ),
                p("properties", "properties", Bits),
            ])
            .collect(),
        74 => vec![
            p("max_cards", "most I/O cards", Byte),
            p("max_channels", "most channels on a card", Byte),
            p("max_sub_devices", "most sub-devices on a channel", Byte),
            p("devices", "devices found, I/O system included", Count(2)),
            p("max_delayed", "most delayed responses", Byte),
            p("master_mode", "master mode (1 = primary)", Byte),
            p("retries", "retries", Byte),
        ],
        84 => vec![
            p("index", "sub-device index", Count(2)),
            p("io_card", "I/O card", Byte),
            p("channel", "channel", Byte),
            p("manufacturer", "manufacturer code", Count(2)),
            p("device_type", "expanded device type", Count(2)),
            p("device_id", "device ID", Count(3)),
            p("universal_revision", "protocol revision", Byte),
            p("long_tag", "long tag", Text(32)),
            p("device_revision", "device revision", Byte),
            p("profile", "device profile", Byte),
            p("private_label", "private label distributor code", Count(2)),
        ],
        85 => vec![
            p("io_card", "I/O card", Byte),
            p("channel", "channel", Byte),
            p("sent", "messages sent", Count(2)),
            p("answered", "answers received", Count(2)),
            p("other_sent", "messages of the other master", Count(2)),
            p("other_answered", "answers to the other master", Count(2)),
            p("bursts", "burst messages received", Count(2)),
        ],
        86 => vec![
            p("index", "sub-device index", Count(2)),
            p("sent", "messages sent", Count(2)),
            p("answered", "answers received", Count(2)),
            p("bursts", "burst messages received", Count(2)),
        ],
        94 => vec![
            p("from_hosts", "messages from hosts", Count(2)),
            p("to_hosts", "messages to hosts", Count(2)),
            p("forwarded", "requests to the I/O system", Count(2)),
            p("returned", "answers of the I/O system", Count(2)),
        ],
        95 => vec![
            p("received", "messages received", Count(2)),
            p("answered", "answers sent", Count(2)),
            p("bursts", "burst messages sent", Count(2)),
        ],
        512 => vec![
            p("country", "country", Text(2)),
            p("si_only", "SI units only", Byte),
        ],
        520 => vec![p("process_unit_tag", "process unit tag", Text(32))],
        523 => vec![
            p("first_entry", "first entry", Byte),
            p("entries", "entries", Byte),
            p(
                "codes",
                "condensed status codes, four bits each",
                Raw(len.saturating_sub(2)),
            ),
        ],
        _ => opened::layout(command, len),
    }
}
