//! `loopwitness demo`: the invented works behind simulated gateways on loopback, then the real service over them.
//!
//! Nothing is shown that did not come through import, collector and assessment.

use crate::cli::{self, Progress};
use crate::clock;
use crate::config::{SiteConfig, parse_duration};
use crate::service;
use anyhow::{Context, bail};
use clap::Args;
use ingest_model::UtcMicros;
use ingest_model::instant::MICROS_PER_S;
use ingest_store::Store;
use sample_fleet::{Absent, FleetOptions, Live, LiveState, Profile};
use serde::{Deserialize, Serialize};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// The demo's folder: what it was started with, and where its simulated plant stopped.
const OPTIONS_FILE: &str = "demo.json";
const STATE_FILE: &str = "simulator.json";
/// How often the plant's state is kept.
const KEEP_STATE_EVERY: Duration = Duration::from_secs(60);

#[derive(Debug, Args)]
pub(crate) struct DemoArgs {
    /// Days of history [default: 30]
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=400))]
    days: Option<u32>,
    /// Number of loops, 1 to 10000; above 240 the plant's areas come again with other numbers [default: 240]
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=10_000))]
    loops: Option<u32>,
    /// Same seed, same plant [default: 1]
    #[arg(long)]
    seed: Option<u64>,
    /// How often each loop was polled in the history, 10s to 600s [default: 120s]
    #[arg(long, value_parser = parse_period)]
    period: Option<Duration>,
    /// What is wrong with the plant: the scripted sable-point, or drawn by the seed: mixed, healthy, hard, common, drift
    /// [default: sable-point]
    #[arg(long, value_parser = str::parse::<Profile>)]
    profile: Option<Profile>,
    /// Columns that the history does without: analog_ma, reported_ma, analog_time, sv, status, counters, config_changes,
    /// response_code
    #[arg(long, value_delimiter = ',', value_parser = str::parse::<Absent>)]
    without: Vec<Absent>,
    /// End of the written history (RFC 3339) [default: now]
    #[arg(long, value_name = "TIME", value_parser = cli::parse_time, requires = "out")]
    end: Option<UtcMicros>,
    /// Port on 127.0.0.1; 0 takes a free one
    #[arg(long, default_value_t = 8470)]
    port: u16,
    /// Write the site folder and the truth file here, and stop
    #[arg(long, value_name = "SITE")]
    out: Option<PathBuf>,
    /// How often each loop is polled
    #[arg(long, default_value = "30s", value_parser = parse_duration)]
    poll: Duration,
    /// Folder to work in: empty or new, or that of an earlier demo, which then goes on; a temporary one without it,
    /// removed at the end
    #[arg(long, value_name = "DIR")]
    store: Option<PathBuf>,
}

fn parse_period(text: &str) -> Result<Duration, String> {
    let period = parse_duration(text)?;
    if (10..=600).contains(&period.as_secs()) && period <= Duration::from_secs(600) {
        Ok(period)
    } else {
        Err(format!("`{text}` is not between 10s and 600s"))
    }
}

fn options(args: &DemoArgs) -> FleetOptions {
    // On a whole second, so that the folder reads well.
    let now = UtcMicros(clock::now().0.div_euclid(MICROS_PER_S) * MICROS_PER_S);
    let default = FleetOptions::new(args.seed.unwrap_or(1), args.end.unwrap_or(now));
    FleetOptions {
        loops: args.loops.unwrap_or(default.loops),
        days: args.days.unwrap_or(default.days),
        period_s: args.period.map_or(default.period_s, |p| p.as_secs_f64()),
        profile: args.profile.unwrap_or(default.profile),
        without: args.without.clone(),
        ..default
    }
}

/// The options of a demo as its folder keeps them.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Kept {
    seed: u64,
    loops: u32,
    days: u32,
    period_s: f64,
    profile: String,
    without: Vec<String>,
    history_end: String,
}

impl Kept {
    fn of(fleet: &FleetOptions) -> Self {
        Self {
            seed: fleet.seed,
            loops: fleet.loops,
            days: fleet.days,
            period_s: fleet.period_s,
            profile: fleet.profile.name().to_owned(),
            without: fleet.without.iter().map(|a| a.name().to_owned()).collect(),
            history_end: fleet.end.to_rfc3339(),
        }
    }

