//! A tiny HART-IP gateway and a tiny Modbus server for tests, written from the standards' layouts by hand: none of the
//! collector's encoders are used, so that a mistake on one side shows.

pub(crate) mod bench;
mod site;
mod udp;

pub(crate) use site::{Rows, Site, known};
pub(crate) use udp::udp_gateway;

use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

/// How a device answers command 9.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Nine {
    /// Not implemented.
    No,
    Well,
    /// The slot of the loop current is not used.
    WithoutCurrent,
    /// Not at all.
    Silent,
}

/// What one simulated device answers with.
#[derive(Clone, Debug)]
pub(crate) struct Sim {
    pub(crate) card: u8,
    pub(crate) channel: u8,
    pub(crate) device_type: u16,
    pub(crate) id: u32,
    pub(crate) revision: u8,
    /// Long tag in 84 and 20; empty: old device, 20 is not implemented.
    pub(crate) long_tag: &'static str,
    /// Six packed bytes of command 13.
    pub(crate) packed_tag: [u8; 6],
    pub(crate) pv: f32,
    pub(crate) ma: f32,
    /// Unit code of PV and range.
    pub(crate) unit: u8,
    pub(crate) silent: bool,
    /// First status byte of the answers to command 3.
    pub(crate) code3: u8,
    /// That many "busy" come before each answer to command 3.
    pub(crate) busy: u32,
    pub(crate) parked: bool,
    pub(crate) nine: Nine,
    /// Device variable status of the PV in command 9.
    pub(crate) pv_status: u8,
    pub(crate) damping_s: f32,
    pub(crate) software: u8,
    /// Device status byte.
    pub(crate) status: u8,
    /// Command 20 is not implemented, though 84 shows a long tag.
    pub(crate) no_20: bool,
    /// 33, 54, 76 and 95 are implemented.
    pub(crate) tells_all: bool,
    /// Command 3 is not implemented.
    pub(crate) no_3: bool,
    /// Device profile that command 0 tells.
    pub(crate) profile: u8,
}

impl Sim {
    pub(crate) fn new(channel: u8, id: u32, long_tag: &'static str, pv: f32, ma: f32) -> Self {
        Self {
            card: 0,
            channel,
            device_type: 0x6A31,
            id,
            revision: 7,
            long_tag,
            packed_tag: [0x82, 0x08, 0x20, 0x82, 0x08, 0x20],
            pv,
            ma,
            unit: 7,
            silent: false,
            code3: 0,
            busy: 0,
            parked: false,
            nine: Nine::No,
            pv_status: 0xC0,
            damping_s: 0.5,
            software: 3,
            status: 0x40,
            no_20: false,
            tells_all: false,
            no_3: false,
            profile: 1,
        }
    }

    fn address(&self) -> [u8; 5] {
        let ([t1, t0], [_, a, b, c]) = (self.device_type.to_be_bytes(), self.id.to_be_bytes());
        [t1 & 0x3F, t0, a, b, c]
    }
}

/// How the gateway behaves; can be changed while it runs.
#[derive(Clone, Debug, Default)]
pub(crate) struct Behaviour {
    pub(crate) devices: Vec<Sim>,
    pub(crate) config_changes: u16,
    /// Header status of session initiate, taken from the front; then success.
    pub(crate) initiate_status: Vec<u8>,
    /// No answer to a session initiate as secondary master.
    pub(crate) ignore_secondary: bool,
    /// Answers are held back that long.
    pub(crate) delay: Duration,
    /// Answers are sent in pieces of that many bytes; 0: whole.
    pub(crate) pieces: usize,
    /// Bytes sent before the next answer.
    pub(crate) garbage: Vec<u8>,
    /// A burst message before each answer.
    pub(crate) bursts: bool,
    /// The connection is cut at the next request.
    pub(crate) cut: bool,
    /// Nothing at all is answered.
    pub(crate) dead: bool,
    pub(crate) no_statistics: bool,
    /// 86 is not implemented, 85 is.
    pub(crate) only_85: bool,
    /// Each answer is sent twice (UDP).
    pub(crate) double: bool,
    /// One answer in so many is lost (UDP); 0: none.
    pub(crate) lose: u32,
    /// Each answer waits for the next one and goes out behind it (UDP).
    pub(crate) swap: bool,
    /// Before each answer another host sends one with a wrong value (UDP).
    pub(crate) foreign: bool,
    /// That many "delayed" (33, then 34) come from the I/O system before each answer to 77.
    pub(crate) delayed: u32,
    pub(crate) delays: HashMap<Vec<u8>, u32>,
    // What was seen.
    pub(crate) sessions: u32,
    pub(crate) closes: u32,
    pub(crate) masters: Vec<u8>,
    pub(crate) commands: Vec<u8>,
    /// Requests that came to the first and to the second port (UDP).
    pub(crate) at_ports: [u32; 2],
    pub(crate) polls: HashMap<u32, u32>,
    /// Commands executed by each device.
    pub(crate) executed: HashMap<u32, Vec<u8>>,
    pub(crate) sent: HashMap<u32, (u16, u16)>,
}

