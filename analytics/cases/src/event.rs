//! What can happen to a case: who did what, when and why. Events are kept as JSON, one text each, and never changed.

use crate::text;
use analytics_detect::Kind;
use ingest_model::{Criticality, Scope, Tag, UtcMicros};
use serde::{Deserialize, Serialize};

/// Layout of an event's JSON.
const VERSION: u8 = 1;
/// `who` of what the program decided itself.
pub const SELF: &str = "loopwitness";

pub(crate) const WHO_MAX: usize = 80;
pub(crate) const TEXT_MAX: usize = 2_000;

/// Kinds that one visit to the loop settles together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Family {
    /// The current does not carry the measurement.
    Current,
    /// Current and digital value may agree, what they say is in doubt.
    Measurement,
    /// The digital exchange fails.
    Exchange,
    /// The device speaks of itself.
    Device,
    Configuration,
}

impl Family {
    pub fn of(kind: Kind) -> Self {
        match kind {
            Kind::AnalogDigitalDrift | Kind::FixedCurrent | Kind::CurrentOutOfRange => {
                Self::Current
            }
            Kind::StuckValue | Kind::NoiseChange | Kind::PeerDisagreement => Self::Measurement,
            Kind::RisingErrors | Kind::NoReply => Self::Exchange,
            Kind::DeviceStatus | Kind::StatusChatter | Kind::Restarts => Self::Device,
            Kind::ConfigurationChange => Self::Configuration,
        }
    }

    pub fn as_str(self) -> &'static str {
        match self {
            Self::Current => "current",
            Self::Measurement => "measurement",
            Self::Exchange => "exchange",
            Self::Device => "device",
            Self::Configuration => "configuration",
        }
    }
}

/// What a case is about; at most one open case has each.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Key {
    /// One loop.
    Loop {
        #[serde(with = "text")]
        tag: Tag,
        family: Family,
    },
    /// Several loops, one cause.
    Group {
        #[serde(with = "text")]
        scope: Scope,
        name: String,
        family: Family,
    },
}

impl Key {
    pub fn family(&self) -> Family {
        match self {
            Self::Loop { family, .. } | Self::Group { family, .. } => *family,
        }
    }
}

/// What an assessment shows of a case.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sighting {
    /// Reference time of the assessment.
    #[serde(with = "text")]
    pub to: UtcMicros,
    /// Ids of the findings, strongest loop first.
    pub findings: Vec<String>,
    /// Loops that show it.
    #[serde(with = "text::list")]
    pub tags: Vec<Tag>,
    #[serde(with = "text::list")]
    pub kinds: Vec<Kind>,
    /// Of the strongest finding, like all below.
    #[serde(with = "text")]
    pub kind: Kind,
    pub cause: Option<String>,
    #[serde(with = "text")]
    pub onset: UtcMicros,
    pub deviation_pct: Option<f64>,
    pub confidence: f64,
    /// How often it came between onset and `to`, for what comes and goes.
    pub times: Option<f64>,
    /// Attention score of the loop or the common cause.
    pub score: f64,
    #[serde(with = "text")]
    pub criticality: Criticality,
    pub areas: Vec<String>,
    pub summary: String,
}

/// One change.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "type", rename_all = "kebab-case")]
pub enum What {
    /// A finding persisted.
    Opened {
        key: Key,
        sighting: Sighting,
    },
    /// It is there again, or has changed enough to be told.
    Seen {
        sighting: Sighting,
    },
    /// It has not been there since `since` though the loop was watched.
    Gone {
        #[serde(with = "text")]
        since: UtcMicros,
    },
    /// The case of a common cause has taken it over.
    Adopted {
        into: String,
    },
    Acknowledged,
    Shelved {
        #[serde(with = "text")]
        until: UtcMicros,
    },
    /// A person ended shelving or out of service.
    Unshelved,
    /// The time of shelving ran out.
    ShelfEnded,
    OutOfService,
    Planned {
        #[serde(with = "text::option", default)]
        due: Option<UtcMicros>,
        #[serde(default)]
        note: Option<String>,
    },
    Attended {
        /// When the work was done.
        #[serde(with = "text")]
        when: UtcMicros,
        found: String,
        done: String,
        /// Deviation before and after the work, % of span, as the person measured it.
        as_found_pct: Option<f64>,
        as_left_pct: Option<f64>,
    },
    Noted {
        #[serde(default)]
        note: Option<String>,
    },
    /// After attendance the detectors watched, and it is gone.
    Proved {
        confidence: f64,
        watched_h: f64,
        deviation_pct: Option<f64>,
    },
    /// It is there after attendance, or again after it was closed by evidence.
    Returned {
        sighting: Sighting,
    },
    /// Gone for long, and a person had seen it.
    Cleared {
        #[serde(with = "text")]
        since: UtcMicros,
    },
    /// By a person.
    Closed,
}

