//! `referee_run DIR [LOOPS]`: a run of the built program against the simulated works, recorded for the referee.
//!
//! `DIR/run.pcap` gets what passed the proxies: `loopwitness serve` at its work, and beside it a client that reads the
//! commands that the service reads rarely. Ends when enough answers of every kind are in it.

#[path = "../tests/site/mod.rs"]
mod site;

use anyhow::{Context, ensure};
use ingest_hart::answer::{Identity, IoCapabilities, SubDeviceIdentity};
use ingest_hart::frame::check_byte;
use ingest_hart::hartip::{self, Message, MessageType};
use ingest_hart::{Codes, Frame, MAX_REQUEST_LEN, Master, ReadCommand, Request, UniqueAddress};
use loopwitness_tests::proxy::Recorder;
use site::Site;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Answers of each that are wanted; some more than the referee counts, since a loop may be silent.
const WANTED: u64 = 215;
/// Commands, and the number of data bytes from which on the analyser shows their fields.
const COUNTED: [(u16, usize); 7] = [
    (0, 12),
    (3, 24),
    (9, 9),
    (13, 21),
    (15, 18),
    (20, 32),
    (48, 6),
];

#[tokio::main]
async fn main() -> anyhow::Result<()> {
    let mut args = std::env::args().skip(1);
    let dir = PathBuf::from(args.next().context("a folder to write to is missing")?);
    let loops = args.next().map_or(Ok(480), |n| n.parse())?;
    std::fs::create_dir_all(&dir)?;
    let began = Instant::now();
    let work = tempfile::tempdir()?;
    let site = Site::start(work.path(), loops, "60s", Some(&dir.join("run.pcap"))).await?;
    let service = site.serve(&[])?;
    eprintln!("the service is at {}", service.url);
    let stop = Arc::new(AtomicBool::new(false));
    let clients: Vec<_> = site
        .gateways()
        .into_iter()
        // Over UDP the service's own traffic is enough.
        .filter(|(_, udp)| !udp)
        .map(|(gateway, _)| {
            let (stop, record) = (Arc::clone(&stop), Arc::clone(&site.record));
            std::thread::spawn(move || Client::open(gateway)?.work(&record, &stop))
        })
        .collect();
    let enough = site
        .wait("enough answers", Duration::from_secs(420), |r| {
            COUNTED
                .iter()
                .all(|(c, data)| r.answers(*c, *data) >= WANTED)
        })
        .await;
    stop.store(true, Ordering::Relaxed);
    for c in clients {
        match c.join() {
            Ok(done) => done?,
            Err(_) => anyhow::bail!("a client ended badly"),
        }
    }
    enough?;
    service.stop()?;
    // The last packets of the closing connections.
    tokio::time::sleep(Duration::from_millis(200)).await;
    site.record.flush()?;
    ensure!(
        site.record.errors().is_empty(),
        "{:?}",
        site.record.errors()
    );
    let other = site.record.other_than_reads();
    ensure!(other.is_empty(), "other than reads: {other:?}");
    let ports: Vec<String> = site
        .gateways()
        .iter()
        .map(|(g, udp)| format!("{} {}", if *udp { "udp" } else { "tcp" }, g.port()))
        .collect();
    std::fs::write(dir.join("ports"), ports.join("\n"))?;
    std::fs::write(dir.join("asked"), site.record.table())?;
    eprintln!("recorded in {:.0} s", began.elapsed().as_secs_f64());
    Ok(())
}

/// A device behind a gateway.
struct Target {
    card: u8,
    channel: u8,
    to: UniqueAddress,
    universal_revision: u8,
}

/// A plain client of one gateway: a window of requests, then their answers.
struct Client {
    stream: TcpStream,
    buffer: Vec<u8>,
    sequence: u16,
    io_system: UniqueAddress,
    targets: Vec<Target>,
}

/// No answer by then is none.
const ANSWER_WITHIN: Duration = Duration::from_secs(15);

/// Requests under way at once.
const WINDOW: usize = 8;

impl Client {
    fn open(gateway: SocketAddr) -> anyhow::Result<Self> {
        let stream = TcpStream::connect(gateway)?;
        stream.set_read_timeout(Some(ANSWER_WITHIN))?;
        let mut me = Self {
            stream,
            buffer: Vec::new(),
            sequence: 1,
            io_system: UniqueAddress::new(0, 0),
            targets: Vec::new(),
        };
        let initiate = hartip::encode_initiate(me.sequence, Master::Primary, 60_000);
        me.stream.write_all(&initiate)?;
        me.answer()?.context("no session")?;
        let (_, identity) = me
            .ask(&[Request::Poll { polling_address: 0 }])?
            .pop()
            .context("no identity of the gateway")?;
        me.io_system = Identity::decode(&identity)?.address();
        let to = me.io_system;
        let direct = |command| Request::Direct { to, command };
        let (_, data) = me
            .ask(&[direct(ReadCommand::IoCapabilities)])?
            .pop()
            .context("no capabilities of the gateway")?;
        let count = IoCapabilities::decode(&data)?.devices;
        for index in 1..count {
            for (_, data) in me.ask(&[direct(ReadCommand::SubDeviceIdentity(index))])? {
                let s = SubDeviceIdentity::decode(&data)?;
                me.targets.push(Target {
                    card: s.card,
                    channel: s.channel,
                    to: s.address(),
                    universal_revision: s.universal_revision,
                });
            }
        }
        Ok(me)
    }