pub(crate) type Shared = Arc<Mutex<Behaviour>>;

const GATEWAY: [u8; 5] = [0x3B, 0x02, 0x00, 0xA0, 0x01];

fn close(mut f: Vec<u8>) -> Vec<u8> {
    f.push(f.iter().fold(0, |x, b| x ^ b));
    f
}

fn long_ack(address: &[u8], command: u8, status: [u8; 2], data: &[u8]) -> Vec<u8> {
    let mut f = vec![0x86];
    f.extend(address);
    f.extend([command, data.len() as u8 + 2]);
    f.extend(status);
    f.extend(data);
    f
}

fn identity(
    device_type: u16,
    id: u32,
    revision: u8,
    software: u8,
    changes: u16,
    profile: u8,
) -> Vec<u8> {
    let ([t1, t0], [_, a, b, c], [c1, c0]) = (
        device_type.to_be_bytes(),
        id.to_be_bytes(),
        changes.to_be_bytes(),
    );
    let mut d = vec![0xFE, t1, t0, 5, revision, 3, software, 8, 0, a, b, c];
    if revision >= 7 {
        d.extend([5, 4, c1, c0, 0x01, 0, 250, 0, 250, profile]);
    }
    d
}

fn padded(tag: &str) -> Vec<u8> {
    let mut d: Vec<u8> = tag.chars().map(|c| c as u8).collect();
    d.resize(32, 0);
    d
}

impl Behaviour {
    fn device_answer(
        &mut self,
        at: usize,
        command: u8,
        request: &[u8],
    ) -> Option<([u8; 2], Vec<u8>)> {
        let d = self.devices[at].clone();
        self.executed.entry(d.id).or_default().push(command);
        let s = self.sent.entry(d.id).or_default();
        s.0 = s.0.wrapping_add(1);
        if d.silent {
            return None;
        }
        s.1 = s.1.wrapping_add(1);
        let ok = [0, d.status];
        Some(match command {
            3 if d.no_3 => ([64, 0x40], vec![]),
            0 => (
                ok,
                identity(d.device_type, d.id, d.revision, d.software, 21, d.profile),
            ),
            3 => {
                let n = self.polls.entry(d.id).or_default();
                *n += 1;
                if !n.is_multiple_of(d.busy + 1) {
                    return Some(([32, 0x40], vec![]));
                }
                if d.code3 != 0 {
                    return Some(([d.code3, 0], vec![]));
                }
                let mut v = d.ma.to_be_bytes().to_vec();
                v.push(d.unit);
                v.extend(d.pv.to_be_bytes());
                v.push(32);
                v.extend(21.25f32.to_be_bytes());
                (ok, v)
            }
            9 if d.nine == Nine::Silent => return None,
            9 if d.nine != Nine::No => {
                let mut v = vec![0x01];
                for code in request {
                    let (unit, value, status) = match code {
                        246 => (d.unit, d.pv, d.pv_status),
                        245 if d.nine == Nine::Well => (39, d.ma, 0xC0),
                        247 => (32, 21.25, 0xC0),
                        _ => (250, f32::NAN, 0x30),
                    };
                    v.extend([*code, 0, unit]);
                    v.extend(value.to_be_bytes());
                    v.push(status);
                }
                (ok, v)
            }
            50 => (ok, vec![0, 1, 250, 250]),
            33 | 54 | 95 if !d.tells_all => ([64, 0x40], vec![]),
            33 => {
                let mut v = Vec::new();
                for code in request {
                    let (unit, value) = match code {
                        246 => (d.unit, d.pv),
                        245 => (39, d.ma),
                        2 => (58, 18.5),
                        _ => (250, f32::NAN),
                    };
                    v.extend([*code, unit]);
                    v.extend(value.to_be_bytes());
                }
                (ok, v)
            }
            54 => {
                let mut v = vec![request[0], 0x01, 0x23, 0x45, d.unit];
                for x in [25.0f32, -1.0, d.damping_s, 0.25] {
                    v.extend(x.to_be_bytes());
                }
                v.extend([65, 5, 0, 0, 0x0C, 0x80, 1]);
                (ok, v)
            }
            76 if d.tells_all => (ok, vec![1]),
            95 => (ok, vec![0x04, 0xB0, 0x04, 0xAE, 0, 0]),
            7 => (ok, vec![0, u8::from(!d.parked)]),
            13 => (
                ok,
                [
                    &d.packed_tag[..],
                    &[0x82, 0x08, 0x20].repeat(4),
                    &[1, 2, 124],
                ]
                .concat(),
            ),
            15 => {
                let mut v = vec![0, 0, d.unit];
                for x in [10.0f32, 0.0, d.damping_s] {
                    v.extend(x.to_be_bytes());
                }
                v.extend([0, 250, 0]);
                (ok, v)
            }
            20 if d.long_tag.is_empty() || d.no_20 => ([64, 0x40], vec![]),
            20 => (ok, padded(d.long_tag)),
            48 => (ok, vec![0, 0, 0, 0, 0, 0, 0xD0, 0, 0]),
            _ => ([64, 0x40], vec![]),
        })
    }

