//! Assessments made by hand.
#![allow(dead_code, unreachable_pub)]

use analytics_cases::{Cases, Event, Look, Memory, Settings, Watched, decide};
use analytics_detect::{Assessment, AttentionRow, AttentionTerms, CommonCause, Finding, Kind};
use ingest_model::{Scope, Tag, UtcMicros};
use std::collections::{BTreeMap, BTreeSet};

pub const MIN: i64 = 60_000_000;
pub const HOUR: i64 = 60 * MIN;
pub const DAY: i64 = 24 * HOUR;
/// 2026-03-02T00:00:00Z.
pub const T0: i64 = 1_772_409_600_000_000;

pub fn tag(text: &str) -> Tag {
    Tag::new(text).unwrap()
}

pub fn finding(tag: &str, kind: Kind, onset: i64) -> Finding {
    let onset = UtcMicros(onset);
    Finding {
        id: format!("{tag}:{}:-:{}", kind.as_str(), onset.date_string()),
        kind,
        cause: None,
        signal: None,
        onset,
        onset_low: onset,
        onset_high: onset,
        ended: None,
        deviation_pct: (kind == Kind::AnalogDigitalDrift).then_some(-0.8),
        rate_pct_per_day: None,
        reaches_tolerance_at: None,
        reaches_tolerance_low: None,
        reaches_tolerance_high: None,
        confidence: 0.97,
        ne107: None,
        common_cause: None,
        summary: format!("{tag} shows {}.", kind.as_str()),
        evidence: BTreeMap::new(),
        checks: Vec::new(),
        cautions: Vec::new(),
    }
}

pub fn row(name: &str, criticality: &'static str, findings: Vec<Finding>) -> AttentionRow {
    AttentionRow {
        rank: 1,
        tag: tag(name),
        score: 0.4,
        why: String::new(),
        terms: AttentionTerms {
            real: 0.97,
            purpose: 0.67,
            soon: 0.6,
            lasting: 1.0,
        },
        criticality,
        area: Some("Intake".into()),
        service: None,
        common_cause: None,
        findings,
    }
}

pub fn cause(name: &str, kind: Kind, tags: &[&str], onset: i64) -> CommonCause {
    CommonCause {
        id: format!("junction_box:{name}:{}", kind.as_str()),
        scope: Scope::JunctionBox,
        name: name.into(),
        kind,
        tags: tags.iter().map(|t| tag(t)).collect(),
        affected: tags.len(),
        members: 12,
        p_value: 1e-5,
        score: 0.7,
        onset: UtcMicros(onset),
        criticality: "control",
        summary: format!("{name} has it."),
    }
}

/// Loops, decisions one after the other, and the log that they leave.
#[derive(Default)]
pub struct Bench {
    pub cases: Cases,
    pub memory: Memory,
    pub log: Vec<Event>,
    pub watched: BTreeMap<String, Vec<Watched>>,
    pub settings: Settings,
    pub not_judged: Vec<analytics_detect::NotJudged>,
    /// Loops that are out of service.
    pub retired: BTreeSet<Tag>,
}

impl Bench {
    /// An assessment at `t` (clock and reference time) with these rows; the names of the events it gave.
    pub fn assess(
        &mut self,
        t: i64,
        rows: Vec<AttentionRow>,
        causes: Vec<CommonCause>,
    ) -> Vec<&'static str> {
        self.assess_at(t, t, rows, causes)
    }

    pub fn assess_at(
        &mut self,
        now: i64,
        to: i64,
        rows: Vec<AttentionRow>,
        causes: Vec<CommonCause>,
    ) -> Vec<&'static str> {
        let assessment = Assessment {
            from: Some(UtcMicros(T0 - 30 * DAY)),
            to: Some(UtcMicros(to)),
            loops: 12,
            readings: 1,
            rejected: 0,
            attention: rows,
            common_causes: causes,
            not_judged: self.not_judged.clone(),
            explained_by_work: Vec::new(),
        };
        let loops = (0..20)
            .map(|n| tag(&format!("FT-{n}")))
            .filter(|t| !self.retired.contains(t))
            .collect();
        let look = Look {
            assessment: &assessment,
            watched: &self.watched,
            loops: &loops,
            now: UtcMicros(now),
        };
        let (events, memory) = decide(&self.cases, &self.memory, &look, &self.settings);
        let again = decide(&self.cases, &self.memory, &look, &self.settings);
        assert_eq!(
            (&events, &memory),
            (&again.0, &again.1),
            "equal input, equal events"
        );
        self.memory = memory;
        for e in &events {
            self.cases.apply(e).expect("what decide says can be done");
        }
        let names = events.iter().map(|e| e.what.name()).collect();
        self.log.extend(events);
        names
    }

    /// A person's event on the only case, or the named one.
    pub fn person(
        &mut self,
        t: i64,
        id: &str,
        what: analytics_cases::What,
    ) -> Result<(), analytics_cases::Refused> {
        let e = Event::new(id, UtcMicros(t), "R. Varga", "as seen on site", what);
        self.cases.apply(&e)?;
        self.log.push(e);
        Ok(())
    }
}
