//! History is kept for a time that the site sets: whole UTC days go, at once for whoever looks anew, later from the disk.

use crate::error::StoreError;
use crate::state::{Change, PartRow};
use crate::store::Store;
use ingest_model::UtcMicros;
use std::time::Duration;

/// What went.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct DropReport {
    pub days: usize,
    pub day_files: usize,
    pub rows: u64,
    pub bytes: u64,
}

impl Store {
    /// Drops days that ended more than `keep` before the newest reading (or before now, should a clock have run ahead). So
    /// an archive that gets no new readings stays as it is.
    pub fn drop_days_older_than(
        &self,
        keep: Duration,
        now: UtcMicros,
    ) -> Result<DropReport, StoreError> {
        let Some((_, newest)) = self.reader().snapshot()?.time_range() else {
            return Ok(DropReport::default());
        };
        let keep = i64::try_from(keep.as_micros()).unwrap_or(i64::MAX);
        let before = UtcMicros(newest.min(now).0.saturating_sub(keep));
        self.drop_days_before(before, now)
    }

    /// Drops the days that ended before `before` from the history: all of them in one transaction, or none. Snapshots taken
    /// before keep reading them for ten minutes. Register, work and the list of imported files stay, so an import of the
    /// same files does not bring the days back. Rows that have just landed are not looked at.
    pub fn drop_days_before(
        &self,
        before: UtcMicros,
        now: UtcMicros,
    ) -> Result<DropReport, StoreError> {
        let mut writer = self.writer();
        let image = writer.state.image()?;
        let gone = image
            .parts
            .iter()
            .filter(|(day, _)| UtcMicros::from_day(day.saturating_add(1)) <= before);
        let mut report = DropReport::default();
        let mut parts: Vec<&PartRow> = Vec::new();
        for (_, of_day) in gone {
            report.days += 1;
            parts.extend(of_day);
        }
        if !parts.is_empty() {
            report.day_files = parts.len();
            report.rows = parts.iter().map(|p| p.rows).sum();
            report.bytes = parts.iter().map(|p| p.bytes).sum();
            self.commit(
                &mut writer,
                &Change {
                    replaced: parts.iter().map(|p| p.name.clone()).collect(),
                    replaced_at: now.0,
                    ..Change::default()
                },
            )?;
        }
        self.remove_replaced(&mut writer, now)?;
        drop(writer);
        // What was computed of a day goes with its rows.
        self.rollups().forget_before(before);
        Ok(report)
    }
}
