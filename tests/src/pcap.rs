//! Writes what passed a proxy as a capture file that a packet analyser can follow.
//!
//! The classic pcap format (draft-ietf-opsawg-pcap: magic a1b2c3d4, microseconds, link type 1) with made-up Ethernet,
//! IPv4 and TCP or UDP headers: handshakes, sequence numbers and checksums are right, so that streams reassemble.

use std::io::{self, Write};
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::time::{SystemTime, UNIX_EPOCH};

const SYN: u8 = 0x02;
const ACK: u8 = 0x10;
const PUSH: u8 = 0x08;
const FIN: u8 = 0x01;
const TCP: u8 = 6;
const UDP: u8 = 17;

/// A capture file that is being written.
#[derive(Debug)]
pub struct Capture<W: Write> {
    out: W,
    packets: u64,
}

/// Which way bytes went.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    ToServer,
    ToClient,
}

/// One TCP connection in the file.
#[derive(Clone, Copy, Debug)]
pub struct Connection {
    client: (Ipv4Addr, u16),
    server: (Ipv4Addr, u16),
    client_next: u32,
    server_next: u32,
}

fn v4(a: SocketAddr) -> (Ipv4Addr, u16) {
    match a.ip() {
        IpAddr::V4(ip) => (ip, a.port()),
        // Proxies listen on IPv4; what comes otherwise is mapped or shown as the loopback.
        IpAddr::V6(ip) => (ip.to_ipv4().unwrap_or(Ipv4Addr::LOCALHOST), a.port()),
    }
}

/// Internet checksum (RFC 1071) over parts that are each even in length, but for the last.
fn checksum(parts: &[&[u8]]) -> u16 {
    let mut sum = 0u32;
    for part in parts {
        for pair in part.chunks(2) {
            let low = pair.get(1).copied().unwrap_or(0);
            sum += u32::from(u16::from_be_bytes([pair[0], low]));
        }
    }
    while sum > 0xFFFF {
        sum = (sum & 0xFFFF) + (sum >> 16);
    }
    !(sum as u16)
}

impl<W: Write> Capture<W> {
    /// Writes the file's head.
    ///
    /// # Errors
    /// As the writer gives them; so below.
    pub fn new(mut out: W) -> io::Result<Self> {
        for word in [0xA1B2_C3D4_u32, 2 | 4 << 16, 0, 0, 65_535, 1] {
            out.write_all(&word.to_le_bytes())?;
        }
        Ok(Self { out, packets: 0 })
    }

    pub fn packets(&self) -> u64 {
        self.packets
    }

    /// The handshake of a connection.
    pub fn open(&mut self, client: SocketAddr, server: SocketAddr) -> io::Result<Connection> {
        let mut c = Connection {
            client: v4(client),
            server: v4(server),
            // Any number will do; one that wraps soon would only test the analyser.
            client_next: 1_000,
            server_next: 5_000,
        };
        self.segment(&mut c, Way::ToServer, SYN, &[])?;
        self.segment(&mut c, Way::ToClient, SYN | ACK, &[])?;
        self.segment(&mut c, Way::ToServer, ACK, &[])?;
        Ok(c)
    }

    /// Bytes of a connection as they were read in one go.
    pub fn data(&mut self, c: &mut Connection, way: Way, bytes: &[u8]) -> io::Result<()> {
        for part in bytes.chunks(1_460) {
            self.segment(c, way, PUSH | ACK, part)?;
        }
        Ok(())
    }

    /// The end of one direction.
    pub fn close(&mut self, c: &mut Connection, way: Way) -> io::Result<()> {
        self.segment(c, way, FIN | ACK, &[])
    }

