//! The command line (contract section 2). Exit codes: 0 done, 1 failed with one line on standard error, 2 wrong usage.

mod decoding;
mod progress;

use self::decoding::decode_input;
pub(crate) use self::progress::Progress;
use crate::clock;
use crate::config::{CaptureTo, SiteConfig};
use crate::notes::DeviceNotes;
use crate::{demo, plan, replay, report, service, table};
use analytics_assess::{Engine, Settings, agreement_csv};
use anyhow::{Context, bail};
use clap::{Parser, Subcommand, ValueEnum};
use ingest_model::UtcMicros;
use ingest_store::{
    ExportOptions, ImportOptions, ImportReport, LEAST_IMPORT_MEMORY, Rollups, Store, StoreReader,
};
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Watches smart 4-20 mA loops: the digital channel is a witness to the analog one.
#[derive(Debug, Parser)]
#[command(name = "loopwitness", version, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Sample plant behind simulated gateways on loopback, with collector, assessment and page
    Demo(demo::DemoArgs),
    /// The service: collects, assesses, answers
    Serve {
        /// site.toml
        #[arg(long, value_name = "FILE")]
        config: PathBuf,
        /// Record what passes between the collector and the gateways (pcap, for `decode` and replay)
        #[arg(long, value_name = "FILE")]
        capture: Option<PathBuf>,
        /// Length at which the capture file becomes FILE.1 and a new one begins, MiB
        #[arg(long, value_name = "MIB", default_value_t = 64, value_parser = clap::value_parser!(u64).range(1..=4096))]
        capture_limit: u64,
    },
    /// Load a site folder; repeating it changes nothing
    Import {
        /// Folder with loops.csv and readings/
        site: PathBuf,
        /// Store folder; made if missing
        #[arg(long, value_name = "DIR")]
        store: PathBuf,
        /// What the import may hold in memory, about
        #[arg(long, value_name = "SIZE", default_value = "256M", value_parser = parse_memory)]
        memory: u64,
    },
    /// Write a store as a site folder again: register with its history, readings by day, announced work
    Export {
        /// Store folder
        #[arg(long, value_name = "DIR")]
        store: PathBuf,
        /// New or empty folder
        #[arg(long, value_name = "SITE")]
        out: PathBuf,
        /// Readings from this time on (RFC 3339)
        #[arg(long, value_name = "TIME", value_parser = parse_time)]
        from: Option<UtcMicros>,
        /// Readings before this time (RFC 3339)
        #[arg(long, value_name = "TIME", value_parser = parse_time)]
        to: Option<UtcMicros>,
        /// Also assess the store and write agreement.csv: analog against digital over the range of every loop
        #[arg(long)]
        agreement: bool,
    },
    /// Rank the loops of a store
    Assess {
        /// Store folder
        #[arg(long, value_name = "DIR")]
        store: PathBuf,
        /// As of this time (RFC 3339) instead of the last reading
        #[arg(long, value_name = "TIME", value_parser = parse_time)]
        at: Option<UtcMicros>,
        #[arg(long, value_enum, default_value = "table")]
        format: Format,
        /// site.toml whose [assessment] is used
        #[arg(long, value_name = "FILE")]
        config: Option<PathBuf>,
    },
    /// Printable evidence for planners, HTML or PDF by extension
    Report(report::ReportArgs),
    /// Explain frames and HART-IP messages, byte by byte
    Decode {
        /// Hexadecimal bytes, or a capture file (pcap, pcapng)
        #[arg(required = true, value_name = "HEX|FILE")]
        input: Vec<String>,
        /// json: one object a line for each message or frame
        #[arg(long, value_enum, default_value = "text")]
        format: DecodeFormat,
        /// Folder of device notes that name device-specific bits and variables
        #[arg(long, value_name = "DIR")]
        notes: Option<PathBuf>,
        /// Device revision for notes that hold for some revisions only
        #[arg(long, value_name = "N", requires = "notes")]
        revision: Option<u8>,
    },
    /// Play a recording of `serve --capture` back into readings, as a site folder
    Replay {
        /// pcap or pcapng
        file: PathBuf,
        /// New or empty folder
        #[arg(long, value_name = "SITE")]
        out: PathBuf,
        /// site.toml whose register, gateway names and time-outs are used
        #[arg(long, value_name = "FILE")]
        config: Option<PathBuf>,
    },
    /// Can the polling plan be met at 1200 bit/s?
    Plan {
        /// site.toml
        #[arg(long, value_name = "FILE")]
        config: PathBuf,
    },
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Format {
    Table,
    Json,
    Csv,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum DecodeFormat {
    Text,
    Json,
}

pub(crate) fn parse_time(text: &str) -> Result<UtcMicros, String> {
    UtcMicros::parse_rfc3339(text).map_err(|e| e.to_string())
}

/// A size of memory like `256M`: K, M and G are powers of 1024.
fn parse_memory(text: &str) -> Result<u64, String> {
    let bytes = crate::settings::parse_size(text)?;
    if bytes < LEAST_IMPORT_MEMORY {
        return Err(format!(
            "`{text}` is too little: at least {}M",
            LEAST_IMPORT_MEMORY >> 20
        ));
    }
    Ok(bytes)
}

/// Runs the program.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            // Help and version are no errors; a pipe that was closed early is not ours to report.
            let _printed = e.print();
            return ExitCode::from(u8::try_from(e.exit_code()).unwrap_or(2));
        }
    };
    let done = match cli.command {
        Command::Demo(args) => demo::run(&args),
        Command::Serve {
            config,
            capture,
            capture_limit,
        } => {
            let limit = capture_limit << 20;
            serve(&config, capture.map(|path| CaptureTo { path, limit }))
        }
        Command::Import {
            site,
            store,
            memory,
        } => import(
            &site,
            &store,
            ImportOptions {
                memory_bytes: memory,
            },
        ),
        Command::Export {
            store,
            out,
            from,
            to,
            agreement,
        } => export(&store, &out, ExportOptions { from, to }, agreement),
        Command::Assess {
            store,
            at,
            format,
            config,
        } => assess(&store, at, format, config.as_deref()),
        Command::Report(args) => report::run(&args),
        Command::Decode {
            input,
            format,
            notes,
            revision,
        } => match notes.as_deref().map(DeviceNotes::load).transpose() {
            Ok(notes) => decode_input(&input, format, &(notes.unwrap_or_default(), revision)),
            Err(e) => Err(e.into()),
        },
        Command::Replay { file, out, config } => replay_file(&file, &out, config.as_deref()),
        Command::Plan { config } => plan_lines(&config),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) if is_closed_pipe(&e) => ExitCode::SUCCESS,
        Err(e) => {
            // One line: the outer message and its causes, each once.
            let mut line = String::new();
            for cause in e.chain() {
                let text = cause.to_string().replace('\n', " ");
                if !line.contains(&text) {
                    if !line.is_empty() {
                        line.push_str(": ");
                    }
                    line.push_str(&text);
                }
            }
            let _written = writeln!(std::io::stderr(), "loopwitness: {line}");
            ExitCode::FAILURE
        }
    }
}

