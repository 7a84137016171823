//! What is fuzzed: one function a target, from any bytes. A panic, an abort or a broken invariant is a find.

// The command's own source (links into `api/src`): the crate that it is in links all of polars.
#[allow(dead_code, unused_imports, unreachable_pub)]
pub mod decode;
#[allow(dead_code, unreachable_pub)]
pub mod notes;

use analytics_detect::{DayBlock, unpack};
use ingest_hart::answer::Answer;
use ingest_hart::frame::{check_byte, scan};
use ingest_hart::hartip::{MAX_MESSAGE_LEN, Message};
use ingest_hart::session::{Action, Config, Event, MasterChoice, Session, Transport};
use ingest_hart::{Frame, ReadCommand, Request, UniqueAddress, gate};
use ingest_model::{Columns, Tag, UtcMicros};
use ingest_store::{Store, StoreReader};
use std::cell::RefCell;
use std::collections::HashSet;
use std::path::{Path, PathBuf};

/// A target and how it is called in the corpus and in commands.
#[derive(Clone, Copy)]
pub struct Target {
    pub name: &'static str,
    pub run: fn(&[u8]),
    /// Executions of the short run.
    pub short: u32,
}

const fn target(name: &'static str, run: fn(&[u8]), short: u32) -> Target {
    Target { name, run, short }
}

pub const ALL: [Target; 7] = [
    target("frame", frame, 40_000),
    target("stream", stream, 10_000),
    target("session", session, 10_000),
    target("import", import, 60),
    target("dayfile", dayfile, 150),
    target("blocks", blocks, 20_000),
    target("decode", decode_command, 4_000),
];

/// Frames, whole answers and what the gate says of requests.
pub fn frame(data: &[u8]) {
    for parsed in [Frame::parse(data), Frame::parse_embedded(data)]
        .into_iter()
        .flatten()
    {
        let (f, used) = parsed;
        assert!(used <= data.len());
        let _ = (f.status(), f.data());
    }
    // Whatever is let through is a read by the standard's table.
    if gate::check_pdu(data).is_ok() {
        let innermost = innermost(data);
        assert!(!WRITES.contains(&innermost), "a write passed: {innermost}");
    }
    let _ = gate::check_message(data);
    let _ = gate::check_serial(data);
    if let Some((command, data)) = data.split_first() {
        let _ = Answer::decode(*command, data).map(|a| format!("{a:?}"));
    }
    for gap in [false, true] {
        assert!(scan(data, gap).consumed <= data.len());
    }
}

/// Some writes of HCF_SPEC-127 and -151; the whole list is in `ingest/hart/tests/only_reads/lists.rs`.
const WRITES: [u8; 14] = [6, 17, 18, 19, 22, 34, 35, 38, 40, 42, 45, 46, 79, 103];

/// The command that a device would execute: behind card, channel, preambles, delimiter and address of command 77.
fn innermost(pdu: &[u8]) -> u8 {
    let Ok((f, _)) = Frame::parse(pdu) else {
        return 0;
    };
    let inner = match f.payload {
        [_, _, _, delimiter, rest @ ..] if f.command == 77 => {
            let address = if delimiter & 0x80 == 0 { 1 } else { 5 };
            rest.get(address).copied()
        }
        _ => None,
    };
    inner.unwrap_or(f.command)
}

/// A session that is open already, fed with a stream in pieces whose size the first byte says.
pub fn stream(data: &[u8]) {
    let Some((size, rest)) = data.split_first() else {
        return;
    };
    let mut world = World::new(if size & 0x80 == 0 {
        Transport::Tcp
    } else {
        Transport::Udp
    });
    world.open();
    for piece in rest.chunks(usize::from(size & 0x7F) + 1) {
        world.now += 7;
        world.handle(Event::Received(piece));
        if world.session.can_submit() {
            world.submit();
        }
    }
}

/// A list of operations on a session: time, requests, good and bad answers, loss, stop.
pub fn session(data: &[u8]) {
    let mut ops = data.iter().copied();
    let Some(first) = ops.next() else { return };
    let mut world = World::new(if first & 1 == 0 {
        Transport::Tcp
    } else {
        Transport::Udp
    });
    world.handle(Event::Start);
    while let Some(op) = ops.next() {
        let n = ops.next().unwrap_or(0);
        match op % 12 {
            0 => world.handle(Event::Connected),
            1 => world.open(),
            2 => {
                world.now += u64::from(n) * 40;
                world.handle(Event::Tick);
            }
            3 => world.submit(),
            4 => world.answer(n, |_| {}),
            5 => {
                let at = usize::from(ops.next().unwrap_or(0));
                world.answer(n, |bytes| {
                    let len = bytes.len().max(1);
                    if let Some(b) = bytes.get_mut(at % len) {
                        *b ^= n | 1;
                    }
                });
            }
            6 => world.answer(n, |bytes| bytes.truncate(usize::from(n))),
            7 => {
                let raw: Vec<u8> = ops.by_ref().take(usize::from(n % 64)).collect();
                world.handle(Event::Received(&raw));
            }
            8 => world.handle(Event::Lost {
                jitter: f64::from(n) / 255.0,
            }),
            9 => {
                let [hi, lo] = u16::from(n).to_be_bytes();
                world.handle(Event::Received(&[1, n % 4, n % 5, n, hi, lo, 0, 8]));
            }
            10 => world.handle(Event::Start),
            _ if n > 250 => world.handle(Event::Stop),
            _ => world.now += u64::from(n),
        }
    }
}

