//! How the bytes of a day file come in: one read a column chunk, pages are then parts of it.
//!
//! The Parquet reader asks for each page's header and each page by itself, which as calls to the system cost more than the
//! bytes. A column chunk of a row group is about 200 kB; one is held for each column that is read.

use bytes::{Buf, Bytes, buf};
use parquet::errors::{ParquetError, Result};
use parquet::file::metadata::ParquetMetaData;
use parquet::file::reader::{ChunkReader, Length};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::sync::{Mutex, PoisonError};

/// Larger chunks than any that we write are read page by page.
const MOST_BYTES: u64 = 16 << 20;

/// A day file being read from front to back.
pub(crate) struct ChunkedFile {
    len: u64,
    /// Where each column chunk is: begin, end, column; in order of begin.
    chunks: Vec<(u64, u64, usize)>,
    held: Mutex<Held>,
}

struct Held {
    file: File,
    /// Of each column the chunk read last, with where it begins.
    by_column: Vec<(u64, Bytes)>,
}

impl ChunkedFile {
    pub(crate) fn new(file: File, metadata: &ParquetMetaData) -> std::io::Result<Self> {
        let len = file.metadata()?.len();
        let mut chunks = Vec::new();
        for group in metadata.row_groups() {
            for (column, chunk) in group.columns().iter().enumerate() {
                let (from, bytes) = chunk.byte_range();
                chunks.push((from, from.saturating_add(bytes), column));
            }
        }
        chunks.sort_unstable();
        Ok(Self {
            len,
            chunks,
            held: Mutex::new(Held {
                file,
                by_column: Vec::new(),
            }),
        })
    }

    /// The bytes from `start` on to the end of the column chunk, `None` where `start` is in none that is held.
    fn rest_of_chunk(&self, start: u64) -> Result<Option<Bytes>> {
        let after = self.chunks.partition_point(|(from, ..)| *from <= start);
        let chunk = after.checked_sub(1).and_then(|n| self.chunks.get(n));
        let Some(&(from, end, column)) = chunk.filter(|(_, end, _)| start < *end) else {
            return Ok(None);
        };
        if end > self.len || end - from > MOST_BYTES {
            return Ok(None);
        }
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        if held.by_column.len() <= column {
            held.by_column.resize(column + 1, (u64::MAX, Bytes::new()));
        }
        let known = held.by_column.get(column).filter(|(at, _)| *at == from);
        let bytes = match known {
            Some((_, bytes)) => bytes.clone(),
            None => {
                let bytes = read_at(&mut held.file, from, (end - from) as usize)?;
                if let Some(slot) = held.by_column.get_mut(column) {
                    *slot = (from, bytes.clone());
                }
                bytes
            }
        };
        Ok(Some(bytes.slice((start - from) as usize..)))
    }
}

fn read_at(file: &mut File, start: u64, len: usize) -> Result<Bytes> {
    let mut bytes = vec![0; len];
    file.seek(SeekFrom::Start(start))
        .and_then(|_| file.read_exact(&mut bytes))
        .map_err(|e| ParquetError::External(Box::new(e)))?;
    Ok(bytes.into())
}

impl Length for ChunkedFile {
    fn len(&self) -> u64 {
        self.len
    }
}

impl ChunkReader for ChunkedFile {
    type T = buf::Reader<Bytes>;

    fn get_read(&self, start: u64) -> Result<Self::T> {
        if let Some(rest) = self.rest_of_chunk(start)? {
            return Ok(rest.reader());
        }
        let left = self.len.saturating_sub(start).min(MOST_BYTES);
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        Ok(read_at(&mut held.file, start, left as usize)?.reader())
    }

    fn get_bytes(&self, start: u64, length: usize) -> Result<Bytes> {
        if let Some(rest) = self.rest_of_chunk(start)?
            && rest.len() >= length
        {
            return Ok(rest.slice(..length));
        }
        if start.saturating_add(length as u64) > self.len {
            let why = format!("{length} bytes at {start} are beyond the end");
            return Err(ParquetError::EOF(why));
        }
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        read_at(&mut held.file, start, length)
    }
}
