//! The exclusive lock on a store, with the holder's name for whoever is refused.

use crate::error::{IoContext, StoreError};
use ingest_model::UtcMicros;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::Path;

/// Held as long as it lives; the system releases it when the process ends, however it ends.
#[derive(Debug)]
pub(crate) struct Lock {
    _file: File,
}

impl Lock {
    pub(crate) fn take(dir: &Path, holder: &str, now: UtcMicros) -> Result<Self, StoreError> {
        let path = dir.join("lock");
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .at("open", &path)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut text = String::new();
                // The holder may be writing its name just now; the refusal does not depend on it.
                let _ = file.take(200).read_to_string(&mut text);
                let text = text.trim();
                let holder = if text.is_empty() {
                    "another process"
                } else {
                    text
                };
                return Err(StoreError::Held {
                    dir: dir.to_owned(),
                    holder: holder.to_owned(),
                });
            }
            Err(TryLockError::Error(source)) => {
                return Err(StoreError::Io {
                    doing: "lock",
                    path,
                    source,
                });
            }
        }
        file.set_len(0).at("write", &path)?;
        file.rewind().at("write", &path)?;
        write!(file, "pid {}, {holder}, since {now}", std::process::id()).at("write", &path)?;
        Ok(Self { _file: file })
    }
}
