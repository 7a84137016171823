//! What stands in a `site.toml`, before it is checked: sections, defaults, durations.

use super::{Master, Point, Transport};
use serde::Deserialize;
use serde::de::{Deserializer, Error as _};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawFile {
    pub(super) site: RawSite,
    #[serde(default)]
    pub(super) gateway: Vec<RawGateway>,
    #[serde(default)]
    pub(super) serial: Vec<toml::Table>,
    #[serde(default)]
    pub(super) analog: Vec<RawAnalog>,
    #[serde(default)]
    pub(super) assessment: crate::settings::RawAssessment,
    pub(super) alerts: Option<crate::alerts::RawAlerts>,
    pub(super) access: Option<crate::access::RawAccess>,
    #[serde(default)]
    pub(super) keep: RawKeep,
    #[serde(default)]
    pub(super) limits: crate::settings::RawLimits,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawSite {
    pub(super) name: String,
    #[serde(default = "default_store")]
    pub(super) store: PathBuf,
    pub(super) listen: Option<String>,
    pub(super) timezone: Option<String>,
    pub(super) register: Option<PathBuf>,
    pub(super) import: Option<PathBuf>,
    pub(super) device_notes: Option<PathBuf>,
}

/// How long what is kept, by tier.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawKeep {
    #[serde(default = "default_keep_raw", deserialize_with = "days")]
    pub(super) raw: Duration,
    #[serde(default, deserialize_with = "some_days")]
    pub(super) compact_after: Option<Duration>,
}

impl Default for RawKeep {
    fn default() -> Self {
        Self {
            raw: default_keep_raw(),
            compact_after: None,
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawGateway {
    pub(super) name: String,
    pub(super) address: String,
    #[serde(default = "default_transport")]
    pub(super) transport: Transport,
    pub(super) psk_identity: Option<String>,
    pub(super) psk_file: Option<PathBuf>,
    pub(super) psk_env: Option<String>,
    #[serde(default = "default_poll", deserialize_with = "duration")]
    pub(super) poll_every: Duration,
    #[serde(default = "default_timeout", deserialize_with = "duration")]
    pub(super) timeout: Duration,
    #[serde(default = "default_retries")]
    pub(super) retries: u8,
    #[serde(default = "default_master")]
    pub(super) master: Master,
    #[serde(default)]
    pub(super) opt_in: Vec<u16>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawAnalog {
    pub(super) name: String,
    pub(super) kind: AnalogKind,
    pub(super) address: Option<String>,
    #[serde(default = "default_analog_poll", deserialize_with = "duration")]
    pub(super) poll_every: Duration,
    #[serde(default = "default_timeout", deserialize_with = "duration")]
    pub(super) timeout: Duration,
    #[serde(default)]
    pub(super) points: BTreeMap<String, Point>,
}

#[derive(Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum AnalogKind {
    ModbusTcp,
    OpcUa,
    Csv,
}

/// 13 months.
fn default_keep_raw() -> Duration {
    Duration::from_secs(396 * 86_400)
}
fn default_store() -> PathBuf {
    "store".into()
}
fn default_transport() -> Transport {
    Transport::Tcp
}
fn default_poll() -> Duration {
    Duration::from_secs(30)
}
fn default_analog_poll() -> Duration {
    Duration::from_secs(10)
}
fn default_timeout() -> Duration {
    Duration::from_secs(2)
}
fn default_retries() -> u8 {
    2
}
fn default_master() -> Master {
    Master::Auto
}

/// Reads `500ms`, `2s`, `1m`, `2h`; longer than zero, at most a day.
pub fn parse_duration(text: &str) -> Result<Duration, String> {
    let wrong = || {
        format!(
            "`{text}` is not a duration (like \"500ms\", \"2s\", \"1m\"), above zero and at most 24h"
        )
    };
    let trimmed = text.trim();
    let split = trimmed
        .find(|c: char| !c.is_ascii_digit())
        .ok_or_else(wrong)?;
    let (digits, unit) = trimmed.split_at(split);
    let count: u64 = digits.parse().map_err(|_| wrong())?;
    let unit_ms: u64 = match unit.trim_start() {
        "ms" => 1,
        "s" => 1_000,
        "m" => 60_000,
        "h" => 3_600_000,
        _ => return Err(wrong()),
    };
    match count.checked_mul(unit_ms) {
        Some(ms @ 1..=86_400_000) => Ok(Duration::from_millis(ms)),
        _ => Err(wrong()),
    }
}

fn duration<'de, D: Deserializer<'de>>(d: D) -> Result<Duration, D::Error> {
    let text = String::deserialize(d)?;
    parse_duration(&text).map_err(D::Error::custom)
}

/// Whole days like `400d`.
fn some_days<'de, D: Deserializer<'de>>(d: D) -> Result<Option<Duration>, D::Error> {
    days(d).map(Some)
}

fn days<'de, D: Deserializer<'de>>(d: D) -> Result<Duration, D::Error> {
    let text = String::deserialize(d)?;
    let days = text.trim().strip_suffix('d');
    days.and_then(|n| n.parse::<u64>().ok())
        .filter(|n| (1..=100_000).contains(n))
        .map(|n| Duration::from_secs(n * 86_400))
        .ok_or_else(|| {
            D::Error::custom(format!(
                "`{text}` is not a number of days (like \"400d\"), at least 1d and at most 100000d"
            ))
        })
}
