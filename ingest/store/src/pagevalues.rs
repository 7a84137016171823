//! Values of a column straight from its decompressed pages, in the two plain encodings that day files have for numbers: by
//! byte plane (`BYTE_STREAM_SPLIT`) and one after the other (`PLAIN`). Without a level a row, without zeros to be overwritten.
//!
//! Layouts as in the Parquet format's documents `Encodings.md` (RLE hybrid, plain, byte stream split) and `README.md` (pages).

use bytes::Bytes;
use parquet::basic::Encoding;
use parquet::column::page::{Page, PageReader};
use parquet::errors::{ParquetError, Result};
use std::collections::VecDeque;

/// A number as pages hold it.
pub(crate) trait Stored: Copy {
    const ENCODING: Encoding;
    const BYTES: usize;
    /// Appends values `from..from + n` of a page, each as `kept`; `page` holds at least so many.
    fn append<V>(
        page: &[u8],
        from: usize,
        n: usize,
        kept: impl Fn(Self) -> V,
        into: &mut Vec<V>,
    ) -> Option<()>;
}

impl Stored for i32 {
    const ENCODING: Encoding = Encoding::PLAIN;
    const BYTES: usize = 4;

    fn append<V>(
        page: &[u8],
        from: usize,
        n: usize,
        kept: impl Fn(Self) -> V,
        into: &mut Vec<V>,
    ) -> Option<()> {
        let values = page.as_chunks::<4>().0.get(from..from.checked_add(n)?)?;
        into.extend(values.iter().map(|v| kept(i32::from_le_bytes(*v))));
        Some(())
    }
}

impl Stored for f64 {
    const ENCODING: Encoding = Encoding::BYTE_STREAM_SPLIT;
    const BYTES: usize = 8;

    fn append<V>(
        page: &[u8],
        from: usize,
        n: usize,
        kept: impl Fn(Self) -> V,
        into: &mut Vec<V>,
    ) -> Option<()> {
        // Plane k has byte k of every value.
        let stride = page.len() / 8;
        let mut planes = [&page[..0]; 8];
        for (k, plane) in planes.iter_mut().enumerate() {
            let whole = page.get(k * stride..(k + 1) * stride)?;
            *plane = whole.get(from..from.checked_add(n)?)?;
        }
        let eights = planes.map(|p| p.as_chunks::<8>());
        into.reserve(n);
        for i in 0..n / 8 {
            let rows = eights.map(|(whole, _)| whole.get(i).map_or(0, |b| u64::from_le_bytes(*b)));
            into.extend(transposed(rows).map(|bits| kept(f64::from_bits(bits))));
        }
        let rest = eights.map(|(_, rest)| rest);
        for i in 0..n % 8 {
            let bytes = rest.map(|r| r.get(i).copied().unwrap_or_default());
            into.push(kept(f64::from_le_bytes(bytes)));
        }
        Some(())
    }
}

/// Byte `i` of number `k` becomes byte `k` of number `i`.
#[inline]
fn transposed(mut rows: [u64; 8]) -> [u64; 8] {
    // Squares of four bytes change places, then of two, then single bytes.
    for (span, mask) in [
        (4, 0x0000_0000_FFFF_FFFF_u64),
        (2, 0x0000_FFFF_0000_FFFF),
        (1, 0x00FF_00FF_00FF_00FF),
    ] {
        let bits = 8 * span as u32;
        for low in (0..8_usize).filter(|i| i & span == 0) {
            let (a, b) = (rows[low], rows[low + span]);
            rows[low] = (a & mask) | ((b & mask) << bits);
            rows[low + span] = ((a >> bits) & mask) | (b & !mask);
        }
    }
    rows
}

/// Rows that have a value, or have none.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Stretch {
    there: bool,
    rows: usize,
}

/// One column chunk, page by page.
pub(crate) struct PageValues<T> {
    pages: Box<dyn PageReader>,
    /// Whether values can be missing.
    optional: bool,
    /// Values of the page.
    page: Bytes,
    /// Of these, values that were taken.
    taken: usize,
    stretches: VecDeque<Stretch>,
    stored: std::marker::PhantomData<T>,
}

impl<T: Stored> PageValues<T> {
    pub(crate) fn new(pages: Box<dyn PageReader>, optional: bool) -> Self {
        Self {
            pages,
            optional,
            page: Bytes::new(),
            taken: 0,
            stretches: VecDeque::new(),
            stored: std::marker::PhantomData,
        }
    }

    /// Appends the next rows, `most` at most, each value as `kept`. How many there were; 0 at the end of the chunk.
    pub(crate) fn read<V: Copy>(
        &mut self,
        most: usize,
        missing: V,
        kept: impl Fn(T) -> V,
        into: &mut Vec<V>,
    ) -> Result<usize> {
        let mut got = 0;
        while got < most {
            let Some(next) = self.stretches.front_mut() else {
                match self.next_page()? {
                    true => continue,
                    false => break,
                }
            };
            let rows = next.rows.min(most - got);
            if next.there {
                T::append(&self.page, self.taken, rows, &kept, into)
                    .ok_or_else(|| ParquetError::EOF("a page has too few values".to_owned()))?;
                self.taken += rows;
            } else {
                into.resize(into.len() + rows, missing);
            }
            got += rows;
            next.rows -= rows;
            if next.rows == 0 {
                self.stretches.pop_front();
            }
        }
        Ok(got)
    }

