//! The inner loops, each to be run a given number of times, so that the instructions of one turn are the difference of two
//! runs. Their input is arithmetic: equal instructions on every machine of one kind.

use crate::codec;
use analytics_detect::{HourBlock, day_blocks, pack, unpack};
use ingest_model::{Columns, LoopEntry, Range, Reading, Tag, Transfer, UtcMicros};
use ingest_store::{Store, StoreReader};
use std::hint::black_box;

/// Each kernel, and how many turns are counted.
pub(crate) const ALL: [(&str, u64); 7] = [
    ("decode", 2_000),
    ("encode", 2_000),
    ("day_blocks", 4),
    ("pack", 20),
    ("unpack", 20),
    ("write_day", 2),
    ("read_day", 4),
];

/// Rows of one loop's day at one minute.
const ROWS: i64 = 1_440;
/// Loops of the day file that is written and read.
const LOOPS: usize = 8;
const DAY: i64 = 20_000;

fn entry() -> anyhow::Result<LoopEntry> {
    let range = Range {
        lrv: 0.0,
        urv: 250.0,
        transfer: Transfer::Linear,
    };
    Ok(LoopEntry::new(Tag::new("FT-1")?, "m3/h", range))
}

/// A day of a sound loop: movement, noise, now and then a lost answer.
fn day(seed: i64) -> Columns {
    let mut rows = Columns::default();
    for k in 0..ROWS {
        let wobble = ((k * 7_919 + seed * 31) % 101) as f64 / 50.0 - 1.0;
        // No function of a mathematics library: those differ from machine to machine.
        let wave = ((k + seed * 17) % 240 - 120).abs() as f64 / 120.0;
        let pct = f64::from((20.0 + 60.0 * wave + 0.3 * wobble) as f32);
        let time = UtcMicros(DAY * 86_400_000_000 + k * 60_000_000 + (k * 37 + seed) % 900 * 1_000);
        let lost = (k + seed) % 400 == 399;
        let there = |v: f64| if lost { f64::NAN } else { v };
        rows.push(&Reading {
            pv: there(2.5 * pct),
            sv: there(21.0 + (k / 60) as f64 / 8.0),
            reported_ma: there(f64::from((4.0 + 0.16 * pct) as f32)),
            analog_ma: ((4.0 + 0.16 * pct) * 1_000.0 + 3.0 * wobble).round() / 1_000.0,
            analog_time: Some(UtcMicros(time.0 - 400_000)),
            response_code: (!lost).then_some(0),
            device_status: (!lost).then_some(0),
            extended_status: (!lost).then_some(0),
            pv_status: (!lost).then_some(0xC0),
            exchanges: (!lost).then_some((64_000 + k as u32) % 65_536),
            comm_errors: (!lost).then_some(k as u32 / 400),
            config_changes: (!lost).then_some(17),
            ..Reading::empty(time)
        });
    }
    rows
}

pub(crate) fn run(name: &str, times: u64) -> anyhow::Result<()> {
    let entry = entry()?;
    let rows = day(0);
    let blocks = || day_blocks(&entry, &rows.series());
    match name {
        "decode" => {
            black_box(codec::decode(&codec::answers(), times));
        }
        "encode" => {
            black_box(codec::encode(times));
        }
        "day_blocks" => {
            for _ in 0..times {
                black_box(blocks());
            }
        }
        "pack" => {
            let blocks = blocks();
            for _ in 0..times {
                black_box(pack(black_box(&blocks)));
            }
        }
        "unpack" => {
            let packed = pack(&blocks());
            for _ in 0..times {
                let mut out: Vec<HourBlock> = Vec::new();
                unpack(black_box(&packed), &mut out)?;
                black_box(out);
            }
        }
        "write_day" | "read_day" => in_a_store(name, times)?,
        other => anyhow::bail!("no kernel is called {other}"),
    }
    Ok(())
}

/// Landing, sealing and reading a day of some loops.
fn in_a_store(name: &str, times: u64) -> anyhow::Result<()> {
    let dir = tempfile::tempdir()?;
    let mut register = "tag,pv_unit,lrv,urv\n".to_owned();
    for n in 0..LOOPS {
        register += &format!("FT-{n},m3/h,0,250\n");
    }
    let now = UtcMicros((DAY + 1) * 86_400_000_000);
    let store = Store::open(dir.path(), "bench", now)?;
    store.register_apply(&register, now)?;
    let turns = if name == "write_day" { times } else { 1 };
    for turn in 0..turns {
        let mut batch = Vec::new();
        for n in 0..LOOPS {
            let tag = Tag::new(&format!("FT-{n}"))?;
            let rows = day(n as i64);
            for k in 0..rows.len() {
                let mut row = rows.row(k);
                // A day of its own each turn.
                row.time.0 += turn as i64 * 86_400_000_000;
                batch.push((tag.clone(), row));
            }
        }
        store.landing().append(batch)?;
        store.seal(now)?;
    }
    if name == "read_day" {
        let snapshot = StoreReader::open(dir.path())?.snapshot()?;
        for _ in 0..times {
            let mut sum = 0.0;
            snapshot.read_day(DAY, &mut |_, columns| {
                sum += columns.pv.iter().sum::<f64>();
                Ok(())
            })?;
            black_box(sum);
        }
    }
    Ok(())
}
