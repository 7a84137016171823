//! Gather, freeze, analyse: a snapshot's readings -> hour blocks -> findings, with a cache of whole days.
//!
//! An assessment is a pure function of the snapshot and the reference time; the cache only saves work: a
//! day's blocks are rebuilt whenever its rows or the register could have changed.

mod circuit;
mod day;
mod engine;
mod frames;
mod trace;
mod watch;

pub use engine::{AssessError, Assessed, Engine, Settings};
pub use frames::to_csv;
pub use trace::{Trace, TraceStep};
pub use watch::{Watch, WatchReport};
