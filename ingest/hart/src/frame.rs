//! Token-passing frames (HCF_SPEC-81): a zero-copy view, the parser, and the hunt for frames in a serial stream.

/// Which of the two masters speaks (bit 7 of the first address byte).
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub enum Master {
    Primary,
    Secondary,
}

impl Master {
    /// The number in a session initiate message: 1 primary, 0 secondary.
    pub fn code(self) -> u8 {
        match self {
            Self::Primary => 1,
            Self::Secondary => 0,
        }
    }

    pub fn as_str(self) -> &'static str {
        match self {
            Self::Primary => "primary",
            Self::Secondary => "secondary",
        }
    }

    fn bit(self) -> u8 {
        self.code() << 7
    }
}

/// The 38 bits that address one device: 14 low bits of the expanded device type, 24 of the device identifier.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash, PartialOrd, Ord)]
pub struct UniqueAddress([u8; 5]);

impl UniqueAddress {
    /// From expanded device type (revision 5: manufacturer and type byte) and 24-bit device identifier.
    pub fn new(device_type: u16, device_id: u32) -> Self {
        let [t1, t0] = device_type.to_be_bytes();
        let [_, a, b, c] = device_id.to_be_bytes();
        Self([t1 & 0x3F, t0, a, b, c])
    }

    /// The five bytes as a master sends them.
    pub fn bytes(self, master: Master) -> [u8; 5] {
        let mut b = self.0;
        b[0] |= master.bit();
        b
    }

    /// All 38 bits zero: addresses every device at once, and is never used by a collector.
    pub fn is_broadcast(self) -> bool {
        self.0 == [0; 5]
    }
}

/// Address field of a frame.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub enum Address {
    /// Polling address form, one byte with master and burst bit.
    Short(u8),
    /// Unique address form, five bytes with master and burst bit.
    Long([u8; 5]),
}

impl Address {
    fn first(self) -> u8 {
        match self {
            Self::Short(b) => b,
            Self::Long(b) => b[0],
        }
    }

    pub fn master(self) -> Master {
        if self.first() & 0x80 != 0 {
            Master::Primary
        } else {
            Master::Secondary
        }
    }

    /// The device is in burst mode.
    pub fn burst(self) -> bool {
        self.first() & 0x40 != 0
    }

    /// Polling address 0..63 of the short form.
    pub fn polling(self) -> Option<u8> {
        match self {
            Self::Short(b) => Some(b & 0x3F),
            Self::Long(_) => None,
        }
    }

    /// The 38 bits of the long form, without master and burst bit.
    pub fn unique(self) -> Option<UniqueAddress> {
        match self {
            Self::Short(_) => None,
            Self::Long(b) => Some(UniqueAddress([b[0] & 0x3F, b[1], b[2], b[3], b[4]])),
        }
    }

    /// Whether an answer from `self` belongs to a request to `other`: master and burst bit are not compared,
    /// since servers do not always echo them.
    pub fn matches(self, other: Address) -> bool {
        match (self, other) {
            (Self::Short(a), Self::Short(b)) => a & 0x3F == b & 0x3F,
            (Self::Long(_), Self::Long(_)) => self.unique() == other.unique(),
            _ => false,
        }
    }
}

/// What a frame is (delimiter bits 2-0).
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub enum FrameType {
    /// STX, master to device.
    Request,
    /// ACK, device to master.
    Answer,
    /// BACK, burst message of a device.
    Burst,
}

/// One frame, borrowed from the bytes it was read from.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Frame<'a> {
    pub frame_type: FrameType,
    /// Physical layer type bits of the delimiter: false FSK, true PSK.
    pub psk: bool,
    pub address: Address,
    /// Expansion bytes (0 to 3; no use defined).
    pub expansion: &'a [u8],
    pub command: u8,
    /// What the byte count covers: status pair and data in answers and bursts, data in requests.
    pub payload: &'a [u8],
}

/// Why bytes are no frame.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum FrameError {
    #[error("frame is not complete: {have} bytes are here, at least {need} are needed")]
    NeedMore { have: usize, need: usize },
    #[error("0x{found:02x} is no start of a frame (02/82 request, 06/86 answer, 01/81 burst)")]
    Delimiter { found: u8 },
    #[error(
        "check byte is 0x{found:02x}, the frame adds up to 0x{computed:02x}: damaged on the way"
    )]
    Check { found: u8, computed: u8 },
    #[error("answer with byte count {count}: the two status bytes are missing")]
    NoStatus { count: u8 },
}

impl<'a> Frame<'a> {
    /// Reads one frame at the start of `bytes` (no preambles). Gives the frame and its length with check byte.
    pub fn parse(bytes: &'a [u8]) -> Result<(Self, usize), FrameError> {
        let (frame, body) = Self::parse_unchecked(bytes)?;
        let found = *bytes.get(body).ok_or(FrameError::NeedMore {
            have: bytes.len(),
            need: body + 1,
        })?;
        let computed = check_byte(bytes.get(..body).unwrap_or_default());
        if found != computed {
            return Err(FrameError::Check { found, computed });
        }
        frame.require_status()?;
        Ok((frame, body + 1))
    }

