//! Helpers of the store's tests: site folders in temporary places.
#![allow(dead_code, unreachable_pub)]

pub mod judge;
pub mod script;
pub mod trouble;

use ingest_model::{Columns, Tag, UtcMicros};
use ingest_store::{ImportReport, Snapshot, Store, StoreError};
use std::fs;
use std::path::{Path, PathBuf};

pub const LOOPS: &str = "tag,pv_unit,lrv,urv\nFT-1,L/min,0,900\nPT-2,bar,0,10\nTT-3,degC,-50,150\n";

pub fn now() -> UtcMicros {
    UtcMicros::parse_rfc3339("2026-03-20T00:00:00Z").unwrap()
}

pub fn tag(text: &str) -> Tag {
    Tag::new(text).unwrap()
}

/// A site folder with these files below it.
pub fn site(dir: &Path, files: &[(&str, &str)]) -> PathBuf {
    let site = dir.join("site");
    let _ = fs::remove_dir_all(&site);
    fs::create_dir_all(site.join("readings")).unwrap();
    for (name, text) in files {
        fs::write(site.join(name), text).unwrap();
    }
    site
}

pub fn open(dir: &Path) -> Store {
    Store::open(&dir.join("store"), "test", now()).unwrap()
}

pub fn import(store: &Store, site: &Path) -> Result<ImportReport, StoreError> {
    store.import_site(site, now(), &mut |_| {})
}

/// A temporary folder in memory, where there is one: what is killed is a process, so the disk need not be waited for.
pub fn fast_dir() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    if memory.is_dir() {
        tempfile::tempdir_in(memory).unwrap()
    } else {
        tempfile::tempdir().unwrap()
    }
}

/// Opens a store that nobody holds. A process that another test is just starting has a copy of our lock for a moment.
pub fn open_patiently(
    dir: &Path,
    files: std::sync::Arc<dyn ingest_store::files::Files>,
) -> Result<Store, StoreError> {
    for _ in 0..500 {
        match Store::open_with(dir, "test", now(), files.clone()) {
            Err(StoreError::Held { .. }) => {
                std::thread::sleep(std::time::Duration::from_millis(10));
            }
            other => return other,
        }
    }
    Store::open_with(dir, "test", now(), files)
}

/// Every row of every day, in order.
pub fn all(snapshot: &Snapshot) -> Vec<(Tag, Columns)> {
    let mut found = Vec::new();
    for day in snapshot.days() {
        let mut last: Option<Tag> = None;
        snapshot
            .read_day(day.day, &mut |tag, columns| {
                assert!(last.as_ref().is_none_or(|l| l < tag), "tags out of order");
                assert!(
                    columns.time.windows(2).all(|w| w[0] < w[1]),
                    "times do not increase"
                );
                assert!(columns.time.iter().all(|t| UtcMicros(*t).day() == day.day));
                last = Some(tag.clone());
                found.push((tag.clone(), columns));
                Ok(())
            })
            .unwrap();
    }
    found
}

/// (tag, time, pv) of every row.
pub fn flat(snapshot: &Snapshot) -> Vec<(String, i64, String)> {
    all(snapshot)
        .iter()
        .flat_map(|(tag, c)| {
            c.time
                .iter()
                .zip(&c.pv)
                .map(|(t, pv)| (tag.to_string(), *t, pv.to_string()))
                .collect::<Vec<_>>()
        })
        .collect()
}
