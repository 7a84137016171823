//! What the service's tasks and the HTTP handlers share: the newest result, the newest readings, the gateways.

use crate::casebook::CaseBook;
use crate::metrics::Metrics;
use crate::news::News;
use crate::notes::DeviceNotes;
use analytics_assess::{Assessed, Engine, Families, FamilyQuery, Settings, WatchReport};
use axum::body::Bytes;
use ingest_collect::SheetTable;
use ingest_model::{Columns, Reading, Tag, UtcMicros};
use ingest_store::{Rollups, Snapshot, Store, StoreError, StoreReader};
use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError, RwLock};
use tokio::sync::{Semaphore, watch};

/// How many days back the newest reading of a loop is looked for at start.
const NEWEST_DAYS: usize = 4;

/// What bounds the memory of the service: how much runs at once, and what each may take. `[limits]` of `site.toml`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Long answers (readings, an assessment at another time, a register taken) that run at once.
    pub long_answers: usize,
    /// Long answers that wait for their turn.
    pub waiting: usize,
    /// Requests at once.
    pub requests: usize,
    /// Event streams at once.
    pub streams: usize,
    /// Rows of one answer.
    pub points: usize,
    /// Longest body of a request, and of a register.
    pub request_body_bytes: u64,
    pub register_body_bytes: u64,
    /// What an import may hold, and the blocks of an assessment.
    pub import_bytes: u64,
    pub assessment_bytes: u64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            long_answers: 2,
            waiting: 64,
            requests: 256,
            streams: 64,
            points: 1_000_000,
            request_body_bytes: 64 << 10,
            register_body_bytes: 32 << 20,
            import_bytes: ingest_store::ImportOptions::default().memory_bytes,
            assessment_bytes: Settings::default().memory_bytes,
        }
    }
}

/// Name and time zone of the site, as the page shows them.
#[derive(Clone, Debug, serde::Serialize, utoipa::ToSchema)]
pub struct SiteView {
    pub name: String,
    /// IANA name.
    pub timezone: String,
}

/// One assessment, done.
#[derive(Debug)]
pub struct Current {
    pub assessed: Assessed,
    /// When it was done.
    pub assessed_at: UtcMicros,
    /// Counts up from 1 at start.
    pub id: u64,
    /// Families that were compared for this result, with the register's version; the newest last.
    pub families: Mutex<Vec<ComparedFamilies>>,
    /// `GET /api/v1/attention` without parameters, once it was asked for; plain and packed with gzip.
    pub written: OnceLock<Bytes>,
    pub packed: OnceLock<Bytes>,
}

/// What was asked, of which register, and the answer.
pub type ComparedFamilies = (FamilyQuery, String, Arc<Families>);

/// Counts of failures of one gateway (contract section 4).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, utoipa::ToSchema)]
pub struct FailureCounts {
    pub timeouts: u64,
    pub refused: u64,
    pub bad_frames: u64,
    pub late_answers: u64,
    pub comm_errors: u64,
    pub no_reply: u64,
    pub disconnects: u64,
}

