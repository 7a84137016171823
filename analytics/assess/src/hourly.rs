//! Statistics once an hour, facts at once: how a large fleet is assessed while its record grows.
//!
//! What the detectors say of all rows before the last full hour is kept, and made anew when the hour, those rows, the register
//! or the announced work have changed. Rows since then are looked at for what a reading states by itself
//! ([`analytics_detect::fleet::with_recent`]). So a new minute costs the newest hours, however long the record is, and a result
//! remains a function of the snapshot and the reference time alone.

use crate::day::Day;
use crate::engine::{Asked, AssessError, Assessed, Engine, KeptDays, Part, announced};
use analytics_detect::fleet::{Judged, LOOK_BACK_H, concluded, judged, with_recent};
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};
use ingest_store::Snapshot;
use std::collections::BTreeSet;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::Arc;

/// What is kept from assessment to assessment.
#[derive(Debug, Default)]
pub(crate) struct Hourly {
    /// The unfinished day up to a full hour, with what its rows depend on.
    cut: Option<(CutKey, Arc<Day>)>,
    /// What the detectors said of all before that hour.
    settled: Option<(u64, Arc<Judged>)>,
    /// How often the detectors went over the whole record.
    times: u64,
}

/// Last microsecond, rows before it, register.
type CutKey = (UtcMicros, String, String);

fn cut_key(snapshot: &Snapshot, last: UtcMicros) -> CutKey {
    (
        last,
        snapshot.key_before(last.day(), last.plus_us(1)),
        snapshot.register().version().to_owned(),
    )
}

impl Hourly {
    /// The day up to and with `last`, if it is the one that is kept.
    pub(crate) fn cut_day(&self, snapshot: &Snapshot, last: UtcMicros) -> Option<Arc<Day>> {
        let (key, day) = self.cut.as_ref()?;
        (key.0 == last && *key == cut_key(snapshot, last)).then(|| Arc::clone(day))
    }
}

impl Engine {
    /// How often the detectors of a large fleet went over its whole record.
    pub fn times_settled(&self) -> u64 {
        self.hourly.times
    }

    /// The full hour up to which statistics are made; `None` of a fleet that is small enough to be judged to the last
    /// reading, or that has no full hour yet.
    pub(crate) fn hour_to_settle(
        &self,
        snapshot: &Snapshot,
        at: Option<UtcMicros>,
    ) -> Option<UtcMicros> {
        let (first, last) = snapshot.time_range()?;
        let to = at.unwrap_or(last);
        let register = snapshot.register();
        let loops = register.tags().filter(|t| !register.is_retired(t)).count();
        let days = snapshot.days_between(first, to.plus_us(1)).len();
        let hour = UtcMicros::from_hour(to.0.div_euclid(MICROS_PER_HOUR));
        (loops.saturating_mul(days) >= self.settings.hourly_from && first < hour).then_some(hour)
    }

    pub(crate) fn assess_hourly(
        &mut self,
        snapshot: &Snapshot,
        at: Option<UtcMicros>,
        hour: UtcMicros,
        anew: &BTreeSet<i64>,
        progress: &mut dyn FnMut(f64),
    ) -> Result<(Assessed, BTreeSet<i64>), AssessError> {
        let last_settled = hour.plus_us(-1);
        let mut parts = self.gather(snapshot, Some(last_settled), anew, progress)?;
        self.hourly.cut = parts
            .last()
            .filter(|p| p.key.is_none())
            .map(|p| (cut_key(snapshot, last_settled), Arc::clone(&p.blocks)));
        let (settled, mut lost) = self.settled(snapshot, &parts, hour);

        let recent = self.fresh(snapshot, hour, at, &parts, &mut None)?;
        parts.push(Part {
            day: hour.day(),
            key: None,
            blocks: Arc::new(recent),
        });
        let days: Vec<Arc<Day>> = parts.iter().map(|p| Arc::clone(&p.blocks)).collect();
        let last = days.iter().filter_map(|d| d.last).max().map(UtcMicros);
        let asked = Asked::new(snapshot, at.or(last).unwrap_or_default());
        let look_back = hour.plus_us(-LOOK_BACK_H * MICROS_PER_HOUR);
        let first = parts.partition_point(|p| p.day < look_back.day());
        let kept = KeptDays::new(&parts[first..]);
        let fleet = asked.fleet(&kept, &days, look_back.0);
        let params = &self.settings.params;
        let now = with_recent(&fleet, &settled, hour, params);
        let mut result = concluded(&fleet, now, params);
        drop(fleet);
        asked.say_baselines(&mut result);
        lost.extend(kept.lost());
        if !lost.is_empty() {
            (self.hourly.cut, self.hourly.settled) = (None, None);
        }
        let assessed = Assessed {
            result,
            statistics_to: Some(hour),
            days,
        };
        Ok((assessed, lost))
    }

    /// What the detectors say of all rows before `hour`, which `parts` are.
    fn settled(
        &mut self,
        snapshot: &Snapshot,
        parts: &[Part],
        hour: UtcMicros,
    ) -> (Arc<Judged>, BTreeSet<i64>) {
        let mut key = DefaultHasher::new();
        (hour, snapshot.register().version()).hash(&mut key);
        for p in parts {
            (p.day, p.blocks.content).hash(&mut key);
        }
        for w in announced(snapshot) {
            (w.tag, w.from, w.to).hash(&mut key);
        }
        let key = key.finish();
        if let Some((known, settled)) = &self.hourly.settled
            && *known == key
        {
            return (Arc::clone(settled), BTreeSet::new());
        }
        let days: Vec<Arc<Day>> = parts.iter().map(|p| Arc::clone(&p.blocks)).collect();
        let asked = Asked::new(snapshot, hour);
        let kept = KeptDays::new(parts);
        let fleet = asked.fleet(&kept, &days, i64::MIN);
        let settled = Arc::new(judged(&fleet, &self.settings.params));
        drop(fleet);
        self.hourly.times += 1;
        self.hourly.settled = Some((key, Arc::clone(&settled)));
        (settled, kept.lost())
    }
}
