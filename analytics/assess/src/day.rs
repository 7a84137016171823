//! One day of the fleet as it is remembered: packed hour blocks and the day block of each loop, held in memory or read
//! from a file one loop at a time.

use analytics_detect::{DayBlock, HourBlock, day_blocks, pack};
use ingest_model::{Columns, LoopEntry, Tag, UtcMicros};
use ingest_store::{DayParts, Register, RollupFile, RollupWriter, Snapshot, StoreError};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::hash::{Hash, Hasher};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{Sender, SyncSender, TrySendError, channel, sync_channel};
use std::sync::{Mutex, PoisonError};
use twox_hash::XxHash64;

/// Version of the bytes around the packed blocks.
const DAY_VERSION: u8 = 3;

/// Blocks of one day, by loop. What a rollup file holds is what a fresh day holds.
#[derive(Debug)]
pub(crate) struct Day {
    /// In order of tags; the parts are in the same order.
    tags: Box<[Tag]>,
    held: Option<Held>,
    file: Option<RollupFile>,
    pub readings: u64,
    pub first: Option<i64>,
    pub last: Option<i64>,
    /// A hash of tags and blocks: days with the same are the same, wherever they were read from.
    pub content: u64,
}

/// Blocks in memory, by loop; how many bytes is asked with each result.
#[derive(Debug)]
struct Held {
    parts: Box<[Box<[u8]>]>,
    bytes: u64,
}

impl Held {
    fn new(parts: Box<[Box<[u8]>]>) -> Self {
        let bytes = parts.iter().map(|p| p.len() as u64).sum();
        Self { parts, bytes }
    }
}

/// Blocks of one loop, one day, as packed bytes.
#[derive(Debug)]
pub(crate) struct LoopDay<'a> {
    bytes: Cow<'a, [u8]>,
    /// The day block comes first.
    hours_at: usize,
}

impl LoopDay<'_> {
    fn of(bytes: Cow<'_, [u8]>) -> Option<LoopDay<'_>> {
        let (len, rest) = bytes.split_first_chunk::<4>()?;
        let len = u32::from_le_bytes(*len) as usize;
        (len <= rest.len()).then_some(LoopDay {
            hours_at: 4 + len,
            bytes,
        })
    }

    /// Hour blocks.
    pub(crate) fn hours(&self) -> &[u8] {
        self.bytes.get(self.hours_at..).unwrap_or_default()
    }

    /// The day block merged of them.
    pub(crate) fn day(&self) -> &[u8] {
        self.bytes.get(4..self.hours_at).unwrap_or_default()
    }
}

/// Where a fresh day goes while its rows are read.
pub(crate) enum Target<'a> {
    /// Into a file from the first loop on.
    File(RollupWriter),
    /// Into memory, and into a file that `begin` gives once it takes more than `at_most` bytes.
    Memory {
        at_most: u64,
        begin: &'a mut dyn FnMut() -> Result<RollupWriter, StoreError>,
    },
}

/// A day being read.
#[derive(Debug, Default)]
struct Parts {
    held: Vec<Box<[u8]>>,
    bytes: u64,
    writer: Option<RollupWriter>,
}

impl Parts {
    fn add(&mut self, part: Vec<u8>, target: &mut Target<'_>) -> Result<(), StoreError> {
        if let Target::Memory { at_most, begin } = target
            && self.writer.is_none()
        {
            self.bytes += part.len() as u64;
            self.held.push(part.into());
            if self.bytes > *at_most {
                let mut writer = begin()?;
                for p in std::mem::take(&mut self.held) {
                    writer.part(&p)?;
                }
                self.writer = Some(writer);
            }
            return Ok(());
        }
        match (&mut self.writer, target) {
            (Some(w), _) | (None, Target::File(w)) => w.part(&part),
            // Taken above.
            (None, Target::Memory { .. }) => Ok(()),
        }
    }
}

/// Columns that no block is made of.
const UNREAD: [&str; 4] = ["tv", "qv", "analog_time", "pv_status"];

/// The blocks of some loops of a day.
#[derive(Debug, Default)]
struct LoopBlocks {
    loops: Vec<Packed>,
    readings: u64,
    span: Option<(i64, i64)>,
}

/// Tag and blocks of a loop.
type Packed = (Tag, Vec<u8>);

/// The rows of one loop, of which blocks are to be made.
struct Rows {
    /// Which loop of its part.
    n: usize,
    tag: Tag,
    columns: Columns,
    /// Rows that count.
    rows: usize,
    /// Where the blocks are waited for.
    done: Sender<(usize, Option<Packed>)>,
}

impl Rows {
    /// Tag and packed blocks; `None` of rows without any.
    fn packed(self, register: &Register) -> Option<Packed> {
        let blocks = blocks_of(register, &self.tag, &self.columns, self.rows);
        let day = DayBlock::of(&blocks)?.pack();
        let mut part = (day.len() as u32).to_le_bytes().to_vec();
        part.extend(day);
        part.extend(pack(&blocks));
        Some((shared(register, &self.tag), part))
    }

