//! The register of loops with its history, and how a newer list of loops changes it.

use crate::baseline;
use crate::register_csv::{cells, to_csv};
use crate::register_history::HistoryRow;
use ingest_model::{LoopEntry, Tag, UtcMicros};
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Every loop ever registered, each with its entries in order of `valid_from`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Register {
    /// Shared with the register before a change by all loops that did not change.
    pub(crate) loops: BTreeMap<Tag, Arc<[LoopEntry]>>,
    pub(crate) retired: BTreeSet<Tag>,
    version: String,
}

/// What a list of loops would change. Tags in order.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct RegisterDiff {
    pub added: Vec<String>,
    pub changed: Vec<ChangedLoop>,
    /// Missing from the list: kept and marked.
    pub retired: Vec<String>,
    /// Were retired and are listed again.
    pub returned: Vec<String>,
    pub unchanged: usize,
}

/// A loop that gets another entry, or an entry with other cells.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChangedLoop {
    pub tag: String,
    /// RFC 3339; `None` = from the beginning.
    pub valid_from: Option<String>,
    pub cells: Vec<ChangedCell>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChangedCell {
    pub column: String,
    pub before: String,
    pub after: String,
}

impl RegisterDiff {
    pub fn is_empty(&self) -> bool {
        self.added.is_empty()
            && self.changed.is_empty()
            && self.retired.is_empty()
            && self.returned.is_empty()
    }
}

impl Register {
    pub(crate) fn new(entries: Vec<LoopEntry>, retired: BTreeSet<Tag>) -> Self {
        let mut histories: BTreeMap<Tag, Vec<LoopEntry>> = BTreeMap::new();
        for entry in entries {
            histories.entry(entry.tag.clone()).or_default().push(entry);
        }
        let in_order = |(tag, mut history): (Tag, Vec<LoopEntry>)| {
            history.sort_by_key(|e| e.valid_from);
            (tag, history.into())
        };
        let mut register = Self {
            loops: histories.into_iter().map(in_order).collect(),
            retired,
            version: String::new(),
        };
        register.settle();
        register
    }

    /// After a change: the version anew.
    pub(crate) fn settle(&mut self) {
        let mut hash = Sha256::new();
        for (tag, history) in &self.loops {
            for entry in history.iter() {
                for (column, value) in cells(entry) {
                    hash.update(column.as_bytes());
                    hash.update([0]);
                    hash.update(value.as_bytes());
                    hash.update([0]);
                }
                for (column, value) in entry.baseline.iter().flat_map(baseline::cells) {
                    hash.update(column.as_bytes());
                    hash.update([1]);
                    hash.update(value.as_bytes());
                    hash.update([1]);
                }
                hash.update([
                    u8::from(entry.confirmed),
                    u8::from(self.retired.contains(tag)),
                ]);
            }
        }
        self.version = crate::dayfile::hex(hash).chars().take(16).collect();
    }

