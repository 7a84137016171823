//! What the detectors' tests share: loops, made-up records, the assessment of a small fleet, the check values.

use analytics_detect::fleet::{LOOK_BACK_H, Newest, concluded, judged, look_back, with_recent};
use analytics_detect::{
    Assessment, Blocks, Fleet, HourBlock, LoopSource, Params, Work, assess, day_blocks,
};
use ingest_model::instant::MICROS_PER_DAY;
use ingest_model::{Columns, LoopEntry, Range, Reading, Tag, Transfer, UtcMicros};
use serde_json::Value;

/// A seeded generator for made-up series (numbers only, no reference).
#[derive(Clone)]
pub(crate) struct Rng(pub(crate) u64);

impl Rng {
    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub(crate) fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// A loop of 0 to 100 %.
pub(crate) fn percent_loop(tag: &str) -> LoopEntry {
    let range = Range {
        lrv: 0.0,
        urv: 100.0,
        transfer: Transfer::Linear,
    };
    LoopEntry::new(Tag::new(tag).unwrap(), "%", range)
}

/// Hour blocks of a record, day by day as the engine builds them.
pub(crate) fn blocks(entry: &LoopEntry, c: &Columns) -> Vec<HourBlock> {
    days(c)
        .into_iter()
        .flat_map(|(from, to)| day_blocks(entry, &c.slice(from, to)))
        .collect()
}

/// Row ranges of the UTC days of a record.
pub(crate) fn days(c: &Columns) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    let mut from = 0;
    while from < c.len() {
        let day = c.time[from].div_euclid(MICROS_PER_DAY);
        let to = c
            .time
            .partition_point(|t| t.div_euclid(MICROS_PER_DAY) <= day);
        out.push((from, to));
        from = to;
    }
    out
}

/// A fleet's assessment from blocks as built.
pub(crate) fn assess_fleet(
    members: &[(LoopEntry, Columns)],
    to: Option<UtcMicros>,
    work: Vec<Work>,
) -> Assessment {
    let all: Vec<Vec<HourBlock>> = members.iter().map(|(e, c)| blocks(e, c)).collect();
    let loops = members
        .iter()
        .zip(&all)
        .map(|((entry, _), b)| LoopSource {
            entry,
            blocks: Blocks::Plain(b),
        })
        .collect();
    assess_sources(members, loops, to, work)
}

/// Days of one loop, packed, in memory.
#[derive(Debug)]
struct Packed(Vec<Vec<u8>>);

impl analytics_detect::PackedDays for Packed {
    fn most_days(&self) -> usize {
        self.0.len()
    }

    fn each(
        &self,
        _: &Tag,
        take: &mut dyn FnMut(&[u8]) -> Result<(), analytics_detect::PackError>,
    ) {
        for day in &self.0 {
            take(day).unwrap();
        }
    }
}

/// The same from packed days, as the engine keeps them.
pub(crate) fn assess_packed(members: &[(LoopEntry, Columns)], to: Option<UtcMicros>) -> Assessment {
    let all: Vec<Packed> = members
        .iter()
        .map(|(e, c)| {
            Packed(
                days(c)
                    .into_iter()
                    .map(|(from, to)| analytics_detect::pack(&day_blocks(e, &c.slice(from, to))))
                    .collect(),
            )
        })
        .collect();
    let loops = members
        .iter()
        .zip(&all)
        .map(|((entry, _), days)| LoopSource {
            entry,
            blocks: Blocks::Packed {
                days,
                from: i64::MIN,
            },
        })
        .collect();
    assess_sources(members, loops, to, vec![])
}

