//! Brings a round of alerts to its target over HTTP.

use super::desk::{Alert, Round};
use super::{AlertSettings, Target};
use ingest_model::UtcMicros;
use serde_json::{Value, json};
use std::time::Duration;

/// For connecting, sending and the answer together.
const TIMEOUT: Duration = Duration::from_secs(10);

/// Why a round did not arrive.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SendError {
    #[error("POST to {url}: {reason}")]
    Post { url: String, reason: String },
}

/// Posts to the one target of a site.
#[derive(Debug)]
pub struct Sender {
    agent: ureq::Agent,
    target: Target,
    repeat: Duration,
    page: Option<String>,
}

impl Sender {
    pub fn new(settings: &AlertSettings) -> Self {
        let config = ureq::Agent::config_builder()
            .timeout_global(Some(TIMEOUT))
            .build();
        Self {
            agent: config.into(),
            target: settings.target.clone(),
            repeat: settings.repeat,
            page: settings.page.clone(),
        }
    }

    /// Sends a round. Blocks for at most the time-out.
    ///
    /// # Errors
    /// No connection, no answer in time, or an answer other than success.
    pub fn send(&self, site: &str, round: &Round, now: UtcMicros) -> Result<(), SendError> {
        let page = self.page.as_deref();
        let (url, body) = match &self.target {
            Target::Alertmanager(base) => (
                format!("{base}/api/v2/alerts"),
                alertmanager_body(site, round, now, self.repeat, page),
            ),
            Target::Webhook(url) => (url.clone(), webhook_body(site, round, now, page)),
        };
        match self.agent.post(&url).send_json(&body) {
            Ok(_answer) => Ok(()),
            Err(e) => Err(SendError::Post {
                url,
                reason: e.to_string(),
            }),
        }
    }
}

fn link(page: Option<&str>, a: &Alert) -> Option<String> {
    page.map(|base| format!("{base}{}", a.path))
}

/// A list of alerts as API version 2 of an Alertmanager takes it (`postableAlerts` of its OpenAPI description): what calls
/// ends by itself unless it is repeated, what is over ends now.
pub fn alertmanager_body(
    site: &str,
    round: &Round,
    now: UtcMicros,
    repeat: Duration,
    page: Option<&str>,
) -> Value {
    // A few repeats may be lost before an alert ends by itself.
    let lasts_us = i64::try_from(repeat.as_micros())
        .unwrap_or(i64::MAX / 8)
        .saturating_mul(5);
    let later = UtcMicros(now.0.saturating_add(lasts_us));
    let one = |a: &Alert, ends: UtcMicros| {
        let mut labels = json!({
            "alertname": "LoopNeedsAttention",
            "site": site,
            "case": a.id,
            "kind": a.kind,
            "criticality": a.criticality,
        });
        if let Some(area) = &a.area {
            labels["area"] = json!(area);
        }
        let mut annotations = json!({
            "summary": a.summary,
            "loops": a.loops.join(", "),
        });
        if let Some(check) = &a.look_at_first {
            annotations["look_at_first"] = json!(check);
        }
        if !a.cautions.is_empty() {
            annotations["cautions"] = json!(a.cautions.join(" "));
        }
        let mut alert = json!({
            "labels": labels,
            "annotations": annotations,
            "startsAt": a.since.to_rfc3339(),
            "endsAt": ends.to_rfc3339(),
        });
        if let Some(url) = link(page, a) {
            alert["generatorURL"] = json!(url);
        }
        alert
    };
    let firing = round.firing.iter().map(|a| one(a, later));
    let ended = round.ended.iter().map(|a| one(a, now));
    Value::Array(firing.chain(ended).collect())
}

/// Our own message: what began, what ended, and the ids of all that call, so that a receiver which missed one can tell.
pub fn webhook_body(site: &str, round: &Round, now: UtcMicros, page: Option<&str>) -> Value {
    let one = |a: &Alert| {
        json!({
            "id": a.id,
            "kind": a.kind,
            "criticality": a.criticality,
            "area": a.area,
            "loops": a.loops,
            "loop_count": a.loop_count,
            "since": a.since.to_rfc3339(),
            "summary": a.summary,
            "look_at_first": a.look_at_first,
            "cautions": a.cautions,
            "link": link(page, a),
        })
    };
    json!({
        "site": site,
        "time": now.to_rfc3339(),
        "began": round.began.iter().map(one).collect::<Vec<_>>(),
        "ended": round.ended.iter().map(one).collect::<Vec<_>>(),
        "firing": round.firing.iter().map(|a| &a.id).collect::<Vec<_>>(),
    })
}