    /// The answer frame to a request frame, or silence.
    pub(crate) fn answer(&mut self, f: &[u8]) -> Option<Vec<u8>> {
        if f[0] == 0x02 {
            self.commands.push(f[2]);
            let mut a = vec![0x06, f[1], 0, 24, 0, 0];
            a.extend(identity(0x7B02, 0x00A001, 7, 1, self.config_changes, 4));
            return Some(close(a));
        }
        let (command, data) = (f[6], &f[8..f.len() - 1]);
        self.commands.push(command);
        let reply = |status, data: &[u8]| Some(close(long_ack(&GATEWAY, command, status, data)));
        match command {
            74 => {
                let n = self.devices.len() as u8 + 1;
                reply([0, 0], &[2, 16, 1, 0, n, 4, 1, 3])
            }
            84 => {
                let index = usize::from(u16::from_be_bytes([data[0], data[1]]));
                let Some(d) = (index > 0).then(|| self.devices.get(index - 1)).flatten() else {
                    return reply([2, 0], &[]);
                };
                let ([t1, t0], [_, a, b, c]) = (d.device_type.to_be_bytes(), d.id.to_be_bytes());
                let mut v = vec![
                    data[0], data[1], d.card, d.channel, 0, 250, t1, t0, a, b, c, d.revision,
                ];
                v.extend(padded(d.long_tag));
                reply([0, 0], &v)
            }
            85 | 86 if self.no_statistics => reply([64, 0], &[]),
            86 if self.only_85 => reply([64, 0], &[]),
            // 1000 sent and 990 answered, then what the other master did, no bursts.
            85 => reply(
                [0, 0],
                &[data[0], data[1], 0x03, 0xE8, 0x03, 0xDE, 0, 7, 0, 6, 0, 0],
            ),
            86 => {
                let index = usize::from(u16::from_be_bytes([data[0], data[1]]));
                let Some(d) = self.devices.get(index.wrapping_sub(1)) else {
                    return reply([2, 0], &[]);
                };
                let (sent, got) = self.sent.get(&d.id).copied().unwrap_or_default();
                let ([a, b], [c, e]) = (sent.to_be_bytes(), got.to_be_bytes());
                reply([0, 0], &[data[0], data[1], a, b, c, e, 0, 0])
            }
            77 => {
                let (card, channel, inner) = (data[0], data[1], &data[3..]);
                self.commands.push(inner[6]);
                let n = self.delays.entry(f.to_vec()).or_default();
                *n += 1;
                if !n.is_multiple_of(self.delayed + 1) {
                    let code = if *n % (self.delayed + 1) == 1 { 33 } else { 34 };
                    return reply([code, 0], &[]);
                }
                let mut to = inner[1..6].to_vec();
                to[0] &= 0x3F;
                let at = self.devices.iter().position(|d| {
                    d.card == card && d.channel == channel && d.address()[..] == to[..]
                })?;
                let (status, body) = self.device_answer(at, inner[6], &inner[8..])?;
                let mut v = vec![card, channel];
                v.extend(long_ack(&inner[1..6], inner[6], status, &body));
                reply([0, 0], &v)
            }
            _ => reply([64, 0], &[]),
        }
    }
}

fn message(message_type: u8, id: u8, status: u8, sequence: [u8; 2], body: &[u8]) -> Vec<u8> {
    let [hi, lo] = (body.len() as u16 + 8).to_be_bytes();
    [
        &[
            1,
            message_type,
            id,
            status,
            sequence[0],
            sequence[1],
            hi,
            lo,
        ],
        body,
    ]
    .concat()
}

