//! The service: store, collection, sealing, assessment and HTTP, started in order and stopped in reverse.

use crate::assessing;
use crate::clock;
use crate::collection;
use crate::config::SiteConfig;
use crate::http;
use crate::state::{Shared, SiteView};
use analytics_assess::Watch;
use anyhow::Context;
use ingest_store::{ImportOptions, Store};
use std::io::IsTerminal;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::net::TcpListener;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// Between two seals of the landing.
const SEAL_EVERY: Duration = Duration::from_secs(180);
/// Old days written in the compact layout between two seals; the seals and the end of the service wait for them.
const COMPACTED_AT_ONCE: usize = 2;
/// How often it is asked whether a day is over whose numbers are to be made.
const WATCH_LOOKS_EVERY: Duration = Duration::from_secs(5);
/// Open connections get this long to finish when the service stops.
const DRAIN: Duration = Duration::from_secs(5);

/// Log lines on standard error; `RUST_LOG` chooses.
pub fn log_to_stderr() {
    let filter = tracing_subscriber::EnvFilter::try_from_default_env()
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info"));
    // A second call (tests) keeps the first.
    let _set = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal())
        .try_init();
}

/// A token that SIGINT and SIGTERM cancel.
pub fn shutdown_on_signal() -> std::io::Result<CancellationToken> {
    use tokio::signal::unix::{SignalKind, signal};
    let (mut term, mut int) = (
        signal(SignalKind::terminate())?,
        signal(SignalKind::interrupt())?,
    );
    let token = CancellationToken::new();
    let stop = token.clone();
    tokio::spawn(async move {
        tokio::select! {
            _ = term.recv() => {}
            _ = int.recv() => {}
        }
        tracing::info!("stopping");
        stop.cancel();
    });
    Ok(token)
}

/// Listens, and says what to do when the address is taken.
pub async fn listen(address: SocketAddr) -> anyhow::Result<TcpListener> {
    TcpListener::bind(address).await.with_context(|| {
        format!("cannot listen on {address}; choose another listen address or stop what uses it")
    })
}

/// Opens the store of `config` and runs until `shutdown`; everything accepted is kept.
pub async fn run(
    config: &SiteConfig,
    listener: TcpListener,
    shutdown: CancellationToken,
) -> anyhow::Result<()> {
    let dir = config.store.clone();
    let store = blocking(move || Ok(Store::open(&dir, "loopwitness serve", clock::now())?)).await?;
    run_with(config, store, listener, shutdown).await
}

/// [`run`] over a store that is open already (the demo has just imported into it).
pub async fn run_with(
    config: &SiteConfig,
    store: Store,
    listener: TcpListener,
    shutdown: CancellationToken,
) -> anyhow::Result<()> {
    let store = Arc::new(store);
    let collection = collection::prepare(config);
    let site = SiteView {
        name: config.name.clone(),
        timezone: config.timezone.name().to_owned(),
    };
    let notes = match &config.device_notes {
        Some(folder) => crate::notes::DeviceNotes::load(folder)?,
        None => crate::notes::DeviceNotes::default(),
    };
    let shared = Shared::with_limits(
        site,
        store.clone(),
        collection.gateways(),
        shutdown.clone(),
        config.limits,
    );
    let shared = Arc::new(
        shared
            .assessing_by(&config.assessment)
            .open_to(config.access.clone())
            .with_notes(notes),
    );

    // HTTP first: liveness answers while the register loads.
    let mut http_server = tokio::spawn(serve_http(shared.clone(), listener, shutdown.clone()));
    let started = tokio::select! {
        tasks = start(config, &shared, &store, collection, &shutdown) => tasks.map(Some),
        ended = &mut http_server => http_ended(ended, &shutdown).map(|()| None),
    };
    let outcome = match &started {
        Ok(Some(_)) => tokio::select! {
            () = shutdown.cancelled() => Ok(()),
            ended = &mut http_server, if !http_server.is_finished() => http_ended(ended, &shutdown),
        },
        _ => Ok(()),
    };
    shutdown.cancel();
    let outcome = match started {
        Ok(Some(tasks)) => {
            stop_tasks(tasks).await;
            outcome
        }
        Ok(None) => outcome,
        Err(e) => Err(e),
    };

    // No more readings come: the last seal, then the last answers.
    shared.close_store();
    let sealed = blocking(move || {
        let report = store.seal(clock::now())?;
        drop(store);
        Ok(report)
    })
    .await;
    match &sealed {
        Ok(report) => tracing::info!("sealed {} readings; stopped", report.rows),
        // What landed is on the disk; the next start seals it.
        Err(e) => tracing::error!("the last seal failed, the readings stay in the landing: {e}"),
    }
    if !http_server.is_finished() && tokio::time::timeout(DRAIN, &mut http_server).await.is_err() {
        http_server.abort();
    }
    outcome
}

