//! What people change: one loop, the whole register, announced work; each with who, when and why.

use crate::error::StoreError;
use crate::register::{ChangedCell, Register, RegisterDiff};
use crate::register_csv;
use crate::state::{Change, ListFrom};
use crate::store::{Store, Writer};
use crate::work::WorkWindow;
use ingest_model::{LoopEntry, Tag, UtcMicros};
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

/// Who changes something, and why.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Author {
    pub by: String,
    pub why: String,
}

/// A change that a person made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ChangeRecord {
    /// Counts up, without end; 0 while it is not recorded.
    pub id: i64,
    #[serde(serialize_with = "rfc3339")]
    pub at: UtcMicros,
    pub by: String,
    pub why: String,
    /// `loop`, `register`, `work`, `baseline`, `baseline-ended` or `replaced`.
    pub what: String,
    /// `None` where it concerns several loops.
    pub tag: Option<String>,
    /// What changed, as JSON.
    pub detail: String,
}

fn rfc3339<S: serde::Serializer>(at: &UtcMicros, s: S) -> Result<S::Ok, S::Error> {
    s.serialize_str(&at.to_rfc3339())
}

/// Changes to one loop.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LoopAmendment {
    /// By column of `loops.csv`; `None` empties the cell.
    pub cells: BTreeMap<String, Option<String>>,
    pub confirmed: Option<bool>,
    /// From when it holds; `None` = from now.
    pub valid_from: Option<UtcMicros>,
}

/// A loop after a change.
#[derive(Debug, Clone, PartialEq)]
pub struct AmendedLoop {
    pub entry: LoopEntry,
    /// Nothing changed where it is empty.
    pub cells: Vec<ChangedCell>,
    /// From when a later entry holds instead.
    pub valid_to: Option<UtcMicros>,
}

impl Store {
    /// Changes one loop: the entry in force is copied, changed, and holds from then on.
    ///
    /// # Errors
    /// [`StoreError::Refused`] for a cell that cannot be used; the store is then as before.
    pub fn amend_loop(
        &self,
        tag: &Tag,
        amendment: &LoopAmendment,
        author: &Author,
        now: UtcMicros,
    ) -> Result<AmendedLoop, StoreError> {
        let mut writer = self.writer();
        let image = writer.state.image()?;
        let register = &image.register;
        let from = amendment.valid_from;
        if from.is_some_and(|t| t > now) {
            return Err(refused("valid_from: is in the future"));
        }
        if register.is_retired(tag) {
            return Err(refused(
                "the loop is retired: list it in the register again first",
            ));
        }
        let base = match from {
            Some(t) => register.at(tag, t).or(register.entries(tag).first()),
            None => register.current(tag),
        };
        let base = base.ok_or_else(|| refused("the register has no such loop"))?;
        let entry = amended(base, amendment)?;
        let (mut next, diff) = register.with_entry(entry.clone(), now);
        next.say_baselines(&diff, author, now);
        let changed = diff.changed.into_iter().next();
        // A copy of the entry in force, from some time on, says nothing new.
        let mut cells: Vec<ChangedCell> = changed.map_or_else(Vec::new, |c| {
            let told = |cell: &ChangedCell| !["valid_from", "confirmed"].contains(&&*cell.column);
            c.cells.into_iter().filter(told).collect()
        });
        if entry.confirmed != base.confirmed {
            cells.push(ChangedCell {
                column: "confirmed".to_owned(),
                before: base.confirmed.to_string(),
                after: entry.confirmed.to_string(),
            });
        }
        if cells.is_empty() {
            return Ok(AmendedLoop {
                entry: base.clone(),
                cells,
                valid_to: None,
            });
        }
        let entries = next.entries(tag);
        let in_force = match from {
            Some(_) => entries.iter().find(|e| e.valid_from == from),
            None => entries.last(),
        };
        let entry = in_force.cloned().unwrap_or(entry);
        let valid_to = entries
            .iter()
            .filter_map(|e| e.valid_from)
            .find(|t| entry.valid_from.is_none_or(|from| *t > from));
        let record = record("loop", Some(tag), author, now, &cells);
        self.keep_register(&mut writer, next, &record)?;
        Ok(AmendedLoop {
            entry,
            cells,
            valid_to,
        })
    }

    /// Commits a register that a person changed, with the record of that change; only then is it in force.
    pub(crate) fn keep_register(
        &self,
        writer: &mut Writer,
        next: Register,
        record: &ChangeRecord,
    ) -> Result<(), StoreError> {
        let next = Arc::new(next);
        self.commit(
            writer,
            &Change {
                register: Some(&next),
                person: Some(record),
                ..Change::default()
            },
        )?;
        self.set_register(next);
        Ok(())
    }

    /// What a complete `loops.csv` would change, and the token that [`register_confirm`](Self::register_confirm) wants: it
    /// stands for this list against the register as it is.
    pub fn register_propose(
        &self,
        csv_text: &str,
        now: UtcMicros,
    ) -> Result<(RegisterDiff, String), StoreError> {
        let list = register_csv::parse(Path::new("loops.csv"), csv_text)?;
        let image = self.writer().state.image()?;
        let token = token(&image.register.version(), csv_text);
        Ok((image.register.with_list(list, now).1, token))
    }

