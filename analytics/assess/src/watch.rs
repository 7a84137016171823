//! A number for every silence, over a fleet: nightly, from whole days, and only for loops of which something changed.

use crate::engine::Assessed;
use analytics_detect::context::{Context, ContextRows};
use analytics_detect::sensitivity::{LoopWatch, Watched, of_loop};
use analytics_detect::{Blocks, Finding, LoopRecord, LoopSource, NotJudged, Work};
use ingest_model::{LoopEntry, Tag, UtcMicros};
use ingest_store::Snapshot;
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::Arc;

/// Numbers of all loops, kept from night to night.
#[derive(Debug, Default)]
pub struct Watch {
    known: BTreeMap<Tag, (u64, Arc<LoopWatch>)>,
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
        let days: Vec<_> = assessed
            .days
            .iter()
            .filter(|d| d.last.is_some_and(|t| UtcMicros(t).day() < end.day()))
            .collect();
        let Some(last) = days.iter().filter_map(|d| d.last).max().map(UtcMicros) else {
            return report;
        };
        let to = UtcMicros::from_day(last.day() + 1);
        report.as_of = Some(to);
        let entries: Vec<&LoopEntry> = register
            .tags()
            .filter(|t| !register.is_retired(t))
            .filter_map(|t| register.at(t, to).or_else(|| register.current(t)))
            .collect();
        self.known
            .retain(|tag, _| entries.iter().any(|e| e.tag == *tag));
        let work: Vec<Work> = snapshot
            .work()
            .iter()
            .map(|w| Work {
                tag: w.tag.clone(),
                from: w.from,
                to: w.to,
            })
            .collect();
        let sources: Vec<LoopSource<'_>> = entries
            .iter()
            .map(|entry| LoopSource {
                entry,
                blocks: Blocks::Packed {
                    days: days
                        .iter()
                        .filter_map(|d| d.loops.get(&entry.tag).map(|l| &*l.hours))
                        .collect(),
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
            if !stands {
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

/// What the numbers of a loop depend on: its blocks, its register entry, what stands on it, announced work.
fn key(source: &LoopSource<'_>, found: &[Finding], work: &[Work]) -> u64 {
    let mut h = DefaultHasher::new();
    if let Blocks::Packed { days, from } = &source.blocks {
        days.hash(&mut h);
        from.hash(&mut h);
    }
    format!("{:?}", source.entry).hash(&mut h);
    for f in found {
        (f.kind, f.onset_low, f.ended).hash(&mut h);
    }
    for w in work {
        let ours = w.tag.as_ref().is_none_or(|t| *t == source.entry.tag);
        ours.then_some((w.from, w.to)).hash(&mut h);
    }
    h.finish()
}
