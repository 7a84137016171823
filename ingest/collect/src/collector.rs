//! Starts and stops the tasks of a site.

use crate::analog::{self, AnalogTable};
use crate::capture::Capture;
use crate::config::{AnalogConfig, GatewayConfig};
use crate::device::Discovered;
use crate::directory::LoopDirectory;
use crate::gateway::Runner;
use crate::poller::{Claims, Poller};
use crate::sheet::SheetTable;
use crate::sink::{Outbox, ReadingSink, drain};
use crate::status::GatewayStatus;
use ingest_model::UtcMicros;
use std::sync::Arc;
use std::time::{Instant, SystemTime, UNIX_EPOCH};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// What a collector works with.
pub struct CollectorParts {
    pub gateways: Vec<GatewayConfig>,
    pub analog: Vec<AnalogConfig>,
    pub directory: Arc<dyn LoopDirectory>,
    pub sink: Arc<dyn ReadingSink>,
}

impl std::fmt::Debug for CollectorParts {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("CollectorParts")
            .field("gateways", &self.gateways)
            .field("analog", &self.analog.len())
            .finish_non_exhaustive()
    }
}

/// A running collector. Dropping it cancels the tasks; [`stop`](Self::stop) also waits for their good end.
#[derive(Debug)]
pub struct Collector {
    stop: CancellationToken,
    tasks: Vec<JoinHandle<()>>,
    status: Vec<watch::Receiver<GatewayStatus>>,
    discovered: Option<mpsc::Receiver<Discovered>>,
    analog: Arc<AnalogTable>,
    sheets: Arc<SheetTable>,
    capture: Option<Capture>,
}

/// Device descriptions that wait at most; pollers keep the rest.
const DISCOVERED: usize = 1_024;

fn wall_clock() -> UtcMicros {
    let us = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |d| d.as_micros());
    UtcMicros(i64::try_from(us).unwrap_or(i64::MAX))
}

impl Collector {
    /// Starts a task for each gateway and analog source on the current tokio runtime. Cancelling `stop` stops them.
    pub fn start(parts: CollectorParts, stop: CancellationToken) -> Self {
        Self::start_recorded(parts, None, stop)
    }

    /// [`start`](Self::start), and what passes between us and the gateways is recorded.
    pub fn start_recorded(
        parts: CollectorParts,
        capture: Option<Capture>,
        stop: CancellationToken,
    ) -> Self {
        let started = Instant::now();
        let table = Arc::new(AnalogTable::default());
        let claims = Arc::new(Claims::default());
        let sheets = Arc::new(SheetTable::default());
        let (outbox, queue) = Outbox::new();
        let (discovered, found) = mpsc::channel(DISCOVERED);
        let (mut tasks, mut status) = (Vec::new(), Vec::new());
        for config in parts.gateways {
            let poller = Poller::new(
                config.clone(),
                Arc::clone(&parts.directory),
                Arc::clone(&claims),
                Arc::clone(&table),
                0,
            )
            .with_sheets(Arc::clone(&sheets));
            let (send, receive) = watch::channel(GatewayStatus {
                name: config.name.clone(),
                ..GatewayStatus::default()
            });
            status.push(receive);
            let runner = Runner {
                config,
                poller,
                outbox: outbox.clone(),
                discovered: discovered.clone(),
                status: send,
                stop: stop.clone(),
                started,
                wall: wall_clock,
                attempts: 0,
                shown_ms: 0,
                capture: capture.clone(),
                tap: None,
                arrived: None,
            };
            tasks.push(tokio::spawn(runner.run()));
        }
        for config in parts.analog {
            tasks.push(tokio::spawn(analog::run(
                config,
                Arc::clone(&table),
                wall_clock,
                stop.clone(),
            )));
        }
        // Ends when the last gateway has dropped its outbox and the queue is stored.
        tasks.push(tokio::spawn(drain(queue, parts.sink)));
        Self {
            stop,
            tasks,
            status,
            discovered: Some(found),
            analog: table,
            sheets,
            capture,
        }
    }

    /// State of every gateway, in the order of the configuration.
    pub fn gateways(&self) -> Vec<GatewayStatus> {
        self.status.iter().map(|s| s.borrow().clone()).collect()
    }

    /// Receivers of the gateways' states, to be kept by whoever shows them.
    pub fn watch_gateways(&self) -> Vec<watch::Receiver<GatewayStatus>> {
        self.status.clone()
    }

    /// The stream of device descriptions; can be taken once.
    pub fn take_discovered(&mut self) -> Option<mpsc::Receiver<Discovered>> {
        self.discovered.take()
    }

    /// The newest analog samples.
    pub fn analog(&self) -> Arc<AnalogTable> {
        Arc::clone(&self.analog)
    }

    /// What devices said beside their readings.
    pub fn sheets(&self) -> Arc<SheetTable> {
        Arc::clone(&self.sheets)
    }

    /// Closes the sessions, stores what is read, and waits for it.
    pub async fn stop(mut self) {
        self.stop.cancel();
        for task in self.tasks.drain(..) {
            if let Err(e) = task.await {
                tracing::error!("a task of the collector failed: {e}");
            }
        }
        if let Some(capture) = self.capture.take() {
            // Waits for a thread that writes what is left: not on this one.
            if let Err(e) = tokio::task::spawn_blocking(move || capture.finish()).await {
                tracing::error!("the end of the capture file failed: {e}");
            }
        }
    }
}

impl Drop for Collector {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}
