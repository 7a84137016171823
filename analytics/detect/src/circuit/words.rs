//! Words of the circuit terms: evidence first, then what it does not tell. Never that a current will pass.

use super::{
    ALARM_HIGH_MA, ALARM_LOW_MA, Bounds, CircuitTerms, Leak, Leakage, Record, Resistance, Window,
    Wiring,
};
use ingest_model::UtcMicros;

/// `28 May 2026`, UTC.
fn date(t: UtcMicros) -> String {
    const MONTHS: [&str; 12] = [
        "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
    ];
    let s = t.date_string();
    let part = |r: std::ops::Range<usize>| s.get(r).and_then(|p| p.parse::<usize>().ok());
    match (
        part(8..10),
        part(5..7).and_then(|m| MONTHS.get(m.wrapping_sub(1))),
        part(0..4),
    ) {
        (Some(d), Some(m), Some(y)) => format!("{d} {m} {y}"),
        _ => s,
    }
}

/// Ohm with two to three figures and the unit that suits.
fn ohm(v: f64) -> String {
    match v {
        v if v >= 1e6 => format!("{:.1} M\u{3a9}", v / 1e6),
        v if v >= 1e4 => format!("{:.0} k\u{3a9}", v / 1e3),
        v if v >= 2e3 => format!("{:.1} k\u{3a9}", v / 1e3),
        v => format!("{v:.0} \u{3a9}"),
    }
}

fn between(b: Bounds, text: impl Fn(f64) -> String) -> String {
    format!(
        "{} (between {} and {})",
        text(b.value),
        text(b.low),
        text(b.high)
    )
}

pub(super) fn fill(t: &mut CircuitTerms, r: &Record<'_>) {
    if r.entry.multidrop {
        t.cannot_tell.push(
            "The current is parked (multi-drop): it says nothing of the wire but that it is there."
                .to_owned(),
        );
        return;
    }
    match &t.window {
        None => t.cannot_tell.push(
            "No current was measured at an input: nothing can be told of the wire, its resistance or its leakage."
                .to_owned(),
        ),
        Some(w) => {
            let stops = t.resistance.as_ref().is_some_and(|r| r.ceiling_ma.is_some());
            t.says.extend(window(w, stops));
        }
    }
    if let Some(res) = &t.resistance {
        t.says.extend(resistance(res, &t.wiring, t.window.as_ref()));
    }
    match &t.leakage {
        Some(l) => {
            t.says.extend(leakage(l));
            t.cannot_tell.push(standing(l));
        }
        None if t.window.is_some() => t.cannot_tell.push(
            "Leakage is not told: it needs two days of hours in which digital value and current were both seen."
                .to_owned(),
        ),
        None => {}
    }
    if t.window.is_some() {
        t.cannot_tell.extend(assumed(&t.wiring));
        t.cannot_tell.push(
            "Whether a current outside those seen will pass: that takes a test at the device, by the site's procedure."
                .to_owned(),
        );
    }
    if !t.wiring.unreadable.is_empty() {
        t.cannot_tell.push(format!(
            "The register holds something that is no positive number in {}; it is taken as not given.",
            t.wiring.unreadable.join(", ")
        ));
    }
}

fn window(w: &Window, stops: bool) -> Vec<String> {
    let since = match w.since {
        _ if stops => ", where it stops now".to_owned(),
        Some(t) => format!(", the highest since {}", date(t)),
        None => String::new(),
    };
    let mut out = vec![format!(
        "Currents from {:.2} mA ({}) to {:.2} mA ({}{since}) have arrived at the input; {:.3} mA is taken off for its accuracy.",
        w.lowest.current_ma,
        date(w.lowest.at),
        w.highest.current_ma,
        date(w.highest.at),
        w.input_uncertainty_ma,
    )];
    out.push(if w.alarm_high_witnessed {
        format!(
            "A current of alarm size arrived on {}; none above {:.2} mA is shown.",
            date(w.highest.at),
            w.highest.current_ma
        )
    } else {
        format!(
            "An alarm current of {ALARM_HIGH_MA} mA is not shown to pass beyond {:.2} mA.",
            w.highest.current_ma
        )
    });
    if !w.alarm_low_witnessed {
        out.push(format!(
            "One of {ALARM_LOW_MA} mA is not shown to arrive lower than {:.2} mA.",
            w.lowest.current_ma
        ));
    }
    out
}

