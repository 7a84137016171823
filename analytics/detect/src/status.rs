//! What the device says of itself: device status by NE 107, chatter, restarts, configuration changes.
//!
//! Default mapping of the status bits: HCF_SPEC-183 (common tables) as condensed by NAMUR NE 107.
//! Configuration changed, cold start and more-status-available are events, not conditions.

use crate::block::HourBlock;
use crate::finding::{Kind, Ne107};
use crate::history::{Draft, LoopRecord, Window};
use crate::limits::{Limits, Test};
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};

/// Bit, its words, its NE 107 class (`None` = an event).
pub const BITS: [(&str, Option<Ne107>); 14] = [
    (
        "primary variable out of limits",
        Some(Ne107::OutOfSpecification),
    ),
    (
        "non-primary variable out of limits",
        Some(Ne107::OutOfSpecification),
    ),
    ("loop current saturated", Some(Ne107::OutOfSpecification)),
    ("loop current fixed", Some(Ne107::FunctionCheck)),
    ("more status available", None),
    ("cold start", None),
    ("configuration changed", None),
    ("device malfunction", Some(Ne107::Failure)),
    ("maintenance required", Some(Ne107::MaintenanceRequired)),
    ("device variable alert", Some(Ne107::OutOfSpecification)),
    ("critical power failure", Some(Ne107::MaintenanceRequired)),
    ("failure", Some(Ne107::Failure)),
    ("out of specification", Some(Ne107::OutOfSpecification)),
    ("function check", Some(Ne107::FunctionCheck)),
];

/// Which NE 107 signal each status bit raises; `None` = an event, or a bit that the site wants no finding of.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StatusMap([Option<Ne107>; 14]);

impl Default for StatusMap {
    fn default() -> Self {
        Self(BITS.map(|(_, class)| class))
    }
}

impl StatusMap {
    /// A bit's name as written in a configuration: its words with hyphens, `loop-current-fixed`.
    pub fn name(bit: usize) -> String {
        BITS.get(bit).map_or("", |b| b.0).replace(' ', "-")
    }

    /// Maps the named bit; `Err` lists the names there are. Cold start and configuration changed stay events: they
    /// have kinds of their own.
    pub fn set(&mut self, name: &str, class: Option<Ne107>) -> Result<(), String> {
        let bit = (0..BITS.len()).find(|&b| Self::name(b) == name && b != 5 && b != 6);
        match bit.and_then(|b| self.0.get_mut(b)) {
            Some(place) => {
                *place = class;
                Ok(())
            }
            None => {
                let names: Vec<String> = (0..BITS.len())
                    .filter(|b| *b != 5 && *b != 6)
                    .map(Self::name)
                    .collect();
                Err(format!(
                    "`{name}` is no status bit that can be mapped; there are {}",
                    names.join(", ")
                ))
            }
        }
    }

    fn of(&self, bit: usize) -> Option<Ne107> {
        self.0.get(bit).copied().flatten()
    }
}

/// A condition must be held this long, in at least half of the rows.
const HELD_MIN_US: i64 = 2 * MICROS_PER_HOUR;
/// Rises within 48 hours that make a chattering bit, in slow polls (common practice; IEC 62682 counts by the minute).
const CHATTER_RISES: u32 = 6;
const RESTARTS: u32 = 3;
/// Work is announced to about this.
const WORK_SLACK_US: i64 = 10 * 60 * 1_000_000;
const TWO_DAYS_H: i64 = 48;

pub fn detect(
    l: &LoopRecord<'_>,
    to: UtcMicros,
    out_of_range: &[Window],
    skip: &[Window],
    map: &StatusMap,
) -> Vec<Draft> {
    detect_at(l, to, out_of_range, skip, map, &Limits::default())
}

pub fn detect_at(
    l: &LoopRecord<'_>,
    to: UtcMicros,
    out_of_range: &[Window],
    skip: &[Window],
    map: &StatusMap,
    limits: &Limits,
) -> Vec<Draft> {
    let mut out = Vec::new();
    let chatter = chattering(l, map, limits);
    out.extend(chatter.iter().map(|c| c.draft(l, to)));
    let restarts = restarts(l, to, limits);
    let quiet: Vec<usize> = chatter.iter().map(|c| c.bit).collect();
    out.extend(held(l, to, &quiet, out_of_range, skip, map, limits));
    out.extend(restarts);
    out.extend(configuration(l));
    out
}

