//! A simulated site behind recording proxies, and the built `loopwitness serve` over it.

use anyhow::{Context, bail, ensure};
use ingest_model::UtcMicros;
use loopwitness_tests::binary;
use loopwitness_tests::census::Protocol;
use loopwitness_tests::proxy::{Proxy, Recorder};
use sample_fleet::{FleetOptions, serve_live, site_toml, write_site};
use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use tokio_util::sync::CancellationToken;

pub(crate) fn now() -> UtcMicros {
    let us = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |d| d.as_micros());
    UtcMicros(i64::try_from(us).unwrap_or(i64::MAX))
}

/// The simulation, and a proxy in front of each of its servers.
pub(crate) struct Site {
    pub(crate) record: Arc<Recorder>,
    /// Proxies of the gateways, then the one of the analog inputs.
    proxies: Vec<Proxy>,
    /// Which of them speak UDP.
    udp: Vec<bool>,
    toml: std::path::PathBuf,
    simulation: CancellationToken,
}

impl Site {
    /// Writes a site of `loops` loops with a day of history into `dir` and starts to serve it.
    ///
    /// What passes the proxies is written to `capture`; loops are polled `poll_every`.
    pub(crate) async fn start(
        dir: &Path,
        loops: u32,
        poll_every: &str,
        capture: Option<&Path>,
    ) -> anyhow::Result<Self> {
        let options = FleetOptions {
            loops,
            days: 1,
            period_s: 3_600.0,
            ..FleetOptions::new(11, now())
        };
        write_site(dir, &options, &mut |_| {})?;
        let simulation = CancellationToken::new();
        let live = serve_live(&options, now, simulation.clone()).await?;
        let record = Recorder::new(capture)?;
        let mut text = site_toml(&live, &options);
        let (mut proxies, mut udp) = (Vec::new(), Vec::new());
        let servers = live.gateways.iter().map(|g| (g.addr, Protocol::HartIp));
        for (server, protocol) in servers.chain([(live.analog_addr, Protocol::Modbus)]) {
            // The simulator may serve some gateways over UDP; site.toml says so.
            let is_udp = text.contains(&format!("\"{server}\"\ntransport = \"udp\""));
            let proxy = if is_udp {
                Proxy::udp(server, Arc::clone(&record))?
            } else {
                Proxy::tcp(server, protocol, Arc::clone(&record))?
            };
            udp.push(is_udp);
            let (old, new) = (format!("\"{server}\""), format!("\"{}\"", proxy.address()));
            ensure!(text.matches(&old).count() == 1, "{server} in site.toml");
            text = text.replace(&old, &new);
            proxies.push(proxy);
        }
        let gateway_poll = if loops > 120 { "\"30s\"" } else { "\"15s\"" };
        text = text
            .replace(gateway_poll, &format!("\"{poll_every}\""))
            // A current counts while it is younger than the gateway's period.
            .replace("\"10s\"", "\"2s\"")
            .replace("[site]\n", "[site]\nlisten = \"127.0.0.1:0\"\n");
        let toml = dir.join("site/site.toml");
        std::fs::write(&toml, text)?;
        Ok(Self {
            record,
            proxies,
            udp,
            toml,
            simulation,
        })
    }

    /// Where the gateways' proxies listen, and whether over UDP.
    pub(crate) fn gateways(&self) -> Vec<(SocketAddr, bool)> {
        let all = self.proxies.iter().map(Proxy::address);
        let gateways = self.proxies.len() - 1;
        all.zip(self.udp.iter().copied()).take(gateways).collect()
    }

    /// Starts the built program over the site.
    pub(crate) fn serve(&self, more: &[&str]) -> anyhow::Result<Service> {
        Service::start(&self.toml, more)
    }

    /// Waits until `done` says so.
    pub(crate) async fn wait(
        &self,
        what: &str,
        limit: Duration,
        done: impl Fn(&Recorder) -> bool,
    ) -> anyhow::Result<()> {
        let began = Instant::now();
        while !done(&self.record) {
            if began.elapsed() > limit {
                bail!(
                    "{what}: not within {} s; asked so far:\n{}",
                    limit.as_secs(),
                    self.record.table()
                );
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        Ok(())
    }
}

impl Drop for Site {
    fn drop(&mut self) {
        self.simulation.cancel();
    }
}

/// A running `loopwitness serve`; killed when dropped.
pub(crate) struct Service {
    child: Child,
    pub(crate) url: String,
}

impl Service {
    pub(crate) fn start(toml: &Path, more: &[&str]) -> anyhow::Result<Self> {
        let mut child = Command::new(binary()?)
            .args(["serve", "--config"])
            .arg(toml)
            .args(more)
            .env("RUST_LOG", "warn")
            .stdout(Stdio::piped())
            .spawn()?;
        let mut line = String::new();
        let out = child.stdout.take().context("standard output")?;
        BufReader::new(out).read_line(&mut line)?;
        let url = line
            .trim()
            .strip_prefix("Loopwitness is at ")
            .with_context(|| format!("the service said `{line}`"))?
            .to_owned();
        Ok(Self { child, url })
    }

    /// Stops it in good order.
    pub(crate) fn stop(mut self) -> anyhow::Result<()> {
        let pid = self.child.id().to_string();
        ensure!(
            Command::new("kill")
                .args(["-TERM", &pid])
                .status()?
                .success(),
            "kill -TERM {pid}"
        );
        let began = Instant::now();
        while began.elapsed() < Duration::from_secs(60) {
            if let Some(status) = self.child.try_wait()? {
                ensure!(status.success(), "the service ended with {status}");
                return Ok(());
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        bail!("the service did not stop within 60 s")
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        // Already gone after `stop`.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
