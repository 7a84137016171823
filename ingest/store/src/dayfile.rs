//! Writing one day file: Parquet, rows in order of tag then time, row groups of whole loops (FORMAT.md).

use crate::batch::{schema, to_batch};
use crate::error::{IoContext, StoreError};
use crate::files::{FileOut, Files};
use crate::layout::{self, Packed};
use ingest_model::{Columns, Tag, UtcMicros, for_each_column};
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_writer::ArrowWriterOptions;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::schema::types::ColumnPath;
use sha2::{Digest, Sha256};
use std::io::{self, Write};
use std::ops::Range;
use std::path::{Path, PathBuf};

/// Version of the layout, in each file under the key `loopwitness.format`.
pub(crate) const FORMAT_VERSION: &str = "1";
/// A row group closes at the first loop boundary beyond this many rows.
const ROW_GROUP_ROWS: usize = 130_000;
/// Rows go to the encoders at the first loop boundary beyond this many: few are held, and they are still in a core's cache.
const WRITE_ROWS: usize = 8_192;
/// A page closes beyond this many rows: about a loop's day, so that one loop is read without unpacking many others.
const PAGE_ROWS: usize = 2_048;

/// What the manifest says about a written file.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct DayFileInfo {
    pub rows: u64,
    pub t_min: i64,
    pub t_max: i64,
    pub bytes: u64,
    pub hash: String,
}

/// How the columns are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Layout {
    /// As any reader expects them.
    Open,
    /// As integers that only the store understands.
    Compact,
}

impl Layout {
    /// How names of files in it end.
    pub(crate) fn ending(self) -> &'static str {
        match self {
            Self::Open => ".parquet",
            Self::Compact => ".compact.parquet",
        }
    }
}

pub(crate) struct DayFileWriter {
    path: PathBuf,
    /// Of the compact layout: what is not flushed, coded.
    packed: Option<Packed>,
    writer: ArrowWriter<HashingOut>,
    tags: Vec<Tag>,
    keys: Vec<i32>,
    rows: Columns,
    /// Rows that the encoders have of the row group.
    in_group: usize,
    written: u64,
    t_min: i64,
    t_max: i64,
}

impl DayFileWriter {
    pub(crate) fn create(files: &dyn Files, path: &Path) -> Result<Self, StoreError> {
        Self::create_as(files, path, Layout::Open)
    }

    pub(crate) fn create_as(
        files: &dyn Files,
        path: &Path,
        layout: Layout,
    ) -> Result<Self, StoreError> {
        let out = HashingOut {
            out: files.create(path).at("create", path)?,
            hash: Sha256::new(),
            bytes: 0,
        };
        let (schema, properties) = match layout {
            Layout::Open => (schema(), properties()),
            Layout::Compact => (layout::schema(), layout::properties()),
        };
        let options = ArrowWriterOptions::new()
            .with_properties(properties.map_err(|e| failed(path, &e))?)
            // Plain strings and UTC timestamps to every other reader.
            .with_skip_arrow_metadata(true);
        let writer = ArrowWriter::try_new_with_options(out, schema, options)
            .map_err(|e| failed(path, &e))?;
        Ok(Self {
            path: path.to_owned(),
            packed: (layout == Layout::Compact).then(Packed::default),
            writer,
            tags: Vec::new(),
            keys: Vec::new(),
            rows: Columns::default(),
            in_group: 0,
            written: 0,
            t_min: i64::MAX,
            t_max: i64::MIN,
        })
    }

    /// Begins the rows of a loop; loops come in tag order.
    pub(crate) fn start_loop(&mut self, tag: &Tag) -> Result<(), StoreError> {
        if self.in_group + self.rows.len() >= ROW_GROUP_ROWS {
            self.flush()?;
        } else if self.rows.len() >= WRITE_ROWS && self.packed.is_none() {
            self.write_whole_pages()?;
        }
        self.tags.push(tag.clone());
        Ok(())
    }

    /// These rows for the loop begun last, in the open layout; times increase.
    pub(crate) fn push_rows_of(&mut self, from: &Columns, rows: &[u32]) {
        self.rows.extend_rows_of(from, rows);
        self.keys
            .resize(self.rows.len(), self.tags.len() as i32 - 1);
    }

    /// Neighbouring rows for the loop begun last, in the open layout; times increase.
    pub(crate) fn push_range(&mut self, from: &Columns, rows: Range<usize>) {
        self.rows.extend_range_of(from, rows);
        self.keys
            .resize(self.rows.len(), self.tags.len() as i32 - 1);
    }

    /// All rows of the loop begun last; times increase.
    pub(crate) fn push_all(&mut self, from: &Columns) {
        if let Some(packed) = &mut self.packed {
            packed.push(from);
        }
        self.rows.extend_from(from);
        self.keys
            .resize(self.rows.len(), self.tags.len() as i32 - 1);
    }

