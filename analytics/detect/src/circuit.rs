//! Circuit terms: what the two copies of a value say of the wire itself, in ohm and mA.
//!
//! Three terms, each with the bounds of what is not known: the currents that have been seen to pass (`window`), the
//! resistance of the loop behind a ceiling or below the highest current (`resistance`), and the leakage that would explain
//! current at the input that the device did not send (`leakage`), by hour of day and, over a junction box, by day. Ohm's
//! law and the register's columns are in `ohm`, the hours' excess in `leakage`, sentences in `words`.
//!
//! Nothing here says that a current will pass: only which have.

mod leakage;
mod ohm;
mod words;

pub use leakage::{Excess, FLOOR_PCT, HourExcess, WANDER_PCT, excess};
pub use ohm::{
    Bounds, COLUMNS, LIFTOFF_V, LOOP_OHM, SUPPLY_V, Wiring, cable_ohm, leak_v, loop_ohm,
    ohm_at_ceiling, reachable_ma, terminal_v,
};

use crate::block::{DayBlock, HourBlock};
use crate::finding::{rfc3339, rfc3339_opt};
use crate::history::quantile;
use ingest_model::{LoopEntry, UtcMicros, instant::MICROS_PER_HOUR};
use serde::Serialize;

/// An alarm current that devices drive when they fail high, mA (NE 43: 21.0 or more; common practice 21.5 to 22.8), and
/// the level at or below which they fail low.
pub const ALARM_HIGH_MA: f64 = 21.5;
pub const ALARM_LOW_MA: f64 = 3.6;
/// Accuracy taken of an input of which the register does not say it, % of span (common practice).
const INPUT_ACCURACY_PCT: f64 = 0.3;
/// Hours of running that tell of now.
const NOW_HOURS: usize = 24;

/// A ceiling that the drift detector found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ceiling {
    pub current_ma: f64,
    pub since: UtcMicros,
    pub ended: Option<UtcMicros>,
}

/// What the terms are made of.
#[derive(Clone, Copy, Debug)]
pub struct Record<'a> {
    pub entry: &'a LoopEntry,
    pub hours: &'a [HourBlock],
    pub days: &'a [DayBlock],
    pub ceiling: Option<Ceiling>,
}

/// A current that the input measured, less what the input may be wrong by, and when.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Seen {
    pub current_ma: f64,
    /// The last row of that day; of a highest current where a ceiling stands, of the newest hour at it.
    #[serde(serialize_with = "rfc3339")]
    #[cfg_attr(feature = "openapi", schema(value_type = String, format = DateTime))]
    pub at: UtcMicros,
}

/// Currents that have passed. Outside nothing is shown.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Window {
    pub lowest: Seen,
    pub highest: Seen,
    /// What was taken off for the input, mA.
    pub input_uncertainty_ma: f64,
    /// From when on currents were looked at: after the newest ceiling began or ended; null = the whole record.
    #[serde(serialize_with = "rfc3339_opt")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>, format = DateTime))]
    pub since: Option<UtcMicros>,
    /// The window takes in 21.0 mA or more, 3.6 mA or less (NE 43).
    pub alarm_high_witnessed: bool,
    pub alarm_low_witnessed: bool,
}

/// Resistance of the loop.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Resistance {
    /// The current stops here though more is asked, mA; null = no ceiling was met.
    pub ceiling_ma: Option<f64>,
    #[serde(serialize_with = "rfc3339_opt")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>, format = DateTime))]
    pub ceiling_since: Option<UtcMicros>,
    /// All that stands in series with the device, from the ceiling.
    pub loop_ohm: Option<Bounds>,
    /// Without a ceiling: at most this, since the highest current passed.
    pub at_most_ohm: Option<f64>,
    /// What the register's own figures allow; null unless it gives all three. Calculated, not witnessed.
    pub reachable_ma: Option<f64>,
}

/// Leakage over some hours.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Leak {
    /// Hours, and the end of the newest.
    pub hours: usize,
    #[serde(serialize_with = "rfc3339")]
    #[cfg_attr(feature = "openapi", schema(value_type = String, format = DateTime))]
    pub newest: UtcMicros,
    /// Current at the input beyond what the device sent, against the loop's own dry level.
    pub excess_pct: f64,
    pub excess_ma: Bounds,
    /// Resistance beside the device that would pass it; null = not told from temperature and scatter.
    pub resistance_ohm: Option<Bounds>,
    /// It is not lower than this.
    pub at_least_ohm: Option<f64>,
}