    fn segment(&mut self, c: &mut Connection, way: Way, flags: u8, bytes: &[u8]) -> io::Result<()> {
        let (from, to, sequence, acknowledged) = match way {
            Way::ToServer => (c.client, c.server, c.client_next, c.server_next),
            Way::ToClient => (c.server, c.client, c.server_next, c.client_next),
        };
        let acknowledged = if flags & ACK == 0 { 0 } else { acknowledged };
        let mut head = Vec::with_capacity(20);
        head.extend(from.1.to_be_bytes());
        head.extend(to.1.to_be_bytes());
        head.extend(sequence.to_be_bytes());
        head.extend(acknowledged.to_be_bytes());
        head.extend([5 << 4, flags, 0xFF, 0xFF, 0, 0, 0, 0]);
        self.packet(from.0, to.0, TCP, head, 16, bytes)?;
        let taken = bytes.len() as u32 + u32::from(flags & (SYN | FIN) != 0);
        match way {
            Way::ToServer => c.client_next = c.client_next.wrapping_add(taken),
            Way::ToClient => c.server_next = c.server_next.wrapping_add(taken),
        }
        Ok(())
    }

    /// A UDP datagram.
    pub fn datagram(&mut self, from: SocketAddr, to: SocketAddr, bytes: &[u8]) -> io::Result<()> {
        let (from, to) = (v4(from), v4(to));
        let mut head = Vec::with_capacity(8);
        head.extend(from.1.to_be_bytes());
        head.extend(to.1.to_be_bytes());
        head.extend((8 + bytes.len() as u16).to_be_bytes());
        head.extend([0, 0]);
        self.packet(from.0, to.0, UDP, head, 6, bytes)
    }

    /// `head` is the transport header with a checksum of zero at `check_at`.
    fn packet(
        &mut self,
        from: Ipv4Addr,
        to: Ipv4Addr,
        protocol: u8,
        mut head: Vec<u8>,
        check_at: usize,
        bytes: &[u8],
    ) -> io::Result<()> {
        let length = (head.len() + bytes.len()) as u16;
        let [l1, l0] = length.to_be_bytes();
        let sum = checksum(&[
            &from.octets(),
            &to.octets(),
            &[0, protocol, l1, l0],
            &head,
            bytes,
        ]);
        head[check_at..check_at + 2].copy_from_slice(&sum.to_be_bytes());

        let mut ip = vec![0x45, 0];
        ip.extend((20 + length).to_be_bytes());
        ip.extend((self.packets as u16).to_be_bytes());
        ip.extend([0x40, 0, 64, protocol, 0, 0]);
        ip.extend(from.octets());
        ip.extend(to.octets());
        let sum = checksum(&[&ip]);
        ip[10..12].copy_from_slice(&sum.to_be_bytes());

        // Locally administered addresses, type IPv4.
        let ethernet = [2, 0, 0, 0, 0, 2, 2, 0, 0, 0, 0, 1, 8, 0];
        let total = (ethernet.len() + ip.len() + head.len() + bytes.len()) as u32;
        let now = SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .unwrap_or_default();
        for word in [now.as_secs() as u32, now.subsec_micros(), total, total] {
            self.out.write_all(&word.to_le_bytes())?;
        }
        for part in [&ethernet[..], &ip, &head, bytes] {
            self.out.write_all(part)?;
        }
        self.packets += 1;
        Ok(())
    }

    /// Writes out what is buffered.
    pub fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headers_add_up() {
        let mut file = Vec::new();
        let mut c = Capture::new(&mut file).unwrap();
        let (a, b) = (
            "127.0.0.1:40000".parse().unwrap(),
            "127.0.0.1:5094".parse().unwrap(),
        );
        let mut tcp = c.open(a, b).unwrap();
        c.data(&mut tcp, Way::ToServer, &[1, 2, 3]).unwrap();
        c.close(&mut tcp, Way::ToServer).unwrap();
        assert_eq!((tcp.client_next, tcp.server_next), (1_005, 5_001));
        assert_eq!(c.packets(), 5);
        // Over a header with its checksum in place the sum is zero (RFC 1071).
        let third = 24 + 3 * (16 + 54);
        let ip = &file[third + 16 + 14..][..20];
        assert_eq!(checksum(&[ip]), 0);
        let tcp = &file[third + 16 + 34..][..23];
        let pseudo = [&ip[12..20], &[0, 6, 0, 23]].concat();
        assert_eq!(checksum(&[&pseudo, tcp]), 0);
        assert_eq!(&tcp[20..], [1, 2, 3]);
    }
}
