//! One case: the fold of its events, and what is allowed in which state.

use crate::event::{Event, Key, Refused, Sighting, TEXT_MAX, WHO_MAX, What, check_text};
use analytics_detect::Kind;
use ingest_model::instant::MICROS_PER_DAY;
use ingest_model::{Tag, UtcMicros};
use std::collections::BTreeSet;

/// Longest shelving; the standards ask for a limit and leave the number to the site (31 days: our choice).
pub(crate) const SHELF_MAX_US: i64 = 31 * MICROS_PER_DAY;
/// A clock of a person's machine may be this far ahead.
const CLOCK_SLACK_US: i64 = 5 * 60 * 1_000_000;

/// How far the work is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    Unacknowledged,
    Acknowledged,
    Planned,
    Attended,
    Returned,
    Closed,
}

/// Out of sight for a while: shelving ends by itself, out of service until a person ends it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Suppression {
    Shelved {
        until: UtcMicros,
        who: String,
        why: String,
    },
    OutOfService {
        who: String,
        why: String,
    },
}

#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    pub due: Option<UtcMicros>,
    pub note: Option<String>,
    pub who: String,
}

/// A visit to the loop.
#[derive(Clone, Debug, PartialEq)]
pub struct Attendance {
    pub when: UtcMicros,
    pub who: String,
    pub found: String,
    pub done: String,
    pub as_found_pct: Option<f64>,
    pub as_left_pct: Option<f64>,
}

/// How a case ended.
#[derive(Clone, Debug, PartialEq)]
pub enum Close {
    Person,
    /// After attendance, with this confidence over these hours of watch.
    Proved {
        confidence: f64,
        watched_h: f64,
    },
    /// The evidence went, a person had acknowledged.
    Cleared,
    /// Goes on in this case.
    Adopted {
        into: String,
    },
}

/// The one word that lists show.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Shown {
    Unacknowledged,
    Returned,
    Acknowledged,
    Planned,
    Attended,
    Shelved,
    OutOfService,
    Proved,
    Closed,
}

impl Shown {
    pub const ALL: [Shown; 9] = [
        Shown::Unacknowledged,
        Shown::Returned,
        Shown::Acknowledged,
        Shown::Planned,
        Shown::Attended,
        Shown::Shelved,
        Shown::OutOfService,
        Shown::Proved,
        Shown::Closed,
    ];

    pub fn as_str(self) -> &'static str {
        match self {
            Self::Unacknowledged => "unacknowledged",
            Self::Returned => "returned",
            Self::Acknowledged => "acknowledged",
            Self::Planned => "planned",
            Self::Attended => "attended",
            Self::Shelved => "shelved",
            Self::OutOfService => "out-of-service",
            Self::Proved => "proved",
            Self::Closed => "closed",
        }
    }

    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.as_str() == text)
    }
}

/// A work item. Made by [`Case::open`], changed by [`Case::apply`] alone.
#[derive(Clone, Debug, PartialEq)]
pub struct Case {
    pub id: String,
    pub key: Key,
    pub opened: UtcMicros,
    pub stage: Stage,
    pub suppression: Option<Suppression>,
    /// The newest that was told of the evidence.
    pub sighting: Sighting,
    /// False once the evidence is gone.
    pub present: bool,
    pub gone_since: Option<UtcMicros>,
    /// Every loop and kind that ever showed it.
    pub tags: BTreeSet<Tag>,
    pub kinds: BTreeSet<Kind>,
    pub plan: Option<Plan>,
    pub attended: Option<Attendance>,
    /// How often it came back after work or proof.
    pub returned: u32,
    pub closed: Option<(UtcMicros, Close)>,
    pub history: Vec<Event>,
}

impl Case {
    /// The case that an `opened` event begins.
    pub fn open(event: &Event) -> Result<Self, Refused> {
        check_event(event)?;
        let What::Opened { key, sighting } = &event.what else {
            return Err(Refused::NoSuchCase {
                id: event.case.clone(),
            });
        };
        let mut case = Self {
            id: event.case.clone(),
            key: key.clone(),
            opened: event.at,
            stage: Stage::Unacknowledged,
            suppression: None,
            sighting: sighting.clone(),
            present: false,
            gone_since: None,
            tags: BTreeSet::new(),
            kinds: BTreeSet::new(),
            plan: None,
            attended: None,
            returned: 0,
            closed: None,
            history: vec![event.clone()],
        };
        case.see(sighting);
        Ok(case)
    }