/// The end of the HTTP server is an error unless it was told to stop.
fn http_ended(
    ended: Result<std::io::Result<()>, tokio::task::JoinError>,
    shutdown: &CancellationToken,
) -> anyhow::Result<()> {
    ended
        .context("the HTTP server failed")?
        .context("the HTTP server failed")?;
    anyhow::ensure!(shutdown.is_cancelled(), "the HTTP server ended");
    Ok(())
}

/// Closes the sessions, accepts what is read, and waits for the other tasks.
async fn stop_tasks(tasks: Tasks) {
    if let Err(e) = tasks.collection.stop().await {
        tracing::error!("the collector ended badly: {e}");
    }
    for task in tasks.background {
        if let Err(e) = task.await {
            tracing::error!("a task ended badly: {e}");
        }
    }
}

async fn serve_http(
    shared: Arc<Shared>,
    listener: TcpListener,
    shutdown: CancellationToken,
) -> std::io::Result<()> {
    axum::serve(listener, http::router(shared))
        .with_graceful_shutdown(async move { shutdown.cancelled().await })
        .await
}

struct Tasks {
    collection: collection::Running,
    background: Vec<JoinHandle<()>>,
}

/// Register, newest readings, then the tasks.
async fn start(
    config: &SiteConfig,
    shared: &Arc<Shared>,
    store: &Arc<Store>,
    collection: collection::Prepared,
    shutdown: &CancellationToken,
) -> anyhow::Result<Tasks> {
    load(config, shared, store).await?;
    shared.set_ready();
    let collection = collection
        .start(shared.clone(), store.clone(), shutdown.clone())
        .await?;
    let mut background = vec![
        tokio::spawn(seal_now_and_then(
            store.clone(),
            (config.keep_raw, config.compact_after),
            shutdown.clone(),
        )),
        tokio::spawn(assessing::on_and_on(shared.clone(), shutdown.clone())),
        tokio::spawn(watch_nightly(shared.clone(), shutdown.clone())),
        tokio::spawn(http::events::watch(shared.clone(), shutdown.clone())),
    ];
    if let Some(alerts) = &config.alerts {
        background.push(tokio::spawn(crate::alerts::tell(
            shared.clone(),
            alerts.clone(),
            shutdown.clone(),
        )));
    }
    Ok(Tasks {
        collection,
        background,
    })
}

/// What is configured to be imported at start, and the newest readings.
async fn load(config: &SiteConfig, shared: &Arc<Shared>, store: &Arc<Store>) -> anyhow::Result<()> {
    let (register, site) = (config.register.clone(), config.import.clone());
    let options = ImportOptions {
        memory_bytes: config.limits.import_bytes,
    };
    let (shared, store) = (shared.clone(), store.clone());
    blocking(move || {
        if let Some(site) = site {
            let report = store.import_site_with(&site, clock::now(), options, &mut |_| {})?;
            tracing::info!(
                "imported {}: {} readings, {} rejects",
                site.display(),
                report.readings,
                report.rejects
            );
        }
        if let Some(file) = register {
            let text = std::fs::read_to_string(&file)
                .with_context(|| format!("cannot read the register {}", file.display()))?;
            let diff = store
                .register_from_file(&text, clock::now())
                .with_context(|| format!("cannot take the register {}", file.display()))?;
            match diff {
                Some(diff) => tracing::info!(
                    "register {}: {} loops added, {} changed, {} retired",
                    file.display(),
                    diff.added.len(),
                    diff.changed.len(),
                    diff.retired.len()
                ),
                None => tracing::info!(
                    "register {}: taken before; changes made since stay",
                    file.display()
                ),
            }
        }
        shared.load_newest(&store.reader().snapshot()?)?;
        Ok(())
    })
    .await
}

