//! What loops know of each other: idle plant, gateways that are there, the ambient's course.
//!
//! Context rows are the only thing besides findings that crosses loops (design: two passes).

use crate::block::HourBlock;
use crate::history::{LoopRecord, median};
use ingest_model::LoopEntry;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Fleet-wide context by hour since 1970.
#[derive(Debug, Default)]
pub struct Context {
    /// Hours in which an area stood still; one hour of margin on both sides.
    idle: HashMap<String, BTreeSet<i64>>,
    /// Hours in which every area stood still.
    plant_idle: BTreeSet<i64>,
    /// Loops with rows, by gateway and hour, and the gateway's loops in all.
    gateway_rows: HashMap<String, BTreeMap<i64, u32>>,
    gateway_loops: HashMap<String, u32>,
    /// Common course of the devices' own temperatures, zero mean, degrees.
    ambient: BTreeMap<i64, f64>,
}

/// Share of its own usual step below which a loop counts as standing still.
const STILL_SHARE: f64 = 0.15;
/// Loops needed before an area can be called idle.
const LOOPS_TO_TELL: usize = 3;

/// What one loop adds to the context: the fixed-size rows that cross loops.
#[derive(Debug, Default)]
pub struct ContextRows {
    area: String,
    gateway: String,
    /// Hours with rows. What follows is by the same places, or empty: these rows are the one thing of an assessment that
    /// grows with loops and hours, so they are kept small.
    hours: Vec<i32>,
    /// Whether the loop stood still, if that can be told; only of loops that usually move.
    still: Vec<Option<bool>>,
    /// Departure of the electronics' temperature from its own centre, degrees, or NaN.
    ambient: Vec<f64>,
}

impl ContextRows {
    pub fn of(l: &LoopRecord<'_>) -> Self {
        let (still, ambient) = (still_hours(l), ambient_hours(l));
        Self {
            area: l.entry.area.clone().unwrap_or_default(),
            gateway: l.entry.gateway.clone().unwrap_or_default(),
            hours: hours_of(l.blocks),
            still: placed(l, &still).collect(),
            ambient: placed(l, &ambient).map(|v| v.unwrap_or(f64::NAN)).collect(),
        }
    }

    fn still(&self) -> impl Iterator<Item = (i64, bool)> + '_ {
        let all = self.hours.iter().zip(&self.still);
        all.filter_map(|(h, s)| Some((i64::from(*h), (*s)?)))
    }

    fn ambient(&self) -> impl Iterator<Item = (i64, f64)> + '_ {
        let all = self.hours.iter().zip(&self.ambient);
        all.filter(|(_, v)| !v.is_nan())
            .map(|(h, v)| (i64::from(*h), *v))
    }
}

/// Hours of any instant in microseconds fit.
pub(crate) fn hours_of(blocks: &[HourBlock]) -> Vec<i32> {
    blocks.iter().map(|b| b.hour as i32).collect()
}

/// Values of some of the loop's blocks, in their order, by the places of all; nothing where there are none.
fn placed<T: Copy>(l: &LoopRecord<'_>, some: &[(i64, T)]) -> impl Iterator<Item = Option<T>> {
    let mut rest = some.iter().peekable();
    let blocks = if some.is_empty() { &[] } else { l.blocks };
    blocks
        .iter()
        .map(move |b| rest.next_if(|(hour, _)| *hour == b.hour).map(|(_, v)| *v))
}

fn still_hours(l: &LoopRecord<'_>) -> Vec<(i64, bool)> {
    let steps: Vec<(i64, f64)> = l
        .blocks
        .iter()
        .filter_map(|b| {
            let mv = if b.move_d.n >= 4 { b.move_d } else { b.move_m };
            // Mean square step: a quantised signal has a median step of 0 while it still moves.
            (mv.n >= 4).then(|| (b.hour, (mv.sum_sq / f64::from(mv.n)).sqrt()))
        })
        .collect();
    let usual = median(steps.iter().map(|s| s.1).collect());
    let quantum = l
        .blocks
        .iter()
        .map(|b| b.move_d.quantum)
        .fold(f64::INFINITY, f64::min);
    // Only loops that usually move can tell that the plant does not.
    if !(usual > 0.1) || (quantum.is_finite() && usual < 2.0 * quantum) {
        return Vec::new();
    }
    steps
        .into_iter()
        .map(|(hour, step)| (hour, step < STILL_SHARE * usual))
        .collect()
}

