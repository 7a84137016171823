//! The manifest as of one transaction, read from `state.sqlite`.

use super::{Image, Origin, PartRow};
use crate::error::{IoContext, StoreError};
use crate::register::Register;
use crate::register_csv;
use crate::work::WorkWindow;
use ingest_model::{Tag, UtcMicros};
use rusqlite::Transaction;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

pub(super) fn read_image(
    tx: &Transaction<'_>,
    known: &Image,
    path: &Path,
) -> Result<Image, StoreError> {
    let meta = |key: &str| -> Result<i64, StoreError> {
        tx.query_row("SELECT value FROM meta WHERE key = ?1", [key], |r| r.get(0))
            .at("read", path)
    };
    let generation = meta("generation")?;
    if generation == known.generation {
        return Ok(known.clone());
    }
    let register_generation = meta("register_generation")?;
    let register = if register_generation == known.register_generation {
        known.register.clone()
    } else {
        Arc::new(read_register(tx, path)?)
    };
    let rejected: i64 = tx
        .query_row("SELECT coalesce(sum(rejects), 0) FROM imports", [], |r| {
            r.get(0)
        })
        .at("read", path)?;
    Ok(Image {
        generation,
        register_generation,
        sealed_through: meta("sealed_through")?,
        rejected: rejected.max(0) as u64,
        parts: Arc::new(read_parts(tx).at("read", path)?),
        work: Arc::new(read_work(tx).at("read", path)?),
        register,
    })
}

fn read_parts(tx: &Transaction<'_>) -> rusqlite::Result<BTreeMap<i64, Vec<PartRow>>> {
    let mut parts: BTreeMap<i64, Vec<PartRow>> = BTreeMap::new();
    let mut query = tx.prepare(
        "SELECT name, day, origin, seq_first, seq_last, rows, t_min, t_max, bytes, hash FROM parts
         ORDER BY day, origin, seq_last, seq_first",
    )?;
    let mut rows = query.query([])?;
    while let Some(r) = rows.next()? {
        let part = PartRow {
            name: r.get(0)?,
            day: r.get(1)?,
            origin: if r.get::<_, i64>(2)? == 0 {
                Origin::Imported
            } else {
                Origin::Collected
            },
            seq_first: r.get(3)?,
            seq_last: r.get(4)?,
            rows: r.get::<_, i64>(5)?.max(0) as u64,
            t_min: r.get(6)?,
            t_max: r.get(7)?,
            bytes: r.get::<_, i64>(8)?.max(0) as u64,
            hash: r.get(9)?,
        };
        parts.entry(part.day).or_default().push(part);
    }
    Ok(parts)
}

fn read_work(tx: &Transaction<'_>) -> rusqlite::Result<Vec<WorkWindow>> {
    tx.prepare("SELECT tag, t_from, t_to, note FROM work ORDER BY t_from, t_to, tag, note")?
        .query_map([], |r| {
            let tag: String = r.get(0)?;
            Ok(WorkWindow {
                tag: Tag::new(&tag).ok(),
                from: UtcMicros(r.get(1)?),
                to: UtcMicros(r.get(2)?),
                note: r.get(3)?,
            })
        })?
        .collect()
}

fn read_register(tx: &Transaction<'_>, path: &Path) -> Result<Register, StoreError> {
    let mut rows: Vec<(String, bool)> = Vec::new();
    let read = |rows: &mut Vec<(String, bool)>| -> rusqlite::Result<()> {
        let mut query = tx.prepare("SELECT cells, retired FROM loops ORDER BY tag, ordinal")?;
        for row in query.query_map([], |r| Ok((r.get(0)?, r.get(1)?)))? {
            rows.push(row?);
        }
        Ok(())
    };
    read(&mut rows).at("read", path)?;
    let mut entries = Vec::with_capacity(rows.len());
    let mut retired = BTreeSet::new();
    for (cells, gone) in rows {
        let entry = register_csv::from_json(path, &cells)?;
        if gone {
            retired.insert(entry.tag.clone());
        }
        entries.push(entry);
    }
    Ok(Register::new(entries, retired))
}
