//! The n-th file access fails, alone or with all after it (a crash): nothing accepted is lost, nothing counts twice, and
//! an import is there as a whole or not at all.

mod common;

use common::*;
use ingest_model::{Reading, UtcMicros};
use ingest_store::Store;
use ingest_store::files::{FileOut, Files, RealFiles};
use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

#[derive(Debug, Clone)]
struct Faulty {
    left: Arc<AtomicI64>,
    crash: bool,
}

impl Faulty {
    fn call(&self) -> io::Result<()> {
        let left = self.left.fetch_sub(1, Ordering::SeqCst);
        let fails = if self.crash { left <= 0 } else { left == 0 };
        if fails {
            Err(io::Error::other("injected"))
        } else {
            Ok(())
        }
    }
}

struct FaultyOut(Faulty, Box<dyn FileOut>);

impl Write for FaultyOut {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        if let Err(e) = self.0.call() {
            // Torn: a part of it is there.
            self.1.write_all(&buf[..buf.len() / 2])?;
            return Err(e);
        }
        self.1.write(buf)
    }
    fn flush(&mut self) -> io::Result<()> {
        self.1.flush()
    }
}

impl FileOut for FaultyOut {
    fn sync(&mut self) -> io::Result<()> {
        self.0.call()?;
        self.1.sync()
    }
}

impl Files for Faulty {
    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        self.call()?;
        RealFiles.create_dir(dir)
    }
    fn create(&self, path: &Path) -> io::Result<Box<dyn FileOut>> {
        self.call()?;
        Ok(Box::new(FaultyOut(self.clone(), RealFiles.create(path)?)))
    }
    fn append(&self, path: &Path) -> io::Result<Box<dyn FileOut>> {
        self.call()?;
        Ok(Box::new(FaultyOut(self.clone(), RealFiles.append(path)?)))
    }
    fn open(&self, path: &Path) -> io::Result<File> {
        self.call()?;
        RealFiles.open(path)
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.call()?;
        RealFiles.rename(from, to)
    }
    fn remove(&self, path: &Path) -> io::Result<()> {
        self.call()?;
        RealFiles.remove(path)
    }
    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        self.call()?;
        RealFiles.sync_dir(dir)
    }
    fn list(&self, dir: &Path) -> io::Result<Vec<PathBuf>> {
        self.call()?;
        RealFiles.list(dir)
    }
}

fn land(store: &Store, n: i64) -> bool {
    let reading = Reading {
        pv: n as f64,
        ..Reading::empty(UtcMicros(n))
    };
    store.landing().append(vec![(tag("FT-1"), reading)]).is_ok()
}

fn copy(from: &Path, to: &Path) {
    let _ = std::fs::remove_dir_all(to);
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap().map(Result::unwrap) {
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &target)
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

#[test]
fn any_failing_access_leaves_a_store_that_is_whole() {
    let dir = tempfile::tempdir().unwrap();
    // Two files of two days, one reject; after it the ninth seal of a day, which joins its files.
    let site = site(
        dir.path(),
        &[
            ("loops.csv", LOOPS),
            (
                "readings/a.csv",
                "time,tag,pv\n2026-03-02T00:00:00Z,PT-2,1\n2026-03-03T00:00:00Z,PT-2,2\n",
            ),
            (
                "readings/b.csv",
                "time,tag,pv\n2026-03-02T00:00:01Z,PT-2,3\n2026-03-03T00:00:00Z,XX,2\n",
            ),
        ],
    );
    let base = dir.path().join("base");
    {
        let store = Store::open(&base, "test", now()).unwrap();
        store.register_apply(LOOPS, now()).unwrap();
        for n in 0..8 {
            assert!(land(&store, n));
            store.seal(now()).unwrap();
        }
    }
    let work = dir.path().join("work");
    for crash in [false, true] {
        let mut completed = false;
        for n in 0.. {
            copy(&base, &work);
            let faulty = Faulty {
                left: Arc::new(AtomicI64::new(n)),
                crash,
            };
            let (mut imported, mut landed, mut sealed, mut told) = (false, false, false, 0);
            if let Ok(store) = Store::open_with(&work, "test", now(), Arc::new(faulty.clone())) {
                told += usize::from(store.journal_append(&["before".to_owned()]).is_ok());
                imported = import(&store, &site).is_ok();
                landed = land(&store, 8);
                told += usize::from(store.journal_append(&["after".to_owned()]).is_ok());
                sealed = store.seal(now()).is_ok();
            }
            completed = faulty.left.load(Ordering::SeqCst) > 0;
            let store = Store::open(&work, "test", now()).unwrap();
            let snapshot = store.reader().snapshot().unwrap();
            let rows = flat(&snapshot);
            // What was told is in the journal whatever else failed.
            let journal = store.reader().journal(0).unwrap();
            assert_eq!(journal.len(), told, "call {n}, crash {crash}");
            let of = |t: &str| rows.iter().filter(|r| r.0 == t).count();
            assert_eq!(
                of("FT-1"),
                8 + usize::from(landed),
                "call {n}, crash {crash}, sealed {sealed}"
            );
            assert_eq!(
                (of("PT-2"), snapshot.rejected()),
                if imported { (3, 1) } else { (0, 0) },
                "call {n}, crash {crash}"
            );
            // What failed can be done again.
            import(&store, &site).unwrap();
            land(&store, 8);
            store.seal(now()).unwrap();
            let snapshot = store.reader().snapshot().unwrap();
            assert_eq!(
                (flat(&snapshot).len(), snapshot.rejected()),
                (12, 1),
                "call {n}, crash {crash}"
            );
            if completed {
                assert!(imported && landed && sealed && n > 30, "{n}");
                break;
            }
        }
        assert!(completed);
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
