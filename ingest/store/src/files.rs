//! The one way the store touches files, small enough that a test can fail the n-th call.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// A file being written.
pub trait FileOut: Write + Send {
    /// Returns when the content is on the disk.
    fn sync(&mut self) -> io::Result<()>;
}

/// What the store needs of a file system.
pub trait Files: Send + Sync + std::fmt::Debug {
    fn create_dir(&self, dir: &Path) -> io::Result<()>;
    /// New file, or an emptied one.
    fn create(&self, path: &Path) -> io::Result<Box<dyn FileOut>>;
    /// Opens for writing at the end; creates.
    fn append(&self, path: &Path) -> io::Result<Box<dyn FileOut>>;
    fn open(&self, path: &Path) -> io::Result<File>;
    /// Returns when what was written to a file, by whomever, is on the disk.
    fn sync(&self, path: &Path) -> io::Result<()>;
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;
    fn remove(&self, path: &Path) -> io::Result<()>;
    /// Makes created and renamed names of a folder durable.
    fn sync_dir(&self, dir: &Path) -> io::Result<()>;
    /// Plain files of a folder, by name in byte order; empty if the folder does not exist.
    fn list(&self, dir: &Path) -> io::Result<Vec<PathBuf>>;
    /// Removes a folder with all that is in it.
    fn remove_dir(&self, dir: &Path) -> io::Result<()>;
    /// Called before and after each transaction that writes to the database `db`. SQLite does its own file access, so
    /// there is nothing to do here; tests stop or fail the store at these moments.
    fn transaction(&self, db: &Path, moment: Moment) -> io::Result<()> {
        let _ = (db, moment);
        Ok(())
    }
}

/// Where a transaction is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moment {
    /// Nothing of it is written.
    Before,
    /// It is on the disk; nobody was told.
    After,
}

/// The file system of this machine.
#[derive(Debug, Clone, Copy, Default)]
pub struct RealFiles;

impl FileOut for File {
    fn sync(&mut self) -> io::Result<()> {
        self.sync_all()
    }
}

impl Files for RealFiles {
    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        fs::create_dir_all(dir)
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn FileOut>> {
        Ok(Box::new(File::create(path)?))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn FileOut>> {
        Ok(Box::new(
            OpenOptions::new().create(true).append(true).open(path)?,
        ))
    }

    fn open(&self, path: &Path) -> io::Result<File> {
        File::open(path)
    }

    fn sync(&self, path: &Path) -> io::Result<()> {
        OpenOptions::new().write(true).open(path)?.sync_all()
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        match fs::remove_file(path) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(()),
            other => other,
        }
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        // Only Unix can open a folder for this; elsewhere the rename itself is journalled.
        if cfg!(unix) {
            File::open(dir)?.sync_all()
        } else {
            Ok(())
        }
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<PathBuf>> {
        let entries = match fs::read_dir(dir) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            other => other?,
        };
        let mut found = Vec::new();
        for entry in entries {
            let entry = entry?;
            // Follows links: a readings folder may be made of them.
            if entry.path().is_file() {
                found.push(entry.path());
            }
        }
        found.sort_by(|a, b| name_bytes(a).cmp(name_bytes(b)));
        Ok(found)
    }

    fn remove_dir(&self, dir: &Path) -> io::Result<()> {
        match fs::remove_dir_all(dir) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(()),
            other => other,
        }
    }
}

fn name_bytes(path: &Path) -> &[u8] {
    path.file_name().map_or(&[], |n| n.as_encoded_bytes())
}
