//! Judges a store that was stopped somewhere by a log that was kept outside of it.

use super::script::*;
use super::*;
use arrow_array::cast::AsArray;
use arrow_array::types::{Int32Type, TimestampMicrosecondType, UInt16Type};
use ingest_store::StoreReader;
use ingest_store::files::RealFiles;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// What the log says.
#[derive(Debug, Default, Clone)]
pub struct Journal {
    pub tried: BTreeSet<String>,
    pub done: BTreeSet<String>,
    pub failed: BTreeMap<String, String>,
    /// Batches handed in, accepted, and seen by a reader.
    pub offered: BTreeSet<i64>,
    pub accepted: BTreeSet<i64>,
    pub seen: BTreeSet<i64>,
    /// Lines that must not be there.
    pub bad: Vec<String>,
    /// The step that was under way.
    pub last: String,
}

impl Journal {
    /// Of a store made by [`base`].
    pub fn of_base() -> Self {
        let batches: BTreeSet<i64> = (0..BASE_BATCHES).collect();
        Self {
            offered: batches.clone(),
            accepted: batches.clone(),
            seen: batches,
            ..Self::default()
        }
    }

    pub fn note(&mut self, line: &str) {
        let (word, rest) = line.split_once(' ').unwrap_or((line, ""));
        let number = |t: &str| t.trim_start_matches("append ").parse::<i64>().ok();
        match word {
            "try" => {
                self.last = rest.to_owned();
                self.tried.insert(rest.to_owned());
                self.offered.extend(number(rest));
            }
            "done" => {
                self.done.insert(rest.to_owned());
                self.accepted.extend(number(rest));
            }
            "fail" => {
                let (step, why) = rest.split_once(": ").unwrap_or((rest, ""));
                self.failed.insert(step.to_owned(), why.to_owned());
            }
            "seen" => self.seen.extend(number(rest)),
            _ => self.bad.push(line.to_owned()),
        }
    }
}

/// Checks a stopped store: what a reader beside it sees, then what a new opening makes of it.
/// `extra_rows` are there besides the batches and the script's import. Returns the names set aside.
pub fn check_stopped(store: &Path, journal: &Journal, what: &str) -> Vec<String> {
    assert_eq!(journal.bad, [""; 0], "{what}");
    // A store that never came to be has nothing to lose.
    let before = if store.join("state.sqlite").is_file() && tables(store) {
        check_rows(
            &StoreReader::open(store).unwrap().snapshot().unwrap(),
            journal,
            &format!("{what}, beside"),
        );
        unlisted(store)
    } else {
        assert!(journal.accepted.is_empty(), "{what}");
        assert!(StoreReader::open(store).is_err(), "{what}");
        Vec::new()
    };
    let aside = names(&store.join("set-aside"));
    let opened =
        open_patiently(store, Arc::new(RealFiles)).unwrap_or_else(|e| panic!("{what}: {e}"));
    check_rows(&opened.reader().snapshot().unwrap(), journal, what);
    drop(opened);
    check_folders(store, what);
    check_once_on_disk(store, what);
    let new: Vec<String> = names(&store.join("set-aside"))
        .into_iter()
        .filter(|n| !aside.contains(n))
        .collect();
    for name in &before {
        assert!(
            new.iter().any(|n| n.ends_with(name.as_str())),
            "{what}: {name} was not listed and is not set aside"
        );
    }
    assert_eq!(new.len(), before.len(), "{what}: {new:?} set aside");
    new
}

