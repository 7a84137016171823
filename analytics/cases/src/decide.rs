//! From an assessment to events: a pure function of cases, memory, what was looked at, and the time.
//!
//! Evidence is timed by the assessment's reference time, so that a stopped collector proves nothing; shelving by the clock.
//! Each event is tried on a copy of the cases first: what `decide` returns can be applied in its order.

mod evidence;
mod settings;

pub use settings::Settings;

use crate::case::{Case, Close, Stage, Suppression};
use crate::cases::Cases;
use crate::event::{Event, Family, Key, SELF, Sighting, What};
use crate::proof::{Watched, prove, usual_delay_h};
use analytics_detect::{Assessment, Finding, Kind};
use evidence::{Live, evidence};
use ingest_model::instant::{MICROS_PER_HOUR, MICROS_PER_S};
use ingest_model::{Criticality, Tag, UtcMicros};
use std::collections::{BTreeMap, BTreeSet};

/// What `decide` looks at.
#[derive(Debug)]
pub struct Look<'a> {
    pub assessment: &'a Assessment,
    /// For each attended case what was seen since, one entry a loop.
    pub watched: &'a BTreeMap<String, Vec<Watched>>,
    /// Loops in service; of others an absence says nothing.
    pub loops: &'a BTreeSet<Tag>,
    pub now: UtcMicros,
}

/// What goes from one assessment to the next without being an event: since when something is seen or missed. Lost at a
/// restart, which only means waiting again.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Memory {
    seen: BTreeMap<Key, UtcMicros>,
    missed: BTreeMap<String, UtcMicros>,
}

/// The events that follow, in order, and what to remember.
pub fn decide(
    cases: &Cases,
    memory: &Memory,
    look: &Look<'_>,
    settings: &Settings,
) -> (Vec<Event>, Memory) {
    let mut desk = Desk {
        cases: cases.clone(),
        events: Vec::new(),
        now: look.now,
    };
    desk.end_shelving();
    let Some(to) = look.assessment.to else {
        return (desk.events, memory.clone());
    };
    let evidence = evidence(&desk.cases, look.assessment, to, settings);
    let mut next = Memory::default();
    for (key, live) in &evidence {
        let since = *memory.seen.get(key).unwrap_or(&to);
        next.seen.insert(key.clone(), since.min(to));
        let lasting = to.0.saturating_sub(since.0) >= settings.persists_s * MICROS_PER_S;
        let s = &live.sighting;
        let persists = lasting
            || s.criticality == Criticality::Safety
            || s.kind == Kind::ConfigurationChange
            || to.0.saturating_sub(live.onset_high.0) >= settings.old_onset_h * MICROS_PER_HOUR;
        desk.evident(key, s, persists, lasting, settings);
    }
    desk.adopt(&evidence);
    let blind = Blind::of(look);
    desk.missing(&evidence, &blind, memory, &mut next, to, settings);
    desk.close_by_evidence(look, to, settings);
    (desk.events, next)
}

/// Where an absence says nothing.
struct Blind<'a> {
    in_service: &'a BTreeSet<Tag>,
    /// Not judged at all, or without reply: then only the exchange itself is seen.
    all: BTreeSet<&'a Tag>,
    no_reply: BTreeSet<&'a Tag>,
    kinds: BTreeSet<(&'a Tag, Kind)>,
}

impl<'a> Blind<'a> {
    fn of(look: &Look<'a>) -> Self {
        let a = look.assessment;
        let mut out = Self {
            in_service: look.loops,
            all: BTreeSet::new(),
            no_reply: BTreeSet::new(),
            kinds: BTreeSet::new(),
        };
        for n in &a.not_judged {
            match Kind::parse(n.what) {
                Some(kind) => out.kinds.insert((&n.tag, kind)),
                None => out.all.insert(&n.tag),
            };
        }
        let mute = |f: &Finding| f.kind == Kind::NoReply && f.ended.is_none();
        out.no_reply.extend(
            a.attention
                .iter()
                .filter(|r| r.findings.iter().any(mute))
                .map(|r| &r.tag),
        );
        out
    }

