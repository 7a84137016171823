//! Announced work and what one finding hides from another.

use crate::finding::Kind;
use crate::history::{Draft, Window};
use ingest_model::UtcMicros;

/// Announced work on one loop or on all.
#[derive(Clone, Debug, PartialEq)]
pub struct Work {
    /// `None` = every loop.
    pub tag: Option<ingest_model::Tag>,
    pub from: UtcMicros,
    pub to: UtcMicros,
}

/// When work was announced on a loop.
pub fn windows_on(tag: &ingest_model::Tag, work: &[Work]) -> Vec<Window> {
    work.iter()
        .filter(|w| w.tag.as_ref().is_none_or(|t| t == tag))
        .map(|w| Window {
            from: w.from.0,
            to: w.to.0,
        })
        .collect()
}

/// Drafts that are there without the announcements and not with them, each with the work that explains it.
pub fn explained<'a>(
    without: &'a [Draft],
    with: &[Draft],
    work: &[&Work],
    to: UtcMicros,
) -> Vec<(&'a Draft, UtcMicros, UtcMicros)> {
    let end = |d: &Draft| d.ended.unwrap_or(to);
    without
        .iter()
        .filter(|d| {
            !with.iter().any(|o| {
                o.kind == d.kind
                    && o.cause == d.cause
                    && o.onset_low <= end(d)
                    && d.onset_low <= end(o)
            })
        })
        .filter_map(|d| {
            // Ramps and steps are dated by intervals: their early end may lie in the work.
            let w = work
                .iter()
                .find(|w| w.from <= end(d) && d.onset_low <= w.to)?;
            Some((d, w.from, w.to))
        })
        .collect()
}

/// Windows of the findings of certain kinds, from an hour before to an hour after.
pub fn windows_of(drafts: &[Draft], kinds: &[Kind], to: UtcMicros) -> Vec<Window> {
    const MARGIN_US: i64 = 3_600_000_000;
    drafts
        .iter()
        .filter(|d| kinds.contains(&d.kind))
        .map(|d| Window {
            from: d.onset_low.0 - MARGIN_US,
            to: d.ended.unwrap_or(to).0.saturating_add(MARGIN_US),
        })
        .collect()
}
