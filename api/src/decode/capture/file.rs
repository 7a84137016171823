//! The containers: classic pcap (draft-ietf-opsawg-pcap) and pcapng (draft-ietf-opsawg-pcapng), and their link layers.

use ingest_model::UtcMicros;
use std::io::{self, BufReader, Read};

/// Why a file is not read.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    #[error("this is no capture file (pcap or pcapng)")]
    NotACapture,
    #[error("the capture file is damaged after packet {after}: {what}")]
    Damaged { after: u64, what: &'static str },
    #[error("cannot read the capture file: {0}")]
    Io(#[from] io::Error),
}

/// Longest packet or block that is taken.
const LONGEST: u32 = 1 << 24;
const PCAPNG: u32 = 0x0A0D_0D0A;

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Magic {
    Pcap { big: bool, nanos: bool },
    Pcapng,
}

pub(super) fn magic(first: &[u8]) -> Option<Magic> {
    let word = u32::from_le_bytes(first.get(..4)?.try_into().ok()?);
    let pcap = |big, nanos| Some(Magic::Pcap { big, nanos });
    match word {
        0xA1B2_C3D4 => pcap(false, false),
        0xA1B2_3C4D => pcap(false, true),
        0xD4C3_B2A1 => pcap(true, false),
        0x4D3C_B2A1 => pcap(true, true),
        PCAPNG => Some(Magic::Pcapng),
        _ => None,
    }
}

/// A packet as it was captured.
pub(super) struct Packet {
    pub(super) time: UtcMicros,
    link: u16,
    bytes: Vec<u8>,
}

impl Packet {
    /// The IP packet in it.
    pub(super) fn ip(&self) -> Option<&[u8]> {
        let b = self.bytes.as_slice();
        let ethertype = |at: usize| Some(u16::from_be_bytes([*b.get(at)?, *b.get(at + 1)?]));
        let is_ip = |t: u16| matches!(t, 0x0800 | 0x86DD);
        match self.link {
            // BSD loopback: address family in the host's byte order.
            0 | 108 => b.get(4..),
            1 => {
                let mut at = 12;
                // VLAN tags.
                while matches!(ethertype(at)?, 0x8100 | 0x88A8) {
                    at += 4;
                }
                is_ip(ethertype(at)?).then(|| b.get(at + 2..))?
            }
            12 | 14 | 101 | 228 | 229 => Some(b),
            // Linux cooked, first and second version.
            113 => is_ip(ethertype(14)?).then(|| b.get(16..))?,
            276 => is_ip(ethertype(0)?).then(|| b.get(20..))?,
            _ => None,
        }
    }
}

/// How an interface of a pcapng file counts time: units a second.
#[derive(Clone, Copy)]
struct Interface {
    link: u16,
    per_s: u64,
}

pub(super) struct Packets<R> {
    input: BufReader<R>,
    magic: Magic,
    big: bool,
    link: u16,
    interfaces: Vec<Interface>,
    count: u64,
    cut_short: bool,
}

impl<R: Read> Packets<R> {
    pub(super) fn open(input: R) -> Result<Self, CaptureError> {
        let mut me = Self {
            input: BufReader::new(input),
            magic: Magic::Pcapng,
            big: false,
            link: 0,
            interfaces: Vec::new(),
            count: 0,
            cut_short: false,
        };
        let first = me.bytes(4)?.ok_or(CaptureError::NotACapture)?;
        me.magic = magic(&first).ok_or(CaptureError::NotACapture)?;
        match me.magic {
            Magic::Pcap { big, .. } => {
                me.big = big;
                let head = me.bytes(20)?.ok_or(CaptureError::NotACapture)?;
                me.link = me.u32(&head, 16) as u16;
            }
            Magic::Pcapng => me.section()?,
        }
        Ok(me)
    }

    /// The file ended within a packet.
    pub(super) fn cut_short(&self) -> bool {
        self.cut_short
    }

    pub(super) fn next_packet(&mut self) -> Result<Option<Packet>, CaptureError> {
        let packet = match self.magic {
            Magic::Pcap { nanos, .. } => self.pcap(nanos)?,
            Magic::Pcapng => self.pcapng()?,
        };
        self.count += u64::from(packet.is_some());
        Ok(packet)
    }

    fn damaged(&self, what: &'static str) -> CaptureError {
        CaptureError::Damaged {
            after: self.count,
            what,
        }
    }

    /// `n` bytes; `None` at the end of the file, which may come within them.
    fn bytes(&mut self, n: u32) -> Result<Option<Vec<u8>>, CaptureError> {
        let mut out = Vec::new();
        (&mut self.input).take(u64::from(n)).read_to_end(&mut out)?;
        if out.len() == n as usize {
            return Ok(Some(out));
        }
        self.cut_short |= !out.is_empty();
        Ok(None)
    }

    /// Bytes that must follow what was read.
    fn rest(&mut self, n: u32) -> Result<Option<Vec<u8>>, CaptureError> {
        let got = self.bytes(n)?;
        self.cut_short |= got.is_none();
        Ok(got)
    }

    fn u32(&self, bytes: &[u8], at: usize) -> u32 {
        let part = bytes.get(at..at + 4).and_then(|b| b.try_into().ok());
        let part: [u8; 4] = part.unwrap_or_default();
        if self.big {
            u32::from_be_bytes(part)
        } else {
            u32::from_le_bytes(part)
        }
    }

    fn u16(&self, bytes: &[u8], at: usize) -> u16 {
        let part = bytes.get(at..at + 2).and_then(|b| b.try_into().ok());
        let part: [u8; 2] = part.unwrap_or_default();
        if self.big {
            u16::from_be_bytes(part)
        } else {
            u16::from_le_bytes(part)
        }
    }

    fn pcap(&mut self, nanos: bool) -> Result<Option<Packet>, CaptureError> {
        let Some(head) = self.bytes(16)? else {
            return Ok(None);
        };
        let (seconds, part) = (self.u32(&head, 0), self.u32(&head, 4));
        let length = self.u32(&head, 8);
        if length > LONGEST {
            return Err(self.damaged("a packet longer than 16 MiB"));
        }
        let micros = if nanos { part / 1_000 } else { part };
        let time = UtcMicros(i64::from(seconds) * 1_000_000 + i64::from(micros));
        let link = self.link;
        let bytes = self.rest(length)?;
        Ok(bytes.map(|bytes| Packet { time, link, bytes }))
    }

    /// The head of a section, after its first four bytes.
    fn section(&mut self) -> Result<(), CaptureError> {
        let Some(head) = self.rest(8)? else {
            return Err(CaptureError::NotACapture);
        };
        self.big = match head.get(4..) {
            Some([0x1A, 0x2B, 0x3C, 0x4D]) => true,
            Some([0x4D, 0x3C, 0x2B, 0x1A]) => false,
            _ => return Err(self.damaged("a section without byte order")),
        };
        let length = self.u32(&head, 0);
        if !(28..=LONGEST).contains(&length) {
            return Err(self.damaged("a section head of an impossible length"));
        }
        self.interfaces.clear();
        self.rest(length - 12)?;
        Ok(())
    }

    fn pcapng(&mut self) -> Result<Option<Packet>, CaptureError> {
        loop {
            let Some(kind) = self.bytes(4)? else {
                return Ok(None);
            };
            let kind = self.u32(&kind, 0);
            if kind == PCAPNG {
                self.section()?;
                continue;
            }
            let Some(length) = self.rest(4)? else {
                return Ok(None);
            };
            let length = self.u32(&length, 0);
            if !(12..=LONGEST).contains(&length) || !length.is_multiple_of(4) {
                return Err(self.damaged("a block of an impossible length"));
            }
            let Some(block) = self.rest(length - 8)? else {
                return Ok(None);
            };
            let body = block.get(..block.len() - 4).unwrap_or_default();
            match kind {
                1 => {
                    let interface = self.interface(body);
                    self.interfaces.push(interface);
                }
                6 => return self.enhanced(body).map(Some),
                3 => {
                    let interface = self.interfaces.first().copied();
                    let link = interface.ok_or_else(|| self.damaged("no interface"))?.link;
                    let bytes = body.get(4..).unwrap_or_default().to_vec();
                    // A simple packet has no time.
                    return Ok(Some(Packet {
                        time: UtcMicros(0),
                        link,
                        bytes,
                    }));
                }
                _ => {}
            }
        }
    }

    fn interface(&self, body: &[u8]) -> Interface {
        let mut per_s = 1_000_000;
        let mut at = 8;
        while body.len() >= at + 4 {
            let (code, length) = (self.u16(body, at), usize::from(self.u16(body, at + 2)));
            if code == 0 {
                break;
            }
            // if_tsresol: a power of ten, or of two with the top bit.
            if let (9, Some(r)) = (code, body.get(at + 4)) {
                let power = u32::from(r & 0x7F);
                let base: u64 = if r & 0x80 == 0 { 10 } else { 2 };
                per_s = base.checked_pow(power).unwrap_or(per_s);
            }
            at += 4 + length.next_multiple_of(4);
        }
        Interface {
            link: self.u16(body, 0),
            per_s,
        }
    }

    fn enhanced(&self, body: &[u8]) -> Result<Packet, CaptureError> {
        let interface = usize::try_from(self.u32(body, 0)).ok();
        let interface = interface.and_then(|i| self.interfaces.get(i));
        let interface = interface.ok_or_else(|| self.damaged("an unknown interface"))?;
        let ticks = u64::from(self.u32(body, 4)) << 32 | u64::from(self.u32(body, 8));
        let micros = u128::from(ticks) * 1_000_000 / u128::from(interface.per_s.max(1));
        let length = self.u32(body, 12) as usize;
        let bytes = body
            .get(20..20 + length)
            .ok_or_else(|| self.damaged("a packet longer than its block"))?;
        Ok(Packet {
            time: UtcMicros(i64::try_from(micros).unwrap_or(i64::MAX)),
            link: interface.link,
            bytes: bytes.to_vec(),
        })
    }
}
