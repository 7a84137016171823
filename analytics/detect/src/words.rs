//! Words: each finding's sentence from its numbers; what to look at and what to mind is in `advice`.
//!
//! The program never says that a loop is safe, that a proof test may be skipped or a calibration is not
//! due. The site's procedures, local codes and licensed practice decide.

mod advice;

pub use self::advice::{cautions, checks};
use crate::finding::{Evidence, Kind, Signal};
use crate::history::Draft;
use ingest_model::{LoopEntry, Scope, UtcMicros};

/// A signed number with the minus sign U+2212.
fn signed(v: f64, decimals: usize) -> String {
    let s = format!("{:.*}", decimals, v.abs());
    if s.trim_start_matches(['0', '.']).is_empty() {
        s
    } else if v < 0.0 {
        format!("\u{2212}{s}")
    } else {
        format!("+{s}")
    }
}

fn plain(v: f64, decimals: usize) -> String {
    let s = format!("{:.*}", decimals, v.abs());
    if v < 0.0 && !s.trim_start_matches(['0', '.']).is_empty() {
        format!("\u{2212}{s}")
    } else {
        s
    }
}

fn num(d: &Draft, key: &str) -> f64 {
    match d.evidence.get(key) {
        Some(Evidence::Number(v)) => *v,
        Some(Evidence::Count(n)) => *n as f64,
        _ => f64::NAN,
    }
}

fn text<'a>(d: &'a Draft, key: &str) -> &'a str {
    match d.evidence.get(key) {
        Some(Evidence::Text(t)) => t,
        _ => "",
    }
}

fn date(t: UtcMicros) -> String {
    let s = t.to_rfc3339();
    // 2026-03-02T14:05 -> 2 Mar 14:05
    const MONTHS: [&str; 12] = [
        "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
    ];
    let month = s
        .get(5..7)
        .and_then(|m| m.parse::<usize>().ok())
        .and_then(|m| MONTHS.get(m.wrapping_sub(1)));
    match (
        s.get(8..10).and_then(|d| d.parse::<u32>().ok()),
        month,
        s.get(11..16),
    ) {
        (Some(d), Some(m), Some(hm)) => format!("{d} {m} {hm}"),
        _ => s,
    }
}

/// Small counts as words, to begin a sentence.
pub fn count_word(n: usize) -> String {
    const WORDS: [&str; 13] = [
        "None", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten",
        "Eleven", "Twelve",
    ];
    WORDS
        .get(n)
        .map_or_else(|| n.to_string(), |w| (*w).to_owned())
}

/// Chance as "2 in 100 000".
pub fn chance(p: f64) -> String {
    if p < 1e-9 {
        return "below 1 in 1 000 000 000".to_owned();
    }
    let mut base = 100.0;
    let mut text = "100".to_owned();
    for (b, t) in [
        (1e3, "1 000"),
        (1e4, "10 000"),
        (1e5, "100 000"),
        (1e6, "1 000 000"),
        (1e9, "1 000 000 000"),
    ] {
        if p * base >= 1.0 {
            break;
        }
        base = b;
        text = t.to_owned();
    }
    format!("{:.0} in {text}", (p * base).round().max(1.0))
}

pub fn scope_words(s: Scope) -> &'static str {
    match s {
        Scope::Gateway => "gateway",
        Scope::Modem => "modem",
        Scope::InputCard => "input card",
        Scope::JunctionBox => "junction box",
        Scope::Supply => "supply",
        Scope::Area => "area",
        Scope::DeviceType => "device type",
        Scope::DeviceRevision => "device type and revision",
    }
}

/// A kind (and cause) in words, for lists.
pub fn kind_words(kind: Kind, cause: Option<&str>) -> &'static str {
    match (kind, cause) {
        (Kind::AnalogDigitalDrift, Some("supply-limited")) => "the current stops at a ceiling",
        (Kind::AnalogDigitalDrift, Some("intermittent")) => {
            "current and digital value part in episodes"
        }
        (Kind::AnalogDigitalDrift, Some("scaling")) => "the registered range is not the one in use",
        (Kind::AnalogDigitalDrift, _) => "current and digital value drift apart",
        (Kind::StuckValue, _) => "a value that stopped moving",
        (Kind::RisingErrors, _) => "failed exchanges rose",
        (Kind::NoReply, _) => "no reply",
        (Kind::FixedCurrent, _) => "loop current held fixed",
        (Kind::CurrentOutOfRange, _) => "current out of range",
        (Kind::NoiseChange, _) => "short-term scatter changed",
        (Kind::DeviceStatus, _) => "the device reports trouble",
        (Kind::StatusChatter, _) => "a status bit comes and goes",
        (Kind::Restarts, _) => "repeated cold starts",
        (Kind::ConfigurationChange, _) => "configuration changed",
        (Kind::PeerDisagreement, _) => "departs from its companions",
    }
}