    fn next_page(&mut self) -> Result<bool> {
        let Some(page) = self.pages.get_next_page()? else {
            return Ok(false);
        };
        let Page::DataPage {
            buf,
            num_values,
            encoding,
            def_level_encoding,
            ..
        } = page
        else {
            return Err(unexpected("a page of another kind"));
        };
        if encoding != T::ENCODING || (self.optional && def_level_encoding != Encoding::RLE) {
            return Err(unexpected("another encoding"));
        }
        let rows = num_values as usize;
        self.stretches.clear();
        self.taken = 0;
        let values = if self.optional {
            let (len, rest) = buf.split_first_chunk::<4>().ok_or_else(short)?;
            let len = u32::from_le_bytes(*len) as usize;
            stretches(
                rest.get(..len).ok_or_else(short)?,
                rows,
                &mut self.stretches,
            )?;
            buf.slice(4 + len..)
        } else {
            if rows > 0 {
                self.stretches.push_back(Stretch { there: true, rows });
            }
            buf
        };
        let there = self.stretches.iter().filter(|s| s.there);
        let there: usize = there.map(|s| s.rows).sum();
        if values.len() / T::BYTES < there {
            return Err(short());
        }
        self.page = values;
        Ok(true)
    }
}

/// Definition levels of one bit in the RLE hybrid, as stretches.
fn stretches(mut levels: &[u8], rows: usize, into: &mut VecDeque<Stretch>) -> Result<()> {
    let mut left = rows;
    let mut add = |there: bool, rows: usize| match into.back_mut() {
        Some(last) if last.there == there => last.rows += rows,
        _ if rows > 0 => into.push_back(Stretch { there, rows }),
        _ => {}
    };
    while left > 0 {
        let mut head = 0_u64;
        for shift in (0..).step_by(7) {
            let (byte, rest) = levels.split_first().ok_or_else(short)?;
            levels = rest;
            if shift > 28 {
                return Err(unexpected("a run of levels that is too long"));
            }
            head |= u64::from(byte & 0x7F) << shift;
            if byte & 0x80 == 0 {
                break;
            }
        }
        let count = (head >> 1) as usize;
        if head & 1 == 0 {
            let (level, rest) = levels.split_first().ok_or_else(short)?;
            levels = rest;
            let n = count.min(left);
            add(*level != 0, n);
            left -= n;
            if count == 0 {
                return Err(unexpected("a run of no levels"));
            }
        } else {
            // Groups of eight, a bit each, the lowest first.
            let bytes = levels
                .get(..count.min(left.div_ceil(8)))
                .ok_or_else(short)?;
            levels = levels.get(count..).unwrap_or_default();
            if count == 0 {
                return Err(unexpected("a run of no levels"));
            }
            for byte in bytes {
                let n = left.min(8);
                match (*byte, n) {
                    (0, _) => add(false, n),
                    (0xFF, _) => add(true, n),
                    _ => (0..n).for_each(|bit| add(byte >> bit & 1 != 0, 1)),
                }
                left -= n;
            }
        }
    }
    Ok(())
}

fn short() -> ParquetError {
    ParquetError::EOF("a page ends too early".to_owned())
}

fn unexpected(what: &str) -> ParquetError {
    ParquetError::General(format!("{what}, against what the footer says"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn planes(values: &[f64]) -> Vec<u8> {
        let plane = |k: usize| values.iter().map(move |v| v.to_le_bytes()[k]);
        (0..8).flat_map(plane).collect()
    }

    proptest! {
        #[test]
        fn planes_become_values(values in prop::collection::vec(any::<f64>(), 0..70), from in 0_usize..70) {
            let from = from.min(values.len());
            let mut got: Vec<u64> = Vec::new();
            let done = f64::append(&planes(&values), from, values.len() - from, f64::to_bits, &mut got);
            prop_assert!(done.is_some());
            let wanted: Vec<u64> = values[from..].iter().map(|v| v.to_bits()).collect();
            prop_assert_eq!(got, wanted);
        }

        #[test]
        fn too_short_a_page_is_refused(bytes in prop::collection::vec(any::<u8>(), 0..70), from in 0_usize..9, n in 1_usize..20) {
            let enough = from + n <= bytes.len() / 8;
            let mut got: Vec<f64> = Vec::new();
            prop_assert_eq!(f64::append(&bytes, from, n, |v| v, &mut got).is_some(), enough);
            let enough = from + n <= bytes.len() / 4;
            let mut got: Vec<i32> = Vec::new();
            prop_assert_eq!(i32::append(&bytes, from, n, |v| v, &mut got).is_some(), enough);
        }

        /// No bytes make it go on for ever, panic, or tell more or fewer rows than asked.
        #[test]
        fn any_levels_give_the_rows_or_an_error(bytes in prop::collection::vec(any::<u8>(), 0..40), rows in 0_usize..200) {
            let mut found = VecDeque::new();
            if stretches(&bytes, rows, &mut found).is_ok() {
                prop_assert_eq!(found.iter().map(|s| s.rows).sum::<usize>(), rows);
            }
        }
    }

    /// The example of a bit-packed run in the format's `Encodings.md` has three bits a value; here one: 0b10001011 after the
    /// head of one group (1 << 1 | 1), then a run of 20 ones (20 << 1).
    #[test]
    fn levels_are_stretches() {
        let mut found = VecDeque::new();
        stretches(&[0x03, 0b1000_1011, 0x28, 0x01], 28, &mut found).unwrap();
        let found: Vec<(bool, usize)> = found.iter().map(|s| (s.there, s.rows)).collect();
        let wanted = [(true, 2), (false, 1), (true, 1), (false, 3), (true, 21)];
        assert_eq!(found, wanted);
    }
}
