//! Announced work: `work.csv` (contract section 1).

use crate::error::StoreError;
use ingest_model::{Tag, UtcMicros};
use std::path::Path;

/// Planned work on a loop, or on all of them; what it explains is no finding.
#[derive(Debug, Clone, PartialEq)]
pub struct WorkWindow {
    /// `None` = every loop (`*`).
    pub tag: Option<Tag>,
    pub from: UtcMicros,
    pub to: UtcMicros,
    pub note: String,
}

/// A row that could not be used: (line, tag, reason).
pub(crate) type WorkReject = (u64, String, String);

pub(crate) fn parse(
    file: &Path,
    text: &str,
    known: &dyn Fn(&Tag) -> bool,
) -> Result<(Vec<WorkWindow>, Vec<WorkReject>), StoreError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .from_reader(text.as_bytes());
    let unreadable = |e: csv::Error| StoreError::Unreadable {
        file: file.to_owned(),
        why: e.to_string(),
    };
    let header = reader.headers().map_err(unreadable)?.clone();
    let place = |column: &'static str| -> Result<usize, StoreError> {
        header
            .iter()
            .position(|h| h.trim() == column)
            .ok_or_else(|| StoreError::MissingColumn {
                file: file.to_owned(),
                column,
            })
    };
    let (tag, from, to) = (place("tag")?, place("from")?, place("to")?);
    let note = place("note").ok();
    let (mut windows, mut rejects) = (Vec::new(), Vec::new());
    for record in reader.records() {
        let record = record.map_err(unreadable)?;
        let cell = |n: usize| record.get(n).unwrap_or("").trim();
        let window = || -> Result<WorkWindow, String> {
            let tag = match cell(tag) {
                "*" => None,
                text => Some(Tag::new(text).map_err(|e| e.to_string())?),
            };
            if tag.as_ref().is_some_and(|t| !known(t)) {
                return Err("unknown tag".to_owned());
            }
            let time = |n: usize| UtcMicros::parse_rfc3339(cell(n)).map_err(|e| e.to_string());
            let (from, to) = (time(from)?, time(to)?);
            if to <= from {
                return Err("`to` is not after `from`".to_owned());
            }
            Ok(WorkWindow {
                tag,
                from,
                to,
                note: note.map_or("", cell).to_owned(),
            })
        };
        match window() {
            Ok(w) => windows.push(w),
            Err(why) => rejects.push((
                record.position().map_or(0, csv::Position::line),
                cell(tag).to_owned(),
                why,
            )),
        }
    }
    Ok((windows, rejects))
}

/// Windows as a `work.csv`.
pub(crate) fn to_csv(windows: &[&WorkWindow]) -> String {
    let rows: Vec<_> = windows
        .iter()
        .map(|w| {
            let cells = [
                ("tag", w.tag.as_ref().map_or("*".to_owned(), Tag::to_string)),
                ("from", w.from.to_rfc3339()),
                ("to", w.to.to_rfc3339()),
                ("note", w.note.clone()),
            ];
            cells.map(|(c, v)| (c.to_owned(), v)).into()
        })
        .collect();
    crate::register_csv::table(&["tag", "from", "to", "note"], &rows)
}
