//! A number for every silence: the smallest fault that the watch would find on a loop, in 9 of 10 cases.
//!
//! Known faults are added algebraically to the loop's own blocks (`faults`) and the detectors run again. How a fault's
//! size turns into a detector's statistic is taken from the loop's own scatter, so that a few runs give the size at which
//! nine of ten would be found: boundary of the detector plus 1.28 standard errors (10 % quantile of the normal
//! distribution). The days to come are taken to run as the last ones did.
//!
//! What cannot be found at any size has a reason instead: there the watch is blind.

mod drift;
mod errors;
mod faults;
mod noise;
mod stuck;
mod words;

pub use faults::{add_deviation, freeze, scale_scatter};

use crate::context::Context;
use crate::finding::{Finding, Kind, rfc3339};
use crate::history::{Draft, LoopRecord, Window};
use crate::skip::{Work, windows_of, windows_on};
use crate::{rails, silence};
use ingest_model::{Tag, UtcMicros};
use serde::{Deserialize, Serialize};

/// Days within which a fault is to be found.
pub const WITHIN_DAYS: [u32; 2] = [7, 30];
/// Upper 90 % quantile of the standard normal distribution.
pub(crate) const Z90: f64 = 1.2816;

/// In the reason where a finding of the kind stands open.
const STANDS: &str = "stands already";

/// What is added to the loop's blocks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum Fault {
    OffsetGrowing,
    OffsetStep,
    SpanGrowing,
    SpanStep,
    StuckDigital,
    StuckAnalog,
    StuckBoth,
    MoreErrors,
    NoiseRise,
    NoiseCollapse,
}

impl Fault {
    pub const ALL: [Fault; 10] = [
        Fault::OffsetGrowing,
        Fault::OffsetStep,
        Fault::SpanGrowing,
        Fault::SpanStep,
        Fault::StuckDigital,
        Fault::StuckAnalog,
        Fault::StuckBoth,
        Fault::MoreErrors,
        Fault::NoiseRise,
        Fault::NoiseCollapse,
    ];

    pub fn as_str(self) -> &'static str {
        match self {
            Self::OffsetGrowing => "offset-growing",
            Self::OffsetStep => "offset-step",
            Self::SpanGrowing => "span-growing",
            Self::SpanStep => "span-step",
            Self::StuckDigital => "stuck-digital",
            Self::StuckAnalog => "stuck-analog",
            Self::StuckBoth => "stuck-both",
            Self::MoreErrors => "more-errors",
            Self::NoiseRise => "noise-rise",
            Self::NoiseCollapse => "noise-collapse",
        }
    }

    /// The kind under which it would be found.
    pub fn kind(self) -> Kind {
        match self {
            Self::OffsetGrowing | Self::OffsetStep | Self::SpanGrowing | Self::SpanStep => {
                Kind::AnalogDigitalDrift
            }
            Self::StuckDigital | Self::StuckAnalog | Self::StuckBoth => Kind::StuckValue,
            Self::MoreErrors => Kind::RisingErrors,
            Self::NoiseRise | Self::NoiseCollapse => Kind::NoiseChange,
        }
    }
}

/// What `size` counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum Measure {
    /// % of span; of a span error at full scale, of a growing one at the end of the days.
    PctOfSpan,
    /// Hours from the onset until it is found.
    Hours,
    /// Share of failed exchanges, 0..1.
    FailedShare,
    /// Scatter as a multiple of the loop's own.
    TimesScatter,
}

/// The smallest fault of one sort that would be found within some days in 9 of 10 cases.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Detectable {
    pub fault: Fault,
    pub kind: Kind,
    pub within_days: u32,
    /// Null = none of any size that was tried; `blind` says why.
    pub size: Option<f64>,
    pub measure: Measure,
    /// The detectors were run again with it in the loop's own blocks and found it; null = not run, only calculated.
    pub rerun_found: Option<bool>,
    pub blind: Option<String>,
    pub says: String,
}

/// All numbers of one loop.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LoopWatch {
    #[serde(serialize_with = "tag_text")]
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub tag: Tag,
    /// End of the record that they are made from.
    #[serde(serialize_with = "rfc3339")]
    #[cfg_attr(feature = "openapi", schema(value_type = String, format = DateTime))]
    pub as_of: UtcMicros,
    pub numbers: Vec<Detectable>,
}

fn tag_text<S: serde::Serializer>(t: &Tag, s: S) -> Result<S::Ok, S::Error> {
    s.serialize_str(t.as_str())
}

/// What the numbers of one loop are made from.
#[derive(Clone, Copy, Debug)]
pub struct Watched<'a> {
    pub record: LoopRecord<'a>,
    pub context: &'a Context,
    pub to: UtcMicros,
    pub work: &'a [Work],
    /// What stands on the loop already.
    pub findings: &'a [Finding],
}

/// A loop with the stretches that its detectors leave out.
pub(crate) struct Setting<'a> {
    pub l: LoopRecord<'a>,
    pub ctx: &'a Context,
    pub to: UtcMicros,
    pub no_drift: Vec<Window>,
    pub no_stuck: Vec<Window>,
    pub no_errors: Vec<Window>,
    /// Counts up from night to night, and differs from loop to loop.
    pub turn: usize,
}

