//! The one writer of a store: opening, recovery, register changes, and recording what was staged.

use crate::chunk::Stage;
use crate::error::{IoContext, StoreError};
use crate::files::{Files, Moment, RealFiles};
use crate::journal::JournalWriter;
use crate::landing::{Landing, Shared};
use crate::lock::Lock;
use crate::register::{Register, RegisterDiff};
use crate::register_csv;
use crate::rollups::Rollups;
use crate::snapshot::StoreReader;
use crate::state::{Change, LANDING, StateDb, open_for_writing};
use crate::work::WorkWindow;
use ingest_model::{LoopEntry, UtcMicros};
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

/// Replaced day files stay this long, for snapshots taken before.
const GRACE_US: i64 = 10 * 60 * 1_000_000;

/// An open store; holds its exclusive lock until it and every [`Landing`] of it are dropped.
pub struct Store {
    pub(crate) dir: PathBuf,
    pub(crate) files: Arc<dyn Files>,
    writer: Mutex<Writer>,
    reader: StoreReader,
    landing: Option<Landing>,
    thread: Option<JoinHandle<()>>,
    shared: Arc<Shared>,
}

/// Everything that changes the store, behind one mutex.
pub(crate) struct Writer {
    pub state: StateDb,
    pub landing: Connection,
    pub journal: JournalWriter,
    pub files: Arc<dyn Files>,
}

impl std::fmt::Debug for Store {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Store")
            .field("dir", &self.dir)
            .finish_non_exhaustive()
    }
}

impl Store {
    /// Opens or creates the store in `dir`. `holder` says who we are, for others that are refused (`loopwitness serve`).
    /// Sets aside what a crash left: unlisted day files go to `set-aside/`, landed ranges that are sealed are cleared.
    pub fn open(dir: &Path, holder: &str, now: UtcMicros) -> Result<Self, StoreError> {
        Self::open_with(dir, holder, now, Arc::new(RealFiles))
    }

    /// [`open`](Self::open) with other file access, for tests.
    pub fn open_with(
        dir: &Path,
        holder: &str,
        now: UtcMicros,
        files: Arc<dyn Files>,
    ) -> Result<Self, StoreError> {
        for name in ["", "history", "staging", "rejects"] {
            let path = dir.join(name);
            files.create_dir(&path).at("create", &path)?;
        }
        let lock = Lock::take(dir, holder, now)?;
        let state = StateDb::create(dir, files.clone())?;
        let landing_path = dir.join("landing.sqlite");
        let landing_db = open_for_writing(&*files, &landing_path, LANDING)?;
        let mut writer = Writer {
            state,
            landing: open_for_writing(&*files, &landing_path, LANDING)?,
            journal: JournalWriter::default(),
            files: files.clone(),
        };
        let image = writer.state.image()?;
        writer.clear_landed(&landing_path, image.sealed_through)?;
        // Were landing.sqlite lost, its numbers must still go on beyond those sealed.
        writer
            .landing
            .execute(
                "INSERT INTO sqlite_sequence (name, seq) SELECT 'landing', ?1
                 WHERE NOT EXISTS (SELECT 1 FROM sqlite_sequence WHERE name = 'landing')",
                [image.sealed_through],
            )
            .at("write", &landing_path)?;
        writer
            .landing
            .execute(
                "UPDATE sqlite_sequence SET seq = max(seq, ?1) WHERE name = 'landing'",
                [image.sealed_through],
            )
            .at("write", &landing_path)?;
        recover_files(&*files, dir, &mut writer.state, now)?;
        let shared = Arc::new(Shared::new(image.register.clone()));
        let reader = StoreReader::open_with(dir, files.clone())?.beside(shared.clone());
        let (landing, thread) =
            Landing::start(dir, files.clone(), landing_db, shared.clone(), lock)?;
        Ok(Self {
            dir: dir.to_owned(),
            files,
            writer: Mutex::new(writer),
            reader,
            landing: Some(landing),
            thread: Some(thread),
            shared,
        })
    }

    /// Snapshots of this store.
    pub fn reader(&self) -> StoreReader {
        self.reader.clone()
    }

    /// Where what was computed of a day is kept.
    pub fn rollups(&self) -> Rollups {
        Rollups::with(&self.dir, self.files.clone())
    }

    /// Where what the watch would see on each loop is kept: one part a loop.
    pub fn numbers(&self) -> Rollups {
        self.rollups().in_folder("numbers")
    }

    /// Where the collector hands in readings.
    pub fn landing(&self) -> Landing {
        // Present from open to drop.
        self.landing
            .clone()
            .unwrap_or_else(|| Landing::closed(self.shared.clone()))
    }

    pub(crate) fn writer(&self) -> MutexGuard<'_, Writer> {
        self.writer.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What [`register_apply`](Self::register_apply) would change.
    pub fn register_preview(
        &self,
        csv_text: &str,
        now: UtcMicros,
    ) -> Result<RegisterDiff, StoreError> {
        let list = register_csv::parse(Path::new("loops.csv"), csv_text)?;
        let mut writer = self.writer();
        Ok(writer.state.image()?.register.with_list(list, now).1)
    }

