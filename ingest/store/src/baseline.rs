//! Baselines: where a loop's history begins anew, and why. History before one stays; the detectors start afresh from it.
//!
//! A baseline begins with an entry of the register: one whose device or range differs from the entry before, or one with
//! which a person said so. What was said is kept with the entry, so it survives restart, export and import.

use crate::amend::{Author, record, refused};
use crate::error::StoreError;
use crate::register::{ChangedCell, Register, RegisterDiff, changed_cells};
use crate::register_csv::Row;
use crate::store::Store;
use ingest_model::{BaselineEnd, BaselineNote, BaselineReason, LoopEntry, Tag, UtcMicros};
use std::collections::BTreeMap;

/// Columns of `register-history.csv` that say what a person said.
pub(crate) const COLUMNS: [&str; 10] = [
    "baseline",
    "baseline_by",
    "baseline_why",
    "baseline_at",
    "baseline_until",
    "baseline_own_tag",
    "baseline_ended",
    "baseline_ended_by",
    "baseline_ended_why",
    "baseline_ended_at",
];

/// Cells of the register that a baseline is about.
const ABOUT: [&str; 6] = [
    "device_type",
    "device_revision",
    "device_id",
    "lrv",
    "urv",
    "transfer",
];

pub(crate) fn cells(note: &BaselineNote) -> impl Iterator<Item = (&'static str, String)> {
    let values = [
        Some(note.reason.as_str().to_owned()),
        Some(note.by.clone()),
        Some(note.why.clone()),
        Some(note.at.to_rfc3339()),
        note.until.map(UtcMicros::to_rfc3339),
        note.own_tag.clone(),
        note.ended.as_ref().map(|e| e.from.to_rfc3339()),
        note.ended.as_ref().map(|e| e.by.clone()),
        note.ended.as_ref().map(|e| e.why.clone()),
        note.ended.as_ref().map(|e| e.at.to_rfc3339()),
    ];
    COLUMNS
        .into_iter()
        .zip(values)
        .filter_map(|(c, v)| Some((c, v?)))
}

pub(crate) fn note(row: &Row<'_>) -> Result<Option<BaselineNote>, StoreError> {
    let [
        reason,
        by,
        why,
        at,
        until,
        own_tag,
        ended,
        ended_by,
        ended_why,
        ended_at,
    ] = COLUMNS;
    let time = |t: &str| UtcMicros::parse_rfc3339(t).ok();
    let found = row.parsed(
        reason,
        "`exchanged`, `re-ranged`, `accepted` or `replaced`",
        BaselineReason::parse,
    )?;
    let Some(reason) = found else { return Ok(None) };
    let ended = match row.parsed(ended, "an RFC 3339 time", time)? {
        Some(from) => Some(BaselineEnd {
            from,
            by: row.text(ended_by).unwrap_or_default(),
            why: row.text(ended_why).unwrap_or_default(),
            at: row.needed(ended_at, "an RFC 3339 time", time)?,
        }),
        None => None,
    };
    Ok(Some(BaselineNote {
        reason,
        by: row.text(by).unwrap_or_default(),
        why: row.text(why).unwrap_or_default(),
        at: row.needed(at, "an RFC 3339 time", time)?,
        until: row.parsed(until, "an RFC 3339 time", time)?,
        own_tag: row.text(own_tag),
        ended,
    }))
}

/// A baseline of one loop.
#[derive(Debug, Clone, PartialEq)]
pub struct Baseline {
    pub from: UtcMicros,
    pub reason: BaselineReason,
    /// What a person said; `None` where a list of loops or the device itself brought it.
    pub note: Option<BaselineNote>,
    /// Device and range, where they are not those of the entry before.
    pub cells: Vec<ChangedCell>,
}

