//! A file system that stops, fails or fills up at a chosen operation, and counts operations.

use ingest_store::files::{FileOut, Files, Moment, RealFiles};
use std::collections::HashMap;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};

/// One operation: what was done, to what kind of place.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Op {
    pub what: &'static str,
    pub place: String,
    /// A power cut before it takes something away.
    pub unsynced: bool,
}

/// When, in operation n, the process ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stop {
    Before,
    /// Of a write: half of it is there.
    Middle,
    After,
    /// Before it, and everything that was not synced is gone: contents, names, removals.
    PowerCut,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Plan {
    Nothing,
    /// Operation n fails, half a write done.
    One(usize),
    /// Operation n and all after it fail: a disk that is gone.
    All(usize),
    /// From operation n on nothing that needs space succeeds.
    Full(usize),
    /// Each write takes at most half of what it is given: the caller must go on.
    Short,
    Kill(usize, Stop),
}

#[derive(Debug, Clone)]
pub struct Trouble {
    plan: Plan,
    inner: Arc<Mutex<Inner>>,
    /// Called before the process ends itself.
    last_words: fn(&str),
}

#[derive(Debug, Default)]
struct Inner {
    ops: Vec<Op>,
    failed: usize,
    healed: bool,
    /// Files with content that is not synced: how much of them is.
    unsynced: HashMap<PathBuf, u64>,
    undo: Vec<Undo>,
    kept: usize,
}

/// A change of names that is not synced yet.
#[derive(Debug)]
enum Undo {
    Rename(PathBuf, PathBuf),
    Remove(PathBuf, PathBuf),
}

impl Trouble {
    pub fn new(plan: Plan) -> Self {
        Self {
            plan,
            inner: Arc::default(),
            last_words: |_| {},
        }
    }

    pub fn with_last_words(plan: Plan, last_words: fn(&str)) -> Self {
        Self {
            last_words,
            ..Self::new(plan)
        }
    }

    pub fn ops(&self) -> Vec<Op> {
        self.inner().ops.clone()
    }

    /// Operations that were made to fail.
    pub fn failed(&self) -> usize {
        self.inner().failed
    }

    /// From now on everything succeeds.
    pub fn heal(&self) {
        self.inner().healed = true;
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap()
    }

    fn die(&self, inner: &mut Inner, op: &Op) -> ! {
        if matches!(self.plan, Plan::Kill(_, Stop::PowerCut)) {
            inner.power_cut();
        }
        (self.last_words)(&format!("{} {}", op.what, op.place));
        std::process::abort()
    }

    /// Counts an operation, and fails or ends it as planned. `half` does a part of it.
    fn around<T>(
        &self,
        what: &'static str,
        path: &Path,
        half: impl FnOnce() -> io::Result<()>,
        whole: impl FnOnce() -> io::Result<T>,
    ) -> io::Result<T> {
        let (n, op) = {
            let mut inner = self.inner();
            let op = Op {
                what,
                place: place(path),
                unsynced: !inner.unsynced.is_empty() || !inner.undo.is_empty(),
            };
            inner.ops.push(op.clone());
            (inner.ops.len() - 1, op)
        };
        let needs_space = matches!(what, "create" | "append" | "write" | "sync" | "begin");
        let error = match self.plan {
            _ if self.inner().healed => None,
            Plan::One(k) if n == k => Some(io::Error::other("injected")),
            Plan::All(k) if n >= k => Some(io::Error::other("injected")),
            // ENOSPC
            Plan::Full(k) if n >= k && needs_space => Some(io::Error::from_raw_os_error(28)),
            _ => None,
        };
        if let Some(error) = error {
            self.inner().failed += 1;
            half()?;
            return Err(error);
        }
        if let Plan::Kill(k, stop) = self.plan
            && n == k
        {
            match stop {
                Stop::Before | Stop::PowerCut => self.die(&mut self.inner(), &op),
                Stop::Middle => {
                    half()?;
                    self.die(&mut self.inner(), &op)
                }
                Stop::After => {
                    whole()?;
                    self.die(&mut self.inner(), &op)
                }
            }
        }
        whole()
    }

    fn plain<T>(
        &self,
        what: &'static str,
        path: &Path,
        whole: impl FnOnce() -> io::Result<T>,
    ) -> io::Result<T> {
        self.around(what, path, || Ok(()), whole)
    }