/// One hour of the day, UTC.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct HourOfDay {
    pub hour_utc: u8,
    pub days: usize,
    pub excess_pct: Option<f64>,
    pub resistance_ohm: Option<f64>,
}

/// The loop's leakage.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Leakage {
    /// The newest day of running.
    pub now: Leak,
    /// The twentieth of all hours in which it was highest.
    pub highest_twentieth: Leak,
    pub by_hour_of_day: Vec<HourOfDay>,
    /// Scatter of dry hours, and the dry level itself, % of span.
    pub dry_scatter_pct: f64,
    pub dry_level_pct: f64,
    /// If all of the dry level were leakage that never pauses, it would not be lower than this; null = it points the
    /// other way, or the input's accuracy is not known.
    pub standing_at_least_ohm: Option<f64>,
}

/// Circuit terms of one loop.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct CircuitTerms {
    pub wiring: Wiring,
    pub window: Option<Window>,
    pub resistance: Option<Resistance>,
    pub leakage: Option<Leakage>,
    /// Sentences from these numbers, and what they cannot tell.
    pub says: Vec<String>,
    pub cannot_tell: Vec<String>,
}

/// The terms of one loop.
pub fn terms(r: &Record<'_>) -> CircuitTerms {
    let wiring = Wiring::of(r.entry);
    let mut out = CircuitTerms {
        wiring,
        window: None,
        resistance: None,
        leakage: None,
        says: Vec::new(),
        cannot_tell: Vec::new(),
    };
    if !r.entry.multidrop {
        out.window = window(r);
        out.resistance = resistance(&out.wiring, r.ceiling, out.window);
        out.leakage = excess(r.hours).and_then(|e| leakage_of(&out.wiring, r.entry, &e));
    }
    words::fill(&mut out, r);
    out
}

/// What the input may be wrong by, with what temperature adds, mA.
fn input_uncertainty_ma(entry: &LoopEntry) -> f64 {
    0.16 * (entry.input_accuracy_pct.unwrap_or(INPUT_ACCURACY_PCT) + WANDER_PCT)
}

fn window(r: &Record<'_>) -> Option<Window> {
    // A ceiling that came or went made another circuit of it; only whole days after that are asked.
    let since = r.ceiling.map(|c| c.ended.unwrap_or(c.since));
    let after = |limit: Option<UtcMicros>| -> Vec<&DayBlock> {
        let days = r.days.iter().filter(|d| d.m.n > 0);
        days.filter(|d| limit.is_none_or(|t| d.first_row >= t.0))
            .collect()
    };
    let mut days = after(since);
    let mut since = since;
    if days.is_empty() {
        since = None;
        days = after(None);
    }
    let off = input_uncertainty_ma(r.entry);
    let ma = |x: f64| 12.0 + 0.16 * x;
    let highest = days
        .iter()
        .max_by(|a, b| a.m.max.total_cmp(&b.m.max).then(a.day.cmp(&b.day)))?;
    // What stands in series does not keep low currents from passing: these are asked of the whole record.
    let lowest = after(None)
        .into_iter()
        .min_by(|a, b| a.m.min.total_cmp(&b.m.min).then(b.day.cmp(&a.day)))?;
    let mut top = ma(highest.m.max) - off;
    let mut top_at = highest.last_row;
    // A ceiling that is there now bounds what passes now, whatever single samples say; and it may be falling, so the
    // newest hour that asked for more than arrived says how high.
    if let Some(c) = r.ceiling.filter(|c| c.ended.is_none()) {
        top = top.min(c.current_ma - off);
        if let Some(h) = newest_at_ceiling(r.hours, c) {
            (top, top_at) = (top.min(ma(h.m.max) - off), h.last_row);
        }
    }
    let bottom = (ma(lowest.m.min) + off).min(top);
    Some(Window {
        lowest: Seen {
            current_ma: bottom,
            at: UtcMicros(lowest.last_row),
        },
        highest: Seen {
            current_ma: top,
            at: UtcMicros(top_at),
        },
        input_uncertainty_ma: off,
        since,
        alarm_high_witnessed: top >= 21.0,
        alarm_low_witnessed: bottom <= ALARM_LOW_MA,
    })
}