fn is_closed_pipe(e: &anyhow::Error) -> bool {
    e.downcast_ref::<std::io::Error>()
        .is_some_and(|e| e.kind() == std::io::ErrorKind::BrokenPipe)
}

/// Writes to standard output.
pub(crate) fn print(text: &str) -> anyhow::Result<()> {
    let mut out = std::io::stdout().lock();
    out.write_all(text.as_bytes())?;
    out.flush()?;
    Ok(())
}

fn serve(config: &Path, capture: Option<CaptureTo>) -> anyhow::Result<()> {
    let mut config = SiteConfig::load(config)?;
    config.capture = capture;
    service::log_to_stderr();
    let runtime = tokio::runtime::Runtime::new().context("cannot start the runtime")?;
    let done = runtime.block_on(async {
        let shutdown = service::shutdown_on_signal()?;
        // The store first: whoever holds it says more than a port that is taken.
        let store = Store::open(&config.store, "loopwitness serve", clock::now())?;
        let listener = service::listen(config.listen).await?;
        let address = listener.local_addr()?;
        print(&format!("Loopwitness is at http://{address}/\n"))?;
        service::run_with(&config, store, listener, shutdown).await
    });
    // An assessment that is under way only reads; it is not waited for.
    runtime.shutdown_background();
    done
}

/// Imports with progress on standard error.
pub(crate) fn import_with_progress(
    store: &Store,
    site: &Path,
    label: &str,
) -> anyhow::Result<ImportReport> {
    import_with(store, site, label, ImportOptions::default())
}

fn import_with(
    store: &Store,
    site: &Path,
    label: &str,
    options: ImportOptions,
) -> anyhow::Result<ImportReport> {
    let mut progress = Progress::start(label);
    let report = store.import_site_with(site, clock::now(), options, &mut |p| {
        let share = p.files_done as f64 / p.files.max(1) as f64;
        progress.set(share, &format!("{} rows, {}", p.rows, p.file));
    })?;
    progress.done(&format!(
        "{} loops, {} readings from {} files, {} repeats, {} rejects",
        report.loops, report.readings, report.files_read, report.repeats, report.rejects
    ));
    Ok(report)
}

fn import(site: &Path, dir: &Path, options: ImportOptions) -> anyhow::Result<()> {
    if !site.is_dir() {
        bail!(
            "{} is not a folder: give the site folder that holds loops.csv and readings/",
            site.display()
        );
    }
    let store = Store::open(dir, "loopwitness import", clock::now())?;
    let report = import_with(&store, site, "import", options)?;
    let mut text = if report.changed {
        format!(
            "{} loops; {} readings taken from {} files ({} known already); {} repeats, {} rejects\n",
            report.loops,
            report.readings,
            report.files_read,
            report.files_known,
            report.repeats,
            report.rejects
        )
    } else {
        format!(
            "nothing new: the store has all of it ({} loops, {} files)\n",
            report.loops, report.files_known
        )
    };
    if let Some((from, to)) = report.range {
        text.push_str(&format!("from {from} to {to}\n"));
    }
    if let Some(file) = report.rejects_file {
        text.push_str(&format!("rejected rows with reasons: {}\n", file.display()));
    }
    print(&text)
}

