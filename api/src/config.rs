//! `site.toml` (contract section 5): what a person writes, checked once and turned into plain values.
//!
//! Unknown keys are errors that name file, line and section. Relative paths count from the file.

use ingest_model::Tag;
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;
use written::{AnalogKind, RawFile, RawGateway};

mod written;

pub use written::parse_duration;

/// Where the service listens unless told otherwise.
pub const DEFAULT_LISTEN: &str = "127.0.0.1:8470";

/// Why a `site.toml` is refused.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    #[error("cannot read {}: {source}", path.display())]
    Read {
        path: PathBuf,
        source: std::io::Error,
    },
    #[error("{}, line {line}, {section}: {message}", path.display())]
    Syntax {
        path: PathBuf,
        line: usize,
        section: String,
        message: String,
    },
    #[error("{}, {section}: {message}", path.display())]
    Value {
        path: PathBuf,
        section: String,
        message: String,
    },
    #[error("{}: {section} is not built yet; remove it", path.display())]
    NotBuilt {
        path: PathBuf,
        section: &'static str,
    },
}

/// How a gateway is reached, as written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Transport {
    Tcp,
    Udp,
    Tls,
}

/// The HART master role asked for when a session opens.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Master {
    Auto,
    Primary,
    Secondary,
}

/// The kind of Modbus register.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RegisterKind {
    Input,
    Holding,
}

/// One `[[gateway]]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Gateway {
    pub name: String,
    /// `host:port`.
    pub address: String,
    /// What carries the messages.
    pub transport: ingest_collect::Transport,
    /// Identity and key of `transport = "tls"`.
    pub psk: Option<ingest_collect::Psk>,
    pub poll_every: Duration,
    pub timeout: Duration,
    /// Tries after the first.
    pub retries: u8,
    pub master: Master,
    /// Reads beyond the usual ones that the site has opened.
    pub opt_in: ingest_collect::OptIn,
}

/// One `[[analog]]` of kind `modbus-tcp`.
#[derive(Clone, Debug, PartialEq)]
pub struct Analog {
    pub name: String,
    pub address: String,
    pub poll_every: Duration,
    pub timeout: Duration,
    pub points: BTreeMap<Tag, Point>,
}

/// Where the analog current of one loop is, and how its raw value becomes mA (linear between the ends).
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Point {
    /// Modbus unit identifier.
    pub unit: u8,
    /// Register address, counted from 0.
    pub register: u16,
    #[serde(default = "Point::default_kind")]
    pub kind: RegisterKind,
    pub raw: [u16; 2],
    pub ma: [f64; 2],
}

impl Point {
    fn default_kind() -> RegisterKind {
        RegisterKind::Input
    }
}

/// A whole checked `site.toml`.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteConfig {
    pub name: String,
    pub store: PathBuf,
    pub listen: SocketAddr,
    /// IANA name; the page shows times in it, everything else is UTC.
    pub timezone: chrono_tz::Tz,
    /// `loops.csv` that is imported at start.
    pub register: Option<PathBuf>,
    /// Site folder that is imported at start (our addition).
    pub import: Option<PathBuf>,
    /// Folder of device notes (our addition).
    pub device_notes: Option<PathBuf>,
    pub gateways: Vec<Gateway>,
    pub analogs: Vec<Analog>,
    /// `[access]`: who may do what.
    pub access: Option<crate::access::Access>,
    /// `[alerts]`: whom to tell.
    pub alerts: Option<crate::alerts::AlertSettings>,
    /// `[assessment]` (our addition).
    pub assessment: analytics_assess::Settings,
    /// `[limits]` (our addition).
    pub limits: crate::state::Limits,
    /// How long readings are kept, counted from the newest (our addition).
    pub keep_raw: Duration,
    /// Days older than this go into the compact layout; `None` leaves all in the open one.
    pub compact_after: Option<Duration>,
    /// Where the wire is recorded; from the command line, not from the file.
    pub capture: Option<CaptureTo>,
}

/// A capture file and how long it may become, bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CaptureTo {
    pub path: PathBuf,
    pub limit: u64,
}

impl SiteConfig {
    /// Reads and checks a file.
    pub fn load(path: &Path) -> Result<Self, ConfigError> {
        let text = std::fs::read_to_string(path).map_err(|source| ConfigError::Read {
            path: path.to_owned(),
            source,
        })?;
        Self::parse(&text, path)
    }

