//! The whole program among gateways that misbehave in every known way at once, for as long as is asked for: no wrong
//! value may be stored, nothing may crash, memory must stay flat. `make chaos` runs it; docs/hostile-gateways.md has results.
//!
//! Each device's value tells who it is and when it was read: 1000 x a number of its own + seconds since the epoch modulo
//! 900. So every stored value can be judged by itself, whatever way it came.
//!
//!     chaos [--minutes N] [--gateways N] [--devices N] [--modems N] [--poll SECONDS] [--calm] [--picture FILE]
//!
//! `--calm`: honest gateways only, as a measurement of load. `--picture`: memory over time, as SVG.
#![allow(clippy::print_stdout)]

mod fresh;
mod judge;
mod memory;
mod world;

use anyhow::{Context, bail, ensure};
use ingest_model::UtcMicros;
use judge::{get, json, judge};
use loopwitness_tests::binary;
use memory::{Memory, usage};
use sample_fleet::wire::hostile::Quirk;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use world::{ALONE, clock, free_port, start, write_site};

/// From this length on a run has to show that memory stays flat; before, the program still warms up in the second half.
const LONG_MINUTES: f64 = 25.0;

struct Options {
    minutes: f64,
    gateways: usize,
    devices: usize,
    modems: usize,
    poll_s: u64,
    calm: bool,
    picture: Option<PathBuf>,
}

fn options() -> anyhow::Result<Options> {
    let mut o = Options {
        minutes: 15.0,
        gateways: 4,
        devices: 12,
        modems: 6,
        poll_s: 5,
        calm: false,
        picture: None,
    };
    let mut args = std::env::args().skip(1);
    while let Some(name) = args.next() {
        if name == "--calm" {
            o.calm = true;
            continue;
        }
        let value = args
            .next()
            .with_context(|| format!("{name} needs a value"))?;
        match name.as_str() {
            "--minutes" => o.minutes = value.parse()?,
            "--gateways" => o.gateways = value.parse()?,
            "--devices" => o.devices = value.parse()?,
            "--modems" => o.modems = value.parse()?,
            "--poll" => o.poll_s = value.parse()?,
            "--picture" => o.picture = Some(value.into()),
            _ => bail!("{name} is not known"),
        }
    }
    Ok(o)
}

/// The program, killed with its owner.
struct Service(Child);

