//! The whole program among gateways that misbehave in every known way at once, for as long as is asked for: no wrong
//! value may be stored, nothing may crash, memory must stay flat. `make chaos` runs it; docs/hostile-gateways.md has results.
//!
//! Each device's value tells who it is and when it was read: 1000 x a number of its own + seconds since the epoch modulo
//! 900. So every stored value can be judged by itself, whatever way it came.
//!
//!     chaos [--minutes N] [--gateways N] [--devices N] [--modems N] [--poll SECONDS] [--calm]
//!
//! `--calm`: honest gateways only, as a measurement of load.
#![allow(clippy::print_stdout)]

use anyhow::{Context, bail, ensure};
use ingest_model::UtcMicros;
use loopwitness_tests::binary;
use sample_fleet::wire::gateway::{Gateway, Port};
use sample_fleet::wire::hostile::{Mangling, Quirk, mangle, serve};
use sample_fleet::wire::{DeviceCard, DeviceState, Devices};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

const CYCLE_S: f64 = 900.0;
/// An answer that is taken may be so old: time-out, and the repeats of a delayed response.
const OLDEST_S: f64 = 8.0;
/// Devices are exchanged so often.
const SWAP_EVERY: Duration = Duration::from_secs(100);
/// The hostile servers come after this share of the time.
const ALONE: f64 = 0.2;

struct Options {
    minutes: f64,
    gateways: usize,
    devices: usize,
    modems: usize,
    poll_s: u64,
    calm: bool,
}

fn options() -> anyhow::Result<Options> {
    let mut o = Options {
        minutes: 15.0,
        gateways: 4,
        devices: 12,
        modems: 6,
        poll_s: 5,
        calm: false,
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
            _ => bail!("{name} is not known"),
        }
    }
    Ok(o)
}

fn clock() -> UtcMicros {
    let us = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |d| d.as_micros());
    UtcMicros(i64::try_from(us).unwrap_or(i64::MAX))
}

/// Devices whose values tell who and when.
struct Plant {
    gateways: Vec<String>,
    cards: Vec<DeviceCard>,
}

fn base(device_id: u32) -> f64 {
    f64::from(device_id % 61) * 1_000.0
}

fn seconds(t: UtcMicros) -> f64 {
    (t.0 as f64 / 1e6).rem_euclid(CYCLE_S)
}

impl Devices for Plant {
    fn gateways(&self) -> Vec<String> {
        self.gateways.clone()
    }

    fn cards(&self) -> &[DeviceCard] {
        &self.cards
    }

    fn state(&self, index: usize, now: UtcMicros) -> DeviceState {
        let id = self.cards.get(index).map_or(0, |c| c.device_id);
        // Some exchanges fail, some devices are away for a while: mixed by a multiplication.
        let mix = (u64::from(id) << 32 ^ (now.0 as u64 >> 16)).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        DeviceState {
            pv: (base(id) + seconds(now)) as f32,
            sv: 21.25,
            loop_ma: (4.0 + seconds(now) / 60.0) as f32,
            device_status: 0,
            extended_status: 0,
            config_counter: 17,
            answers: true,
            exchange_fails: mix >> 54 == 0,
        }
    }

    fn analog_ma(&self, _: usize, _: UtcMicros) -> f64 {
        0.0
    }
}

fn card(gateway: usize, n: usize, modems: usize, id: u32) -> DeviceCard {
    DeviceCard {
        tag: format!("PT-{gateway:03}{n:03}"),
        gateway,
        modem: (n % modems) as u8,
        channel: (n / modems) as u8,
        device_type: 0x6A31,
        device_id: id,
        device_revision: 2,
        universal_revision: 7,
        pv_unit_code: 7,
        sv_unit_code: 32,
        lrv: 0.0,
        urv: 100_000.0,
        transfer_code: 0,
        damping_s: 0.5,
        multidrop: false,
    }
}