    /// Takes a complete `loops.csv` as the register: changed loops hold from `now`, missing ones are retired.
    pub fn register_apply(
        &self,
        csv_text: &str,
        now: UtcMicros,
    ) -> Result<RegisterDiff, StoreError> {
        let list = register_csv::parse(Path::new("loops.csv"), csv_text)?;
        self.change_register(|register| register.with_list(list, now))
    }

    /// Enters loops that a gateway showed (`confirmed: false`). Loops that a person confirmed stay as they are.
    pub fn enter_loops(
        &self,
        entries: Vec<LoopEntry>,
        now: UtcMicros,
    ) -> Result<RegisterDiff, StoreError> {
        self.change_register(|register| register.with_shown(entries, now))
    }

    /// Changes or adds one loop as a person gives it; without `valid_from` a change holds from `now`.
    pub fn update_loop(
        &self,
        entry: LoopEntry,
        now: UtcMicros,
    ) -> Result<RegisterDiff, StoreError> {
        self.change_register(|register| register.with_entry(entry, now))
    }

    /// Announces work; windows that are known already change nothing.
    pub fn announce_work(&self, windows: &[WorkWindow]) -> Result<(), StoreError> {
        self.writer().state.commit(&Change {
            work: windows,
            ..Change::default()
        })
    }

    fn change_register(
        &self,
        change: impl FnOnce(&Register) -> (Register, RegisterDiff),
    ) -> Result<RegisterDiff, StoreError> {
        let mut writer = self.writer();
        let image = writer.state.image()?;
        let (register, diff) = change(&image.register);
        if !diff.is_empty() {
            let register = Arc::new(register);
            let change = Change {
                register: Some(&register),
                ..Change::default()
            };
            self.commit(&mut writer, &change)?;
            self.set_register(register);
        }
        Ok(diff)
    }

    pub(crate) fn set_register(&self, register: Arc<Register>) {
        self.shared.set_register(register);
    }

    /// Publishes staged files and records them: all become visible, or none.
    pub(crate) fn record(
        &self,
        writer: &mut Writer,
        mut stage: Stage,
        change: Change<'_>,
    ) -> Result<(), StoreError> {
        stage.publish()?;
        let parts = stage.parts().to_vec();
        let before = writer.state.generation()?;
        let done = self.commit(
            writer,
            &Change {
                added: &parts,
                ..change
            },
        );
        // A commit that failed may still have reached the disk; then its files count and must stay.
        if done.is_ok() || writer.state.generation().map_or(true, |now| now != before) {
            stage.keep();
        }
        done
    }

    pub(crate) fn commit(
        &self,
        writer: &mut Writer,
        change: &Change<'_>,
    ) -> Result<(), StoreError> {
        let done = writer.state.commit(change);
        if let (true, Some(_)) = (done.is_err(), change.register) {
            // It may have reached the disk all the same: the landing goes by what is there.
            if let Ok(image) = writer.state.image() {
                self.set_register(image.register);
            }
        }
        done
    }

    pub(crate) fn remove_replaced(
        &self,
        writer: &mut Writer,
        now: UtcMicros,
    ) -> Result<(), StoreError> {
        remove_replaced(
            &*self.files,
            &self.dir,
            &writer.state,
            now.0.saturating_sub(GRACE_US),
        )
    }
}

impl Writer {
    pub(crate) fn clear_landed(&mut self, path: &Path, through: i64) -> Result<(), StoreError> {
        self.files
            .transaction(path, Moment::Before)
            .at("clear", path)?;
        self.landing
            .execute("DELETE FROM landing WHERE seq <= ?1", [through])
            .at("clear", path)?;
        self.files
            .transaction(path, Moment::After)
            .at("clear", path)
    }
}

impl Drop for Store {
    fn drop(&mut self) {
        // With other holders of the landing alive the writer thread goes on; the last of them ends it.
        let last = self.landing.take().is_some_and(Landing::close);
        if let (true, Some(thread)) = (last, self.thread.take()) {
            let _ = thread.join();
        }
    }
}

fn recover_files(
    files: &dyn Files,
    dir: &Path,
    state: &mut StateDb,
    now: UtcMicros,
) -> Result<(), StoreError> {
    remove_replaced(files, dir, state, i64::MAX)?;
    let staging = dir.join("staging");
    for path in files.list(&staging).at("list", &staging)? {
        files.remove(&path).at("remove", &path)?;
    }
    let history = dir.join("history");
    for path in files.list(&history).at("list", &history)? {
        let Some(name) = path.file_name().map(|n| n.to_string_lossy().into_owned()) else {
            continue;
        };
        if state.has_part(&name)? {
            continue;
        }
        let aside = dir.join("set-aside");
        files.create_dir(&aside).at("create", &aside)?;
        let to = aside.join(format!("{}.{name}", now.0));
        tracing::warn!(
            "set aside {}: the manifest does not list it",
            path.display()
        );
        files.rename(&path, &to).at("set aside", &path)?;
    }
    Ok(())
}

fn remove_replaced(
    files: &dyn Files,
    dir: &Path,
    state: &StateDb,
    before: i64,
) -> Result<(), StoreError> {
    let names = state.replaced_before(before)?;
    for name in &names {
        let path = dir.join("history").join(name);
        files.remove(&path).at("remove", &path)?;
    }
    state.forget_replaced(&names)
}