/// A session with the requests that are on their way.
struct World {
    session: Session,
    now: u64,
    token: u64,
    on_the_way: HashSet<u64>,
    /// Sequence numbers of requests, newest last; of initiates too.
    sent: Vec<u16>,
}

impl World {
    fn new(transport: Transport) -> Self {
        let config = Config {
            transport,
            master: MasterChoice::Auto,
            ..Config::default()
        };
        Self {
            session: Session::new(config),
            now: 0,
            token: 0,
            on_the_way: HashSet::new(),
            sent: Vec::new(),
        }
    }

    fn device() -> UniqueAddress {
        UniqueAddress::new(0x6A31, 0x0B1C2D)
    }

    fn open(&mut self) {
        self.handle(Event::Start);
        self.handle(Event::Connected);
        let [hi, lo] = self.sent.last().copied().unwrap_or(0).to_be_bytes();
        self.handle(Event::Received(&[
            1, 1, 0, 0, hi, lo, 0, 13, 0, 0, 0, 0x75, 0x30,
        ]));
    }

    fn submit(&mut self) {
        self.token += 1;
        self.on_the_way.insert(self.token);
        let to = Self::device();
        let request = if self.token.is_multiple_of(2) {
            Request::Direct {
                to,
                command: ReadCommand::LoopConfiguration,
            }
        } else {
            Request::Through {
                io_system: to,
                card: 0,
                channel: 1,
                to,
                command: ReadCommand::LoopConfiguration,
            }
        };
        self.handle(Event::Submit {
            token: self.token,
            request,
        });
    }

    /// An answer to one of the requests, good before `spoil`.
    fn answer(&mut self, which: u8, spoil: impl FnOnce(&mut Vec<u8>)) {
        let Some(sequence) = self.sent.iter().rev().nth(usize::from(which % 16)) else {
            return;
        };
        let own = [0x86, 0x2A, 0x31, 0x0B, 0x1C, 0x2D];
        let seven = [7, 4, 0, 0, 0, 1];
        let mut pdu = own.to_vec();
        if which & 0x80 != 0 {
            pdu.extend([77, 16, 0, 0, 0, 1]);
            pdu.extend(own);
        }
        pdu.extend(seven);
        pdu.push(check_byte(&pdu));
        let [hi, lo] = sequence.to_be_bytes();
        let mut bytes = vec![1, 1, 3, 0, hi, lo, 0, 8 + pdu.len() as u8];
        bytes.extend(pdu);
        spoil(&mut bytes);
        self.handle(Event::Received(&bytes));
    }

    fn handle(&mut self, event: Event<'_>) {
        let mut actions = Vec::new();
        self.session.handle(event, self.now, &mut actions);
        for action in &actions {
            match action {
                Action::Answer { token, frame } => {
                    assert!(self.on_the_way.remove(token), "an answer to nobody");
                    assert!(frame.len() <= MAX_MESSAGE_LEN);
                    Frame::parse(frame).expect("an answer is a whole frame");
                    let address = frame.get(2..6);
                    assert_eq!(
                        address,
                        Some(&[0x31, 0x0B, 0x1C, 0x2D][..]),
                        "of whom was asked"
                    );
                }
                Action::Failed { token, .. } => {
                    assert!(self.on_the_way.remove(token), "a failure of nobody");
                }
                Action::Transmit(bytes) => {
                    gate::check_message(bytes).expect("only reads are sent");
                    let (m, _) = Message::parse(bytes).expect("what is sent is whole");
                    self.sent.push(m.sequence);
                }
                _ => {}
            }
        }
        assert!(self.session.outstanding() <= Config::default().max_outstanding);
        assert_eq!(self.session.outstanding(), self.on_the_way.len());
    }
}

/// A readings file of a site folder: the first byte says CSV or Parquet.
pub fn import(data: &[u8]) {
    let Some((kind, content)) = data.split_first() else {
        return;
    };
    let dir = scratch("import");
    let site = dir.join("site");
    let store = dir.join("store");
    let _ = std::fs::remove_dir_all(&store);
    let _ = std::fs::remove_dir_all(&site);
    std::fs::create_dir_all(site.join("readings")).expect("scratch folder");
    std::fs::write(
        site.join("loops.csv"),
        "tag,pv_unit,lrv,urv\nFT-1,bar,0,10\nFT-2,bar,0,10\n",
    )
    .expect("scratch file");
    let name = if kind & 1 == 0 {
        "readings/a.csv"
    } else {
        "readings/a.parquet"
    };
    std::fs::write(site.join(name), content).expect("scratch file");
    let opened = Store::open(&store, "fuzz", UtcMicros(0)).expect("an empty store opens");
    match opened.import_site(&site, UtcMicros(0), &mut |_| {}) {
        Ok(report) => {
            let stored = rows_in_order(&opened.reader());
            assert_eq!(stored, Ok(report.readings), "what was taken is there");
        }
        // As it was: nothing of the file is in the history.
        Err(_) => assert_eq!(rows_in_order(&opened.reader()), Ok(0)),
    }
}

