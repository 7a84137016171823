//! Data of the reads that a site has to open (HCF_SPEC-151), and names of writes, which this program never sends.

use super::fields::{Kind, Part, dynamic, output, p, slots};

pub(super) fn command_name(command: u16) -> &'static str {
    match command {
        57 => ", read unit tag, descriptor, date",
        60 => ", read analog channel and percent of range",
        61 => ", read dynamic variables and primary variable analog channel",
        62 => ", read analog channels",
        63 => ", read analog channel information",
        70 => ", read analog channel end points",
        76 => ", read lock state",
        78 => ", aggregated commands (never sent by this program)",
        80 => ", read device variable trim points",
        81 => ", read device variable trim guidelines",
        90 => ", read real-time clock",
        91 => ", read trend configuration",
        93 => ", read trend",
        101 => ", read sub-device to burst message map",
        105 => ", read burst mode configuration",
        110 => ", read all dynamic variables",
        115 => ", read event notification summary",
        49 | 51..=53 | 55 | 56 | 58 | 59 | 64..=69 | 71..=73 | 79 | 82 | 83 | 87..=89 => {
            ", a write (never sent by this program)"
        }
        92 | 97 | 99 | 100 | 102..=104 | 106..=109 | 111..=113 | 116..=119 => {
            ", a write (never sent by this program)"
        }
        515 => ", read event manager",
        516 => ", read location",
        518 => ", read location text",
        532 => ", read subscriptions",
        534 => ", read device variable command code",
        513 | 514 | 517 | 519 | 521 | 522 | 524..=527 | 530 | 531 | 533 | 539..=542 | 544..=547 => {
            ", a write (never sent by this program)"
        }
        _ => "",
    }
}

pub(super) fn request_layout(command: u16, len: usize) -> Vec<Part> {
    use Kind::Byte;
    match command {
        60 | 63 | 70 => vec![p("channel", "analog channel", Byte)],
        62 => slots(len, &[("channel", "analog channel", Byte)]),
        80 | 81 | 534 => vec![p("code", "device variable code", Byte)],
        91 | 93 => vec![p("trend", "trend", Byte)],
        101 | 105 => vec![p("message", "burst message", Byte)],
        115 => vec![p("event", "event", Byte)],
        532 => vec![p("address", "device address", Kind::Raw(5))],
        _ => Vec::new(),
    }
}

