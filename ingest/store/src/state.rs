//! `state.sqlite`: manifest, register and announced work; every change of the store is one transaction here.

mod read;

use self::read::read_image;
use crate::amend::ChangeRecord;
use crate::error::{IoContext, StoreError};
use crate::files::{Files, Moment};
use crate::register::Register;
use crate::register_csv;
use crate::work::WorkWindow;
use ingest_model::{Tag, UtcMicros};
use rusqlite::{Connection, OpenFlags, OptionalExtension, Transaction, params};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

const STATE: &[&str] = &[
    include_str!("../migrations/001_state.sql"),
    include_str!("../migrations/002_changes.sql"),
];
pub(crate) const LANDING: &[&str] = &[include_str!("../migrations/001_landing.sql")];

/// Where rows came from; collected beats imported.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Origin {
    Imported,
    Collected,
}

impl Origin {
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Imported => "import",
            Self::Collected => "collect",
        }
    }
}

/// What kind of file a list of loops came from; each kind remembers its last one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum ListFrom {
    /// The register of `site.toml`.
    Register,
    /// A site folder.
    Site,
}

impl ListFrom {
    fn word(self) -> &'static str {
        match self {
            Self::Register => "register",
            Self::Site => "site",
        }
    }
}

/// One day file of the manifest.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PartRow {
    pub name: String,
    pub day: i64,
    pub origin: Origin,
    pub seq_first: i64,
    pub seq_last: i64,
    pub rows: u64,
    pub t_min: i64,
    pub t_max: i64,
    pub bytes: u64,
    pub hash: String,
}

/// A file whose content the store has.
#[derive(Debug, Clone)]
pub(crate) struct KnownFile {
    pub hash: String,
    pub name: String,
    pub rows: u64,
}

#[derive(Debug, Clone)]
pub(crate) struct ImportRow {
    pub id: i64,
    pub at: UtcMicros,
    pub rows: u64,
    pub rejects: u64,
    pub files: Vec<KnownFile>,
}

/// What one transaction changes.
#[derive(Debug, Default)]
pub(crate) struct Change<'a> {
    pub added: &'a [PartRow],
    /// Names that give way, and since when.
    pub replaced: Vec<String>,
    pub replaced_at: i64,
    pub sealed_through: Option<i64>,
    pub import: Option<ImportRow>,
    pub register: Option<&'a Arc<Register>>,
    pub work: &'a [WorkWindow],
    /// Who made the change, when it was a person.
    pub person: Option<&'a ChangeRecord>,
    /// The list of loops taken from a file: from where, and its hash.
    pub list_taken: Option<(ListFrom, &'a str)>,
}

/// Everything of the manifest that a snapshot needs, as of one transaction.
#[derive(Debug, Clone, Default)]
pub(crate) struct Image {
    pub generation: i64,
    pub register_generation: i64,
    pub sealed_through: i64,
    pub rejected: u64,
    /// By day, in order of precedence.
    pub parts: Arc<BTreeMap<i64, Vec<PartRow>>>,
    pub work: Arc<Vec<WorkWindow>>,
    pub register: Arc<Register>,
}

pub(crate) struct StateDb {
    conn: Connection,
    path: PathBuf,
    files: Arc<dyn Files>,
    /// The manifest when it was last asked for: what did not change since is not read again.
    newest: Image,
}

/// Opens a database for writing and brings it to the newest layout.
pub(crate) fn open_for_writing(
    files: &dyn Files,
    path: &Path,
    migrations: &[&str],
) -> Result<Connection, StoreError> {
    let mut conn = Connection::open(path).at("open", path)?;
    prepare(&conn).at("open", path)?;
    conn.pragma_update(None, "page_size", 8192)
        .at("open", path)?;
    conn.pragma_update(None, "journal_mode", "WAL")
        .at("open", path)?;
    conn.pragma_update(None, "synchronous", "FULL")
        .at("open", path)?;
    conn.pragma_update(None, "wal_autocheckpoint", 4000)
        .at("open", path)?;
    let found = version(&conn, path, migrations)?;
    for (n, sql) in migrations
        .iter()
        .enumerate()
        .skip(usize::try_from(found).unwrap_or(0))
    {
        files
            .transaction(path, Moment::Before)
            .at("migrate", path)?;
        let tx = conn.transaction().at("migrate", path)?;
        tx.execute_batch(sql).at("migrate", path)?;
        tx.pragma_update(None, "user_version", n as i64 + 1)
            .at("migrate", path)?;
        tx.commit().at("migrate", path)?;
        files.transaction(path, Moment::After).at("migrate", path)?;
    }
    Ok(conn)
}

