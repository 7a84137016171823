//! A recording proxy: sits between a collector and a device, passes every byte on, writes both directions into a
//! capture file, and counts what was asked.

use crate::census::{Answered, Asked, Protocol, Reader, answered, hart_ip};
use crate::pcap::{Capture, Connection, Way};
use std::collections::{BTreeMap, HashMap};
use std::fs::File;
use std::io::{self, BufWriter, Read, Write};
use std::net::{Ipv4Addr, Shutdown, SocketAddr, TcpListener, TcpStream, UdpSocket};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// How long a thread sleeps between looks at the stop flag.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// Where several proxies write.
#[derive(Debug)]
pub struct Recorder {
    file: Option<Mutex<Capture<BufWriter<File>>>>,
    asked: Mutex<BTreeMap<Asked, u64>>,
    answered: Mutex<BTreeMap<Answered, u64>>,
    errors: Mutex<Vec<String>>,
}

fn locked<T>(m: &Mutex<T>) -> MutexGuard<'_, T> {
    m.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Recorder {
    /// Counts, and with a path also writes a capture file.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn new(path: Option<&Path>) -> io::Result<Arc<Self>> {
        let file = match path {
            Some(path) => Some(Mutex::new(Capture::new(BufWriter::new(File::create(
                path,
            )?))?)),
            None => None,
        };
        Ok(Arc::new(Self {
            file,
            asked: Mutex::default(),
            answered: Mutex::default(),
            errors: Mutex::default(),
        }))
    }

    /// What was asked so far, and how often.
    pub fn asked(&self) -> BTreeMap<Asked, u64> {
        locked(&self.asked).clone()
    }

    /// How often command `number` was sent, wrapped or not.
    pub fn count(&self, number: u16) -> u64 {
        let all = locked(&self.asked);
        let of = all
            .iter()
            .filter(|(a, _)| matches!(a, Asked::Command { number: n, .. } if *n == number));
        of.map(|(_, n)| n).sum()
    }

    /// How often HART command `number` was answered with success and at least so many data bytes.
    pub fn answers(&self, number: u16, data: usize) -> u64 {
        let all = locked(&self.answered);
        let of = all
            .iter()
            .filter(|(a, _)| a.number == number && a.code == 0 && a.data >= data);
        of.map(|(_, n)| n).sum()
    }

    /// What was asked and is no read.
    pub fn other_than_reads(&self) -> Vec<Asked> {
        let all = locked(&self.asked);
        all.keys().filter(|a| !a.is_read()).cloned().collect()
    }

    /// What went wrong in the proxies themselves.
    pub fn errors(&self) -> Vec<String> {
        locked(&self.errors).clone()
    }

    /// One line for each thing that was asked.
    pub fn table(&self) -> String {
        let mut text = String::new();
        for (what, n) in self.asked() {
            let mark = if what.is_read() { "read" } else { "NOT A READ" };
            text.push_str(&format!("{n:8}  {mark:10}  {what}\n"));
        }
        text
    }

    /// Writes the capture file out.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn flush(&self) -> io::Result<()> {
        match &self.file {
            Some(file) => locked(file).flush(),
            None => Ok(()),
        }
    }

    fn note(&self, asked: impl IntoIterator<Item = Asked>) {
        let mut all = locked(&self.asked);
        for a in asked {
            *all.entry(a).or_insert(0) += 1;
        }
    }

    fn note_answer(&self, message: &[u8]) {
        if let Some(key) = answered(message) {
            *locked(&self.answered).entry(key).or_insert(0) += 1;
        }
    }

    fn write<T>(
        &self,
        work: impl FnOnce(&mut Capture<BufWriter<File>>) -> io::Result<T>,
    ) -> Option<T> {
        let file = self.file.as_ref()?;
        let done = work(&mut locked(file));
        done.map_err(|e| self.error(format!("capture file: {e}")))
            .ok()
    }

    fn error(&self, text: String) {
        locked(&self.errors).push(text);
    }
}

/// A proxy in front of one server. Dropping it stops it.
#[derive(Debug)]
pub struct Proxy {
    address: SocketAddr,
    stop: Arc<AtomicBool>,
}

impl Drop for Proxy {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

impl Proxy {
    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Listens on a free loopback port for TCP connections to `server`.
    ///
    /// # Errors
    /// When there is no port.
    pub fn tcp(server: SocketAddr, protocol: Protocol, record: Arc<Recorder>) -> io::Result<Self> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?;
        listener.set_nonblocking(true)?;
        let address = listener.local_addr()?;
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        std::thread::spawn(move || {
            while !stopped.load(Ordering::Relaxed) {
                match listener.accept() {
                    Ok((client, _)) => {
                        if let Err(e) = relay(client, server, address, protocol, &record, &stopped)
                        {
                            record.error(format!("connection to {server}: {e}"));
                        }
                    }
                    Err(e) if e.kind() == io::ErrorKind::WouldBlock => {
                        std::thread::sleep(LOOK_EVERY);
                    }
                    Err(e) => record.error(format!("listener: {e}")),
                }
            }
        });
        Ok(Self { address, stop })
    }