/// A port that was free a moment ago.
fn free_port() -> anyhow::Result<SocketAddr> {
    Ok(std::net::TcpListener::bind("127.0.0.1:0")?.local_addr()?)
}

fn plant(o: &Options, generation: u32) -> Plant {
    let gateways = (0..o.gateways).map(|g| format!("GW-{g:03}")).collect();
    let id = |g: usize, n: usize| (g * o.devices + n + 1) as u32 + generation * 100_003;
    let cards = (0..o.gateways)
        .flat_map(|g| (0..o.devices).map(move |n| (g, n)))
        .map(|(g, n)| card(g, n, o.modems, id(g, n)))
        .collect();
    Plant { gateways, cards }
}

/// One gateway of the plant, on its port until told to stop.
async fn honest(plant: Arc<Plant>, g: usize, at: SocketAddr, stop: CancellationToken) {
    let port = loop {
        if stop.is_cancelled() {
            return;
        }
        match Port::open(at, false).await {
            Ok(port) => break port,
            Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
        }
    };
    Arc::new(Gateway::new(g, plant, clock))
        .run(port, stop)
        .await;
}

/// What all of it is: addresses for `site.toml`.
struct World {
    addresses: Vec<(String, SocketAddr)>,
    mangled: BTreeSet<String>,
    swapped: Option<String>,
}

/// Starts the servers on the runtime; the hostile ones come later.
fn start(o: &Options, runtime: &tokio::runtime::Runtime) -> anyhow::Result<World> {
    let never = CancellationToken::new();
    let first = Arc::new(plant(o, 0));
    let mut world = World {
        addresses: Vec::new(),
        mangled: BTreeSet::new(),
        swapped: None,
    };
    for (g, name) in first.gateways.iter().enumerate() {
        let behind = free_port()?;
        let swapped = !o.calm && g == 1;
        if swapped {
            world.swapped = Some(name.clone());
            let others: Vec<Arc<Plant>> = (0..3).map(|n| Arc::new(plant(o, n))).collect();
            let never = never.clone();
            runtime.spawn(async move {
                for n in (0..others.len()).cycle() {
                    let stop = never.child_token();
                    let task = tokio::spawn(honest(others[n].clone(), g, behind, stop.clone()));
                    tokio::time::sleep(SWAP_EVERY).await;
                    stop.cancel();
                    let _ended = task.await;
                }
            });
        } else {
            runtime.spawn(honest(first.clone(), g, behind, never.clone()));
        }
        let mut address = behind;
        if !o.calm && g.is_multiple_of(2) {
            world.mangled.insert(name.clone());
            let listener = runtime.block_on(TcpListener::bind("127.0.0.1:0"))?;
            address = listener.local_addr()?;
            let how = Mangling::all(Duration::from_millis(4_000));
            runtime.spawn(mangle(listener, behind, how, g as u64, never.clone()));
        }
        world.addresses.push((name.clone(), address));
    }
    if !o.calm {
        let wait = Duration::from_secs_f64(o.minutes * 60.0 * ALONE);
        for (n, quirk) in Quirk::ALL.into_iter().enumerate() {
            let at = free_port()?;
            world.addresses.push((quirk.name().to_owned(), at));
            let never = never.clone();
            runtime.spawn(async move {
                tokio::time::sleep(wait).await;
                match TcpListener::bind(at).await {
                    Ok(l) => serve(l, quirk, n as u64, never).await,
                    Err(e) => println!("{}: {e}", quirk.name()),
                }
            });
        }
    }
    Ok(world)
}