pub(crate) fn open_for_reading(path: &Path, migrations: &[&str]) -> Result<Connection, StoreError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let conn = Connection::open_with_flags(path, flags).at("open", path)?;
    prepare(&conn).at("open", path)?;
    // Made, but its first transaction never came to an end.
    if version(&conn, path, migrations)? == 0 {
        return Err(StoreError::NoStore {
            dir: path.parent().unwrap_or(path).to_owned(),
        });
    }
    Ok(conn)
}

fn prepare(conn: &Connection) -> rusqlite::Result<()> {
    conn.busy_timeout(Duration::from_secs(20))
}

fn version(conn: &Connection, path: &Path, migrations: &[&str]) -> Result<i64, StoreError> {
    let found: i64 = conn
        .query_row("PRAGMA user_version", [], |r| r.get(0))
        .at("read", path)?;
    let known = migrations.len() as i64;
    if found > known {
        return Err(StoreError::NewerFormat {
            dir: path.to_owned(),
            found,
            known,
        });
    }
    Ok(found)
}

impl StateDb {
    pub(crate) fn create(dir: &Path, files: Arc<dyn Files>) -> Result<Self, StoreError> {
        let path = dir.join("state.sqlite");
        Ok(Self {
            conn: open_for_writing(&*files, &path, STATE)?,
            path,
            files,
            newest: Image::default(),
        })
    }

    pub(crate) fn read_only(dir: &Path, files: Arc<dyn Files>) -> Result<Self, StoreError> {
        let path = dir.join("state.sqlite");
        if !path.is_file() {
            return Err(StoreError::NoStore {
                dir: dir.to_owned(),
            });
        }
        Ok(Self {
            conn: open_for_reading(&path, STATE)?,
            path,
            files,
            newest: Image::default(),
        })
    }

    /// The manifest now; what did not change since it was last asked for is shared with that.
    pub(crate) fn image(&mut self) -> Result<Image, StoreError> {
        let path = self.path.clone();
        let tx = self.conn.transaction().at("read", &path)?;
        let image = read_image(&tx, &self.newest, &path)?;
        tx.commit().at("read", &path)?;
        self.newest = image.clone();
        Ok(image)
    }

    /// Takes a register that somebody else holds in place of its own where it is the same: it is large.
    pub(crate) fn share_register(&mut self, register: &Arc<Register>) -> Arc<Register> {
        if register.version() == self.newest.register.version() {
            self.newest.register = register.clone();
        }
        self.newest.register.clone()
    }

    /// Rises with every change.
    pub(crate) fn generation(&self) -> Result<i64, StoreError> {
        self.conn
            .query_row("SELECT value FROM meta WHERE key = 'generation'", [], |r| {
                r.get(0)
            })
            .at("read", &self.path)
    }

    pub(crate) fn next_import(&self) -> Result<i64, StoreError> {
        self.conn
            .query_row("SELECT coalesce(max(id), 0) + 1 FROM imports", [], |r| {
                r.get(0)
            })
            .at("read", &self.path)
    }

    pub(crate) fn knows_file(&self, hash: &str) -> Result<bool, StoreError> {
        self.conn
            .query_row("SELECT 1 FROM import_files WHERE hash = ?1", [hash], |_| {
                Ok(())
            })
            .optional()
            .map(|found| found.is_some())
            .at("read", &self.path)
    }

    /// Hash of the list of loops last taken from a file.
    pub(crate) fn last_list(&self, from: ListFrom) -> Result<Option<String>, StoreError> {
        self.conn
            .query_row(
                "SELECT hash FROM taken WHERE name = ?1",
                [from.word()],
                |r| r.get(0),
            )
            .optional()
            .at("read", &self.path)
    }

    /// Changes that people made with an id below `before`, the newest first.
    pub(crate) fn changes(
        &self,
        before: i64,
        limit: usize,
    ) -> Result<Vec<ChangeRecord>, StoreError> {
        let read = || -> rusqlite::Result<Vec<ChangeRecord>> {
            self.conn
                .prepare_cached(
                    "SELECT id, at, by, why, what, tag, detail FROM changes
                     WHERE id < ?1 ORDER BY id DESC LIMIT ?2",
                )?
                .query_map(params![before, limit as i64], |r| {
                    Ok(ChangeRecord {
                        id: r.get(0)?,
                        at: UtcMicros(r.get(1)?),
                        by: r.get(2)?,
                        why: r.get(3)?,
                        what: r.get(4)?,
                        tag: Some(r.get(5)?).filter(|t: &String| !t.is_empty()),
                        detail: r.get(6)?,
                    })
                })?
                .collect()
        };
        read().at("read", &self.path)
    }

    pub(crate) fn has_part(&self, name: &str) -> Result<bool, StoreError> {
        self.conn
            .query_row("SELECT 1 FROM parts WHERE name = ?1", [name], |_| Ok(()))
            .optional()
            .map(|found| found.is_some())
            .at("read", &self.path)
    }

