//! `loopwitness demo`: the invented works behind simulated gateways on loopback, then the real service over them.
//!
//! Nothing is shown that did not come through import, collector and assessment.

use crate::cli::{self, DemoArgs, Progress};
use crate::clock;
use crate::config::SiteConfig;
use crate::service;
use anyhow::{Context, bail};
use ingest_model::UtcMicros;
use ingest_model::instant::MICROS_PER_S;
use ingest_store::Store;
use sample_fleet::FleetOptions;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};
use tokio_util::sync::CancellationToken;

/// Seconds between two readings of the written history.
const PERIOD_S: f64 = 120.0;

fn options(args: &DemoArgs) -> FleetOptions {
    // On a whole second, so that the folder reads well.
    let end = UtcMicros(clock::now().0.div_euclid(MICROS_PER_S) * MICROS_PER_S);
    FleetOptions {
        loops: args.loops,
        days: args.days,
        period_s: PERIOD_S,
        ..FleetOptions::new(args.seed, end)
    }
}

/// Where the demo works; a temporary folder goes when it ends.
struct Workplace {
    dir: PathBuf,
    temporary: bool,
}

impl Workplace {
    fn open(args: &DemoArgs) -> anyhow::Result<Self> {
        let (dir, temporary) = match &args.store {
            Some(dir) => (dir.clone(), false),
            None => (
                std::env::temp_dir().join(format!("loopwitness-demo-{}", std::process::id())),
                true,
            ),
        };
        std::fs::create_dir_all(&dir)
            .with_context(|| format!("cannot create {}", dir.display()))?;
        let used = std::fs::read_dir(&dir)
            .with_context(|| format!("cannot read {}", dir.display()))?
            .next()
            .is_some();
        if used {
            bail!(
                "{} is not empty: give another folder, or empty it",
                dir.display()
            );
        }
        Ok(Self { dir, temporary })
    }
}

impl Drop for Workplace {
    fn drop(&mut self) {
        if self.temporary
            && let Err(e) = std::fs::remove_dir_all(&self.dir)
        {
            tracing::warn!("cannot remove {}: {e}", self.dir.display());
        }
    }
}

/// Runs until SIGINT or SIGTERM, or writes the site folder and returns.
pub(crate) fn run(args: &DemoArgs) -> anyhow::Result<()> {
    let fleet = options(args);
    if let Some(out) = &args.out {
        write(out, &fleet)?;
        let site = out.join("site");
        return cli::print(&format!(
            "site folder: {}, and its truth beside it\n",
            site.display()
        ));
    }
    service::log_to_stderr();
    let workplace = Workplace::open(args)?;
    let runtime = tokio::runtime::Runtime::new().context("cannot start the runtime")?;
    let done = runtime.block_on(async {
        let shutdown = service::shutdown_on_signal()?;
        prepare_and_serve(args, &fleet, &workplace.dir, &shutdown).await
    });
    // An interrupted writer of history is not waited for.
    runtime.shutdown_background();
    done
}

async fn prepare_and_serve(
    args: &DemoArgs,
    fleet: &FleetOptions,
    dir: &Path,
    shutdown: &CancellationToken,
) -> anyhow::Result<()> {
    // First, since a port that is taken should be known before the history is written.
    let listener = service::listen(SocketAddr::from((Ipv4Addr::LOCALHOST, args.port))).await?;
    let address = listener.local_addr()?;
    let history = {
        let (dir, fleet) = (dir.to_owned(), fleet.clone());
        service::blocking(move || {
            write(&dir, &fleet)?;
            let store = Store::open(&dir.join("store"), "loopwitness demo", clock::now())?;
            cli::import_with_progress(&store, &dir.join("site"), "import")?;
            Ok(store)
        })
    };
    let store = tokio::select! {
        store = history => store?,
        () = shutdown.cancelled() => return Ok(()),
    };

    // The gateways outlive the service, so that its sessions close in order.
    let simulation = CancellationToken::new();
    let live = sample_fleet::serve_live(fleet, clock::now, simulation.clone()).await?;
    let file = dir.join("site.toml");
    // The register is in the site folder, one below.
    let text = sample_fleet::site_toml(&live, fleet)
        .replace("register = \"loops.csv\"", "register = \"site/loops.csv\"");
    std::fs::write(&file, &text).with_context(|| format!("cannot write {}", file.display()))?;
    let mut config = SiteConfig::parse(&text, &file)?;
    config.listen = address;
    for gateway in &mut config.gateways {
        gateway.poll_every = args.poll;
    }
    for analog in &mut config.analogs {
        // A current is matched with an exchange only while it is younger than a poll period.
        analog.poll_every = analog.poll_every.min(args.poll / 2);
    }
    cli::print(&format!(
        "Loopwitness is at http://{address}/\n\
         The simulator control is at http://{}/ (POST /break?tag=TAG&fault=FAULT, POST /mend?tag=TAG, GET /faults)\n",
        live.control
    ))?;
    let done = service::run_with(&config, store, listener, shutdown.clone()).await;
    simulation.cancel();
    done
}

/// `dir/site` with loops.csv and readings, and `dir/truth.json`.
fn write(dir: &Path, fleet: &FleetOptions) -> anyhow::Result<()> {
    let mut progress = Progress::start("sample works");
    sample_fleet::write_site(dir, fleet, &mut |share| progress.set(share, ""))?;
    progress.done(&format!(
        "{} loops over {} days are in {}",
        fleet.loops,
        fleet.days,
        dir.display()
    ));
    Ok(())
}