impl<'a> Setting<'a> {
    fn new(w: &Watched<'a>) -> Self {
        let l = w.record;
        let mut drafts: Vec<Draft> = silence::detect(&l, w.context, w.to);
        drafts.extend(rails::detect(&l, w.to));
        let work = windows_on(&l.entry.tag, w.work);
        let with = |kinds: &[Kind]| -> Vec<Window> {
            let mut out = work.clone();
            out.extend(windows_of(&drafts, kinds, w.to));
            out
        };
        // What stood still is left out of the rest as well: from the findings, which are there already.
        const MARGIN_US: i64 = 3_600_000_000;
        let held = w
            .findings
            .iter()
            .filter(|f| matches!(f.kind, Kind::StuckValue | Kind::FixedCurrent))
            .map(|f| Window {
                from: f.onset_low.0 - MARGIN_US,
                to: f.ended.unwrap_or(w.to).0.saturating_add(MARGIN_US),
            });
        let mut no_drift = with(&[Kind::NoReply, Kind::CurrentOutOfRange]);
        no_drift.extend(held);
        Self {
            no_drift,
            no_stuck: with(&[Kind::CurrentOutOfRange]),
            no_errors: with(&[Kind::NoReply]),
            l,
            ctx: w.context,
            to: w.to,
            turn: (w.to.day().rem_euclid(1_000) as usize)
                + l.entry.tag.as_str().bytes().map(usize::from).sum::<usize>(),
        }
    }
}

/// The numbers of one loop.
pub fn of_loop(w: &Watched<'_>) -> LoopWatch {
    let mut numbers = Vec::new();
    if w.record.blocks.is_empty() {
        let none = |fault| Answer::blind(fault, 7, "no readings");
        numbers.extend(Fault::ALL.map(none));
    } else {
        let s = Setting::new(w);
        let open = |kind: Kind| {
            w.findings
                .iter()
                .any(|f| f.kind == kind && f.ended.is_none())
        };
        numbers.extend(drift::numbers(&s, open(Kind::AnalogDigitalDrift)));
        numbers.extend(stuck::numbers(
            &s,
            open(Kind::StuckValue) || open(Kind::FixedCurrent),
        ));
        numbers.extend(errors::numbers(&s, open(Kind::RisingErrors)));
        numbers.extend(noise::numbers(&s, open(Kind::NoiseChange)));
    }
    LoopWatch {
        tag: w.record.entry.tag.clone(),
        as_of: w.to,
        numbers: numbers
            .into_iter()
            .map(|a| a.finish(w.record.entry))
            .collect(),
    }
}

/// A number before words are put to it.
#[derive(Clone, Debug)]
pub(crate) struct Answer {
    fault: Fault,
    within_days: u32,
    size: Option<f64>,
    rerun_found: Option<bool>,
    blind: Option<String>,
}

impl Answer {
    fn found(fault: Fault, within_days: u32, size: f64, rerun_found: Option<bool>) -> Self {
        Self {
            fault,
            within_days,
            size: Some(size),
            rerun_found,
            blind: None,
        }
    }

    fn blind(fault: Fault, within_days: u32, why: &str) -> Self {
        Self {
            fault,
            within_days,
            size: None,
            rerun_found: None,
            blind: Some(why.to_owned()),
        }
    }

    fn finish(self, entry: &ingest_model::LoopEntry) -> Detectable {
        let measure = match self.fault.kind() {
            Kind::AnalogDigitalDrift => Measure::PctOfSpan,
            Kind::StuckValue => Measure::Hours,
            Kind::RisingErrors => Measure::FailedShare,
            _ => Measure::TimesScatter,
        };
        let mut out = Detectable {
            fault: self.fault,
            kind: self.fault.kind(),
            within_days: self.within_days,
            size: self.size,
            measure,
            rerun_found: self.rerun_found,
            blind: self.blind,
            says: String::new(),
        };
        out.says = words::says(&out, entry);
        out
    }
}

impl LoopWatch {
    /// Kinds for which the watch is blind on this loop, with the reason: nothing of any size is found, or a drift as
    /// large as the tolerance would not be found within the longer time.
    pub fn blind(&self, tolerance_pct: f64) -> Vec<(Kind, String)> {
        let mut out: Vec<(Kind, String)> = Vec::new();
        for kind in [
            Kind::AnalogDigitalDrift,
            Kind::StuckValue,
            Kind::RisingErrors,
            Kind::NoiseChange,
        ] {
            let of: Vec<&Detectable> = self.numbers.iter().filter(|d| d.kind == kind).collect();
            let Some(first) = of.first() else { continue };
            if of.iter().all(|d| d.size.is_none()) {
                // What stands is no silence.
                if first.blind.as_deref().is_some_and(|w| w.contains(STANDS)) {
                    continue;
                }
                let why = first.blind.clone();
                out.push((kind, why.unwrap_or_else(|| "nothing was found".to_owned())));
            } else if kind == Kind::AnalogDigitalDrift {
                let longest = of
                    .iter()
                    .filter(|d| d.fault == Fault::OffsetGrowing)
                    .filter_map(|d| d.size)
                    .fold(f64::INFINITY, f64::min);
                if longest > tolerance_pct && longest.is_finite() {
                    out.push((kind, words::beyond_tolerance(longest, tolerance_pct)));
                }
            }
        }
        out
    }
}
