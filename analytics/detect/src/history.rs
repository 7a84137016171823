//! One loop's record as the detectors see it, and the draft of a finding.

use crate::block::{Counters, HourBlock, PackError, add_increment, unpack};
use crate::finding::{Evidence, Kind, Ne107, Signal};
use crate::limits::Test;
use ingest_model::{LoopEntry, Tag, UtcMicros, instant::MICROS_PER_HOUR};
use std::borrow::Cow;
use std::collections::BTreeMap;

/// One loop's register entry now, and where its hour blocks come from.
#[derive(Clone, Debug)]
pub struct LoopSource<'a> {
    pub entry: &'a LoopEntry,
    pub blocks: Blocks<'a>,
}

/// Hour blocks in order of time, as they are kept.
#[derive(Clone, Debug)]
pub enum Blocks<'a> {
    Plain(&'a [HourBlock]),
    /// Packed days in order; rows before `from` (microseconds) belong to an earlier baseline.
    Packed {
        days: &'a dyn PackedDays,
        from: i64,
    },
}

/// Where the packed days of a loop are: in memory, in files. Asked once for each [`LoopSource::load`].
pub trait PackedDays: std::fmt::Debug + Sync {
    /// How many days there may be of a loop.
    fn most_days(&self) -> usize;

    /// Hands on each day's hour blocks of the loop, in order of time. What cannot be read, or is not taken, is the
    /// implementer's to know of: an assessment without it is not the loop's.
    fn each(&self, tag: &Tag, take: &mut dyn FnMut(&[u8]) -> Result<(), PackError>);
}

impl LoopSource<'_> {
    /// The blocks, unpacked where they are packed. An assessment takes them twice and drops them after each
    /// loop, so its memory does not grow with the fleet.
    pub fn load(&self) -> Cow<'_, [HourBlock]> {
        match &self.blocks {
            Blocks::Plain(b) => Cow::Borrowed(b),
            Blocks::Packed { days, from } => {
                // Room for the whole record at once: grown by doubling, a long one would be held in twice its memory.
                let mut out = Vec::with_capacity(days.most_days().saturating_mul(24));
                days.each(&self.entry.tag, &mut |day| {
                    let before = out.len();
                    let taken = unpack(day, &mut out);
                    if taken.is_err() {
                        out.truncate(before);
                    }
                    taken
                });
                // Where a baseline begins within an hour, that hour has a block on each side of it.
                let old = out.partition_point(|b| b.first_row < *from);
                out.drain(..old);
                Cow::Owned(out)
            }
        }
    }
}

/// One loop: its register entry now, and its hour blocks in order of time.
#[derive(Clone, Copy, Debug)]
pub struct LoopRecord<'a> {
    pub entry: &'a LoopEntry,
    pub blocks: &'a [HourBlock],
}

impl LoopRecord<'_> {
    /// Median poll period over the record, seconds.
    pub fn period_s(&self) -> f64 {
        median(self.blocks.iter().map(|b| b.period_s).collect())
    }

    /// Counter increments by block, the border to the block before included; `None` where no counter was read.
    pub fn increments(&self) -> Vec<Option<Counters>> {
        let mut last: Option<((i64, i64), i64)> = None;
        self.blocks
            .iter()
            .map(|b| {
                if b.counter_first.0 < 0 {
                    return None;
                }
                let mut c = b.counters;
                if let Some((before, at)) = last {
                    let seconds = ((b.first_row - at) as f64 / 1e6).max(60.0);
                    add_increment(&mut c, before, b.counter_first, seconds);
                }
                last = Some((b.counter_last, b.counter_last_at));
                Some(c)
            })
            .collect()
    }
}

/// A finding before words are put to it.
#[derive(Clone, Debug)]
pub struct Draft {
    pub kind: Kind,
    pub cause: Option<&'static str>,
    pub signal: Option<Signal>,
    pub onset: UtcMicros,
    pub onset_low: UtcMicros,
    pub onset_high: UtcMicros,
    pub ended: Option<UtcMicros>,
    pub deviation_pct: Option<f64>,
    pub rate_pct_per_day: Option<f64>,
    pub reaches: Option<(UtcMicros, UtcMicros, UtcMicros)>,
    pub confidence: f64,
    /// The test that it passed and its statistic; `None` where the record states a fact.
    pub judged: Option<(Test, f64)>,
    pub ne107: Option<Ne107>,
    pub evidence: BTreeMap<&'static str, Evidence>,
    /// The same finding under its next best cause, where the two are nearly as likely.
    pub otherwise: Option<Box<Draft>>,
}

impl Draft {
    pub fn new(kind: Kind, onset: UtcMicros, confidence: f64) -> Self {
        Self {
            kind,
            cause: None,
            signal: None,
            onset,
            onset_low: onset,
            onset_high: onset,
            ended: None,
            deviation_pct: None,
            rate_pct_per_day: None,
            reaches: None,
            confidence,
            judged: None,
            ne107: None,
            evidence: BTreeMap::new(),
            otherwise: None,
        }
    }

    pub fn within(mut self, low: UtcMicros, high: UtcMicros) -> Self {
        self.onset_low = low.min(self.onset);
        self.onset_high = high.max(self.onset);
        self
    }

    /// A finding that rests on a test; its confidence follows from the statistic (`Limits::confidence`).
    pub fn by(test: Test, statistic: f64, kind: Kind, onset: UtcMicros) -> Self {
        Self {
            judged: Some((test, statistic)),
            ..Self::new(kind, onset, 0.5)
        }
    }

    pub fn number(mut self, name: &'static str, v: f64) -> Self {
        if v.is_finite() {
            self.evidence.insert(name, Evidence::Number(v));
        }
        self
    }

    pub fn count(mut self, name: &'static str, v: u64) -> Self {
        self.evidence.insert(name, Evidence::Count(v));
        self
    }

    pub fn text(mut self, name: &'static str, v: impl Into<String>) -> Self {
        self.evidence.insert(name, Evidence::Text(v.into()));
        self
    }
}

/// A stretch of time in which a detector must not look.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    pub from: i64,
    pub to: i64,
}

/// Does hour `hour` (since 1970) touch one of the windows?
pub fn hour_in(windows: &[Window], hour: i64) -> bool {
    let (a, b) = (hour * MICROS_PER_HOUR, (hour + 1) * MICROS_PER_HOUR);
    windows.iter().any(|w| w.from < b && w.to > a)
}

/// Median of finite values; NaN of nothing.
pub fn median(mut v: Vec<f64>) -> f64 {
    v.retain(|x| x.is_finite());
    if v.is_empty() {
        return f64::NAN;
    }
    let mid = v.len() / 2;
    let upper = *v.select_nth_unstable_by(mid, f64::total_cmp).1;
    if v.len() % 2 == 1 {
        return upper;
    }
    let lower = v[..mid].iter().copied().fold(f64::NEG_INFINITY, f64::max);
    (lower + upper) / 2.0
}

/// Quantile `q` of finite values (nearest rank); NaN of nothing.
pub fn quantile(mut v: Vec<f64>, q: f64) -> f64 {
    v.retain(|x| x.is_finite());
    if v.is_empty() {
        return f64::NAN;
    }
    let k = ((v.len() - 1) as f64 * q).round() as usize;
    *v.select_nth_unstable_by(k, f64::total_cmp).1
}

impl Draft {
    /// Forecast as (middle, low, high).
    pub fn reaches_sorted(&self) -> Option<(UtcMicros, UtcMicros, UtcMicros)> {
        self.reaches
    }
}
