//! One day of the fleet as it is remembered: packed hour blocks and the day block of each loop.

use analytics_detect::{DayBlock, HourBlock, day_blocks, pack};
use ingest_model::{Columns, LoopEntry, Tag, UtcMicros};
use ingest_store::{Register, Snapshot, StoreError};
use std::collections::BTreeMap;

/// Version of the bytes of [`Day::encode`] around the packed blocks.
const DAY_VERSION: u8 = 1;

/// One loop, one day, as packed bytes: what a rollup file holds is what a fresh day holds.
#[derive(Debug, PartialEq)]
pub(crate) struct LoopDay {
    /// Hour blocks.
    pub hours: Box<[u8]>,
    /// The day block merged of them.
    pub day: Box<[u8]>,
}

/// Blocks of one day, by loop.
#[derive(Debug, Default, PartialEq)]
pub(crate) struct Day {
    pub loops: BTreeMap<Tag, LoopDay>,
    pub readings: u64,
    pub first: Option<i64>,
    pub last: Option<i64>,
}

impl Day {
    /// Reads the day's rows up to and with `cut`.
    pub(crate) fn read(
        snapshot: &Snapshot,
        register: &Register,
        day: i64,
        cut: Option<UtcMicros>,
    ) -> Result<Self, StoreError> {
        let mut out = Self::default();
        snapshot.read_day(day, &mut |tag, columns| {
            let n = cut.map_or(columns.len(), |t| {
                columns.time.partition_point(|x| *x <= t.0)
            });
            let (Some(first), Some(last)) = (columns.time.first(), columns.time[..n].last()) else {
                return Ok(());
            };
            out.readings += n as u64;
            out.first = out.first.into_iter().chain([*first]).min();
            out.last = out.last.into_iter().chain([*last]).max();
            let blocks = blocks_of(register, tag, &columns, n);
            if let Some(day) = DayBlock::of(&blocks) {
                let (hours, day) = (pack(&blocks).into(), day.pack().into());
                out.loops.insert(tag.clone(), LoopDay { hours, day });
            }
            Ok(())
        })?;
        Ok(out)
    }

    /// The day as bytes for a rollup file.
    pub(crate) fn encode(&self) -> Vec<u8> {
        let mut out = vec![DAY_VERSION];
        out.extend(self.readings.to_le_bytes());
        for t in [self.first, self.last] {
            out.extend(t.unwrap_or(i64::MIN).to_le_bytes());
        }
        let part = |out: &mut Vec<u8>, bytes: &[u8]| {
            out.extend((bytes.len() as u32).to_le_bytes());
            out.extend_from_slice(bytes);
        };
        for (tag, l) in &self.loops {
            part(&mut out, tag.as_str().as_bytes());
            part(&mut out, &l.day);
            part(&mut out, &l.hours);
        }
        out
    }

    /// `None` of bytes of another version, or that hold something impossible: the day is then made anew.
    pub(crate) fn decode(mut bytes: &[u8]) -> Option<Self> {
        fn take<'a>(bytes: &mut &'a [u8], n: usize) -> Option<&'a [u8]> {
            let (part, rest) = bytes.split_at_checked(n)?;
            *bytes = rest;
            Some(part)
        }
        fn part<'a>(bytes: &mut &'a [u8]) -> Option<&'a [u8]> {
            let n = u32::from_le_bytes(take(bytes, 4)?.try_into().ok()?);
            take(bytes, n as usize)
        }
        let bytes = &mut bytes;
        if take(bytes, 1)? != [DAY_VERSION] {
            return None;
        }
        let mut number = || Some(u64::from_le_bytes(take(bytes, 8)?.try_into().ok()?));
        let readings = number()?;
        let [first, last] = [number()? as i64, number()? as i64];
        let known = |t: i64| (t != i64::MIN).then_some(t);
        let mut out = Self {
            readings,
            first: known(first),
            last: known(last),
            ..Self::default()
        };
        let mut scratch: Vec<HourBlock> = Vec::new();
        while !bytes.is_empty() {
            let tag = Tag::new(std::str::from_utf8(part(bytes)?).ok()?).ok()?;
            let day: Box<[u8]> = part(bytes)?.into();
            DayBlock::unpack(&day).ok()?;
            let hours: Box<[u8]> = part(bytes)?.into();
            scratch.clear();
            analytics_detect::unpack(&hours, &mut scratch).ok()?;
            out.loops.insert(tag, LoopDay { hours, day });
        }
        Some(out)
    }
}

/// Blocks of one loop's day, each stretch by the register entry in force.
fn blocks_of(register: &Register, tag: &Tag, columns: &Columns, n: usize) -> Vec<HourBlock> {
    let entries = register.entries(tag);
    let mut out = Vec::new();
    let mut from = 0;
    while from < n {
        let time = UtcMicros(columns.time[from]);
        let Some(entry) = register.at(tag, time).or_else(|| entries.first()) else {
            return out;
        };
        // Until the next entry takes over.
        let next = entries
            .iter()
            .filter_map(|e: &LoopEntry| e.valid_from)
            .filter(|t| *t > time)
            .min();
        let to = next
            .map_or(n, |t| columns.time[..n].partition_point(|x| *x < t.0))
            .max(from + 1);
        out.extend(day_blocks(entry, &columns.slice(from, to)));
        from = to;
    }
    out
}
