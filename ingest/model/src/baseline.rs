//! Where a loop's history begins anew: a device exchanged or re-ranged, or a person's word.

use crate::{LoopEntry, UtcMicros};

/// Why a new baseline begins.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum BaselineReason {
    /// The register names another device.
    Exchanged,
    /// The register gives another range or transfer function.
    ReRanged,
    /// A person accepts the loop as it is now, perhaps until a date.
    Accepted,
    /// A person says that a device with a loop of its own replaces this loop's device.
    Replaced,
}

impl BaselineReason {
    pub const ALL: [Self; 4] = [
        Self::Exchanged,
        Self::ReRanged,
        Self::Accepted,
        Self::Replaced,
    ];

    pub fn as_str(self) -> &'static str {
        match self {
            Self::Exchanged => "exchanged",
            Self::ReRanged => "re-ranged",
            Self::Accepted => "accepted",
            Self::Replaced => "replaced",
        }
    }

    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|r| r.as_str() == text)
    }

    /// What of two successive entries of one loop begins a baseline; a cell that was empty says nothing of the time before.
    pub fn between(before: &LoopEntry, after: &LoopEntry) -> Option<Self> {
        let other = |a: Option<u32>, b: Option<u32>| a.is_some() && b.is_some() && a != b;
        if other(before.device_id, after.device_id)
            || other(
                before.device_type.map(u32::from),
                after.device_type.map(u32::from),
            )
        {
            return Some(Self::Exchanged);
        }
        (before.range != after.range).then_some(Self::ReRanged)
    }
}

/// What a person said with the entry that begins a baseline.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct BaselineNote {
    pub reason: BaselineReason,
    pub by: String,
    pub why: String,
    /// When it was said.
    pub at: UtcMicros,
    /// From then on the baseline before counts again; `None` = until the next one.
    pub until: Option<UtcMicros>,
    /// The tag that a replacing device had until then.
    pub own_tag: Option<String>,
    /// A person ended it before its date, or before the next one.
    pub ended: Option<BaselineEnd>,
}

impl BaselineNote {
    /// From when the baseline before counts again, agreed or ended early; `None` = from the next one.
    pub fn counts_until(&self) -> Option<UtcMicros> {
        let early = self.ended.as_ref().map(|e| e.from);
        self.until.into_iter().chain(early).min()
    }
}

/// What a person said on ending an accepted baseline early.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct BaselineEnd {
    /// From then on it does not count.
    pub from: UtcMicros,
    pub by: String,
    pub why: String,
    /// When it was said.
    pub at: UtcMicros,
}
