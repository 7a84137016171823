//! How the bytes of a Parquet file come in when it is read from front to back: some pages of a column at a time.
//!
//! The Parquet reader asks for each page's header and each page by itself, which as calls to the system cost more than the
//! bytes. So a stretch of each column that is read is held, and pages are parts of it.

use bytes::{Buf, Bytes};
use parquet::errors::{ParquetError, Result};
use parquet::file::metadata::ParquetMetaData;
use parquet::file::reader::{ChunkReader, Length};
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::sync::{Arc, Mutex, PoisonError};

/// Bytes of a stretch: a column of a day file's row group is a few. Each column that is read holds one on each core.
const STRETCH: u64 = 64 << 10;

/// A file being read from front to back.
#[derive(Clone)]
pub(crate) struct ChunkedFile(Arc<Inner>);

struct Inner {
    len: u64,
    /// Where each column chunk is: begin, end, column; in order of begin.
    chunks: Vec<(u64, u64, usize)>,
    held: Mutex<Held>,
}

struct Held {
    file: File,
    /// Of each column the stretch read last, with where it begins.
    by_column: Vec<(u64, Bytes)>,
}

impl ChunkedFile {
    pub(crate) fn new(file: File, metadata: &ParquetMetaData) -> io::Result<Self> {
        let len = file.metadata()?.len();
        let mut chunks = Vec::new();
        for group in metadata.row_groups() {
            for (column, chunk) in group.columns().iter().enumerate() {
                let (from, bytes) = chunk.byte_range();
                chunks.push((from, from.saturating_add(bytes).min(len), column));
            }
        }
        chunks.sort_unstable();
        let by_column = Vec::new();
        let held = Mutex::new(Held { file, by_column });
        Ok(Self(Arc::new(Inner { len, chunks, held })))
    }
}

impl Inner {
    /// At least `least` bytes from `start` on, or fewer where the file ends.
    fn bytes_from(&self, start: u64, least: u64) -> io::Result<Bytes> {
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        let after = self.chunks.partition_point(|(from, ..)| *from <= start);
        let chunk = after.checked_sub(1).and_then(|n| self.chunks.get(n));
        let chunk = chunk.filter(|(_, end, _)| start < *end && start.saturating_add(least) <= *end);
        let Some(&(_, end, column)) = chunk else {
            let end = self.len.min(start.saturating_add(least));
            return read(&mut held.file, start, end);
        };
        if held.by_column.len() <= column {
            held.by_column.resize(column + 1, (0, Bytes::new()));
        }
        if let Some((at, bytes)) = held.by_column.get(column)
            && let Some(skip) = start.checked_sub(*at)
            && skip < bytes.len() as u64
            && least <= bytes.len() as u64 - skip
        {
            return Ok(bytes.slice(skip as usize..));
        }
        let to = end.min(start.saturating_add(least.max(STRETCH)));
        let bytes = read(&mut held.file, start, to)?;
        if let Some(slot) = held.by_column.get_mut(column) {
            *slot = (start, bytes.clone());
        }
        Ok(bytes)
    }
}

/// Bytes `start..end`; both lie within the file.
fn read(file: &mut File, start: u64, end: u64) -> io::Result<Bytes> {
    let len = end.saturating_sub(start);
    // Not filled with zeros first.
    let mut bytes = Vec::with_capacity(len as usize);
    file.seek(SeekFrom::Start(start))?;
    file.take(len).read_to_end(&mut bytes)?;
    if (bytes.len() as u64) < len {
        return Err(io::ErrorKind::UnexpectedEof.into());
    }
    Ok(bytes.into())
}

/// Reads on from a place in the file.
pub(crate) struct ReadOn {
    file: Arc<Inner>,
    at: u64,
    bytes: Bytes,
}

impl Read for ReadOn {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.bytes.is_empty() && self.at < self.file.len {
            self.bytes = self.file.bytes_from(self.at, 1)?;
        }
        let n = into.len().min(self.bytes.len());
        if let Some(into) = into.get_mut(..n) {
            self.bytes.copy_to_slice(into);
        }
        self.at += n as u64;
        Ok(n)
    }
}

impl Length for ChunkedFile {
    fn len(&self) -> u64 {
        self.0.len
    }
}

impl ChunkReader for ChunkedFile {
    type T = ReadOn;

    fn get_read(&self, start: u64) -> Result<Self::T> {
        Ok(ReadOn {
            file: self.0.clone(),
            at: start,
            bytes: Bytes::new(),
        })
    }

    fn get_bytes(&self, start: u64, length: usize) -> Result<Bytes> {
        let bytes = self.0.bytes_from(start, length as u64);
        let bytes = bytes.map_err(|e| ParquetError::External(Box::new(e)))?;
        if bytes.len() < length {
            let why = format!("{length} bytes at {start} are beyond the end");
            return Err(ParquetError::EOF(why));
        }
        Ok(bytes.slice(..length))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    /// Every way to ask gives the bytes of the file: within a chunk, over its end, between chunks, beyond the end.
    #[test]
    fn gives_what_is_in_the_file() {
        let all: Vec<u8> = (0..3 * STRETCH as u32)
            .map(|n| (n * 7 + n / 251) as u8)
            .collect();
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(&all).unwrap();
        let len = all.len() as u64;
        let inner = Inner {
            len,
            chunks: vec![(10, 10 + 2 * STRETCH, 0), (20 + 2 * STRETCH, len, 3)],
            held: Mutex::new(Held {
                file,
                by_column: Vec::new(),
            }),
        };
        let file = ChunkedFile(Arc::new(inner));
        for start in [
            0,
            5,
            10,
            11,
            STRETCH,
            STRETCH + 9,
            2 * STRETCH,
            2 * STRETCH + 15,
            len - 3,
            len,
            12,
        ] {
            for length in [0, 1, 2, 100, STRETCH as usize, STRETCH as usize + 1] {
                let wanted = all.get(start as usize..start as usize + length);
                let got = file.get_bytes(start, length).ok();
                assert!(got.as_deref() == wanted, "{length} bytes at {start}");
            }
            let mut rest = Vec::new();
            file.get_read(start)
                .unwrap()
                .read_to_end(&mut rest)
                .unwrap();
            assert!(
                rest == all.get(start as usize..).unwrap_or_default(),
                "all from {start}"
            );
        }
    }
}