    /// Gives the rows to the encoders.
    fn write(&mut self) -> Result<(), StoreError> {
        for t in &self.rows.time {
            self.t_min = self.t_min.min(*t);
            self.t_max = self.t_max.max(*t);
        }
        let keys = std::mem::take(&mut self.keys);
        let batch = match &mut self.packed {
            None => to_batch(&self.tags, keys, &self.rows),
            Some(packed) => {
                let batch = packed.to_batch(&self.tags, keys, &self.rows);
                packed.clear();
                batch
            }
        }
        .map_err(|e| failed(&self.path, &e.into()))?;
        self.writer
            .write(&batch)
            .map_err(|e| failed(&self.path, &e))?;
        self.in_group += self.rows.len();
        self.written += self.rows.len() as u64;
        self.rows.clear();
        self.tags.clear();
        Ok(())
    }

    /// Gives the rows of whole pages to the encoders, so that pages are as if all came at once.
    fn write_whole_pages(&mut self) -> Result<(), StoreError> {
        let rows = self.rows.len() / PAGE_ROWS * PAGE_ROWS;
        let mut rest = Columns::default();
        macro_rules! split {
            ($f:ident) => {
                rest.$f = self.rows.$f.split_off(rows);
            };
        }
        for_each_column!(split);
        let mut keys = self.keys.split_off(rows);
        // The loops that go on.
        let first = keys.first().copied().unwrap_or(self.tags.len() as i32);
        let tags = self.tags.get(first as usize..).unwrap_or_default().to_vec();
        keys.iter_mut().for_each(|key| *key -= first);
        self.write()?;
        (self.keys, self.tags, self.rows) = (keys, tags, rest);
        Ok(())
    }

    /// Ends the row group.
    fn flush(&mut self) -> Result<(), StoreError> {
        if !self.rows.is_empty() {
            self.write()?;
        }
        self.in_group = 0;
        self.writer.flush().map_err(|e| failed(&self.path, &e))
    }

    /// Writes the rest. The file is not synced yet: many are written before the first of them counts.
    pub(crate) fn finish(mut self) -> Result<DayFileInfo, StoreError> {
        self.flush()?;
        let format = match self.packed {
            None => FORMAT_VERSION,
            Some(_) => layout::FORMAT_VERSION,
        };
        let notes = [
            ("loopwitness.format", format.to_owned()),
            ("loopwitness.from", UtcMicros(self.t_min).to_rfc3339()),
            ("loopwitness.to", UtcMicros(self.t_max).to_rfc3339()),
            ("loopwitness.rows", self.written.to_string()),
        ];
        for (key, value) in notes {
            self.writer
                .append_key_value_metadata(KeyValue::new(key.to_owned(), value));
        }
        let mut out = self
            .writer
            .into_inner()
            .map_err(|e| failed(&self.path, &e))?;
        out.flush().at("write", &self.path)?;
        Ok(DayFileInfo {
            rows: self.written,
            t_min: self.t_min,
            t_max: self.t_max,
            bytes: out.bytes,
            hash: hex(out.hash),
        })
    }
}

/// Encodings as measured best for these signals: smooth times and counters as differences, floats by byte plane.
fn properties() -> parquet::errors::Result<WriterProperties> {
    let mut p = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(3)?))
        .set_statistics_enabled(EnabledStatistics::Chunk)
        .set_max_row_group_row_count(None)
        .set_data_page_row_count_limit(PAGE_ROWS)
        .set_created_by(format!("loopwitness {}", env!("CARGO_PKG_VERSION")));
    // Pages are looked up by these; of the others they would only take room.
    for name in ["time", "tag"] {
        p = p.set_column_statistics_enabled(ColumnPath::from(name), EnabledStatistics::Page);
    }
    for name in [
        "time",
        "analog_time",
        "exchanges",
        "comm_errors",
        "config_changes",
    ] {
        p = p
            .set_column_dictionary_enabled(ColumnPath::from(name), false)
            .set_column_encoding(ColumnPath::from(name), Encoding::DELTA_BINARY_PACKED);
    }
    for name in [
        "response_code",
        "device_status",
        "extended_status",
        "pv_status",
    ] {
        p = p.set_column_dictionary_enabled(ColumnPath::from(name), false);
    }
    for name in ["pv", "sv", "tv", "qv", "reported_ma", "analog_ma"] {
        p = p
            .set_column_dictionary_enabled(ColumnPath::from(name), false)
            .set_column_encoding(ColumnPath::from(name), Encoding::BYTE_STREAM_SPLIT);
    }
    Ok(p.build())
}

fn failed(path: &Path, e: &parquet::errors::ParquetError) -> StoreError {
    StoreError::Io {
        doing: "write",
        path: path.to_owned(),
        source: io::Error::other(e.to_string()),
    }
}

/// SHA-256 as lowercase hex.
pub(crate) fn hex(hash: Sha256) -> String {
    hash.finalize().iter().map(|b| format!("{b:02x}")).collect()
}

struct HashingOut {
    out: Box<dyn FileOut>,
    hash: Sha256,
    bytes: u64,
}

impl Write for HashingOut {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        let n = self.out.write(buf)?;
        self.hash.update(buf.get(..n).unwrap_or(buf));
        self.bytes += n as u64;
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}