/// The same with statistics up to the last full hour and the facts since; `None` of a record without a full hour.
pub(crate) fn assess_hourly(members: &[(LoopEntry, Columns)]) -> Option<Assessment> {
    let all: Vec<Vec<HourBlock>> = members.iter().map(|(e, c)| blocks(e, c)).collect();
    let times = || members.iter().flat_map(|(_, c)| &c.time).copied();
    let (from, to) = (UtcMicros(times().min()?), UtcMicros(times().max()?));
    let hour = UtcMicros::from_hour(to.hour());
    let with = |part: &dyn Fn(&HourBlock) -> bool, to| {
        let loops = members.iter().zip(&all);
        let loops = loops.map(|((entry, _), blocks)| {
            let first = blocks.iter().position(part).unwrap_or(0);
            let n = blocks.iter().filter(|b| part(b)).count();
            LoopSource {
                entry,
                blocks: Blocks::Plain(&blocks[first..first + n]),
            }
        });
        Fleet {
            loops: loops.collect(),
            from: Some(from),
            to,
            work: vec![],
            readings: 0,
            rejected: 0,
        }
    };
    let params = Params::default();
    let settled = judged(&with(&|b| b.hour < hour.hour(), hour), &params);
    let looked_at = |h: i64| h >= hour.hour() - LOOK_BACK_H;
    let recent = with(&|b| looked_at(b.hour), to);
    let now = with_recent(&recent, None, &settled, hour, &params);
    // Calm loops are spared a look, wherever the newest rows begin.
    for newest in [0, 1, 5] {
        let from = hour.hour() - newest;
        let before = look_back(&with(&|b| looked_at(b.hour) && b.hour < from, to));
        let newest = Newest {
            before: &before,
            loops: with(&|b| b.hour >= from, to).loops,
        };
        let spared = with_recent(&recent, Some(&newest), &settled, hour, &params);
        assert_eq!(
            concluded(&recent, spared, &params),
            concluded(&recent, now.clone(), &params)
        );
    }
    (from < hour).then(|| concluded(&recent, now, &params))
}

fn assess_sources(
    members: &[(LoopEntry, Columns)],
    loops: Vec<LoopSource<'_>>,
    to: Option<UtcMicros>,
    work: Vec<Work>,
) -> Assessment {
    let times = || members.iter().flat_map(|(_, c)| &c.time).copied();
    let fleet = Fleet {
        loops,
        from: times().min().map(UtcMicros),
        to: to.unwrap_or(UtcMicros(times().max().unwrap_or(0))),
        work,
        readings: members.iter().map(|(_, c)| c.len() as u64).sum(),
        rejected: 0,
    };
    assess(&fleet, &Params::default())
}

/// A group of `tests/vectors/statistics-checks.json`.
pub(crate) fn group(id: &str) -> Vec<Value> {
    all_groups()
        .iter()
        .find(|g| g["id"] == id)
        .unwrap_or_else(|| panic!("no group {id}"))["cases"]
        .as_array()
        .unwrap()
        .clone()
}

/// One case of a group.
pub(crate) fn case(group_id: &str, id: &str) -> Value {
    group(group_id)
        .into_iter()
        .find(|c| c["id"] == id)
        .unwrap_or_else(|| panic!("no case {group_id}/{id}"))
}

pub(crate) fn all_groups() -> Vec<Value> {
    let text = include_str!("../../../../tests/vectors/statistics-checks.json");
    let all: Value = serde_json::from_str(text).unwrap();
    all["groups"].as_array().unwrap().clone()
}

/// The numbers of an array in a case.
pub(crate) fn numbers(v: &Value) -> Vec<f64> {
    v.as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_f64().unwrap())
        .collect()
}

#[track_caller]
pub(crate) fn near(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "{got} is not {want} within {tolerance}"
    );
}

/// Relative.
#[track_caller]
pub(crate) fn close(got: f64, want: f64, relative: f64) {
    assert!(
        (got - want).abs() <= relative * want.abs(),
        "{got} is not {want} within {relative} of it"
    );
}

/// Rows `k` at `period_s` from 1970-01-01T00:00:00Z + `start_s`, filled by `fill` (told the row's number).
pub(crate) fn record(
    rows: i64,
    start_s: i64,
    period_s: i64,
    mut fill: impl FnMut(i64, &mut Reading),
) -> Columns {
    let mut c = Columns::default();
    for k in 0..rows {
        let mut r = Reading::empty(UtcMicros((start_s + k * period_s) * 1_000_000));
        fill(k, &mut r);
        c.push(&r);
    }
    c
}
