//! Loading a site folder: register, announced work and readings become visible in one transaction, or not at all.

use crate::chunk::{CHUNK_ROWS, Chunk, Stage};
use crate::dayfile::hex;
use crate::error::{IoContext, StoreError, short};
use crate::files::{FileOut, Files};
use crate::register::{Register, RegisterDiff};
use crate::state::{Change, Image, ImportRow, KnownFile, Origin};
use crate::store::{Store, Writer};
use crate::work::{self, WorkWindow};
use crate::{import_csv, import_parquet, register_csv};
use ingest_model::{Columns, MISSING_TIME, Tag, UtcMicros};
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// How far an import is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ImportProgress {
    pub file: String,
    pub files_done: usize,
    pub files: usize,
    /// Rows read so far.
    pub rows: u64,
}

/// What an import did.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ImportReport {
    /// False: everything was known already and the store is as before.
    pub changed: bool,
    pub register: RegisterDiff,
    /// Loops listed now, retired ones not counted.
    pub loops: usize,
    pub files_read: usize,
    /// Files whose content the store had already.
    pub files_known: usize,
    /// Names in `readings/` that are neither Parquet nor CSV and were not looked at.
    pub files_ignored: Vec<String>,
    pub rows_read: u64,
    /// Rows that entered the history; a row of an earlier import with equal tag and time is not subtracted.
    pub readings: u64,
    /// Rows that gave way to a later row of this import with equal tag and time.
    pub repeats: u64,
    pub rejects: u64,
    /// Rejected rows with their reasons (CSV).
    pub rejects_file: Option<PathBuf>,
    pub work_windows: usize,
    /// First and last time of the rows that entered.
    pub range: Option<(UtcMicros, UtcMicros)>,
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