fn write_site(dir: &Path, o: &Options, world: &World, listen: SocketAddr) -> anyhow::Result<()> {
    let mut toml = format!("[site]\nname = \"Chaos\"\nstore = \"store\"\nlisten = \"{listen}\"\n");
    for (name, address) in &world.addresses {
        write!(
            toml,
            "[[gateway]]\nname = \"{name}\"\naddress = \"{address}\"\npoll_every = \"{}s\"\ntimeout = \"2s\"\nretries = 1\n",
            o.poll_s
        )?;
    }
    std::fs::write(dir.join("site.toml"), toml)?;
    let mut loops = "tag,pv_unit,lrv,urv,gateway,device_type,device_id\n".to_owned();
    let first = plant(o, 0);
    for c in &first.cards {
        let gateway = &first.gateways[c.gateway];
        writeln!(
            loops,
            "{},bar,0,100000,{gateway},0x{:04X},0x{:06X}",
            c.tag, c.device_type, c.device_id
        )?;
    }
    std::fs::write(dir.join("loops.csv"), loops)?;
    Ok(())
}

/// Resident memory in kB and processor seconds of a process.
fn usage(pid: u32) -> (u64, f64) {
    let read =
        |file: &str| std::fs::read_to_string(format!("/proc/{pid}/{file}")).unwrap_or_default();
    let status = read("status");
    let rss = status.lines().find_map(|l| l.strip_prefix("VmRSS:"));
    let rss = rss.and_then(|l| l.trim().trim_end_matches(" kB").parse().ok());
    let stat = read("stat");
    // After the name in parentheses; user and system time are fields 14 and 15, 100 a second.
    let fields: Vec<&str> = stat
        .rsplit(')')
        .next()
        .unwrap_or_default()
        .split_whitespace()
        .collect();
    let ticks = |n: usize| {
        fields
            .get(n)
            .and_then(|t| t.parse::<f64>().ok())
            .unwrap_or(0.0)
    };
    (rss.unwrap_or(0), (ticks(11) + ticks(12)) / 100.0)
}

fn get(address: SocketAddr, path: &str) -> anyhow::Result<String> {
    let config = ureq::Agent::config_builder().timeout_global(Some(Duration::from_secs(60)));
    let agent: ureq::Agent = config.build().into();
    let mut answer = agent.get(format!("http://{address}{path}")).call()?;
    let body = answer.body_mut().with_config().limit(1 << 30);
    Ok(body.read_to_string()?)
}

