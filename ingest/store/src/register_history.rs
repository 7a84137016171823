//! `register-history.csv` of an exported site folder: every entry of every loop, retired and unconfirmed ones too, so that
//! an import of an export has the same register. `loops.csv` beside it says what each loop is now.
//!
//! Columns as in `loops.csv`, then `valid_from`, `confirmed`, `retired`, what a person said of a baseline that begins with
//! the entry, and each note under `note:NAME`.

use crate::baseline;
use crate::error::{StoreError, short};
use crate::register::Register;
use crate::register_csv::{COLUMNS, Row, cells, entry};
use ingest_model::LoopEntry;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

pub(crate) const FILE: &str = "register-history.csv";
const NOTE: &str = "note:";

/// An entry, and whether its loop is retired.
pub(crate) type HistoryRow = (LoopEntry, bool);

pub(crate) fn to_csv(register: &Register) -> String {
    let mut rows: Vec<BTreeMap<String, String>> = Vec::new();
    for tag in register.tags() {
        for entry in register.entries(tag) {
            let named = cells(entry).into_iter().map(|(column, value)| {
                if is_known(&column) {
                    (column, value)
                } else {
                    (format!("{NOTE}{column}"), value)
                }
            });
            let mut row: BTreeMap<String, String> = named.collect();
            let said = entry.baseline.iter().flat_map(baseline::cells);
            row.extend(said.map(|(column, value)| (column.to_owned(), value)));
            row.insert("confirmed".to_owned(), entry.confirmed.to_string());
            row.insert("retired".to_owned(), register.is_retired(tag).to_string());
            rows.push(row);
        }
    }
    let notes: BTreeSet<&str> = rows
        .iter()
        .flat_map(|r| r.keys())
        .map(String::as_str)
        .filter(|c| c.starts_with(NOTE))
        .collect();
    let header: Vec<&str> = COLUMNS
        .iter()
        .copied()
        .chain(["valid_from", "confirmed", "retired"])
        .chain(baseline::COLUMNS)
        .chain(notes)
        .collect();
    crate::register_csv::table(&header, &rows)
}

fn is_known(column: &str) -> bool {
    COLUMNS.contains(&column) || column == "valid_from"
}

pub(crate) fn parse(file: &Path, text: &str) -> Result<Vec<HistoryRow>, StoreError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let unreadable = |e: csv::Error| StoreError::Unreadable {
        file: file.to_owned(),
        why: e.to_string(),
    };
    let header = reader.headers().map_err(unreadable)?.clone();
    for column in ["tag", "confirmed", "retired"] {
        if !header.iter().any(|h| h == column) {
            return Err(StoreError::MissingColumn {
                file: file.to_owned(),
                column,
            });
        }
    }
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.map_err(unreadable)?;
        let line = record.position().map_or(0, csv::Position::line);
        // Values as they are: this file is not typed by hand, and a space may belong to a note.
        let all: BTreeMap<&str, &str> = header.iter().zip(record.iter()).collect();
        let flag = |column: &str| -> Result<bool, StoreError> {
            let value = all.get(column).copied().unwrap_or("");
            value.parse().map_err(|_| StoreError::Cell {
                file: file.to_owned(),
                line,
                column: column.to_owned(),
                value: short(value),
                wanted: "`true` or `false`".to_owned(),
            })
        };
        let cells: BTreeMap<&str, &str> = all
            .iter()
            .filter(|(_, value)| !value.is_empty())
            .filter_map(|(column, value)| match column.strip_prefix(NOTE) {
                Some(note) if !is_known(note) => Some((note, *value)),
                _ => is_known(column).then_some((*column, *value)),
            })
            .collect();
        let mut entry = entry(&Row {
            file,
            line,
            cells: &cells,
        })?;
        let said: BTreeMap<&str, &str> = all
            .iter()
            .map(|(column, value)| (*column, *value))
            .filter(|(column, value)| baseline::COLUMNS.contains(column) && !value.is_empty())
            .collect();
        entry.baseline = baseline::note(&Row {
            file,
            line,
            cells: &said,
        })?;
        entry.confirmed = flag("confirmed")?;
        rows.push((entry, flag("retired")?));
    }
    Ok(rows)
}
