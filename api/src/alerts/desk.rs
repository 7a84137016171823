//! What is to be told now: a pure function of cases, assessment, what was told before, and the time.

use super::AlertSettings;
use analytics_cases::{Case, Cases, Key, Shown};
use analytics_detect::{Assessment, Finding};
use ingest_model::{Criticality, UtcMicros};
use std::collections::{BTreeMap, BTreeSet};

/// Id of the alert that stands for many cases which began at once.
pub const MANY: &str = "many";

/// One thing that calls a person.
#[derive(Clone, Debug, PartialEq)]
pub struct Alert {
    /// The case, or `many`.
    pub id: String,
    /// Finding kind with which the case was opened; `many` of [`MANY`].
    pub kind: &'static str,
    pub criticality: &'static str,
    pub area: Option<String>,
    /// Loops concerned, at most the first 20 of them; `loop_count` has all.
    pub loops: Vec<String>,
    pub loop_count: usize,
    pub since: UtcMicros,
    pub summary: String,
    /// What to look at first.
    pub look_at_first: Option<String>,
    pub cautions: Vec<String>,
    /// Path of the page that shows it.
    pub path: String,
}

/// A case that calls.
#[derive(Clone, Debug, PartialEq)]
pub struct Call {
    pub alert: Alert,
    pub opened: UtcMicros,
}

const LOOPS_NAMED: usize = 20;

/// Cases that call, by id: nobody has taken them, the evidence is there, and the loop matters enough.
pub fn calls(
    cases: &Cases,
    a: &Assessment,
    settings: &AlertSettings,
    now: UtcMicros,
) -> BTreeMap<String, Call> {
    cases
        .iter()
        .filter(|c| matches!(c.shown(now), Shown::Unacknowledged | Shown::Returned))
        .filter(|c| c.present)
        .filter(|c| c.sighting.criticality >= settings.criticality)
        .filter(|c| c.sighting.score >= settings.score)
        .map(|c| {
            let call = Call {
                alert: alert(c, a),
                opened: c.opened,
            };
            (c.id.clone(), call)
        })
        .collect()
}

fn alert(case: &Case, a: &Assessment) -> Alert {
    let s = &case.sighting;
    let finding: Option<&Finding> = a
        .attention
        .iter()
        .flat_map(|row| &row.findings)
        .find(|f| s.findings.contains(&f.id));
    // The first event has the kind of the opening, which stays: an alert must not change its name while it calls.
    let kind = case.history.first().and_then(|e| match &e.what {
        analytics_cases::What::Opened { sighting, .. } => Some(sighting.kind),
        _ => None,
    });
    let path = match &case.key {
        Key::Loop { tag, .. } => format!("/loop/{}", encoded(tag.as_str())),
        Key::Group { .. } => "/".to_owned(),
    };
    Alert {
        id: case.id.clone(),
        kind: kind.unwrap_or(s.kind).as_str(),
        criticality: s.criticality.as_str(),
        area: s.areas.first().filter(|_| s.areas.len() == 1).cloned(),
        loops: s
            .tags
            .iter()
            .take(LOOPS_NAMED)
            .map(|t| t.as_str().to_owned())
            .collect(),
        loop_count: s.tags.len(),
        since: s.onset,
        summary: s.summary.clone(),
        look_at_first: finding.and_then(|f| f.checks.first()).cloned(),
        cautions: finding.map_or_else(Vec::new, |f| f.cautions.clone()),
        path,
    }
}

fn encoded(tag: &str) -> String {
    percent_encoding::utf8_percent_encode(tag, percent_encoding::NON_ALPHANUMERIC).to_string()
}

/// What one round has to tell.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Round {
    /// All that call now.
    pub firing: Vec<Alert>,
    pub began: Vec<Alert>,
    pub ended: Vec<Alert>,
    /// Members of the alert [`MANY`].
    many: BTreeSet<String>,
    /// It is time to repeat what calls.
    repeat: bool,
}

