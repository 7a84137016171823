//! A number for every silence, over a fleet: nightly, from whole days, and only for loops of which something changed.

use crate::day::Day;
use crate::engine::{Assessed, announced};
use analytics_detect::context::{Context, ContextRows};
use analytics_detect::sensitivity::{Detectable, LoopWatch, Watched, of_loop};
use analytics_detect::{
    Blocks, Finding, LoopRecord, LoopSource, NotJudged, PackError, PackedDays, Work,
};
use ingest_model::{LoopEntry, Tag, UtcMicros};
use ingest_store::{RollupFile, Rollups, Snapshot, StoreError};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::{Arc, Mutex, PoisonError};

/// Numbers of all loops, kept from night to night.
#[derive(Debug, Default)]
pub struct Watch {
    known: BTreeMap<Tag, (u64, Arc<LoopWatch>)>,
    kept: Option<Keeper>,
}

/// Where the numbers outlast the process.
#[derive(Debug)]
struct Keeper {
    files: Rollups,
    maker: String,
}

/// One loop's numbers in a file.
#[derive(Serialize, Deserialize)]
struct KeptNumbers {
    tag: String,
    as_of_us: i64,
    key: u64,
    numbers: Vec<Detectable>,
}

/// What one run did.
#[derive(Debug, Default)]
pub struct WatchReport {
    /// By tag.
    pub loops: BTreeMap<Tag, Arc<LoopWatch>>,
    /// End of the last whole day that they are made from; `None` = no whole day yet.
    pub as_of: Option<UtcMicros>,
    /// Loops whose numbers were made anew; the rest stood.
    pub renewed: usize,
    /// Loops and kinds for which the watch is blind, with the reason, in order of tag.
    pub blind: Vec<NotJudged>,
}

impl Watch {
    /// One that begins with what was kept in `files` of the same day by the same `maker` (a build of the program), and
    /// keeps there what it makes.
    pub fn kept_in(files: Rollups, maker: &str) -> Self {
        Self {
            known: BTreeMap::new(),
            kept: Some(Keeper {
                files,
                maker: maker.to_owned(),
            }),
        }
    }

    /// Numbers of every loop in the register, from the whole days of `assessed`. One core; `go_on` is asked before
    /// each loop and ends the run early (the rest keeps what it had).
    pub fn run(
        &mut self,
        assessed: &Assessed,
        snapshot: &Snapshot,
        go_on: &dyn Fn() -> bool,
    ) -> WatchReport {
        let mut report = WatchReport::default();
        let Some(end) = assessed.result.to else {
            return report;
        };
        let register = snapshot.register();
        let days = WholeDays {
            days: assessed
                .days
                .iter()
                .filter(|d| d.last.is_some_and(|t| UtcMicros(t).day() < end.day()))
                .map(|d| &**d)
                .collect(),
            lost: Mutex::new(BTreeSet::new()),
        };
        let Some(last) = days.days.iter().filter_map(|d| d.last).max().map(UtcMicros) else {
            return report;
        };
        let to = UtcMicros::from_day(last.day() + 1);
        report.as_of = Some(to);
        if self.known.is_empty()
            && let Some(keeper) = &self.kept
        {
            self.known = keeper.read(to);
        }
        let entries: Vec<&LoopEntry> = register
            .tags()
            .filter(|t| !register.is_retired(t))
            .filter_map(|t| register.at(t, to).or_else(|| register.current(t)))
            .collect();
        self.known
            .retain(|tag, _| entries.iter().any(|e| e.tag == *tag));
        let work = announced(snapshot);
        let sources: Vec<LoopSource<'_>> = entries
            .iter()
            .map(|entry| LoopSource {
                entry,
                blocks: Blocks::Packed {
                    days: &days,
                    from: register
                        .baseline_at(&entry.tag, to)
                        .map_or(i64::MIN, |b| b.from.0),
                },
            })
            .collect();
        let findings: BTreeMap<&Tag, &[Finding]> = assessed
            .result
            .attention
            .iter()
            .map(|r| (&r.tag, r.findings.as_slice()))
            .collect();
        let mut context: Option<Context> = None;
        for source in &sources {
            let tag = &source.entry.tag;
            let found = findings.get(tag).copied().unwrap_or_default();
            let key = key(source, found, &work);
            let stands = self.known.get(tag).is_some_and(|(k, _)| *k == key);
            // Days that are gone since the assessment are there again at the next: until then the old numbers stand.
            if !stands && !days.lost(tag) {
                if !go_on() {
                    break;
                }
                // What loops know of each other costs a pass over all: only when one of them needs it.
                let context = context.get_or_insert_with(|| {
                    let rows: Vec<ContextRows> = sources
                        .iter()
                        .map(|s| {
                            ContextRows::of(&LoopRecord {
                                entry: s.entry,
                                blocks: &s.load(),
                            })
                        })
                        .collect();
                    Context::join(&rows)
                });
                let numbers = of_loop(&Watched {
                    record: LoopRecord {
                        entry: source.entry,
                        blocks: &source.load(),
                    },
                    context,
                    to,
                    work: &work,
                    findings: found,
                });
                self.known.insert(tag.clone(), (key, Arc::new(numbers)));
                report.renewed += 1;
            }
        }
        // What cannot be kept is made anew after a restart, no more.
        if report.renewed > 0
            && let Some(keeper) = &self.kept
            && let Err(e) = keeper.write(to, &self.known)
        {
            tracing::warn!("what the watch would see is not kept: {e}");
        }
        for source in &sources {
            let Some((_, w)) = self.known.get(&source.entry.tag) else {
                continue;
            };
            let blind = w.blind(source.entry.tolerance_pct);
            report
                .blind
                .extend(blind.into_iter().map(|(kind, why)| NotJudged {
                    tag: source.entry.tag.clone(),
                    what: kind.as_str(),
                    why,
                }));
            report.loops.insert(source.entry.tag.clone(), w.clone());
        }
        report
    }
}