    /// What is allowed and yet not meant, for people, once at the start.
    pub fn warnings(&self) -> Vec<String> {
        let mut all = Vec::new();
        for a in &self.analogs {
            for g in self
                .gateways
                .iter()
                .filter(|g| a.poll_every >= g.poll_every)
            {
                all.push(format!(
                    "[[analog]] `{}` is read every {:?}, and [[gateway]] `{}` every {:?}: a current goes into a row only \
                     while it is younger than the gateway's period, so rows will lack analog_ma; give the analog source \
                     at most half of that period",
                    a.name, a.poll_every, g.name, g.poll_every
                ));
            }
        }
        if self.access.is_some() && !self.listen.ip().is_loopback() {
            all.push(format!(
                "the service listens on {} without TLS: tokens can be read on the way; put a proxy that speaks TLS before it, \
                 or listen on 127.0.0.1 behind one",
                self.listen
            ));
        }
        all
    }

    /// Checks `text`; `path` names it in messages, and its folder is where relative paths count from.
    pub fn parse(text: &str, path: &Path) -> Result<Self, ConfigError> {
        let raw: RawFile = toml::from_str(text).map_err(|e| syntax(&e, text, path))?;
        let base = path.parent().unwrap_or(Path::new(""));
        let value = |section: &str, message: String| ConfigError::Value {
            path: path.to_owned(),
            section: section.to_owned(),
            message,
        };
        for (present, section) in [(!raw.serial.is_empty(), "[[serial]]")] {
            if present {
                return Err(ConfigError::NotBuilt {
                    path: path.to_owned(),
                    section,
                });
            }
        }

        let access = raw
            .access
            .map(|a| a.load(base))
            .transpose()
            .map_err(|m| value("[access]", m))?;
        let alerts = raw
            .alerts
            .map(crate::alerts::RawAlerts::settings)
            .transpose()
            .map_err(|m| value("[alerts]", m))?;
        let limits = raw.limits.checked().map_err(|m| value("[limits]", m))?;
        let mut assessment = raw
            .assessment
            .settings()
            .map_err(|m| value("[assessment]", m))?;
        assessment.memory_bytes = limits.assessment_bytes;
        let site = raw.site;
        if site.name.trim().is_empty() {
            return Err(value(
                "[site]",
                "name is empty; give the site a name".into(),
            ));
        }
        let listen_text = site.listen.as_deref().unwrap_or(DEFAULT_LISTEN);
        let listen = parse_listen(listen_text, access.is_some()).map_err(|m| value("[site]", m))?;
        let timezone_text = site.timezone.as_deref().unwrap_or("UTC");
        let timezone = timezone_text.parse::<chrono_tz::Tz>().map_err(|_| {
            value(
                "[site]",
                format!("timezone `{timezone_text}` is not an IANA name (like Europe/Madrid)"),
            )
        })?;
        let register = match site.register {
            Some(file) => Some(base.join(file)),
            None => Some(base.join("loops.csv")).filter(|p| p.is_file()),
        };

        let mut names = BTreeSet::new();
        let mut gateways = Vec::with_capacity(raw.gateway.len());
        for g in raw.gateway {
            let section = format!("[[gateway]] `{}`", g.name);
            check_name(&g.name, &mut names).map_err(|m| value(&section, m))?;
            check_address(&g.address).map_err(|m| value(&section, m))?;
            let transport = match g.transport {
                Transport::Tcp => ingest_collect::Transport::Tcp,
                Transport::Udp => ingest_collect::Transport::Udp,
                Transport::Tls => ingest_collect::Transport::Tcp,
            };
            let psk = psk_of(&g, base).map_err(|m| value(&section, m))?;
            let opt_in = ingest_collect::OptIn::new(&g.opt_in)
                .map_err(|e| value(&section, format!("opt_in: {e}")))?;
            if g.retries > 10 {
                return Err(value(
                    &section,
                    format!("retries {} is more than 10", g.retries),
                ));
            }
            gateways.push(Gateway {
                name: g.name,
                address: g.address,
                transport,
                psk,
                poll_every: g.poll_every,
                timeout: g.timeout,
                retries: g.retries,
                master: g.master,
                opt_in,
            });
        }

        let mut analogs = Vec::with_capacity(raw.analog.len());
        let mut placed: BTreeMap<Tag, String> = BTreeMap::new();
        for a in raw.analog {
            let section = format!("[[analog]] `{}`", a.name);
            check_name(&a.name, &mut names).map_err(|m| value(&section, m))?;
            if a.kind != AnalogKind::ModbusTcp {
                return Err(value(
                    &section,
                    "kind other than `modbus-tcp` is not built yet".into(),
                ));
            }
            let address = a
                .address
                .ok_or_else(|| value(&section, "address is missing".into()))?;
            check_address(&address).map_err(|m| value(&section, m))?;
            let mut points = BTreeMap::new();
            for (text, point) in a.points {
                let tag = Tag::new(&text).map_err(|e| value(&section, format!("points: {e}")))?;
                check_point(&point)
                    .map_err(|m| value(&section, format!("points.\"{tag}\": {m}")))?;
                if let Some(other) = placed.insert(tag.clone(), a.name.clone()) {
                    return Err(value(
                        &section,
                        format!("points.\"{tag}\": already a point of `{other}`"),
                    ));
                }
                points.insert(tag, point);
            }
            analogs.push(Analog {
                name: a.name,
                address,
                poll_every: a.poll_every,
                timeout: a.timeout,
                points,
            });
        }

        Ok(Self {
            name: site.name,
            store: base.join(site.store),
            listen,
            timezone,
            register,
            import: site.import.map(|p| base.join(p)),
            device_notes: site.device_notes.map(|p| base.join(p)),
            gateways,
            analogs,
            access,
            alerts,
            assessment,
            limits,
            keep_raw: raw.keep.raw,
            compact_after: raw.keep.compact_after,
            capture: None,
        })
    }
}

