//! Work items as an event-applied state machine: a finding that persists opens a case; the case stays until a person or
//! the evidence closes it. Pure: no IO, no clock; a [`Case`] is what its events say, in their order.
//!
//! State names follow the alarm-management standards ANSI/ISA-18.2 and IEC 62682 where they have one (unacknowledged,
//! acknowledged, shelved, out of service: from memory, and as OPC 10000-9 section 4.8 uses them), then the maintenance ones:
//! planned, attended, proved, returned.
//!
//! Read first: `event` (what can happen), `case` (what is allowed when), then `decide` (what an assessment does).

#![expect(
    clippy::neg_cmp_op_on_partial_ord,
    reason = "`!(x > limit)` is meant: NaN must not pass"
)]

mod case;
mod cases;
mod decide;
mod event;
mod proof;
mod text;

pub use case::{Attendance, Case, Close, Plan, Shown, Stage, Suppression};
pub use cases::Cases;
pub use decide::{Look, Memory, Settings, decide};
pub use event::{BadEvent, Event, Family, Key, Refused, SELF, Sighting, What};
pub use proof::{Proof, Watched, absence, equivalence, prove};
