//! Where the rows of an import arrive: checked, rejected with a reason, or gathered and written chunk by chunk.
//!
//! Two threads: one reads and checks, the other sorts, encodes and writes. Two chunks go round between them, so what an
//! import holds is settled beforehand.

use crate::chunk::{Chunk, Next, ORDER_BYTES, ROW_BYTES, Stage};
use crate::error::{IoContext, StoreError, short};
use crate::files::{FileOut, Files};
use crate::import::ImportProgress;
use crate::state::Origin;
use ingest_model::{Columns, MISSING_TIME, Tag};
use std::collections::HashMap;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, SyncSender};

/// What an import holds besides its two chunks: pages being decoded and encoded, one row group, the databases, the program.
/// Measured (tests/memory.rs).
const FIXED_BYTES: u64 = 88 << 20;
/// Below this the chunks become so small that days are joined from very many of them.
pub const LEAST_IMPORT_MEMORY: u64 = 128 << 20;

/// Rows of each chunk.
pub(crate) fn chunk_rows(memory_bytes: u64) -> usize {
    let bytes = memory_bytes.max(LEAST_IMPORT_MEMORY) - FIXED_BYTES;
    // Row numbers within a chunk have 32 bits.
    (bytes as usize / (2 * ROW_BYTES + ORDER_BYTES)).min(u32::MAX as usize / 2)
}

/// Microseconds of the years 1 to 9999: what RFC 3339 can write.
pub(crate) fn usable_time(time: i64) -> bool {
    (-62_135_596_800_000_000..253_402_300_800_000_000).contains(&time)
}

/// Largest value of an integer column.
pub(crate) const INTEGERS: [(&str, i64); 7] = [
    ("response_code", 255),
    ("device_status", 255),
    ("extended_status", 255),
    ("pv_status", 255),
    ("exchanges", u32::MAX as i64),
    ("comm_errors", u32::MAX as i64),
    ("config_changes", u16::MAX as i64),
];
pub(crate) const FLOATS: [&str; 6] = ["pv", "sv", "tv", "qv", "reported_ma", "analog_ma"];
/// An integer cell that cannot be what the column holds.
pub(crate) const BAD_INTEGER: i64 = i64::MIN;

/// One row as read: NaN, -1 and [`MISSING_TIME`] = missing, in the order of [`FLOATS`] and [`INTEGERS`].
#[derive(Debug, Clone, Copy)]
pub(crate) struct RawRow {
    pub time: i64,
    pub analog_time: i64,
    pub floats: [f64; 6],
    pub integers: [i64; 7],
}

/// Many rows as read, each with the index of its tag or [`NO_TAG`]; missing as in [`RawRow`].
pub(crate) struct RawRows {
    pub tag: Vec<u32>,
    pub time: Vec<i64>,
    pub analog_time: Vec<i64>,
    pub floats: [Vec<f64>; 6],
    pub integers: [Vec<i64>; 7],
}

/// No loop of the register.
pub(crate) const NO_TAG: u32 = u32::MAX;

/// A full chunk for the writing thread.
pub(crate) struct FullChunk {
    chunk: Chunk,
    seq: i64,
    next: Next,
}

/// Bytes of runs that wait to become day files: they take several times as much as these, so a long record must not wait whole.
const SCRATCH_BYTES: u64 = 2 << 30;

/// The writing thread: what it was given it gives back empty. Returns how many rows gave way to later ones.
pub(crate) fn write_chunks(
    full: &Receiver<FullChunk>,
    empty: &Sender<Chunk>,
    tags: &[Tag],
    stage: &mut Stage,
) -> Result<u64, StoreError> {
    let mut repeats = 0;
    while let Ok(mut one) = full.recv() {
        let seq = (one.seq, one.seq);
        repeats += one
            .chunk
            .write(tags, stage, Origin::Imported, seq, one.next)?;
        // The reading side may have ended.
        let _ = empty.send(one.chunk);
        let going_on = match one.next {
            Next::Takes(day) | Next::GoesOnWith(day) => Some(day),
            Next::Unknown => None,
        };
        if stage.waiting_bytes(going_on) > SCRATCH_BYTES {
            // One at a time: the next chunk is being filled.
            repeats += stage.join_days(going_on, 1)?;
        }
    }
    Ok(repeats)
}

/// Takes rows from the readers of single files.
pub(crate) struct Sink<'a> {
    pub index: HashMap<Tag, u32>,
    /// The last tag looked up: files are mostly in runs.
    pub memo: (String, Option<u32>),
    pub chunk: Chunk,
    pub chunk_rows: usize,
    pub chunks: i64,
    pub full: SyncSender<FullChunk>,
    pub empty: Receiver<Chunk>,
    pub import: i64,
    pub rejects: Rejects,
    pub rows_read: u64,
    pub file: String,
    pub files_done: usize,
    pub files: usize,
    pub progress: &'a mut dyn FnMut(ImportProgress),
}