    /// For the one who waits.
    fn help(self, register: &Register) {
        let (n, done) = (self.n, self.done.clone());
        // Should nobody wait any more, the part has failed.
        let _ = done.send((n, self.packed(register)));
    }
}

impl LoopBlocks {
    /// Of the loops in part `n` of the day, rows up to and with `cut`. Whoever waits at the other end of `helpers` is given
    /// rows to make blocks of.
    fn read(
        whole: &DayParts<'_>,
        n: usize,
        register: &Register,
        cut: Option<UtcMicros>,
        helpers: &SyncSender<Rows>,
    ) -> Result<Self, StoreError> {
        let mut out = Self::default();
        let mut loops = Vec::new();
        let (done, helped) = channel();
        whole.read(n, &mut |tag, columns| {
            let rows = cut.map_or(columns.len(), |t| {
                columns.time.partition_point(|x| *x <= t.0)
            });
            let (Some(first), Some(last)) = (columns.time.first(), columns.time[..rows].last())
            else {
                return Ok(());
            };
            out.readings += rows as u64;
            let (low, high) = out.span.unwrap_or((*first, *last));
            out.span = Some((low.min(*first), high.max(*last)));
            let rows = Rows {
                n: loops.len(),
                tag: tag.clone(),
                columns,
                rows,
                done: done.clone(),
            };
            let own = match helpers.try_send(rows) {
                Ok(()) => None,
                Err(TrySendError::Full(rows) | TrySendError::Disconnected(rows)) => {
                    rows.packed(register)
                }
            };
            loops.push(own);
            Ok(())
        })?;
        drop(done);
        for (n, packed) in helped {
            if let Some(slot) = loops.get_mut(n) {
                *slot = packed;
            }
        }
        out.loops = loops.into_iter().flatten().collect();
        Ok(out)
    }
}

/// Reads the parts of a day on all cores and hands them on in order. Of several errors the first in order counts.
fn in_order(
    whole: &DayParts<'_>,
    register: &Register,
    cut: Option<UtcMicros>,
    take: &mut dyn FnMut(LoopBlocks) -> Result<(), StoreError>,
) -> Result<(), StoreError> {
    let count = whole.count();
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let threads = threads.min(8).min(count);
    // Without a queue: rows are given away only where somebody waits for them.
    let (helpers, rows) = sync_channel(0);
    let one = |n, helpers: &SyncSender<Rows>| LoopBlocks::read(whole, n, register, cut, helpers);
    if threads <= 1 {
        drop(rows);
        return (0..count).try_for_each(|n| take(one(n, &helpers)?));
    }
    let (next, rows) = (AtomicUsize::new(0), Mutex::new(rows));
    // A queue of one: who is done goes on while the part is taken, and few finished ones are held.
    let (tell, told) = sync_channel(1);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            let (tell, helpers) = (tell.clone(), helpers.clone());
            let (next, rows) = (&next, &rows);
            scope.spawn(move || {
                loop {
                    let n = next.fetch_add(1, Ordering::Relaxed);
                    if n >= count {
                        break;
                    }
                    // The taking side ends at the first error.
                    if tell.send((n, one(n, &helpers))).is_err() {
                        return;
                    }
                }
                // The others' last parts are done together, until there is none.
                drop(helpers);
                let given = || rows.lock().unwrap_or_else(PoisonError::into_inner).recv();
                while let Ok(rows) = given() {
                    rows.help(register);
                }
            });
        }
        drop((tell, helpers));
        let mut early = BTreeMap::new();
        let mut wanted = 0;
        // Owned, so that an error ends the threads that wait.
        for (n, part) in told {
            early.insert(n, part);
            while let Some(part) = early.remove(&wanted) {
                take(part?)?;
                wanted += 1;
            }
        }
        Ok(())
    })
}

impl Day {
    /// Reads the rows of the day of `from`, from then on up to and with `cut`.
    pub(crate) fn read(
        snapshot: &Snapshot,
        from: UtcMicros,
        cut: Option<UtcMicros>,
        mut target: Target<'_>,
    ) -> Result<Self, StoreError> {
        let register = snapshot.register();
        let mut parts = Parts::default();
        let mut tags: Vec<Tag> = Vec::new();
        let (mut readings, mut span) = (0, None);
        let mut content = XxHash64::with_seed(0);
        let whole = snapshot.day_parts_from(from, &|column| !UNREAD.contains(&column))?;
        in_order(&whole, register, cut, &mut |part| {
            readings += part.readings;
            span = span
                .into_iter()
                .chain(part.span)
                .reduce(|a: (i64, i64), b| (a.0.min(b.0), a.1.max(b.1)));
            for (tag, bytes) in part.loops {
                (tag.as_str(), &bytes).hash(&mut content);
                parts.add(bytes, &mut target)?;
                tags.push(tag);
            }
            Ok(())
        })?;
        debug_assert!(tags.is_sorted(), "a day is read in order of tags");
        let content = content.finish();
        let head = encode_head(&tags, [readings, content], span);
        let writer = match target {
            Target::File(w) => Some(w),
            Target::Memory { .. } => parts.writer,
        };
        let file = writer.map(|w| w.finish(&head)).transpose()?;
        Ok(Self {
            tags: tags.into(),
            held: file.is_none().then(|| Held::new(parts.held.into())),
            file,
            readings,
            first: span.map(|s| s.0),
            last: span.map(|s| s.1),
            content,
        })
    }