    /// Listens on a free loopback port for HART-IP datagrams to `server`. Answers may come from another port of it.
    ///
    /// # Errors
    /// When there is no port.
    pub fn udp(server: SocketAddr, record: Arc<Recorder>) -> io::Result<Self> {
        let socket = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0))?;
        socket.set_read_timeout(Some(LOOK_EVERY))?;
        let address = socket.local_addr()?;
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        std::thread::spawn(move || {
            let mut clients: HashMap<SocketAddr, UdpClient> = HashMap::new();
            let mut buffer = [0u8; 65_535];
            while !stopped.load(Ordering::Relaxed) {
                let (length, from) = match socket.recv_from(&mut buffer) {
                    Ok(got) => got,
                    Err(e) if is_pause(&e) => continue,
                    Err(e) => {
                        record.error(format!("datagrams: {e}"));
                        continue;
                    }
                };
                let bytes = &buffer[..length];
                let mut asked = Vec::new();
                hart_ip(bytes, &mut asked);
                record.note(asked);
                let _ = record.write(|f| f.datagram(from, address, bytes));
                let sent = match clients.entry(from) {
                    std::collections::hash_map::Entry::Occupied(known) => known.get().send(bytes),
                    std::collections::hash_map::Entry::Vacant(new) => {
                        UdpClient::start(from, server, &socket, address, &record, &stopped)
                            .and_then(|c| new.insert(c).send(bytes))
                    }
                };
                if let Err(e) = sent {
                    record.error(format!("datagrams to {server}: {e}"));
                }
            }
        });
        Ok(Self { address, stop })
    }
}

fn is_pause(e: &io::Error) -> bool {
    matches!(
        e.kind(),
        io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut | io::ErrorKind::Interrupted
    )
}

/// The way to the server for one client of a UDP proxy.
struct UdpClient {
    upstream: UdpSocket,
    /// Where the server last answered from.
    server: Arc<Mutex<SocketAddr>>,
}

impl UdpClient {
    fn start(
        client: SocketAddr,
        server: SocketAddr,
        listener: &UdpSocket,
        address: SocketAddr,
        record: &Arc<Recorder>,
        stop: &Arc<AtomicBool>,
    ) -> io::Result<Self> {
        let upstream = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0))?;
        upstream.set_read_timeout(Some(LOOK_EVERY))?;
        let me = Self {
            upstream: upstream.try_clone()?,
            server: Arc::new(Mutex::new(server)),
        };
        let (listener, record, stop, last) = (
            listener.try_clone()?,
            Arc::clone(record),
            Arc::clone(stop),
            Arc::clone(&me.server),
        );
        std::thread::spawn(move || {
            let mut buffer = [0u8; 65_535];
            while !stop.load(Ordering::Relaxed) {
                match upstream.recv_from(&mut buffer) {
                    Ok((length, from)) => {
                        *locked(&last) = from;
                        let bytes = &buffer[..length];
                        record.note_answer(bytes);
                        let _ = record.write(|f| f.datagram(address, client, bytes));
                        if let Err(e) = listener.send_to(bytes, client) {
                            record.error(format!("datagrams to {client}: {e}"));
                        }
                    }
                    Err(e) if is_pause(&e) => {}
                    Err(e) => {
                        record.error(format!("datagrams from {server}: {e}"));
                        return;
                    }
                }
            }
        });
        Ok(me)
    }

    fn send(&self, bytes: &[u8]) -> io::Result<()> {
        let to = *locked(&self.server);
        self.upstream.send_to(bytes, to).map(|_| ())
    }
}

/// Both directions of one connection, each on its own thread.
fn relay(
    client: TcpStream,
    server: SocketAddr,
    address: SocketAddr,
    protocol: Protocol,
    record: &Arc<Recorder>,
    stop: &Arc<AtomicBool>,
) -> io::Result<()> {
    let peer = client.peer_addr()?;
    let upstream = TcpStream::connect(server)?;
    for s in [&client, &upstream] {
        s.set_nodelay(true)?;
        s.set_nonblocking(false)?;
        s.set_read_timeout(Some(LOOK_EVERY))?;
    }
    let connection = Arc::new(Mutex::new(record.write(|f| f.open(peer, address))));
    for way in [Way::ToServer, Way::ToClient] {
        let (from, to) = match way {
            Way::ToServer => (client.try_clone()?, upstream.try_clone()?),
            Way::ToClient => (upstream.try_clone()?, client.try_clone()?),
        };
        let one = OneWay {
            way,
            from,
            to,
            connection: Arc::clone(&connection),
            record: Arc::clone(record),
            stop: Arc::clone(stop),
        };
        std::thread::spawn(move || one.run(Reader::new(protocol), protocol));
    }
    Ok(())
}

