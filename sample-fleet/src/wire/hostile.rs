//! Gateways as they should not be: servers that send garbage, never end, lie, crawl, restart; and a proxy that does
//! things of the kind to an honest gateway's answers. None of it forges a check byte: what is damaged can be known as such.

use super::answers::{GATEWAY_TYPE, GatewayFacts};
use super::pdu::{Asked, Body};
use super::session::response;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::VecDeque;
use std::io;
use std::net::SocketAddr;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::CancellationToken;

const HEADER: usize = 8;
const INITIATE: u8 = 0;
const CLOSE: u8 = 1;
const KEEP_ALIVE: u8 = 2;
const TOKEN_PASSING: u8 = 3;
const PUBLISH: u8 = 2;
const LONGEST: u16 = 1_042;

/// What is wrong with a server.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quirk {
    /// Random bytes from the first moment on, as fast as they are taken.
    Garbage,
    /// The session opens; random bytes follow for ever.
    GarbageInside,
    /// The session opens; then one message begins and never ends, a byte now and then.
    Endless,
    /// Byte counts are too high or too low by some bytes, or by thousands.
    LyingCounts,
    /// 65,535 devices are claimed; each is listed and none answers.
    Crowd,
    /// Everything comes a byte at a time, slowly.
    SlowLoris,
    /// The session opens and the connection ends a few answers later, again and again.
    RebootStorm,
    /// The connection is taken and ended at once.
    Slam,
    /// The connection is taken and nothing is ever answered.
    Deaf,
    /// The session opens; published messages of unknown devices come as fast as they are taken.
    Flood,
    /// Every answer bears the number, address or command of another request.
    Mixed,
    /// Every answer is sent many times over.
    Echo,
}

impl Quirk {
    pub const ALL: [Self; 12] = [
        Self::Garbage,
        Self::GarbageInside,
        Self::Endless,
        Self::LyingCounts,
        Self::Crowd,
        Self::SlowLoris,
        Self::RebootStorm,
        Self::Slam,
        Self::Deaf,
        Self::Flood,
        Self::Mixed,
        Self::Echo,
    ];

    pub fn name(self) -> &'static str {
        match self {
            Self::Garbage => "garbage",
            Self::GarbageInside => "garbage-inside",
            Self::Endless => "endless",
            Self::LyingCounts => "lying-counts",
            Self::Crowd => "crowd",
            Self::SlowLoris => "slow-loris",
            Self::RebootStorm => "reboot-storm",
            Self::Slam => "slam",
            Self::Deaf => "deaf",
            Self::Flood => "flood",
            Self::Mixed => "mixed",
            Self::Echo => "echo",
        }
    }
}

/// Serves connections in this manner until told to stop.
pub async fn serve(listener: TcpListener, quirk: Quirk, seed: u64, stop: CancellationToken) {
    let mut connections: u64 = 0;
    loop {
        let stream = tokio::select! {
            () = stop.cancelled() => return,
            a = listener.accept() => match a {
                Ok((stream, _)) => stream,
                Err(_) => {
                    tokio::time::sleep(Duration::from_millis(50)).await;
                    continue;
                }
            },
        };
        connections = connections.wrapping_add(1);
        let mut server = Server {
            quirk,
            dice: ChaCha8Rng::seed_from_u64(seed ^ connections.rotate_left(32)),
            facts: GatewayFacts {
                name: quirk.name().to_owned(),
                index: 7_000 + quirk as usize,
                cards: 255,
                channels: 255,
                per_channel: 1,
                devices: u16::MAX - 1,
            },
        };
        let stop = stop.clone();
        tokio::spawn(async move {
            tokio::select! {
                () = stop.cancelled() => {}
                // How a connection to such a server ends is of no interest.
                _ = server.run(stream) => {}
            }
        });
    }
}

struct Server {
    quirk: Quirk,
    dice: ChaCha8Rng,
    facts: GatewayFacts,
}

/// A request message, cut out of the stream.
struct Message {
    id: u8,
    sequence: u16,
    body: Vec<u8>,
}

