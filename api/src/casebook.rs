//! The cases of a running service: the fold of the store's journal, and the one way to add to it.
//!
//! Nothing counts before it is in the journal: an event is tried on a copy, written, then shown. Reading never waits for a
//! writer or an assessment.

use crate::clock;
use analytics_assess::{Assessed, Trace, TraceStep};
use analytics_cases::{
    BadEvent, Case, Cases, Event, Look, Memory, Refused, Settings, Stage, Watched, decide,
};
use ingest_model::instant::{MICROS_PER_DAY, MICROS_PER_HOUR};
use ingest_model::{Tag, UtcMicros};
use ingest_store::{Register, Store, StoreError, StoreReader};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};

/// Hours of running that a day's mean needs.
const HOURS_OF_A_DAY: usize = 4;

/// Why the cases cannot be shown or changed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BookError {
    #[error("read or write the journal of cases: {0}")]
    Store(#[from] StoreError),
    #[error("understand entry {seq} of the journal of cases: {source}")]
    Event { seq: i64, source: BadEvent },
    #[error("apply entry {seq} of the journal of cases: {source}")]
    Replay { seq: i64, source: Refused },
    #[error("write an event: {0}")]
    Unwritable(#[from] BadEvent),
}

/// Why a person's event was not taken.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ActError {
    #[error(transparent)]
    Refused(#[from] Refused),
    #[error(transparent)]
    Book(#[from] BookError),
}

#[derive(Default)]
struct Writing {
    cases: Cases,
    /// The journal's number that `cases` has come to.
    seq: i64,
    /// False before the first reading, and after a failed append, which may have reached the disk.
    current: bool,
    memory: Memory,
}

/// Shared by the assessment and the handlers.
pub struct CaseBook {
    reader: StoreReader,
    settings: Settings,
    shown: RwLock<Option<Arc<Cases>>>,
    writing: Mutex<Writing>,
}

impl std::fmt::Debug for CaseBook {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("CaseBook").finish_non_exhaustive()
    }
}

impl CaseBook {
    pub fn new(reader: StoreReader, settings: Settings) -> Self {
        Self {
            reader,
            settings,
            shown: RwLock::new(None),
            writing: Mutex::new(Writing::default()),
        }
    }

    /// The cases now. Reads the journal the first time.
    pub fn cases(&self) -> Result<Arc<Cases>, BookError> {
        let shown = || {
            self.shown
                .read()
                .unwrap_or_else(PoisonError::into_inner)
                .clone()
        };
        if let Some(cases) = shown() {
            return Ok(cases);
        }
        drop(self.begin()?);
        Ok(shown().unwrap_or_default())
    }

    /// Takes a person's event: on the disk when this returns.
    pub fn act(&self, store: &Store, event: Event) -> Result<Arc<Case>, ActError> {
        let mut writing = self.begin()?;
        let mut next = writing.cases.clone();
        next.apply(&event)?;
        self.write(&mut writing, store, std::slice::from_ref(&event), next)?;
        let case = writing.cases.get(&event.case).cloned();
        case.ok_or_else(|| Refused::NoSuchCase { id: event.case }.into())
    }

    /// What an assessment says: its events are on the disk when this returns. The number of events.
    pub fn assessed(
        &self,
        store: &Store,
        assessed: &Assessed,
        register: &Register,
        now: UtcMicros,
    ) -> Result<usize, BookError> {
        let mut writing = self.begin()?;
        let loops: BTreeSet<Tag> = register
            .tags()
            .filter(|t| !register.is_retired(t))
            .cloned()
            .collect();
        let watched = watched(&writing.cases, assessed, register);
        let look = Look {
            assessment: &assessed.result,
            watched: &watched,
            loops: &loops,
            now,
        };
        let (events, memory) = decide(&writing.cases, &writing.memory, &look, &self.settings);
        if !events.is_empty() {
            let mut next = writing.cases.clone();
            for event in &events {
                // `decide` has tried each of them.
                next.apply(event)
                    .map_err(|source| BookError::Replay { seq: 0, source })?;
            }
            self.write(&mut writing, store, &events, next)?;
        }
        writing.memory = memory;
        Ok(events.len())
    }

    /// The writer's place, with the cases as the journal has them.
    fn begin(&self) -> Result<MutexGuard<'_, Writing>, BookError> {
        let mut writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        if !writing.current {
            let mut cases = writing.cases.clone();
            let mut seq = writing.seq;
            for entry in self.reader.journal(seq)? {
                seq = entry.seq;
                let event = Event::from_json(&entry.text)
                    .map_err(|source| BookError::Event { seq, source })?;
                cases
                    .apply(&event)
                    .map_err(|source| BookError::Replay { seq, source })?;
            }
            writing.cases = cases;
            writing.seq = seq;
            writing.current = true;
            self.show(&writing.cases);
        }
        Ok(writing)
    }

    fn write(
        &self,
        writing: &mut Writing,
        store: &Store,
        events: &[Event],
        next: Cases,
    ) -> Result<(), BookError> {
        let texts = events
            .iter()
            .map(Event::to_json)
            .collect::<Result<Vec<_>, _>>()?;
        writing.current = false;
        writing.seq = store.journal_append(&texts)?;
        writing.current = true;
        writing.cases = next;
        self.show(&writing.cases);
        Ok(())
    }

    fn show(&self, cases: &Cases) {
        *self.shown.write().unwrap_or_else(PoisonError::into_inner) = Some(Arc::new(cases.clone()));
    }
}