    fn out(&self, path: &Path, file: Box<dyn FileOut>) -> Box<dyn FileOut> {
        let length = fs::metadata(path).map_or(0, |m| m.len());
        self.inner().unsynced.insert(path.to_owned(), length);
        Box::new(Out {
            trouble: self.clone(),
            path: path.to_owned(),
            file,
        })
    }
}

impl Inner {
    fn power_cut(&mut self) {
        for (path, length) in &self.unsynced {
            if let Ok(file) = OpenOptions::new().write(true).open(path) {
                file.set_len(*length).unwrap();
            }
        }
        for undo in self.undo.drain(..).rev() {
            let (Undo::Rename(old, now) | Undo::Remove(old, now)) = undo;
            fs::rename(now, old).unwrap();
        }
    }
}

/// Kind of place: the folder, or the database's name.
fn place(path: &Path) -> String {
    let name = |p: &Path| {
        p.file_name()
            .map_or(String::new(), |n| n.to_string_lossy().into_owned())
    };
    let own = name(path);
    if own.ends_with(".sqlite") || !own.contains('.') {
        own
    } else {
        format!("in {}", path.parent().map_or(String::new(), name))
    }
}

struct Out {
    trouble: Trouble,
    path: PathBuf,
    file: Box<dyn FileOut>,
}

impl Write for Out {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        let (trouble, path) = (self.trouble.clone(), self.path.clone());
        let some = if trouble.plan == Plan::Short && buf.len() > 1 {
            &buf[..buf.len() / 2]
        } else {
            buf
        };
        let file = std::cell::RefCell::new(&mut self.file);
        trouble.around(
            "write",
            &path,
            || file.borrow_mut().write_all(&buf[..buf.len() / 2]),
            || file.borrow_mut().write(some),
        )
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl FileOut for Out {
    fn sync(&mut self) -> io::Result<()> {
        let (trouble, path) = (self.trouble.clone(), self.path.clone());
        trouble.plain("sync", &path, || self.file.sync())?;
        trouble.inner().unsynced.remove(&path);
        Ok(())
    }
}

impl Files for Trouble {
    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        self.plain("create folder", dir, || RealFiles.create_dir(dir))
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn FileOut>> {
        let file = self.plain("create", path, || RealFiles.create(path))?;
        Ok(self.out(path, file))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn FileOut>> {
        let file = self.plain("append", path, || RealFiles.append(path))?;
        Ok(self.out(path, file))
    }

    fn open(&self, path: &Path) -> io::Result<File> {
        self.plain("open", path, || RealFiles.open(path))
    }

    fn sync(&self, path: &Path) -> io::Result<()> {
        self.plain("sync", path, || RealFiles.sync(path))?;
        self.inner().unsynced.remove(path);
        Ok(())
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.plain("rename", to, || RealFiles.rename(from, to))?;
        let mut inner = self.inner();
        if let Some(length) = inner.unsynced.remove(from) {
            inner.unsynced.insert(to.to_owned(), length);
        }
        inner
            .undo
            .push(Undo::Rename(from.to_owned(), to.to_owned()));
        Ok(())
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.plain("remove", path, || {
            if matches!(self.plan, Plan::Kill(..) | Plan::Nothing) && path.is_file() {
                // Kept under another name until the folder is synced.
                let mut inner = self.inner();
                inner.kept += 1;
                let store = path.ancestors().nth(2).unwrap_or(path);
                let kept = store.join("kept").join(inner.kept.to_string());
                fs::create_dir_all(store.join("kept"))?;
                fs::hard_link(path, &kept)?;
                inner.undo.push(Undo::Remove(path.to_owned(), kept));
                inner.unsynced.remove(path);
            }
            RealFiles.remove(path)
        })
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        self.plain("sync folder", dir, || RealFiles.sync_dir(dir))?;
        self.inner().undo.retain(|u| {
            let (Undo::Rename(_, at) | Undo::Remove(at, _)) = u;
            at.parent() != Some(dir)
        });
        Ok(())
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<PathBuf>> {
        self.plain("list", dir, || RealFiles.list(dir))
    }

    fn remove_dir(&self, dir: &Path) -> io::Result<()> {
        self.plain("remove folder", dir, || RealFiles.remove_dir(dir))
    }

    fn transaction(&self, db: &Path, moment: Moment) -> io::Result<()> {
        let what = match moment {
            Moment::Before => "begin",
            Moment::After => "end",
        };
        self.plain(what, db, || Ok(()))
    }
}