    /// Most loops of the case could not show its evidence if it were there.
    fn to_case(&self, case: &Case) -> bool {
        let exchange = case.key.family() == Family::Exchange;
        let tags = &case.sighting.tags;
        let unseen = tags.iter().filter(|t| {
            !self.in_service.contains(t)
                || self.all.contains(t)
                || !exchange && self.no_reply.contains(t)
                || case.kinds.iter().any(|k| self.kinds.contains(&(*t, *k)))
        });
        2 * unseen.count() > tags.len()
    }
}

struct Desk {
    cases: Cases,
    events: Vec<Event>,
    now: UtcMicros,
}

impl Desk {
    /// Adds the event if the case takes it.
    fn push(&mut self, case: &str, why: impl Into<String>, what: What) -> bool {
        let event = Event::new(case, self.now, SELF, why, what);
        let taken = self.cases.apply(&event).is_ok();
        if taken {
            self.events.push(event);
        }
        taken
    }

    fn end_shelving(&mut self) {
        let over: Vec<String> = self
            .cases
            .iter()
            .filter(|c| matches!(&c.suppression, Some(Suppression::Shelved { until, .. }) if *until <= self.now))
            .map(|c| c.id.clone())
            .collect();
        for id in over {
            self.push(&id, "the time of shelving is over", What::ShelfEnded);
        }
    }

    /// `persists`: enough to open a case; `lasting`: seen over the stated time, which what was done away with needs.
    fn evident(
        &mut self,
        key: &Key,
        s: &Sighting,
        persists: bool,
        lasting: bool,
        settings: &Settings,
    ) {
        let Some(case) = self.cases.about(key).cloned() else {
            if persists {
                self.open(key, s);
            }
            return;
        };
        let sighting = || s.clone();
        if case.is_open() {
            let came_back = match (&case.stage, &case.attended) {
                (Stage::Attended, Some(a)) => {
                    !case.present && lasting
                        || s.to.seconds_since(a.when) / 3600.0
                            >= (settings.return_h as f64).min(2.0 * usual_delay_h(s.kind))
                }
                _ => false,
            };
            if came_back {
                let why = "the evidence is there after attendance";
                self.push(
                    &case.id,
                    why,
                    What::Returned {
                        sighting: sighting(),
                    },
                );
            } else if !case.present && case.stage != Stage::Attended {
                self.push(
                    &case.id,
                    "the evidence is there again",
                    What::Seen {
                        sighting: sighting(),
                    },
                );
            } else if case.present && changed(&case, s, settings) {
                self.push(
                    &case.id,
                    "the evidence has changed",
                    What::Seen {
                        sighting: sighting(),
                    },
                );
            }
            return;
        }
        let Some((at, how)) = &case.closed else {
            return;
        };
        let recent =
            self.now.0.saturating_sub(at.0) <= settings.same_case_days * 24 * MICROS_PER_HOUR;
        match how {
            // A person closed it knowing of this evidence.
            Close::Person if case.present => {
                let (before, after) = (
                    case.sighting.deviation_pct.unwrap_or(0.0).abs(),
                    s.deviation_pct.unwrap_or(0.0).abs(),
                );
                if after >= settings.worse_ratio * before
                    && after >= before + settings.worse_step_pct
                {
                    self.open(key, s);
                }
            }
            Close::Proved { .. } | Close::Cleared if recent => {
                if lasting {
                    let why = "the evidence is there again after the case was closed by evidence";
                    self.push(
                        &case.id,
                        why,
                        What::Returned {
                            sighting: sighting(),
                        },
                    );
                }
            }
            _ => {
                if persists {
                    self.open(key, s);
                }
            }
        }
    }

    fn open(&mut self, key: &Key, s: &Sighting) {
        let date = s.onset.date_string();
        let kind = s.kind.as_str();
        let id = self.cases.free_id(&match key {
            Key::Loop { tag, .. } => format!("{tag}:{kind}:{date}"),
            Key::Group { scope, name, .. } => format!("{}:{name}:{kind}:{date}", scope.as_str()),
        });
        let what = What::Opened {
            key: key.clone(),
            sighting: s.clone(),
        };
        self.push(&id, "a finding persists", what);
    }