/// The newest hour in which the current stopped at the ceiling: more was asked for, by more than 1 % of span.
fn newest_at_ceiling(hours: &[HourBlock], c: Ceiling) -> Option<&HourBlock> {
    let after = hours.iter().rev().take_while(|h| h.last_row >= c.since.0);
    after
        .filter(|h| h.m.n >= 3 && h.f_max.is_finite())
        .find(|h| h.f_max.min(52.5) - h.m.max > 1.0 && 12.0 + 0.16 * h.m.max > 8.0)
}

fn resistance(w: &Wiring, ceiling: Option<Ceiling>, window: Option<Window>) -> Option<Resistance> {
    let highest = window.map(|w| w.highest.current_ma).filter(|i| *i > 1.0);
    let open = ceiling.filter(|c| c.ended.is_none() && c.current_ma > 1.0);
    if highest.is_none() && open.is_none() {
        return None;
    }
    Some(Resistance {
        ceiling_ma: open.map(|c| c.current_ma),
        ceiling_since: open.map(|c| c.since),
        loop_ohm: open.map(|c| loop_ohm(w, c.current_ma)),
        at_most_ohm: highest
            .filter(|_| open.is_none())
            .map(|i| ohm_at_ceiling(w.supply_v.high, w.liftoff_v.low, i)),
        reachable_ma: w
            .is_known()
            .then(|| reachable_ma(w.supply_v.value, w.liftoff_v.value, w.loop_ohm.value)),
    })
}

/// Leakage over `hours`, whose single hours scatter by `scatter_pct`; `picked` = they are the highest of many, which lie
/// high by chance alone.
fn leak(w: &Wiring, hours: &[HourExcess], scatter_pct: f64, picked: bool) -> Option<Leak> {
    let newest = hours.iter().map(|h| h.hour).max()?;
    let n = hours.len() as f64;
    let mean = hours.iter().map(|h| h.excess_pct).sum::<f64>() / n;
    let current = hours.iter().map(|h| h.current_ma).sum::<f64>() / n;
    // Twice the standard uncertainty of the mean, and what temperature does to all hours alike.
    let alone = if picked { 1.0 } else { n.sqrt() };
    let half = 2.0 * scatter_pct / alone + WANDER_PCT;
    let least = FLOOR_PCT.max(if picked { 4.0 * scatter_pct } else { 0.0 });
    let ma = Bounds::new(0.16 * (mean - half), 0.16 * mean, 0.16 * (mean + half));
    let v = leak_v(w, current);
    let ohm = |volts: f64, ma: f64| 1e3 * volts / ma;
    Some(Leak {
        hours: hours.len(),
        newest: UtcMicros::from_hour(newest + 1),
        excess_pct: mean,
        excess_ma: ma,
        resistance_ohm: (mean >= least && ma.low > 0.0).then(|| {
            Bounds::new(
                ohm(v.low, ma.high),
                ohm(v.value, ma.value),
                ohm(v.high, ma.low),
            )
        }),
        at_least_ohm: (ma.high > 0.0).then(|| ohm(v.low, ma.high)),
    })
}

fn leakage_of(w: &Wiring, entry: &LoopEntry, e: &Excess) -> Option<Leakage> {
    let newest = e.hours.len().saturating_sub(NOW_HOURS);
    let edge = quantile(e.hours.iter().map(|h| h.excess_pct).collect(), 0.95);
    let top: Vec<HourExcess> = e
        .hours
        .iter()
        .copied()
        .filter(|h| h.excess_pct >= edge)
        .collect();
    let usual = quantile(e.hours.iter().map(|h| h.current_ma).collect(), 0.5);
    let standing = entry
        .input_accuracy_pct
        .map(|a| e.dry_pct + a + WANDER_PCT)
        .filter(|p| *p > 0.0);
    Some(Leakage {
        now: leak(w, e.hours.get(newest..)?, e.scatter_pct, false)?,
        highest_twentieth: leak(w, &top, e.scatter_pct, true)?,
        by_hour_of_day: by_hour_of_day(w, &[e]),
        dry_scatter_pct: e.scatter_pct,
        dry_level_pct: e.dry_pct,
        standing_at_least_ohm: standing.map(|p| 1e3 * leak_v(w, usual).low / (0.16 * p)),
    })
}