pub(super) fn layout(command: u16, len: usize) -> Vec<Part> {
    use Kind::*;
    let date = |name: [&'static str; 3], label: [&'static str; 3]| {
        name.into_iter().zip(label).map(|(n, l)| p(n, l, Byte))
    };
    match command {
        57 => super::fields::layout(13, len),
        60 => vec![
            p("channel", "analog channel", Byte),
            p("level_unit", "level", Unit),
            p("level", "level", Float),
            p("percent", "percent of range", Float),
        ],
        61 => [
            p("level_unit", "analog level", Unit),
            p("level", "analog level", Float),
        ]
        .into_iter()
        .chain(dynamic())
        .collect(),
        62 => slots(
            (len / 6).min(4),
            &[
                ("channel", "analog channel", Byte),
                ("unit", "level", Unit),
                ("level", "level", Float),
            ],
        ),
        63 => [p("channel", "analog channel", Byte)]
            .into_iter()
            .chain(output())
            .chain([p("channel_flags", "analog channel flags", Bits)])
            .collect(),
        70 => vec![
            p("channel", "analog channel", Byte),
            p("level_unit", "end points", Unit),
            p("upper_end", "upper end point", Float),
            p("lower_end", "lower end point", Float),
            p("upper_limit", "upper limit", Float),
            p("lower_limit", "lower limit", Float),
        ],
        76 => vec![p(
            "lock",
            "locked (1), permanently (2), by the primary master (4), configuration cannot change (8), by a gateway (16):",
            Bits,
        )],
        80 => vec![
            p("code", "device variable code", Byte),
            p("unit", "trim points", Unit),
            p("lower_trim", "lower trim point", Float),
            p("upper_trim", "upper trim point", Float),
        ],
        81 => vec![
            p("code", "device variable code", Byte),
            p("trim_points", "trim points supported", Byte),
            p("unit", "trim limits", Unit),
            p("min_lower", "least lower trim point", Float),
            p("max_lower", "most lower trim point", Float),
            p("min_upper", "least upper trim point", Float),
            p("max_upper", "most upper trim point", Float),
            p("min_difference", "least difference", Float),
        ],
        90 => date(
            ["day", "month", "year"],
            ["date: day", "date: month", "date: year less 1900"],
        )
        .chain([p("clock", "time", Time)])
        .chain(date(
            ["set_day", "set_month", "set_year"],
            [
                "last set: day",
                "last set: month",
                "last set: year less 1900",
            ],
        ))
        .chain([
            p("set_time", "last set: time", Time),
            p("clock_flags", "non-volatile (1), never set (2):", Bits),
        ])
        .collect(),
        91 => vec![
            p("trend", "trend", Byte),
            p("trends", "trends of the device", Byte),
            p(
                "control",
                "control (0 off, 1 sampled, 2 filtered, 3 average)",
                Byte,
            ),
            p("code", "device variable code", Byte),
            p("interval", "interval, 1/32 ms:", Count(4)),
        ],
        93 => [
            p("trend", "trend", Byte),
            p("code", "device variable code", Byte),
            p("classification", "classification", Byte),
            p("unit", "values", Unit),
        ]
        .into_iter()
        .chain(date(
            ["day", "month", "year"],
            [
                "first value: day",
                "first value: month",
                "first value: year less 1900",
            ],
        ))
        .chain([
            p("first_time", "first value: time", Time),
            p("interval", "interval, 1/32 ms:", Count(4)),
        ])
        .chain(slots(
            (len.saturating_sub(15) / 5).min(12),
            &[
                ("value", "value", Float),
                ("status", "device variable status", Bits),
            ],
        ))
        .collect(),
        101 => vec![
            p("message", "burst message", Byte),
            p("index", "sub-device index", Count(2)),
        ],
        105 => [
            p(
                "control",
                "control (0 off, 1 token passing, 2 TDMA, 3 both, 4 HART-IP)",
                Byte,
            ),
            p(
                "published",
                "command that is published (31: the extended one)",
                Byte,
            ),
        ]
        .into_iter()
        .chain(slots(
            len.saturating_sub(2).min(8),
            &[("code", "device variable code", Byte)],
        ))
        .chain([
            p("message", "burst message", Byte),
            p("messages", "burst messages of the device", Byte),
            p(
                "extended_published",
                "extended command that is published",
                Count(2),
            ),
            p("update_period", "update period, 1/32 ms:", Count(4)),
            p(
                "longest_period",
                "longest update period, 1/32 ms:",
                Count(4),
            ),
            p(
                "trigger",
                "trigger (0 continuous, 1 window, 2 rising, 3 falling, 4 on change)",
                Byte,
            ),
            p("classification", "classification", Byte),
            p("level_unit", "trigger level", Unit),
            p("level", "trigger level", Float),
        ])
        .collect(),
        110 => dynamic().collect(),
        115 => {
            let mut all = vec![
                p("event", "event", Byte),
                p("events", "events of the device", Byte),
                p("control", "status (high) and control (low)", Bits),
                p(
                    "first_unacknowledged",
                    "first not acknowledged, 1/32 ms:",
                    Count(4),
                ),
                p("retry", "retry, 1/32 ms:", Count(4)),
                p("longest_update", "longest update, 1/32 ms:", Count(4)),
                p("debounce", "debounce, 1/32 ms:", Count(4)),
            ];
            if len > 19 {
                all.push(p("mask", "status bits that raise it", Raw(len - 19)));
            }
            all
        }
        515 => vec![p("manager", "event manager flags", Bits)],
        516 => vec![
            p("latitude", "latitude", Float),
            p("longitude", "longitude", Float),
            p("method", "method", Byte),
            p("altitude", "altitude", Float),
        ],
        518 => vec![p("location_text", "location", Text(32))],
        532 => vec![
            p("address", "device address", Raw(5)),
            p(
                "subscriptions",
                "process data (1), event (2), device status (4), configuration (8):",
                Count(2),
            ),
        ],
        534 => vec![
            p("code", "device variable code", Byte),
            p(
                "command_code",
                "command code (1 = fixed or simulated)",
                Byte,
            ),
            p("unit", "value", Unit),
            p("value", "value", Float),
            p("status", "device variable status", Bits),
        ],
        _ => Vec::new(),
    }
}