/// Takes rows from the readers of single files.
pub(crate) struct Sink<'a> {
    tags: Vec<Tag>,
    index: HashMap<Tag, u32>,
    /// The last tag looked up: files are mostly in runs.
    memo: (String, Option<u32>),
    chunk: Chunk,
    chunks: i64,
    import: i64,
    stage: Stage,
    rejects: Rejects,
    pub rows_read: u64,
    repeats: u64,
    file: String,
    files_done: usize,
    files: usize,
    progress: &'a mut dyn FnMut(ImportProgress),
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

    fn write_chunk(&mut self) -> Result<(), StoreError> {
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
struct Rejects {
    files: Arc<dyn Files>,
    path: PathBuf,
    out: Option<csv::Writer<Box<dyn FileOut>>>,
    count: u64,
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
    fn finish(&mut self) -> Result<bool, StoreError> {
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

struct Site {
    loops: Option<Vec<u8>>,
    work: Option<Vec<u8>>,
    readings: Vec<PathBuf>,
    ignored: Vec<String>,
}

impl Store {
    /// Loads a site folder (contract section 1). Rows that cannot be used are counted and never stop the rest; a file that
    /// cannot be read is an error, and the store is then as before. Loading the same again changes nothing.
    pub fn import_site(
        &self,
        site: &Path,
        now: UtcMicros,
        progress: &mut dyn FnMut(ImportProgress),
    ) -> Result<ImportReport, StoreError> {
        let found = self.find_site(site)?;
        let mut writer = self.writer();
        let image = writer.state.image(&Image::default())?;
        let mut report = ImportReport {
            files_ignored: found.ignored,
            ..ImportReport::default()
        };
        let register = match &found.loops {
            None if image.register.is_empty() => {
                return Err(StoreError::NoRegister {
                    dir: site.to_owned(),
                });
            }
            None => image.register.clone(),
            Some(bytes) => {
                let path = site.join("loops.csv");
                let list = register_csv::parse(&path, text(&path, bytes)?)?;
                let (register, diff) = image.register.with_list(list, now);
                report.register = diff;
                Arc::new(register)
            }
        };
        report.loops = register.tags().filter(|t| !register.is_retired(t)).count();

        let import = writer.state.next_import()?;
        let mut sink = self.sink(import, &register, found.readings.len(), progress);
        let mut known = Vec::new();
        let work = self.read_work(
            site,
            found.work.as_deref(),
            &writer,
            &register,
            &mut sink,
            &mut known,
        )?;
        for path in &found.readings {
            self.import_file(path, &writer, &mut sink, &mut known, &mut report)?;
        }
        sink.write_chunk()?;
        sink.file = String::new();
        sink.tell();

        let Sink {
            mut stage,
            mut rejects,
            rows_read,
            mut repeats,
            ..
        } = sink;
        repeats += stage.join_days()?;
        let new_work: Vec<WorkWindow> = work
            .into_iter()
            .filter(|w| !image.work.contains(w))
            .collect();
        report.work_windows = new_work.len();
        report.rows_read = rows_read;
        report.repeats = repeats;
        report.readings = stage.parts().iter().map(|p| p.rows).sum();
        report.rejects = rejects.count;
        report.range = stage
            .parts()
            .iter()
            .map(|p| (UtcMicros(p.t_min), UtcMicros(p.t_max)))
            .reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
        report.changed = !known.is_empty() || !report.register.is_empty() || !new_work.is_empty();
        if !report.changed {
            return Ok(report);
        }
        if rejects.finish()? {
            let to = self
                .dir
                .join("rejects")
                .join(format!("import-{import:06}.csv"));
            stage.other(rejects.path.clone(), to.clone());
            report.rejects_file = Some(to);
        }
        let register_changed = !report.register.is_empty();
        let change = Change {
            import: Some(ImportRow {
                id: import,
                at: now,
                rows: rows_read,
                rejects: report.rejects,
                files: known,
            }),
            register: register_changed.then_some(&*register),
            work: &new_work,
            ..Change::default()
        };
        self.record(&mut writer, stage, change)?;
        if register_changed {
            self.set_register(register);
        }
        // The import stands already; a failed tidying is repeated by the next seal or import.
        if let Err(e) = self.compact(&mut writer, now) {
            tracing::warn!("cannot join day files: {e}");
        }
        Ok(report)
    }

    fn find_site(&self, site: &Path) -> Result<Site, StoreError> {
        if !site.is_dir() {
            return Err(StoreError::NotAFolder {
                dir: site.to_owned(),
            });
        }
        let readings = site.join("readings");
        let listed = self.files.list(&readings).at("list", &readings)?;
        let (files, others): (Vec<PathBuf>, Vec<PathBuf>) =
            listed.into_iter().partition(|f| kind(f).is_some());
        let ignored = others
            .iter()
            .filter_map(|f| f.file_name())
            .map(|n| n.to_string_lossy().into_owned())
            .collect();
        let whole = |name: &str| -> Result<Option<Vec<u8>>, StoreError> {
            let path = site.join(name);
            if !path.exists() {
                return Ok(None);
            }
            let mut bytes = Vec::new();
            self.files
                .open(&path)
                .and_then(|mut f| f.read_to_end(&mut bytes))
                .at("read", &path)?;
            Ok(Some(bytes))
        };
        let found = Site {
            loops: whole("loops.csv")?,
            work: whole("work.csv")?,
            readings: files,
            ignored,
        };
        if found.loops.is_none() && found.readings.is_empty() {
            return Err(StoreError::EmptySite {
                dir: site.to_owned(),
            });
        }
        Ok(found)
    }

    fn sink<'a>(
        &self,
        import: i64,
        register: &Register,
        files: usize,
        progress: &'a mut dyn FnMut(ImportProgress),
    ) -> Sink<'a> {
        let tags: Vec<Tag> = register.tags().cloned().collect();
        let index = tags
            .iter()
            .enumerate()
            .map(|(n, t)| (t.clone(), n as u32))
            .collect();
        let rejects = Rejects {
            files: self.files.clone(),
            path: self.dir.join("staging").join("rejects.csv"),
            out: None,
            count: 0,
        };
        Sink {
            tags,
            index,
            memo: (String::new(), None),
            chunk: Chunk::default(),
            chunks: 0,
            import,
            stage: Stage::new(self.files.clone(), &self.dir),
            rejects,
            rows_read: 0,
            repeats: 0,
            file: String::new(),
            files_done: 0,
            files,
            progress,
        }
    }

    fn read_work(
        &self,
        site: &Path,
        bytes: Option<&[u8]>,
        writer: &Writer,
        register: &Register,
        sink: &mut Sink<'_>,
        known: &mut Vec<KnownFile>,
    ) -> Result<Vec<WorkWindow>, StoreError> {
        let Some(bytes) = bytes else {
            return Ok(Vec::new());
        };
        let path = site.join("work.csv");
        let hash = hex(Sha256::new_with_prefix(bytes));
        if writer.state.knows_file(&hash)? {
            return Ok(Vec::new());
        }
        let (windows, rejects) =
            work::parse(&path, text(&path, bytes)?, &|tag| register.contains(tag))?;
        sink.file = "work.csv".to_owned();
        for (line, tag, why) in rejects {
            sink.reject(line, &tag, &why)?;
        }
        known.push(KnownFile {
            hash,
            name: sink.file.clone(),
            rows: windows.len() as u64,
        });
        Ok(windows)
    }

    fn import_file(
        &self,
        path: &Path,
        writer: &Writer,
        sink: &mut Sink<'_>,
        known: &mut Vec<KnownFile>,
        report: &mut ImportReport,
    ) -> Result<(), StoreError> {
        sink.file = path
            .file_name()
            .map(|n| n.to_string_lossy().into_owned())
            .unwrap_or_default();
        sink.tell();
        let hash = self.hash(path)?;
        if writer.state.knows_file(&hash)? {
            report.files_known += 1;
        } else {
            let before = sink.rows_read;
            let file = self.files.open(path).at("open", path)?;
            let read = match kind(path) {
                Some(Kind::Parquet) => import_parquet::read(path, file, sink),
                _ => import_csv::read(path, file, sink),
            };
            // A file that is being written looks broken or short: say so rather than what it looked like.
            if self.hash(path)? != hash {
                return Err(StoreError::Changed {
                    file: path.to_owned(),
                });
            }
            read?;
            known.push(KnownFile {
                hash,
                name: sink.file.clone(),
                rows: sink.rows_read - before,
            });
            report.files_read += 1;
        }
        sink.files_done += 1;
        Ok(())
    }

    fn hash(&self, path: &Path) -> Result<String, StoreError> {
        let mut file = self.files.open(path).at("open", path)?;
        let mut hash = Sha256::new();
        let mut buffer = vec![0; 1 << 20];
        loop {
            let n = file.read(&mut buffer).at("read", path)?;
            match buffer.get(..n) {
                Some(bytes) if n > 0 => hash.update(bytes),
                _ => return Ok(hex(hash)),
            }
        }
    }
}

enum Kind {
    Csv,
    Parquet,
}

fn kind(path: &Path) -> Option<Kind> {
    let name = path.file_name()?.to_string_lossy();
    if name.starts_with('.') {
        return None;
    }
    let extension = path.extension()?.to_string_lossy().to_ascii_lowercase();
    match extension.as_str() {
        "csv" => Some(Kind::Csv),
        "parquet" => Some(Kind::Parquet),
        _ => None,
    }
}

fn text<'a>(path: &Path, bytes: &'a [u8]) -> Result<&'a str, StoreError> {
    std::str::from_utf8(bytes).map_err(|e| {
        let line = bytes
            .iter()
            .take(e.valid_up_to())
            .filter(|b| **b == b'\n')
            .count()
            + 1;
        StoreError::Unreadable {
            file: path.to_owned(),
            why: format!("line {line} is not UTF-8; save it as UTF-8"),
        }
    })
}