async fn next_message(from: &mut (impl AsyncRead + Unpin)) -> io::Result<Message> {
    let mut head = [0; HEADER];
    from.read_exact(&mut head).await?;
    let [_, _, id, _, s1, s0, c1, c0] = head;
    let count = usize::from(u16::from_be_bytes([c1, c0]));
    let mut body = vec![0; count.saturating_sub(HEADER)];
    from.read_exact(&mut body).await?;
    Ok(Message {
        id,
        sequence: u16::from_be_bytes([s1, s0]),
        body,
    })
}

fn message(kind: u8, id: u8, sequence: u16, count: u16, body: &[u8]) -> Vec<u8> {
    let mut out = vec![1, kind, id, 0];
    out.extend(sequence.to_be_bytes());
    out.extend(count.to_be_bytes());
    out.extend_from_slice(body);
    out
}

fn whole(kind: u8, id: u8, sequence: u16, body: &[u8]) -> Vec<u8> {
    let count = u16::try_from(HEADER + body.len()).unwrap_or(u16::MAX);
    message(kind, id, sequence, count, body)
}

impl Server {
    async fn run(&mut self, mut stream: TcpStream) -> io::Result<()> {
        match self.quirk {
            Quirk::Slam => return Ok(()),
            Quirk::Deaf => {
                return tokio::io::copy(&mut stream, &mut tokio::io::sink())
                    .await
                    .map(drop);
            }
            Quirk::Garbage => return self.garbage(&mut stream).await,
            _ => {}
        }
        let mut answers_left = self.dice.random_range(1..6_u32);
        loop {
            let asked = next_message(&mut stream).await?;
            let answer = self.answer(&asked);
            match (self.quirk, asked.id) {
                (Quirk::GarbageInside, INITIATE) => {
                    stream.write_all(&answer).await?;
                    return self.garbage(&mut stream).await;
                }
                (Quirk::Endless, INITIATE) => {
                    stream.write_all(&answer).await?;
                    return self.endless(&mut stream).await;
                }
                (Quirk::Flood, INITIATE) => {
                    stream.write_all(&answer).await?;
                    return self.flood(&mut stream).await;
                }
                (Quirk::SlowLoris, _) => self.crawl(&mut stream, &answer).await?,
                (Quirk::LyingCounts, TOKEN_PASSING) => {
                    let wrong = self.wrong_count(answer);
                    stream.write_all(&wrong).await?;
                }
                (Quirk::Mixed, TOKEN_PASSING) => {
                    let other = self.of_another(answer);
                    stream.write_all(&other).await?;
                }
                (Quirk::Echo, _) => stream.write_all(&answer.repeat(50)).await?,
                _ => stream.write_all(&answer).await?,
            }
            answers_left = answers_left.saturating_sub(1);
            if self.quirk == Quirk::RebootStorm && answers_left == 0 {
                return Ok(());
            }
        }
    }

    /// What an honest server without reachable devices would say; nothing to what goes through to a device.
    fn answer(&self, m: &Message) -> Vec<u8> {
        match m.id {
            INITIATE => whole(1, INITIATE, m.sequence, &m.body),
            CLOSE | KEEP_ALIVE => whole(1, m.id, m.sequence, &[]),
            _ => self
                .pdu(&m.body)
                .map_or_else(Vec::new, |pdu| response(m.sequence, &pdu)),
        }
    }

    fn pdu(&self, request: &[u8]) -> Option<Vec<u8>> {
        let (asked, _) = Asked::parse(request)?;
        let own = asked.polling() == Some(0) || asked.is_for(GATEWAY_TYPE, self.facts.device_id());
        if !own || asked.command == 77 {
            return None;
        }
        let body = match (asked.command, asked.data.as_slice()) {
            (84, [high, low, ..]) => self.listed(u16::from_be_bytes([*high, *low])),
            _ => self.facts.answer(asked.command).unwrap_or(Body::error(64)),
        };
        Some(asked.answer_checked(&body, 0))
    }