/// A day file of our own making that something has overwritten.
pub fn dayfile(data: &[u8]) {
    let dir = scratch("dayfile");
    let store = dir.join("store");
    if !store.is_dir() {
        day_store(&dir);
    }
    let file = history_file(&store);
    std::fs::write(&file, data).expect("scratch file");
    // Rows in order, or an error that names the file: by day, and one loop by statistics and page index.
    let Ok(reader) = StoreReader::open(&store) else {
        return;
    };
    if let Err(e) = rows_in_order(&reader) {
        assert!(!e.is_empty());
    }
    for name in ["FT-1", "FT-2"] {
        let tag = Tag::new(name).expect("a tag");
        if let Ok(snapshot) = reader.snapshot()
            && let Ok(rows) = snapshot.read_loop(&tag, UtcMicros(0), UtcMicros::from_day(2))
        {
            assert!(rows.time.is_sorted_by(|a, b| a < b), "out of order");
        }
    }
}

/// A store with one day file; gives its content.
pub fn day_store(dir: &Path) -> Vec<u8> {
    let site = dir.join("site");
    std::fs::create_dir_all(site.join("readings")).expect("scratch folder");
    std::fs::write(
        site.join("loops.csv"),
        "tag,pv_unit,lrv,urv\nFT-1,bar,0,10\nFT-2,bar,0,10\n",
    )
    .expect("scratch file");
    let mut csv = String::from("time,tag,pv,analog_ma,response_code,exchanges\n");
    for minute in 0..60 {
        let time = UtcMicros(minute * 60_000_000).to_rfc3339();
        for n in 1..3 {
            csv += &format!("{time},FT-{n},{}.5,12.25,0,{minute}\n", minute % 7);
        }
    }
    std::fs::write(site.join("readings/a.csv"), csv).expect("scratch file");
    let store = dir.join("store");
    let opened = Store::open(&store, "fuzz", UtcMicros(0)).expect("an empty store opens");
    opened
        .import_site(&site, UtcMicros(0), &mut |_| {})
        .expect("a good site");
    drop(opened);
    std::fs::read(history_file(&store)).expect("the day file")
}

fn history_file(store: &Path) -> PathBuf {
    let mut found = std::fs::read_dir(store.join("history")).expect("history");
    found.next().expect("one file").expect("its name").path()
}

/// How many rows there are; strictly in order of time within each tag.
fn rows_in_order(reader: &StoreReader) -> Result<u64, String> {
    let snapshot = reader.snapshot().map_err(|e| e.to_string())?;
    let mut rows = 0;
    for day in snapshot.days() {
        let mut seen: HashSet<Tag> = HashSet::new();
        let each = &mut |tag: &Tag, columns: Columns| {
            assert!(seen.insert(tag.clone()), "a tag comes once");
            assert!(columns.time.is_sorted_by(|a, b| a < b), "out of order");
            rows += columns.len() as u64;
            Ok(())
        };
        snapshot
            .read_day(day.day, each)
            .map_err(|e| e.to_string())?;
    }
    Ok(rows)
}

/// Packed hour blocks and day blocks.
pub fn blocks(data: &[u8]) {
    let mut found = Vec::new();
    let _ = unpack(data, &mut found);
    // An hour takes more than forty bytes: a lying count takes no memory.
    assert!(found.len() <= data.len() / 40 + 1, "{}", found.len());
    // What was read is not summed here: blocks lie behind checksums, and sums of invented counts overflow.
    let _ = DayBlock::unpack(data);
}

/// The `decode` command: a frame, a text of digits, a capture.
pub fn decode_command(data: &[u8]) {
    if let Ok(pieces) = decode::explain(data) {
        for p in &pieces {
            let _ = (p.text(), serde_json::to_string(p).expect("JSON"));
        }
    }
    if let Ok(text) = std::str::from_utf8(data) {
        let _ = decode::parse_hex(text);
    }
    let _ = decode::capture::read(data, &mut |found| {
        let _ = (found.text(), serde_json::to_string(&found)?);
        Ok(())
    });
}

/// A folder of this process and target, in memory where that is possible.
fn scratch(name: &str) -> PathBuf {
    thread_local!(static DIRS: RefCell<Vec<(String, tempfile::TempDir)>> = const { RefCell::new(Vec::new()) });
    DIRS.with_borrow_mut(|dirs| {
        if let Some((_, d)) = dirs.iter().find(|(n, _)| n == name) {
            return d.path().to_owned();
        }
        let memory = Path::new("/dev/shm");
        let dir = if memory.is_dir() {
            tempfile::tempdir_in(memory)
        } else {
            tempfile::tempdir()
        }
        .expect("a temporary folder");
        let path = dir.path().to_owned();
        dirs.push((name.to_owned(), dir));
        path
    })
}
