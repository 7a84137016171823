//! What the collector has to know: plain structs, filled by whoever reads `site.toml`.

use ingest_hart::OptIn;
use ingest_hart::session::{MasterChoice, Transport};
use ingest_model::Tag;
use std::time::Duration;

/// Which sub-devices of a gateway share one modem, and so one 1200 bit/s budget.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum ModemSharing {
    /// All channels of an I/O card (the usual multiplexer).
    #[default]
    Card,
    /// Every channel has its own.
    Channel,
    /// One for the whole gateway.
    Gateway,
}

/// One HART-IP gateway.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct GatewayConfig {
    pub name: String,
    /// `host:port`.
    pub address: String,
    pub transport: Transport,
    /// Period of the fast read.
    pub poll_every: Duration,
    /// How long an answer may take.
    pub timeout: Duration,
    /// Tries after the first.
    pub retries: u32,
    pub master: MasterChoice,
    pub modems: ModemSharing,
    /// Most requests under way at once.
    pub max_outstanding: usize,
    /// Reads beyond the usual ones that the site has opened.
    pub opt_in: OptIn,
}

impl GatewayConfig {
    /// Defaults of `site.toml`: TCP, every 10 s, 2 s time-out, 2 retries.
    pub fn new(name: &str, address: &str) -> Self {
        Self {
            name: name.to_owned(),
            address: address.to_owned(),
            transport: Transport::Tcp,
            poll_every: Duration::from_secs(10),
            timeout: Duration::from_secs(2),
            retries: 2,
            master: MasterChoice::Auto,
            modems: ModemSharing::Card,
            max_outstanding: 8,
            opt_in: OptIn::NONE,
        }
    }
}

/// Modbus register table.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash, PartialOrd, Ord)]
pub enum Table {
    /// Function 4.
    Input,
    /// Function 3.
    Holding,
}

/// How a raw value sits in registers; 32-bit forms high word first.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RawFormat {
    U16,
    I16,
    U32,
    F32,
}

impl RawFormat {
    pub(crate) fn registers(self) -> u16 {
        match self {
            Self::U16 | Self::I16 => 1,
            Self::U32 | Self::F32 => 2,
        }
    }
}

/// Where the analog input of one loop is, and how its raw value becomes mA.
#[derive(Clone, PartialEq, Debug)]
pub struct AnalogPoint {
    pub tag: Tag,
    pub unit_id: u8,
    pub table: Table,
    pub address: u16,
    pub format: RawFormat,
    /// Raw value at `low_ma` and at `high_ma`; linear between and beyond.
    pub raw_low: f64,
    pub raw_high: f64,
    pub low_ma: f64,
    pub high_ma: f64,
}

impl AnalogPoint {
    /// An unsigned register with `raw_low` at 4 mA and `raw_high` at 20 mA.
    pub fn new(
        tag: Tag,
        unit_id: u8,
        table: Table,
        address: u16,
        raw_low: f64,
        raw_high: f64,
    ) -> Self {
        Self {
            tag,
            unit_id,
            table,
            address,
            format: RawFormat::U16,
            raw_low,
            raw_high,
            low_ma: 4.0,
            high_ma: 20.0,
        }
    }

    pub(crate) fn to_ma(&self, raw: f64) -> f64 {
        self.low_ma
            + (raw - self.raw_low) / (self.raw_high - self.raw_low) * (self.high_ma - self.low_ma)
    }
}

/// One Modbus TCP server with analog inputs.
#[derive(Clone, PartialEq, Debug)]
pub struct AnalogConfig {
    pub name: String,
    /// `host:port`.
    pub address: String,
    pub poll_every: Duration,
    pub timeout: Duration,
    pub points: Vec<AnalogPoint>,
}

impl AnalogConfig {
    /// Every second, 2 s time-out.
    pub fn new(name: &str, address: &str, points: Vec<AnalogPoint>) -> Self {
        Self {
            name: name.to_owned(),
            address: address.to_owned(),
            poll_every: Duration::from_secs(1),
            timeout: Duration::from_secs(2),
            points,
        }
    }
}
