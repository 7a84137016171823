//! Circuit terms of a loop and the leakage trend of its junction box, from an assessment's blocks.

use crate::engine::Assessed;
use analytics_detect::circuit::{
    BoxLeakage, Ceiling, CircuitTerms, Record, Wiring, excess, junction_box, terms,
};
use analytics_detect::{Evidence, Kind};
use ingest_model::{LoopEntry, Tag};

impl Assessed {
    /// Circuit terms of one loop, as the register has it now.
    pub fn circuit(&self, entry: &LoopEntry) -> CircuitTerms {
        let hours = self.hour_blocks(&entry.tag);
        let days = self.day_blocks(&entry.tag);
        terms(&Record {
            entry,
            hours: &hours,
            days: &days,
            ceiling: self.ceiling(&entry.tag),
        })
    }

    /// Leakage of the loops that `entries` gives, which share a junction box, by day and by hour of day.
    pub fn junction_box<'a>(
        &self,
        entries: impl Iterator<Item = &'a LoopEntry>,
    ) -> Option<BoxLeakage> {
        let loops: Vec<_> = entries
            .filter(|e| !e.multidrop)
            .filter_map(|e| Some((Wiring::of(e), excess(&self.hour_blocks(&e.tag))?)))
            .collect();
        junction_box(&loops)
    }

    /// The newest ceiling found on the loop.
    fn ceiling(&self, tag: &Tag) -> Option<Ceiling> {
        self.result
            .attention
            .iter()
            .filter(|r| r.tag == *tag)
            .flat_map(|r| &r.findings)
            .filter(|f| f.kind == Kind::AnalogDigitalDrift && f.cause == Some("supply-limited"))
            .filter_map(|f| match f.evidence.get("ceiling_ma") {
                Some(Evidence::Number(ma)) => Some(Ceiling {
                    current_ma: *ma,
                    since: f.onset,
                    ended: f.ended,
                }),
                _ => None,
            })
            .max_by_key(|c| c.since)
    }
}