    pub fn is_open(&self) -> bool {
        self.stage != Stage::Closed
    }

    /// A person works on it or has put it aside: the program leaves it where it is.
    pub fn is_worked_on(&self) -> bool {
        self.suppression.is_some()
            || matches!(
                self.stage,
                Stage::Planned | Stage::Attended | Stage::Returned
            )
    }

    /// The state at `now`: shelving ends by itself, whether somebody looked or not.
    pub fn shown(&self, now: UtcMicros) -> Shown {
        if let Some((_, how)) = &self.closed {
            return if matches!(how, Close::Proved { .. }) {
                Shown::Proved
            } else {
                Shown::Closed
            };
        }
        match &self.suppression {
            Some(Suppression::Shelved { until, .. }) if now < *until => return Shown::Shelved,
            Some(Suppression::OutOfService { .. }) => return Shown::OutOfService,
            _ => {}
        }
        match self.stage {
            Stage::Unacknowledged => Shown::Unacknowledged,
            Stage::Acknowledged => Shown::Acknowledged,
            Stage::Planned => Shown::Planned,
            Stage::Attended => Shown::Attended,
            Stage::Returned => Shown::Returned,
            Stage::Closed => Shown::Closed,
        }
    }

    /// Takes one event, or says why not and stays as it was.
    pub fn apply(&mut self, event: &Event) -> Result<(), Refused> {
        check_event(event)?;
        let mut next = self.clone();
        next.take(event)?;
        next.history.push(event.clone());
        *self = next;
        Ok(())
    }

    fn take(&mut self, event: &Event) -> Result<(), Refused> {
        let refuse = |case: &Self, hint| {
            Err(Refused::State {
                what: event.what.name(),
                state: case.shown(event.at).as_str(),
                hint,
            })
        };
        // The end of shelving holds from its time on, told or not.
        let ran_out = matches!(&self.suppression, Some(Suppression::Shelved { until, .. }) if *until <= event.at);
        if matches!(event.what, What::ShelfEnded) && !ran_out {
            return refuse(self, "no shelving has run out");
        }
        if ran_out {
            self.suppression = None;
        }
        let closed_hint = "the case is closed; a note can still be added";
        let open = self.is_open();
        let (who, why) = (event.who.clone(), event.why.clone());
        match &event.what {
            What::Opened { .. } => {
                return Err(Refused::Exists {
                    id: self.id.clone(),
                });
            }
            What::ShelfEnded | What::Noted { .. } => {}
            What::Gone { since } => {
                if !self.present {
                    return refuse(self, "the evidence is gone already");
                }
                self.present = false;
                self.gone_since = Some(*since);
            }
            What::Returned { sighting } => {
                let came_back = self.stage == Stage::Attended
                    || matches!(
                        self.closed,
                        Some((_, Close::Proved { .. } | Close::Cleared))
                    );
                if !came_back {
                    return refuse(
                        self,
                        "only what was attended, proved or cleared can come back",
                    );
                }
                self.closed = None;
                self.stage = Stage::Returned;
                self.returned = self.returned.saturating_add(1);
                self.see(sighting);
            }
            _ if !open => return refuse(self, closed_hint),
            What::Seen { sighting } => self.see(sighting),
            What::Adopted { into } => {
                if self.is_worked_on() {
                    return refuse(self, "somebody works on it");
                }
                self.close(event.at, Close::Adopted { into: into.clone() });
            }
            What::Acknowledged => {
                if self.suppression.is_some() {
                    return refuse(self, "end that first (unshelve)");
                }
                if !matches!(self.stage, Stage::Unacknowledged | Stage::Returned) {
                    return refuse(self, "somebody has acknowledged it already");
                }
                self.stage = Stage::Acknowledged;
            }
            What::Shelved { until } => {
                if matches!(self.suppression, Some(Suppression::OutOfService { .. })) {
                    return refuse(self, "end that first (unshelve)");
                }
                if self.stage == Stage::Attended {
                    return refuse(self, "after attendance the watch goes on");
                }
                self.suppression = Some(Suppression::Shelved {
                    until: *until,
                    who,
                    why,
                });
            }
            What::Unshelved => {
                if self.suppression.take().is_none() {
                    return refuse(self, "it is neither shelved nor out of service");
                }
            }
            What::OutOfService => {
                if matches!(self.suppression, Some(Suppression::OutOfService { .. })) {
                    return refuse(self, "it is so already");
                }
                self.suppression = Some(Suppression::OutOfService { who, why });
            }
            What::Planned { due, note } => {
                self.stage = Stage::Planned;
                self.plan = Some(Plan {
                    due: *due,
                    note: note.clone(),
                    who,
                });
            }
            What::Attended {
                when,
                found,
                done,
                as_found_pct,
                as_left_pct,
            } => {
                self.stage = Stage::Attended;
                // Who works on it has taken it off the shelf; out of service is another decision.
                if matches!(self.suppression, Some(Suppression::Shelved { .. })) {
                    self.suppression = None;
                }
                self.attended = Some(Attendance {
                    when: *when,
                    who,
                    found: found.clone(),
                    done: done.clone(),
                    as_found_pct: *as_found_pct,
                    as_left_pct: *as_left_pct,
                });
            }
            What::Proved {
                confidence,
                watched_h,
                ..
            } => {
                if self.stage != Stage::Attended || self.present || self.suppression.is_some() {
                    return refuse(
                        self,
                        "only what was attended and is gone and in service can be proved",
                    );
                }
                self.close(
                    event.at,
                    Close::Proved {
                        confidence: *confidence,
                        watched_h: *watched_h,
                    },
                );
            }
            What::Cleared { .. } => {
                if self.stage != Stage::Acknowledged || self.present || self.suppression.is_some() {
                    return refuse(
                        self,
                        "only what was acknowledged and is gone clears by itself",
                    );
                }
                self.close(event.at, Close::Cleared);
            }
            What::Closed => self.close(event.at, Close::Person),
        }
        Ok(())
    }

