//! What a loop's record cannot show, and why: silence must not read as health.
//!
//! Each detector says itself what it finds out on its way; here stands what follows from the mere extent of the
//! record, for detectors that otherwise would only stay silent.

use crate::errors;
use crate::finding::Kind;
use crate::history::{LoopRecord, LoopSource};
use std::collections::BTreeMap;

/// Hours with rows that a rest must be seen against.
pub const STUCK_MIN_HOURS: usize = 4;

/// One loop that never said anything, or whose record is too short for a kind.
pub fn by_extent(l: &LoopRecord<'_>) -> Vec<(&'static str, &'static str)> {
    let mut out = Vec::new();
    let current = l.blocks.iter().any(|b| b.m.n > 0);
    let replied = l.blocks.iter().any(|b| b.replies > 0);
    if !current && !replied {
        return vec![("all", "never replied, and no current was measured")];
    }
    if l.entry.multidrop {
        return out;
    }
    if !current {
        out.push((Kind::CurrentOutOfRange.as_str(), "no analog source"));
    }
    if l.blocks.len() < STUCK_MIN_HOURS {
        out.push((Kind::StuckValue.as_str(), "record too short"));
    }
    if errors::span_h(l) < errors::MIN_SPAN_H {
        out.push((
            Kind::RisingErrors.as_str(),
            "record too short: a rise needs two days",
        ));
    }
    out
}

/// Members of redundancy groups in which no outlier can be named (index of the loop, why).
pub fn peers(loops: &[LoopSource<'_>]) -> Vec<(usize, &'static str)> {
    let mut groups: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (i, l) in loops.iter().enumerate() {
        if let Some(g) = &l.entry.redundancy_group {
            groups.entry(g).or_default().push(i);
        }
    }
    let mut out = Vec::new();
    for ids in groups.values() {
        let unit = &loops[ids[0]].entry.pv_unit;
        let why = match ids.len() {
            1 => "alone in its redundancy group",
            2 => "two in the redundancy group: which one departs cannot be told",
            _ if ids.iter().any(|&i| loops[i].entry.pv_unit != *unit) => {
                "the redundancy group has several units"
            }
            _ => continue,
        };
        out.extend(ids.iter().map(|&i| (i, why)));
    }
    out
}