/// Mean excess at each hour of the day over one or several loops; days are counted, not loops.
fn by_hour_of_day(w: &Wiring, all: &[&Excess]) -> Vec<HourOfDay> {
    (0..24_u8)
        .map(|hour_utc| {
            let at: Vec<HourExcess> = all
                .iter()
                .flat_map(|e| &e.hours)
                .filter(|h| h.hour.rem_euclid(24) == i64::from(hour_utc))
                .copied()
                .collect();
            let mut days: Vec<i64> = at.iter().map(|h| h.hour.div_euclid(24)).collect();
            days.sort_unstable();
            days.dedup();
            let scatter = all.iter().map(|e| e.scatter_pct).fold(0.0, f64::max);
            let told = leak(w, &at, scatter, false);
            HourOfDay {
                hour_utc,
                days: days.len(),
                excess_pct: told.map(|l| l.excess_pct),
                resistance_ohm: told.and_then(|l| l.resistance_ohm).map(|b| b.value),
            }
        })
        .collect()
}

/// One day of a junction box.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct BoxDay {
    #[serde(serialize_with = "rfc3339")]
    #[cfg_attr(feature = "openapi", schema(value_type = String, format = DateTime))]
    pub day: UtcMicros,
    /// Loops with evidence that day, and those whose excess is told from temperature and scatter.
    pub loops: usize,
    pub leaking: usize,
    /// Loops at which less arrived than on their own lowest days: another fault, left out here.
    pub lower: usize,
    /// Mean excess of the rest.
    pub excess_pct: f64,
    /// Resistance beside each device that would pass it; null = not told.
    pub resistance_ohm: Option<f64>,
}

/// Leakage of the loops in one junction box.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct BoxLeakage {
    pub by_day: Vec<BoxDay>,
    pub by_hour_of_day: Vec<HourOfDay>,
}

/// Trend over the loops of a box.
pub fn junction_box(loops: &[(Wiring, Excess)]) -> Option<BoxLeakage> {
    let (wiring, _) = loops.first()?;
    let mut days: Vec<i64> = loops
        .iter()
        .flat_map(|(_, e)| e.hours.iter().map(|h| h.hour.div_euclid(24)))
        .collect();
    days.sort_unstable();
    days.dedup();
    let by_day = days
        .into_iter()
        .filter_map(|day| {
            let all: Vec<Leak> = loops
                .iter()
                .filter_map(|(w, e)| {
                    let of_day = |h: &&HourExcess| h.hour.div_euclid(24) == day;
                    let hours: Vec<HourExcess> = e.hours.iter().filter(of_day).copied().collect();
                    leak(w, &hours, e.scatter_pct, false)
                })
                .collect();
            let each: Vec<Leak> = all
                .iter()
                .copied()
                .filter(|l| l.excess_pct > -FLOOR_PCT)
                .collect();
            let lower = all.len() - each.len();
            let n = each.len();
            let mean = each.iter().map(|l| l.excess_pct).sum::<f64>() / n.max(1) as f64;
            let known: Vec<f64> = each
                .iter()
                .filter_map(|l| Some(1.0 / l.resistance_ohm?.value))
                .collect();
            let told = mean >= FLOOR_PCT && !known.is_empty();
            (n + lower > 0).then(|| BoxDay {
                day: UtcMicros(day.saturating_mul(24 * MICROS_PER_HOUR)),
                loops: n,
                leaking: known.len(),
                lower,
                excess_pct: mean,
                // Conductances add; their mean is that of one loop.
                resistance_ohm: told.then(|| n as f64 / known.iter().sum::<f64>()),
            })
        })
        .collect();
    let excesses: Vec<&Excess> = loops.iter().map(|(_, e)| e).collect();
    Some(BoxLeakage {
        by_day,
        by_hour_of_day: by_hour_of_day(wiring, &excesses),
    })
}