    fn close(&mut self, at: UtcMicros, how: Close) {
        self.stage = Stage::Closed;
        self.suppression = None;
        self.closed = Some((at, how));
    }

    fn see(&mut self, sighting: &Sighting) {
        self.present = true;
        self.gone_since = None;
        self.tags.extend(sighting.tags.iter().cloned());
        self.kinds.insert(sighting.kind);
        self.kinds.extend(sighting.kinds.iter().copied());
        self.sighting = sighting.clone();
    }
}

/// What must hold for an event in any state.
fn check_event(event: &Event) -> Result<(), Refused> {
    check_text("who", &event.who, WHO_MAX, false)?;
    check_text("why", &event.why, TEXT_MAX, true)?;
    let number = |field, value: Option<f64>| match value {
        Some(v) if !(v.abs() <= 1000.0) => Err(Refused::Number { field }),
        _ => Ok(()),
    };
    match &event.what {
        What::Shelved { until } => {
            let time = |wanted| Refused::Time {
                field: "until",
                wanted,
            };
            if *until <= event.at {
                return Err(time("must be later than now"));
            }
            if until.0.saturating_sub(event.at.0) > SHELF_MAX_US {
                return Err(time("must be at most 31 days from now"));
            }
        }
        What::Planned {
            note: Some(note), ..
        }
        | What::Noted { note: Some(note) } => check_text("note", note, TEXT_MAX, true)?,
        What::Attended {
            when,
            found,
            done,
            as_found_pct,
            as_left_pct,
        } => {
            check_text("found", found, TEXT_MAX, true)?;
            check_text("done", done, TEXT_MAX, true)?;
            number("as_found_pct", *as_found_pct)?;
            number("as_left_pct", *as_left_pct)?;
            if when.0 > event.at.0.saturating_add(CLOCK_SLACK_US) {
                return Err(Refused::Time {
                    field: "at",
                    wanted: "must not be later than now",
                });
            }
        }
        _ => {}
    }
    Ok(())
}