impl Round {
    pub fn is_due(&self) -> bool {
        !self.began.is_empty() || !self.ended.is_empty() || self.repeat
    }
}

/// What was told, and so what is new.
#[derive(Debug, Default)]
pub struct Desk {
    told: BTreeMap<String, Alert>,
    /// Cases that the alert [`MANY`] stands for.
    many: BTreeSet<String>,
    last: Option<UtcMicros>,
}

impl Desk {
    /// Compares what calls with what was told. Nothing counts as told before [`Desk::delivered`].
    pub fn round(
        &self,
        calling: &BTreeMap<String, Call>,
        settings: &AlertSettings,
        now: UtcMicros,
    ) -> Round {
        let held = |c: &Call| now.seconds_since(c.opened) < settings.hold.as_secs_f64();
        let mut many: BTreeSet<String> = self
            .many
            .iter()
            .filter(|id| calling.contains_key(*id))
            .cloned()
            .collect();
        let fresh: Vec<&str> = calling
            .iter()
            .filter(|(id, c)| !self.told.contains_key(*id) && !many.contains(*id) && !held(c))
            .map(|(id, _)| id.as_str())
            .collect();
        // Many at once have one reason that nobody has named yet; a page of alerts would hide it.
        if fresh.len() > settings.many {
            many.extend(fresh.iter().map(|id| (*id).to_owned()));
        }
        let mut firing: Vec<Alert> = calling
            .iter()
            .filter(|(id, c)| !many.contains(*id) && (self.told.contains_key(*id) || !held(c)))
            .map(|(_, c)| c.alert.clone())
            .collect();
        firing.extend(together(&many, calling));
        let named = |list: &[Alert], id: &str| list.iter().any(|a| a.id == id);
        let began = firing
            .iter()
            .filter(|a| !self.told.contains_key(&a.id))
            .cloned()
            .collect();
        let ended = self
            .told
            .values()
            .filter(|a| !named(&firing, &a.id))
            .cloned()
            .collect();
        let due = self
            .last
            .is_none_or(|t| now.seconds_since(t) >= settings.repeat.as_secs_f64());
        let repeat =
            due && !firing.is_empty() && matches!(settings.target, super::Target::Alertmanager(_));
        Round {
            firing,
            began,
            ended,
            many,
            repeat,
        }
    }

    /// `round` has reached its target.
    pub fn delivered(&mut self, round: Round, now: UtcMicros) {
        self.told = round
            .firing
            .into_iter()
            .map(|a| (a.id.clone(), a))
            .collect();
        self.many = round.many;
        self.last = Some(now);
    }
}

/// The one alert for many cases.
fn together(many: &BTreeSet<String>, calling: &BTreeMap<String, Call>) -> Option<Alert> {
    let members: Vec<&Alert> = many
        .iter()
        .filter_map(|id| calling.get(id))
        .map(|c| &c.alert)
        .collect();
    let since = members.iter().map(|a| a.since).min()?;
    let worst = members
        .iter()
        .filter_map(|a| Criticality::parse(a.criticality))
        .max()?;
    let mut loops: Vec<String> = members.iter().flat_map(|a| a.loops.clone()).collect();
    loops.sort_unstable();
    loops.dedup();
    let loop_count = loops.len();
    loops.truncate(LOOPS_NAMED);
    let mut areas: Vec<&str> = members.iter().filter_map(|a| a.area.as_deref()).collect();
    areas.sort_unstable();
    areas.dedup();
    Some(Alert {
        id: MANY.to_owned(),
        kind: MANY,
        criticality: worst.as_str(),
        area: areas
            .first()
            .filter(|_| areas.len() == 1)
            .map(ToString::to_string),
        summary: format!(
            "{} cases on {loop_count} loops began to call at once: {}.",
            members.len(),
            loops.join(", ")
        ),
        loops,
        loop_count,
        since,
        look_at_first: Some(
            "What these loops share: supply, gateway, input card, area. The list has each of them."
                .to_owned(),
        ),
        cautions: Vec::new(),
        path: "/".to_owned(),
    })
}