fn json(address: SocketAddr, path: &str) -> anyhow::Result<Value> {
    Ok(serde_json::from_str(&get(address, path)?)?)
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

/// What the stored rows say.
#[derive(Default)]
struct Verdict {
    rows: u64,
    values: u64,
    wrong: Vec<String>,
    oldest_s: f64,
    /// Gaps between rows of undisturbed gateways before and after the hostile ones came, s.
    gaps: [Vec<f64>; 2],
}

fn judge(at: SocketAddr, world: &World, came: Option<UtcMicros>) -> anyhow::Result<Verdict> {
    let mut v = Verdict::default();
    let mut after = String::new();
    loop {
        let page = json(at, &format!("/api/v1/loops?limit=500{after}"))?;
        for l in page["loops"].as_array().context("loops")? {
            let tag = l["tag"].as_str().context("tag")?;
            let id = l["device_id"].as_str().unwrap_or("0");
            let id = u32::from_str_radix(id.trim_start_matches("0x"), 16)?;
            let gateway = l["gateway"].as_str().unwrap_or_default();
            let calm =
                !world.mangled.contains(gateway) && world.swapped.as_deref() != Some(gateway);
            judge_loop(at, tag, id, calm, came, &mut v)?;
        }
        match page["next"].as_str() {
            Some(next) => after = format!("&after={}", encoded(next)),
            None => return Ok(v),
        }
    }
}

fn encoded(tag: &str) -> String {
    tag.bytes().map(|b| format!("%{b:02X}")).collect()
}

fn judge_loop(
    at: SocketAddr,
    tag: &str,
    id: u32,
    calm: bool,
    came: Option<UtcMicros>,
    v: &mut Verdict,
) -> anyhow::Result<()> {
    let path = format!("/api/v1/loops/{}/readings?points=1000000", encoded(tag));
    let answer = json(at, &path)?;
    let columns = &answer["columns"];
    let column = |name: &str| columns[name].as_array().cloned().unwrap_or_default();
    let (pv, ma) = (column("pv"), column("reported_ma"));
    let mut last: Option<i64> = None;
    for (n, time) in column("time").iter().enumerate() {
        let time = UtcMicros::parse_rfc3339(time.as_str().unwrap_or_default())?;
        v.rows += 1;
        if let Some(before) = last.replace(time.0)
            && calm
        {
            let part = usize::from(came.is_some_and(|c| c <= time));
            v.gaps[part].push((time.0 - before) as f64 / 1e6);
        }
        // From 4.3 ms (single precision at 60,000) before to OLDEST_S after.
        let mut check = |name: &str, told: f64| {
            let age = (seconds(time) - told + 0.05).rem_euclid(CYCLE_S) - 0.05;
            v.values += 1;
            if !(0.0..=CYCLE_S).contains(&told) || age > OLDEST_S {
                let text = format!("{tag} {} {name}: {told} of {id:06X}", time.to_rfc3339());
                v.wrong.push(text);
            } else {
                v.oldest_s = v.oldest_s.max(age);
            }
        };
        if let Some(pv) = pv.get(n).and_then(Value::as_f64) {
            check("pv", pv - base(id));
        }
        if let Some(ma) = ma.get(n).and_then(Value::as_f64) {
            check("reported_ma", (ma - 4.0) * 60.0);
        }
    }
    Ok(())
}

fn main() -> anyhow::Result<()> {
    let o = options()?;
    let runtime = tokio::runtime::Runtime::new()?;
    let world = start(&o, &runtime)?;
    let dir = tempfile::tempdir()?;
    let listen = free_port()?;
    write_site(dir.path(), &o, &world, listen)?;
    let exe = std::env::current_exe()?;
    // target/<profile>/examples/chaos
    let beside = exe
        .parent()
        .and_then(Path::parent)
        .map(|p| p.join("loopwitness"));
    let program = beside.filter(|p| p.is_file()).map_or_else(binary, Ok)?;
    let child = Command::new(program)
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

    let began = Instant::now();
    let whole = Duration::from_secs_f64(o.minutes * 60.0);
    let came = (!o.calm).then(|| UtcMicros(clock().0 + (whole.as_micros() as f64 * ALONE) as i64));
    let mut memory: Vec<u64> = Vec::new();
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
        memory.push(rss);
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
                "{:4.0} s: {} MB, {cpu:.0} s of processor",
                began.elapsed().as_secs_f64(),
                rss >> 10
            );
        }
    }
    let (_, cpu) = usage(pid);
    let share = (cpu - processor.1) / (began.elapsed().as_secs_f64() - processor.0) * 100.0;
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
    let third = memory.len() / 3;
    let (mid, end) = (
        memory.get(third..2 * third).unwrap_or_default(),
        memory.get(2 * third..).unwrap_or_default(),
    );
    let mean = |part: &[u64]| part.iter().sum::<u64>() as f64 / 1024.0 / part.len().max(1) as f64;
    println!(
        "memory: peak {} MB, mean of the middle third {:.1} MB, of the last third {:.1} MB; processor {share:.1} % of one core after the first minute",
        memory.iter().max().unwrap_or(&0) >> 10,
        mean(mid),
        mean(end)
    );
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
    for q in Quirk::ALL.iter().filter(|_| !o.calm) {
        let up = format!("loopwitness_gateway_up{{gateway=\"{}\"}}", q.name());
        ensure!(metrics.contains(&up), "{up} is not in /metrics");
        let text = named.get(q.name()).map_or("", String::as_str);
        ensure!(!text.starts_with(';'), "{} is not named: {text}", q.name());
    }
    Ok(())
}
