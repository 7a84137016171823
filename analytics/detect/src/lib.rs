//! The mathematics: hour blocks, detectors, ranking, common causes. Pure functions from columns to
//! findings: no IO, no clock.
//!
//! Read first: `block` (what is kept of an hour), then `fleet` (the order of an assessment), then the
//! detector of your kind. `words` holds every sentence.

#![expect(
    clippy::neg_cmp_op_on_partial_ord,
    reason = "`!(x > limit)` is meant: NaN must not pass"
)]
#![expect(
    clippy::needless_range_loop,
    reason = "small matrices read best by index"
)]

pub mod agreement;
pub mod attention;
pub mod block;
pub mod charts;
pub mod circuit;
pub mod common;
pub mod context;
pub mod counts;
pub mod drift;
pub mod errors;
pub mod finding;
pub mod fleet;
pub mod hart_only;
pub mod history;
pub mod limits;
pub mod noise;
pub mod peers;
pub mod pooling;
pub mod rails;
pub mod sensitivity;
pub mod silence;
pub mod skip;
mod spans;
pub mod status;
pub mod stuck;
pub mod trend;
pub mod unjudged;
pub mod words;

pub use agreement::{Agreement, EighthAgreement, Witnessed, agreement};
pub use attention::Weights;
pub use block::{DayBlock, HourBlock, PACK_VERSION, PackError, day_blocks, pack, unpack};
pub use finding::{
    Assessment, AttentionRow, AttentionTerms, CommonCause, Evidence, Explained, Finding, Kind,
    Ne107, NotJudged, Signal,
};
pub use fleet::{Fleet, Params, assess};
pub use history::{Blocks, LoopRecord, LoopSource, PackedDays};
pub use limits::{Budget, Limits, Test};
pub use skip::Work;
pub use status::StatusMap;