impl Baseline {
    fn of(before: Option<&LoopEntry>, entry: &LoopEntry) -> Option<Self> {
        let from = entry.valid_from?;
        let said = entry.baseline.as_ref().map(|n| n.reason);
        let seen = before.and_then(|b| BaselineReason::between(b, entry));
        let mut cells = before.map_or_else(Vec::new, |b| changed_cells(b, entry));
        cells.retain(|c| ABOUT.contains(&&*c.column));
        Some(Self {
            from,
            reason: said.or(seen)?,
            note: entry.baseline.clone(),
            cells,
        })
    }

    /// Does it count at `time`?
    pub fn holds(&self, time: UtcMicros) -> bool {
        let until = self.note.as_ref().and_then(BaselineNote::counts_until);
        self.from <= time && until.is_none_or(|until| time < until)
    }
}

impl Register {
    /// The loop's baselines in order of their begin.
    pub fn baselines(&self, tag: &Tag) -> Vec<Baseline> {
        let entries = self.entries(tag);
        let before = std::iter::once(None).chain(entries.iter().map(Some));
        before
            .zip(entries)
            .filter_map(|(before, entry)| Baseline::of(before, entry))
            .collect()
    }

    /// The newest baseline that counts at `time`; `None` = the history counts from its beginning.
    pub fn baseline_at(&self, tag: &Tag, time: UtcMicros) -> Option<Baseline> {
        let mut all = self.baselines(tag);
        all.retain(|b| b.holds(time));
        all.pop()
    }

    /// Notes who changed device or range, and why, with the entries that a change brought.
    pub(crate) fn say_baselines(&mut self, diff: &RegisterDiff, author: &Author, at: UtcMicros) {
        for changed in &diff.changed {
            let tag = Tag::new(&changed.tag).ok();
            let Some(history) = tag.and_then(|t| self.loops.get_mut(&t)) else {
                continue;
            };
            let mut entries = history.to_vec();
            let place = entries.iter().position(|e| {
                e.valid_from.is_some()
                    && e.valid_from.map(UtcMicros::to_rfc3339) == changed.valid_from
            });
            let Some((before, after)) = place.and_then(|i| {
                let (before, rest) = entries.split_at_mut(i);
                Some((before.last()?, rest.first_mut()?))
            }) else {
                continue;
            };
            if let Some(reason) = BaselineReason::between(before, after)
                && after.baseline.is_none()
            {
                after.baseline = Some(said(reason, author, at));
                *history = entries.into();
            }
        }
        self.settle();
    }

    /// The register with a baseline of `tag` that begins with `entry`.
    fn with_baseline(&self, entry: LoopEntry) -> Result<Self, StoreError> {
        let mut next = self.clone();
        let tag = entry.tag.clone();
        if let Some(from) = entry.valid_from
            && self.baselines(&tag).iter().any(|b| b.from == from)
        {
            return Err(refused("from: a baseline begins at that very time already"));
        }
        let mut entries = next.entries(&tag).to_vec();
        entries.retain(|e| e.valid_from != entry.valid_from);
        entries.push(entry);
        entries.sort_by_key(|e| e.valid_from);
        next.loops.insert(tag, entries.into());
        next.settle();
        Ok(next)
    }

    /// A copy of the entry in force at `from`, to begin a baseline with.
    fn copy_from(
        &self,
        tag: &Tag,
        from: UtcMicros,
        now: UtcMicros,
    ) -> Result<LoopEntry, StoreError> {
        if from > now {
            return Err(refused("from: is in the future"));
        }
        if self.is_retired(tag) {
            return Err(refused(format!(
                "the loop `{tag}` is retired: list it in the register again first"
            )));
        }
        if !self.contains(tag) {
            return Err(refused(format!("the register has no loop `{tag}`")));
        }
        let entry = self
            .at(tag, from)
            .ok_or_else(|| refused(format!("from: the register knows `{tag}` only since later")))?;
        Ok(LoopEntry {
            valid_from: Some(from),
            baseline: None,
            ..entry.clone()
        })
    }
}

