//! `recording_proxy SERVER [--udp|--modbus] [--pcap FILE]`: records until standard input ends, then lists what was asked.

use anyhow::{Context, bail};
use loopwitness_tests::census::Protocol;
use loopwitness_tests::proxy::{Proxy, Recorder};
use std::io::Read;
use std::net::ToSocketAddrs;
use std::path::PathBuf;
use std::sync::Arc;

fn main() -> anyhow::Result<()> {
    let (mut server, mut file, mut udp, mut protocol) = (None, None, false, Protocol::HartIp);
    let mut args = std::env::args().skip(1);
    while let Some(a) = args.next() {
        match a.as_str() {
            "--udp" => udp = true,
            "--modbus" => protocol = Protocol::Modbus,
            "--pcap" => file = Some(PathBuf::from(args.next().context("--pcap needs a file")?)),
            _ if a.starts_with('-') => bail!("option {a} is not known"),
            _ => server = a.to_socket_addrs()?.next(),
        }
    }
    let server = server.context("say which server (host:port) stands behind the proxy")?;
    let record = Recorder::new(file.as_deref()).context("cannot write the capture file")?;
    let proxy = if udp {
        Proxy::udp(server, Arc::clone(&record))?
    } else {
        Proxy::tcp(server, protocol, Arc::clone(&record))?
    };
    eprintln!("{} stands before {server}", proxy.address());
    std::io::stdin().read_to_end(&mut Vec::new())?;
    record.flush()?;
    eprint!("{}", record.table());
    for e in record.errors() {
        eprintln!("proxy: {e}");
    }
    if record.other_than_reads().is_empty() {
        Ok(())
    } else {
        bail!("something else than reads was sent")
    }
}