/// A burst of device `id` with command 3: PV 3.5 bar, 9.6 mA.
pub(crate) fn burst(id: u8) -> Vec<u8> {
    let mut data = 9.6f32.to_be_bytes().to_vec();
    data.push(7);
    data.extend(3.5f32.to_be_bytes());
    burst_of(id, 3, &data)
}

/// A burst of device `id` with any command and data.
pub(crate) fn burst_of(id: u8, command: u8, data: &[u8]) -> Vec<u8> {
    let mut burst = long_ack(&[0x6A, 0x31, 0, 0, id], command, [0, 0], data);
    burst[0] = 0x81;
    close(burst)
}

/// The same as an I/O system passes it on: inside command 77, without its check byte.
pub(crate) fn wrapped_burst(card: u8, channel: u8, id: u8) -> Vec<u8> {
    let mut inner = burst(id);
    inner.pop();
    let mut outer = long_ack(
        &GATEWAY,
        77,
        [0, 0],
        &[&[card, channel], &inner[..]].concat(),
    );
    outer[0] = 0x81;
    close(outer)
}

impl Behaviour {
    /// All bytes that go back for one message; `None`: nothing.
    fn reply(&mut self, head: &[u8], body: &[u8]) -> Option<Vec<u8>> {
        let sequence = [head[4], head[5]];
        let mut reply = std::mem::take(&mut self.garbage);
        if self.bursts {
            reply.extend(message(2, 3, 0, [0, 9], &burst(1)));
        }
        match head[2] {
            _ if self.dead => return None,
            0 => {
                self.masters.push(body[0]);
                if self.ignore_secondary && body[0] == 0 {
                    return None;
                }
                let status = if self.initiate_status.is_empty() {
                    0
                } else {
                    self.initiate_status.remove(0)
                };
                self.sessions += u32::from(status == 0);
                reply.extend(message(1, 0, status, sequence, body));
            }
            1 => {
                self.closes += 1;
                reply.extend(message(1, 1, 0, sequence, &[]));
            }
            2 => reply.extend(message(1, 2, 0, sequence, &[])),
            _ => reply.extend(message(1, 3, 0, sequence, &self.answer(body)?)),
        }
        Some(reply)
    }
}

async fn serve(mut stream: TcpStream, shared: Shared) -> std::io::Result<()> {
    loop {
        let mut head = [0; 8];
        stream.read_exact(&mut head).await?;
        let mut body = vec![0; usize::from(u16::from_be_bytes([head[6], head[7]])) - 8];
        stream.read_exact(&mut body).await?;
        let (reply, delay, pieces) = {
            let mut b = shared.lock().unwrap();
            if std::mem::take(&mut b.cut) {
                return Ok(());
            }
            let Some(reply) = b.reply(&head, &body) else {
                continue;
            };
            (reply, b.delay, b.pieces)
        };
        if delay.is_zero() {
            let size = if pieces == 0 {
                reply.len().max(1)
            } else {
                pieces
            };
            for piece in reply.chunks(size) {
                stream.write_all(piece).await?;
                if pieces > 0 {
                    tokio::time::sleep(Duration::from_millis(1)).await;
                }
            }
        } else {
            tokio::time::sleep(delay).await;
            stream.write_all(&reply).await?;
        }
    }
}

/// Starts a gateway on a free port of the loopback interface.
pub(crate) async fn gateway(behaviour: Behaviour) -> (SocketAddr, Shared) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let shared = Arc::new(Mutex::new(behaviour));
    let s = Arc::clone(&shared);
    tokio::spawn(async move {
        while let Ok((stream, _)) = listener.accept().await {
            tokio::spawn(serve(stream, Arc::clone(&s)));
        }
    });
    (address, shared)
}

/// A Modbus TCP server whose input register `n` holds `1000 * n`.
pub(crate) async fn modbus() -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    tokio::spawn(async move {
        while let Ok((mut s, _)) = listener.accept().await {
            tokio::spawn(async move {
                let mut q = [0u8; 12];
                while s.read_exact(&mut q).await.is_ok() {
                    let (start, count) = (
                        u16::from_be_bytes([q[8], q[9]]),
                        u16::from_be_bytes([q[10], q[11]]),
                    );
                    let mut a = q[..4].to_vec();
                    a.extend((count * 2 + 3).to_be_bytes());
                    a.extend([q[6], q[7], (count * 2) as u8]);
                    assert_eq!(q[7], 4, "only input registers are read");
                    for n in start..start + count {
                        a.extend((n.wrapping_mul(1000)).to_be_bytes());
                    }
                    if s.write_all(&a).await.is_err() {
                        return;
                    }
                }
            });
        }
    });
    address
}