    /// Cases of single loops that nobody works on go on in the case of their common cause.
    fn adopt(&mut self, evidence: &BTreeMap<Key, Live>) {
        for (key, live) in evidence {
            let Key::Group { family, .. } = key else {
                continue;
            };
            let Some(group) = self.cases.about(key).filter(|c| c.is_open()).cloned() else {
                continue;
            };
            for tag in &live.sighting.tags {
                let own = Key::Loop {
                    tag: tag.clone(),
                    family: *family,
                };
                let Some(case) = self.cases.about(&own).cloned() else {
                    continue;
                };
                if case.is_open() && !case.is_worked_on() {
                    let what = What::Adopted {
                        into: group.id.clone(),
                    };
                    self.push(
                        &case.id,
                        "it shares its cause with the loops of that case",
                        what,
                    );
                }
            }
        }
    }

    fn missing(
        &mut self,
        evidence: &BTreeMap<Key, Live>,
        blind: &Blind<'_>,
        memory: &Memory,
        next: &mut Memory,
        to: UtcMicros,
        settings: &Settings,
    ) {
        let held: Vec<Case> = self
            .cases
            .iter()
            .filter(|c| c.present && (c.is_open() || matches!(c.closed, Some((_, Close::Person)))))
            .filter(|c| !evidence.contains_key(&c.key))
            .map(|c| (**c).clone())
            .collect();
        for case in held {
            if blind.to_case(&case) {
                // No look is no evidence: the count begins again.
                continue;
            }
            let since = *memory.missed.get(&case.id).unwrap_or(&to);
            next.missed.insert(case.id.clone(), since.min(to));
            if to.0.saturating_sub(since.0) >= settings.gone_s * MICROS_PER_S {
                next.missed.remove(&case.id);
                self.push(
                    &case.id,
                    "the loop was watched and does not show it",
                    What::Gone { since },
                );
            }
        }
    }

    fn close_by_evidence(&mut self, look: &Look<'_>, to: UtcMicros, settings: &Settings) {
        let gone: Vec<Case> = self
            .cases
            .iter()
            .filter(|c| c.is_open() && !c.present && c.suppression.is_none())
            .map(|c| (**c).clone())
            .collect();
        for case in gone {
            match (case.stage, case.gone_since) {
                (Stage::Acknowledged, Some(since))
                    if to.0.saturating_sub(since.0) >= settings.clear_h * MICROS_PER_HOUR =>
                {
                    let why = format!(
                        "the evidence has been gone for {} h, limit {} h",
                        (to.0.saturating_sub(since.0)) / MICROS_PER_HOUR,
                        settings.clear_h
                    );
                    self.push(&case.id, why, What::Cleared { since });
                }
                (Stage::Attended, _) => {
                    let watched = look.watched.get(&case.id).map_or(&[][..], Vec::as_slice);
                    let Some(proof) = prove(&case, watched) else {
                        continue;
                    };
                    if proof.confidence >= settings.prove_confidence
                        && proof.watched_h >= settings.prove_h
                    {
                        let why = format!(
                            "gone with confidence {:.3} (wanted {}) over {:.0} h of watch (wanted {:.0} h)",
                            // Rounded down: nothing is certain.
                            (proof.confidence * 1000.0).floor() / 1000.0,
                            settings.prove_confidence,
                            proof.watched_h,
                            settings.prove_h
                        );
                        let what = What::Proved {
                            confidence: proof.confidence,
                            watched_h: proof.watched_h,
                            deviation_pct: proof.deviation_pct,
                        };
                        self.push(&case.id, why, what);
                    }
                }
                _ => {}
            }
        }
    }
}

/// Enough to be told: another loop or kind at once, the size of the deviation now and then.
fn changed(case: &Case, s: &Sighting, settings: &Settings) -> bool {
    if s.tags.iter().any(|t| !case.tags.contains(t))
        || s.kinds.iter().any(|k| !case.kinds.contains(k))
    {
        return true;
    }
    let old = &case.sighting;
    if s.to.0.saturating_sub(old.to.0) < settings.seen_every_h * MICROS_PER_HOUR {
        return false;
    }
    let moved = match (old.deviation_pct, s.deviation_pct) {
        (Some(a), Some(b)) => (a - b).abs() >= 0.05_f64.max(0.25 * a.abs()),
        (a, b) => a.is_some() != b.is_some(),
    };
    moved || s.cause != old.cause || s.kind != old.kind || s.tags.len() != old.tags.len()
}
