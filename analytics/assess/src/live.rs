//! Statistics now and then, facts at once: how a fleet is assessed while its record grows.
//!
//! What the detectors say of all rows up to a full step of time ([`Settings::steps`]) is kept as [`Settled`]; the larger the
//! record, the longer the step. Rows since then are looked at for what a reading states by itself
//! ([`analytics_detect::fleet::with_recent`]). So a new reading costs the newest minutes, however long the record is, and
//! facts do not wait while statistics are made: [`Engine::settle`] can run beside [`Settled::follow`].

use crate::day::Day;
use crate::engine::{
    ATTEMPTS, Asked, AssessError, Assessed, Engine, KeptDays, Part, Room, announced, given_up,
};
use analytics_detect::fleet::{
    Judged, LOOK_BACK_H, LookBack, Newest, concluded, judged, look_back, with_recent,
};
use ingest_model::{
    UtcMicros,
    instant::{MICROS_PER_HOUR, MICROS_PER_MINUTE},
};
use ingest_store::Snapshot;
use std::collections::BTreeSet;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::{Arc, Mutex, PoisonError};

/// What the detectors said of a record up to a step of time, with the blocks that it was made of.
#[derive(Debug)]
pub struct Settled {
    state: State,
    /// Rows before the full hour, by day.
    parts: Vec<Part>,
    /// Rows of the hour that is not over, up to the full minute.
    piece: Option<Part>,
    judged: Arc<Judged>,
    /// What `judged` was made of.
    content: u64,
    /// What the loops showed last, without the newest rows.
    look_back: Vec<LookBack>,
    /// Whether rows have come since that it should have known.
    stale: bool,
    room: Room,
    params: analytics_detect::Params,
    /// Days whose blocks [`Self::follow`] could not read.
    lost: Mutex<BTreeSet<i64>>,
}

/// What of a snapshot decides whether it has to be settled anew.
#[derive(Debug, Clone, PartialEq, Eq)]
struct State {
    statistics_to: UtcMicros,
    /// A full minute, not before `statistics_to`.
    rows_to: UtcMicros,
    register: String,
    work: u64,
    /// Changes when rows before the full hour could have changed.
    rows: u64,
}

impl State {
    fn hour(&self) -> UtcMicros {
        floor(self.rows_to, MICROS_PER_HOUR)
    }

    /// Whether what was said of `other` may still be said, but for rows that came late.
    fn same_question(&self, other: &Self) -> bool {
        (self.statistics_to, &self.register, self.work)
            == (other.statistics_to, &other.register, other.work)
    }
}

/// From here on facts are looked for.
fn look_back_from(state: &State) -> UtcMicros {
    state.statistics_to.plus_us(-LOOK_BACK_H * MICROS_PER_HOUR)
}

fn floor(t: UtcMicros, step_us: i64) -> UtcMicros {
    UtcMicros(t.0 - t.0.rem_euclid(step_us))
}

/// The unfinished day up to a full hour, and what its rows depend on.
#[derive(Debug)]
pub(crate) struct CutDay {
    last: UtcMicros,
    rows: String,
    register: String,
    day: Arc<Day>,
}

impl CutDay {
    fn new(snapshot: &Snapshot, last: UtcMicros, day: Arc<Day>) -> Self {
        Self {
            last,
            rows: snapshot.key_before(last.day(), last.plus_us(1)),
            register: snapshot.register().version().to_owned(),
            day,
        }
    }

    /// The day up to and with `last`, if it is this one.
    pub(crate) fn of(&self, snapshot: &Snapshot, last: UtcMicros) -> Option<Arc<Day>> {
        let same = self.last == last
            && self.register == snapshot.register().version()
            && self.rows == snapshot.key_before(last.day(), last.plus_us(1));
        same.then(|| Arc::clone(&self.day))
    }
}

impl Engine {
    /// How often the detectors went over the whole record for [`Engine::settle`].
    pub fn times_settled(&self) -> u64 {
        self.times_settled
    }

    /// Whether a record of this size is to be followed: its statistics made now and then, and facts at once. A small one
    /// is assessed as a whole.
    pub fn follows(&self, snapshot: &Snapshot) -> bool {
        self.state(snapshot, None).is_some()
    }