/// Bits held: the strongest condition at a time makes one finding with all bits as evidence.
fn held(
    l: &LoopRecord<'_>,
    to: UtcMicros,
    quiet: &[usize],
    out_of_range: &[Window],
    skip: &[Window],
    map: &StatusMap,
    limits: &Limits,
) -> Vec<Draft> {
    let times = |us: i64| us as f64 / HELD_MIN_US as f64;
    let mut runs: Vec<(usize, i64, i64, bool)> = Vec::new();
    for bit in 0..BITS.len() {
        if map.of(bit).is_none() || quiet.contains(&bit) || (bit == 3 && l.entry.multidrop) {
            continue;
        }
        let mut open: Option<(i64, i64)> = None;
        for b in l.blocks {
            let rows = if bit < 8 {
                b.status_rows
            } else {
                b.extended_rows
            };
            if rows == 0 {
                continue;
            }
            let t = b.bit(bit);
            let mostly = f64::from(t.set) >= 0.5 * f64::from(rows);
            let edge =
                open.is_none() && t.set > 0 && b.last_reply - t.last < (2.5e6 * b.period_s) as i64;
            match (&mut open, mostly || edge) {
                (Some(o), true) => o.1 = t.last,
                (Some(o), false) => {
                    if t.set > 0 && t.first - o.1 < MICROS_PER_HOUR {
                        o.1 = t.last;
                    }
                    runs.push((bit, o.0, o.1, false));
                    open = None;
                }
                (None, true) => open = Some((t.first, t.last)),
                (None, false) => {}
            }
        }
        if let Some(o) = open {
            let last = l.blocks.last().map_or(o.1, |b| b.last_row);
            runs.push((
                bit,
                o.0,
                o.1,
                last - o.1 < MICROS_PER_HOUR && to.0 - o.1 < 48 * MICROS_PER_HOUR,
            ));
        }
    }
    runs.retain(|r| limits.pass(Test::StatusHeld, times(r.2 - r.1)));
    // Saturation and limit bits that an out-of-range current explains, and announced work, say nothing new.
    let touches =
        |w: &[Window], r: &(usize, i64, i64, bool)| w.iter().any(|w| w.from < r.2 && w.to > r.1);
    // Work explains what began and ended with it, not what it fell into.
    let within = |w: &[Window], r: &(usize, i64, i64, bool)| {
        w.iter()
            .any(|w| w.from - WORK_SLACK_US <= r.1 && r.2 <= w.to + WORK_SLACK_US)
    };
    runs.retain(|r| !(within(skip, r) || r.0 <= 2 && touches(out_of_range, r)));
    runs.sort_by_key(|r| (r.1, r.0));
    let mut out: Vec<Draft> = Vec::new();
    let mut used = vec![false; runs.len()];
    for i in 0..runs.len() {
        if used[i] {
            continue;
        }
        // Bits of one event start within two hours of each other.
        let group: Vec<usize> = (i..runs.len())
            .filter(|&j| !used[j] && (runs[j].1 - runs[i].1).abs() <= 2 * MICROS_PER_HOUR)
            .collect();
        let Some(class) = group.iter().filter_map(|&j| map.of(runs[j].0)).min() else {
            continue;
        };
        let start = group.iter().map(|&j| runs[j].1).min().unwrap_or(runs[i].1);
        let end = group.iter().map(|&j| runs[j].2).max().unwrap_or(runs[i].2);
        let open = group.iter().any(|&j| runs[j].3);
        for &j in &group {
            used[j] = true;
        }
        let words: Vec<&str> = group.iter().map(|&j| BITS[runs[j].0].0).collect();
        let mut d = Draft::by(
            Test::StatusHeld,
            times(end - start),
            Kind::DeviceStatus,
            UtcMicros(start),
        )
        .within(UtcMicros(start).plus_s(-l.period_s()), UtcMicros(start))
        .text("bits", words.join(", "))
        .number("hours", (end - start) as f64 / MICROS_PER_HOUR as f64);
        d.cause = Some(class.as_str());
        d.ne107 = Some(class);
        d.ended = (!open).then_some(UtcMicros(end));
        out.push(d);
    }
    out
}

struct Chatter {
    bit: usize,
    first: i64,
    last: i64,
    rises: u32,
    /// Most rises in 48 hours over what makes a bit chatter.
    times: f64,
    ended: bool,
}

impl Chatter {
    fn draft(&self, l: &LoopRecord<'_>, _to: UtcMicros) -> Draft {
        let onset = UtcMicros(self.first);
        let mut d = Draft::by(Test::Chatter, self.times, Kind::StatusChatter, onset)
            .within(onset.plus_s(-l.period_s()), onset)
            .text("bit", BITS[self.bit].0)
            .count("times", u64::from(self.rises));
        d.ended = self.ended.then_some(UtcMicros(self.last));
        d
    }
}

/// Largest count of rises in any 48 h, and the stretch of all rises.
fn rises(blocks: &[HourBlock], bit: usize) -> (u32, Vec<(i64, u32, i64, i64)>) {
    let with: Vec<(i64, u32, i64, i64)> = blocks
        .iter()
        .filter(|b| b.bit(bit).rises > 0)
        .map(|b| (b.hour, b.bit(bit).rises, b.bit(bit).first, b.bit(bit).last))
        .collect();
    let best = with
        .iter()
        .map(|w| rises_between(&with, w.0, w.0 + TWO_DAYS_H - 1))
        .max()
        .unwrap_or(0);
    (best, with)
}