    fn options(&self) -> anyhow::Result<FleetOptions> {
        let without = self.without.iter().map(|name| name.parse::<Absent>());
        Ok(FleetOptions {
            seed: self.seed,
            loops: self.loops,
            days: self.days,
            period_s: self.period_s,
            end: UtcMicros::parse_rfc3339(&self.history_end)?,
            profile: self.profile.parse().map_err(anyhow::Error::msg)?,
            without: without
                .collect::<Result<_, _>>()
                .map_err(anyhow::Error::msg)?,
        })
    }

    /// What the arguments ask for must be what the folder has.
    fn agrees_with(&self, args: &DemoArgs) -> anyhow::Result<()> {
        let period_s = args.period.map(|p| p.as_secs_f64());
        let without: Vec<&str> = args.without.iter().map(|a| a.name()).collect();
        let differs = [
            ("--seed", args.seed.is_some_and(|v| v != self.seed)),
            ("--loops", args.loops.is_some_and(|v| v != self.loops)),
            ("--days", args.days.is_some_and(|v| v != self.days)),
            ("--period", period_s.is_some_and(|v| v != self.period_s)),
            (
                "--profile",
                args.profile.is_some_and(|v| v.name() != self.profile),
            ),
            ("--without", !without.is_empty() && without != self.without),
        ];
        match differs.iter().find(|(_, differs)| *differs) {
            Some((name, _)) => bail!(
                "the demo in this folder was started with another {name}: leave it out, or give another folder"
            ),
            None => Ok(()),
        }
    }
}

fn read_json<T: serde::de::DeserializeOwned>(file: &Path) -> anyhow::Result<Option<T>> {
    let text = match std::fs::read_to_string(file) {
        Ok(text) => text,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(e) => return Err(e).with_context(|| format!("cannot read {}", file.display())),
    };
    let value = serde_json::from_str(&text)
        .with_context(|| format!("{} is not what a demo wrote", file.display()))?;
    Ok(Some(value))
}

/// Whole or not at all.
fn write_json(file: &Path, value: &impl Serialize) -> anyhow::Result<()> {
    let new = file.with_extension("json.new");
    let text = serde_json::to_string_pretty(value)?;
    std::fs::write(&new, text + "\n")
        .and_then(|()| std::fs::rename(&new, file))
        .with_context(|| format!("cannot write {}", file.display()))
}

/// Where the demo works; a temporary folder goes when it ends.
struct Workplace {
    dir: PathBuf,
    temporary: bool,
    /// Of an earlier demo that goes on.
    kept: Option<Kept>,
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
        let kept: Option<Kept> = read_json(&dir.join(OPTIONS_FILE))?;
        if let Some(kept) = &kept {
            kept.agrees_with(args)?;
        } else {
            let used = std::fs::read_dir(&dir)
                .with_context(|| format!("cannot read {}", dir.display()))?
                .next()
                .is_some();
            if used {
                bail!(
                    "{} is not empty and holds no finished demo: give another folder, or empty it",
                    dir.display()
                );
            }
        }
        Ok(Self {
            dir,
            temporary,
            kept,
        })
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
    if let Some(out) = &args.out {
        write(out, &options(args))?;
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
        prepare_and_serve(args, &workplace, &shutdown).await
    });
    // An interrupted writer of history is not waited for.
    runtime.shutdown_background();
    done
}

/// Writes the history and imports it, unless an earlier demo did.
fn prepare(dir: &Path, fleet: &FleetOptions, resumed: bool) -> anyhow::Result<Store> {
    let open = || Store::open(&dir.join("store"), "loopwitness demo", clock::now());
    if resumed {
        return Ok(open()?);
    }
    write(dir, fleet)?;
    let store = open()?;
    cli::import_with_progress(&store, &dir.join("site"), "import")?;
    // Last, so that an interrupted preparation is not taken for a demo.
    write_json(&dir.join(OPTIONS_FILE), &Kept::of(fleet))?;
    Ok(store)
}