/// Every accepted or seen batch is there as a whole, with its values; one that was only offered as a whole or not at all.
pub fn check_rows(snapshot: &Snapshot, journal: &Journal, what: &str) {
    let mut found: BTreeMap<(String, i64), String> = BTreeMap::new();
    let mut others = 0;
    for (tag, columns) in all(snapshot) {
        for n in 0..columns.len() {
            let row = columns.row(n);
            others += usize::from(row.time.0 >= 3 * DAY_US);
            let twice = found.insert((tag.to_string(), row.time.0), format!("{row:?}"));
            assert_eq!(twice, None, "{what}: {tag} {} twice", row.time);
        }
    }
    let rows: Vec<(String, i64, String)> = found
        .keys()
        .map(|(t, time)| (t.clone(), *time, String::new()))
        .collect();
    let (whole, partial) = batches_in(&rows);
    assert_eq!(partial, BTreeSet::new(), "{what}: batches in part");
    for b in journal.accepted.union(&journal.seen) {
        assert!(whole.contains(b), "{what}: batch {b} is lost");
    }
    for b in &whole {
        assert!(
            journal.offered.contains(b),
            "{what}: batch {b} from nowhere"
        );
        for (tag, reading) in batch(*b).into_iter().take(OWN_ROWS) {
            let row = &found[&(tag.to_string(), reading.time.0)];
            assert_eq!(row, &format!("{reading:?}"), "{what}: {tag} of batch {b}");
        }
    }
    // The row that every batch has: of the last batch that is there. (After a failure the order of acceptance is another.)
    if let Some(last) = whole.last() {
        let row = &found[&(SHARED.0.to_owned(), SHARED.1)];
        let of = |b: &i64| format!("{:?}", batch(*b)[OWN_ROWS].1);
        let right = if journal.failed.is_empty() {
            *row == of(last)
        } else {
            whole.iter().any(|b| *row == of(b))
        };
        assert!(right, "{what}: the row of all batches is {row}");
    }
    // Import, register and work: as a whole or not at all, and there once acknowledged.
    let either = |step: &str, there: bool| {
        assert!(there || !journal.done.contains(step), "{what}: {step} lost");
        assert!(
            !there || journal.tried.contains(step),
            "{what}: {step} from nowhere"
        );
    };
    let register = snapshot.register();
    let work = |note: &str| snapshot.work().iter().filter(|w| w.note == note).count();
    let import = (
        others,
        register.contains(&tag("LT-4")),
        work("from the site"),
        snapshot.rejected(),
    );
    let whole = (IMPORTED_ROWS, true, 1, 1);
    assert!(
        import == whole || import == (0, false, 0, 0),
        "{what}: import in part: {import:?}"
    );
    either("import", import == whole);
    either("register", register.contains(&tag("XT-9")));
    either("work", work("stop") == 1);
    assert!(work("stop") <= 1, "{what}");
}

