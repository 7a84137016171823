//! From the landing to day files, exactly once: files on the disk, then the manifest, then the landed range cleared.

use crate::batch::{append_rows, runs_of};
use crate::chunk::{CHUNK_ROWS, Chunk, Next, Stage};
use crate::error::{IoContext, StoreError};
use crate::landing::decode;
use crate::state::{Change, Origin};
use crate::store::{Store, Writer};
use ingest_model::{Tag, UtcMicros};
use std::collections::HashMap;

/// What a seal did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct SealReport {
    /// Rows moved to day files, repeats removed.
    pub rows: u64,
    pub repeats: u64,
    pub day_files: usize,
    /// Days rewritten because they were in too many files.
    pub days_compacted: usize,
}

impl Store {
    /// Moves what has landed to day files. Readers see every row once at any moment; a crash at any point loses and
    /// repeats nothing.
    pub fn seal(&self, now: UtcMicros) -> Result<SealReport, StoreError> {
        let mut writer = self.writer();
        let mut report = SealReport::default();
        while self.seal_some(&mut writer, &mut report)? {}
        report.days_compacted = self.compact(&mut writer, now)?;
        Ok(report)
    }

    fn seal_some(&self, writer: &mut Writer, report: &mut SealReport) -> Result<bool, StoreError> {
        let path = self.dir.join("landing.sqlite");
        let image = writer.state.image()?;
        let tags: Vec<Tag> = image.register.tags().cloned().collect();
        let index: HashMap<&str, u32> = tags
            .iter()
            .enumerate()
            .map(|(n, t)| (t.as_str(), n as u32))
            .collect();
        let mut chunk = Chunk::default();
        let mut range = None;
        {
            let landed: i64 = writer
                .landing
                .query_row(
                    "SELECT coalesce(sum(rows), 0) FROM landing WHERE seq > ?1",
                    [image.sealed_through],
                    |r| r.get(0),
                )
                .at("read", &path)?;
            // Rows that come meanwhile, and those of the batch that fills the chunk, find their room when they come.
            chunk.reserve(usize::try_from(landed).unwrap_or(0).min(CHUNK_ROWS));
            let mut query = writer
                .landing
                .prepare("SELECT seq, batch FROM landing WHERE seq > ?1 ORDER BY seq")
                .at("read", &path)?;
            let mut rows = query.query([image.sealed_through]).at("read", &path)?;
            while chunk.len() < CHUNK_ROWS
                && let Some(row) = rows.next().at("read", &path)?
            {
                let seq: i64 = row.get(0).at("read", &path)?;
                let blob = row
                    .get_ref(1)
                    .at("read", &path)?
                    .as_blob()
                    .unwrap_or_default();
                add(&mut chunk, &index, blob).map_err(|why| StoreError::Unreadable {
                    file: path.clone(),
                    why: format!("batch {seq}: {why}"),
                })?;
                range = Some((range.map_or(seq, |(first, _)| first), seq));
            }
        }
        let Some((first, last)) = range else {
            return Ok(false);
        };
        let mut stage = Stage::new(self.files.clone(), &self.dir);
        report.repeats += chunk.write(
            &tags,
            &mut stage,
            Origin::Collected,
            (first, last),
            Next::Unknown,
        )?;
        report.rows += stage.parts().iter().map(|p| p.rows).sum::<u64>();
        report.day_files += stage.parts().len();
        self.record(
            writer,
            stage,
            Change {
                sealed_through: Some(last),
                ..Change::default()
            },
        )?;
        writer.clear_landed(&path, last)?;
        Ok(true)
    }
}

fn add(chunk: &mut Chunk, index: &HashMap<&str, u32>, blob: &[u8]) -> Result<(), String> {
    for batch in decode(blob)? {
        for (name, from, rows) in runs_of(&batch).map_err(|e| e.to_string())? {
            let tag = index
                .get(name.as_str())
                .ok_or_else(|| format!("tag `{name}` is not in the register"))?;
            append_rows(&batch, from, rows, &mut chunk.rows).map_err(|e| e.to_string())?;
            chunk.tag.resize(chunk.rows.len(), *tag);
        }
    }
    Ok(())
}
