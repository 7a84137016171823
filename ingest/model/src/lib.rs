//! The nouns of Loopwitness: instants, tags, ranges, the register of loops, readings in columns.
//!
//! Nothing here does IO or asks for the time. Every other crate may use this one; it uses none of ours.

pub mod baseline;
pub mod instant;
pub mod range;
pub mod reading;
pub mod register;
pub mod unit;

pub use baseline::{BaselineEnd, BaselineNote, BaselineReason};
pub use instant::UtcMicros;
pub use range::{Range, Transfer, percent_of_current, signal_limits_ma};
pub use reading::{Columns, MISSING_TIME, Reading, Series};
pub use register::{Criticality, DeviceKey, LoopEntry, RegisterError, Scope, Tag};
