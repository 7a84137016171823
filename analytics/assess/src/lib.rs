//! Gather, freeze, analyse: a snapshot's readings -> hour blocks -> findings, with a cache of whole days.
//!
//! An assessment is a pure function of the snapshot and the reference time; the cache only saves work: a
//! day's blocks are rebuilt whenever its rows or the register could have changed.

mod agreement;
mod circuit;
mod day;
mod engine;
mod families;
mod family;
mod frames;
mod live;
mod trace;
mod watch;

pub use agreement::{AGREEMENT_DAYS, LoopAgreement, agreement_csv, loop_agreement};
pub use engine::{AssessError, Assessed, Engine, Settings};
pub use families::families;
pub use family::{
    Change, Compared, ErrorShare, Families, Family, FamilyQuery, FleetMean, Member, Rates, Shares,
    Week,
};
pub use frames::{families_csv, to_csv};
pub use live::Settled;
pub use trace::{Trace, TraceStep};
pub use watch::{Watch, WatchReport};