impl FailureCounts {
    /// Kind and count, as in `/metrics`.
    pub fn each(&self) -> [(&'static str, u64); 7] {
        [
            ("timeouts", self.timeouts),
            ("refused", self.refused),
            ("bad_frames", self.bad_frames),
            ("late_answers", self.late_answers),
            ("comm_errors", self.comm_errors),
            ("no_reply", self.no_reply),
            ("disconnects", self.disconnects),
        ]
    }
}

/// One gateway as `GET /api/v1/gateways` shows it.
#[derive(Clone, Debug, PartialEq, serde::Serialize, utoipa::ToSchema)]
pub struct GatewayView {
    pub name: String,
    pub connected: bool,
    /// Sessions held now.
    pub sessions: u32,
    /// HART master role that the session took: `primary` or `secondary`.
    pub master: Option<&'static str>,
    pub devices: usize,
    /// Fast reads a second that the plan asks for, and that were made over the last minute.
    pub planned_per_s: f64,
    pub achieved_per_s: f64,
    /// How far the plan is behind, seconds.
    pub late_s: f64,
    /// By modem: what the plan asks of its time and what was used over the last minute.
    pub modems: Vec<ModemView>,
    pub failures: FailureCounts,
    /// Readings dropped because the landing did not keep up.
    pub readings_lost: u64,
    pub last_error: Option<String>,
}

/// One modem: its pace, and its load as shares of its time at 1200 bit/s.
#[derive(Clone, Debug, PartialEq, serde::Serialize, utoipa::ToSchema)]
pub struct ModemView {
    /// I/O card, or whatever its sub-devices have in common.
    pub modem: u32,
    /// As the register names the modem of its loops; null = not named.
    pub name: Option<String>,
    /// One of its loops.
    #[serde(skip)]
    pub tag: Option<Tag>,
    pub devices: usize,
    /// Fast reads a second, as planned and as answered over the last minute.
    pub planned_per_s: f64,
    pub achieved_per_s: f64,
    /// With prompt answers and nobody else on the line.
    pub planned_load: f64,
    pub achieved_load: f64,
}

/// Where the gateways' state comes from.
pub type GatewaySource = Box<dyn Fn() -> Vec<GatewayView> + Send + Sync>;

/// Shared by all; cheap to clone through its `Arc`.
pub struct Shared {
    pub site: SiteView,
    pub reader: StoreReader,
    pub rollups: Rollups,
    /// How this site ranks.
    pub assessing: Settings,
    /// The one writer; `None` once the service stops.
    store: Mutex<Option<Arc<Store>>>,
    /// Work items and their log.
    pub book: CaseBook,
    current: RwLock<Option<Arc<Current>>>,
    /// What the watch would see; `None` until the first night's work is done.
    watch: RwLock<Option<Arc<WatchReport>>>,
    newest: RwLock<HashMap<Tag, Reading>>,
    gateways: GatewaySource,
    /// What devices said beside their readings, while the service collects.
    pub sheets: OnceLock<Arc<SheetTable>>,
    /// Names of what only some device types have.
    pub notes: DeviceNotes,
    /// Who may do what; `None`: anybody on this machine.
    pub access: Option<crate::access::Access>,
    pub metrics: Metrics,
    pub news: News,
    /// Told when readings or the register changed.
    pub changed: watch::Sender<()>,
    /// Told when a person changed the register.
    pub register_changed: watch::Sender<()>,
    /// Bounds answers that read much.
    pub heavy: Arc<Semaphore>,
    /// Places of those that wait for `heavy`.
    pub waiting: Semaphore,
    /// Bounds requests at once.
    pub requests: Semaphore,
    /// Bounds event streams.
    pub streams: Arc<Semaphore>,
    /// For assessments at another time; apart from the live one, so that neither waits for the other.
    pub past: Mutex<Engine>,
    pub limits: Limits,
    ready: AtomicBool,
    /// Progress of the first assessment, per mille.
    progress: AtomicU32,
    pub stop: tokio_util::sync::CancellationToken,
}

impl std::fmt::Debug for Shared {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Shared")
            .field("site", &self.site)
            .finish_non_exhaustive()
    }
}

impl Shared {
    /// State over an open store. `stop` ends event streams.
    pub fn new(
        site: SiteView,
        store: Arc<Store>,
        gateways: GatewaySource,
        stop: tokio_util::sync::CancellationToken,
    ) -> Self {
        Self::with_limits(site, store, gateways, stop, Limits::default())
    }

    /// [`new`](Self::new) with other bounds.
    pub fn with_limits(
        site: SiteView,
        store: Arc<Store>,
        gateways: GatewaySource,
        stop: tokio_util::sync::CancellationToken,
        limits: Limits,
    ) -> Self {
        Self {
            site,
            reader: store.reader(),
            past: Mutex::new(
                Engine::new(Settings::default()).with_rollups(store.rollups().read_only()),
            ),
            assessing: Settings::default(),
            rollups: store.rollups(),
            book: CaseBook::new(store.reader(), analytics_cases::Settings::default()),
            store: Mutex::new(Some(store)),
            current: RwLock::new(None),
            watch: RwLock::new(None),
            newest: RwLock::new(HashMap::new()),
            gateways,
            sheets: OnceLock::new(),
            notes: DeviceNotes::default(),
            access: None,
            metrics: Metrics::new(),
            news: News::new(&format!("{:x}", crate::clock::now().0)),
            changed: watch::channel(()).0,
            register_changed: watch::channel(()).0,
            heavy: Arc::new(Semaphore::new(limits.long_answers)),
            waiting: Semaphore::new(limits.waiting),
            requests: Semaphore::new(limits.requests),
            streams: Arc::new(Semaphore::new(limits.streams)),
            limits,
            ready: AtomicBool::new(false),
            progress: AtomicU32::new(0),
            stop,
        }
    }

    /// Longest body of a request, as the layers take it.
    pub fn body_bytes(&self) -> usize {
        usize::try_from(self.limits.request_body_bytes).unwrap_or(usize::MAX)
    }

    /// With the site's own settings of the assessment.
    #[must_use]
    pub fn assessing_by(mut self, settings: &Settings) -> Self {
        let engine = Engine::new(settings.clone()).with_rollups(self.rollups.clone().read_only());
        self.past = Mutex::new(engine);
        self.assessing = settings.clone();
        self
    }

    /// With the site's own notes on its devices.
    #[must_use]
    pub fn with_notes(mut self, notes: DeviceNotes) -> Self {
        self.notes = notes;
        self
    }