/// The finding's sentence.
pub fn summary(d: &Draft, l: &LoopEntry) -> String {
    match d.kind {
        Kind::AnalogDigitalDrift => drift(d, l),
        Kind::StuckValue => stuck(d, l),
        Kind::RisingErrors => format!(
            "Failed exchanges rose from {:.1} to {:.1} % since {}, {:.1} times as many.",
            100.0 * num(d, "failed_share_before"),
            100.0 * num(d, "failed_share_after"),
            date(d.onset),
            num(d, "rise_ratio")
        ),
        Kind::NoReply => {
            let polls = num(d, "polls_without_reply");
            let tail = match text(d, "current") {
                "gone" => " The current is gone too: the loop has lost its wire or its supply.",
                "still there" => " The current still arrives, so the loop has power.",
                _ => "",
            };
            match d.ended {
                None if polls > 0.0 => {
                    format!("No answer since {}, {polls:.0} polls.{tail}", date(d.onset))
                }
                None => format!(
                    "No rows since {} while its gateway's other loops have theirs.{tail}",
                    date(d.onset)
                ),
                Some(e) => format!(
                    "No answer from {} to {}, {polls:.0} polls.{tail}",
                    date(d.onset),
                    date(e)
                ),
            }
        }
        Kind::FixedCurrent => format!(
            "The current has stood at {:.3} mA since {} while the digital value moved over {:.1} % of span: the device holds its output.",
            num(d, "held_at_ma"),
            date(d.onset),
            num(d, "witness_moved_pct")
        ),
        Kind::CurrentOutOfRange => rails(d),
        Kind::DeviceStatus => format!(
            "The device reports \u{201c}{}\u{201d} since {}{}.",
            text(d, "bits"),
            date(d.onset),
            d.ended
                .map(|e| format!(", until {}", date(e)))
                .unwrap_or_default()
        ),
        Kind::StatusChatter => format!(
            "The bit \u{201c}{}\u{201d} came and went {:.0} times since {}.",
            text(d, "bit"),
            num(d, "times"),
            date(d.onset)
        ),
        Kind::Restarts => format!(
            "{} cold starts since {}.",
            count_word(num(d, "cold_starts") as usize),
            date(d.onset)
        ),
        Kind::ConfigurationChange => {
            let fixed = num(d, "fixed_current_min");
            let with = if fixed >= 1.0 {
                format!(" with {fixed:.0} minutes of fixed current")
            } else {
                String::new()
            };
            format!(
                "Configuration changed on {}{with}, not announced (counter {:.0} to {:.0}).",
                date(d.onset),
                num(d, "counter_before"),
                num(d, "counter_after")
            )
        }
        Kind::NoiseChange => format!(
            "Short-term scatter is {:.2} of this loop's own past at like level since {}.",
            num(d, "scatter_ratio"),
            date(d.onset)
        ),
        Kind::PeerDisagreement => format!(
            "It reads {} % of span from its companions, which agree with each other, since {}.",
            signed(num(d, "departure_pct"), 2),
            date(d.onset)
        ),
    }
}

