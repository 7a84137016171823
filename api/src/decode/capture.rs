//! Capture files (classic pcap and pcapng): HART-IP messages out of TCP streams and UDP datagrams.
//!
//! Streams are put in order again, repeats dropped, and holes located. Only what speaks HART-IP is shown.

mod file;
mod flow;

pub use file::CaptureError;

use super::{Piece, Wire, next_piece};
use file::{Packet, Packets};
use flow::Flow;
use ingest_hart::hartip::PORT;
use ingest_model::UtcMicros;
use serde::Serialize;
use std::collections::BTreeMap;
use std::io::Read;
use std::net::{IpAddr, SocketAddr};

/// A message in a capture, or bytes that are none.
#[derive(Clone, Debug, Serialize)]
pub struct Found {
    /// Number of the packet that completed it, from 1.
    pub packet: u64,
    #[serde(serialize_with = "as_text")]
    pub time: UtcMicros,
    pub from: SocketAddr,
    pub to: SocketAddr,
    pub transport: &'static str,
    /// Bytes of the stream that the capture lacks just before this.
    #[serde(skip_serializing_if = "is_zero")]
    pub missing_before: u64,
    #[serde(flatten)]
    pub piece: Piece,
}

fn as_text<S: serde::Serializer>(time: &UtcMicros, s: S) -> Result<S::Ok, S::Error> {
    s.collect_str(time)
}

fn is_zero(n: &u64) -> bool {
    *n == 0
}

impl Found {
    /// A head line and the lines of the piece.
    pub fn text(&self) -> String {
        let hole = match self.missing_before {
            0 => String::new(),
            n => format!("ERROR: {n} bytes of the stream are missing in the capture before this\n"),
        };
        format!(
            "packet {}  {}  {} -> {}  {}\n{hole}{}",
            self.packet,
            self.time,
            self.from,
            self.to,
            self.transport,
            self.piece.text()
        )
    }

    pub fn is_damaged(&self) -> bool {
        self.missing_before > 0 || self.piece.errors().next().is_some()
    }
}

/// What a file held.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Summary {
    pub packets: u64,
    /// Packets that carry neither TCP nor UDP over IP, or only a fragment.
    pub other_packets: u64,
    /// One-way streams and datagrams that are not HART-IP.
    pub other_streams: u64,
    pub messages: u64,
    pub damaged: u64,
    /// The file ends within a packet.
    pub cut_short: bool,
}

impl std::fmt::Display for Summary {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{} packets, {} messages, {} damaged; not looked at: {} packets without TCP or UDP, {} streams or datagrams \
             without HART-IP",
            self.packets, self.messages, self.damaged, self.other_packets, self.other_streams
        )?;
        if self.cut_short {
            f.write_str("; the file ends within a packet")?;
        }
        Ok(())
    }
}

/// Whether the file begins like a capture.
pub fn is_capture(first: &[u8]) -> bool {
    file::magic(first).is_some()
}

type Ends = (SocketAddr, SocketAddr);

/// Reads a whole capture and hands on what is found, in the order of the packets that complete it.
///
/// # Errors
/// When the file is no capture, cannot be read, or `found` fails.
pub fn read(
    input: impl Read,
    found: &mut impl FnMut(Found) -> anyhow::Result<()>,
) -> anyhow::Result<Summary> {
    let mut packets = Packets::open(input)?;
    let mut all = Reader {
        summary: Summary::default(),
        flows: BTreeMap::new(),
        found,
    };
    while let Some(packet) = packets.next_packet()? {
        all.summary.packets += 1;
        all.packet(&packet)?;
    }
    all.summary.cut_short = packets.cut_short();
    let ends: Vec<Ends> = all.flows.keys().copied().collect();
    for ends in ends {
        all.finish(ends)?;
    }
    Ok(all.summary)
}

struct Reader<'f, F> {
    summary: Summary,
    flows: BTreeMap<Ends, Flow>,
    found: &'f mut F,
}

/// A transport packet inside a captured one.
enum Segment<'a> {
    Tcp {
        ends: Ends,
        sequence: u32,
        syn: bool,
        end: bool,
        bytes: &'a [u8],
    },
    Udp {
        ends: Ends,
        bytes: &'a [u8],
    },
}

