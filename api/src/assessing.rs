//! Assesses the record while it grows: a small one as a whole; of a larger one the statistics in one task and, beside it,
//! what new readings state by themselves in another.

use crate::clock;
use crate::service::blocking;
use crate::state::Shared;
use analytics_assess::{Assessed, Engine, Settled};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// A result follows new readings after this time, and comes at least so often.
const SOON: Duration = Duration::from_secs(1);
const AT_LEAST: Duration = Duration::from_secs(60);
/// Statistics that only late rows ask for are made anew after so many times what they take.
const LATE_ROWS_REST: u32 = 9;

/// Runs until `shutdown`; what fails is said, and tried again.
pub(crate) async fn on_and_on(shared: Arc<Shared>, shutdown: CancellationToken) {
    let (tell, told) = watch::channel(None);
    tokio::join!(
        statistics(shared.clone(), tell, shutdown.clone()),
        newest(shared, told, shutdown)
    );
}

/// What [`Statistics::once`] came to.
enum Done {
    /// The record is a small one: there is a result.
    Whole,
    /// To be followed from here.
    Settled(Arc<Settled>),
}

/// What is kept from one time to the next.
struct Statistics {
    engine: Engine,
    settled: Option<Arc<Settled>>,
    /// When the newest statistics were made, and how long that took.
    made: Option<(Instant, Duration)>,
}

impl Statistics {
    fn new(shared: &Shared) -> Self {
        let engine = Engine::new(shared.assessing.clone());
        Self {
            engine: engine.with_rollups(shared.rollups.clone()),
            settled: None,
            made: None,
        }
    }

    fn once(&mut self, shared: &Shared) -> anyhow::Result<Done> {
        let began = Instant::now();
        let snapshot = shared.reader.snapshot()?;
        let progress = &mut |share| shared.set_progress(share);
        if !self.engine.follows(&snapshot) {
            self.settled = None;
            let assessed = self.engine.assess(&snapshot, None, progress)?;
            publish(shared, assessed, &snapshot, began);
            return Ok(Done::Whole);
        }
        let late_rows = self
            .made
            .is_none_or(|(at, took)| at.elapsed() > took * LATE_ROWS_REST);
        let before = self.engine.times_settled();
        let known = self.settled.take();
        let settled = self
            .engine
            .settle(&snapshot, None, known.as_ref(), late_rows, progress);
        // One that is older is better than none.
        self.settled = settled.as_ref().map_or(known, |s| Some(Arc::clone(s)));
        if self.engine.times_settled() > before {
            let took = began.elapsed();
            self.made = Some((Instant::now(), took));
            shared.metrics.statistics_took(took.as_secs_f64());
            tracing::debug!("statistics made in {:.2} s", took.as_secs_f64());
        }
        Ok(Done::Settled(settled?))
    }
}

/// Statistics of a larger record, whole results of a small one.
async fn statistics(
    shared: Arc<Shared>,
    tell: watch::Sender<Option<Arc<Settled>>>,
    shutdown: CancellationToken,
) {
    let mut changed = shared.changed.subscribe();
    let mut kept = Some(Statistics::new(&shared));
    loop {
        changed.mark_unchanged();
        let began = Instant::now();
        let (taken, state) = (kept.take(), shared.clone());
        let work = blocking(move || {
            let mut statistics = taken.unwrap_or_else(|| Statistics::new(&state));
            let done = statistics.once(&state);
            Ok((statistics, done))
        });
        let outcome = tokio::select! {
            // The work itself cannot be stopped; it only reads.
            () = shutdown.cancelled() => return,
            outcome = work => outcome,
        };
        let failed = match outcome {
            Ok((statistics, done)) => {
                kept = Some(statistics);
                done.map(|done| {
                    let now = match done {
                        Done::Whole => None,
                        Done::Settled(settled) => Some(settled),
                    };
                    tell.send_if_modified(|known| {
                        let same = match (&*known, &now) {
                            (Some(a), Some(b)) => Arc::ptr_eq(a, b),
                            (None, None) => true,
                            _ => false,
                        };
                        *known = now;
                        !same
                    });
                })
                .err()
            }
            // With a panic what was kept is gone.
            Err(e) => Some(e),
        };
        if let Some(e) = failed {
            shared.metrics.assessment_failed();
            tracing::error!("the assessment failed, the last result stays: {e:#}");
        }
        tokio::select! {
            () = shutdown.cancelled() => return,
            () = rest(began, changed.changed()) => {}
        }
    }
}

/// Results to the newest reading, from the statistics that there are.
async fn newest(
    shared: Arc<Shared>,
    mut told: watch::Receiver<Option<Arc<Settled>>>,
    shutdown: CancellationToken,
) {
    let mut changed = shared.changed.subscribe();
    loop {
        changed.mark_unchanged();
        let began = Instant::now();
        let settled = told.borrow_and_update().clone();
        if let Some(settled) = settled {
            let state = shared.clone();
            let outcome = blocking(move || {
                let snapshot = state.reader.snapshot()?;
                match settled.follow(&snapshot, None)? {
                    Some(assessed) => publish(&state, assessed, &snapshot, began),
                    None => tracing::debug!("the statistics are to be made anew first"),
                }
                Ok(())
            });
            let outcome = tokio::select! {
                () = shutdown.cancelled() => return,
                outcome = outcome => outcome,
            };
            if let Err(e) = outcome {
                shared.metrics.assessment_failed();
                tracing::error!(
                    "the newest readings were not judged, the last result stays: {e:#}"
                );
            }
        }
        let news = async {
            tokio::select! {
                _ = changed.changed() => {}
                _ = told.changed() => {}
            }
        };
        tokio::select! {
            () = shutdown.cancelled() => return,
            () = rest(began, news) => {}
        }
    }
}

/// A slow assessment leaves the machine at least as much time as it took; then `news` are waited for.
async fn rest(began: Instant, news: impl Future) {
    let soon = SOON.max(began.elapsed() * 2).min(AT_LEAST);
    tokio::time::sleep(soon).await;
    let _news = tokio::time::timeout(AT_LEAST.saturating_sub(soon), news).await;
}

/// Puts a result in place for the pages, the cases and the metrics.
fn publish(
    shared: &Shared,
    mut assessed: Assessed,
    snapshot: &ingest_store::Snapshot,
    began: Instant,
) {
    let took = began.elapsed().as_secs_f64();
    shared.metrics.assessment_took(took);
    tracing::debug!("assessed {} loops in {took:.2} s", assessed.result.loops);
    let now = clock::now();
    // A log of cases that cannot be written must not keep the result back.
    if let Some(store) = shared.store() {
        let book = &shared.book;
        let followed = book
            .assessed(&store, &assessed, snapshot.register(), now)
            .and_then(|_| book.cases());
        match followed {
            Ok(cases) => shared.metrics.cases(&cases, now),
            Err(e) => {
                shared.metrics.case_log_failed();
                tracing::error!("the cases could not follow the assessment: failed to {e}");
            }
        }
    }
    if let Some(sheets) = shared.sheets.get() {
        crate::ownstatus::tell(&mut assessed.result.attention, sheets, &shared.notes);
    }
    shared.set_current(assessed, now);
}