fn resistance(r: &Resistance, w: &Wiring, seen: Option<&Window>) -> Vec<String> {
    let mut out = Vec::new();
    let with = format!(
        "with {} V of supply and {} V of lift-off",
        range(w.supply_v),
        range(w.liftoff_v)
    );
    if let (Some(ma), Some(b)) = (r.ceiling_ma, r.loop_ohm) {
        let since = r
            .ceiling_since
            .map_or_else(String::new, |t| format!(" since {}", date(t)));
        out.push(format!(
            "The current has stopped at {ma:.2} mA{since} though more was asked: {with} that is {} in the loop.",
            between(b, ohm)
        ));
    } else if let (Some(most), Some(seen)) = (r.at_most_ohm, seen) {
        out.push(format!(
            "Since {:.2} mA arrived, there were at most {} in the loop on {} ({with}).",
            seen.highest.current_ma,
            ohm(most),
            date(seen.highest.at)
        ));
    }
    if let Some(ma) = r.reachable_ma {
        out.push(format!(
            "By the register's {} V, {} V and {} Ohm's law leaves {ma:.1} mA: calculated, not witnessed.",
            range(w.supply_v),
            range(w.liftoff_v),
            ohm(w.loop_ohm.value)
        ));
    }
    out
}

fn range(b: Bounds) -> String {
    if b.low == b.high {
        format!("{:.1}", b.value)
    } else {
        format!("{:.1} to {:.1}", b.low, b.high)
    }
}

fn leakage(l: &Leakage) -> Vec<String> {
    let mut out = Vec::new();
    let one = |k: &Leak, when: &str| {
        k.resistance_ohm.map(|b| {
            format!(
                "{when} {:.3} mA arrived that the device did not send ({:.2} % of span above the loop's own lowest level): as a leak beside the device {}.",
                k.excess_ma.value,
                k.excess_pct,
                between(b, ohm)
            )
        })
    };
    let now = one(&l.now, "Over the last day of running");
    let top = one(
        &l.highest_twentieth,
        "In the twentieth of all hours in which it was highest",
    );
    match (now, top, l.now.at_least_ohm) {
        (None, None, Some(least)) => out.push(format!(
            "No leakage is told from temperature and scatter: over the last day of running a leak beside the device that comes and goes was not below {}.",
            ohm(least)
        )),
        (now, top, _) => out.extend(now.into_iter().chain(top)),
    }
    let worst = l
        .by_hour_of_day
        .iter()
        .filter(|h| h.days >= 5 && h.resistance_ohm.is_some())
        .max_by(|a, b| {
            a.excess_pct
                .unwrap_or(0.0)
                .total_cmp(&b.excess_pct.unwrap_or(0.0))
        });
    if let Some((h, r)) = worst.and_then(|h| Some((h, h.resistance_ohm?))) {
        out.push(format!(
            "By hour of day it is highest at {:02}:00 UTC, {} as a mean of {} days.",
            h.hour_utc,
            ohm(r),
            h.days
        ));
    }
    out
}

fn standing(l: &Leakage) -> String {
    match l.standing_at_least_ohm {
        Some(least) => format!(
            "A leak that never pauses cannot be told from a zero error; within the input's accuracy, one behind the standing {:+.2} % of span would not be below {}.",
            l.dry_level_pct,
            ohm(least)
        )
        .replace('-', "\u{2212}"),
        None => "A leak that never pauses cannot be told from a zero error, and is not bounded here.".to_owned(),
    }
}

fn assumed(w: &Wiring) -> Option<String> {
    let has = |names: &[&str]| w.from_register.iter().any(|c| names.contains(c));
    let mut parts = Vec::new();
    if !has(&["supply_v"]) {
        parts.push(format!("a supply of {} V (supply_v)", range(w.supply_v)));
    }
    if !has(&["liftoff_v"]) {
        parts.push(format!(
            "a lift-off voltage of {} V (liftoff_v)",
            range(w.liftoff_v)
        ));
    }
    if w.loop_ohm.low != w.loop_ohm.high {
        parts.push(format!(
            "a loop resistance of {} to {} (loop_ohm, or cable_m and cable_mm2)",
            ohm(w.loop_ohm.low),
            ohm(w.loop_ohm.high)
        ));
    }
    (!parts.is_empty()).then(|| {
        format!(
            "The register does not give {}: assumed are {}.",
            if parts.len() == 1 {
                "one figure"
            } else {
                "some figures"
            },
            parts.join(", ")
        )
    })
}
