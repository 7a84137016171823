//! The live side: gateways, analog inputs and the control port on the loopback interface.

use crate::control;
use crate::device::{INPUT_FULL_MA, INPUT_FULL_RAW};
use crate::devices::{KeptFault, LiveFleet};
use crate::fleet::Fleet;
use crate::history::counters_at_end;
use crate::wire::gateway::Port;
use crate::wire::{Devices, analog, gateway};
use crate::{FleetError, FleetOptions};
use ingest_model::UtcMicros;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

/// How often it is looked whether a gateway restarts.
const RESTART_LOOK: Duration = Duration::from_millis(500);

/// Where a live fleet can be reached. All ports are on 127.0.0.1 and chosen by the system.
#[derive(Debug, Clone)]
pub struct Live {
    /// HART-IP servers.
    pub gateways: Vec<LiveGateway>,
    /// Modbus TCP server of the analog inputs.
    pub analog_addr: SocketAddr,
    pub points: Vec<AnalogPoint>,
    /// HTTP: `POST /break?tag=&fault=`, `POST /mend?tag=`, `GET /faults`.
    pub control: SocketAddr,
    fleet: Arc<LiveFleet>,
}

/// What a live side must remember so that a later one goes on where it stopped.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LiveState {
    /// Requests sent and answers received, mod 2^16, by tag.
    counters: BTreeMap<String, [u16; 2]>,
    faults: Vec<KeptFault>,
}

impl Live {
    /// The state now.
    pub fn state(&self) -> LiveState {
        let cards = self.fleet.cards().iter().enumerate();
        LiveState {
            counters: cards
                .map(|(i, card)| (card.tag.clone(), self.fleet.counted(i)))
                .collect(),
            faults: self.fleet.kept_faults(),
        }
    }
}

/// One HART-IP server.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LiveGateway {
    pub name: String,
    pub addr: SocketAddr,
    /// Served over UDP; its answers come from another port.
    pub udp: bool,
}

/// Where the current of one loop is read: a 16-bit input register, `raw_min`..`raw_max` = `ma_min`..`ma_max`.
#[derive(Debug, Clone, PartialEq)]
pub struct AnalogPoint {
    pub tag: String,
    pub unit_id: u8,
    pub address: u16,
    pub raw_min: u16,
    pub raw_max: u16,
    pub ma_min: f64,
    pub ma_max: f64,
}

fn no_port(what: &str, e: &std::io::Error) -> FleetError {
    FleetError::Listen {
        what: what.to_owned(),
        reason: e.to_string(),
    }
}

async fn listen(what: &str) -> Result<(TcpListener, SocketAddr), FleetError> {
    let fail = |e| no_port(what, &e);
    let listener = TcpListener::bind("127.0.0.1:0").await.map_err(fail)?;
    let addr = listener.local_addr().map_err(fail)?;
    Ok((listener, addr))
}

/// One gateway of four speaks UDP.
fn speaks_udp(gateway: usize) -> bool {
    gateway % 4 == 3
}

/// Serves the fleet until `shutdown`; the plant goes on from the end of its history, faults and counters included.
///
/// Returns when all ports are open. Must run inside a tokio runtime.
///
/// # Errors
/// Options out of range, or no port to be had.
pub async fn serve_live(
    opt: &FleetOptions,
    clock: fn() -> UtcMicros,
    shutdown: CancellationToken,
) -> Result<Live, FleetError> {
    let fleet = Fleet::build(opt)?;
    let counted = counters_at_end(&fleet, opt);
    serve(LiveFleet::new(fleet, counted), clock, shutdown).await
}

/// As [`serve_live`], from where an earlier live side of the same options stopped.
///
/// # Errors
/// As [`serve_live`].
pub async fn resume_live(
    opt: &FleetOptions,
    state: &LiveState,
    clock: fn() -> UtcMicros,
    shutdown: CancellationToken,
) -> Result<Live, FleetError> {
    let fleet = Fleet::build(opt)?;
    let counted = fleet
        .loops
        .iter()
        .map(|l| state.counters.get(l.tag()).copied().unwrap_or_default())
        .collect();
    let fleet = LiveFleet::new(fleet, counted);
    fleet.restore(&state.faults);
    serve(fleet, clock, shutdown).await
}

async fn serve(
    fleet: LiveFleet,
    clock: fn() -> UtcMicros,
    shutdown: CancellationToken,
) -> Result<Live, FleetError> {
    let fleet = Arc::new(fleet);
    let devices: Arc<dyn Devices> = fleet.clone();
    let mut gateways = Vec::new();
    for (index, name) in devices.gateways().into_iter().enumerate() {
        let udp = speaks_udp(index);
        let fail = |e: std::io::Error| no_port(&name, &e);
        let port = Port::open(([127, 0, 0, 1], 0).into(), udp)
            .await
            .map_err(fail)?;
        let addr = port.local_addr().map_err(fail)?;
        tokio::spawn(serve_gateway(
            port,
            index,
            Arc::clone(&fleet),
            clock,
            shutdown.clone(),
        ));
        gateways.push(LiveGateway { name, addr, udp });
    }
    let (listener, analog_addr) = listen("analog inputs").await?;
    tokio::spawn(analog::serve(
        listener,
        Arc::clone(&devices),
        clock,
        shutdown.clone(),
    ));
    let (listener, control) = listen("control").await?;
    tokio::spawn(control::serve(listener, fleet.clone(), clock, shutdown));
    let points = devices
        .cards()
        .iter()
        .zip(0_u16..)
        .map(|(card, address)| AnalogPoint {
            tag: card.tag.clone(),
            unit_id: 1,
            address,
            raw_min: 0,
            raw_max: INPUT_FULL_RAW as u16,
            ma_min: 0.0,
            ma_max: INPUT_FULL_MA,
        })
        .collect();
    Ok(Live {
        gateways,
        analog_addr,
        points,
        control,
        fleet,
    })
}

