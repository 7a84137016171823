//! `loopwitness replay`: a recording of `serve --capture` back into readings, as a site folder that can be imported.
//!
//! The collector's own code makes the rows (`ingest_collect::replay`). Loops get the register's tags and units where a
//! `site.toml` is given, else what the devices said of themselves then.

use crate::config::SiteConfig;
use crate::decode::capture;
use anyhow::{Context, bail};
use ingest_collect::poller::Claims;
use ingest_collect::replay::Replay;
use ingest_collect::{GatewayConfig, KnownLoop, LoopDirectory, StaticDirectory};
use ingest_model::{DeviceKey, LoopEntry, UtcMicros};
use ingest_store::{ExportOptions, Store};
use std::collections::BTreeMap;
use std::fs::File;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::{Arc, PoisonError, RwLock};

/// The register as it grows with what devices say.
#[derive(Default)]
struct Growing {
    loops: RwLock<(Vec<KnownLoop>, Arc<StaticDirectory>)>,
}

impl Growing {
    fn add(&self, more: impl IntoIterator<Item = KnownLoop>) {
        let mut slot = self.loops.write().unwrap_or_else(PoisonError::into_inner);
        slot.0.extend(more);
        slot.1 = Arc::new(StaticDirectory::new(slot.0.clone()));
    }

    fn now(&self) -> Arc<StaticDirectory> {
        self.loops
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .1
            .clone()
    }
}

impl LoopDirectory for Growing {
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

/// What a replay wrote.
pub(crate) struct Report {
    pub(crate) gateways: usize,
    pub(crate) loops: usize,
    pub(crate) readings: usize,
    pub(crate) damaged: u64,
}

struct Players<'a> {
    config: Option<&'a SiteConfig>,
    directory: Arc<Growing>,
    claims: Arc<Claims>,
    /// By the address that the host opened the session at.
    gateways: BTreeMap<SocketAddr, Replay>,
    /// The gateway of each end of the host's: a server may answer from another port.
    of_host: BTreeMap<SocketAddr, SocketAddr>,
}

impl Players<'_> {
    fn config_of(&self, at: SocketAddr) -> GatewayConfig {
        let written = at.to_string();
        let listed = self.config.map_or(&[][..], |c| c.gateways.as_slice());
        // A name in site.toml is not looked up: its port tells, where it is the only one.
        let mut same_port = listed.iter().filter(|g| {
            g.address.rsplit_once(':').map(|(_, p)| p) == Some(at.port().to_string().as_str())
        });
        let by_port = same_port.next().filter(|_| same_port.next().is_none());
        let one = listed
            .iter()
            .find(|g| g.address == written)
            .or(by_port)
            .or_else(|| listed.first().filter(|_| listed.len() == 1));
        match one {
            Some(g) => GatewayConfig {
                poll_every: g.poll_every,
                timeout: g.timeout,
                retries: u32::from(g.retries),
                transport: g.transport,
                ..GatewayConfig::new(&g.name, &g.address)
            },
            None => GatewayConfig::new(&written, &written),
        }
    }

    fn of(&mut self, host: SocketAddr, server: SocketAddr) -> &mut Replay {
        let at = *self.of_host.entry(host).or_insert(server);
        let config = self.config_of(at);
        let (directory, claims) = (self.directory.clone(), self.claims.clone());
        self.gateways
            .entry(at)
            .or_insert_with(|| Replay::new(config, directory, claims))
    }
}

/// Plays `file` and writes the site folder `out`, which must not exist or be empty.
pub(crate) fn run(file: &Path, out: &Path, config: Option<&SiteConfig>) -> anyhow::Result<Report> {
    let scratch = out.with_extension("replay-work");
    if scratch.exists() {
        bail!(
            "{} is in the way: it is left of a replay that was cut short; remove it",
            scratch.display()
        );
    }
    let done = play(file, out, &scratch, config);
    let removed = std::fs::remove_dir_all(&scratch);
    let report = done?;
    removed.with_context(|| format!("cannot remove {}", scratch.display()))?;
    Ok(report)
}

fn play(
    file: &Path,
    out: &Path,
    scratch: &Path,
    config: Option<&SiteConfig>,
) -> anyhow::Result<Report> {
    let input = File::open(file).with_context(|| format!("cannot open {}", file.display()))?;
    let store = Store::open(
        &scratch.join("store"),
        "loopwitness replay",
        crate::clock::now(),
    )?;
    let directory = Arc::new(Growing::default());
    if let Some(register) = config.and_then(|c| c.register.as_deref()) {
        // A site folder of the register alone.
        let site = scratch.join("register");
        std::fs::create_dir_all(&site)?;
        std::fs::copy(register, site.join("loops.csv"))
            .with_context(|| format!("cannot read {}", register.display()))?;
        store.import_site(&site, crate::clock::now(), &mut |_| ())?;
        let snapshot = store.reader().snapshot()?;
        let register = snapshot.register();
        let known = register.tags().filter_map(|t| register.current(t));
        directory.add(known.map(KnownLoop::from));
    }
    let mut players = Players {
        config,
        directory: directory.clone(),
        claims: Arc::default(),
        gateways: BTreeMap::new(),
        of_host: BTreeMap::new(),
    };
    let (mut readings, mut last) = (0, UtcMicros(i64::MIN));
    let landing = store.landing();
    let summary = capture::read(input, &mut |found: capture::Found| {
        last = last.max(found.time);
        let sent = found.piece.bytes.get(1) == Some(&0);
        let (host, server) = if sent {
            (found.from, found.to)
        } else {
            (found.to, found.from)
        };
        // What is damaged in the file was damaged, or lost, on its way into it.
        if found.piece.errors().next().is_some() {
            return Ok(());
        }
        let player = players.of(host, server);
        player.message(found.time, sent, &found.piece.bytes);
        let (mut fresh, mut entries): (Vec<KnownLoop>, Vec<LoopEntry>) = (Vec::new(), Vec::new());
        while let Some(d) = player.take_discovered() {
            if let Some(entry) = d.to_entry().filter(|_| !d.known) {
                fresh.push(KnownLoop::from(&entry));
                entries.push(entry);
            }
        }
        let rows = player.take_readings();
        if !fresh.is_empty() {
            directory.add(fresh);
            // A reading is taken only of a loop that the register has.
            store.enter_loops(entries, found.time)?;
        }
        readings += rows.len();
        if !rows.is_empty() {
            landing.append(rows)?;
        }
        Ok(())
    })
    .with_context(|| format!("cannot replay {}", file.display()))?;
    for player in players.gateways.values_mut() {
        player.closed(last);
        let rows = player.take_readings();
        readings += rows.len();
        if !rows.is_empty() {
            landing.append(rows)?;
        }
    }
    if readings == 0 {
        bail!("{}: no exchange in it became a reading", file.display());
    }
    store.seal(crate::clock::now())?;
    let report = store.reader().export(
        out,
        ExportOptions {
            from: None,
            to: None,
        },
        &mut |_| (),
    )?;
    Ok(Report {
        gateways: players.gateways.len(),
        loops: report.loops,
        readings: report.readings as usize,
        damaged: summary.damaged,
    })
}