/// Every row of a batch is once in all that counts on the disk: listed day files and landed batches not sealed.
/// (Readers would not show a repeat; the rows that every batch brings anew are left out.)
pub fn check_once_on_disk(store: &Path, what: &str) {
    let mut count: BTreeMap<(String, i64), usize> = BTreeMap::new();
    for name in listed(store, "parts") {
        let file = fs::File::open(store.join("history").join(&name)).unwrap();
        let reader = ParquetRecordBatchReaderBuilder::try_new(file).unwrap();
        for batch in reader.build().unwrap() {
            let batch = batch.unwrap();
            let time = batch
                .column(0)
                .as_primitive::<TimestampMicrosecondType>()
                .clone();
            let tags = batch.column(1).as_string::<i32>();
            for (time, tag) in time.values().iter().zip(tags) {
                *count.entry((tag.unwrap().to_owned(), *time)).or_default() += 1;
            }
        }
    }
    let landing = rusqlite::Connection::open(store.join("landing.sqlite")).unwrap();
    let mut query = landing
        .prepare("SELECT batch FROM landing WHERE seq > ?1")
        .unwrap();
    let blobs: Vec<Vec<u8>> = query
        .query_map([sealed_through(store)], |r| r.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    for blob in blobs {
        for batch in arrow_ipc::reader::StreamReader::try_new(&*blob, None).unwrap() {
            let batch = batch.unwrap();
            let from: i64 = batch.schema().metadata()["from"].parse().unwrap();
            let times: Vec<i64> = match batch.column(0).as_primitive_opt::<Int32Type>() {
                Some(after) => after
                    .values()
                    .iter()
                    .map(|t| from + i64::from(*t))
                    .collect(),
                None => {
                    let time = batch.column(0).as_primitive::<TimestampMicrosecondType>();
                    time.values().to_vec()
                }
            };
            let tags = batch.column(1).as_dictionary::<UInt16Type>();
            let names = tags.values().as_string::<i32>();
            for (time, key) in times.iter().zip(tags.keys().values()) {
                let tag = names.value(usize::from(*key)).to_owned();
                *count.entry((tag, *time)).or_default() += 1;
            }
        }
    }
    for ((tag, time), n) in count {
        if batch_of(&tag, time).is_some() {
            assert_eq!(n, 1, "{what}: {tag} {time} is {n} times on the disk");
        }
    }
}

fn check_folders(store: &Path, what: &str) {
    assert_eq!(names(&store.join("staging")), [""; 0], "{what}");
    let mut expected = listed(store, "parts");
    expected.extend(listed(store, "replaced"));
    expected.sort();
    assert_eq!(names(&store.join("history")), expected, "{what}");
}

/// Files in `history/` that the manifest does not know.
fn unlisted(store: &Path) -> Vec<String> {
    let mut known = listed(store, "parts");
    known.extend(listed(store, "replaced"));
    let mut found = names(&store.join("history"));
    found.retain(|n| !known.contains(n));
    found
}

fn state(store: &Path) -> rusqlite::Connection {
    rusqlite::Connection::open(store.join("state.sqlite")).unwrap()
}

fn tables(store: &Path) -> bool {
    let has = |db: &str| {
        let conn = rusqlite::Connection::open(store.join(db)).unwrap();
        conn.query_row("PRAGMA user_version", [], |r| r.get::<_, i64>(0))
            .unwrap()
            > 0
    };
    has("state.sqlite") && store.join("landing.sqlite").is_file() && has("landing.sqlite")
}

fn listed(store: &Path, table: &str) -> Vec<String> {
    let conn = state(store);
    let mut query = conn.prepare(&format!("SELECT name FROM {table}")).unwrap();
    let names = query.query_map([], |r| r.get(0)).unwrap();
    names.map(Result::unwrap).collect()
}

fn sealed_through(store: &Path) -> i64 {
    state(store)
        .query_row(
            "SELECT value FROM meta WHERE key = 'sealed_through'",
            [],
            |r| r.get(0),
        )
        .unwrap()
}

/// Names in a folder, in order; none if it is not there.
pub fn names(dir: &Path) -> Vec<String> {
    let Ok(entries) = fs::read_dir(dir) else {
        return Vec::new();
    };
    let mut names: Vec<String> = entries
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

/// Lives the script once more with nothing in the way: all must be there in the end, equal to `reference`.
pub fn check_going_on(store: &Path, site: &Path, reference: &State, what: &str) {
    let snapshot = StoreReader::open(store).unwrap().snapshot().unwrap();
    let (known, _) = batches_in(&flat(&snapshot));
    drop(snapshot);
    let mut journal = Journal::of_base();
    live(store, site, Arc::new(RealFiles), &known, &mut |line| {
        journal.note(line)
    });
    assert_eq!(journal.failed, BTreeMap::new(), "{what}");
    assert_eq!(journal.bad, [""; 0], "{what}");
    assert_eq!(&State::of(store), reference, "{what}: after going on");
    check_once_on_disk(store, what);
}

/// All that a reader sees, but the row that every batch brings anew.
#[derive(Debug, PartialEq)]
pub struct State {
    rows: Vec<String>,
    register: String,
    work: usize,
    rejected: u64,
}

impl State {
    pub fn of(store: &Path) -> Self {
        let snapshot = StoreReader::open(store).unwrap().snapshot().unwrap();
        let rows = all(&snapshot)
            .iter()
            .flat_map(|(tag, c)| (0..c.len()).map(move |n| (tag.to_string(), c.row(n))))
            .filter(|(tag, row)| (tag.as_str(), row.time.0) != SHARED)
            .map(|(tag, row)| format!("{tag} {row:?}"))
            .collect();
        Self {
            rows,
            register: snapshot.register().version(),
            work: snapshot.work().len(),
            rejected: snapshot.rejected(),
        }
    }
}

/// A folder with all below it.
pub fn copy(from: &Path, to: &Path) {
    let _ = fs::remove_dir_all(to);
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &target)
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}
