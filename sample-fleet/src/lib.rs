//! The invented Sable Point desalination works: plant, devices, gateways and analog inputs, with a truth file.
//!
//! Every signal is a pure function of seed, tag and time (`noise.rs`), so the history that
//! [`write_site`] writes and the live side that [`serve_live`] serves are one plant without a seam. The wire side
//! has its own byte tables, written from the standards' layouts, and never uses the collector's encoder.

mod absent;
mod control;
mod device;
mod devices;
mod dice;
mod fault;
mod fleet;
mod history;
mod layout;
mod live;
mod noise;
mod plant;
mod profile;
mod register;
mod scenario;
mod script;
#[cfg(test)]
mod site_tests;
mod truth;
pub mod wire;
mod wiring;

pub use absent::Absent;
pub use history::write_site;
pub use live::{AnalogPoint, Live, LiveGateway, LiveState, resume_live, serve_live, site_toml};
pub use profile::Profile;
pub use truth::{BenignTruth, CommonTruth, EventTruth, FaultTruth, Truth};

use ingest_model::UtcMicros;
use std::path::PathBuf;

/// What to simulate.
#[derive(Debug, Clone, PartialEq)]
pub struct FleetOptions {
    /// Same seed, same plant.
    pub seed: u64,
    /// Number of loops. A smaller number keeps the scripted faults whose loops are in; above 240 the site is repeated.
    pub loops: u32,
    /// Length of the history, days; shorter than 30 squeezes the scenario's times to scale.
    pub days: u32,
    /// Seconds from poll to poll of one loop, in the history.
    pub period_s: f64,
    /// End of the history.
    pub end: UtcMicros,
    /// What is wrong with it.
    pub profile: Profile,
    /// Columns that the history's files do without.
    pub without: Vec<Absent>,
}

impl FleetOptions {
    /// 240 loops, 30 days, one poll in 120 s.
    pub fn new(seed: u64, end: UtcMicros) -> Self {
        Self {
            seed,
            loops: 240,
            days: 30,
            period_s: 120.0,
            end,
            profile: Profile::SablePoint,
            without: Vec::new(),
        }
    }

    fn check(&self) -> Result<(), FleetError> {
        let wrong = |what: &'static str| Err(FleetError::Option { what });
        if !(1..=10_000).contains(&self.loops) {
            return wrong("loops must be 1 to 10000");
        }
        if !(1..=1_000).contains(&self.days) {
            return wrong("days must be 1 to 1000");
        }
        if !(5.0..=3_600.0).contains(&self.period_s) {
            return wrong("period_s must be 5 to 3600");
        }
        Ok(())
    }
}

/// Why a fleet could not be made or served.
#[derive(Debug, thiserror::Error)]
pub enum FleetError {
    #[error("simulate the site: {what}")]
    Option { what: &'static str },
    #[error("read the scenario: {reason}; correct scenario/sable-point.toml")]
    Scenario { reason: String },
    #[error("write {}: {reason}", path.display())]
    Write { path: PathBuf, reason: String },
    #[error("open a port on the loopback interface for {what}: {reason}")]
    Listen { what: String, reason: String },
}