    /// Names of replaced files that were replaced before `before`.
    pub(crate) fn replaced_before(&self, before: i64) -> Result<Vec<String>, StoreError> {
        let read = || -> rusqlite::Result<Vec<String>> {
            self.conn
                .prepare("SELECT name FROM replaced WHERE since < ?1")?
                .query_map([before], |r| r.get(0))?
                .collect()
        };
        read().at("read", &self.path)
    }

    pub(crate) fn forget_replaced(&self, names: &[String]) -> Result<(), StoreError> {
        for name in names {
            self.before()?;
            self.conn
                .execute("DELETE FROM replaced WHERE name = ?1", [name])
                .at("write", &self.path)?;
            self.after()?;
        }
        Ok(())
    }

    /// Applies a change, all of it or nothing.
    pub(crate) fn commit(&mut self, change: &Change<'_>) -> Result<(), StoreError> {
        let path = self.path.clone();
        let write = |conn: &mut Connection| -> rusqlite::Result<i64> {
            let tx = conn.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
            apply(&tx, change)?;
            let generation = tx.query_row(
                "SELECT value FROM meta WHERE key = 'register_generation'",
                [],
                |r| r.get(0),
            )?;
            tx.commit()?;
            Ok(generation)
        };
        self.before()?;
        let generation = write(&mut self.conn).at("write", &path)?;
        if let Some(register) = change.register {
            // It is what a reading would bring.
            self.newest.register = register.clone();
            self.newest.register_generation = generation;
        }
        self.after()
    }

    fn before(&self) -> Result<(), StoreError> {
        self.files
            .transaction(&self.path, Moment::Before)
            .at("write", &self.path)
    }

    fn after(&self) -> Result<(), StoreError> {
        self.files
            .transaction(&self.path, Moment::After)
            .at("write", &self.path)
    }
}

fn apply(tx: &Transaction<'_>, change: &Change<'_>) -> rusqlite::Result<()> {
    for p in change.added {
        tx.prepare_cached(
            "INSERT OR REPLACE INTO parts VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
        )?
        .execute(params![
            p.name,
            p.day,
            p.origin as i64,
            p.seq_first,
            p.seq_last,
            p.rows as i64,
            p.t_min,
            p.t_max,
            p.bytes as i64,
            p.hash
        ])?;
    }
    for name in &change.replaced {
        tx.execute("DELETE FROM parts WHERE name = ?1", [name])?;
        tx.execute(
            "INSERT OR REPLACE INTO replaced VALUES (?1, ?2)",
            params![name, change.replaced_at],
        )?;
    }
    if let Some(seq) = change.sealed_through {
        tx.execute(
            "UPDATE meta SET value = ?1 WHERE key = 'sealed_through'",
            [seq],
        )?;
    }
    if let Some(i) = &change.import {
        tx.execute(
            "INSERT INTO imports VALUES (?1, ?2, ?3, ?4)",
            params![i.id, i.at.0, i.rows as i64, i.rejects as i64],
        )?;
        for f in &i.files {
            tx.execute(
                "INSERT OR IGNORE INTO import_files VALUES (?1, ?2, ?3, ?4)",
                params![f.hash, i.id, f.name, f.rows as i64],
            )?;
        }
    }
    if let Some(register) = change.register {
        tx.execute("DELETE FROM loops", [])?;
        let mut insert = tx.prepare("INSERT INTO loops VALUES (?1, ?2, ?3, ?4)")?;
        for tag in register.tags() {
            for (ordinal, entry) in register.entries(tag).iter().enumerate() {
                let cells = register_csv::to_json(entry);
                insert.execute(params![
                    tag.as_str(),
                    ordinal as i64,
                    register.is_retired(tag),
                    cells
                ])?;
            }
        }
        tx.execute(
            "UPDATE meta SET value = value + 1 WHERE key = 'register_generation'",
            [],
        )?;
    }
    for w in change.work {
        tx.execute(
            "INSERT OR IGNORE INTO work VALUES (?1, ?2, ?3, ?4)",
            params![
                w.tag.as_ref().map_or("", Tag::as_str),
                w.from.0,
                w.to.0,
                w.note
            ],
        )?;
    }
    if let Some(c) = change.person {
        tx.execute(
            "INSERT INTO changes (at, by, why, what, tag, detail) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            params![
                c.at.0,
                c.by,
                c.why,
                c.what,
                c.tag.as_deref().unwrap_or(""),
                c.detail
            ],
        )?;
    }
    if let Some((from, hash)) = change.list_taken {
        tx.execute(
            "INSERT OR REPLACE INTO taken VALUES (?1, ?2)",
            [from.word(), hash],
        )?;
    }
    tx.execute(
        "UPDATE meta SET value = value + 1 WHERE key = 'generation'",
        [],
    )?;
    Ok(())
}