/// The events of a person begin here: now, by the service's clock.
pub fn event_of(
    id: &str,
    who: impl Into<String>,
    why: impl Into<String>,
    what: analytics_cases::What,
) -> Event {
    Event::new(id, clock::now(), who, why, what)
}

/// For each attended case what was seen of its loops since.
fn watched(
    cases: &Cases,
    assessed: &Assessed,
    register: &Register,
) -> BTreeMap<String, Vec<Watched>> {
    let to = assessed.result.to.unwrap_or_default();
    cases
        .iter()
        .filter(|c| c.stage == Stage::Attended)
        .filter_map(|c| Some((c, c.attended.as_ref()?.when)))
        .map(|(case, since)| {
            let loops = case
                .tags
                .iter()
                .filter_map(|tag| {
                    let tolerance_pct = register.current(tag)?.tolerance_pct;
                    let trace = assessed.trace(tag, TraceStep::Hour).unwrap_or_default();
                    Some(watch_since(&trace, since, to, tolerance_pct))
                })
                .collect();
            (case.id.clone(), loops)
        })
        .collect()
}

/// Hours and day means of a trace by hours, from the first full hour after `since`; days are 24 h from there.
pub fn watch_since(trace: &Trace, since: UtcMicros, to: UtcMicros, tolerance_pct: f64) -> Watched {
    let begin = since.0.div_euclid(MICROS_PER_HOUR).saturating_add(1) * MICROS_PER_HOUR;
    let mut hours = 0_u32;
    let mut days: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
    let rows = trace
        .time
        .iter()
        .zip(&trace.replies)
        .zip(&trace.difference_pct);
    for ((time, replies), difference) in rows.filter(|((t, _), _)| t.0 >= begin) {
        hours += u32::from(*replies > 0);
        let day = (time.0 - begin) / MICROS_PER_DAY;
        let full = begin + (day + 1) * MICROS_PER_DAY <= to.0;
        if full && difference.is_finite() {
            days.entry(day).or_default().push(*difference);
        }
    }
    Watched {
        tolerance_pct,
        hours: f64::from(hours),
        day_means_pct: days
            .into_values()
            .filter(|d| d.len() >= HOURS_OF_A_DAY)
            .map(|d| d.iter().sum::<f64>() / d.len() as f64)
            .collect(),
    }
}