/// Serves one gateway, with the restarts that the scenario has for it.
async fn serve_gateway(
    mut port: Port,
    index: usize,
    fleet: Arc<LiveFleet>,
    clock: fn() -> UtcMicros,
    shutdown: CancellationToken,
) {
    let turns = async |down: bool| {
        while fleet.gateway_down(index, clock()) != down {
            tokio::time::sleep(RESTART_LOOK).await;
        }
    };
    let Ok(addr) = port.local_addr() else {
        tracing::warn!(gateway = index, "simulated gateway has no address");
        return;
    };
    loop {
        let devices: Arc<dyn Devices> = fleet.clone();
        // Dropped at a restart, and its connections with it.
        tokio::select! {
            () = gateway::serve(port, index, devices, clock, shutdown.clone()) => return,
            () = turns(true) => fleet.forget_counters(index),
        }
        tokio::select! {
            () = shutdown.cancelled() => return,
            () = turns(false) => {}
        }
        port = loop {
            match Port::open(addr, speaks_udp(index)).await {
                Ok(port) => break port,
                Err(e) => tracing::warn!(%addr, "simulated gateway: open the port again: {e}"),
            }
            tokio::select! {
                () = shutdown.cancelled() => return,
                () = tokio::time::sleep(RESTART_LOOK) => {}
            }
        };
    }
}

/// The `[site]`, `[[gateway]]` and `[[analog]]` sections of a `site.toml` for a live fleet.
pub fn site_toml(live: &Live, opt: &FleetOptions) -> String {
    let mut s = String::from(
        "[site]\nname = \"Sable Point desalination works\"\nstore = \"store\"\nregister = \"loops.csv\"\ntimezone = \"Europe/Madrid\"\n",
    );
    // A modem serves its channels in turn, about 0.6 s each at 1200 bit/s: 15 of them take 9 s.
    let poll_every = if opt.loops > 120 { "30s" } else { "15s" };
    for g in &live.gateways {
        // Writing to a String cannot fail.
        let _ = write!(
            s,
            "\n[[gateway]]\nname = \"{}\"\naddress = \"{}\"\ntransport = \"{}\"\npoll_every = \"{poll_every}\"\n\
             timeout = \"15s\"\nretries = 1\nmaster = \"auto\"\n",
            g.name,
            g.addr,
            if g.udp { "udp" } else { "tcp" }
        );
    }
    let _ = write!(
        s,
        "\n[[analog]]\nname = \"input-cards\"\nkind = \"modbus-tcp\"\naddress = \"{}\"\npoll_every = \"10s\"\n",
        live.analog_addr
    );
    for p in &live.points {
        let _ = write!(
            s,
            "\n[analog.points.\"{}\"]\nunit = {}\nregister = {}\nkind = \"input\"\nraw = [{}, {}]\nma = [{:?}, {:?}]\n",
            p.tag, p.unit_id, p.address, p.raw_min, p.raw_max, p.ma_min, p.ma_max
        );
    }
    s
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn site_file_is_toml() {
        let addr: SocketAddr = "127.0.0.1:5094".parse().unwrap();
        let end = UtcMicros::parse_rfc3339("2026-06-01T00:00:00Z").unwrap();
        let opt = FleetOptions {
            loops: 3,
            days: 1,
            ..FleetOptions::new(1, end)
        };
        let fleet = Fleet::build(&opt).unwrap();
        let live = Live {
            gateways: vec![LiveGateway {
                name: "GW-01".into(),
                addr,
                udp: true,
            }],
            analog_addr: addr,
            points: vec![AnalogPoint {
                tag: "FT-1201".into(),
                unit_id: 1,
                address: 12,
                raw_min: 0,
                raw_max: 65_535,
                ma_min: 0.0,
                ma_max: 24.0,
            }],
            control: addr,
            fleet: Arc::new(LiveFleet::new(fleet, Vec::new())),
        };
        let text = site_toml(&live, &opt);
        let v: toml::Value = toml::from_str(&text).unwrap();
        assert_eq!(v["gateway"][0]["address"].as_str(), Some("127.0.0.1:5094"));
        assert_eq!(v["gateway"][0]["transport"].as_str(), Some("udp"));
        let point = &v["analog"][0]["points"]["FT-1201"];
        assert_eq!(point["register"].as_integer(), Some(12));
        assert_eq!(point["ma"][1].as_float(), Some(24.0));
    }
}