    /// Reads a frame as command 77 carries it: without check byte. Gives the frame and its length.
    pub fn parse_embedded(bytes: &'a [u8]) -> Result<(Self, usize), FrameError> {
        let (frame, body) = Self::parse_unchecked(bytes)?;
        frame.require_status()?;
        Ok((frame, body))
    }

    fn require_status(&self) -> Result<(), FrameError> {
        if self.frame_type != FrameType::Request && self.payload.len() < 2 {
            return Err(FrameError::NoStatus {
                count: self.payload.len() as u8,
            });
        }
        Ok(())
    }

    fn parse_unchecked(bytes: &'a [u8]) -> Result<(Self, usize), FrameError> {
        let have = bytes.len();
        let delimiter = *bytes
            .first()
            .ok_or(FrameError::NeedMore { have, need: 1 })?;
        let (frame_type, psk) =
            delimiter_type(delimiter).ok_or(FrameError::Delimiter { found: delimiter })?;
        let long = delimiter & 0x80 != 0;
        let address_end = if long { 6 } else { 2 };
        let command_at = address_end + usize::from(delimiter >> 5 & 0x03);
        let head = bytes.get(..command_at + 2).ok_or(FrameError::NeedMore {
            have,
            need: command_at + 2,
        })?;
        let at = |i: usize| head.get(i).copied().unwrap_or_default();
        let address = if long {
            Address::Long([at(1), at(2), at(3), at(4), at(5)])
        } else {
            Address::Short(at(1))
        };
        let end = command_at + 2 + usize::from(at(command_at + 1));
        let payload = bytes
            .get(command_at + 2..end)
            .ok_or(FrameError::NeedMore { have, need: end })?;
        let expansion = head.get(address_end..command_at).unwrap_or_default();
        let frame = Frame {
            frame_type,
            psk,
            address,
            expansion,
            command: at(command_at),
            payload,
        };
        Ok((frame, end))
    }

    /// The two status bytes of an answer or burst; none in a request.
    pub fn status(&self) -> Option<crate::Status> {
        match (self.frame_type, self.payload) {
            (FrameType::Request, _) => None,
            (_, [first, second, ..]) => Some(crate::Status {
                first: *first,
                second: *second,
            }),
            _ => None,
        }
    }

    /// The data field, without the status pair.
    pub fn data(&self) -> &'a [u8] {
        match self.frame_type {
            FrameType::Request => self.payload,
            _ => self.payload.get(2..).unwrap_or_default(),
        }
    }
}

/// XOR of all bytes from delimiter to last data byte.
pub fn check_byte(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |x, b| x ^ b)
}

fn delimiter_type(delimiter: u8) -> Option<(FrameType, bool)> {
    let psk = match delimiter >> 3 & 0x03 {
        0 => false,
        1 => true,
        _ => return None,
    };
    let frame_type = match delimiter & 0x07 {
        1 => FrameType::Burst,
        2 => FrameType::Request,
        6 => FrameType::Answer,
        _ => return None,
    };
    Some((frame_type, psk))
}

/// What [`scan`] found.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Scan<'a> {
    /// First whole and undamaged frame, if there is one.
    pub frame: Option<Frame<'a>>,
    /// Bytes from the start that are done with: drop them, keep the rest and add what comes next.
    pub consumed: usize,
    /// Starts of frames that turned out damaged on the way there.
    pub damaged: usize,
}

/// Hunts for a frame in a serial stream: at least two preambles (0xFF), then a valid delimiter.
///
/// `gap` says that the line has been silent longer than a frame allows (two characters and the adapter's jitter):
/// a frame that is not complete then is damaged, and the hunt goes on inside it.
pub fn scan(bytes: &[u8], gap: bool) -> Scan<'_> {
    let mut damaged = 0;
    let mut at = 0;
    while let Some(window) = bytes.get(at..at + 3) {
        let starts = matches!(window, [0xFF, 0xFF, d] if delimiter_type(*d).is_some());
        if starts {
            let body = bytes.get(at + 2..).unwrap_or_default();
            match Frame::parse(body) {
                Ok((frame, used)) => {
                    return Scan {
                        frame: Some(frame),
                        consumed: at + 2 + used,
                        damaged,
                    };
                }
                Err(FrameError::NeedMore { .. }) if !gap => {
                    return Scan {
                        frame: None,
                        consumed: at,
                        damaged,
                    };
                }
                Err(_) => damaged += 1,
            }
        }
        at += 1;
    }
    // The last two bytes may be the preambles of what comes next, unless the line went silent.
    let consumed = if gap { bytes.len() } else { at };
    Scan {
        frame: None,
        consumed,
        damaged,
    }
}
