//! Sorted rows on the disk for a while: what an import stages of a day that does not fit in a chunk, loop by loop, the
//! columns as they are in memory. Written and read once, by the same process; never part of a store.

use crate::dayfile::DayFileInfo;
use crate::error::{IoContext, StoreError};
use crate::files::{FileOut, Files};
use ingest_model::{Columns, Tag, for_each_column};
use std::fs::File;
use std::io::{self, BufReader, Read, Write};
use std::path::{Path, PathBuf};

/// Bytes gathered before they are written.
const GATHERED: usize = 256 << 10;
/// Bytes before the values of a block: rows, which columns there are, length of the tag.
const HEAD: usize = 4 + 4 + 1;

/// A number of a column.
trait Number: Copy {
    const BYTES: usize;
    fn put(values: &[Self], out: &mut Vec<u8>);
    fn get(bytes: &[u8], into: &mut Vec<Self>);
    /// What takes the place of a column that is left out.
    const MISSING: Self;
    fn is_missing(self) -> bool;
}

macro_rules! number {
    ($t:ty, $bytes:literal, $missing:expr, $is_missing:expr) => {
        impl Number for $t {
            const BYTES: usize = $bytes;
            const MISSING: Self = $missing;

            fn put(values: &[Self], out: &mut Vec<u8>) {
                let at = out.len();
                out.resize(at + $bytes * values.len(), 0);
                let room = out.get_mut(at..).unwrap_or_default();
                for (slot, v) in room.as_chunks_mut::<$bytes>().0.iter_mut().zip(values) {
                    *slot = v.to_le_bytes();
                }
            }

            fn get(bytes: &[u8], into: &mut Vec<Self>) {
                let values = bytes.as_chunks::<$bytes>().0;
                into.extend(values.iter().map(|v| <$t>::from_le_bytes(*v)));
            }

            fn is_missing(self) -> bool {
                ($is_missing)(self)
            }
        }
    };
}

number!(f64, 8, f64::NAN, f64::is_nan);
// Of instants -1 is one; nothing is lost by it, since a column is left out only where every value is what takes its place.
number!(i64, 8, -1, |v| v == -1);
number!(i32, 4, -1, |v| v == -1);
number!(i16, 2, -1, |v| v == -1);

/// What says that a column is there, for each column in turn.
fn bits() -> impl Iterator<Item = u32> {
    (0..u32::BITS).map(|n| 1 << n)
}

pub(crate) struct RunWriter {
    path: PathBuf,
    out: Box<dyn FileOut>,
    gathered: Vec<u8>,
    tag: String,
    info: DayFileInfo,
}

impl RunWriter {
    pub(crate) fn create(files: &dyn Files, path: &Path) -> Result<Self, StoreError> {
        Ok(Self {
            path: path.to_owned(),
            out: files.create(path).at("create", path)?,
            gathered: Vec::with_capacity(GATHERED),
            tag: String::new(),
            info: DayFileInfo {
                rows: 0,
                t_min: i64::MAX,
                t_max: i64::MIN,
                bytes: 0,
                hash: String::new(),
            },
        })
    }

    /// Begins the rows of a loop; loops come in tag order.
    pub(crate) fn start_loop(&mut self, tag: &Tag) {
        self.tag.clear();
        self.tag.push_str(tag.as_str());
    }

    /// Rows `from..to` for the loop begun last; times increase.
    pub(crate) fn push(
        &mut self,
        rows: &Columns,
        from: usize,
        to: usize,
    ) -> Result<(), StoreError> {
        let times = rows.time.get(from..to).unwrap_or_default();
        let (Some(first), Some(last)) = (times.first(), times.last()) else {
            return Ok(());
        };
        self.info.rows += times.len() as u64;
        self.info.t_min = self.info.t_min.min(*first);
        self.info.t_max = self.info.t_max.max(*last);
        let mut there = 0_u32;
        let mut bits = bits();
        macro_rules! look {
            ($f:ident) => {
                let bit = bits.next().unwrap_or_default();
                let values = rows.$f.get(from..to).unwrap_or_default();
                if values.iter().any(|v| !v.is_missing()) {
                    there |= bit;
                }
            };
        }
        for_each_column!(look);
        let out = &mut self.gathered;
        out.extend((times.len() as u32).to_le_bytes());
        out.extend(there.to_le_bytes());
        // 32 characters of at most 4 bytes.
        out.push(self.tag.len() as u8);
        out.extend(self.tag.as_bytes());
        let mut bits = self::bits();
        macro_rules! put {
            ($f:ident) => {
                if there & bits.next().unwrap_or_default() != 0 {
                    Number::put(rows.$f.get(from..to).unwrap_or_default(), out);
                }
            };
        }
        for_each_column!(put);
        if out.len() >= GATHERED {
            self.write()?;
        }
        Ok(())
    }

