//! Records the wire: what goes to and comes from the gateways, as a capture file for later `decode` and replay.
//!
//! The classic pcap format (draft-ietf-opsawg-pcap) with made-up Ethernet, IP and TCP or UDP headers around what the
//! sockets gave. A thread of its own writes; collection never waits for it: what it cannot take in time is left out (a
//! hole in the stream, which `decode` locates), and after an error it writes no more.

use ingest_model::UtcMicros;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// Packets that wait for the writer at most.
const QUEUE: usize = 4_096;
/// What is buffered gets to the file at least this often.
const FLUSH_EVERY: Duration = Duration::from_secs(1);
/// Longest payload of one packet in the file.
const LONGEST: usize = 32_768;

const SYN: u8 = 0x02;
const ACK: u8 = 0x10;
const PUSH: u8 = 0x08;
const FIN: u8 = 0x01;

/// How the bytes travel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carrier {
    Tcp,
    Udp,
}

/// One packet for the file.
struct Packet {
    time: UtcMicros,
    from: SocketAddr,
    to: SocketAddr,
    /// Flags, sequence and acknowledgement number; none for a datagram.
    tcp: Option<(u8, u32, u32)>,
    bytes: Vec<u8>,
}

/// A capture file that is being written. Cheap to clone; the file is whole after [`finish`](Self::finish).
#[derive(Clone, Debug)]
pub struct Capture {
    packets: Arc<Mutex<Option<SyncSender<Packet>>>>,
    writer: Arc<Mutex<Option<JoinHandle<()>>>>,
    stop: Arc<AtomicBool>,
    lost: Arc<AtomicU64>,
}

impl Capture {
    /// Begins the file. At `limit` bytes it becomes `PATH.1` (in place of an older one) and a new one is begun.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn create(path: &Path, limit: u64) -> io::Result<Self> {
        let file = Rotating::create(path, limit)?;
        let (send, receive) = sync_channel(QUEUE);
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let writer = std::thread::Builder::new()
            .name("capture".to_owned())
            .spawn(move || write(file, &receive, &stopped))?;
        Ok(Self {
            packets: Arc::new(Mutex::new(Some(send))),
            writer: Arc::new(Mutex::new(Some(writer))),
            stop,
            lost: Arc::default(),
        })
    }

    /// Packets that were left out.
    pub fn lost(&self) -> u64 {
        self.lost.load(Ordering::Relaxed)
    }

    /// A connection as it opens.
    pub fn open(
        &self,
        carrier: Carrier,
        own: SocketAddr,
        peer: SocketAddr,
        time: UtcMicros,
    ) -> Tap {
        let packets = self.packets.lock().unwrap_or_else(PoisonError::into_inner);
        let mut tap = Tap {
            packets: packets.clone(),
            lost: Arc::clone(&self.lost),
            carrier,
            own,
            peer,
            next: [1_000, 5_000],
            time,
        };
        drop(packets);
        if carrier == Carrier::Tcp {
            tap.segment(0, SYN, &[]);
            tap.segment(1, SYN | ACK, &[]);
            tap.segment(0, ACK, &[]);
        }
        tap
    }

    /// Waits until everything is in the file. Taps that are still open record nothing more.
    pub fn finish(&self) {
        // The writer ends when the last tap is gone, or when a tap that is still open has been silent for a while.
        self.stop.store(true, Ordering::Relaxed);
        drop(
            self.packets
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .take(),
        );
        let writer = self
            .writer
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .take();
        if let Some(writer) = writer
            && writer.join().is_err()
        {
            tracing::error!("the writer of the capture file failed");
        }
        if self.lost() > 0 {
            tracing::warn!(
                "{} packets are not in the capture file: it was too slow",
                self.lost()
            );
        }
    }
}

/// Records one connection. Dropping it records its end.
#[derive(Debug)]
pub struct Tap {
    packets: Option<SyncSender<Packet>>,
    lost: Arc<AtomicU64>,
    carrier: Carrier,
    own: SocketAddr,
    peer: SocketAddr,
    /// Sequence numbers of our side and of the peer.
    next: [u32; 2],
    time: UtcMicros,
}

impl Tap {
    /// The peer answers from another port from now on (UDP).
    pub fn set_peer(&mut self, peer: SocketAddr) {
        self.peer = peer;
    }

    pub fn sent(&mut self, bytes: &[u8], time: UtcMicros) {
        self.data(0, bytes, time);
    }

    pub fn received(&mut self, bytes: &[u8], time: UtcMicros) {
        self.data(1, bytes, time);
    }

    fn data(&mut self, side: usize, bytes: &[u8], time: UtcMicros) {
        self.time = time;
        for part in bytes.chunks(LONGEST) {
            self.segment(side, PUSH | ACK, part);
        }
    }