    /// A day in a rollup file; `None` of a head of another version, or that holds something impossible: the day is then
    /// made anew.
    pub(crate) fn open(file: RollupFile, register: &Register) -> Option<Self> {
        fn take<'a>(bytes: &mut &'a [u8], n: usize) -> Option<&'a [u8]> {
            let (part, rest) = bytes.split_at_checked(n)?;
            *bytes = rest;
            Some(part)
        }
        let bytes = &mut file.head();
        if take(bytes, 1)? != [DAY_VERSION] {
            return None;
        }
        let mut number = || Some(u64::from_le_bytes(take(bytes, 8)?.try_into().ok()?));
        let [readings, content] = [number()?, number()?];
        let [first, last] = [number()? as i64, number()? as i64];
        let known = |t: i64| (t != i64::MIN).then_some(t);
        let mut tags = Vec::new();
        while !bytes.is_empty() {
            let n = take(bytes, 1)?.first().copied()?;
            let text = std::str::from_utf8(take(bytes, n.into())?).ok()?;
            tags.push(shared(register, &Tag::new(text).ok()?));
        }
        (tags.len() == file.parts() && tags.is_sorted()).then_some(Self {
            tags: tags.into(),
            held: None,
            readings,
            first: known(first),
            last: known(last),
            content,
            file: Some(file),
        })
    }

    /// Bytes of the blocks that are in memory.
    pub(crate) fn held_bytes(&self) -> u64 {
        self.held.as_ref().map_or(0, |h| h.bytes)
    }

    /// Bytes of the blocks, wherever they are.
    pub(crate) fn bytes(&self) -> u64 {
        match &self.file {
            Some(f) => f.bytes(),
            None => self.held_bytes(),
        }
    }

    pub(crate) fn is_held(&self) -> bool {
        self.held.is_some()
    }

    /// The same day with its blocks in memory; `None` where they cannot be read.
    pub(crate) fn taken_into_memory(&self) -> Option<Self> {
        let file = self.file.clone()?;
        let parts: Option<Box<[Box<[u8]>]>> = (0..file.parts())
            .map(|n| file.part(n).map(Vec::into_boxed_slice))
            .collect();
        Some(Self {
            held: Some(Held::new(parts?)),
            ..self.in_file(file)
        })
    }

    /// The same day with its blocks in its file only, which `begin` gives where it has none.
    pub(crate) fn left_in_file(
        &self,
        begin: &mut dyn FnMut() -> Result<RollupWriter, StoreError>,
    ) -> Result<Self, StoreError> {
        let file = match &self.file {
            Some(f) => f.clone(),
            None => {
                let mut writer = begin()?;
                for p in self.held.iter().flat_map(|h| &h.parts) {
                    writer.part(p)?;
                }
                writer.finish(&[])?
            }
        };
        Ok(self.in_file(file))
    }

    fn in_file(&self, file: RollupFile) -> Self {
        Self {
            tags: self.tags.clone(),
            held: None,
            file: Some(file),
            readings: self.readings,
            first: self.first,
            last: self.last,
            content: self.content,
        }
    }

    /// The loop's blocks: `Ok(None)` of a loop without readings that day.
    ///
    /// # Errors
    /// When the file is gone, replaced or damaged.
    pub(crate) fn of(&self, tag: &Tag) -> Result<Option<LoopDay<'_>>, Unreadable> {
        let Ok(n) = self.tags.binary_search(tag) else {
            return Ok(None);
        };
        let bytes = match (&self.held, &self.file) {
            (Some(held), _) => held.parts.get(n).map(|b| Cow::Borrowed(&**b)),
            (None, Some(file)) => file.part(n).map(Cow::Owned),
            (None, None) => None,
        };
        bytes.and_then(LoopDay::of).map(Some).ok_or(Unreadable)
    }
}

/// Blocks that were kept and cannot be read.
#[derive(Debug)]
pub(crate) struct Unreadable;

/// The register's own copy of a tag: one string a loop, not one a loop and day.
fn shared(register: &Register, tag: &Tag) -> Tag {
    let known = register.entries(tag).first();
    known.map_or_else(|| tag.clone(), |e| e.tag.clone())
}

fn encode_head(tags: &[Tag], numbers: [u64; 2], span: Option<(i64, i64)>) -> Vec<u8> {
    let mut out = vec![DAY_VERSION];
    out.extend(numbers.map(u64::to_le_bytes).concat());
    for t in [span.map(|s| s.0), span.map(|s| s.1)] {
        out.extend(t.unwrap_or(i64::MIN).to_le_bytes());
    }
    for tag in tags {
        // 32 characters of at most 4 bytes.
        out.push(tag.as_str().len() as u8);
        out.extend(tag.as_str().as_bytes());
    }
    out
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
        let blocks = day_blocks(entry, &columns.slice(from, to));
        match out.is_empty() {
            true => out = blocks,
            false => out.extend(blocks),
        }
        from = to;
    }
    out
}
