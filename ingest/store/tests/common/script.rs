//! A piece of a store's life that goes through every operation that changes it, told line by line to a log outside.
//!
//! Readings follow from the number of their batch alone, so whoever has the log knows what must be in the store.

use super::*;
use ingest_model::{LoopEntry, Reading};
use ingest_store::files::Files;
use ingest_store::{StoreReader, WorkWindow};
use std::collections::BTreeSet;
use std::sync::Arc;

pub const DAY_US: i64 = 86_400_000_000;
/// Batches that [`base`] leaves accepted; the script hands in the others.
pub const BASE_BATCHES: i64 = 18;
pub const BATCHES: i64 = 22;
/// Rows of a batch that no other batch has.
pub const OWN_ROWS: usize = 3;
/// A row of this tag and time is in every batch; the last one stands.
pub const SHARED: (&str, i64) = ("TT-3", 5);

/// The register that the script's import brings: one loop more.
const MORE_LOOPS: &str =
    "tag,pv_unit,lrv,urv\nFT-1,L/min,0,900\nPT-2,bar,0,10\nTT-3,degC,-50,150\nLT-4,m,0,6\n";
pub const IMPORTED_ROWS: usize = 4;

/// Rows of batch `b`: two days a batch, all columns filled or missing by turns, and the shared row.
pub fn batch(b: i64) -> Vec<(Tag, Reading)> {
    let row = |time: i64, k: i64| Reading {
        time: UtcMicros(time),
        pv: b as f64 + k as f64 / 8.0,
        sv: if k == 1 { f64::NAN } else { -(b as f64) / 3.0 },
        tv: f64::NAN,
        qv: 1e-300 * b as f64,
        reported_ma: 4.0 + k as f64,
        analog_ma: 4.0 + 0.1 * b as f64,
        analog_time: (k != 2).then_some(UtcMicros(time - 250)),
        response_code: (k != 1).then_some(0),
        device_status: Some((b % 256) as u8),
        extended_status: None,
        pv_status: Some(0xC0),
        exchanges: Some(u32::MAX - b as u32),
        comm_errors: (k == 0).then_some(b as u32),
        config_changes: Some(b as u16),
    };
    let day = if b < 9 { 0 } else { DAY_US };
    vec![
        (tag("FT-1"), row(day + b * 1_000, 0)),
        (tag("PT-2"), row(day + b * 1_000 + 1, 1)),
        // A third day, late: a second one to be joined would only repeat the first.
        (
            tag("FT-1"),
            row(if b < 14 { day } else { 2 * DAY_US } + b * 1_000 + 2, 2),
        ),
        (tag(SHARED.0), row(SHARED.1, 3)),
    ]
}

/// Which batch a row of the store comes from, by its own time.
pub fn batch_of(tag: &str, time: i64) -> Option<i64> {
    if (tag, time) == SHARED || time >= 3 * DAY_US {
        return None;
    }
    Some((time % DAY_US) / 1_000)
}

/// A store that has lived: compacted, with replaced files, a landed batch and what a crash left lying.
pub fn base(dir: &Path) {
    {
        let mut store = Store::open(dir, "test", now()).unwrap();
        store.register_apply(LOOPS, now()).unwrap();
        for b in 0..BASE_BATCHES {
            if b == 16 {
                // What was replaced till now goes.
                drop(store);
                store = Store::open(dir, "test", now()).unwrap();
            }
            store.landing().append(batch(b)).unwrap();
            // The ninth seal of day 0 joins its files, and so does the 17th; of day 1 one more is needed.
            if b + 1 < BASE_BATCHES {
                store.seal(now()).unwrap();
            }
        }
    }
    fs::write(
        dir.join("history/1970-01-01.import.000000000001-000000000001.parquet"),
        "left",
    )
    .unwrap();
    fs::write(dir.join("staging/half"), "left").unwrap();
}

/// The site folder that the script imports.
pub fn site_of_script(dir: &Path) -> PathBuf {
    site(
        dir,
        &[
            ("loops.csv", MORE_LOOPS),
            (
                "readings/a.csv",
                "time,tag,pv\n2026-03-02T00:00:00Z,LT-4,1\n2026-03-03T00:00:00Z,LT-4,2\n",
            ),
            (
                "readings/b.csv",
                "time,tag,pv\n2026-03-02T00:00:01Z,LT-4,3\n2026-03-03T00:00:00Z,XX,2\n2026-03-02T00:00:02Z,PT-2,3\n",
            ),
            (
                "work.csv",
                "tag,from,to,note\nLT-4,2026-03-02T00:00:00Z,2026-03-02T01:00:00Z,from the site\n",
            ),
        ],
    )
}

