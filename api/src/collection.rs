//! Collection: from `site.toml` to the collector, and from the collector to landing, register and state.
//!
//! The one place where configuration becomes the collector's plain structs, and where its readings are accepted.

use crate::clock;
use crate::config::{self, CaptureTo, SiteConfig};
use crate::service::blocking;
use crate::state::{FailureCounts, GatewaySource, GatewayView, ModemView, Shared};
use anyhow::Context;
use ingest_collect::capture::Capture;
use ingest_collect::{
    AnalogConfig, AnalogPoint, Collector, CollectorParts, Discovered, GatewayConfig, GatewayStatus,
    KnownLoop, LoopDirectory, MasterChoice, RawFormat, ReadingSink, SinkError, StaticDirectory,
    Table,
};
use ingest_model::{DeviceKey, Reading, Tag};
use ingest_store::{Landing, Register, Store};
use std::sync::{Arc, OnceLock, PoisonError, RwLock};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// Device descriptions entered into the register at once.
const ENTER_AT_ONCE: usize = 512;

type Watched = Arc<OnceLock<Vec<watch::Receiver<GatewayStatus>>>>;

/// What is configured, not started.
pub(crate) struct Prepared {
    gateways: Vec<GatewayConfig>,
    analog: Vec<AnalogConfig>,
    capture: Option<CaptureTo>,
    watched: Watched,
}

/// The collector and the task that enters what it discovers.
pub(crate) struct Running {
    collector: Collector,
    entering: JoinHandle<()>,
}

/// The collector's configuration.
pub(crate) fn prepare(config: &SiteConfig) -> Prepared {
    for warning in config.warnings() {
        tracing::warn!("{warning}");
    }
    let gateways = config
        .gateways
        .iter()
        .map(|g| GatewayConfig {
            transport: g.transport,
            psk: g.psk.clone(),
            poll_every: g.poll_every,
            timeout: g.timeout,
            retries: u32::from(g.retries),
            master: match g.master {
                config::Master::Auto => MasterChoice::Auto,
                config::Master::Primary => MasterChoice::Primary,
                config::Master::Secondary => MasterChoice::Secondary,
            },
            opt_in: g.opt_in,
            ..GatewayConfig::new(&g.name, &g.address)
        })
        .collect();
    let analog = config
        .analogs
        .iter()
        .map(|a| AnalogConfig {
            name: a.name.clone(),
            address: a.address.clone(),
            poll_every: a.poll_every,
            timeout: a.timeout,
            points: a.points.iter().map(|(tag, p)| point(tag, p)).collect(),
        })
        .collect();
    Prepared {
        gateways,
        analog,
        capture: config.capture.clone(),
        watched: Arc::default(),
    }
}

fn point(tag: &Tag, p: &config::Point) -> AnalogPoint {
    AnalogPoint {
        tag: tag.clone(),
        unit_id: p.unit,
        table: match p.kind {
            config::RegisterKind::Input => Table::Input,
            config::RegisterKind::Holding => Table::Holding,
        },
        address: p.register,
        format: RawFormat::U16,
        raw_low: f64::from(p.raw[0]),
        raw_high: f64::from(p.raw[1]),
        low_ma: p.ma[0],
        high_ma: p.ma[1],
    }
}

fn view(s: &GatewayStatus) -> GatewayView {
    let f = s.failures;
    GatewayView {
        name: s.name.clone(),
        connected: s.connected,
        sessions: s.sessions,
        master: s.master,
        devices: s.devices,
        planned_per_s: s.planned_per_s,
        achieved_per_s: s.achieved_per_s,
        late_s: s.late_s,
        modems: s
            .modems
            .iter()
            .map(|m| ModemView {
                modem: m.modem,
                name: None,
                tag: m.tag.clone(),
                planned_per_s: m.planned_per_s,
                achieved_per_s: m.achieved_per_s,
                devices: m.devices,
                planned_load: m.planned_load,
                achieved_load: m.achieved_load,
            })
            .collect(),
        failures: FailureCounts {
            timeouts: f.timeouts,
            refused: f.refused,
            bad_frames: f.bad_frames,
            late_answers: f.late_answers,
            comm_errors: f.comm_errors,
            no_reply: f.no_reply,
            disconnects: f.disconnects,
        },
        readings_lost: s.readings_lost,
        last_error: s.last_error.clone(),
    }
}

impl Prepared {
    /// Where the gateways' state is read; before the start they are shown as not connected.
    pub(crate) fn gateways(&self) -> GatewaySource {
        let names: Vec<String> = self.gateways.iter().map(|g| g.name.clone()).collect();
        let watched = self.watched.clone();
        Box::new(move || match watched.get() {
            Some(receivers) => receivers.iter().map(|r| view(&r.borrow())).collect(),
            None => names
                .iter()
                .map(|n| {
                    view(&GatewayStatus {
                        name: n.clone(),
                        ..Default::default()
                    })
                })
                .collect(),
        })
    }