    /// Reads what is answered too rarely so far, and now and then all else that the analyser decodes.
    fn work(mut self, record: &Recorder, stop: &AtomicBool) -> anyhow::Result<()> {
        use ReadCommand as R;
        let variables: Vec<R> = [
            &[246, 247, 244, 245][..],
            &[0, 1, 244, 245, 246, 247, 2, 3],
            &[0],
        ]
        .iter()
        .filter_map(|c| Codes::new(c).map(R::VariablesWithStatus))
        .collect();
        let others = [
            R::PrimaryVariable,
            R::CurrentAndPercent,
            R::LoopConfiguration,
            R::Classifications,
            R::Message,
            R::Transducer,
            R::FinalAssembly,
            R::DeviceVariables(Codes::new(&[0, 1]).context("codes")?),
            R::Assignments,
            R::VariableInformation(0),
        ];
        let targets = std::mem::take(&mut self.targets);
        // Each client begins with another command, so that they share the work.
        let mut n = usize::from(self.stream.local_addr()?.port());
        loop {
            for window in targets.chunks(WINDOW) {
                if stop.load(Ordering::Relaxed) {
                    return self.close();
                }
                let mut lacking: Vec<u16> = COUNTED
                    .iter()
                    .filter(|(c, data)| record.answers(*c, *data) < WANTED)
                    .map(|(c, _)| *c)
                    .collect();
                lacking.sort_by_key(|c| record.count(*c));
                let mut requests = Vec::new();
                for t in window {
                    n += 1;
                    // Revision 5 knows neither 9 nor 20.
                    let can = |c: &&u16| match c {
                        9 | 20 => t.universal_revision >= 6,
                        _ => true,
                    };
                    let able: Vec<u16> = lacking.iter().filter(can).copied().take(4).collect();
                    let command = match able.get(n % able.len().max(1)) {
                        Some(_) if n.is_multiple_of(10) => others[n / 10 % others.len()],
                        Some(0) => R::Identity,
                        Some(3) => R::DynamicVariables,
                        Some(9) => variables[n / 8 % variables.len()],
                        Some(13) => R::TagDescriptorDate,
                        Some(15) => R::OutputInformation,
                        Some(20) => R::LongTag,
                        Some(_) => R::AdditionalStatus,
                        None => R::LoopConfiguration,
                    };
                    requests.push(Request::Through {
                        io_system: self.io_system,
                        card: t.card,
                        channel: t.channel,
                        to: t.to,
                        command,
                    });
                }
                self.ask(&requests)?;
            }
        }
    }

    fn close(mut self) -> anyhow::Result<()> {
        self.sequence += 1;
        self.stream
            .write_all(&hartip::encode_close(self.sequence))?;
        self.answer()?;
        Ok(())
    }

    /// Sends all, then takes the answers that come; status code and data of the outer frame.
    fn ask(&mut self, requests: &[Request]) -> anyhow::Result<Vec<(u8, Vec<u8>)>> {
        let first = self.sequence.wrapping_add(1);
        for r in requests {
            self.sequence = self.sequence.wrapping_add(1);
            let mut out = [0u8; hartip::HEADER_LEN + MAX_REQUEST_LEN];
            let n = hartip::encode_request(self.sequence, r, Master::Primary, &mut out)?;
            self.stream.write_all(&out[..n])?;
        }
        let mut got = Vec::new();
        for _ in 0..requests.len() {
            // Silence is an answer too: a loop may be broken.
            let Some((sequence, body)) = self.answer()? else {
                break;
            };
            if sequence < first {
                continue;
            }
            ensure!(check_byte(&body) == 0, "check byte of an answer");
            let (frame, _) = Frame::parse(&body)?;
            let status = frame.status().context("status")?;
            if status.class().has_data() {
                got.push((status.first, frame.data().to_vec()));
            }
        }
        Ok(got)
    }

    /// The next message; `None` when none comes in time.
    fn answer(&mut self) -> anyhow::Result<Option<(u16, Vec<u8>)>> {
        let began = Instant::now();
        loop {
            if let Ok((m, used)) = Message::parse(&self.buffer) {
                // What devices publish comes unasked.
                let asked = m.message_type != MessageType::Publish;
                let found = (m.sequence, m.body.to_vec());
                self.buffer.drain(..used);
                if asked {
                    return Ok(Some(found));
                }
                continue;
            }
            // Published messages would keep the read from ever timing out.
            if began.elapsed() >= ANSWER_WITHIN {
                return Ok(None);
            }
            let mut part = [0u8; 4096];
            match self.stream.read(&mut part) {
                Ok(0) => anyhow::bail!("the gateway closed the connection"),
                Ok(n) => self.buffer.extend_from_slice(&part[..n]),
                Err(e)
                    if matches!(
                        e.kind(),
                        std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut
                    ) =>
                {
                    return Ok(None);
                }
                Err(e) => return Err(e.into()),
            }
        }
    }
}