    fn state(&self, snapshot: &Snapshot, at: Option<UtcMicros>) -> Option<State> {
        let (first, last) = snapshot.time_range()?;
        let to = at.unwrap_or(last);
        let register = snapshot.register();
        let loops = register.tags().filter(|t| !register.is_retired(t)).count();
        let days = snapshot.days();
        let known = days.partition_point(|d| d.day <= to.day());
        let size = loops.saturating_mul(known);
        let mut steps = self.settings.steps.iter();
        let (_, minutes) = steps.rfind(|(from, _)| size >= *from)?;
        let statistics_to = floor(to, minutes.saturating_mul(MICROS_PER_MINUTE).max(1));
        let hour = floor(to, MICROS_PER_HOUR);
        let mut work = DefaultHasher::new();
        for w in announced(snapshot) {
            (w.tag, w.from, w.to).hash(&mut work);
        }
        let mut rows = DefaultHasher::new();
        for d in days.iter().filter(|d| d.day < hour.day()) {
            (d.day, &d.key).hash(&mut rows);
        }
        snapshot.key_before(hour.day(), hour).hash(&mut rows);
        (first < statistics_to).then(|| State {
            statistics_to,
            rows_to: floor(to, MICROS_PER_MINUTE),
            register: register.version().to_owned(),
            work: work.finish(),
            rows: rows.finish(),
        })
    }

    /// What the detectors say of the record up to the newest step: `known`, if that is still so. Rows that came late for a
    /// step that is over wait for a call with `late_rows`, since these cost as much as a new step.
    ///
    /// `at` is the reference time (`None` = the last reading); `progress` is told the share of days read.
    ///
    /// # Errors
    /// When the store cannot be read, or the record is one to be assessed as a whole ([`Engine::follows`]).
    pub fn settle(
        &mut self,
        snapshot: &Snapshot,
        at: Option<UtcMicros>,
        known: Option<&Arc<Settled>>,
        late_rows: bool,
        progress: &mut dyn FnMut(f64),
    ) -> Result<Arc<Settled>, AssessError> {
        let state = self.state(snapshot, at).ok_or(AssessError::Small)?;
        let known = known.filter(|k| k.state.register == state.register);
        let mut anew = known.map(|k| k.lost()).unwrap_or_default();
        if let Some(k) = known
            && anew.is_empty()
            && k.state.same_question(&state)
            && k.state.rows_to == state.rows_to
            && (!late_rows || (!k.stale && k.state.rows == state.rows))
        {
            return Ok(Arc::clone(k));
        }
        for _ in 0..ATTEMPTS {
            self.forget(&anew);
            match self.settle_once(snapshot, &state, known, late_rows, &anew, progress)? {
                Ok(settled) => return Ok(Arc::new(settled)),
                Err(lost) => anew = lost,
            }
        }
        Err(given_up(&anew))
    }