fn export(dir: &Path, out: &Path, options: ExportOptions, agreement: bool) -> anyhow::Result<()> {
    if let (Some(from), Some(to)) = (options.from, options.to)
        && from >= to
    {
        bail!("nothing lies between --from {from} and --to {to}");
    }
    let reader = StoreReader::open(dir)?;
    let mut progress = Progress::start("export");
    let report = reader.export(out, options, &mut |p| {
        let share = p.days_done as f64 / p.days.max(1) as f64;
        progress.set(
            share,
            &format!("{} rows, {} of {} days", p.rows, p.days_done, p.days),
        );
    })?;
    progress.done(&format!("{} readings", report.readings));
    let mut text = format!(
        "{}: {} loops, {} readings in {} files, {} announced works\n",
        out.display(),
        report.loops,
        report.readings,
        report.files,
        report.work_windows
    );
    if let Some((from, to)) = report.range {
        text.push_str(&format!("from {from} to {to}\n"));
    }
    if agreement {
        let loops = write_agreement(dir, out, options.to)?;
        text.push_str(&format!("agreement.csv of {loops}\n"));
    }
    print(&text)
}

/// Writes `agreement.csv` into an exported folder, whole or not at all. An import does not look at it: it follows from the
/// readings. As of `to`, over the whole store: days before `--from` may be evidence too.
fn write_agreement(dir: &Path, out: &Path, to: Option<UtcMicros>) -> anyhow::Result<String> {
    let snapshot = StoreReader::open(dir)?.snapshot()?;
    let mut progress = Progress::start("assess");
    let mut engine = Engine::new(Settings::default()).with_rollups(Rollups::new(dir).read_only());
    // `--to` itself is outside.
    let at = to.map(|t| UtcMicros(t.0.saturating_sub(1)));
    let assessed = engine.assess(&snapshot, at, &mut |share| progress.set(share, ""))?;
    progress.done("assessed");
    let text = agreement_csv(&assessed, snapshot.register())?;
    let unfinished = out.join(".agreement.csv.unfinished");
    std::fs::write(&unfinished, text)
        .and_then(|()| std::fs::File::open(&unfinished)?.sync_all())
        .and_then(|()| std::fs::rename(&unfinished, out.join("agreement.csv")))
        .with_context(|| format!("cannot write agreement.csv in {}", out.display()))?;
    Ok(format!("{} loops", assessed.result.loops))
}

fn assess(
    dir: &Path,
    at: Option<UtcMicros>,
    format: Format,
    config: Option<&Path>,
) -> anyhow::Result<()> {
    let settings = match config {
        Some(path) => SiteConfig::load(path)?.assessment,
        None => Settings::default(),
    };
    let snapshot = StoreReader::open(dir)?.snapshot()?;
    let mut progress = Progress::start("assess");
    let assessed = Engine::new(settings)
        .with_rollups(Rollups::new(dir).read_only())
        .assess(&snapshot, at, &mut |share| progress.set(share, ""))?;
    let result = &assessed.result;
    progress.done(&format!(
        "{} loops, {} readings",
        result.loops, result.readings
    ));
    let text = match format {
        Format::Json => serde_json::to_string_pretty(result).context("cannot write JSON")? + "\n",
        Format::Csv => analytics_assess::to_csv(result)?,
        Format::Table => table::render(result, terminal_width()),
    };
    print(&text)
}

fn terminal_width() -> u16 {
    let known = comfy_table::Table::new()
        .width()
        .filter(|_| std::io::stdout().is_terminal());
    known.unwrap_or(table::DEFAULT_WIDTH)
}

fn replay_file(file: &Path, out: &Path, config: Option<&Path>) -> anyhow::Result<()> {
    let config = config.map(SiteConfig::load).transpose()?;
    let report = replay::run(file, out, config.as_ref())?;
    let damaged = match report.damaged {
        0 => String::new(),
        n => format!("; {n} damaged messages left out"),
    };
    print(&format!(
        "{}: {} loops, {} readings of {} gateways{damaged}\n",
        out.display(),
        report.loops,
        report.readings,
        report.gateways
    ))
}

fn plan_lines(config: &Path) -> anyhow::Result<()> {
    let config = SiteConfig::load(config)?;
    let (text, met) = plan::explain(&config).map_err(anyhow::Error::msg)?;
    print(&text)?;
    if !met {
        bail!("the plan cannot be met");
    }
    Ok(())
}
