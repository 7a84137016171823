//! Rollup files: what was computed of a day, kept so that it need not be computed again.
//!
//! A rollup is a copy that can always be made anew: its name carries the key of the rows it was made of, so a
//! changed day never meets an old rollup, and a damaged or missing file only costs time. The store keeps bytes;
//! what they mean is the caller's. Parts are read one by one, so that a reader holds one and not the day.

use crate::error::{IoContext, StoreError};
use crate::files::{FileOut, Files, RealFiles};
use std::cell::RefCell;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// First bytes of every rollup file; the digit is the format version.
const MAGIC: &[u8; 8] = b"LWROLL2\n";
/// A part is one loop's day: about 9 kB. More than this is no part of ours.
const MAX_PART: u32 = 16 << 20;
/// Place and length of the index, little endian.
const FOOTER: u64 = 16;
/// The index of a day of 10,000 loops is about 400 kB.
const MAX_INDEX: u64 = 256 << 20;
const LEVEL: i32 = 3;

/// The folder of rollup files of one store.
#[derive(Debug, Clone)]
pub struct Rollups {
    dir: PathBuf,
    files: Arc<dyn Files>,
    keeps: bool,
}

/// Where one part is in its file: offset, length there, length unpacked.
type Place = (u64, u32, u32);

/// The parts of one day, in a file. The file is open only while a part is read.
#[derive(Debug, Clone)]
pub struct RollupFile {
    source: Source,
    places: Arc<[Place]>,
    head: Arc<[u8]>,
}

#[derive(Debug, Clone)]
enum Source {
    Named(PathBuf, Arc<dyn Files>),
    Spilled(Arc<Mutex<File>>),
}

/// A rollup being written, part after part.
pub struct RollupWriter {
    out: Out,
    at: u64,
    places: Vec<Place>,
    compressor: zstd::bulk::Compressor<'static>,
}

enum Out {
    /// Written beside its name, which it gets at the end.
    Named {
        file: Box<dyn FileOut>,
        to: Rollups,
        path: PathBuf,
        date: String,
    },
    Spilled(Arc<Mutex<File>>),
}

impl std::fmt::Debug for RollupWriter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("RollupWriter")
            .field("parts", &self.places.len())
            .finish_non_exhaustive()
    }
}

/// A file without a name for what may not be kept and is more than may be held: gone with its last reader.
#[derive(Debug, Clone)]
pub struct Spill(Arc<Mutex<File>>);

impl Spill {
    /// In the folder of the rollups where that can be written, else in the folder for temporary files.
    ///
    /// # Errors
    /// When neither takes a file.
    pub fn new(rollups: Option<&Rollups>) -> Result<Self, StoreError> {
        let beside = rollups.and_then(|r| tempfile::tempfile_in(&r.dir).ok());
        let file = match beside {
            Some(f) => f,
            None => tempfile::tempfile().at("write a temporary file in", &std::env::temp_dir())?,
        };
        Ok(Self(Arc::new(Mutex::new(file))))
    }

    /// Appends the parts of one more day.
    ///
    /// # Errors
    /// When the file does not tell its end.
    pub fn create(&self) -> Result<RollupWriter, StoreError> {
        let mut file = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let at = file.seek(SeekFrom::End(0)).at("write", spilled())?;
        drop(file);
        RollupWriter::new(Out::Spilled(self.0.clone()), at).at("write", spilled())
    }
}