fn drift(d: &Draft, l: &LoopEntry) -> String {
    let dev = d.deviation_pct.unwrap_or(f64::NAN);
    let way = if dev < 0.0 { "below" } else { "above" };
    let rate = d
        .rate_pct_per_day
        .map(|r| format!(", {} % more each day", plain(r.abs(), 3)))
        .unwrap_or_default();
    let when = match d.reaches_sorted() {
        Some((mid, low, high)) => {
            format!(
                " At this pace it reaches {} % about {}, between {} and {} with 80 % probability.",
                l.tolerance_pct,
                date(mid),
                date(low),
                date(high)
            )
        }
        None if dev.abs() > l.tolerance_pct => {
            format!(" That is beyond the tolerance of {} %.", l.tolerance_pct)
        }
        None => String::new(),
    };
    let ended = d
        .ended
        .map(|e| format!(" It ended {}.", date(e)))
        .unwrap_or_default();
    match d.cause {
        Some("supply-limited") => format!(
            "The current stops rising at {:.2} mA though up to {:.2} mA is asked, since {}.{} Whether a failure current of 21 mA can pass is not shown.{ended}",
            num(d, "ceiling_ma"),
            num(d, "asked_ma"),
            date(d.onset),
            if num(d, "below_ceiling_pct").is_finite() {
                format!(
                    " Below that the two agree to {} %.",
                    plain(num(d, "below_ceiling_pct").abs().max(0.01), 2)
                )
            } else {
                String::new()
            }
        ),
        Some("scaling") if num(d, "host_lrv").is_finite() => format!(
            "The host reads this current as {} to {} {}, the device drives it for {} to {} {}.",
            num(d, "host_lrv"),
            num(d, "host_urv"),
            l.pv_unit,
            l.range.lrv,
            l.range.urv,
            l.pv_unit
        ),
        Some("scaling") => {
            let range = if num(d, "device_lrv").is_finite() {
                format!(
                    " Both fit {} to {} {}, the register says {} to {}.",
                    trim(num(d, "device_lrv"), l),
                    trim(num(d, "device_urv"), l),
                    l.pv_unit,
                    l.range.lrv,
                    l.range.urv
                )
            } else {
                String::new()
            };
            format!(
                "The registered range is not the one in use: {} % of span at 4 mA, {} % at 20 mA, since {}.{range}{ended}",
                signed(num(d, "zero_scale_pct"), 2),
                signed(num(d, "full_scale_pct"), 2),
                date(d.onset)
            )
        }
        Some("intermittent") => format!(
            "The current leaves the digital value by {} % of span in {:.0} episodes since {}, {:.1} % of the time; between them the two agree.{}{ended}",
            signed(num(d, "episode_pct"), 1),
            num(d, "episodes"),
            date(d.onset),
            100.0 * num(d, "share_of_samples"),
            if text(d, "clock").is_empty() {
                String::new()
            } else {
                format!(" Most begin between {}.", text(d, "clock"))
            }
        ),
        Some("span") => format!(
            "The current arrives {} % of span {way} the digital value where the loop usually runs, more at high current ({} % at 20 mA), since {}{rate}.{when}{ended}",
            plain(dev.abs(), 2),
            signed(num(d, "full_scale_pct"), 2),
            date(d.onset)
        ),
        _ => format!(
            "The current arrives {} % of span {way} the digital value over the range visited, since {}{rate}.{when}{ended}",
            plain(dev.abs(), 2),
            date(d.onset)
        ),
    }
}

fn trim(v: f64, l: &LoopEntry) -> String {
    let span = (l.range.urv - l.range.lrv).abs();
    let decimals = (3.0 - span.log10()).ceil().clamp(0.0, 6.0) as usize;
    plain(v, decimals)
}

fn stuck(d: &Draft, l: &LoopEntry) -> String {
    let hours = num(d, "hours_held");
    let held = if hours >= 48.0 {
        format!("{:.1} days", hours / 24.0)
    } else {
        format!("{hours:.0} hours")
    };
    let stood = if d.ended.is_some() {
        "stood"
    } else {
        "has stood"
    };
    match d.signal {
        Some(Signal::Analog) => format!(
            "The measured current {stood} at {:.2} mA for {held} while the digital value moved over {:.1} % of span.",
            num(d, "held_at_ma"),
            num(d, "witness_moved_pct")
        ),
        Some(Signal::Digital) if num(d, "witness_moved_pct").is_finite() => format!(
            "The digital value {stood} at {:.1} % of range for {held} while the current moved over {:.1} % of span.",
            num(d, "held_at_pct"),
            num(d, "witness_moved_pct")
        ),
        _ => format!(
            "{} at {:.1} % of range for {held} of running plant; its longest other rest was {}.{}",
            match (d.signal == Some(Signal::Both), d.ended.is_some()) {
                (true, true) => "Digital value and current both stood",
                (true, false) => "Digital value and current have both stood",
                (false, true) => "The value stood",
                (false, false) => "The value has stood",
            },
            num(d, "held_at_pct"),
            rest(num(d, "longest_other_rest_h")),
            if l.area.is_some() {
                " The loops around it moved."
            } else {
                ""
            }
        ),
    }
}

/// How long a rest lasted.
fn rest(hours: f64) -> String {
    if hours < 1.0 {
        "under an hour".to_owned()
    } else if hours < 1.5 {
        "an hour".to_owned()
    } else {
        format!("{hours:.0} hours")
    }
}

fn rails(d: &Draft) -> String {
    let until = d
        .ended
        .map(|e| format!(" to {}", date(e)))
        .unwrap_or_default();
    let since = if d.ended.is_some() { "from" } else { "since" };
    match d.cause {
        Some("failure-low") => format!(
            "The current is at or below 3.6 mA {since} {}{until} ({:.2} mA at the lowest): the failure signal, or a lost wire or supply.",
            date(d.onset),
            num(d, "lowest_ma")
        ),
        Some("failure-high") => format!(
            "The current is at or above 21.0 mA {since} {}{until} ({:.2} mA at the highest): the failure signal.",
            date(d.onset),
            num(d, "highest_ma")
        ),
        Some("saturated-low") => {
            format!(
                "The current rests at its lower limit, {:.2} mA, {since} {}{until}: below it the value is not known.",
                num(d, "lowest_ma"),
                date(d.onset)
            )
        }
        _ => format!(
            "The current rests at its upper limit, {:.2} mA, {since} {}{until}: above it the value is not known.",
            num(d, "highest_ma"),
            date(d.onset)
        ),
    }
}