struct OneWay {
    way: Way,
    from: TcpStream,
    to: TcpStream,
    connection: Arc<Mutex<Option<Connection>>>,
    record: Arc<Recorder>,
    stop: Arc<AtomicBool>,
}

impl OneWay {
    /// Passes bytes on until either side ends. They are recorded before they are sent, so requests stand before answers.
    fn run(mut self, mut reader: Reader, protocol: Protocol) {
        let mut buffer = [0u8; 8_192];
        while !self.stop.load(Ordering::Relaxed) {
            let length = match self.from.read(&mut buffer) {
                Ok(0) => break,
                Ok(n) => n,
                Err(e) if is_pause(&e) => continue,
                // A reset by either side ends the connection like a close.
                Err(_) => break,
            };
            let bytes = &buffer[..length];
            match self.way {
                Way::ToServer => self.record.note(reader.push(bytes)),
                Way::ToClient if protocol == Protocol::HartIp => {
                    for m in reader.messages(bytes).into_iter().flatten() {
                        self.record.note_answer(&m);
                    }
                }
                Way::ToClient => {}
            }
            let way = self.way;
            self.capture(|f, c| f.data(c, way, bytes));
            if self.to.write_all(bytes).is_err() {
                break;
            }
        }
        if self.way == Way::ToServer
            && let Some(rest) = reader.end()
        {
            self.record.note([rest]);
        }
        let way = self.way;
        self.capture(|f, c| f.close(c, way));
        // The other side may have gone already.
        let _ = self.to.shutdown(Shutdown::Write);
    }

    fn capture(
        &self,
        work: impl FnOnce(&mut Capture<BufWriter<File>>, &mut Connection) -> io::Result<()>,
    ) {
        if let Some(c) = locked(&self.connection).as_mut() {
            let _ = self.record.write(|f| work(f, c));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const KEEP_ALIVE: [u8; 8] = [1, 0, 2, 0, 0, 7, 0, 8];
    const READ: [u8; 13] = [1, 0, 3, 0, 0, 8, 0, 13, 2, 0x80, 0, 0, 0x82];

    #[test]
    fn tcp_passes_both_ways_and_is_recorded() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("x.pcap");
        let record = Recorder::new(Some(&file)).unwrap();
        let server = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let proxy = Proxy::tcp(
            server.local_addr().unwrap(),
            Protocol::HartIp,
            Arc::clone(&record),
        )
        .unwrap();
        let mut client = TcpStream::connect(proxy.address()).unwrap();
        client.write_all(&KEEP_ALIVE).unwrap();
        client.write_all(&READ).unwrap();
        let (mut inner, _) = server.accept().unwrap();
        let mut got = [0u8; 21];
        inner.read_exact(&mut got).unwrap();
        assert_eq!(got[..8], KEEP_ALIVE);
        inner.write_all(&[9; 5]).unwrap();
        let mut back = [0u8; 5];
        client.read_exact(&mut back).unwrap();
        assert_eq!(back, [9; 5]);
        assert_eq!(record.count(0), 1);
        assert!(record.other_than_reads().is_empty() && record.errors().is_empty());
        record.flush().unwrap();
        let bytes = std::fs::read(&file).unwrap();
        assert!(bytes.windows(13).any(|w| w == READ));
    }

    #[test]
    fn udp_follows_a_server_to_its_other_port() {
        let record = Recorder::new(None).unwrap();
        let first = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let second = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let proxy = Proxy::udp(first.local_addr().unwrap(), Arc::clone(&record)).unwrap();
        let client = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let mut buffer = [0u8; 64];
        client.send_to(&KEEP_ALIVE, proxy.address()).unwrap();
        let (n, from) = first.recv_from(&mut buffer).unwrap();
        assert_eq!(buffer[..n], KEEP_ALIVE);
        second.send_to(&[1; 3], from).unwrap();
        assert_eq!(client.recv_from(&mut buffer).unwrap().0, 3);
        client.send_to(&READ, proxy.address()).unwrap();
        assert_eq!(second.recv_from(&mut buffer).unwrap().0, 13);
        assert_eq!((record.count(0), record.asked().len()), (1, 2));
    }
}