impl Sink<'_> {
    /// Nothing more comes; the writing thread ends when it has written what it got.
    pub(crate) fn end(self) -> Rejects {
        self.rejects
    }

    /// Counts a row that cannot be used; `line` is its place in the file, counted from 1.
    pub(crate) fn reject(&mut self, line: u64, tag: &str, why: &str) -> Result<(), StoreError> {
        self.rejects.add(&self.file, line, tag, why)
    }

    pub(crate) fn tell(&mut self) {
        (self.progress)(ImportProgress {
            file: self.file.clone(),
            files_done: self.files_done,
            files: self.files,
            rows: self.rows_read,
        });
    }

    /// Takes a row or rejects it.
    pub(crate) fn row(
        &mut self,
        line: u64,
        tag: Option<&str>,
        row: &RawRow,
    ) -> Result<(), StoreError> {
        self.rows_read += 1;
        let Some(tag) = tag else {
            return self.reject(line, "", "tag is missing");
        };
        let Some(index) = self.lookup(tag) else {
            return self.reject(line, tag, "unknown tag");
        };
        if row.time == MISSING_TIME {
            return self.reject(line, tag, "time is missing");
        }
        if !usable_time(row.time) {
            return self.reject(line, tag, "time is outside the years 1 to 9999");
        }
        if row.analog_time != MISSING_TIME && !usable_time(row.analog_time) {
            return self.reject(line, tag, "analog_time is outside the years 1 to 9999");
        }
        for (value, (name, max)) in row.integers.iter().zip(INTEGERS) {
            if *value < -1 || *value > max {
                return self.reject(
                    line,
                    tag,
                    &format!("{name} is not a whole number 0 to {max}"),
                );
            }
        }
        let [pv, sv, tv, qv, reported_ma, analog_ma] =
            row.floats.map(|v| if v.is_finite() { v } else { f64::NAN });
        let [
            response,
            device,
            extended,
            pv_status,
            exchanges,
            comm_errors,
            changes,
        ] = row.integers;
        let c: &mut Columns = &mut self.chunk.rows;
        c.time.push(row.time);
        c.pv.push(pv);
        c.sv.push(sv);
        c.tv.push(tv);
        c.qv.push(qv);
        c.reported_ma.push(reported_ma);
        c.analog_ma.push(analog_ma);
        c.analog_time.push(row.analog_time);
        // In range: checked above.
        c.response_code.push(response as i16);
        c.device_status.push(device as i16);
        c.extended_status.push(extended as i16);
        c.pv_status.push(pv_status as i16);
        c.exchanges.push(exchanges);
        c.comm_errors.push(comm_errors);
        c.config_changes.push(changes as i32);
        self.chunk.tag.push(index);
        self.send_if_full()
    }

    /// Index of a tag in the register.
    pub(crate) fn lookup(&mut self, tag: &str) -> Option<u32> {
        if self.memo.0 != tag {
            let known = Tag::new(tag).ok().and_then(|t| self.index.get(&t).copied());
            self.memo.0.clear();
            self.memo.0.push_str(tag);
            self.memo.1 = known;
        }
        self.memo.1
    }

    /// Takes all of these rows at once if there is nothing to say about any of them, else none of them: then they go
    /// one by one. `true`: taken.
    pub(crate) fn rows(&mut self, rows: &RawRows) -> Result<bool, StoreError> {
        let integers = rows.integers.iter().zip(INTEGERS);
        let clean = rows.tag.iter().all(|t| *t != NO_TAG)
            && rows.time.iter().all(|t| usable_time(*t))
            && rows
                .analog_time
                .iter()
                .all(|t| *t == MISSING_TIME || usable_time(*t))
            && integers.into_iter().all(|(column, (_, max))| {
                // Without a way out, so that many are looked at at once.
                let bad = |bad: bool, v: &i64| bad | (*v < -1) | (*v > max);
                !column.iter().fold(false, bad)
            });
        if !clean {
            return Ok(false);
        }
        let all = rows.tag.len();
        let mut from = 0;
        while from < all {
            let room = self.chunk_rows.saturating_sub(self.chunk.len()).max(1);
            let to = all.min(from + room);
            self.take(rows, from..to);
            self.rows_read += (to - from) as u64;
            from = to;
            self.send_if_full()?;
        }
        Ok(true)
    }

    fn take(&mut self, rows: &RawRows, range: std::ops::Range<usize>) {
        fn part<'c, T>(column: &'c [T], range: &std::ops::Range<usize>) -> std::slice::Iter<'c, T> {
            column.get(range.clone()).unwrap_or_default().iter()
        }
        let floats = |c: usize| {
            let column = rows.floats.get(c).map_or(&[][..], Vec::as_slice);
            part(column, &range).map(|v| if v.is_finite() { *v } else { f64::NAN })
        };
        let integers = |c: usize| {
            let column = rows.integers.get(c).map_or(&[][..], Vec::as_slice);
            part(column, &range).copied()
        };
        self.chunk.tag.extend(part(&rows.tag, &range));
        let c: &mut Columns = &mut self.chunk.rows;
        c.time.extend(part(&rows.time, &range));
        c.analog_time.extend(part(&rows.analog_time, &range));
        c.pv.extend(floats(0));
        c.sv.extend(floats(1));
        c.tv.extend(floats(2));
        c.qv.extend(floats(3));
        c.reported_ma.extend(floats(4));
        c.analog_ma.extend(floats(5));
        // In range: checked before.
        c.response_code.extend(integers(0).map(|v| v as i16));
        c.device_status.extend(integers(1).map(|v| v as i16));
        c.extended_status.extend(integers(2).map(|v| v as i16));
        c.pv_status.extend(integers(3).map(|v| v as i16));
        c.exchanges.extend(integers(4));
        c.comm_errors.extend(integers(5));
        c.config_changes.extend(integers(6).map(|v| v as i32));
    }

    fn send_if_full(&mut self) -> Result<(), StoreError> {
        if self.chunk.len() < self.chunk_rows {
            return Ok(());
        }
        // A file in order of time goes on with the day it ends in. Kept together, a day needs not be joined later.
        let last = self.chunk.rows_of_last_day();
        match last {
            Some((day, rows)) if rows.len() <= self.chunk_rows / 4 * 3 => {
                self.send(Next::Takes(day), &rows)
            }
            Some((day, _)) => self.send(Next::GoesOnWith(day), &[]),
            None => self.send(Next::Unknown, &[]),
        }
    }

    /// Hands the last chunk to the writing thread.
    pub(crate) fn send_rest(&mut self) -> Result<(), StoreError> {
        self.send(Next::Unknown, &[])
    }

    /// Hands the chunk to the writing thread, but for the rows `kept` that go into the next.
    fn send(&mut self, after: Next, kept: &[u32]) -> Result<(), StoreError> {
        if self.chunk.len() == 0 {
            return Ok(());
        }
        let stopped = || StoreError::stop("the import cannot write");
        // Later imports, and within one later rows, have larger numbers.
        let seq = self
            .import
            .saturating_mul(1_000_000)
            .saturating_add(self.chunks);
        let mut next = if self.chunks == 0 {
            let mut chunk = Chunk::default();
            chunk.reserve(self.chunk_rows);
            chunk
        } else {
            // Waits until the chunk before is written.
            self.empty.recv().map_err(|_| stopped())?
        };
        self.chunks += 1;
        next.take_rows(&self.chunk, kept);
        let chunk = std::mem::replace(&mut self.chunk, next);
        // Fails only if the writing thread has ended; its error says why.
        self.full
            .send(FullChunk {
                chunk,
                seq,
                next: after,
            })
            .map_err(|_| stopped())
    }
}

