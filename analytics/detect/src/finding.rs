//! What an assessment says: the exchange contract's section 3 as types. Their serde form *is* the JSON.

use ingest_model::{Scope, Tag, UtcMicros};
use serde::{Deserialize, Serialize, Serializer};
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};

/// What is wrong (contract section 3; the names are the JSON's).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum Kind {
    AnalogDigitalDrift,
    StuckValue,
    RisingErrors,
    NoReply,
    FixedCurrent,
    CurrentOutOfRange,
    NoiseChange,
    DeviceStatus,
    StatusChatter,
    Restarts,
    ConfigurationChange,
    PeerDisagreement,
}

impl Kind {
    pub const ALL: [Kind; 12] = [
        Kind::AnalogDigitalDrift,
        Kind::StuckValue,
        Kind::RisingErrors,
        Kind::NoReply,
        Kind::FixedCurrent,
        Kind::CurrentOutOfRange,
        Kind::NoiseChange,
        Kind::DeviceStatus,
        Kind::StatusChatter,
        Kind::Restarts,
        Kind::ConfigurationChange,
        Kind::PeerDisagreement,
    ];

    pub fn as_str(self) -> &'static str {
        match self {
            Kind::AnalogDigitalDrift => "analog-digital-drift",
            Kind::StuckValue => "stuck-value",
            Kind::RisingErrors => "rising-errors",
            Kind::NoReply => "no-reply",
            Kind::FixedCurrent => "fixed-current",
            Kind::CurrentOutOfRange => "current-out-of-range",
            Kind::NoiseChange => "noise-change",
            Kind::DeviceStatus => "device-status",
            Kind::StatusChatter => "status-chatter",
            Kind::Restarts => "restarts",
            Kind::ConfigurationChange => "configuration-change",
            Kind::PeerDisagreement => "peer-disagreement",
        }
    }

    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|k| k.as_str() == text)
    }
}

/// Which of the two channels a finding speaks of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum Signal {
    Digital,
    Analog,
    Both,
}

impl Signal {
    pub fn as_str(self) -> &'static str {
        match self {
            Signal::Digital => "digital",
            Signal::Analog => "analog",
            Signal::Both => "both",
        }
    }
}

/// NAMUR NE 107 condensed status, strongest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum Ne107 {
    Failure,
    FunctionCheck,
    OutOfSpecification,
    MaintenanceRequired,
}

impl Ne107 {
    pub fn as_str(self) -> &'static str {
        match self {
            Ne107::Failure => "failure",
            Ne107::FunctionCheck => "function-check",
            Ne107::OutOfSpecification => "out-of-specification",
            Ne107::MaintenanceRequired => "maintenance-required",
        }
    }
}

pub(crate) fn rfc3339<S: Serializer>(t: &UtcMicros, s: S) -> Result<S::Ok, S::Error> {
    s.serialize_str(&t.to_rfc3339())
}

pub(crate) fn rfc3339_opt<S: Serializer>(t: &Option<UtcMicros>, s: S) -> Result<S::Ok, S::Error> {
    match t {
        Some(t) => s.serialize_str(&t.to_rfc3339()),
        None => s.serialize_none(),
    }
}

fn tag_text<S: Serializer>(t: &Tag, s: S) -> Result<S::Ok, S::Error> {
    s.serialize_str(t.as_str())
}

fn tag_texts<S: Serializer>(t: &[Tag], s: S) -> Result<S::Ok, S::Error> {
    s.collect_seq(t.iter().map(Tag::as_str))
}

fn scope_text<S: Serializer>(t: &Scope, s: S) -> Result<S::Ok, S::Error> {
    s.serialize_str(t.as_str())
}

/// A number or a word in `evidence`.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(untagged)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum Evidence {
    Flag(bool),
    Count(u64),
    Number(f64),
    Text(String),
    Numbers(Vec<f64>),
}

/// One finding on one loop. Deviations are analog minus digital, % of span.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Finding {
    /// Stable while the finding lasts: derives from tag, kind, cause or signal and the onset's first day.
    pub id: String,
    pub kind: Kind,
    pub cause: Option<&'static str>,
    pub signal: Option<Signal>,
    #[serde(serialize_with = "rfc3339")]
    #[cfg_attr(feature = "openapi", schema(value_type = String, format = DateTime))]
    pub onset: UtcMicros,
    #[serde(serialize_with = "rfc3339")]
    #[cfg_attr(feature = "openapi", schema(value_type = String, format = DateTime))]
    pub onset_low: UtcMicros,
    #[serde(serialize_with = "rfc3339")]
    #[cfg_attr(feature = "openapi", schema(value_type = String, format = DateTime))]
    pub onset_high: UtcMicros,
    #[serde(serialize_with = "rfc3339_opt")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>, format = DateTime))]
    pub ended: Option<UtcMicros>,
    pub deviation_pct: Option<f64>,
    pub rate_pct_per_day: Option<f64>,
    #[serde(serialize_with = "rfc3339_opt")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>, format = DateTime))]
    pub reaches_tolerance_at: Option<UtcMicros>,
    #[serde(serialize_with = "rfc3339_opt")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>, format = DateTime))]
    pub reaches_tolerance_low: Option<UtcMicros>,
    #[serde(serialize_with = "rfc3339_opt")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>, format = DateTime))]
    pub reaches_tolerance_high: Option<UtcMicros>,
    /// Probability that this is real, 0..1.
    pub confidence: f64,
    pub ne107: Option<Ne107>,
    pub common_cause: Option<String>,
    /// One or two sentences; every number in them stands in `evidence` or beside it.
    pub summary: String,
    pub evidence: BTreeMap<&'static str, Evidence>,
    /// What to look at, in order of what tells most.
    pub checks: Vec<String>,
    pub cautions: Vec<String>,
}