impl What {
    /// The event's name, as in its JSON.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Opened { .. } => "opened",
            Self::Seen { .. } => "seen",
            Self::Gone { .. } => "gone",
            Self::Adopted { .. } => "adopted",
            Self::Acknowledged => "acknowledged",
            Self::Shelved { .. } => "shelved",
            Self::Unshelved => "unshelved",
            Self::ShelfEnded => "shelf-ended",
            Self::OutOfService => "out-of-service",
            Self::Planned { .. } => "planned",
            Self::Attended { .. } => "attended",
            Self::Noted { .. } => "noted",
            Self::Proved { .. } => "proved",
            Self::Returned { .. } => "returned",
            Self::Cleared { .. } => "cleared",
            Self::Closed => "closed",
        }
    }
}

/// One line of a case's history.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Event {
    v: u8,
    /// Id of the case.
    pub case: String,
    #[serde(with = "text")]
    pub at: UtcMicros,
    pub who: String,
    pub why: String,
    pub what: What,
}

/// A kept text that is no event of this program.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadEvent {
    #[error("the event cannot be read: {0}")]
    Unreadable(String),
    #[error("the event has layout {found}, this program knows {VERSION}: use a newer program")]
    Newer { found: u8 },
    #[error("the event cannot be written: {0}")]
    Unwritable(String),
}

impl Event {
    pub fn new(
        case: impl Into<String>,
        at: UtcMicros,
        who: impl Into<String>,
        why: impl Into<String>,
        what: What,
    ) -> Self {
        Self {
            v: VERSION,
            case: case.into(),
            at,
            who: who.into(),
            why: why.into(),
            what,
        }
    }

    pub fn to_json(&self) -> Result<String, BadEvent> {
        serde_json::to_string(self).map_err(|e| BadEvent::Unwritable(e.to_string()))
    }

    pub fn from_json(text: &str) -> Result<Self, BadEvent> {
        #[derive(Deserialize)]
        struct Version {
            v: u8,
        }
        let unreadable = |e: serde_json::Error| BadEvent::Unreadable(e.to_string());
        let found = serde_json::from_str::<Version>(text).map_err(unreadable)?.v;
        if found != VERSION {
            return Err(BadEvent::Newer { found });
        }
        serde_json::from_str(text).map_err(unreadable)
    }
}

/// Why an event is not taken; the case stays as it is.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    #[error("no case has the id `{id}`")]
    NoSuchCase { id: String },
    #[error("the case `{id}` is there already")]
    Exists { id: String },
    #[error("another open case, `{id}`, is about the same")]
    OpenAlready { id: String },
    #[error("`{what}` is not possible while the case is {state}: {hint}")]
    State {
        what: &'static str,
        state: &'static str,
        hint: &'static str,
    },
    #[error("`{field}` must have 1 to {max} characters and no control characters")]
    Text { field: &'static str, max: usize },
    #[error("`{field}` must be a number from -1000 to 1000, % of span")]
    Number { field: &'static str },
    #[error("`{field}` {wanted}")]
    Time {
        field: &'static str,
        wanted: &'static str,
    },
}

impl Refused {
    /// The content cannot be taken, in whatever state the case is.
    pub fn is_content(&self) -> bool {
        matches!(
            self,
            Self::Text { .. } | Self::Number { .. } | Self::Time { .. }
        )
    }
}

/// Text of a person: something in it, bounded, line feeds and tabs allowed only where `lines`.
pub(crate) fn check_text(
    field: &'static str,
    text: &str,
    max: usize,
    lines: bool,
) -> Result<(), Refused> {
    let odd = |c: char| c.is_control() && !(lines && matches!(c, '\n' | '\t' | '\r'));
    if text.trim().is_empty() || text.chars().count() > max || text.chars().any(odd) {
        return Err(Refused::Text { field, max });
    }
    Ok(())
}