    /// Another device at each index.
    fn listed(&self, index: u16) -> Body {
        let [high, low] = index.to_be_bytes();
        let mut data = vec![high, low, high, low, 0x60, 0x99, 0x6A, 0x77];
        data.extend([quirk_byte(self.quirk), high, low, 7]);
        data.extend(format!("{}-{index:05}", self.quirk.name()).into_bytes());
        data.resize(44, 0);
        Body::ok(data)
    }

    async fn garbage(&mut self, to: &mut (impl AsyncWrite + Unpin)) -> io::Result<()> {
        let mut bytes = [0; 1_024];
        loop {
            self.dice.fill(&mut bytes[..]);
            to.write_all(&bytes).await?;
        }
    }

    async fn endless(&mut self, to: &mut (impl AsyncWrite + Unpin)) -> io::Result<()> {
        to.write_all(&message(1, TOKEN_PASSING, 2, LONGEST, &[0x86]))
            .await?;
        loop {
            to.write_all(&[self.dice.random()]).await?;
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    async fn flood(&mut self, to: &mut (impl AsyncWrite + Unpin)) -> io::Result<()> {
        let mut sequence: u16 = 0;
        loop {
            let mut batch = Vec::new();
            for _ in 0..32 {
                sequence = sequence.wrapping_add(1);
                let id: [u8; 3] = self.dice.random();
                // A burst of command 3 (HCF_SPEC-81: delimiter 0x81), PV alone.
                let mut f = vec![0x81, 0x2A, 0x66];
                f.extend(id);
                f.extend([3, 11, 0, 0]);
                f.extend(12.0_f32.to_be_bytes());
                f.push(39);
                f.extend(50.0_f32.to_be_bytes());
                f.push(super::pdu::check(&f));
                batch.extend(whole(PUBLISH, TOKEN_PASSING, sequence, &f));
            }
            to.write_all(&batch).await?;
        }
    }

    async fn crawl(&mut self, to: &mut (impl AsyncWrite + Unpin), answer: &[u8]) -> io::Result<()> {
        for b in answer {
            to.write_all(&[*b]).await?;
            tokio::time::sleep(Duration::from_millis(150)).await;
        }
        Ok(())
    }

    fn wrong_count(&mut self, mut answer: Vec<u8>) -> Vec<u8> {
        if let [_, _, _, _, _, _, c1, c0, ..] = answer.as_mut_slice() {
            let right = u16::from_be_bytes([*c1, *c0]);
            let wrong = match self.dice.random_range(0..4) {
                0 => right.saturating_sub(self.dice.random_range(1..9)),
                1 => right.saturating_add(self.dice.random_range(1..60)),
                2 => self.dice.random_range(0..HEADER as u16),
                _ => u16::MAX - self.dice.random_range(0..9_000),
            };
            [*c1, *c0] = wrong.to_be_bytes();
        }
        answer
    }

    /// Number, or address and command with a right check byte, of another request.
    fn of_another(&mut self, mut answer: Vec<u8>) -> Vec<u8> {
        let (number, rest) = (self.dice.random::<bool>(), answer.len());
        if number {
            if let Some(low) = answer.get_mut(5) {
                *low = low.wrapping_add(self.dice.random_range(1..200));
            }
        } else if rest > HEADER + 10 {
            let at = HEADER + self.dice.random_range(2..7);
            let flip: u8 = self.dice.random_range(1..255);
            for place in [at, rest - 1] {
                if let Some(b) = answer.get_mut(place) {
                    *b ^= flip;
                }
            }
        }
        answer
    }
}

fn quirk_byte(quirk: Quirk) -> u8 {
    0xE0 | quirk as u8
}

/// How often what is done to an honest gateway's answers, of a thousand messages each.
#[derive(Debug, Clone, Copy)]
pub struct Mangling {
    pub flipped: u32,
    pub garbage: u32,
    pub doubled: u32,
    /// Held back for up to `longest_delay`, with all that follows.
    pub delayed: u32,
    pub longest_delay: Duration,
    pub swapped: u32,
    pub lost: u32,
    pub pieces: u32,
    pub lying: u32,
    pub cut: u32,
}

impl Mangling {
    /// All at once, and yet most answers arrive.
    pub fn all(longest_delay: Duration) -> Self {
        Self {
            flipped: 15,
            garbage: 5,
            doubled: 30,
            delayed: 10,
            longest_delay,
            swapped: 20,
            lost: 15,
            pieces: 200,
            lying: 5,
            cut: 2,
        }
    }
}

/// Stands between a host and an honest gateway at `to`.
pub async fn mangle(
    listener: TcpListener,
    to: SocketAddr,
    how: Mangling,
    seed: u64,
    stop: CancellationToken,
) {
    let mut connections: u64 = 0;
    loop {
        let host = tokio::select! {
            () = stop.cancelled() => return,
            a = listener.accept() => match a {
                Ok((stream, _)) => stream,
                Err(_) => {
                    tokio::time::sleep(Duration::from_millis(50)).await;
                    continue;
                }
            },
        };
        connections = connections.wrapping_add(1);
        let dice = ChaCha8Rng::seed_from_u64(seed ^ connections.rotate_left(32));
        let stop = stop.clone();
        tokio::spawn(async move {
            tokio::select! {
                () = stop.cancelled() => {}
                // A connection that is cut here is what this is for.
                _ = between(host, to, how, dice) => {}
            }
        });
    }
}

async fn between(
    host: TcpStream,
    to: SocketAddr,
    how: Mangling,
    mut dice: ChaCha8Rng,
) -> io::Result<()> {
    let gateway = TcpStream::connect(to).await?;
    let (mut from_host, mut to_host) = host.into_split();
    let (mut from_gateway, mut to_gateway) = gateway.into_split();
    let requests = tokio::io::copy(&mut from_host, &mut to_gateway);
    let answers = async {
        let mut kept: VecDeque<Vec<u8>> = VecDeque::new();
        loop {
            let m = next_message(&mut from_gateway).await?;
            let mut hit = |share: u32| dice.random_range(0..1_000) < share;
            let (flipped, garbage, doubled) =
                (hit(how.flipped), hit(how.garbage), hit(how.doubled));
            let (delayed, swapped, lost) = (hit(how.delayed), hit(how.swapped), hit(how.lost));
            let (pieces, lying, cut) = (hit(how.pieces), hit(how.lying), hit(how.cut));
            let mut bytes = whole(1, m.id, m.sequence, &m.body);
            // What the sessions agree on stays: it is the answers of devices that matter.
            if m.id == TOKEN_PASSING {
                if lost {
                    continue;
                }
                if flipped {
                    let at = dice.random_range(0..bytes.len());
                    if let Some(b) = bytes.get_mut(at) {
                        *b ^= 1 << dice.random_range(0..8);
                    }
                }
                if lying && let Some(b) = bytes.get_mut(7) {
                    *b = b.wrapping_add(dice.random_range(1..40));
                }
                if doubled {
                    bytes.extend_from_within(..);
                }
            }
            if cut {
                return Ok(());
            }
            if delayed {
                let ms = u64::try_from(how.longest_delay.as_millis()).unwrap_or(u64::MAX);
                tokio::time::sleep(Duration::from_millis(dice.random_range(0..=ms))).await;
            }
            if garbage {
                let mut noise = vec![0; dice.random_range(1..60)];
                dice.fill(noise.as_mut_slice());
                to_host.write_all(&noise).await?;
            }
            kept.push_back(bytes);
            if swapped && kept.len() < 2 {
                // Goes out behind the next one.
                continue;
            }
            while let Some(bytes) = kept.pop_back() {
                if pieces {
                    for part in bytes.chunks(7) {
                        to_host.write_all(part).await?;
                        tokio::time::sleep(Duration::from_millis(1)).await;
                    }
                } else {
                    to_host.write_all(&bytes).await?;
                }
            }
        }
    };
    tokio::select! {
        done = requests => done.map(drop),
        done = answers => done,
    }
}
