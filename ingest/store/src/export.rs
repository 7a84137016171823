//! A store as a site folder again (contract section 1): register with its history, readings by day, announced work.
//!
//! The folder is written under another name and renamed when all of it is on the disk, so there is never half of one.

use crate::dayfile::DayFileWriter;
use crate::error::{IoContext, StoreError};
use crate::files::Files;
use crate::register_history;
use crate::snapshot::{Snapshot, StoreReader};
use crate::work;
use ingest_model::{Columns, UtcMicros};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// What to export. The register is always whole.
#[derive(Debug, Clone, Copy, Default)]
pub struct ExportOptions {
    /// Readings from this time on, and work that ends after it.
    pub from: Option<UtcMicros>,
    /// Readings before this time, and work that begins before it.
    pub to: Option<UtcMicros>,
}

/// How far an export is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ExportProgress {
    pub days_done: usize,
    pub days: usize,
    pub rows: u64,
}

/// What an export wrote.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ExportReport {
    /// Loops with their history, retired ones too.
    pub loops: usize,
    pub readings: u64,
    /// Files in `readings/`, one for each UTC day that has rows.
    pub files: usize,
    pub work_windows: usize,
    pub range: Option<(UtcMicros, UtcMicros)>,
}

/// A folder that goes unless it is finished.
struct Unfinished {
    files: Arc<dyn Files>,
    dir: PathBuf,
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        if let Err(e) = self.files.remove_dir(&self.dir) {
            tracing::warn!("cannot remove {}: {e}", self.dir.display());
        }
    }
}

impl StoreReader {
    /// Writes the store as it is now as a site folder at `out`, which must be new or empty. Importing it into an empty
    /// store gives the same register and readings. Holds the rows of one loop and day, and of one row group.
    pub fn export(
        &self,
        out: &Path,
        options: ExportOptions,
        progress: &mut dyn FnMut(ExportProgress),
    ) -> Result<ExportReport, StoreError> {
        let snapshot = self.snapshot()?;
        let files = self.files().clone();
        let out = std::path::absolute(out).at("find", out)?;
        let (Some(parent), Some(name)) = (out.parent(), out.file_name()) else {
            return Err(StoreError::NoName { dir: out });
        };
        if out.exists() {
            let mut entries = std::fs::read_dir(&out).at("list", &out)?;
            if entries.next().is_some() {
                return Err(StoreError::NotEmpty { dir: out.clone() });
            }
        }
        files.create_dir(parent).at("create", parent)?;
        let unfinished = Unfinished {
            dir: parent.join(format!(
                ".{}.unfinished-{}",
                name.to_string_lossy(),
                std::process::id()
            )),
            files: files.clone(),
        };
        let readings = unfinished.dir.join("readings");
        files.create_dir(&readings).at("create", &readings)?;

        let mut report = self.export_readings(snapshot.clone(), &readings, options, progress)?;
        let register = snapshot.register();
        report.loops = register.len();
        let work: Vec<_> = snapshot
            .work()
            .iter()
            .filter(|w| options.from.is_none_or(|from| w.to > from))
            .filter(|w| options.to.is_none_or(|to| w.from < to))
            .collect();
        report.work_windows = work.len();
        let texts = [
            ("loops.csv", register.current_csv()),
            (register_history::FILE, register_history::to_csv(register)),
            ("work.csv", work::to_csv(&work)),
        ];
        for (name, text) in texts {
            let path = unfinished.dir.join(name);
            let mut file = files.create(&path).at("create", &path)?;
            file.write_all(text.as_bytes())
                .and_then(|()| file.sync())
                .at("write", &path)?;
        }
        for folder in [&readings, &unfinished.dir] {
            files.sync_dir(folder).at("sync", folder)?;
        }
        // Takes the place of an empty folder, but never of one with something in it.
        files.rename(&unfinished.dir, &out).at("rename to", &out)?;
        files.sync_dir(parent).at("sync", parent)?;
        Ok(report)
    }

    fn export_readings(
        &self,
        mut snapshot: Snapshot,
        readings: &Path,
        options: ExportOptions,
        progress: &mut dyn FnMut(ExportProgress),
    ) -> Result<ExportReport, StoreError> {
        let mut report = ExportReport::default();
        let from = options.from.unwrap_or(UtcMicros(i64::MIN));
        let to = options.to.unwrap_or(UtcMicros(i64::MAX));
        let days: Vec<i64> = snapshot
            .days()
            .iter()
            .map(|d| d.day)
            .filter(|d| from.day() <= *d && UtcMicros::from_day(*d) < to)
            .collect();
        for (days_done, day) in days.iter().enumerate() {
            progress(ExportProgress {
                days_done,
                days: days.len(),
                rows: report.readings,
            });
            let name = format!("{}.parquet", UtcMicros::from_day(*day).date_string());
            let path = readings.join(name);
            let mut written = self.export_day(&snapshot, *day, (from, to), &path);
            if matches!(written, Err(StoreError::SnapshotTooOld { .. })) {
                // The day's files were joined since; what is in the new one is all that was in the old ones.
                snapshot = self.snapshot()?;
                written = self.export_day(&snapshot, *day, (from, to), &path);
            }
            if let Some((rows, low, high)) = written? {
                report.files += 1;
                report.readings += rows;
                let known = report.range.unwrap_or((low, high));
                report.range = Some((known.0.min(low), known.1.max(high)));
            }
        }
        Ok(report)
    }

    /// Rows written, and their first and last time; without rows there is no file.
    fn export_day(
        &self,
        snapshot: &Snapshot,
        day: i64,
        (from, to): (UtcMicros, UtcMicros),
        path: &Path,
    ) -> Result<Option<(u64, UtcMicros, UtcMicros)>, StoreError> {
        let mut writer: Option<DayFileWriter> = None;
        snapshot.read_day(day, &mut |tag, columns| {
            let mut wanted = Columns::default();
            crate::snapshot::push_between(&mut wanted, &columns, from, to);
            if wanted.is_empty() {
                return Ok(());
            }
            let file = match &mut writer {
                Some(file) => file,
                None => writer.insert(DayFileWriter::create(&**self.files(), path)?),
            };
            file.start_loop(tag)?;
            file.push_all(&wanted);
            Ok(())
        })?;
        let Some(writer) = writer else {
            return Ok(None);
        };
        let info = writer.finish()?;
        self.files().sync(path).at("sync", path)?;
        Ok(Some((
            info.rows,
            UtcMicros(info.t_min),
            UtcMicros(info.t_max),
        )))
    }
}
