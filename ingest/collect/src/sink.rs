//! Where readings go: batches to a sink that blocks until they are safe.

use ingest_model::{Reading, Tag};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::sync::mpsc;

/// Why a batch was not taken; it is offered again.
#[derive(Debug, thiserror::Error)]
#[error("readings were not stored: {0}")]
pub struct SinkError(pub String);

/// Takes readings. Blocking; called from a thread that may block. When it returns `Ok`, the batch is kept for good.
pub trait ReadingSink: Send + Sync + 'static {
    fn append(&self, batch: Vec<(Tag, Reading)>) -> Result<(), SinkError>;
}

/// Readings that wait at most; beyond that new ones are counted as lost.
const QUEUE: usize = 65_536;
const BATCH: usize = 4_096;
/// How long a first reading waits for company.
const GATHER: Duration = Duration::from_millis(250);
/// Attempts to store what is left after the collector was told to stop.
const LAST_ATTEMPTS: u32 = 3;

/// The way into the sink that pollers hold.
#[derive(Clone, Debug)]
pub(crate) struct Outbox {
    queue: mpsc::Sender<(Tag, Reading)>,
    lost: Arc<AtomicU64>,
}

impl Outbox {
    /// The outbox and the receiver that [`drain`] empties.
    pub(crate) fn new() -> (Self, mpsc::Receiver<(Tag, Reading)>) {
        let (queue, rest) = mpsc::channel(QUEUE);
        (
            Self {
                queue,
                lost: Arc::default(),
            },
            rest,
        )
    }

    /// Never waits: polling goes on while the sink is slow.
    pub(crate) fn send(&self, tag: Tag, reading: Reading) {
        if self.queue.try_send((tag, reading)).is_err() {
            self.lost.fetch_add(1, Ordering::Relaxed);
        }
    }

    pub(crate) fn lost(&self) -> u64 {
        self.lost.load(Ordering::Relaxed)
    }
}

/// Moves readings to the sink until every [`Outbox`] is gone.
pub(crate) async fn drain(mut queue: mpsc::Receiver<(Tag, Reading)>, sink: Arc<dyn ReadingSink>) {
    loop {
        let mut batch = Vec::new();
        if queue.recv_many(&mut batch, BATCH).await == 0 {
            return;
        }
        let until = tokio::time::Instant::now() + GATHER;
        while batch.len() < BATCH {
            let room = BATCH - batch.len();
            match tokio::time::timeout_at(until, queue.recv_many(&mut batch, room)).await {
                Ok(0) | Err(_) => break,
                Ok(_) => {}
            }
        }
        store(batch, &sink, &queue).await;
    }
}

async fn store(
    batch: Vec<(Tag, Reading)>,
    sink: &Arc<dyn ReadingSink>,
    queue: &mpsc::Receiver<(Tag, Reading)>,
) {
    let (mut wait, mut last) = (Duration::from_secs(1), 0);
    loop {
        let (s, b) = (Arc::clone(sink), batch.clone());
        let why = match tokio::task::spawn_blocking(move || s.append(b)).await {
            Ok(Ok(())) => return,
            Ok(Err(e)) => e.to_string(),
            Err(e) => format!("the sink failed: {e}"),
        };
        tracing::error!(
            readings = batch.len(),
            "{why}; trying again in {} s",
            wait.as_secs()
        );
        if queue.is_closed() || queue.sender_strong_count() == 0 {
            last += 1;
            if last >= LAST_ATTEMPTS {
                tracing::error!(
                    readings = batch.len(),
                    "readings are given up: the collector stops"
                );
                return;
            }
        }
        tokio::time::sleep(wait).await;
        wait = (wait * 2).min(Duration::from_secs(30));
    }
}