async fn seal_now_and_then(
    store: Arc<Store>,
    (keep_raw, compact_after): (Duration, Option<Duration>),
    shutdown: CancellationToken,
) {
    loop {
        tokio::select! {
            () = shutdown.cancelled() => return,
            () = tokio::time::sleep(SEAL_EVERY) => {}
        }
        let (store, kept, old) = (store.clone(), store.clone(), store.clone());
        match blocking(move || Ok(store.seal(clock::now())?)).await {
            Ok(report) => tracing::debug!(
                "sealed {} readings into {} day files",
                report.rows,
                report.day_files
            ),
            Err(e) => tracing::error!("cannot seal the landing, trying again later: {e:#}"),
        }
        match blocking(move || Ok(kept.drop_days_older_than(keep_raw, clock::now())?)).await {
            Ok(gone) if gone.days == 0 => {}
            Ok(gone) => tracing::info!(
                "dropped {} days older than {} days: {} readings, {} bytes",
                gone.days,
                keep_raw.as_secs() / 86_400,
                gone.rows,
                gone.bytes
            ),
            Err(e) => tracing::error!("cannot drop old days, trying again later: {e:#}"),
        }
        let Some(after) = compact_after else { continue };
        match blocking(move || {
            Ok(old.compact_days_older_than(after, COMPACTED_AT_ONCE, clock::now())?)
        })
        .await
        {
            Ok(done) if done.days == 0 => {}
            Ok(done) => tracing::info!(
                "wrote {} days older than {} days in the compact layout: {} readings, {} bytes instead of {}",
                done.days,
                after.as_secs() / 86_400,
                done.rows,
                done.bytes,
                done.bytes_before
            ),
            Err(e) => tracing::error!("cannot write old days anew, trying again later: {e:#}"),
        }
    }
}

/// Works out what the watch would see: after the first result, and again when a day is over. One core, after a rest, so
/// that the assessment goes first.
async fn watch_nightly(shared: Arc<Shared>, shutdown: CancellationToken) {
    let begin = || match shared.store() {
        Some(store) => Watch::kept_in(store.numbers(), &build()),
        None => Watch::default(),
    };
    let mut watch = begin();
    let mut done: Option<i64> = None;
    loop {
        tokio::select! {
            () = shutdown.cancelled() => return,
            () = tokio::time::sleep(WATCH_LOOKS_EVERY) => {}
        }
        let Some(current) = shared.current() else {
            continue;
        };
        let day = current.assessed.result.to.map(ingest_model::UtcMicros::day);
        if day.is_none() || day == done {
            continue;
        }
        let (mut kept, state, stop) = (watch, shared.clone(), shutdown.clone());
        let outcome = blocking(move || {
            let began = Instant::now();
            let snapshot = state.reader.snapshot()?;
            let report = kept.run(&current.assessed, &snapshot, &|| !stop.is_cancelled());
            tracing::info!(
                "what the watch would see: {} loops, {} made anew, {} blind for a kind, in {:.2} s",
                report.loops.len(),
                report.renewed,
                report.blind.len(),
                began.elapsed().as_secs_f64()
            );
            state.set_watch(report);
            Ok(kept)
        })
        .await;
        watch = match outcome {
            Ok(kept) => {
                done = day;
                kept
            }
            Err(e) => {
                tracing::error!("what the watch would see could not be worked out: {e:#}");
                done = day;
                begin()
            }
        };
    }
}

/// Names this build of the program: another one may judge otherwise.
fn build() -> String {
    use std::hash::{DefaultHasher, Hash, Hasher};
    let file = std::env::current_exe().and_then(std::fs::metadata);
    let mut h = DefaultHasher::new();
    env!("CARGO_PKG_VERSION").hash(&mut h);
    match file.map(|m| (m.len(), m.modified().ok())) {
        Ok(known) => known.hash(&mut h),
        // Not known: a name that none had before.
        Err(_) => clock::now().0.hash(&mut h),
    }
    format!("{:016x}", h.finish())
}

/// Blocking work off the async threads; a panic in it becomes an error.
pub(crate) async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> anyhow::Result<T> + Send + 'static,
) -> anyhow::Result<T> {
    tokio::task::spawn_blocking(work)
        .await
        .context("a task of the service failed")?
}
