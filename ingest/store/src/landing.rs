//! Fresh readings on their way to the history: one writer thread, group commit, accepted means on the disk.

use crate::batch::to_batch;
use crate::error::StoreError;
use crate::files::{Files, Moment};
use crate::lock::Lock;
use crate::register::Register;
use arrow_array::RecordBatch;
use arrow_ipc::reader::StreamReader;
use arrow_ipc::writer::StreamWriter;
use ingest_model::{Columns, Reading, Tag, UtcMicros};
use rusqlite::{Connection, TransactionBehavior, params};
use std::collections::{BTreeMap, HashMap};
use std::io::Write;
use std::path::Path;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, PoisonError, RwLock};
use std::thread::JoinHandle;

/// Batches waiting for the writer; beyond this a producer waits.
const QUEUE: usize = 64;
/// Rows of one commit, about.
const COMMIT_ROWS: usize = 20_000;
/// Layout of a landed batch: an Arrow IPC stream with the columns of a day file.
const FORMAT: i64 = 1;

/// The register as the writer thread and the store both see it.
#[derive(Debug)]
pub(crate) struct Shared {
    register: RwLock<Arc<Register>>,
}

impl Shared {
    pub(crate) fn new(register: Arc<Register>) -> Self {
        Self {
            register: RwLock::new(register),
        }
    }

    pub(crate) fn set_register(&self, register: Arc<Register>) {
        *self
            .register
            .write()
            .unwrap_or_else(PoisonError::into_inner) = register;
    }

    pub(crate) fn register(&self) -> Arc<Register> {
        self.register
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }
}

/// Hands readings to the store.
#[derive(Debug, Clone)]
pub struct Landing {
    sender: Option<Arc<SyncSender<Job>>>,
    shared: Arc<Shared>,
}

struct Job {
    tags: Vec<Tag>,
    rows: Columns,
    refused: BTreeMap<String, (u64, i64)>,
    done: SyncSender<Result<(), String>>,
}

impl Landing {
    pub(crate) fn start(
        dir: &Path,
        files: Arc<dyn Files>,
        conn: Connection,
        shared: Arc<Shared>,
        lock: Lock,
    ) -> Result<(Self, JoinHandle<()>), StoreError> {
        let (sender, receiver) = sync_channel(QUEUE);
        let rejects = dir.join("rejects").join("collected.csv");
        let path = dir.join("landing.sqlite");
        let thread = std::thread::Builder::new()
            .name("landing".to_owned())
            .spawn(move || {
                // The store stays locked as long as anybody can write into it.
                let _lock = lock;
                write_all(&receiver, conn, &*files, &path, &rejects);
            })
            .map_err(|source| StoreError::Io {
                doing: "start the landing of",
                path: dir.to_owned(),
                source,
            })?;
        Ok((
            Self {
                sender: Some(Arc::new(sender)),
                shared,
            },
            thread,
        ))
    }

    pub(crate) fn closed(shared: Arc<Shared>) -> Self {
        Self {
            sender: None,
            shared,
        }
    }

    /// True if this was the last holder, so that the writer thread ends.
    pub(crate) fn close(self) -> bool {
        self.sender.and_then(Arc::into_inner).is_some()
    }

    /// Blocks until the readings are on the disk; only then are they accepted. Readings of a tag that the register does
    /// not have, or without a usable time, are counted and named as rejects. On an error none was accepted.
    pub fn append(&self, batch: Vec<(Tag, Reading)>) -> Result<(), StoreError> {
        let register = self.shared.register();
        let (mut tags, mut rows, mut refused) = (Vec::new(), Columns::default(), BTreeMap::new());
        for (tag, reading) in &batch {
            if register.contains(tag) && crate::import_sink::usable_time(reading.time.0) {
                tags.push(tag.clone());
                rows.push(reading);
            } else {
                let entry: &mut (u64, i64) = refused.entry(tag.to_string()).or_default();
                *entry = (entry.0 + 1, reading.time.0);
            }
        }
        if batch.is_empty() {
            return Ok(());
        }
        let stopped = || StoreError::NotAccepted {
            why: "the store is closed".to_owned(),
        };
        let (done, answer) = sync_channel(1);
        let sender = self.sender.as_ref().ok_or_else(stopped)?;
        sender
            .send(Job {
                tags,
                rows,
                refused,
                done,
            })
            .map_err(|_| stopped())?;
        answer
            .recv()
            .map_err(|_| stopped())?
            .map_err(|why| StoreError::NotAccepted { why })
    }
}