/// Rises in hours from `from` to `to`, of hours with a rise in order.
fn rises_between(with: &[(i64, u32, i64, i64)], from: i64, to: i64) -> u32 {
    let first = with.partition_point(|x| x.0 < from);
    let hours = with[first..].iter().take_while(|x| x.0 <= to);
    hours.map(|x| x.1).sum()
}

fn chattering(l: &LoopRecord<'_>, map: &StatusMap, limits: &Limits) -> Vec<Chatter> {
    let mut out = Vec::new();
    let last_row = l.blocks.last().map_or(0, |b| b.last_row);
    for bit in 0..BITS.len() {
        // Cold start is counted as restarts, configuration by its counter.
        if map.of(bit).is_none() && bit != 4 {
            continue;
        }
        let (most, with) = rises(l.blocks, bit);
        let times = f64::from(most) / f64::from(CHATTER_RISES);
        if !limits.pass(Test::Chatter, times) {
            continue;
        }
        // From the first hour of the densest time on: hours with a rise and a neighbour with one within 12 h.
        let dense: Vec<_> = with
            .iter()
            .enumerate()
            .filter(|(i, w)| {
                let around = rises_between(&with, w.0 - 24, w.0 + 24);
                around >= 3 && (*i == 0 || with[i - 1].0 < w.0)
            })
            .map(|(_, w)| *w)
            .collect();
        let (Some(first), Some(last)) = (dense.first(), dense.last()) else {
            continue;
        };
        out.push(Chatter {
            bit,
            first: first.2,
            last: last.3,
            rises: dense.iter().map(|d| d.1).sum(),
            times,
            ended: last_row - last.3 > 24 * MICROS_PER_HOUR,
        });
    }
    out
}

fn restarts(l: &LoopRecord<'_>, to: UtcMicros, limits: &Limits) -> Option<Draft> {
    let (most, with) = rises(l.blocks, 5);
    let times = f64::from(most) / f64::from(RESTARTS);
    // One restart is none that repeats itself, at any budget.
    if most < 2 || !limits.pass(Test::Restarts, times) {
        return None;
    }
    let dense: Vec<_> = with
        .iter()
        .filter(|w| rises_between(&with, w.0 - TWO_DAYS_H, w.0 + TWO_DAYS_H) >= most.min(RESTARTS))
        .collect();
    let (first, last) = (dense.first()?, dense.last()?);
    let n: u32 = dense.iter().map(|d| d.1).sum();
    let gap_s = (last.3 - first.2) as f64 / 1e6 / f64::from(n.max(2) - 1);
    let mut d = Draft::by(Test::Restarts, times, Kind::Restarts, UtcMicros(first.2))
        .within(
            // What makes them began up to 2.3 usual gaps before the first (90 % of a Poisson process).
            UtcMicros(first.2).plus_s(-2.3 * gap_s - l.period_s()),
            UtcMicros(first.2),
        )
        .count("cold_starts", u64::from(n));
    d.ended = (to.0 - last.3 > 24 * MICROS_PER_HOUR).then_some(UtcMicros(last.3));
    Some(d)
}

/// Steps of the configuration counter, those within two hours merged; each is one ended finding.
fn configuration(l: &LoopRecord<'_>) -> Vec<Draft> {
    let mut out: Vec<(i64, i64, i32, i32, u32)> = Vec::new(); // first, last, from, to, fixed rows
    let mut known = -1;
    for b in l.blocks {
        if b.config_first < 0 {
            continue;
        }
        let border = known >= 0 && b.config_first != known;
        if border || b.config_steps > 0 {
            // A counter may stand in a row whose exchange failed otherwise.
            let seen = b.first_reply.min(b.last_row);
            let first = if border { seen } else { b.config_first_step };
            let last = if b.config_steps > 0 {
                b.config_last_step
            } else {
                seen
            };
            let before = if known >= 0 { known } else { b.config_first };
            match out.last_mut() {
                Some(o) if first - o.1 <= 2 * MICROS_PER_HOUR => {
                    o.1 = last;
                    o.3 = b.config_last;
                }
                _ => out.push((first, last, before, b.config_last, 0)),
            }
        }
        known = b.config_last;
    }
    out.into_iter()
        .map(|(first, last, before, after, _)| {
            // Fixed current around it belongs to the same work.
            let fixed: u32 = l
                .blocks
                .iter()
                .filter(|b| {
                    b.bit(3).set > 0
                        && b.bit(3).first < last + MICROS_PER_HOUR
                        && b.bit(3).last > first - MICROS_PER_HOUR
                })
                .map(|b| b.bit(3).set)
                .sum();
            let mut d = Draft::new(Kind::ConfigurationChange, UtcMicros(first), 0.97)
                .within(UtcMicros(first).plus_s(-l.period_s()), UtcMicros(first))
                .count("counter_before", u64::try_from(before).unwrap_or(0))
                .count("counter_after", u64::try_from(after).unwrap_or(0))
                .number("fixed_current_min", f64::from(fixed) * l.period_s() / 60.0);
            d.ended = Some(UtcMicros(last));
            d
        })
        .collect()
}