    /// All tags in order, retired ones too.
    pub fn tags(&self) -> impl Iterator<Item = &Tag> + '_ {
        self.loops.keys()
    }

    pub fn len(&self) -> usize {
        self.loops.len()
    }

    pub fn is_empty(&self) -> bool {
        self.loops.is_empty()
    }

    pub fn contains(&self, tag: &Tag) -> bool {
        self.loops.contains_key(tag)
    }

    /// The newest entry.
    pub fn current(&self, tag: &Tag) -> Option<&LoopEntry> {
        self.loops.get(tag)?.last()
    }

    /// The entry in force at a time; `None` before the first one holds.
    pub fn at(&self, tag: &Tag, time: UtcMicros) -> Option<&LoopEntry> {
        self.loops
            .get(tag)?
            .iter()
            .rev()
            .find(|e| e.valid_from.is_none_or(|from| from <= time))
    }

    /// All entries of a loop in order of `valid_from`.
    pub fn entries(&self, tag: &Tag) -> &[LoopEntry] {
        self.loops.get(tag).map_or(&[], |history| history)
    }

    pub fn is_retired(&self, tag: &Tag) -> bool {
        self.retired.contains(tag)
    }

    /// A hash that changes with any cell of any entry.
    pub fn version(&self) -> String {
        self.version.clone()
    }

    /// `loops.csv` of all loops that are not retired; reading it back changes nothing.
    pub fn to_csv(&self) -> String {
        let listed = self
            .loops
            .iter()
            .filter(|(tag, _)| !self.retired.contains(*tag));
        to_csv(listed.flat_map(|(_, history)| history.iter()))
    }

    /// `loops.csv` with one row a loop: what each is now, retired ones left out.
    pub(crate) fn current_csv(&self) -> String {
        let listed = self
            .loops
            .iter()
            .filter(|(tag, _)| !self.retired.contains(*tag));
        to_csv(listed.filter_map(|(_, history)| history.last()))
    }

    /// A site folder's register: the history, if it has one, and above it the list of loops. A row of the list that says
    /// the same as the newest of the history says nothing new, and does not confirm the loop.
    pub(crate) fn with_site(
        &self,
        history: Vec<HistoryRow>,
        list: Option<Vec<LoopEntry>>,
        now: UtcMicros,
    ) -> (Self, RegisterDiff) {
        let mut newest: BTreeMap<Tag, LoopEntry> = BTreeMap::new();
        for (entry, _) in &history {
            let known = newest
                .entry(entry.tag.clone())
                .or_insert_with(|| entry.clone());
            if known.valid_from <= entry.valid_from {
                *known = entry.clone();
            }
        }
        let (next, mut diff) = self.with_history(history, now);
        let Some(mut list) = list else {
            return (next, diff);
        };
        let tags: BTreeSet<Tag> = list.iter().map(|e| e.tag.clone()).collect();
        list.retain(|e| {
            newest
                .get(&e.tag)
                .is_none_or(|n| !changed_cells(n, e).is_empty())
        });
        let (next, of_list) = next.with_listed(&tags, list, now);
        diff.added.extend(of_list.added);
        diff.added.sort();
        diff.changed.extend(of_list.changed);
        diff.retired.extend(of_list.retired);
        diff.retired.sort();
        diff.returned.extend(of_list.returned);
        diff.returned.sort();
        let told: BTreeSet<&str> = diff
            .changed
            .iter()
            .map(|c| c.tag.as_str())
            .chain(diff.added.iter().map(String::as_str))
            .chain(diff.returned.iter().map(String::as_str))
            .collect();
        diff.unchanged = tags.iter().filter(|t| !told.contains(t.as_str())).count();
        (next, diff)
    }

    /// Entries of an exported register, each as it is.
    fn with_history(&self, history: Vec<HistoryRow>, now: UtcMicros) -> (Self, RegisterDiff) {
        let mut next = self.clone();
        let mut diff = RegisterDiff::default();
        let mut by_tag: BTreeMap<Tag, Vec<HistoryRow>> = BTreeMap::new();
        for row in history {
            by_tag.entry(row.0.tag.clone()).or_default().push(row);
        }
        for (tag, rows) in by_tag {
            let retired = rows.iter().any(|(_, retired)| *retired);
            match next.loops.get_mut(&tag) {
                None => {
                    let mut entries: Vec<LoopEntry> = rows.into_iter().map(|(e, _)| e).collect();
                    entries.sort_by_key(|e| e.valid_from);
                    diff.added.push(tag.to_string());
                    if retired {
                        next.retired.insert(tag.clone());
                    }
                    next.loops.insert(tag, entries.into());
                }
                Some(known) => {
                    for (entry, _) in rows {
                        diff.changed.extend(put(known, entry, true, now));
                    }
                    if retired && next.retired.insert(tag.clone()) {
                        diff.retired.push(tag.to_string());
                    } else if !retired && next.retired.remove(&tag) {
                        diff.returned.push(tag.to_string());
                    }
                }
            }
        }
        next.settle();
        (next, diff)
    }

    /// A complete list of loops as a person gives it (contract section 1). A changed loop without `valid_from` holds
    /// from `now`; a loop listed more than once brings its own history; loops not listed are retired, unless only a
    /// gateway ever showed them.
    pub(crate) fn with_list(&self, list: Vec<LoopEntry>, now: UtcMicros) -> (Self, RegisterDiff) {
        let tags = list.iter().map(|e| e.tag.clone()).collect();
        self.with_listed(&tags, list, now)
    }

    /// `tags` are listed; `list` has the rows of those that are to be looked at.
    fn with_listed(
        &self,
        tags: &BTreeSet<Tag>,
        list: Vec<LoopEntry>,
        now: UtcMicros,
    ) -> (Self, RegisterDiff) {
        let mut next = self.clone();
        let mut diff = RegisterDiff::default();
        let mut by_tag: BTreeMap<Tag, Vec<LoopEntry>> = BTreeMap::new();
        for entry in list {
            by_tag.entry(entry.tag.clone()).or_default().push(entry);
        }
        for tag in self.loops.keys() {
            let confirmed = self.current(tag).is_some_and(|e| e.confirmed);
            if confirmed && !tags.contains(tag) && next.retired.insert(tag.clone()) {
                diff.retired.push(tag.to_string());
            }
        }
        for (tag, mut listed) in by_tag {
            let returned = next.retired.remove(&tag);
            let Some(history) = next.loops.get_mut(&tag) else {
                listed.sort_by_key(|e| e.valid_from);
                diff.added.push(tag.to_string());
                next.loops.insert(tag, listed.into());
                continue;
            };
            let whole_history = listed.len() > 1;
            let before = diff.changed.len();
            for entry in listed {
                diff.changed.extend(put(history, entry, whole_history, now));
            }
            if returned {
                diff.returned.push(tag.to_string());
            } else if diff.changed.len() == before {
                diff.unchanged += 1;
            }
        }
        next.settle();
        (next, diff)
    }

    /// One loop as a person changes it.
    pub(crate) fn with_entry(&self, entry: LoopEntry, now: UtcMicros) -> (Self, RegisterDiff) {
        let mut next = self.clone();
        let mut diff = RegisterDiff::default();
        let tag = entry.tag.clone();
        match next.loops.get_mut(&tag) {
            Some(history) => diff.changed.extend(put(history, entry, false, now)),
            None => {
                diff.added.push(tag.to_string());
                next.loops.insert(tag.clone(), [entry].into());
            }
        }
        if next.retired.remove(&tag) {
            diff.returned.push(tag.to_string());
        }
        next.settle();
        (next, diff)
    }

    /// Loops that a gateway shows. A loop that a person confirmed is left as it is.
    pub(crate) fn with_shown(&self, shown: Vec<LoopEntry>, now: UtcMicros) -> (Self, RegisterDiff) {
        let mut next = self.clone();
        let mut diff = RegisterDiff::default();
        for mut entry in shown {
            entry.confirmed = false;
            match next.loops.get_mut(&entry.tag) {
                None => {
                    diff.added.push(entry.tag.to_string());
                    next.loops.insert(entry.tag.clone(), [entry].into());
                }
                Some(history) if history.last().is_some_and(|e| !e.confirmed) => {
                    if let Some(known) = history.last() {
                        keep_what_no_device_knows(&mut entry, known);
                    }
                    diff.changed.extend(put(history, entry, false, now));
                }
                Some(_) => diff.unchanged += 1,
            }
        }
        // Devices are shown all the time, and nearly always as they are known.
        if !diff.is_empty() {
            next.settle();
        }
        (next, diff)
    }
}