    /// A packet of side 0 (ours) or 1 (the peer's).
    fn segment(&mut self, side: usize, flags: u8, bytes: &[u8]) {
        let [ours, theirs] = self.next;
        let (from, to, sequence, acknowledged) = match side {
            0 => (self.own, self.peer, ours, theirs),
            _ => (self.peer, self.own, theirs, ours),
        };
        let acknowledged = if flags & ACK == 0 { 0 } else { acknowledged };
        // Numbers go on even when a packet is left out, so that a reader sees the hole.
        let taken = bytes.len() as u32 + u32::from(flags & (SYN | FIN) != 0);
        if let Some(next) = self.next.get_mut(side) {
            *next = next.wrapping_add(taken);
        }
        let packet = Packet {
            time: self.time,
            from,
            to,
            tcp: (self.carrier == Carrier::Tcp).then_some((flags, sequence, acknowledged)),
            bytes: bytes.to_vec(),
        };
        let sent = self.packets.as_ref().map(|p| p.try_send(packet));
        if !matches!(sent, Some(Ok(()))) {
            self.lost.fetch_add(1, Ordering::Relaxed);
        }
    }
}

impl Drop for Tap {
    fn drop(&mut self) {
        if self.carrier == Carrier::Tcp {
            self.segment(0, FIN | ACK, &[]);
            self.segment(1, FIN | ACK, &[]);
        }
    }
}

/// The writer's thread.
fn write(mut file: Rotating, packets: &Receiver<Packet>, stop: &AtomicBool) {
    loop {
        let done = match packets.recv_timeout(FLUSH_EVERY) {
            Ok(packet) => file.packet(&packet),
            Err(RecvTimeoutError::Timeout) if !stop.load(Ordering::Relaxed) => file.out.flush(),
            Err(_) => {
                if let Err(e) = file.out.flush() {
                    tracing::error!("the capture file {} is not whole: {e}", file.path.display());
                }
                return;
            }
        };
        if let Err(e) = done {
            tracing::error!(
                "the capture file {} cannot be written and is given up; collection goes on: {e}",
                file.path.display()
            );
            // The channel closes with its receiver.
            return;
        }
    }
}

struct Rotating {
    path: PathBuf,
    limit: u64,
    out: BufWriter<File>,
    length: u64,
}

impl Rotating {
    fn create(path: &Path, limit: u64) -> io::Result<Self> {
        let mut out = BufWriter::new(File::create(path)?);
        // Little-endian, version 2.4, microseconds, link type 1 (Ethernet).
        for word in [0xA1B2_C3D4_u32, 2 | 4 << 16, 0, 0, 65_535, 1] {
            out.write_all(&word.to_le_bytes())?;
        }
        out.flush()?;
        Ok(Self {
            path: path.to_owned(),
            limit,
            out,
            length: 24,
        })
    }

    fn packet(&mut self, packet: &Packet) -> io::Result<()> {
        let bytes = ethernet(packet);
        if self.length + 16 + bytes.len() as u64 > self.limit && self.length > 24 {
            self.out.flush()?;
            let mut old = self.path.clone().into_os_string();
            old.push(".1");
            std::fs::rename(&self.path, old)?;
            *self = Self::create(&self.path, self.limit)?;
        }
        let (seconds, micros) = (
            packet.time.0.div_euclid(1_000_000),
            packet.time.0.rem_euclid(1_000_000),
        );
        let length = bytes.len() as u32;
        for word in [seconds as u32, micros as u32, length, length] {
            self.out.write_all(&word.to_le_bytes())?;
        }
        self.out.write_all(&bytes)?;
        self.length += 16 + bytes.len() as u64;
        Ok(())
    }
}

/// Internet checksum (RFC 1071).
fn checksum(parts: &[&[u8]]) -> u16 {
    let mut sum = 0u32;
    for part in parts {
        for pair in part.chunks(2) {
            sum += match pair {
                [a, b] => u32::from(u16::from_be_bytes([*a, *b])),
                [a] => u32::from(*a) << 8,
                _ => 0,
            };
        }
    }
    while sum > 0xFFFF {
        sum = (sum & 0xFFFF) + (sum >> 16);
    }
    !(sum as u16)
}