fn spilled() -> &'static Path {
    Path::new("a temporary file")
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

    /// The same in another folder of the store.
    #[must_use]
    pub(crate) fn in_folder(mut self, name: &str) -> Self {
        self.dir.set_file_name(name);
        self
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

    /// What was kept of this day under this key; `None` where nothing is, or nothing whose index can be read.
    pub fn open(&self, day: i64, key: &str) -> Option<RollupFile> {
        let path = self.path(day, key);
        let mut file = self.files.open(&path).ok()?;
        let mut magic = [0; MAGIC.len()];
        file.read_exact(&mut magic).ok()?;
        if magic != *MAGIC {
            return None;
        }
        let end = file.seek(SeekFrom::End(0)).ok()?.checked_sub(FOOTER)?;
        file.seek(SeekFrom::Start(end)).ok()?;
        let [at, len] = [number(&mut file)?, number(&mut file)?];
        if at < MAGIC.len() as u64 || len > MAX_INDEX || at.checked_add(len) != Some(end) {
            return None;
        }
        file.seek(SeekFrom::Start(at)).ok()?;
        // zstd frames carry a checksum of their content: a damaged index does not decode.
        let mut index = Vec::new();
        let frame = zstd::Decoder::new(file.take(len)).ok()?;
        frame.take(MAX_INDEX).read_to_end(&mut index).ok()?;
        let (places, head) = decode_index(&index, at)?;
        Some(RollupFile {
            source: Source::Named(path, self.files.clone()),
            places,
            head,
        })
    }

    /// Removes what was kept of days that ended before `before`. What cannot be removed stays and is tried again.
    pub fn forget_before(&self, before: ingest_model::UtcMicros) {
        let Ok(names) = self.files.list(&self.dir) else {
            // No rollup was ever kept.
            return;
        };
        for path in names {
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            let date = name.split('.').next().unwrap_or_default();
            // Names begin with the date of the day, which orders as the days do.
            if date.len() == 10
                && date.ends_with(|c: char| c.is_ascii_digit())
                && *date < *before.date_string()
                && let Err(e) = self.files.remove(&path)
            {
                tracing::warn!("cannot remove {}: {e}", path.display());
            }
        }
    }

    /// Begins the file of a day; `None` for those who only read. What was kept of the day under other keys is
    /// dropped when the new file is whole.
    ///
    /// # Errors
    /// When the file cannot be written; the store is as it was.
    pub fn create(&self, day: i64, key: &str) -> Result<Option<RollupWriter>, StoreError> {
        if !self.keeps {
            return Ok(None);
        }
        let path = self.path(day, key);
        let begin = || -> io::Result<RollupWriter> {
            self.files.create_dir(&self.dir)?;
            let mut file = self.files.create(&path.with_extension("part"))?;
            file.write_all(MAGIC)?;
            let out = Out::Named {
                file,
                to: self.clone(),
                path: path.clone(),
                date: ingest_model::UtcMicros::from_day(day).date_string(),
            };
            RollupWriter::new(out, MAGIC.len() as u64)
        };
        begin().at("write", &path).map(Some)
    }
}

impl RollupWriter {
    fn new(out: Out, at: u64) -> io::Result<Self> {
        let mut compressor = zstd::bulk::Compressor::new(LEVEL)?;
        compressor.include_checksum(true)?;
        Ok(Self {
            out,
            at,
            places: Vec::new(),
            compressor,
        })
    }

    fn path(&self) -> &Path {
        match &self.out {
            Out::Named { path, .. } => path,
            Out::Spilled(_) => spilled(),
        }
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        match &mut self.out {
            Out::Named { file, .. } => file.write_all(bytes),
            Out::Spilled(file) => {
                let mut file = file.lock().unwrap_or_else(PoisonError::into_inner);
                file.seek(SeekFrom::Start(self.at))?;
                file.write_all(bytes)
            }
        }
    }

    /// The next part.
    ///
    /// # Errors
    /// When it cannot be written, or is no part that could be read again.
    pub fn part(&mut self, content: &[u8]) -> Result<(), StoreError> {
        let added = self.add(content);
        added.at("write", self.path())
    }

    fn add(&mut self, content: &[u8]) -> io::Result<()> {
        let unpacked = u32::try_from(content.len())
            .ok()
            .filter(|n| *n <= MAX_PART)
            .ok_or_else(|| io::Error::other("one part of a rollup is longer than 16 MB"))?;
        let bytes = self.compressor.compress(content)?;
        self.write(&bytes)?;
        // zstd adds some bytes at most.
        self.places.push((self.at, bytes.len() as u32, unpacked));
        self.at += bytes.len() as u64;
        Ok(())
    }

