//! Rollup files: what was computed of a day, kept so that it need not be computed again.
//!
//! A rollup is a copy that can always be made anew: its name carries the key of the rows it was made of, so a
//! changed day never meets an old rollup, and a damaged or missing file only costs time. The store keeps bytes;
//! what they mean is the caller's.

use crate::error::{IoContext, StoreError};
use crate::files::{Files, RealFiles};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// First bytes of every rollup file; the digit is the format version.
const MAGIC: &[u8; 8] = b"LWROLL1\n";
/// A day of 10,000 loops is about 75 MB; more than this is no rollup of ours.
const MAX_BYTES: u64 = 1 << 30;

/// The folder of rollup files of one store.
#[derive(Debug, Clone)]
pub struct Rollups {
    dir: PathBuf,
    files: Arc<dyn Files>,
    keeps: bool,
}

impl Rollups {
    /// `store` is the store's folder.
    pub fn new(store: &Path) -> Self {
        Self::with(store, Arc::new(RealFiles))
    }

    pub(crate) fn with(store: &Path, files: Arc<dyn Files>) -> Self {
        Self {
            dir: store.join("rollups"),
            files,
            keeps: true,
        }
    }

    /// Finds what others kept, keeps nothing itself: for those who only read a store.
    #[must_use]
    pub fn read_only(mut self) -> Self {
        self.keeps = false;
        self
    }

    fn path(&self, day: i64, key: &str) -> PathBuf {
        let date = ingest_model::UtcMicros::from_day(day).date_string();
        self.dir.join(format!("{date}.{}.lwr", plain(key)))
    }

    /// What was kept of this day under this key; `None` where nothing is, or nothing that can be read.
    pub fn get(&self, day: i64, key: &str) -> Option<Vec<u8>> {
        let mut file = self.files.open(&self.path(day, key)).ok()?;
        let mut magic = [0; MAGIC.len()];
        file.read_exact(&mut magic).ok()?;
        if magic != *MAGIC {
            return None;
        }
        // zstd frames carry a checksum of their content: a torn or damaged file does not decode.
        let mut content = Vec::new();
        let frame = zstd::Decoder::new(file).ok()?;
        frame.take(MAX_BYTES).read_to_end(&mut content).ok()?;
        Some(content)
    }

    /// Keeps `content` for this day, and drops what was kept of it under other keys.
    ///
    /// # Errors
    /// When the file cannot be written; the store is as it was.
    pub fn put(&self, day: i64, key: &str, content: &[u8]) -> Result<(), StoreError> {
        if !self.keeps {
            return Ok(());
        }
        let path = self.path(day, key);
        let part = path.with_extension("part");
        let write = || -> std::io::Result<()> {
            self.files.create_dir(&self.dir)?;
            let mut file = self.files.create(&part)?;
            file.write_all(MAGIC)?;
            let mut encoder = zstd::Encoder::new(file, 3)?;
            encoder.include_checksum(true)?;
            encoder.write_all(content)?;
            encoder.finish()?.sync()?;
            self.files.rename(&part, &path)
        };
        write().at("write", &path)?;
        let date = ingest_model::UtcMicros::from_day(day).date_string();
        for old in self.files.list(&self.dir).at("list", &self.dir)? {
            let name = old.file_name().unwrap_or_default().to_string_lossy();
            if name.starts_with(&format!("{date}.")) && old != path {
                self.files.remove(&old).at("remove", &old)?;
            }
        }
        Ok(())
    }
}

/// Keys are hexadecimal and numbers; anything else has no place in a file name.
fn plain(key: &str) -> String {
    key.chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::Rollups;

    #[test]
    fn kept_found_replaced_and_damage_is_no_content() {
        let dir = tempfile::tempdir().unwrap();
        let rollups = Rollups::new(dir.path());
        assert_eq!(rollups.get(20_000, "k1"), None);
        let content = b"blocks".repeat(1000);
        rollups.put(20_000, "k1", &content).unwrap();
        rollups.put(20_001, "k1", b"other day").unwrap();
        assert_eq!(rollups.get(20_000, "k1").as_deref(), Some(&content[..]));
        // Another key of the same day drops the first; a key cannot leave the folder.
        rollups.put(20_000, "../k2", b"new").unwrap();
        assert_eq!(rollups.get(20_000, "k1"), None);
        assert_eq!(rollups.get(20_000, "../k2").as_deref(), Some(&b"new"[..]));
        assert_eq!(
            rollups.get(20_001, "k1").as_deref(),
            Some(&b"other day"[..])
        );
        // Every cut and every flipped byte is "nothing there", never wrong content.
        let path = rollups.path(20_000, "../k2");
        let whole = std::fs::read(&path).unwrap();
        for n in 0..whole.len() {
            std::fs::write(&path, &whole[..n]).unwrap();
            assert_eq!(rollups.get(20_000, "../k2"), None, "cut at {n}");
            let mut bad = whole.clone();
            bad[n] ^= 0x10;
            std::fs::write(&path, &bad).unwrap();
            let got = rollups.get(20_000, "../k2");
            assert!(got.is_none() || got.as_deref() == Some(b"new"), "byte {n}");
        }
    }
}