/// The headers around a packet (RFC 791, 8200, 9293, 768) and the packet.
fn ethernet(p: &Packet) -> Vec<u8> {
    let octets = |a: IpAddr| match a {
        IpAddr::V4(a) => a.octets().to_vec(),
        IpAddr::V6(a) => a.octets().to_vec(),
    };
    let (from, to) = (octets(p.from.ip()), octets(p.to.ip()));
    let protocol = if p.tcp.is_some() { 6 } else { 17 };
    let transport = |check: u16| {
        let mut head = Vec::with_capacity(20 + p.bytes.len());
        head.extend(p.from.port().to_be_bytes());
        head.extend(p.to.port().to_be_bytes());
        match p.tcp {
            Some((flags, sequence, acknowledged)) => {
                head.extend(sequence.to_be_bytes());
                head.extend(acknowledged.to_be_bytes());
                head.extend([5 << 4, flags, 0xFF, 0xFF]);
                head.extend(check.to_be_bytes());
                head.extend([0, 0]);
            }
            None => {
                head.extend((8 + p.bytes.len() as u16).to_be_bytes());
                head.extend(check.to_be_bytes());
            }
        }
        head.extend_from_slice(&p.bytes);
        head
    };
    let plain = transport(0);
    let length = plain.len() as u16;
    let [l1, l0] = length.to_be_bytes();
    let check = checksum(&[&from, &to, &[0, protocol, l1, l0], &plain]);
    // Over UDP a sum of 0 would mean none.
    let payload = transport(if protocol == 17 && check == 0 {
        0xFFFF
    } else {
        check
    });
    let v6 = from.len() == 16;
    let kind: [u8; 2] = if v6 { [0x86, 0xDD] } else { [8, 0] };
    let mut out = vec![2, 0, 0, 0, 0, 2, 2, 0, 0, 0, 0, 1];
    out.extend(kind);
    if v6 {
        out.extend([0x60, 0, 0, 0, l1, l0, protocol, 64]);
        out.extend(&from);
        out.extend(&to);
    } else {
        let head = |check: u16| {
            let mut ip = vec![0x45, 0];
            ip.extend((20 + length).to_be_bytes());
            ip.extend([0, 0, 0x40, 0, 64, protocol]);
            ip.extend(check.to_be_bytes());
            ip.extend(&from);
            ip.extend(&to);
            ip
        };
        out.extend(head(checksum(&[&head(0)])));
    }
    out.extend(payload);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    const TIME: UtcMicros = UtcMicros(1_772_323_200_000_001);

    fn ends() -> (SocketAddr, SocketAddr) {
        (
            "192.0.2.1:40000".parse().unwrap(),
            "192.0.2.2:5094".parse().unwrap(),
        )
    }

    #[test]
    fn sums_over_headers_are_zero() {
        for (from, to) in [
            ends(),
            (
                "[::1]:40000".parse().unwrap(),
                "[::1]:5094".parse().unwrap(),
            ),
        ] {
            for tcp in [Some((ACK, 1, 2)), None] {
                let (time, bytes) = (TIME, vec![1, 2, 3]);
                let packet = ethernet(&Packet {
                    time,
                    from,
                    to,
                    tcp,
                    bytes,
                });
                let ip = &packet[14..];
                let (head, addresses) = match ip[0] >> 4 {
                    4 => {
                        assert_eq!(checksum(&[&ip[..20]]), 0);
                        (20, &ip[12..20])
                    }
                    _ => (40, &ip[8..40]),
                };
                let payload = &ip[head..];
                let pseudo = [
                    0,
                    if tcp.is_some() { 6 } else { 17 },
                    0,
                    payload.len() as u8,
                ];
                assert_eq!(checksum(&[addresses, &pseudo, payload]), 0);
            }
        }
    }

    #[test]
    fn the_file_stays_below_its_limit_and_turns() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("wire.pcap");
        let capture = Capture::create(&path, 2_000).unwrap();
        let (own, peer) = ends();
        let mut tap = capture.open(Carrier::Tcp, own, peer, TIME);
        for n in 0..100 {
            tap.sent(&[n; 50], TIME);
            tap.received(&[n; 50], TIME);
        }
        drop(tap);
        capture.finish();
        for name in ["wire.pcap", "wire.pcap.1"] {
            let bytes = std::fs::read(dir.path().join(name)).unwrap();
            assert!(
                (500..=2_000).contains(&bytes.len()),
                "{name}: {}",
                bytes.len()
            );
            assert_eq!(bytes[..4], [0xD4, 0xC3, 0xB2, 0xA1]);
        }
        // The newest bytes are in the newest file.
        let newest = std::fs::read(&path).unwrap();
        assert!(newest.windows(50).any(|w| w == [99; 50]));
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 2);
    }

    #[test]
    fn a_full_disk_disturbs_nobody() {
        // Every write to it fails with "no space left on device".
        let full = Path::new("/dev/full");
        assert!(full.exists(), "this test needs /dev/full");
        // Even the head fails: said at the start.
        assert!(Capture::create(full, 1 << 20).is_err());
        // A folder that goes away: the file cannot turn.
        let dir = tempfile::tempdir().unwrap();
        let inner = dir.path().join("gone");
        std::fs::create_dir(&inner).unwrap();
        let capture = Capture::create(&inner.join("x.pcap"), 500).unwrap();
        std::fs::remove_dir_all(&inner).unwrap();
        let (own, peer) = ends();
        let mut tap = capture.open(Carrier::Udp, own, peer, TIME);
        for _ in 0..10_000 {
            tap.sent(&[0; 64], TIME);
        }
        drop(tap);
        capture.finish();
        assert!(capture.lost() > 0);
    }
}