    /// All parts are there; `head` is what the caller says of the whole.
    ///
    /// # Errors
    /// When the file cannot be written; the store is as it was.
    pub fn finish(mut self, head: &[u8]) -> Result<RollupFile, StoreError> {
        let path = self.path().to_owned();
        let places: Arc<[Place]> = std::mem::take(&mut self.places).into();
        let source = self.end(&places, head).at("write", &path)?;
        Ok(RollupFile {
            source,
            places,
            head: head.into(),
        })
    }

    fn end(self, places: &[Place], head: &[u8]) -> io::Result<Source> {
        let (mut file, to, path, date) = match self.out {
            Out::Spilled(file) => return Ok(Source::Spilled(file)),
            Out::Named {
                file,
                to,
                path,
                date,
            } => (file, to, path, date),
        };
        let mut encoder = zstd::Encoder::new(Vec::new(), LEVEL)?;
        encoder.include_checksum(true)?;
        encoder.write_all(&encode_index(places, head))?;
        let index = encoder.finish()?;
        file.write_all(&index)?;
        file.write_all(&self.at.to_le_bytes())?;
        file.write_all(&(index.len() as u64).to_le_bytes())?;
        file.sync()?;
        to.files.rename(&path.with_extension("part"), &path)?;
        for old in to.files.list(&to.dir)? {
            let name = old.file_name().unwrap_or_default().to_string_lossy();
            if name.starts_with(&format!("{date}.")) && old != path {
                to.files.remove(&old)?;
            }
        }
        Ok(Source::Named(path, to.files))
    }
}

impl RollupFile {
    /// What the caller said of the whole.
    pub fn head(&self) -> &[u8] {
        &self.head
    }

    /// How many parts there are.
    pub fn parts(&self) -> usize {
        self.places.len()
    }

    /// Bytes of all parts, unpacked.
    pub fn bytes(&self) -> u64 {
        self.places.iter().map(|p| u64::from(p.2)).sum()
    }

    /// One part; `None` where the file is gone, replaced or damaged.
    pub fn part(&self, n: usize) -> Option<Vec<u8>> {
        let (at, len, unpacked) = *self.places.get(n)?;
        let mut bytes = vec![0; len as usize];
        match &self.source {
            Source::Named(path, files) => {
                let mut file = files.open(path).ok()?;
                file.seek(SeekFrom::Start(at)).ok()?;
                file.read_exact(&mut bytes).ok()?;
            }
            Source::Spilled(file) => {
                let mut file = file.lock().unwrap_or_else(PoisonError::into_inner);
                file.seek(SeekFrom::Start(at)).ok()?;
                file.read_exact(&mut bytes).ok()?;
            }
        }
        // Making a decompressor costs as much as unpacking a loop's day with it.
        thread_local! {
            static DECOMPRESSOR: RefCell<Option<zstd::bulk::Decompressor<'static>>> =
                RefCell::new(zstd::bulk::Decompressor::new().ok());
        }
        let content = DECOMPRESSOR.with_borrow_mut(|d| {
            let decompressor = d.as_mut()?;
            decompressor.decompress(&bytes, unpacked as usize).ok()
        })?;
        (content.len() == unpacked as usize).then_some(content)
    }
}

fn number(from: &mut impl Read) -> Option<u64> {
    let mut bytes = [0; 8];
    from.read_exact(&mut bytes).ok()?;
    Some(u64::from_le_bytes(bytes))
}

fn encode_index(places: &[Place], head: &[u8]) -> Vec<u8> {
    let mut out = (places.len() as u64).to_le_bytes().to_vec();
    for (at, len, unpacked) in places {
        out.extend(at.to_le_bytes());
        out.extend(len.to_le_bytes());
        out.extend(unpacked.to_le_bytes());
    }
    out.extend_from_slice(head);
    out
}

/// Where the parts lie, and the head.
type Index = (Arc<[Place]>, Arc<[u8]>);

