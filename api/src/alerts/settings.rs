//! `[alerts]` of `site.toml`: whom to tell, and of what.

use ingest_model::Criticality;
use serde::Deserialize;
use std::time::Duration;

/// Where alerts go.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Target {
    /// Base address of an Alertmanager (its API version 2).
    Alertmanager(String),
    /// An address that takes our JSON.
    Webhook(String),
}

impl Target {
    pub fn url(&self) -> &str {
        match self {
            Self::Alertmanager(url) | Self::Webhook(url) => url,
        }
    }
}

/// Checked settings.
#[derive(Clone, Debug, PartialEq)]
pub struct AlertSettings {
    pub target: Target,
    /// Least criticality of a loop that calls.
    pub criticality: Criticality,
    /// Least attention score, 0..1, of a case that calls.
    pub score: f64,
    /// A case calls once it is so old: time for loops with one cause to be seen as one.
    pub hold: Duration,
    /// More cases than this that begin at once are told as one alert.
    pub many: usize,
    /// An Alertmanager is told again so often of what still calls.
    pub repeat: Duration,
    /// Address under which people open the page, for links; without it there are none.
    pub page: Option<String>,
}

/// As written.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawAlerts {
    alertmanager: Option<String>,
    webhook: Option<String>,
    criticality: Option<String>,
    score: Option<f64>,
    hold: Option<String>,
    many: Option<usize>,
    repeat: Option<String>,
    page: Option<String>,
}

impl RawAlerts {
    /// The checked settings, or what is wrong with them.
    pub fn settings(self) -> Result<AlertSettings, String> {
        let target = match (self.alertmanager, self.webhook) {
            (Some(url), None) => Target::Alertmanager(checked("alertmanager", url)?),
            (None, Some(url)) => Target::Webhook(checked("webhook", url)?),
            _ => return Err("give one of alertmanager and webhook, an http:// address".into()),
        };
        let criticality = match self.criticality.as_deref() {
            None => Criticality::Control,
            Some(text) => Criticality::parse(text).ok_or_else(|| {
                format!("criticality `{text}` is not `safety`, `control` or `indication`")
            })?,
        };
        let score = self.score.unwrap_or(0.2);
        if !(0.0..=1.0).contains(&score) {
            return Err(format!("score {score} is not within 0 and 1"));
        }
        let many = self.many.unwrap_or(5);
        if many == 0 {
            return Err("many is 0; at least one alert must be possible".into());
        }
        let time = |name: &str, text: Option<String>, usual: Duration| match text {
            None => Ok(usual),
            Some(t) => crate::config::parse_duration(&t).map_err(|e| format!("{name}: {e}")),
        };
        Ok(AlertSettings {
            target,
            criticality,
            score,
            hold: time("hold", self.hold, Duration::from_secs(60))?,
            many,
            repeat: time("repeat", self.repeat, Duration::from_secs(60))?,
            page: self
                .page
                .map(|url| match url.split_once("://") {
                    Some(("http" | "https", rest)) if !rest.is_empty() => {
                        Ok(url.trim_end_matches('/').to_owned())
                    }
                    _ => Err(format!(
                        "page `{url}` is not an http:// or https:// address"
                    )),
                })
                .transpose()?,
        })
    }
}

fn checked(name: &str, url: String) -> Result<String, String> {
    match url.split_once("://") {
        Some(("http", rest)) if !rest.is_empty() && !rest.contains(char::is_whitespace) => {
            Ok(url.trim_end_matches('/').to_owned())
        }
        Some(("https", _)) => Err(format!(
            "{name} `{url}`: this program speaks no TLS; give the http:// address of a relay on this machine"
        )),
        _ => Err(format!("{name} `{url}` is not an http:// address")),
    }
}