    /// Starts to collect.
    pub(crate) async fn start(
        self,
        shared: Arc<Shared>,
        store: Arc<Store>,
        shutdown: CancellationToken,
    ) -> anyhow::Result<Running> {
        let directory = Arc::new(RegisterDirectory::default());
        directory.load(&store).await?;
        let sink = Arc::new(LandingSink {
            landing: store.landing(),
            shared: shared.clone(),
        });
        let parts = CollectorParts {
            gateways: self.gateways,
            analog: self.analog,
            directory: directory.clone(),
            sink,
        };
        let capture = match self.capture {
            Some(to) => Some(
                Capture::create(&to.path, to.limit)
                    .with_context(|| format!("cannot record into {}", to.path.display()))?,
            ),
            None => None,
        };
        let mut collector = Collector::start_recorded(parts, capture, shutdown.clone());
        // Set once: prepared is consumed here.
        let _first = self.watched.set(collector.watch_gateways());
        let _first = shared.sheets.set(collector.sheets());
        let found = collector.take_discovered();
        let entering = tokio::spawn(enter(found, shared, store, directory, shutdown));
        Ok(Running {
            collector,
            entering,
        })
    }
}

impl Running {
    /// Sessions closed, everything read is accepted.
    pub(crate) async fn stop(self) -> Result<(), tokio::task::JoinError> {
        self.collector.stop().await;
        self.entering.await
    }
}

/// Accepts readings: in the landing first, then in what the API shows.
struct LandingSink {
    landing: Landing,
    shared: Arc<Shared>,
}

impl ReadingSink for LandingSink {
    fn append(&self, batch: Vec<(Tag, Reading)>) -> Result<(), SinkError> {
        let Some(newest) = batch.iter().map(|(_, r)| r.time).max() else {
            return Ok(());
        };
        self.landing
            .append(batch.clone())
            .map_err(|e| SinkError(e.to_string()))?;
        self.shared.note_newest(&batch);
        self.shared
            .metrics
            .accepted(batch.len(), newest, clock::now());
        self.shared.changed.send_replace(());
        Ok(())
    }
}

/// The register as the collector looks loops up: from memory, replaced when it changes.
#[derive(Default)]
struct RegisterDirectory {
    /// With the version of the register that they are of.
    loops: RwLock<(String, Arc<StaticDirectory>)>,
}

impl RegisterDirectory {
    async fn load(self: &Arc<Self>, store: &Arc<Store>) -> anyhow::Result<()> {
        let (this, reader) = (self.clone(), store.reader());
        blocking(move || {
            this.set(reader.snapshot()?.register());
            Ok(())
        })
        .await
    }

    fn set(&self, register: &Register) {
        let version = register.version();
        let known = self.loops.read().unwrap_or_else(PoisonError::into_inner);
        if known.0 == version {
            return;
        }
        drop(known);
        // A device that replaced another is in its own retired loop as well: the loop in use comes last and stands.
        let (retired, in_use): (Vec<&Tag>, Vec<&Tag>) =
            register.tags().partition(|t| register.is_retired(t));
        let loops = retired
            .into_iter()
            .chain(in_use)
            .filter_map(|t| register.current(t))
            .map(KnownLoop::from)
            .collect();
        *self.loops.write().unwrap_or_else(PoisonError::into_inner) =
            (version, Arc::new(StaticDirectory::new(loops)));
    }

    fn now(&self) -> Arc<StaticDirectory> {
        self.loops
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .1
            .clone()
    }
}

impl LoopDirectory for RegisterDirectory {
    fn by_device(&self, device: DeviceKey) -> Option<KnownLoop> {
        self.now().by_device(device)
    }

    fn by_tag(&self, tag: &str) -> Option<KnownLoop> {
        self.now().by_tag(tag)
    }

    fn of_gateway(&self, gateway: &str) -> Vec<KnownLoop> {
        self.now().of_gateway(gateway)
    }
}

/// Enters loops that a gateway shows, and keeps the directory current.
async fn enter(
    found: Option<mpsc::Receiver<Discovered>>,
    shared: Arc<Shared>,
    store: Arc<Store>,
    directory: Arc<RegisterDirectory>,
    shutdown: CancellationToken,
) {
    let Some(mut found) = found else { return };
    let mut register_changed = shared.register_changed.subscribe();
    loop {
        let mut batch = Vec::new();
        tokio::select! {
            () = shutdown.cancelled() => return,
            n = found.recv_many(&mut batch, ENTER_AT_ONCE) => if n == 0 { return },
            changed = register_changed.changed() => if changed.is_err() { return },
        }
        let entered = enter_batch(batch, &shared, &store).await;
        let loaded = directory.load(&store).await;
        for e in [entered, loaded].into_iter().filter_map(Result::err) {
            tracing::error!("cannot bring the register up to date: {e:#}");
        }
    }
}

async fn enter_batch(
    batch: Vec<Discovered>,
    shared: &Arc<Shared>,
    store: &Arc<Store>,
) -> anyhow::Result<()> {
    let mut entries = Vec::with_capacity(batch.len());
    for d in batch {
        if let Some(first) = &d.duplicate_of {
            tracing::warn!(
                "gateway {}: a second device has the tag {first}; it is entered as {}",
                d.gateway,
                d.tag
            );
        }
        match d.to_entry() {
            Some(entry) => entries.push(entry),
            None if d.known => {}
            None => tracing::warn!(
                "gateway {}: {} tells no range and unit, and is not entered",
                d.gateway,
                d.tag
            ),
        }
    }
    if entries.is_empty() {
        return Ok(());
    }
    let (store, shared) = (store.clone(), shared.clone());
    blocking(move || {
        let diff = store.enter_loops(entries, clock::now())?;
        if !diff.added.is_empty() {
            tracing::info!(
                "{} loops that the register lacked are entered, not confirmed",
                diff.added.len()
            );
        }
        if !diff.is_empty() {
            shared.changed.send_replace(());
        }
        Ok(())
    })
    .await
}