/// A baseline as a person accepts it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct NewBaseline {
    /// `None` = from now.
    pub from: Option<UtcMicros>,
    /// From then on the baseline before counts again; `None` = until the next one.
    pub until: Option<UtcMicros>,
}

/// An accepted baseline that a person ends.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct EndOfBaseline {
    /// Its begin; `None` = the one that counts now.
    pub baseline: Option<UtcMicros>,
    /// From when it no longer counts; `None` = from now.
    pub from: Option<UtcMicros>,
}

/// A device that took another's place.
#[derive(Debug, Clone, PartialEq)]
pub struct Replacement {
    pub baseline: Baseline,
    /// The loop that carries on, as it is now.
    pub entry: LoopEntry,
    /// Where the device says otherwise than the register, which stands: column, register (`before`), device (`after`).
    pub differs: Vec<ChangedCell>,
}

impl Store {
    /// Begins a baseline of a loop, with who and why.
    ///
    /// # Errors
    /// [`StoreError::Refused`] for a time that cannot be used and for a loop that is not there; nothing has changed then.
    pub fn accept_baseline(
        &self,
        tag: &Tag,
        new: NewBaseline,
        author: &Author,
        now: UtcMicros,
    ) -> Result<Baseline, StoreError> {
        let mut writer = self.writer();
        let image = writer.state.image()?;
        let from = new.from.unwrap_or(now);
        let mut entry = image.register.copy_from(tag, from, now)?;
        if new.until.is_some_and(|until| until <= now) {
            return Err(refused("until: is not in the future"));
        }
        entry.baseline = Some(BaselineNote {
            until: new.until,
            ..said(BaselineReason::Accepted, author, now)
        });
        let next = image.register.with_baseline(entry)?;
        let begun = begun(&next, tag, from)?;
        let detail = serde_json::json!({
            "from": from.to_rfc3339(), "until": new.until.map(UtcMicros::to_rfc3339),
        });
        let record = record("baseline", Some(tag), author, now, &detail);
        self.keep_register(&mut writer, next, &record)?;
        Ok(begun)
    }

    /// Ends an accepted baseline before its date, with who and why: from `end.from` on the baseline before counts again.
    /// The baseline and what was said of it stay in the list.
    ///
    /// # Errors
    /// [`StoreError::Refused`] where there is none to end or the time cannot be used; nothing has changed then.
    pub fn end_baseline(
        &self,
        tag: &Tag,
        end: EndOfBaseline,
        author: &Author,
        now: UtcMicros,
    ) -> Result<Baseline, StoreError> {
        let mut writer = self.writer();
        let mut next = Register::clone(&writer.state.image()?.register);
        let baseline = match end.baseline {
            Some(from) => next.baselines(tag).into_iter().find(|b| b.from == from),
            None => next.baseline_at(tag, now),
        };
        let baseline = baseline.ok_or_else(|| {
            refused(match end.baseline {
                Some(_) => {
                    "baseline: none begins at that time; GET the loop's baselines lists them"
                }
                None => "no baseline of this loop counts now: there is none to end",
            })
        })?;
        let accepted = |n: &&BaselineNote| n.reason == BaselineReason::Accepted;
        let note = baseline.note.as_ref().filter(accepted).ok_or_else(|| {
            refused(format!(
                "baseline: only an accepted one can be ended, this one began because the device or the range is another \
                 (`{}`): correct the register instead",
                baseline.reason.as_str()
            ))
        })?;
        let from = end.from.unwrap_or(now);
        if from > now {
            return Err(refused("from: is in the future"));
        }
        if from < baseline.from {
            return Err(refused("from: the baseline had not begun by then"));
        }
        if note.counts_until().is_some_and(|until| until <= from) {
            return Err(refused("baseline: it has ended already"));
        }
        let note = BaselineNote {
            ended: Some(BaselineEnd {
                from,
                by: author.by.clone(),
                why: author.why.clone(),
                at: now,
            }),
            ..note.clone()
        };
        let mut entries = next.entries(tag).to_vec();
        for entry in &mut entries {
            if entry.valid_from == Some(baseline.from) {
                entry.baseline = Some(note.clone());
            }
        }
        next.loops.insert(tag.clone(), entries.into());
        next.settle();
        let ended = begun(&next, tag, baseline.from)?;
        let detail = serde_json::json!({
            "from": baseline.from.to_rfc3339(), "ended": from.to_rfc3339(),
        });
        let record = record("baseline-ended", Some(tag), author, now, &detail);
        self.keep_register(&mut writer, next, &record)?;
        Ok(ended)
    }

