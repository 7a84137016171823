//! Rows a second into the landing, durable, against the same rows as rows of an SQLite table with the same settings.

use crate::{process_s, say};
use ingest_model::{Reading, Tag, UtcMicros};
use ingest_store::Store;
use rusqlite::{Connection, params};
use std::fmt::Write as _;
use std::path::Path;
use std::time::Instant;

/// Loops, and so rows of a batch.
const LOOPS: usize = 10_000;
const START: UtcMicros = UtcMicros(1_780_000_000_000_000);

/// One reading of each loop, minute `n`.
fn batch(tags: &[Tag], n: usize) -> Vec<(Tag, Reading)> {
    tags.iter()
        .enumerate()
        .map(|(k, tag)| {
            let time = START.0 + (n as i64) * 60_000_000 + (k as i64 * 5_000);
            // What devices send is 32 bits wide.
            let pct = f64::from((50.0 + 30.0 * ((n as f64 + k as f64 * 0.37) / 97.0).sin()) as f32);
            let reading = Reading {
                pv: pct,
                sv: f64::from(20.5_f32 + (k % 7) as f32),
                reported_ma: f64::from((4.0 + 0.16 * pct) as f32),
                analog_ma: ((4.0 + 0.16 * pct) * 1_000.0).round() / 1_000.0,
                analog_time: Some(UtcMicros(time - 700_000)),
                response_code: Some(0),
                device_status: Some(0),
                extended_status: Some(0),
                pv_status: Some(0xC0),
                exchanges: Some(n as u32 * 3),
                comm_errors: Some(n as u32 / 50),
                config_changes: Some(17),
                ..Reading::empty(UtcMicros(time))
            };
            (tag.clone(), reading)
        })
        .collect()
}

pub(crate) fn run(dir: &Path, batches: usize) -> anyhow::Result<()> {
    let tags: Vec<Tag> = (0..LOOPS)
        .map(|n| Tag::new(&format!("FT-{n:05}")))
        .collect::<Result<_, _>>()?;
    let mut register = "tag,pv_unit,lrv,urv\n".to_owned();
    for tag in &tags {
        writeln!(register, "{tag},%,0,100")?;
    }
    let mut at = 0;
    for round in 0..3 {
        let into = dir.join(format!("rows-{round}.sqlite"));
        rows_into_sqlite(&into, &tags, at, batches)?;
        let store = dir.join(format!("store-{round}"));
        into_the_landing(&store, &register, &tags, at, batches)?;
        let again = dir.join(format!("again-{round}.sqlite"));
        rows_into_sqlite(&again, &tags, at, batches)?;
        at += batches;
        for path in [into, again] {
            std::fs::remove_file(path)?;
        }
        std::fs::remove_dir_all(store)?;
    }
    Ok(())
}

fn into_the_landing(
    dir: &Path,
    register: &str,
    tags: &[Tag],
    at: usize,
    batches: usize,
) -> anyhow::Result<()> {
    let store = Store::open(dir, "bench", START)?;
    store.register_apply(register, START)?;
    let landing = store.landing();
    let (mut cpu, mut wall, mut longest) = (0.0, 0.0, 0.0_f64);
    for n in at..at + batches {
        let rows = batch(tags, n);
        let (c, w) = (process_s()?, Instant::now());
        landing.append(rows)?;
        let took = w.elapsed().as_secs_f64();
        (cpu, wall, longest) = (cpu + process_s()? - c, wall + took, longest.max(took));
    }
    say("landing", (batches * tags.len()) as u64, cpu, wall);
    say("longest wait for the disk, landing", 1, 0.0, longest);
    Ok(())
}

fn rows_into_sqlite(path: &Path, tags: &[Tag], at: usize, batches: usize) -> anyhow::Result<()> {
    let mut db = Connection::open(path)?;
    db.pragma_update(None, "page_size", 8192)?;
    db.pragma_update(None, "journal_mode", "WAL")?;
    db.pragma_update(None, "synchronous", "FULL")?;
    db.pragma_update(None, "wal_autocheckpoint", 4000)?;
    db.execute_batch(
        "CREATE TABLE reading (time INTEGER, tag TEXT, pv REAL, sv REAL, tv REAL, qv REAL, reported_ma REAL,
         analog_ma REAL, analog_time INTEGER, response_code INTEGER, device_status INTEGER, extended_status INTEGER,
         pv_status INTEGER, exchanges INTEGER, comm_errors INTEGER, config_changes INTEGER)",
    )?;
    let there = |v: f64| v.is_finite().then_some(v);
    let (mut cpu, mut wall) = (0.0, 0.0);
    for n in at..at + batches {
        let rows = batch(tags, n);
        let (c, w) = (process_s()?, Instant::now());
        let tx = db.transaction()?;
        {
            let mut insert = tx.prepare_cached(
                "INSERT INTO reading VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15,?16)",
            )?;
            for (tag, r) in &rows {
                insert.execute(params![
                    r.time.0,
                    tag.as_str(),
                    there(r.pv),
                    there(r.sv),
                    there(r.tv),
                    there(r.qv),
                    there(r.reported_ma),
                    there(r.analog_ma),
                    r.analog_time.map(|t| t.0),
                    r.response_code,
                    r.device_status,
                    r.extended_status,
                    r.pv_status,
                    r.exchanges,
                    r.comm_errors,
                    r.config_changes,
                ])?;
            }
        }
        tx.commit()?;
        (cpu, wall) = (cpu + process_s()? - c, wall + w.elapsed().as_secs_f64());
    }
    say("sqlite rows", (batches * tags.len()) as u64, cpu, wall);
    Ok(())
}