impl Drop for Service {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn percentile(sorted: &[f64], share: f64) -> f64 {
    let n = ((sorted.len() as f64 - 1.0) * share).max(0.0) as usize;
    sorted.get(n).copied().unwrap_or(f64::NAN)
}

fn main() -> anyhow::Result<()> {
    let o = options()?;
    let runtime = tokio::runtime::Runtime::new()?;
    let world = start(&o, &runtime)?;
    let dir = tempfile::tempdir()?;
    let listen = free_port()?;
    write_site(dir.path(), &o, &world, listen)?;
    let child = Command::new(binary()?)
        .args(["serve", "--config"])
        .arg(dir.path().join("site.toml"))
        .env("RUST_LOG", "error")
        .stdout(Stdio::piped())
        .spawn()?;
    let mut service = Service(child);
    let pid = service.0.id();
    let out = service.0.stdout.take().context("stdout")?;
    let mut line = String::new();
    BufReader::new(out).read_line(&mut line)?;
    ensure!(
        line.contains("http://"),
        "the service did not start: {line}"
    );

    let fresh = fresh::Fresh::watch(listen);
    let began = Instant::now();
    let whole = Duration::from_secs_f64(o.minutes * 60.0);
    let came = (!o.calm).then(|| UtcMicros(clock().0 + (whole.as_micros() as f64 * ALONE) as i64));
    let mut memory = Memory::default();
    let mut named: BTreeMap<String, String> = BTreeMap::new();
    let mut answered = 0;
    let mut next_line = Duration::from_secs(60);
    let mut processor = (0.0, 0.0);
    while began.elapsed() < whole {
        std::thread::sleep(Duration::from_secs(2));
        if let Some(status) = service.0.try_wait()? {
            bail!("the service ended after {:?}: {status}", began.elapsed());
        }
        let (rss, cpu) = usage(pid);
        memory.add(began.elapsed().as_secs_f64(), rss);
        // The start (register, list of devices) is not what is measured.
        if began.elapsed() < Duration::from_secs(60) || processor.0 == 0.0 {
            processor = (began.elapsed().as_secs_f64(), cpu);
        }
        let gateways = json(listen, "/api/v1/gateways")?;
        answered += 1;
        for g in gateways["gateways"].as_array().context("gateways")? {
            let failures = g["failures"].as_object().context("failures")?;
            let counted: Vec<String> = failures
                .iter()
                .filter(|(_, n)| n.as_u64() != Some(0))
                .map(|(k, n)| format!("{k} {n}"))
                .collect();
            let text = format!(
                "{}; {}",
                counted.join(", "),
                g["last_error"].as_str().unwrap_or("-")
            );
            named.insert(g["name"].as_str().unwrap_or_default().to_owned(), text);
        }
        if began.elapsed() > next_line {
            next_line += Duration::from_secs(60);
            println!(
                "{:4.0} s: {} MiB, {cpu:.0} s of processor",
                began.elapsed().as_secs_f64(),
                rss >> 10
            );
        }
    }
    let (_, cpu) = usage(pid);
    let share = (cpu - processor.1) / (began.elapsed().as_secs_f64() - processor.0) * 100.0;
    let (waits, results) = fresh.waits();
    let metrics = get(listen, "/metrics")?;
    let gateways = json(listen, "/api/v1/gateways")?;
    let v = judge(listen, &world, came)?;
    // SIGTERM: the service ends in good order.
    Command::new("kill").arg(pid.to_string()).status()?;
    let ended = service.0.wait()?;

    for (name, text) in named.iter().filter(|(n, _)| !n.starts_with("GW-")) {
        println!("{name}: {text}");
    }
    let sum = |key: &str| -> f64 {
        let all = gateways["gateways"].as_array().into_iter().flatten();
        all.filter(|g| {
            g["name"]
                .as_str()
                .is_some_and(|n| n.starts_with("GW-") && !world.mangled.contains(n))
        })
        .filter_map(|g| g[key].as_f64())
        .sum()
    };
    println!(
        "undisturbed honest gateways: {:.1} fast reads a second planned, {:.1} made over the last minute",
        sum("planned_per_s"),
        sum("achieved_per_s")
    );
    let poll = o.poll_s as f64;
    let [mut alone, mut beside] = v.gaps.clone();
    for (name, gaps) in [("before", &mut alone), ("beside", &mut beside)] {
        gaps.sort_by(f64::total_cmp);
        let on_time = gaps.iter().filter(|g| **g <= poll * 1.1 + 0.1).count();
        println!(
            "{name} the hostile ones: {} gaps between rows, {:.2} % at most 1.1 periods, median {:.2} s, 95 % {:.2} s, 99 % {:.2} s",
            gaps.len(),
            on_time as f64 * 100.0 / gaps.len().max(1) as f64,
            percentile(gaps, 0.5),
            percentile(gaps, 0.95),
            percentile(gaps, 0.99)
        );
    }
    println!(
        "ratio of the 95 % gaps: {:.2}",
        percentile(&beside, 0.95) / percentile(&alone, 0.95)
    );
    println!(
        "memory: peak {:.1} MiB; processor {share:.1} % of one core after the first minute; load of the machine {}",
        memory.peak_mib(),
        std::fs::read_to_string("/proc/loadavg")
            .unwrap_or_default()
            .trim()
    );
    println!(
        "from reading to result: median {:.2} s, 99 % {:.2} s, most {:.2} s, in {results} results",
        percentile(&waits, 0.5),
        percentile(&waits, 0.99),
        percentile(&waits, 1.0)
    );
    let course = memory.second_half();
    if let Some(c) = &course {
        println!(
            "memory over the second half: third quarter {:.1} MiB, last quarter {:.1} MiB; a line through it rises by {:.1} MiB, twice its standard error is {:.1} MiB",
            c.third, c.last, c.rise, c.noise
        );
    }
    if let Some(file) = &o.picture {
        let came_s = (!o.calm).then_some(whole.as_secs_f64() * ALONE);
        let title = format!(
            "Resident memory of the program, {} gateways of {} devices{}",
            o.gateways,
            o.devices,
            if o.calm {
                ""
            } else {
                ", then twelve hostile ones"
            }
        );
        std::fs::write(file, memory.picture(came_s, &title))
            .with_context(|| format!("cannot write {}", file.display()))?;
    }
    println!(
        "{} rows with {} values judged, {} wrong, oldest {:.2} s; {answered} answers of the service; ended with {ended}",
        v.rows,
        v.values,
        v.wrong.len(),
        v.oldest_s
    );
    for w in v.wrong.iter().take(20) {
        println!("wrong: {w}");
    }
    ensure!(
        v.wrong.is_empty(),
        "{} wrong values were stored",
        v.wrong.len()
    );
    ensure!(v.values > 0, "nothing was stored");
    ensure!(ended.success(), "the service did not end well: {ended}");
    if let Some(c) = course.filter(|c| o.minutes >= LONG_MINUTES && !c.is_flat()) {
        bail!(
            "memory rises: {:.1} MiB over the second half, twice the standard error is {:.1} MiB",
            c.rise,
            c.noise
        );
    }
    for q in Quirk::ALL.iter().filter(|_| !o.calm) {
        let up = format!("loopwitness_gateway_up{{gateway=\"{}\"}}", q.name());
        ensure!(metrics.contains(&up), "{up} is not in /metrics");
        let text = named.get(q.name()).map_or("", String::as_str);
        ensure!(!text.starts_with(';'), "{} is not named: {text}", q.name());
    }
    Ok(())
}