    fn write(&mut self) -> Result<(), StoreError> {
        self.out.write_all(&self.gathered).at("write", &self.path)?;
        self.info.bytes += self.gathered.len() as u64;
        self.gathered.clear();
        Ok(())
    }

    pub(crate) fn finish(mut self) -> Result<DayFileInfo, StoreError> {
        self.write()?;
        self.out.flush().at("write", &self.path)?;
        Ok(self.info)
    }
}

/// What was written, loop by loop.
pub(crate) struct RunStream {
    path: PathBuf,
    file: BufReader<File>,
    /// Bytes of the file that were not read.
    left: u64,
    next: Option<Block>,
    bytes: Vec<u8>,
}

struct Block {
    tag: Tag,
    rows: usize,
    there: u32,
}

impl RunStream {
    pub(crate) fn open(files: &dyn Files, path: &Path) -> Result<Self, StoreError> {
        let file = files.open(path).at("open", path)?;
        let left = file.metadata().at("open", path)?.len();
        let mut stream = Self {
            path: path.to_owned(),
            file: BufReader::with_capacity(GATHERED, file),
            left,
            next: None,
            bytes: Vec::new(),
        };
        stream.next = stream.head()?;
        Ok(stream)
    }

    pub(crate) fn peek(&self) -> Option<&Tag> {
        self.next.as_ref().map(|b| &b.tag)
    }

    /// Appends all rows of the next loop.
    pub(crate) fn take(&mut self, into: &mut Columns) -> Result<(), StoreError> {
        let Some(tag) = self.peek().cloned() else {
            return Ok(());
        };
        while let Some(block) = self.next.take_if(|b| b.tag == tag) {
            let mut bits = bits();
            macro_rules! get {
                ($f:ident) => {
                    if block.there & bits.next().unwrap_or_default() == 0 {
                        let len = into.$f.len();
                        into.$f.resize(len + block.rows, Number::MISSING);
                    } else {
                        self.read(block.rows, &mut into.$f)?;
                    }
                };
            }
            for_each_column!(get);
            self.next = self.head()?;
        }
        Ok(())
    }

    fn head(&mut self) -> Result<Option<Block>, StoreError> {
        if self.left == 0 {
            return Ok(None);
        }
        let head = self.exactly(HEAD)?;
        let number = |at: usize| {
            let bytes = head.get(at..at + 4).and_then(|b| b.try_into().ok());
            bytes.map_or(0, u32::from_le_bytes)
        };
        let (rows, there) = (number(0) as usize, number(4));
        let len = usize::from(head.last().copied().unwrap_or_default());
        let path = self.path.clone();
        let tag = String::from_utf8_lossy(self.exactly(len)?).into_owned();
        let tag = Tag::new(&tag).map_err(|e| damaged(&path, e))?;
        Ok(Some(Block { tag, rows, there }))
    }

    fn read<T: Number>(&mut self, rows: usize, into: &mut Vec<T>) -> Result<(), StoreError> {
        T::get(self.exactly(rows.saturating_mul(T::BYTES))?, into);
        Ok(())
    }

    /// The next bytes; never more than the file has.
    fn exactly(&mut self, n: usize) -> Result<&[u8], StoreError> {
        let left = self.left.checked_sub(n as u64);
        self.left = left.ok_or_else(|| damaged(&self.path, "it ends too early"))?;
        self.bytes.resize(n, 0);
        self.file
            .read_exact(&mut self.bytes)
            .at("read", &self.path)?;
        Ok(&self.bytes)
    }
}

fn damaged(path: &Path, why: impl ToString) -> StoreError {
    StoreError::Io {
        doing: "read",
        path: path.to_owned(),
        source: io::Error::other(why.to_string()),
    }
}