/// The rejects file, created with the first reject.
pub(crate) struct Rejects {
    pub files: Arc<dyn Files>,
    pub path: PathBuf,
    pub out: Option<csv::Writer<Box<dyn FileOut>>>,
    pub count: u64,
}

impl Rejects {
    fn add(&mut self, file: &str, line: u64, tag: &str, why: &str) -> Result<(), StoreError> {
        let failed = |source: csv::Error| StoreError::Io {
            doing: "write",
            path: self.path.clone(),
            source: std::io::Error::other(source),
        };
        let out = match &mut self.out {
            Some(out) => out,
            None => {
                let file = self.files.create(&self.path).at("create", &self.path)?;
                let out = self.out.insert(csv::Writer::from_writer(file));
                out.write_record(["file", "line", "tag", "reason"])
                    .map_err(failed)?;
                out
            }
        };
        self.count += 1;
        out.write_record([file, &line.to_string(), &short(tag), why])
            .map_err(failed)
    }

    /// True if there is a file, then complete and on the disk.
    pub(crate) fn finish(&mut self) -> Result<bool, StoreError> {
        let Some(out) = self.out.take() else {
            return Ok(false);
        };
        let mut file = out
            .into_inner()
            .map_err(|e| e.into_error())
            .at("write", &self.path)?;
        file.flush()
            .and_then(|()| file.sync())
            .at("write", &self.path)?;
        Ok(true)
    }
}