    /// Says that the device of the loop `newcomer` took the place of the device of `tag`: that loop carries on with it
    /// from `from` on (`None` = now), with a new baseline; `newcomer` is retired, and its readings stay where they are.
    ///
    /// # Errors
    /// [`StoreError::Refused`] where that cannot be; nothing has changed then.
    pub fn replace_device(
        &self,
        newcomer: &Tag,
        tag: &Tag,
        from: Option<UtcMicros>,
        author: &Author,
        now: UtcMicros,
    ) -> Result<Replacement, StoreError> {
        if newcomer == tag {
            return Err(refused("replaces: a loop cannot replace itself"));
        }
        let mut writer = self.writer();
        let image = writer.state.image()?;
        let register = &image.register;
        let device = register
            .current(newcomer)
            .filter(|_| !register.is_retired(newcomer))
            .ok_or_else(|| refused(format!("the register has no loop `{newcomer}` in use")))?;
        if device.device_type.is_none() || device.device_id.is_none() {
            return Err(refused(format!(
                "the register does not know the device of `{newcomer}`: type and device id are needed"
            )));
        }
        let from = from.unwrap_or(now);
        let mut entry = register.copy_from(tag, from, now)?;
        if register
            .entries(tag)
            .iter()
            .any(|e| e.valid_from > Some(from))
        {
            return Err(refused(format!(
                "from: the register has a later entry of `{tag}`; give a time after it"
            )));
        }
        let seen = changed_cells(&entry, device);
        let differs = seen
            .into_iter()
            .filter(|c| ["pv_unit", "lrv", "urv", "transfer", "damping_s"].contains(&&*c.column))
            .collect();
        entry.device_type = device.device_type;
        entry.device_revision = device.device_revision;
        entry.device_id = device.device_id;
        for (cell, seen) in [
            (&mut entry.gateway, &device.gateway),
            (&mut entry.modem, &device.modem),
            (&mut entry.channel, &device.channel),
        ] {
            if seen.is_some() {
                cell.clone_from(seen);
            }
        }
        entry.baseline = Some(BaselineNote {
            own_tag: Some(newcomer.to_string()),
            ..said(BaselineReason::Replaced, author, now)
        });
        let mut next = register.with_baseline(entry.clone())?;
        next.retired.insert(newcomer.clone());
        next.settle();
        let begun = begun(&next, tag, from)?;
        let detail: BTreeMap<&str, String> = BTreeMap::from([
            ("from", from.to_rfc3339()),
            ("own_tag", newcomer.to_string()),
        ]);
        let record = record("replaced", Some(tag), author, now, &detail);
        self.keep_register(&mut writer, next, &record)?;
        Ok(Replacement {
            baseline: begun,
            entry,
            differs,
        })
    }
}

/// What a person says with a baseline that has no date.
fn said(reason: BaselineReason, author: &Author, at: UtcMicros) -> BaselineNote {
    BaselineNote {
        reason,
        by: author.by.clone(),
        why: author.why.clone(),
        at,
        until: None,
        own_tag: None,
        ended: None,
    }
}

fn begun(register: &Register, tag: &Tag, from: UtcMicros) -> Result<Baseline, StoreError> {
    let found = register.baselines(tag).into_iter().find(|b| b.from == from);
    found.ok_or_else(|| refused("the baseline did not begin"))
}