/// Identity and key of a `tls` gateway. The key never stands in `site.toml`, nor in a message.
fn psk_of(g: &RawGateway, base: &Path) -> Result<Option<ingest_collect::Psk>, String> {
    let given = [
        ("psk_identity", g.psk_identity.is_some()),
        ("psk_file", g.psk_file.is_some()),
        ("psk_env", g.psk_env.is_some()),
    ];
    if g.transport != Transport::Tls {
        return match given.into_iter().find(|(_, given)| *given) {
            Some((key, _)) => Err(format!("{key} is for transport = \"tls\" only")),
            None => Ok(None),
        };
    }
    let identity = g.psk_identity.as_deref().ok_or(
        "psk_identity is missing: the name under which the gateway knows this program's key",
    )?;
    let key = match (&g.psk_file, &g.psk_env) {
        (Some(file), None) => {
            let path = base.join(file);
            std::fs::read_to_string(&path)
                .map_err(|e| format!("cannot read psk_file {}: {e}", path.display()))?
        }
        (None, Some(name)) => std::env::var(name)
            .map_err(|_| format!("psk_env: the environment variable `{name}` is not set"))?,
        _ => {
            return Err(
                "one of psk_file (a file with the key in hexadecimal digits) and psk_env (an environment variable with it) is needed"
                    .into(),
            );
        }
    };
    ingest_collect::Psk::new(identity, &key)
        .map(Some)
        .map_err(|e| format!("pre-shared key: {e}"))
}

/// A listen address; one that is not loopback needs `[access]`.
pub fn parse_listen(text: &str, guarded: bool) -> Result<SocketAddr, String> {
    let listen: SocketAddr = text.parse().map_err(|_| {
        format!("listen `{text}` is not an address and port (like {DEFAULT_LISTEN})")
    })?;
    if !guarded && !listen.ip().is_loopback() {
        return Err(format!(
            "listen `{text}` is not a loopback address: give [access] with tokens, or use 127.0.0.1 or [::1]"
        ));
    }
    Ok(listen)
}

fn check_name(name: &str, seen: &mut BTreeSet<String>) -> Result<(), String> {
    if name.trim().is_empty() || name.chars().count() > 64 || name.chars().any(char::is_control) {
        return Err("name must have 1 to 64 printable characters".into());
    }
    if !seen.insert(name.to_owned()) {
        return Err("name is used twice; each gateway and analog source needs its own".into());
    }
    Ok(())
}

fn check_address(address: &str) -> Result<(), String> {
    let good = address.rsplit_once(':').is_some_and(|(host, port)| {
        !host.is_empty()
            && !host.contains(char::is_whitespace)
            && port.parse::<u16>().is_ok_and(|p| p > 0)
    });
    if good {
        Ok(())
    } else {
        Err(format!(
            "address `{address}` is not host:port (like 10.0.0.7:5094)"
        ))
    }
}

fn check_point(p: &Point) -> Result<(), String> {
    if p.raw[0] == p.raw[1] {
        return Err(format!(
            "raw is [{0}, {0}]: a scale needs two different ends",
            p.raw[0]
        ));
    }
    if !p.ma.iter().all(|v| v.is_finite()) || p.ma[0] >= p.ma[1] {
        return Err("ma must be two rising numbers (like [0.0, 24.0])".into());
    }
    Ok(())
}

/// The parser's message with the line and the section it stands in.
fn syntax(e: &toml::de::Error, text: &str, path: &Path) -> ConfigError {
    let start = e.span().map_or(0, |s| s.start).min(text.len());
    let before = text.get(..start).unwrap_or("");
    let line = before.matches('\n').count() + 1;
    let section = text
        .lines()
        .take(line)
        .filter(|l| l.trim_start().starts_with('['))
        .last()
        .map_or("top level", str::trim)
        .to_owned();
    let message = e
        .message()
        .replace('\n', " ")
        .replace("unknown field", "unknown key")
        .replace("missing field", "missing key");
    ConfigError::Syntax {
        path: path.to_owned(),
        line,
        section,
        message,
    }
}