/// A loop that a gateway shows.
pub fn shown() -> LoopEntry {
    let range = ingest_model::Range {
        lrv: 0.0,
        urv: 800.0,
        transfer: Default::default(),
    };
    LoopEntry::new(tag("XT-9"), "L/min", range)
}

pub fn stop() -> WorkWindow {
    WorkWindow {
        tag: None,
        from: UtcMicros(1),
        to: UtcMicros(2),
        note: "stop".to_owned(),
    }
}

/// Lives the rest of the script in `dir`; steps that fail are told and the next is tried. Every step can be repeated.
/// `known`: batches not to hand in, since they are there.
pub fn live(
    dir: &Path,
    site: &Path,
    files: Arc<dyn Files>,
    known: &BTreeSet<i64>,
    log: &mut dyn FnMut(&str),
) {
    log("try open");
    let opened = if known.is_empty() {
        Store::open_with(dir, "test", now(), files)
    } else {
        open_patiently(dir, files)
    };
    let store = match opened {
        Ok(store) => store,
        Err(e) => return log(&format!("fail open: {e}")),
    };
    log("done open");
    let mut seen = BTreeSet::new();
    steps(site, &store, known, log, &mut |log| {
        look(dir, &mut seen, log)
    });
    log("try close");
    drop(store);
    log("done close");
}

/// Looks at the store and tells what it sees.
pub type Look<'a> = dyn FnMut(&mut dyn FnMut(&str)) + 'a;

/// After each step `look` may look at the store.
pub fn steps(
    site: &Path,
    store: &Store,
    known: &BTreeSet<i64>,
    log: &mut dyn FnMut(&str),
    look: &mut Look<'_>,
) {
    let mut life = Life {
        store,
        known,
        log,
        look,
    };
    life.append(18);
    life.step("seal", |s| s.seal(now()).map(|_| ()));
    life.step("import", |s| {
        s.import_site(site, now(), &mut |_| {}).map(|_| ())
    });
    life.append(19);
    life.step("register", |s| {
        s.enter_loops(vec![shown()], now()).map(|_| ())
    });
    life.step("work", |s| s.announce_work(&[stop()]));
    life.append(20);
    life.append(21);
    // Late enough for replaced files to go.
    life.step("seal", |s| s.seal(now().plus_s(601.0)).map(|_| ()));
}

struct Life<'a> {
    store: &'a Store,
    known: &'a BTreeSet<i64>,
    log: &'a mut dyn FnMut(&str),
    look: &'a mut Look<'a>,
}

impl Life<'_> {
    fn step(&mut self, name: &str, what: impl FnOnce(&Store) -> Result<(), StoreError>) {
        (self.log)(&format!("try {name}"));
        match what(self.store) {
            Ok(()) => (self.log)(&format!("done {name}")),
            Err(e) => (self.log)(&format!("fail {name}: {e}")),
        }
        (self.look)(self.log);
    }

    fn append(&mut self, b: i64) {
        if !self.known.contains(&b) {
            self.step(&format!("append {b}"), |s| s.landing().append(batch(b)));
        }
    }
}

/// Tells which batches another process sees now, and whether any of them is seen in part.
pub fn look(dir: &Path, seen: &mut BTreeSet<i64>, log: &mut dyn FnMut(&str)) {
    let snapshot = match StoreReader::open(dir).and_then(|r| r.snapshot()) {
        Ok(snapshot) => snapshot,
        Err(e) => return log(&format!("blind: {e}")),
    };
    let (whole, partial) = batches_in(&flat(&snapshot));
    for b in &whole {
        if seen.insert(*b) {
            log(&format!("seen {b}"));
        }
    }
    for b in partial {
        log(&format!("partial {b}"));
    }
}

/// Batches of which all own rows are there, and those of which only some are.
pub fn batches_in(rows: &[(String, i64, String)]) -> (BTreeSet<i64>, BTreeSet<i64>) {
    let mut count = std::collections::BTreeMap::new();
    for (tag, time, _) in rows {
        if let Some(b) = batch_of(tag, *time) {
            *count.entry(b).or_insert(0) += 1;
        }
    }
    let (whole, partial): (Vec<_>, Vec<_>) = count.into_iter().partition(|(_, n)| *n == OWN_ROWS);
    let keys = |v: Vec<(i64, usize)>| v.into_iter().map(|(b, _)| b).collect();
    (keys(whole), keys(partial))
}
