//! Everything that can go wrong with a store, said as what, where and what to do.

use std::path::{Path, PathBuf};

#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError {
    #[error("store {dir} is held by {holder}: stop it, or read beside it with a reading command", dir = .dir.display())]
    Held { dir: PathBuf, holder: String },
    #[error("no store at {dir}: `import` or `serve` creates it", dir = .dir.display())]
    NoStore { dir: PathBuf },
    #[error("store {dir} has format {found}, this program knows up to {known}: use a newer program", dir = .dir.display())]
    NewerFormat {
        dir: PathBuf,
        found: i64,
        known: i64,
    },
    #[error("cannot {doing} {path}: {source}", path = .path.display())]
    Io {
        doing: &'static str,
        path: PathBuf,
        source: std::io::Error,
    },
    #[error("cannot {doing} in {path}: {source}", path = .path.display())]
    Database {
        doing: &'static str,
        path: PathBuf,
        source: rusqlite::Error,
    },
    #[error("cannot read {file}: {why}", file = .file.display())]
    Unreadable { file: PathBuf, why: String },
    #[error("{file}: needed column `{column}` is missing", file = .file.display())]
    MissingColumn { file: PathBuf, column: &'static str },
    #[error("{file}: column `{column}` appears twice", file = .file.display())]
    RepeatedColumn { file: PathBuf, column: String },
    #[error("{file}: column `{column}` has type {found}, wanted is {wanted}", file = .file.display())]
    ColumnType {
        file: PathBuf,
        column: String,
        found: String,
        wanted: &'static str,
    },
    #[error("{file}, line {line}, column `{column}`: `{value}` is not {wanted}", file = .file.display())]
    Cell {
        file: PathBuf,
        line: u64,
        column: String,
        value: String,
        wanted: String,
    },
    #[error("{file}, line {line}, column `tag`: `{tag}` is already in line {first}; a tag may repeat only with another `valid_from`", file = .file.display())]
    RepeatedTag {
        file: PathBuf,
        line: u64,
        first: u64,
        tag: String,
    },
    #[error("{file}, line {line}, columns `lrv` and `urv`: both are {value}; a range needs two different ends", file = .file.display())]
    EmptyRange {
        file: PathBuf,
        line: u64,
        value: f64,
    },
    #[error("{file} changed while it was read: import again when it is complete", file = .file.display())]
    Changed { file: PathBuf },
    #[error("nothing to import in {dir}: wanted are loops.csv and readings/*.parquet or *.csv", dir = .dir.display())]
    EmptySite { dir: PathBuf },
    #[error("{dir} has no loops.csv and the store has no register yet: readings need the loops they belong to", dir = .dir.display())]
    NoRegister { dir: PathBuf },
    #[error("{dir} is not a folder: give the site folder that holds loops.csv and readings/", dir = .dir.display())]
    NotAFolder { dir: PathBuf },
    #[error("history file {file} is damaged: {why}; restore it from a copy, or move it away and import its time again", file = .file.display())]
    Damaged { file: PathBuf, why: String },
    #[error("history file {file} is gone: the snapshot is older than the time that replaced files are kept; take a new one", file = .file.display())]
    SnapshotTooOld { file: PathBuf },
    #[error("{dir} is not empty: give a new or an empty folder to export to", dir = .dir.display())]
    NotEmpty { dir: PathBuf },
    #[error("{dir} cannot be exported to: give the name of a new folder", dir = .dir.display())]
    NoName { dir: PathBuf },
    #[error("readings were not accepted: {why}")]
    NotAccepted { why: String },
    #[error("{why}")]
    Refused { why: String },
    #[error(
        "the list or the register is not the one whose difference was shown: ask for the difference again"
    )]
    Stale,
    #[error("a caller stopped the reading: {why}")]
    Stopped { why: String },
}

impl StoreError {
    /// For callbacks of [`crate::Snapshot::read_day`] that want to end the reading early.
    pub fn stop(why: impl Into<String>) -> Self {
        Self::Stopped { why: why.into() }
    }
}

/// Adds what was being done, and where, to an IO error.
pub(crate) trait IoContext<T> {
    fn at(self, doing: &'static str, path: &Path) -> Result<T, StoreError>;
}

impl<T> IoContext<T> for std::io::Result<T> {
    fn at(self, doing: &'static str, path: &Path) -> Result<T, StoreError> {
        self.map_err(|source| StoreError::Io {
            doing,
            path: path.to_owned(),
            source,
        })
    }
}

impl<T> IoContext<T> for rusqlite::Result<T> {
    fn at(self, doing: &'static str, path: &Path) -> Result<T, StoreError> {
        self.map_err(|source| StoreError::Database {
            doing,
            path: path.to_owned(),
            source,
        })
    }
}

/// Text from outside, short enough for a message.
pub(crate) fn short(text: &str) -> String {
    text.chars().take(60).collect()
}
