//! Sorted rows on the disk for a while: what an import stages of a day that does not fit in a chunk, loop by loop, each
//! column in as few bytes as its values allow without a search. Written and read once, by the same process; never part of a
//! store.

use crate::dayfile::DayFileInfo;
use crate::error::{IoContext, StoreError};
use crate::files::{FileOut, Files};
use ingest_model::{Columns, Tag, for_each_column};
use std::fs::File;
use std::io::{self, BufReader, Read, Write};
use std::path::{Path, PathBuf};

/// Bytes gathered before they are written.
const GATHERED: usize = 256 << 10;
/// Bytes before the columns of a block: rows, length of the tag.
const HEAD: usize = 4 + 1;
/// Bytes before the values of a column: its form, the number that the values are counted from.
const COLUMN_HEAD: usize = 1 + 8;

/// How the values of a column of a block are written. Each byte goes through the system twice, which costs more than to
/// look at the values first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
enum Form {
    /// All are the one in the head.
    Same,
    /// As distances from the one in the head.
    Distance8,
    Distance16,
    Distance32,
    /// As distances in thousands: times in milliseconds.
    Thousands32,
    /// In single precision.
    Single,
    AsIs,
}

impl Form {
    const ALL: [Self; 7] = [
        Self::Same,
        Self::Distance8,
        Self::Distance16,
        Self::Distance32,
        Self::Thousands32,
        Self::Single,
        Self::AsIs,
    ];

    /// Bytes of a value.
    fn bytes<T>(self) -> usize {
        match self {
            Self::Same => 0,
            Self::Distance8 => 1,
            Self::Distance16 => 2,
            Self::Distance32 | Self::Thousands32 | Self::Single => 4,
            Self::AsIs => size_of::<T>(),
        }
    }
}

/// Appends numbers as so many bytes each.
macro_rules! put_as {
    ($bytes:expr, $out:ident, $numbers:expr) => {{
        let numbers = $numbers;
        let at = $out.len();
        $out.resize(at + $bytes * numbers.len(), 0);
        let room = $out.get_mut(at..).unwrap_or_default();
        for (slot, v) in room.as_chunks_mut::<{ $bytes }>().0.iter_mut().zip(numbers) {
            *slot = v.to_le_bytes();
        }
    }};
}

/// A number of a column.
trait Number: Copy {
    fn put(values: &[Self], out: &mut Vec<u8>);
    /// The values of which these are the bytes, or as many of the one in the head as `rows` says.
    fn get(form: Form, head: u64, bytes: &[u8], rows: usize, into: &mut Vec<Self>);
}

macro_rules! whole_number {
    ($t:ty) => {
        impl Number for $t {
            fn put(values: &[Self], out: &mut Vec<u8>) {
                let all = values.iter();
                let least = i64::from(all.clone().copied().min().unwrap_or_default());
                let most = i64::from(all.clone().copied().max().unwrap_or_default());
                let distance = |v: &Self| i64::from(*v).wrapping_sub(least) as u64;
                let form = match most.wrapping_sub(least) as u64 {
                    0 => Form::Same,
                    1..=0xFF => Form::Distance8,
                    0x100..=0xFFFF => Form::Distance16,
                    0x1_0000..=0xFFFF_FFFF => Form::Distance32,
                    0x1_0000_0000..=0x3E7_FFFF_FC18
                        if all.clone().all(|v| distance(v) % 1_000 == 0) =>
                    {
                        Form::Thousands32
                    }
                    _ => Form::AsIs,
                };
                out.push(form as u8);
                out.extend(least.to_le_bytes());
                match form {
                    Form::Distance8 => put_as!(1, out, all.map(|v| distance(v) as u8)),
                    Form::Distance16 => put_as!(2, out, all.map(|v| distance(v) as u16)),
                    Form::Distance32 => put_as!(4, out, all.map(|v| distance(v) as u32)),
                    Form::Thousands32 => {
                        put_as!(4, out, all.map(|v| (distance(v) / 1_000) as u32))
                    }
                    Form::Same | Form::Single => {}
                    Form::AsIs => put_as!(size_of::<$t>(), out, all),
                }
            }

            fn get(form: Form, head: u64, bytes: &[u8], rows: usize, into: &mut Vec<Self>) {
                let at = |distance: u64| (head as i64).wrapping_add(distance as i64) as $t;
                let fours = bytes.as_chunks::<4>().0.iter();
                let fours = fours.map(|v| u64::from(u32::from_le_bytes(*v)));
                match form {
                    Form::Same => into.resize(into.len() + rows, at(0)),
                    Form::Distance8 => into.extend(bytes.iter().map(|v| at(u64::from(*v)))),
                    Form::Distance16 => {
                        let twos = bytes.as_chunks::<2>().0.iter();
                        into.extend(twos.map(|v| at(u64::from(u16::from_le_bytes(*v)))));
                    }
                    Form::Distance32 => into.extend(fours.map(at)),
                    Form::Thousands32 => into.extend(fours.map(|v| at(1_000 * v))),
                    Form::Single | Form::AsIs => {
                        let values = bytes.as_chunks::<{ size_of::<$t>() }>().0;
                        into.extend(values.iter().map(|v| <$t>::from_le_bytes(*v)));
                    }
                }
            }
        }
    };
}

whole_number!(i64);
whole_number!(i32);
whole_number!(i16);

