//! `journal.sqlite`: an append-only log of texts with sequence numbers. What they say is not the store's business.
//!
//! Appending is one transaction (WAL, synchronous FULL): all of the texts are on the disk, or none. Readers beside the
//! writer see whole transactions only.

use crate::error::{IoContext, StoreError};
use crate::files::{Files, Moment};
use crate::snapshot::StoreReader;
use crate::state::{open_for_reading, open_for_writing};
use crate::store::Store;
use rusqlite::{Connection, TransactionBehavior};
use std::path::{Path, PathBuf};

const JOURNAL: &[&str] = &[include_str!("../migrations/001_journal.sql")];

/// One text of the journal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JournalEntry {
    /// Increasing, never used twice.
    pub seq: i64,
    pub text: String,
}

fn path_in(dir: &Path) -> PathBuf {
    dir.join("journal.sqlite")
}

/// The journal's only writer; opened on first use, since most stores have no journal.
#[derive(Debug, Default)]
pub(crate) struct JournalWriter {
    conn: Option<Connection>,
}

impl JournalWriter {
    fn append(
        &mut self,
        files: &dyn Files,
        dir: &Path,
        texts: &[String],
    ) -> Result<i64, StoreError> {
        let path = path_in(dir);
        let conn = match &mut self.conn {
            Some(conn) => conn,
            None => self.conn.insert(open_for_writing(files, &path, JOURNAL)?),
        };
        let mut write = || -> rusqlite::Result<i64> {
            let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
            {
                let mut insert = tx.prepare_cached("INSERT INTO journal (text) VALUES (?1)")?;
                for text in texts {
                    insert.execute([text])?;
                }
            }
            let last = tx.query_row("SELECT coalesce(max(seq), 0) FROM journal", [], |r| {
                r.get(0)
            })?;
            tx.commit()?;
            Ok(last)
        };
        files
            .transaction(&path, Moment::Before)
            .at("write", &path)?;
        let last = write().at("write", &path)?;
        files.transaction(&path, Moment::After).at("write", &path)?;
        Ok(last)
    }
}

impl Store {
    /// Adds texts to the journal, all or none; when it returns they are on the disk. The last number is returned. After an
    /// error the texts may be there all the same: read the journal again before deciding anything from it.
    pub fn journal_append(&self, texts: &[String]) -> Result<i64, StoreError> {
        let dir = self.dir.clone();
        self.writer().journal.append(&*self.files, &dir, texts)
    }
}

impl StoreReader {
    /// The journal's texts beyond the number `after`, in order; none where nothing was ever written.
    pub fn journal(&self, after: i64) -> Result<Vec<JournalEntry>, StoreError> {
        let path = path_in(self.dir());
        if !path.is_file() {
            return Ok(Vec::new());
        }
        let conn = match open_for_reading(&path, JOURNAL) {
            // Being made at this moment: nothing has been told yet.
            Err(StoreError::NoStore { .. }) => return Ok(Vec::new()),
            opened => opened?,
        };
        let read = || -> rusqlite::Result<Vec<JournalEntry>> {
            conn.prepare("SELECT seq, text FROM journal WHERE seq > ?1 ORDER BY seq")?
                .query_map([after], |r| {
                    Ok(JournalEntry {
                        seq: r.get(0)?,
                        text: r.get(1)?,
                    })
                })?
                .collect()
        };
        read().at("read", &path)
    }
}