/// Places that lie before the index at `end`, and the head.
fn decode_index(index: &[u8], end: u64) -> Option<Index> {
    const PLACE: usize = 16;
    let (n, rest) = index.split_first_chunk::<8>()?;
    let n = usize::try_from(u64::from_le_bytes(*n)).ok()?;
    let (places, head) = rest.split_at_checked(n.checked_mul(PLACE)?)?;
    let mut out = Vec::with_capacity(n);
    for p in places.chunks_exact(PLACE) {
        let (at, p) = p.split_first_chunk::<8>()?;
        let (len, p) = p.split_first_chunk::<4>()?;
        let at = u64::from_le_bytes(*at);
        let len = u32::from_le_bytes(*len);
        let unpacked = u32::from_le_bytes(p.try_into().ok()?);
        if at.checked_add(len.into())? > end || unpacked > MAX_PART {
            return None;
        }
        out.push((at, len, unpacked));
    }
    Some((out.into(), head.into()))
}

/// Keys are hexadecimal and numbers; anything else has no place in a file name.
fn plain(key: &str) -> String {
    key.chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::{RollupFile, Rollups, Spill};

    fn put(rollups: &Rollups, day: i64, key: &str, parts: &[&[u8]]) {
        let mut w = rollups.create(day, key).unwrap().unwrap();
        for p in parts {
            w.part(p).unwrap();
        }
        w.finish(b"head").unwrap();
    }

    fn all(file: &RollupFile) -> Option<Vec<Vec<u8>>> {
        (0..file.parts()).map(|n| file.part(n)).collect()
    }

    #[test]
    fn kept_found_replaced_and_damage_is_no_content() {
        let dir = tempfile::tempdir().unwrap();
        let rollups = Rollups::new(dir.path());
        assert!(rollups.open(20_000, "k1").is_none());
        let long = b"blocks".repeat(1000);
        put(&rollups, 20_000, "k1", &[&long, b"", b"x"]);
        put(&rollups, 20_001, "k1", &[b"other day"]);
        let file = rollups.open(20_000, "k1").unwrap();
        assert_eq!((file.head(), file.bytes()), (&b"head"[..], 6001));
        assert_eq!(all(&file).unwrap(), [&long[..], b"", b"x"]);
        assert_eq!(file.part(3), None);
        // Another key of the same day drops the first; a key cannot leave the folder.
        put(&rollups, 20_000, "../k2", &[b"new", b"newer"]);
        assert!(rollups.open(20_000, "k1").is_none());
        assert_eq!(file.part(0), None, "gone, and said so");
        assert!(rollups.open(20_001, "k1").is_some());
        // Who only reads keeps nothing.
        let reader = rollups.clone().read_only();
        assert!(reader.create(20_000, "k3").unwrap().is_none());
        // Every cut and every flipped byte is "nothing there", never wrong content.
        let path = rollups.path(20_000, "../k2");
        let whole = std::fs::read(&path).unwrap();
        for n in 0..whole.len() {
            std::fs::write(&path, &whole[..n]).unwrap();
            assert!(reader.open(20_000, "../k2").is_none(), "cut at {n}");
            let mut bad = whole.clone();
            bad[n] ^= 0x10;
            std::fs::write(&path, &bad).unwrap();
            let got = reader.open(20_000, "../k2").and_then(|f| all(&f));
            assert!(got.is_none_or(|g| g == [&b"new"[..], b"newer"]), "byte {n}");
        }
    }

    #[test]
    fn what_is_spilled_leaves_no_file() {
        let dir = tempfile::tempdir().unwrap();
        let spill = Spill::new(Some(&Rollups::new(dir.path()))).unwrap();
        let mut files = Vec::new();
        for day in 0..3_u8 {
            let mut w = spill.create().unwrap();
            for part in 0..4_u8 {
                w.part(&[day, part]).unwrap();
            }
            files.push(w.finish(&[]).unwrap());
        }
        for (day, f) in files.iter().enumerate() {
            assert_eq!(f.part(2), Some(vec![day as u8, 2]));
        }
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
    }
}