    /// The days whose blocks could not be read, if any.
    fn settle_once(
        &mut self,
        snapshot: &Snapshot,
        state: &State,
        known: Option<&Arc<Settled>>,
        late_rows: bool,
        anew: &BTreeSet<i64>,
        progress: &mut dyn FnMut(f64),
    ) -> Result<Result<Settled, BTreeSet<i64>>, AssessError> {
        let hour = state.hour();
        let before = hour.plus_us(-1);
        let parts = self.gather(snapshot, Some(before), anew, progress)?;
        let cut = parts.last().filter(|p| p.key.is_none());
        self.cut = cut.map(|p| CutDay::new(snapshot, before, Arc::clone(&p.blocks)));
        let from_hour_to = |to: UtcMicros| -> Result<Option<Part>, AssessError> {
            let rows = || {
                self.room
                    .fresh(snapshot, hour, Some(to.plus_us(-1)), &parts, &mut None)
            };
            let blocks = (hour < to).then(rows).transpose()?;
            Ok(blocks.map(|blocks| Part::cut(hour.day(), blocks)))
        };
        let piece = from_hour_to(state.rows_to)?;
        let rest = match state.statistics_to {
            t if t == state.rows_to => piece.clone(),
            t => from_hour_to(t)?,
        };
        let judged_parts: Vec<Part> = parts.iter().cloned().chain(rest).collect();
        let mut content = DefaultHasher::new();
        for p in &judged_parts {
            (p.day, p.blocks.content).hash(&mut content);
        }
        let content = content.finish();
        let same = known.filter(|k| k.state.same_question(state));
        let (judged, content, stale) = match same {
            Some(k) if k.content == content => (Arc::clone(&k.judged), content, false),
            Some(k) if !late_rows => (Arc::clone(&k.judged), k.content, true),
            _ => {
                let days: Vec<Arc<Day>> = judged_parts.iter().map(|p| p.blocks.clone()).collect();
                let asked = Asked::new(snapshot, state.statistics_to);
                let kept = KeptDays::new(&judged_parts);
                let fleet = asked.fleet(&kept, &days, i64::MIN);
                let judged = judged(&fleet, &self.settings.params);
                drop(fleet);
                let lost = kept.lost();
                if !lost.is_empty() {
                    return Ok(Err(lost));
                }
                self.times_settled += 1;
                (Arc::new(judged), content, false)
            }
        };
        let look_back = {
            let first = parts.partition_point(|p| p.day < look_back_from(state).day());
            let newest: Vec<Part> = parts[first..]
                .iter()
                .cloned()
                .chain(piece.clone())
                .collect();
            let asked = Asked::new(snapshot, state.rows_to);
            let kept = KeptDays::new(&newest);
            let said = look_back(&asked.fleet(&kept, &[], look_back_from(state).0));
            let lost = kept.lost();
            if !lost.is_empty() {
                return Ok(Err(lost));
            }
            said
        };
        Ok(Ok(Settled {
            look_back,
            state: state.clone(),
            parts,
            piece,
            judged,
            content,
            stale,
            room: self.room.clone(),
            params: self.settings.params.clone(),
            lost: Mutex::default(),
        }))
    }
}

impl Settled {
    fn lost(&self) -> BTreeSet<i64> {
        self.lost
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Up to when the statistics count.
    pub fn statistics_to(&self) -> UtcMicros {
        self.state.statistics_to
    }

    /// The result as of `at` (`None` = the last reading), which is not before this was settled. `None` where this has to be settled anew first: the register is another
    /// one, or blocks could not be read.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn follow(
        &self,
        snapshot: &Snapshot,
        at: Option<UtcMicros>,
    ) -> Result<Option<Assessed>, AssessError> {
        let last = at.or(snapshot.time_range().map(|(_, last)| last));
        let Some(to) = last.filter(|_| snapshot.register().version() == self.state.register) else {
            return Ok(None);
        };
        let mut parts = self.parts.clone();
        parts.extend(self.piece.clone());
        for day in snapshot.days_between(self.state.rows_to, to.plus_us(1)) {
            let from = self.state.rows_to.max(UtcMicros::from_day(day));
            let rows = self
                .room
                .fresh(snapshot, from, Some(to), &parts, &mut None)?;
            parts.push(Part::cut(day, rows));
        }
        let days: Vec<Arc<Day>> = parts.iter().map(|p| Arc::clone(&p.blocks)).collect();
        let asked = Asked::new(snapshot, to);
        let since = self.state.statistics_to;
        let from = look_back_from(&self.state);
        let first = parts.partition_point(|p| p.day < from.day());
        let kept = KeptDays::new(&parts[first..]);
        let fresh = KeptDays::new(&parts[self.parts.len() + usize::from(self.piece.is_some())..]);
        let fleet = asked.fleet(&kept, &days, from.0);
        let newest = Newest {
            before: &self.look_back,
            loops: asked.fleet(&fresh, &[], from.0).loops,
        };
        let now = with_recent(&fleet, Some(&newest), &self.judged, since, &self.params);
        let mut result = concluded(&fleet, now, &self.params);
        drop((newest, fleet));
        let mut lost = kept.lost();
        lost.extend(fresh.lost());
        if !lost.is_empty() {
            let mut known = self.lost.lock().unwrap_or_else(PoisonError::into_inner);
            known.extend(lost);
            return Ok(None);
        }
        asked.say_baselines(&mut result);
        Ok(Some(Assessed {
            result,
            statistics_to: Some(since),
            days,
        }))
    }
}