impl<F: FnMut(Found) -> anyhow::Result<()>> Reader<'_, F> {
    fn packet(&mut self, packet: &Packet) -> anyhow::Result<()> {
        match segment(packet) {
            None => self.summary.other_packets += 1,
            Some(Segment::Udp { ends, bytes }) => self.datagram(packet, ends, bytes)?,
            Some(Segment::Tcp {
                ends,
                sequence,
                syn,
                end,
                bytes,
            }) => {
                if syn {
                    // A new connection between the same ports ends the old one.
                    self.finish(ends)?;
                }
                let flow = self.flows.entry(ends).or_default();
                flow.segment(sequence, syn, bytes, (self.summary.packets, packet.time));
                self.emit(ends, false)?;
                if end {
                    self.finish(ends)?;
                }
            }
        }
        Ok(())
    }

    fn datagram(&mut self, packet: &Packet, ends: Ends, bytes: &[u8]) -> anyhow::Result<()> {
        let by_port = is_hart_port(ends);
        let first = next_piece(bytes, true, Wire::HartIp);
        if !first.is_some_and(|(p, _)| by_port || p.errors().next().is_none()) {
            self.summary.other_streams += 1;
            return Ok(());
        }
        let mut at = 0;
        while let Some((mut piece, used)) =
            next_piece(bytes.get(at..).unwrap_or_default(), true, Wire::HartIp)
        {
            piece.at = at;
            at += used;
            let found = Found {
                packet: self.summary.packets,
                time: packet.time,
                from: ends.0,
                to: ends.1,
                transport: "udp",
                missing_before: 0,
                piece,
            };
            self.hand_on(found)?;
        }
        Ok(())
    }

    /// Hands on what a stream has whole; with `end` also what is left.
    fn emit(&mut self, ends: Ends, end: bool) -> anyhow::Result<()> {
        let by_port = is_hart_port(ends);
        while let Some(flow) = self.flows.get_mut(&ends) {
            let Some(taken) = flow.next_piece(end, by_port) else {
                return Ok(());
            };
            self.hand_on(Found {
                packet: taken.packet,
                time: taken.time,
                from: ends.0,
                to: ends.1,
                transport: "tcp",
                missing_before: taken.missing_before,
                piece: taken.piece,
            })?;
        }
        Ok(())
    }

    fn finish(&mut self, ends: Ends) -> anyhow::Result<()> {
        self.emit(ends, true)?;
        if self.flows.remove(&ends).is_some_and(|f| f.is_other()) {
            self.summary.other_streams += 1;
        }
        Ok(())
    }

    fn hand_on(&mut self, found: Found) -> anyhow::Result<()> {
        self.summary.messages += 1;
        self.summary.damaged += u64::from(found.is_damaged());
        (self.found)(found)
    }
}

/// The registered port; servers answer over UDP from the next one too.
fn is_hart_port((a, b): Ends) -> bool {
    [a.port(), b.port()]
        .iter()
        .any(|p| (PORT..=PORT + 1).contains(p))
}

fn be16(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes([*bytes.get(at)?, *bytes.get(at + 1)?]))
}

/// TCP or UDP in an IP packet.
fn segment(packet: &Packet) -> Option<Segment<'_>> {
    let ip = packet.ip()?;
    let (from, to, protocol, payload): (IpAddr, IpAddr, u8, &[u8]) = match ip.first()? >> 4 {
        4 => {
            let head = usize::from(ip.first()? & 0x0F) * 4;
            let total = usize::from(be16(ip, 2)?);
            // Offloading network cards leave a length of 0.
            let end = if total == 0 {
                ip.len()
            } else {
                total.min(ip.len())
            };
            if be16(ip, 6)? & 0x3FFF != 0 {
                return None;
            }
            let address = |at: usize| -> Option<IpAddr> {
                let a: [u8; 4] = ip.get(at..at + 4)?.try_into().ok()?;
                Some(a.into())
            };
            (address(12)?, address(16)?, *ip.get(9)?, ip.get(head..end)?)
        }
        6 => {
            let address = |at: usize| -> Option<IpAddr> {
                let a: [u8; 16] = ip.get(at..at + 16)?.try_into().ok()?;
                Some(a.into())
            };
            let end = (40 + usize::from(be16(ip, 4)?)).min(ip.len());
            // Extension headers are not followed.
            (address(8)?, address(24)?, *ip.get(6)?, ip.get(40..end)?)
        }
        _ => return None,
    };
    let ends = (
        SocketAddr::new(from, be16(payload, 0)?),
        SocketAddr::new(to, be16(payload, 2)?),
    );
    match protocol {
        6 => {
            let flags = *payload.get(13)?;
            let head = usize::from(payload.get(12)? >> 4) * 4;
            Some(Segment::Tcp {
                ends,
                sequence: u32::from_be_bytes(payload.get(4..8)?.try_into().ok()?),
                syn: flags & 0x02 != 0,
                end: flags & 0x05 != 0,
                bytes: payload.get(head.max(20)..)?,
            })
        }
        17 => Some(Segment::Udp {
            ends,
            bytes: payload.get(8..)?,
        }),
        _ => None,
    }
}
