//! The mathematics: hour blocks, detectors, ranking, common causes. Pure functions from columns to
//! findings: no IO, no clock.

pub mod finding;

pub use finding::{
    Assessment, AttentionRow, AttentionTerms, CommonCause, Evidence, Finding, Kind, Ne107, NotJudged, Signal,
};
