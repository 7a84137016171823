//! Fresh readings on their way to the history: one writer thread, group commit, accepted means on the disk.

use crate::error::StoreError;
use crate::files::{Files, Moment};
use crate::import_sink::usable_time;
pub(crate) use crate::landed::decode;
use crate::landed::{FORMAT, encode};
use crate::lock::Lock;
use crate::register::Register;
use ingest_model::{Columns, Reading, Tag, UtcMicros};
use rusqlite::{Connection, TransactionBehavior, params};
use std::borrow::Cow;
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
/// No key of a dictionary.
const NOT_SEEN: i32 = -1;

/// The register as the writer thread and the store both see it, and its tags as rows are looked up by.
#[derive(Debug)]
pub(crate) struct Shared {
    now: RwLock<(Arc<Register>, Arc<Tags>)>,
}

/// The register's tags and the place of each among them.
#[derive(Debug)]
struct Tags {
    all: Vec<Tag>,
    places: HashMap<Tag, u32>,
}

impl Tags {
    fn of(register: &Register) -> Arc<Self> {
        let all: Vec<Tag> = register.tags().cloned().collect();
        let places = all.iter().cloned().zip(0..).collect();
        Arc::new(Self { all, places })
    }
}

impl Shared {
    pub(crate) fn new(register: Arc<Register>) -> Self {
        let tags = Tags::of(&register);
        Self {
            now: RwLock::new((register, tags)),
        }
    }

    pub(crate) fn set_register(&self, register: Arc<Register>) {
        let tags = Tags::of(&register);
        *self.now.write().unwrap_or_else(PoisonError::into_inner) = (register, tags);
    }

    fn both(&self) -> (Arc<Register>, Arc<Tags>) {
        let now = self.now.read().unwrap_or_else(PoisonError::into_inner);
        now.clone()
    }

    pub(crate) fn register(&self) -> Arc<Register> {
        self.both().0
    }

    fn tags(&self) -> Arc<Tags> {
        self.both().1
    }
}

/// Hands readings to the store.
#[derive(Debug, Clone)]
pub struct Landing {
    sender: Option<Arc<SyncSender<Job>>>,
    shared: Arc<Shared>,
}

struct Job {
    tags: Arc<Tags>,
    /// Of each row the place of its tag.
    places: Vec<u32>,
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
        let tags = self.shared.tags();
        let (mut places, mut rows) = (Vec::with_capacity(batch.len()), Columns::default());
        let mut refused = BTreeMap::new();
        rows.reserve(batch.len());
        for (tag, reading) in &batch {
            let place = tags.places.get(tag);
            if let Some(place) = place.filter(|_| usable_time(reading.time.0)) {
                places.push(*place);
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
                places,
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
    let all = jobs.iter().map(|j| j.rows.len()).sum();
    let (mut tags, mut keys) = (Vec::<&Tag>::new(), Vec::with_capacity(all));
    // The key of each place that has been seen; the register may change between two jobs.
    let mut seen: Vec<i32> = Vec::new();
    let mut places_of: Option<&Arc<Tags>> = None;
    for job in jobs {
        if !places_of.is_some_and(|t| Arc::ptr_eq(t, &job.tags)) {
            seen.clear();
            seen.resize(job.tags.all.len(), NOT_SEEN);
            for (key, tag) in tags.iter().enumerate() {
                let place = job.tags.places.get(*tag).map(|p| *p as usize);
                if let Some(known) = place.and_then(|p| seen.get_mut(p)) {
                    *known = key as i32;
                }
            }
            places_of = Some(&job.tags);
        }
        for place in &job.places {
            let place = *place as usize;
            let (Some(key), Some(tag)) = (seen.get_mut(place), job.tags.all.get(place)) else {
                return Err("a row has no tag".to_owned());
            };
            if *key == NOT_SEEN {
                *key = tags.len() as i32;
                tags.push(tag);
            }
            keys.push(*key);
        }
    }
    // One batch alone is written as it came.
    let rows = match jobs {
        [one] => Cow::Borrowed(&one.rows),
        several => {
            let mut rows = Columns::default();
            rows.reserve(all);
            several.iter().for_each(|j| rows.extend_from(&j.rows));
            Cow::Owned(rows)
        }
    };
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