    /// Open to those alone who have a token.
    #[must_use]
    pub fn open_to(mut self, access: Option<crate::access::Access>) -> Self {
        self.access = access;
        self
    }

    /// The store, while the service runs.
    pub fn store(&self) -> Option<Arc<Store>> {
        self.store
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Lets the store go, so that its lock ends with its last user.
    pub fn close_store(&self) {
        *self.store.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }

    /// The newest result; `None` until the first assessment is done.
    pub fn current(&self) -> Option<Arc<Current>> {
        self.current
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// What the watch would see, as last worked out.
    pub fn watch(&self) -> Option<Arc<WatchReport>> {
        self.watch
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Puts new numbers in place; from the next result on, loops where the watch is blind are not judged.
    pub fn set_watch(&self, report: WatchReport) {
        *self.watch.write().unwrap_or_else(PoisonError::into_inner) = Some(Arc::new(report));
    }

    /// Puts a new result in place and tells the listeners.
    pub fn set_current(&self, mut assessed: Assessed, assessed_at: UtcMicros) {
        if let Some(watch) = self.watch() {
            let list = &mut assessed.result.not_judged;
            let known: std::collections::BTreeSet<(Tag, &str)> =
                list.iter().map(|n| (n.tag.clone(), n.what)).collect();
            let blind = watch.blind.iter().filter(|n| {
                !known.contains(&(n.tag.clone(), n.what))
                    && !known.contains(&(n.tag.clone(), "all"))
            });
            list.extend(blind.cloned());
            list.sort();
        }
        let mut slot = self.current.write().unwrap_or_else(PoisonError::into_inner);
        let id = slot.as_ref().map_or(1, |c| c.id + 1);
        let current = Arc::new(Current {
            assessed,
            assessed_at,
            id,
            families: Mutex::default(),
            written: OnceLock::new(),
            packed: OnceLock::new(),
        });
        self.metrics.result(&current.assessed.result, assessed_at);
        let to = current.assessed.result.to.map(UtcMicros::to_rfc3339);
        let list = format!("{:016x}", current.assessed.result.list_digest());
        *slot = Some(current);
        drop(slot);
        let data = serde_json::json!({ "id": id, "assessed_at": assessed_at.to_rfc3339(), "to": to, "list": list });
        self.news.publish("assessed", data.to_string());
    }

    /// Tells assessment, collector and listeners that a person changed the register.
    pub fn register_changed_by_person(&self) {
        self.changed.send_replace(());
        self.register_changed.send_replace(());
        self.news.publish("register", "{}".to_owned());
    }

    pub fn gateways(&self) -> Vec<GatewayView> {
        (self.gateways)()
    }

    /// Notes readings that the landing accepted.
    pub fn note_newest(&self, batch: &[(Tag, Reading)]) {
        let mut newest = self.newest.write().unwrap_or_else(PoisonError::into_inner);
        for (tag, reading) in batch {
            let slot = newest.entry(tag.clone()).or_insert(*reading);
            if reading.time >= slot.time {
                *slot = *reading;
            }
        }
    }

    pub fn newest(&self, tag: &Tag) -> Option<Reading> {
        self.newest
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .get(tag)
            .copied()
    }

    /// Time of the newest reading of all.
    pub fn newest_time(&self) -> Option<UtcMicros> {
        let newest = self.newest.read().unwrap_or_else(PoisonError::into_inner);
        newest.values().map(|r| r.time).max()
    }

    /// Fills in the newest reading of each loop from the last days of the history. Reads files.
    pub fn load_newest(&self, snapshot: &Snapshot) -> Result<(), StoreError> {
        let loops = snapshot.register().tags().count();
        for day in snapshot.days().iter().rev().take(NEWEST_DAYS) {
            snapshot.read_day(day.day, &mut |tag: &Tag, columns: Columns| {
                if let Some(last) = columns.len().checked_sub(1) {
                    self.note_newest(&[(tag.clone(), columns.row(last))]);
                }
                Ok(())
            })?;
            if self
                .newest
                .read()
                .unwrap_or_else(PoisonError::into_inner)
                .len()
                >= loops
            {
                break;
            }
        }
        Ok(())
    }

    pub fn set_ready(&self) {
        self.ready.store(true, Ordering::Release);
    }

    /// Store open and register loaded.
    pub fn is_ready(&self) -> bool {
        self.ready.load(Ordering::Acquire)
    }

    pub fn set_progress(&self, share: f64) {
        self.progress
            .store((share.clamp(0.0, 1.0) * 1000.0) as u32, Ordering::Relaxed);
    }

    /// Progress of the first assessment, 0..1.
    pub fn progress(&self) -> f64 {
        f64::from(self.progress.load(Ordering::Relaxed)) / 1000.0
    }
}
