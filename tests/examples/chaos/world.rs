//! Whom the program is set among: honest gateways whose devices' values tell who and when, some of them mangled or with
//! their devices exchanged, and the hostile servers.

use crate::Options;
use ingest_model::UtcMicros;
use sample_fleet::wire::gateway::{Gateway, Port};
use sample_fleet::wire::hostile::{Mangling, Quirk, mangle, serve};
use sample_fleet::wire::{DeviceCard, DeviceState, Devices};
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, SystemTime, UNIX_EPOCH};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

pub(crate) const CYCLE_S: f64 = 900.0;
/// Devices are exchanged so often.
const SWAP_EVERY: Duration = Duration::from_secs(100);
/// The hostile servers come after this share of the time.
pub(crate) const ALONE: f64 = 0.2;

pub(crate) fn clock() -> UtcMicros {
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

pub(crate) fn base(device_id: u32) -> f64 {
    f64::from(device_id % 61) * 1_000.0
}

pub(crate) fn seconds(t: UtcMicros) -> f64 {
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
pub(crate) fn free_port() -> anyhow::Result<SocketAddr> {
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
pub(crate) struct World {
    pub(crate) addresses: Vec<(String, SocketAddr)>,
    pub(crate) mangled: BTreeSet<String>,
    pub(crate) swapped: Option<String>,
}

/// Starts the servers on the runtime; the hostile ones come later.
pub(crate) fn start(o: &Options, runtime: &tokio::runtime::Runtime) -> anyhow::Result<World> {
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

pub(crate) fn write_site(
    dir: &Path,
    o: &Options,
    world: &World,
    listen: SocketAddr,
) -> anyhow::Result<()> {
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
