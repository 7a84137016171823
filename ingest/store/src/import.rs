//! Loading a site folder: register, announced work and readings become visible in one transaction, or not at all.

use crate::amend::list_hash;
use crate::chunk::{Chunk, JOINING, Stage};
use crate::dayfile::hex;
use crate::error::{IoContext, StoreError};
use crate::import_sink::{FullChunk, Rejects, Sink, chunk_rows, write_chunks};
use crate::register::{Register, RegisterDiff};
use crate::state::{Change, ImportRow, KnownFile, ListFrom};
use crate::store::{Store, Writer};
use crate::work::{self, WorkWindow};
use crate::{import_csv, import_parquet, register_csv, register_history};
use ingest_model::{Tag, UtcMicros};
use sha2::{Digest, Sha256};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, channel, sync_channel};

/// How to import.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ImportOptions {
    /// What the import may hold in memory, about; at least [`LEAST_IMPORT_MEMORY`](crate::LEAST_IMPORT_MEMORY). A page
    /// of an imported file is held besides, and the register.
    pub memory_bytes: u64,
}

impl Default for ImportOptions {
    fn default() -> Self {
        Self {
            memory_bytes: 256 << 20,
        }
    }
}

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

struct Site {
    loops: Option<Vec<u8>>,
    history: Option<Vec<u8>>,
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
        self.import_site_with(site, now, ImportOptions::default(), progress)
    }

    /// [`import_site`](Self::import_site) with options.
    pub fn import_site_with(
        &self,
        site: &Path,
        now: UtcMicros,
        options: ImportOptions,
        progress: &mut dyn FnMut(ImportProgress),
    ) -> Result<ImportReport, StoreError> {
        let found = self.find_site(site)?;
        let mut writer = self.writer();
        let image = writer.state.image()?;
        let mut report = ImportReport {
            files_ignored: found.ignored,
            ..ImportReport::default()
        };
        let list = match &found.loops {
            None => None,
            // What people changed since the same list was taken stays.
            Some(bytes) if writer.state.last_list(ListFrom::Site)? == Some(list_hash(bytes)) => {
                None
            }
            Some(bytes) => {
                let path = site.join("loops.csv");
                Some(register_csv::parse(&path, text(&path, bytes)?)?)
            }
        };
        let history = match &found.history {
            None => Vec::new(),
            Some(bytes) => {
                let path = site.join(register_history::FILE);
                register_history::parse(&path, text(&path, bytes)?)?
            }
        };
        if list.is_none() && history.is_empty() && image.register.is_empty() {
            return Err(StoreError::NoRegister {
                dir: site.to_owned(),
            });
        }
        let (register, diff) = image.register.with_site(history, list, now);
        let register = Arc::new(register);
        report.register = diff;
        report.loops = register.tags().filter(|t| !register.is_retired(t)).count();

        let import = writer.state.next_import()?;
        let mut stage = Stage::new(self.files.clone(), &self.dir);
        let mut known = Vec::new();
        let tags: Vec<Tag> = register.tags().cloned().collect();
        // A hand-over without a queue, so there are never more than two chunks.
        let (full, from_reader) = sync_channel(0);
        let (to_reader, empty) = channel();
        let mut sink = self.sink(import, &tags, &found.readings, progress, (full, empty));
        sink.chunk_rows = chunk_rows(options.memory_bytes);
        stage.removes(sink.rejects.path.clone());
        let (read, written) = std::thread::scope(|scope| {
            let stage = &mut stage;
            let tags = &tags;
            let spawned = std::thread::Builder::new()
                .name("import".to_owned())
                .spawn_scoped(scope, move || {
                    write_chunks(&from_reader, &to_reader, tags, stage)
                });
            let writing = spawned.at("start the import into", &self.dir)?;
            let read = (|| -> Result<_, StoreError> {
                let bytes = found.work.as_deref();
                let work =
                    self.read_work(site, bytes, &writer, &register, &mut sink, &mut known)?;
                for path in &found.readings {
                    self.import_file(path, &writer, &mut sink, &mut known, &mut report)?;
                }
                sink.send_rest()?;
                sink.file = String::new();
                sink.tell();
                Ok((work, sink.rows_read))
            })();
            let rejects = sink.end();
            let written = writing
                .join()
                .unwrap_or_else(|panic| std::panic::resume_unwind(panic));
            Ok::<_, StoreError>((read.map(|r| (r, rejects)), written))
        })?;
        // When writing failed, that is why reading ended.
        let mut repeats = written?;
        let ((work, rows_read), mut rejects) = read?;
        repeats += stage.join_days(None, JOINING)?;
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
            stage.other(rejects.path, to.clone());
            report.rejects_file = Some(to);
        }
        let register_changed = !report.register.is_empty();
        let list_taken = found.loops.as_deref().map(list_hash);
        let change = Change {
            import: Some(ImportRow {
                id: import,
                at: now,
                rows: rows_read,
                rejects: report.rejects,
                files: known,
            }),
            register: register_changed.then_some(&register),
            work: &new_work,
            list_taken: list_taken.as_deref().map(|hash| (ListFrom::Site, hash)),
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
            history: whole(register_history::FILE)?,
            work: whole("work.csv")?,
            readings: files,
            ignored,
        };
        if found.loops.is_none() && found.history.is_none() && found.readings.is_empty() {
            return Err(StoreError::EmptySite {
                dir: site.to_owned(),
            });
        }
        Ok(found)
    }

    fn sink<'a>(
        &self,
        import: i64,
        tags: &[Tag],
        readings: &[PathBuf],
        progress: &'a mut dyn FnMut(ImportProgress),
        (full, empty): (SyncSender<FullChunk>, Receiver<Chunk>),
    ) -> Sink<'a> {
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
            index,
            memo: (String::new(), None),
            chunk: Chunk::default(),
            chunk_rows: 0,
            chunks: 0,
            full,
            empty,
            import,
            rejects,
            rows_read: 0,
            file: String::new(),
            files_done: 0,
            files: readings.len(),
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