async fn prepare_and_serve(
    args: &DemoArgs,
    workplace: &Workplace,
    shutdown: &CancellationToken,
) -> anyhow::Result<()> {
    let dir = workplace.dir.as_path();
    let resumed = workplace.kept.is_some();
    let fleet = match &workplace.kept {
        Some(kept) => kept.options()?,
        None => options(args),
    };
    // First, since a port that is taken should be known before the history is written.
    let listener = service::listen(SocketAddr::from((Ipv4Addr::LOCALHOST, args.port))).await?;
    let address = listener.local_addr()?;
    let history = {
        let (dir, fleet) = (dir.to_owned(), fleet.clone());
        service::blocking(move || prepare(&dir, &fleet, resumed))
    };
    let store = tokio::select! {
        store = history => store?,
        () = shutdown.cancelled() => return Ok(()),
    };

    // The gateways outlive the service, so that its sessions close in order.
    let simulation = CancellationToken::new();
    let state_file = dir.join(STATE_FILE);
    let stopped: Option<LiveState> = read_json(&state_file)?;
    let live = match &stopped {
        Some(state) => {
            sample_fleet::resume_live(&fleet, state, clock::now, simulation.clone()).await?
        }
        None => sample_fleet::serve_live(&fleet, clock::now, simulation.clone()).await?,
    };
    let file = dir.join("site.toml");
    // The register is in the site folder, one below.
    let text = sample_fleet::site_toml(&live, &fleet)
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
    let done = tokio::select! {
        done = service::run_with(&config, store, listener, shutdown.clone()) => done,
        never = keep_state(&live, &state_file) => match never {},
    };
    write_json(&state_file, &live.state())?;
    simulation.cancel();
    done
}

/// Keeps where the simulated plant stands, now and then; a failure is told and tried again.
async fn keep_state(live: &Live, file: &Path) -> std::convert::Infallible {
    loop {
        tokio::time::sleep(KEEP_STATE_EVERY).await;
        if let Err(e) = write_json(file, &live.state()) {
            tracing::warn!("{e:#}");
        }
    }
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

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Debug, Parser)]
    struct Line {
        #[command(flatten)]
        demo: DemoArgs,
    }

    fn args(line: &str) -> Result<DemoArgs, clap::Error> {
        Line::try_parse_from(std::iter::once("demo").chain(line.split_whitespace())).map(|l| l.demo)
    }

    #[test]
    fn arguments_and_their_bounds() {
        let a = args(
            "--profile hard --period 10m --loops 5000 --without reported_ma,counters --seed 7",
        );
        let o = options(&a.unwrap());
        assert_eq!(
            (o.profile, o.period_s, o.loops),
            (Profile::Hard, 600.0, 5_000)
        );
        assert_eq!(o.without, [Absent::ReportedMa, Absent::Counters]);
        let o = options(&args("").unwrap());
        assert_eq!((o.seed, o.loops, o.days, o.period_s), (1, 240, 30, 120.0));
        for wrong in [
            "--loops 0",
            "--loops 10001",
            "--period 9s",
            "--period 11m",
            "--profile odd",
            "--without pv",
            "--end 2026-06-01T00:00:00Z",
        ] {
            assert!(args(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_kept_demo_is_the_same_demo() {
        let first = args("--loops 12 --days 3 --profile mixed --without sv").unwrap();
        let fleet = options(&first);
        let text = serde_json::to_string(&Kept::of(&fleet)).unwrap();
        let kept: Kept = serde_json::from_str(&text).unwrap();
        assert_eq!(kept.options().unwrap(), fleet);
        kept.agrees_with(&args("").unwrap()).unwrap();
        kept.agrees_with(&first).unwrap();
        let e = kept.agrees_with(&args("--loops 13").unwrap()).unwrap_err();
        assert!(e.to_string().contains("--loops"), "{e}");
    }

    #[test]
    fn only_a_finished_demo_is_taken_up_again() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().to_str().unwrap();
        let line = format!("--loops 4 --days 1 --store {path}");
        let first = args(&line).unwrap();
        assert!(Workplace::open(&first).unwrap().kept.is_none());
        std::fs::write(dir.path().join("half"), "").unwrap();
        assert!(Workplace::open(&first).is_err());
        std::fs::remove_file(dir.path().join("half")).unwrap();
        let fleet = options(&first);
        prepare(dir.path(), &fleet, false).unwrap();
        let again = Workplace::open(&args(&format!("--store {path}")).unwrap()).unwrap();
        assert_eq!(again.kept.as_ref().unwrap().options().unwrap(), fleet);
        // The history is not written again.
        let truth = dir.path().join("truth.json");
        std::fs::remove_file(&truth).unwrap();
        prepare(dir.path(), &fleet, true).unwrap();
        assert!(!truth.exists());
    }
}
