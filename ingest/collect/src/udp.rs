//! The socket of a session over UDP, and whose datagrams are taken.
//!
//! A gateway may answer from another port than it was asked at, and wants everything after the session initiate there.
//! So the socket is not connected: datagrams of the gateway's host are taken from any port (the session matches them by
//! number, address and command), all others are refused, and what is sent goes to the port that granted the session.

use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use tokio::net::{UdpSocket, lookup_host};

/// Longest datagram there is.
pub(crate) const LONGEST_DATAGRAM: usize = 65_535;

/// The other end, as far as it is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Peer {
    /// As configured.
    first: SocketAddr,
    /// Where the session was granted from.
    granted: Option<SocketAddr>,
}

impl Peer {
    pub(crate) fn new(first: SocketAddr) -> Self {
        Self {
            first,
            granted: None,
        }
    }

    pub(crate) fn accepts(&self, from: SocketAddr) -> bool {
        from.ip() == self.first.ip()
    }

    pub(crate) fn target(&self) -> SocketAddr {
        self.granted.unwrap_or(self.first)
    }

    pub(crate) fn grant(&mut self, from: SocketAddr) {
        if self.accepts(from) {
            self.granted = Some(from);
        }
    }
}

/// What came in.
pub(crate) enum Datagram {
    /// So many bytes of the gateway.
    Own(usize),
    /// From another host: not looked at.
    Foreign(SocketAddr),
}

/// An open socket towards one gateway.
#[derive(Debug)]
pub(crate) struct UdpLink {
    socket: UdpSocket,
    peer: Peer,
    latest: SocketAddr,
}

impl UdpLink {
    /// Each attempt takes the next of the addresses that the name stands for, and a port of its own, so that datagrams
    /// of an earlier session find nobody.
    pub(crate) async fn open(address: String, attempt: usize) -> io::Result<Self> {
        let all: Vec<SocketAddr> = lookup_host(address).await?.collect();
        let first = attempt
            .checked_rem(all.len())
            .and_then(|i| all.get(i))
            .copied()
            .ok_or_else(|| io::Error::new(io::ErrorKind::NotFound, "the name has no address"))?;
        let any: IpAddr = match first {
            SocketAddr::V4(_) => Ipv4Addr::UNSPECIFIED.into(),
            SocketAddr::V6(_) => Ipv6Addr::UNSPECIFIED.into(),
        };
        Ok(Self {
            socket: UdpSocket::bind((any, 0)).await?,
            peer: Peer::new(first),
            latest: first,
        })
    }

    pub(crate) fn local_addr(&self) -> io::Result<SocketAddr> {
        self.socket.local_addr()
    }

    /// Where datagrams are sent to now.
    pub(crate) fn target(&self) -> SocketAddr {
        self.peer.target()
    }

    /// Waits for a datagram. Cancelling it loses none.
    pub(crate) async fn receive(&mut self, buffer: &mut [u8]) -> io::Result<Datagram> {
        let (len, from) = self.socket.recv_from(buffer).await?;
        if !self.peer.accepts(from) {
            return Ok(Datagram::Foreign(from));
        }
        self.latest = from;
        Ok(Datagram::Own(len))
    }

    /// The latest datagram granted the session: from now on its port is spoken to.
    pub(crate) fn granted(&mut self) {
        self.peer.grant(self.latest);
    }

    pub(crate) async fn send(&self, bytes: &[u8]) -> io::Result<()> {
        self.socket.send_to(bytes, self.peer.target()).await?;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_port_is_taken_another_host_is_not() {
        let at = |text: &str| -> SocketAddr { text.parse().unwrap() };
        let mut p = Peer::new(at("192.0.2.10:5094"));
        assert!(p.accepts(at("192.0.2.10:5095")) && p.accepts(at("192.0.2.10:5094")));
        assert!(!p.accepts(at("192.0.2.11:5094")) && !p.accepts(at("[2001:db8::1]:5094")));
        assert_eq!(p.target(), at("192.0.2.10:5094"));
        p.grant(at("192.0.2.11:5095"));
        assert_eq!(p.target(), at("192.0.2.10:5094"));
        p.grant(at("192.0.2.10:5095"));
        assert_eq!(p.target(), at("192.0.2.10:5095"));
        assert!(
            p.accepts(at("192.0.2.10:5094")),
            "burst messages may come from the first port"
        );
    }
}