    /// Takes a complete `loops.csv` whose difference was seen.
    ///
    /// # Errors
    /// [`StoreError::Stale`] when the list or the register is not the one that the token stands for.
    pub fn register_confirm(
        &self,
        csv_text: &str,
        token_seen: &str,
        author: &Author,
        now: UtcMicros,
    ) -> Result<RegisterDiff, StoreError> {
        let list = register_csv::parse(Path::new("loops.csv"), csv_text)?;
        let mut writer = self.writer();
        let image = writer.state.image()?;
        if token(&image.register.version(), csv_text) != token_seen {
            return Err(StoreError::Stale);
        }
        let (mut next, diff) = image.register.with_list(list, now);
        if diff.is_empty() {
            return Ok(diff);
        }
        next.say_baselines(&diff, author, now);
        let counts = serde_json::json!({
            "added": diff.added.len(), "changed": diff.changed.len(),
            "retired": diff.retired.len(), "returned": diff.returned.len(),
        });
        let record = record("register", None, author, now, &counts);
        self.keep_register(&mut writer, next, &record)?;
        Ok(diff)
    }

    /// Takes the register of `site.toml`, unless it is the one taken last time: what people changed since stays.
    /// `None`: it is.
    pub fn register_from_file(
        &self,
        csv_text: &str,
        now: UtcMicros,
    ) -> Result<Option<RegisterDiff>, StoreError> {
        let list = register_csv::parse(Path::new("loops.csv"), csv_text)?;
        let hash = list_hash(csv_text.as_bytes());
        let mut writer = self.writer();
        if writer.state.last_list(ListFrom::Register)?.as_ref() == Some(&hash) {
            return Ok(None);
        }
        let image = writer.state.image()?;
        let (next, diff) = image.register.with_list(list, now);
        let next = Arc::new(next);
        self.commit(
            &mut writer,
            &Change {
                register: (!diff.is_empty()).then_some(&next),
                list_taken: Some((ListFrom::Register, &hash)),
                ..Change::default()
            },
        )?;
        if !diff.is_empty() {
            self.set_register(next);
        }
        Ok(Some(diff))
    }

    /// Announces work as a person says it.
    pub fn announce(
        &self,
        window: &WorkWindow,
        by: &str,
        now: UtcMicros,
    ) -> Result<(), StoreError> {
        let author = Author {
            by: by.to_owned(),
            why: window.note.clone(),
        };
        let times = [window.from.to_rfc3339(), window.to.to_rfc3339()];
        let record = record("work", window.tag.as_ref(), &author, now, &times);
        let mut writer = self.writer();
        if writer.state.image()?.work.contains(window) {
            return Ok(());
        }
        self.commit(
            &mut writer,
            &Change {
                work: std::slice::from_ref(window),
                person: Some(&record),
                ..Change::default()
            },
        )
    }
}

/// The SHA-256 by which a list of loops taken from a file is known again.
pub(crate) fn list_hash(bytes: &[u8]) -> String {
    crate::dayfile::hex(Sha256::new_with_prefix(bytes))
}

fn token(version: &str, csv_text: &str) -> String {
    let mut hash = Sha256::new();
    hash.update(version.as_bytes());
    hash.update([0]);
    hash.update(csv_text.as_bytes());
    crate::dayfile::hex(hash).chars().take(32).collect()
}

pub(crate) fn refused(why: impl Into<String>) -> StoreError {
    StoreError::Refused { why: why.into() }
}

pub(crate) fn record(
    what: &str,
    tag: Option<&Tag>,
    author: &Author,
    at: UtcMicros,
    detail: &impl Serialize,
) -> ChangeRecord {
    ChangeRecord {
        id: 0,
        at,
        by: author.by.clone(),
        why: author.why.clone(),
        what: what.to_owned(),
        tag: tag.map(Tag::to_string),
        // Plain texts and numbers have a JSON form.
        detail: serde_json::to_string(detail).unwrap_or_default(),
    }
}

/// The entry with other cells, read the way `loops.csv` is.
fn amended(base: &LoopEntry, amendment: &LoopAmendment) -> Result<LoopEntry, StoreError> {
    let mut cells: BTreeMap<String, String> = register_csv::cells(base).into_iter().collect();
    cells.remove("valid_from");
    for (column, value) in &amendment.cells {
        match value.as_deref().map(str::trim).filter(|v| !v.is_empty()) {
            Some(value) => cells.insert(column.clone(), value.to_owned()),
            None => cells.remove(column),
        };
    }
    let mut entry = register_csv::from_cells(&cells).map_err(|e| match e {
        StoreError::Cell {
            column,
            value,
            wanted,
            ..
        } => refused(format!("{column}: `{value}` is not {wanted}")),
        StoreError::EmptyRange { value, .. } => refused(format!(
            "lrv, urv: both are {value}; a range needs two different ends"
        )),
        other => other,
    })?;
    entry.confirmed = amendment.confirmed.unwrap_or(base.confirmed);
    entry.valid_from = amendment.valid_from;
    Ok(entry)
}