/// A person's cells stay in an entry that a device tells.
fn keep_what_no_device_knows(told: &mut LoopEntry, known: &LoopEntry) {
    let known = known.clone();
    told.host_lrv = known.host_lrv;
    told.host_urv = known.host_urv;
    told.tolerance_pct = known.tolerance_pct;
    told.criticality = known.criticality;
    told.area = known.area;
    told.modem = told.modem.take().or(known.modem);
    told.input_card = known.input_card;
    told.junction_box = known.junction_box;
    told.supply = known.supply;
    told.input_accuracy_pct = known.input_accuracy_pct;
    told.redundancy_group = known.redundancy_group;
    told.service = known.service;
    told.notes = known.notes;
}

/// Puts one entry into a loop's history; says what changed. `None`: nothing, and the history is the one it was.
fn put(
    history: &mut Arc<[LoopEntry]>,
    entry: LoopEntry,
    whole_history: bool,
    now: UtcMicros,
) -> Option<ChangedLoop> {
    let mut entries = history.to_vec();
    let changed = merge(&mut entries, entry, whole_history, now)?;
    *history = entries.into();
    Some(changed)
}

/// The same in a list; it is touched only where something changes.
fn merge(
    history: &mut Vec<LoopEntry>,
    mut entry: LoopEntry,
    whole_history: bool,
    now: UtcMicros,
) -> Option<ChangedLoop> {
    if entry.valid_from.is_none() && !whole_history {
        let current = history.last_mut()?;
        entry.valid_from = current.valid_from;
        let changed = changed_cells(current, &entry);
        if changed.is_empty() {
            if current.confirmed == entry.confirmed {
                return None;
            }
            // A person confirmed what the gateway showed: the same entry, not a new range.
            current.confirmed = entry.confirmed;
            return Some(describe(&entry, vec![confirmation(&entry)]));
        }
        entry.valid_from = Some(now);
        if current.valid_from == Some(now) {
            entry.baseline = entry.baseline.or(current.baseline.take());
            *current = entry.clone();
        } else {
            history.push(entry.clone());
            history.sort_by_key(|e| e.valid_from);
        }
        return Some(describe(&entry, changed));
    }
    if let Some(same) = history
        .iter_mut()
        .find(|e| e.valid_from == entry.valid_from)
    {
        let mut changed = changed_cells(same, &entry);
        if same.confirmed != entry.confirmed {
            changed.push(confirmation(&entry));
        }
        // A list of loops does not speak of baselines: what a person said of one stays.
        if entry.baseline.is_none() {
            entry.baseline.clone_from(&same.baseline);
        } else {
            // An older export does not know that a baseline has been ended since.
            let ended = same.baseline.as_ref().and_then(|b| b.ended.clone());
            if let Some(note) = &mut entry.baseline
                && note.ended.is_none()
            {
                note.ended = ended;
            }
            if entry.baseline != same.baseline {
                changed.push(baseline_cell(same, &entry));
            }
        }
        if changed.is_empty() {
            return None;
        }
        *same = entry.clone();
        return Some(describe(&entry, changed));
    }
    let before = history
        .iter()
        .rev()
        .find(|e| e.valid_from <= entry.valid_from)
        .or(history.first())?;
    let changed = changed_cells(before, &entry);
    history.push(entry.clone());
    history.sort_by_key(|e| e.valid_from);
    Some(describe(&entry, changed))
}