impl Number for f64 {
    fn put(values: &[Self], out: &mut Vec<u8>) {
        let first = values.first().copied().unwrap_or_default().to_bits();
        // To the bit, so that NaN and -0 stay what they are.
        let form = if values.iter().all(|v| v.to_bits() == first) {
            Form::Same
        } else if values
            .iter()
            .all(|v| f64::from(*v as f32).to_bits() == v.to_bits())
        {
            Form::Single
        } else {
            Form::AsIs
        };
        out.push(form as u8);
        out.extend(first.to_le_bytes());
        match form {
            Form::Single => put_as!(4, out, values.iter().map(|v| *v as f32)),
            Form::AsIs => put_as!(8, out, values.iter()),
            _ => {}
        }
    }

    fn get(form: Form, head: u64, bytes: &[u8], rows: usize, into: &mut Vec<Self>) {
        match form {
            Form::Same => into.resize(into.len() + rows, f64::from_bits(head)),
            Form::Single => {
                let values = bytes.as_chunks::<4>().0.iter();
                into.extend(values.map(|v| f64::from(f32::from_le_bytes(*v))));
            }
            _ => {
                let values = bytes.as_chunks::<8>().0.iter();
                into.extend(values.map(|v| f64::from_le_bytes(*v)));
            }
        }
    }
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
        let out = &mut self.gathered;
        out.extend((times.len() as u32).to_le_bytes());
        // 32 characters of at most 4 bytes.
        out.push(self.tag.len() as u8);
        out.extend(self.tag.as_bytes());
        macro_rules! put {
            ($f:ident) => {
                Number::put(rows.$f.get(from..to).unwrap_or_default(), out);
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
            macro_rules! get {
                ($f:ident) => {
                    self.read(block.rows, &mut into.$f)?;
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
        let rows = head.first_chunk().map_or(0, |b| u32::from_le_bytes(*b)) as usize;
        let len = usize::from(head.last().copied().unwrap_or_default());
        let path = self.path.clone();
        let tag = String::from_utf8_lossy(self.exactly(len)?).into_owned();
        let tag = Tag::new(&tag).map_err(|e| damaged(&path, e))?;
        Ok(Some(Block { tag, rows }))
    }

    fn read<T: Number>(&mut self, rows: usize, into: &mut Vec<T>) -> Result<(), StoreError> {
        let path = self.path.clone();
        let head = self.exactly(COLUMN_HEAD)?;
        let form = head.first().and_then(|f| Form::ALL.get(usize::from(*f)));
        let form = *form.ok_or_else(|| damaged(&path, "a column has no known form"))?;
        let from = head.last_chunk().map_or(0, |b| u64::from_le_bytes(*b));
        let bytes = self.exactly(rows.saturating_mul(form.bytes::<T>()))?;
        T::get(form, from, bytes, rows, into);
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn back<T: Number>(values: &[T]) -> (Form, Vec<T>) {
        let mut bytes = Vec::new();
        T::put(values, &mut bytes);
        let form = Form::ALL[usize::from(bytes[0])];
        let head = u64::from_le_bytes(*bytes[1..].first_chunk().unwrap());
        assert_eq!(bytes.len(), COLUMN_HEAD + values.len() * form.bytes::<T>());
        let mut got = Vec::new();
        T::get(form, head, &bytes[COLUMN_HEAD..], values.len(), &mut got);
        (form, got)
    }

    /// Numbers that lie close together, far apart, in thousands, or at the ends.
    fn numbers() -> impl Strategy<Value = Vec<i64>> {
        (
            0_u32..64,
            any::<i64>(),
            prop_oneof![Just(1_i64), Just(1_000)],
        )
            .prop_flat_map(|(bits, base, unit)| {
                let one = any::<i64>().prop_map(move |v| {
                    base.wrapping_add(((v as u64 >> bits) as i64).wrapping_mul(unit))
                });
                let one = prop_oneof![30 => one, 1 => Just(i64::MIN), 1 => Just(-1)];
                prop::collection::vec(one, 1..50)
            })
    }

    proptest! {
        #[test]
        fn whole_numbers_come_back(values in numbers()) {
            prop_assert_eq!(&back(&values).1, &values);
            let narrow: Vec<i32> = values.iter().map(|v| *v as i32).collect();
            prop_assert_eq!(back(&narrow).1, narrow);
            let narrow: Vec<i16> = values.iter().map(|v| *v as i16).collect();
            prop_assert_eq!(back(&narrow).1, narrow);
        }

        #[test]
        fn reals_come_back_to_the_bit(values in prop::collection::vec(any::<f64>(), 1..50), single in any::<bool>()) {
            let values: Vec<f64> = values
                .into_iter()
                .map(|v| if single { f64::from(v as f32) } else { v })
                .collect();
            let bits = |v: &[f64]| v.iter().map(|v| v.to_bits()).collect::<Vec<u64>>();
            prop_assert_eq!(bits(&back(&values).1), bits(&values));
        }
    }

    #[test]
    fn the_usual_columns_are_short() {
        let minutes: Vec<i64> = (0..1_440)
            .map(|k| 1_780_000_000_000_000 + k * 60_001_000)
            .collect();
        assert_eq!(back(&minutes).0, Form::Thousands32);
        assert_eq!(back(&[7_i16; 9]).0, Form::Same);
        assert_eq!(back(&[0_i16, 0xC0, -1]).0, Form::Distance8);
        assert_eq!(back(&[64_000_i64, 65_535]).0, Form::Distance16);
        assert_eq!(back(&[0.5, -0.0, f64::NAN, 12.25]).0, Form::Single);
        assert_eq!(back(&[f64::NAN; 3]).0, Form::Same);
        assert_eq!(back(&[0.1, 0.2]).0, Form::AsIs);
    }
}