fn ambient_hours(l: &LoopRecord<'_>) -> Vec<(i64, f64)> {
    let means: Vec<(i64, f64)> = l
        .blocks
        .iter()
        .filter(|b| b.sv.n >= 3 && b.sv.min > -45.0 && b.sv.max < 95.0)
        .map(|b| (b.hour, b.sv.mean()))
        .collect();
    let centre = median(means.iter().map(|m| m.1).collect());
    let spread = median(means.iter().map(|m| (m.1 - centre).abs()).collect());
    // An electronics temperature follows the day by some degrees; anything else is a process value.
    if !(spread > 0.05 && spread < 8.0) {
        return Vec::new();
    }
    means.into_iter().map(|(h, v)| (h, v - centre)).collect()
}

impl Context {
    /// Joins the loops' rows, given in register order.
    pub fn join(rows: &[ContextRows]) -> Self {
        let mut ctx = Self::default();
        ctx.find_idle(rows);
        ctx.count_gateways(rows);
        ctx.find_ambient(rows);
        ctx
    }

    fn find_idle(&mut self, rows: &[ContextRows]) {
        // (still, moving) votes by area and hour.
        let mut votes: HashMap<&str, BTreeMap<i64, (u32, u32)>> = HashMap::new();
        let mut plant: BTreeMap<i64, (u32, u32)> = BTreeMap::new();
        for l in rows {
            let by_hour = votes.entry(&l.area).or_default();
            for (hour, still) in l.still() {
                for v in [
                    by_hour.entry(hour).or_default(),
                    plant.entry(hour).or_default(),
                ] {
                    v.0 += u32::from(still);
                    v.1 += u32::from(!still);
                }
            }
        }
        let idle_hours = |m: &BTreeMap<i64, (u32, u32)>| -> BTreeSet<i64> {
            m.iter()
                .filter(|(_, v)| (v.0 + v.1) as usize >= LOOPS_TO_TELL && v.0 > v.1)
                .flat_map(|(h, _)| [h - 1, *h, h + 1])
                .collect()
        };
        self.idle = votes
            .iter()
            .map(|(a, m)| ((*a).to_owned(), idle_hours(m)))
            .collect();
        self.plant_idle = idle_hours(&plant);
    }

    fn count_gateways(&mut self, rows: &[ContextRows]) {
        for l in rows {
            self.count_gateway(&l.gateway, &l.hours);
        }
    }

    fn count_gateway(&mut self, gateway: &str, hours: &[i32]) {
        *self.gateway_loops.entry(gateway.to_owned()).or_default() += 1;
        let by_hour = self.gateway_rows.entry(gateway.to_owned()).or_default();
        let mut before = None;
        // An hour that is not over may come in pieces.
        for hour in hours.iter().filter(|h| before.replace(**h) != Some(**h)) {
            *by_hour.entry(i64::from(*hour)).or_default() += 1;
        }
    }

    /// What gateways and hours alone tell: whether others of the gateway have rows.
    pub(crate) fn of_gateways<'a>(loops: impl Iterator<Item = (&'a LoopEntry, &'a [i32])>) -> Self {
        let mut ctx = Self::default();
        for (entry, hours) in loops {
            ctx.count_gateway(entry.gateway.as_deref().unwrap_or_default(), hours);
        }
        ctx
    }

    fn find_ambient(&mut self, rows: &[ContextRows]) {
        let mut by_hour: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
        for (h, v) in rows.iter().flat_map(ContextRows::ambient) {
            by_hour.entry(h).or_default().push(v);
        }
        let raw: BTreeMap<i64, f64> = by_hour
            .into_iter()
            .filter(|(_, v)| v.len() >= 3)
            .map(|(h, v)| (h, median(v)))
            .collect();
        let n = raw.len() as f64;
        let mean = raw.values().sum::<f64>() / n.max(1.0);
        self.ambient = raw.into_iter().map(|(h, v)| (h, v - mean)).collect();
    }

    /// Did the loop's area stand still in this hour?
    pub fn idle(&self, l: &LoopRecord<'_>, hour: i64) -> bool {
        let area = l.entry.area.as_deref().unwrap_or_default();
        self.plant_idle.contains(&hour) || self.idle.get(area).is_some_and(|s| s.contains(&hour))
    }

    /// Hours of `from..=to` in which more than half of the gateway's loops have rows. Costs the hours that there are,
    /// not those between two instants: a clock may have jumped by centuries.
    pub fn hours_alive(&self, l: &LoopRecord<'_>, from: i64, to: i64) -> i64 {
        let g = l.entry.gateway.as_deref().unwrap_or_default();
        let n = self.gateway_loops.get(g).copied().unwrap_or(0);
        if from > to {
            return 0;
        }
        self.gateway_rows.get(g).map_or(0, |m| {
            m.range(from..=to)
                .filter(|(_, rows)| f64::from(**rows) > 0.5 * f64::from(n))
                .count() as i64
        })
    }

    /// Ambient temperature against its mean, degrees; 0 where nobody tells.
    pub fn ambient(&self, hour: i64) -> f64 {
        self.ambient.get(&hour).copied().unwrap_or(0.0)
    }
}