/// The terms of the attention score, which is their product (halved once ended).
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct AttentionTerms {
    /// Probability that the strongest finding is real.
    pub real: f64,
    /// Weight of the loop's purpose (criticality).
    pub purpose: f64,
    /// How soon it matters, and how much of the measurement is lost.
    pub soon: f64,
    /// 1, or less when every finding has ended.
    pub lasting: f64,
}

/// One line of the ranked list.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct AttentionRow {
    /// 1 is first.
    pub rank: usize,
    #[serde(serialize_with = "tag_text")]
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub tag: Tag,
    pub score: f64,
    pub why: String,
    pub terms: AttentionTerms,
    pub criticality: &'static str,
    pub area: Option<String>,
    pub service: Option<String>,
    /// The common cause that the strongest finding belongs to.
    pub common_cause: Option<String>,
    pub findings: Vec<Finding>,
}

/// Several loops, one cause.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct CommonCause {
    pub id: String,
    #[serde(serialize_with = "scope_text")]
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub scope: Scope,
    pub name: String,
    pub kind: Kind,
    #[serde(serialize_with = "tag_texts")]
    #[cfg_attr(feature = "openapi", schema(value_type = Vec<String>))]
    pub tags: Vec<Tag>,
    pub affected: usize,
    pub members: usize,
    /// Hypergeometric tail, adjusted for all groups looked at.
    pub p_value: f64,
    pub score: f64,
    #[serde(serialize_with = "rfc3339")]
    #[cfg_attr(feature = "openapi", schema(value_type = String, format = DateTime))]
    pub onset: UtcMicros,
    pub criticality: &'static str,
    pub summary: String,
}

/// A loop, or one kind on a loop, that the watch could not judge, and why.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct NotJudged {
    #[serde(serialize_with = "tag_text")]
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub tag: Tag,
    /// A kind's name, or `all`.
    pub what: &'static str,
    pub why: String,
}

/// What announced work explains: it would be a finding, and is none.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Explained {
    #[serde(serialize_with = "tag_text")]
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub tag: Tag,
    pub kind: Kind,
    pub cause: Option<&'static str>,
    #[serde(serialize_with = "rfc3339")]
    #[cfg_attr(feature = "openapi", schema(value_type = String, format = DateTime))]
    pub onset: UtcMicros,
    #[serde(serialize_with = "rfc3339_opt")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>, format = DateTime))]
    pub ended: Option<UtcMicros>,
    /// The sentence that would have been said.
    pub summary: String,
    #[serde(serialize_with = "rfc3339")]
    #[cfg_attr(feature = "openapi", schema(value_type = String, format = DateTime))]
    pub work_from: UtcMicros,
    #[serde(serialize_with = "rfc3339")]
    #[cfg_attr(feature = "openapi", schema(value_type = String, format = DateTime))]
    pub work_to: UtcMicros,
}

/// The whole result (contract section 3).
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Assessment {
    #[serde(serialize_with = "rfc3339_opt")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>, format = DateTime))]
    pub from: Option<UtcMicros>,
    #[serde(serialize_with = "rfc3339_opt")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>, format = DateTime))]
    pub to: Option<UtcMicros>,
    pub loops: usize,
    pub readings: u64,
    pub rejected: u64,
    pub attention: Vec<AttentionRow>,
    pub common_causes: Vec<CommonCause>,
    pub not_judged: Vec<NotJudged>,
    /// By tag, then onset.
    pub explained_by_work: Vec<Explained>,
}

impl Assessment {
    /// Changes when a finding comes, goes, ends or is shared; not with its numbers or its rank.
    pub fn list_digest(&self) -> u64 {
        let mut of = DefaultHasher::new();
        let mut listed: Vec<_> = self
            .attention
            .iter()
            .flat_map(|r| &r.findings)
            .map(|f| (&f.id, f.ended.is_some(), &f.common_cause))
            .collect();
        listed.sort_unstable();
        listed.hash(&mut of);
        of.finish()
    }
}