fn baseline_cell(before: &LoopEntry, after: &LoopEntry) -> ChangedCell {
    let word = |e: &LoopEntry| {
        e.baseline.as_ref().map_or_else(String::new, |b| {
            let ended = b
                .ended
                .as_ref()
                .map(|e| format!(", ended {}", e.from.to_rfc3339()));
            format!("{}{}", b.reason.as_str(), ended.unwrap_or_default())
        })
    };
    ChangedCell {
        column: "baseline".to_owned(),
        before: word(before),
        after: word(after),
    }
}

fn confirmation(entry: &LoopEntry) -> ChangedCell {
    ChangedCell {
        column: "confirmed".to_owned(),
        before: (!entry.confirmed).to_string(),
        after: entry.confirmed.to_string(),
    }
}

fn describe(entry: &LoopEntry, cells: Vec<ChangedCell>) -> ChangedLoop {
    ChangedLoop {
        tag: entry.tag.to_string(),
        valid_from: entry.valid_from.map(UtcMicros::to_rfc3339),
        cells,
    }
}

pub(crate) fn changed_cells(before: &LoopEntry, after: &LoopEntry) -> Vec<ChangedCell> {
    let map = |e| cells(e).into_iter().collect::<BTreeMap<String, String>>();
    let (before, after) = (map(before), map(after));
    let columns: BTreeSet<&String> = before.keys().chain(after.keys()).collect();
    columns
        .into_iter()
        .filter_map(|column| {
            let cell = |m: &BTreeMap<String, String>| m.get(column).cloned().unwrap_or_default();
            let (b, a) = (cell(&before), cell(&after));
            (b != a).then(|| ChangedCell {
                column: column.clone(),
                before: b,
                after: a,
            })
        })
        .collect()
}