impl Keeper {
    /// A part that is damaged, or says what no loop is called, is left out: its loop is made anew.
    fn read(&self, to: UtcMicros) -> BTreeMap<Tag, (u64, Arc<LoopWatch>)> {
        let Some(file) = self.files.open(to.day(), &self.maker) else {
            return BTreeMap::new();
        };
        let one = |n: usize, file: &RollupFile| {
            let kept: KeptNumbers = serde_json::from_slice(&file.part(n)?).ok()?;
            let tag = Tag::new(&kept.tag).ok()?;
            let watch = LoopWatch {
                tag: tag.clone(),
                as_of: UtcMicros(kept.as_of_us),
                numbers: kept.numbers,
            };
            Some((tag, (kept.key, Arc::new(watch))))
        };
        (0..file.parts()).filter_map(|n| one(n, &file)).collect()
    }

    fn write(
        &self,
        to: UtcMicros,
        known: &BTreeMap<Tag, (u64, Arc<LoopWatch>)>,
    ) -> Result<(), StoreError> {
        let Some(mut out) = self.files.create(to.day(), &self.maker)? else {
            return Ok(());
        };
        for (tag, (key, w)) in known {
            let kept = KeptNumbers {
                tag: tag.to_string(),
                as_of_us: w.as_of.0,
                key: *key,
                numbers: w.numbers.clone(),
            };
            // One without a JSON form is made anew after a restart, as what is damaged is.
            if let Ok(json) = serde_json::to_vec(&kept) {
                out.part(&json)?;
            }
        }
        out.finish(b"")?;
        self.files.forget_before(UtcMicros::from_day(to.day()));
        Ok(())
    }
}

/// The days that are over, as the detectors read them.
#[derive(Debug)]
struct WholeDays<'a> {
    days: Vec<&'a Day>,
    /// Loops of which a day could not be read.
    lost: Mutex<BTreeSet<Tag>>,
}

impl WholeDays<'_> {
    fn lost(&self, tag: &Tag) -> bool {
        let lost = self.lost.lock().unwrap_or_else(PoisonError::into_inner);
        lost.contains(tag)
    }
}

impl PackedDays for WholeDays<'_> {
    fn most_days(&self) -> usize {
        self.days.len()
    }

    fn each(&self, tag: &Tag, take: &mut dyn FnMut(&[u8]) -> Result<(), PackError>) {
        for d in &self.days {
            let good = match d.of(tag) {
                Ok(Some(l)) => take(l.hours()).is_ok(),
                Ok(None) => true,
                Err(_) => false,
            };
            if !good {
                let mut lost = self.lost.lock().unwrap_or_else(PoisonError::into_inner);
                lost.insert(tag.clone());
            }
        }
    }
}

/// What the numbers of a loop depend on: its blocks, its register entry, what stands on it, announced work.
fn key(source: &LoopSource<'_>, found: &[Finding], work: &[Work]) -> u64 {
    let mut h = DefaultHasher::new();
    if let Blocks::Packed { days, from } = &source.blocks {
        days.each(&source.entry.tag, &mut |bytes| {
            bytes.hash(&mut h);
            Ok(())
        });
        from.hash(&mut h);
    }
    format!("{:?}", source.entry).hash(&mut h);
    for f in found {
        (f.kind, f.onset_low, f.ended).hash(&mut h);
    }
    // Work on another loop is none of this one's.
    for w in work {
        if w.tag.as_ref().is_none_or(|t| *t == source.entry.tag) {
            (w.from, w.to).hash(&mut h);
        }
    }
    h.finish()
}
