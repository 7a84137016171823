//! Every file access and every transaction fails once, alone, with all after it, or as on a full disk: nothing accepted is
//! lost, nothing counts twice, an import is there as a whole or not at all, and the same open store goes on afterwards.

mod common;

use common::judge::*;
use common::script::*;
use common::trouble::*;
use common::*;
use ingest_store::files::{FileOut, Files, RealFiles};
use ingest_store::{Store, StoreReader};
use std::collections::BTreeSet;
use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

struct Setting {
    dir: tempfile::TempDir,
    base: PathBuf,
    site: PathBuf,
    ops: usize,
    reference: State,
}

fn setting() -> Setting {
    let dir = fast_dir();
    let (first, site) = (dir.path().join("base"), site_of_script(dir.path()));
    base(&first);
    let store = dir.path().join("undisturbed/store");
    copy(&first, &store);
    let files = Trouble::new(Plan::Nothing);
    let mut journal = Journal::of_base();
    live(
        &store,
        &site,
        Arc::new(files.clone()),
        &BTreeSet::new(),
        &mut |l| journal.note(l),
    );
    assert!(journal.failed.is_empty(), "{:?}", journal.failed);
    Setting {
        base: first,
        site,
        ops: files.ops().len(),
        reference: State::of(&store),
        dir,
    }
}

/// Lives the script with trouble, then once more in the same process when it is over, then opens anew.
/// Returns the steps that failed.
fn suffer(s: &Setting, store: &Path, plan: Plan) -> Journal {
    let what = format!("{plan:?}");
    copy(&s.base, store);
    let files = Trouble::new(plan);
    let mut journal = Journal::of_base();
    let opened = match Store::open_with(store, "test", now(), Arc::new(files.clone())) {
        Ok(store) => store,
        Err(e) => {
            journal.note(&format!("fail open: {e}"));
            check_rows(
                &StoreReader::open(store).unwrap().snapshot().unwrap(),
                &journal,
                &what,
            );
            files.heal();
            Store::open_with(store, "test", now(), Arc::new(files.clone()))
                .unwrap_or_else(|e| panic!("{what}: {e}"))
        }
    };
    let known = BTreeSet::new();
    let mut log = |line: &str| journal.note(line);
    steps(&s.site, &opened, &known, &mut log, &mut |_| {});
    let snapshot = StoreReader::open(store).unwrap().snapshot().unwrap();
    check_rows(&snapshot, &journal, &what);
    let (known, _) = batches_in(&flat(&snapshot));
    drop(snapshot);
    files.heal();
    let mut again = journal.clone();
    again.failed.clear();
    let mut log = |line: &str| again.note(line);
    steps(&s.site, &opened, &known, &mut log, &mut |_| {});
    assert!(again.failed.is_empty(), "{what}: {:?}", again.failed);
    assert_eq!(&State::of(store), &s.reference, "{what}: the same process");
    drop(opened);
    // The order of acceptance may be another than that of the numbers.
    again.failed = journal.failed.clone();
    check_stopped(store, &again, &what);
    assert_eq!(&State::of(store), &s.reference, "{what}: opened anew");
    journal
}

fn every(plan: fn(usize) -> Plan) -> BTreeSet<String> {
    let s = setting();
    assert!(s.ops > 100, "{}", s.ops);
    let mut failed = BTreeSet::new();
    for n in 0..s.ops {
        let store = s.dir.path().join("work/store");
        let journal = suffer(&s, &store, plan(n));
        if matches!(plan(n), Plan::Full(_)) {
            for (step, why) in &journal.failed {
                assert!(
                    why.contains("No space left"),
                    "operation {n}, {step}: {why}"
                );
            }
        }
        failed.extend(journal.failed.into_keys());
    }
    failed
}

/// Every step of the script failed at some n.
fn all_steps() -> BTreeSet<String> {
    [
        "open",
        "append 18",
        "append 19",
        "append 20",
        "append 21",
        "import",
        "register",
        "seal",
        "work",
    ]
    .map(str::to_owned)
    .into()
}

#[test]
fn any_single_failure_leaves_a_store_that_is_whole() {
    assert_eq!(every(Plan::One), all_steps());
}

#[test]
fn a_disk_that_goes_away_at_any_operation_leaves_a_store_that_is_whole() {
    assert_eq!(every(Plan::All), all_steps());
}

#[test]
fn a_disk_that_is_full_from_any_operation_on_is_named_and_leaves_a_store_that_is_whole() {
    assert_eq!(every(Plan::Full), all_steps());
}

#[test]
fn short_writes_change_nothing() {
    let s = setting();
    let store = s.dir.path().join("work/store");
    let journal = suffer(&s, &store, Plan::Short);
    assert!(journal.failed.is_empty(), "{:?}", journal.failed);
    let plain = s.dir.path().join("undisturbed/store/history");
    for name in names(&plain) {
        let short = store.join("history").join(&name);
        // The other life went on for longer; what both have is equal.
        if let Ok(bytes) = std::fs::read(short) {
            assert!(bytes == std::fs::read(plain.join(&name)).unwrap(), "{name}");
        }
    }
}

/// Somebody still writes to `a.csv`: it grows between two looks at it.
#[derive(Debug)]
struct Growing(AtomicI64);

impl Files for Growing {
    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        RealFiles.create_dir(dir)
    }
    fn create(&self, path: &Path) -> io::Result<Box<dyn FileOut>> {
        RealFiles.create(path)
    }
    fn append(&self, path: &Path) -> io::Result<Box<dyn FileOut>> {
        RealFiles.append(path)
    }
    fn open(&self, path: &Path) -> io::Result<File> {
        if path.ends_with("a.csv") && self.0.fetch_add(1, Ordering::SeqCst) < 3 {
            RealFiles
                .append(path)?
                .write_all(b"2026-03-02T00:00:01Z,FT-1,3\n")?;
        }
        RealFiles.open(path)
    }
    fn sync(&self, path: &Path) -> io::Result<()> {
        RealFiles.sync(path)
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        RealFiles.rename(from, to)
    }
    fn remove(&self, path: &Path) -> io::Result<()> {
        RealFiles.remove(path)
    }
    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        RealFiles.sync_dir(dir)
    }
    fn list(&self, dir: &Path) -> io::Result<Vec<PathBuf>> {
        RealFiles.list(dir)
    }
    fn remove_dir(&self, dir: &Path) -> io::Result<()> {
        RealFiles.remove_dir(dir)
    }
}

#[test]
fn a_file_that_changes_while_it_is_read_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let site = site(
        dir.path(),
        &[
            ("loops.csv", LOOPS),
            ("readings/a.csv", "time,tag,pv\n"),
            ("readings/note.txt", ""),
        ],
    );
    let store = Store::open_with(
        &dir.path().join("store"),
        "test",
        now(),
        Arc::new(Growing(AtomicI64::new(0))),
    )
    .unwrap();
    let error = import(&store, &site).unwrap_err().to_string();
    assert!(error.contains("a.csv changed while it was read"), "{error}");
    assert!(store.reader().snapshot().unwrap().register().is_empty());
    let report = import(&store, &site).unwrap();
    assert_eq!(
        (report.readings, report.files_ignored),
        (1, vec!["note.txt".to_owned()])
    );
}
