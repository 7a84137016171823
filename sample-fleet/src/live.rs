//! The live side: gateways, analog inputs and the control port on the loopback interface.

use crate::control;
use crate::device::{INPUT_FULL_MA, INPUT_FULL_RAW};
use crate::devices::LiveFleet;
use crate::fleet::Fleet;
use crate::wire::gateway::Port;
use crate::wire::{Devices, analog, gateway};
use crate::{FleetError, FleetOptions};
use ingest_model::UtcMicros;
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::sync::Arc;
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

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

/// Serves the fleet until `shutdown`; the plant goes on from the end of its history, faults included.
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
    let fleet = Arc::new(LiveFleet::new(Fleet::build(opt)?));
    let devices: Arc<dyn Devices> = fleet.clone();
    let mut gateways = Vec::new();
    for (index, name) in devices.gateways().into_iter().enumerate() {
        let udp = speaks_udp(index);
        let fail = |e: std::io::Error| no_port(&name, &e);
        let port = Port::open(([127, 0, 0, 1], 0).into(), udp)
            .await
            .map_err(fail)?;
        let addr = port.local_addr().map_err(fail)?;
        tokio::spawn(gateway::serve(
            port,
            index,
            Arc::clone(&devices),
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
    tokio::spawn(control::serve(listener, fleet, clock, shutdown));
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
    })
}

/// The `[site]`, `[[gateway]]` and `[[analog]]` sections of a `site.toml` for a live fleet.
pub fn site_toml(live: &Live, opt: &FleetOptions) -> String {
    let mut s = String::from(
        "[site]\nname = \"Sable Point desalination works\"\nstore = \"store\"\nregister = \"loops.csv\"\n",
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
        };
        let end = UtcMicros::parse_rfc3339("2026-06-01T00:00:00Z").unwrap();
        let text = site_toml(&live, &FleetOptions::new(1, end));
        let v: toml::Value = toml::from_str(&text).unwrap();
        assert_eq!(v["gateway"][0]["address"].as_str(), Some("127.0.0.1:5094"));
        assert_eq!(v["gateway"][0]["transport"].as_str(), Some("udp"));
        let point = &v["analog"][0]["points"]["FT-1201"];
        assert_eq!(point["register"].as_integer(), Some(12));
        assert_eq!(point["ma"][1].as_float(), Some(24.0));
    }
}