fn write_all(
    receiver: &Receiver<Job>,
    mut conn: Connection,
    files: &dyn Files,
    path: &Path,
    rejects: &Path,
) {
    while let Ok(first) = receiver.recv() {
        let mut rows = first.rows.len();
        let mut jobs = vec![first];
        while rows < COMMIT_ROWS
            && let Ok(next) = receiver.try_recv()
        {
            rows += next.rows.len();
            jobs.push(next);
        }
        let result = commit(&mut conn, files, path, &jobs);
        if result.is_ok() {
            note_refused(files, rejects, &jobs);
        }
        for job in jobs {
            // A producer that went away does not need the answer.
            let _ = job.done.send(result.clone());
        }
    }
}

fn commit(
    conn: &mut Connection,
    files: &dyn Files,
    path: &Path,
    jobs: &[Job],
) -> Result<(), String> {
    let (mut tags, mut keys, mut rows) = (Vec::new(), Vec::new(), Columns::default());
    let mut index: HashMap<&Tag, i32> = HashMap::new();
    for job in jobs {
        for tag in &job.tags {
            let key = *index.entry(tag).or_insert_with(|| {
                tags.push(tag.clone());
                tags.len() as i32 - 1
            });
            keys.push(key);
        }
        rows.extend_from(&job.rows);
    }
    let blob = if rows.is_empty() {
        Vec::new()
    } else {
        encode(&tags, keys, &rows)?
    };
    let mut write = || -> rusqlite::Result<()> {
        let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        if let (Some(low), Some(high)) = (rows.time.iter().min(), rows.time.iter().max()) {
            tx.prepare_cached("INSERT INTO landing (t_min, t_max, rows, format, batch) VALUES (?1, ?2, ?3, ?4, ?5)")?
                .execute(params![low, high, rows.len() as i64, FORMAT, blob])?;
        }
        for (tag, (count, last)) in jobs.iter().flat_map(|j| &j.refused) {
            tx.prepare_cached(
                "INSERT INTO refused VALUES (?1, ?2, ?3)
                 ON CONFLICT (tag) DO UPDATE SET rows = rows + excluded.rows, last = excluded.last",
            )?
            .execute(params![tag, *count as i64, last])?;
        }
        tx.commit()
    };
    let moment = |m| files.transaction(path, m).map_err(|e| e.to_string());
    moment(Moment::Before)?;
    write().map_err(|e| e.to_string())?;
    moment(Moment::After)
}

/// The count is in the database; this file is for people, so a failure to write it is only logged.
fn note_refused(files: &dyn Files, path: &Path, jobs: &[Job]) {
    let mut lines = csv::Writer::from_writer(Vec::new());
    for (tag, (rows, last)) in jobs.iter().flat_map(|j| &j.refused) {
        let _ = lines.write_record([
            &UtcMicros(*last).to_rfc3339(),
            tag,
            &rows.to_string(),
            "unknown tag, or time out of range",
        ]);
    }
    let lines = lines.into_inner().unwrap_or_default();
    if !lines.is_empty()
        && let Err(e) = files.append(path).and_then(|mut out| out.write_all(&lines))
    {
        tracing::warn!("cannot write {}: {e}", path.display());
    }
}

fn encode(tags: &[Tag], keys: Vec<i32>, rows: &Columns) -> Result<Vec<u8>, String> {
    let write = || {
        let batch = to_batch(tags, keys, rows)?;
        let mut out = StreamWriter::try_new(Vec::new(), &batch.schema())?;
        out.write(&batch)?;
        out.into_inner()
    };
    write().map_err(|e: arrow_schema::ArrowError| e.to_string())
}

/// Batches of a landed blob.
pub(crate) fn decode(blob: &[u8]) -> Result<Vec<RecordBatch>, String> {
    let reader = StreamReader::try_new(blob, None).map_err(|e| e.to_string())?;
    reader
        .collect::<Result<Vec<_>, _>>()
        .map_err(|e| e.to_string())
}
