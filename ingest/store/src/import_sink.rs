//! Where the rows of an import arrive: checked, rejected with a reason, or gathered and written chunk by chunk.

use crate::chunk::{CHUNK_ROWS, Chunk, Stage};
use crate::error::{IoContext, StoreError, short};
use crate::files::{FileOut, Files};
use crate::import::ImportProgress;
use crate::state::Origin;
use ingest_model::{Columns, MISSING_TIME, Tag};
use std::collections::HashMap;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;

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

/// Takes rows from the readers of single files.
pub(crate) struct Sink<'a> {
    pub tags: Vec<Tag>,
    pub index: HashMap<Tag, u32>,
    /// The last tag looked up: files are mostly in runs.
    pub memo: (String, Option<u32>),
    pub chunk: Chunk,
    pub chunks: i64,
    pub import: i64,
    pub stage: Stage,
    pub rejects: Rejects,
    pub rows_read: u64,
    pub repeats: u64,
    pub file: String,
    pub files_done: usize,
    pub files: usize,
    pub progress: &'a mut dyn FnMut(ImportProgress),
}

impl Sink<'_> {
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
        if self.memo.0 != tag {
            let known = Tag::new(tag).ok().and_then(|t| self.index.get(&t).copied());
            self.memo = (tag.to_owned(), known);
        }
        let Some(index) = self.memo.1 else {
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
        if self.chunk.len() >= CHUNK_ROWS {
            self.write_chunk()
        } else {
            Ok(())
        }
    }

    pub(crate) fn write_chunk(&mut self) -> Result<(), StoreError> {
        if self.chunk.len() == 0 {
            return Ok(());
        }
        // Later imports, and within one later rows, have larger numbers.
        let seq = self
            .import
            .saturating_mul(1_000_000)
            .saturating_add(self.chunks);
        self.chunks += 1;
        self.repeats +=
            self.chunk
                .write(&self.tags, &mut self.stage, Origin::Imported, seq, seq)?;
        Ok(())
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
