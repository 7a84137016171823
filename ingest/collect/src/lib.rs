//! The only code that opens a socket towards devices. It reads, and it matches the two channels of a loop into readings.
//!
//! [`Collector::start`] runs one task for each gateway (HART-IP over TCP or UDP) and each analog source (Modbus TCP). Readings go
//! to a [`ReadingSink`] in batches; what devices say about themselves goes out as [`Discovered`]; the state of each
//! gateway can be read at any time as [`GatewayStatus`].
//!
//! Everything that decides is in [`poller`] and [`device`], pure and driven by a clock that is passed in; [`gateway`]
//! only moves bytes.

pub mod analog;
pub mod capture;
mod collector;
mod config;
pub mod device;
mod directory;
mod gateway;
pub mod poller;
pub mod replay;
mod sheet;
mod sink;
mod status;
mod udp;

pub use analog::AnalogTable;
pub use collector::{Collector, CollectorParts};
pub use config::{AnalogConfig, AnalogPoint, GatewayConfig, ModemSharing, RawFormat, Table};
pub use device::Discovered;
pub use directory::{KnownLoop, LoopDirectory, StaticDirectory};
pub use ingest_hart::OptIn;
pub use ingest_hart::gate::{NotOptional, OPTIONAL};
pub use ingest_hart::session::{MasterChoice, Transport};
pub use sheet::{Sheet, SheetAnswer, SheetTable};
pub use sink::{ReadingSink, SinkError};
pub use status::{Failures, GatewayStatus, ModemStatus};
