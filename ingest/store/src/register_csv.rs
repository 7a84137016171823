//! `loops.csv` (contract section 1, RFC 4180) to entries and back, with errors that name line, column and value.

use crate::baseline;
use crate::error::{StoreError, short};
use ingest_model::{Criticality, LoopEntry, Range, Tag, Transfer, UtcMicros};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::Path;

pub(crate) const COLUMNS: [&str; 24] = [
    "tag",
    "pv_unit",
    "lrv",
    "urv",
    "transfer",
    "host_lrv",
    "host_urv",
    "damping_s",
    "tolerance_pct",
    "criticality",
    "area",
    "gateway",
    "modem",
    "channel",
    "input_card",
    "junction_box",
    "supply",
    "input_accuracy_pct",
    "device_type",
    "device_revision",
    "device_id",
    "multidrop",
    "redundancy_group",
    "service",
];
const NEEDED: [&str; 4] = ["tag", "pv_unit", "lrv", "urv"];

/// Non-empty cells of an entry, named as in `loops.csv`, notes last. `confirmed` has no cell. Empty is the same as missing.
pub(crate) fn cells(e: &LoopEntry) -> Vec<(String, String)> {
    let number = |v: Option<f64>| v.map(|v| v.to_string());
    let values = [
        Some(e.tag.to_string()),
        Some(e.pv_unit.clone()),
        number(Some(e.range.lrv)),
        number(Some(e.range.urv)),
        Some(e.range.transfer.to_string()),
        number(e.host_lrv),
        number(e.host_urv),
        number(e.damping_s),
        number(Some(e.tolerance_pct)),
        Some(e.criticality.as_str().to_owned()),
        e.area.clone(),
        e.gateway.clone(),
        e.modem.clone(),
        e.channel.clone(),
        e.input_card.clone(),
        e.junction_box.clone(),
        e.supply.clone(),
        number(e.input_accuracy_pct),
        e.device_type.map(|v| format!("0x{v:04X}")),
        e.device_revision.map(|v| v.to_string()),
        e.device_id.map(|v| format!("0x{v:06X}")),
        Some(e.multidrop.to_string()),
        e.redundancy_group.clone(),
        e.service.clone(),
    ];
    let named = COLUMNS
        .iter()
        .zip(values)
        .filter_map(|(c, v)| v.map(|v| ((*c).to_owned(), v)))
        .filter(|(_, v)| !v.is_empty());
    let from = e
        .valid_from
        .map(|t| ("valid_from".to_owned(), t.to_rfc3339()));
    named.chain(from).chain(e.notes.iter().cloned()).collect()
}

/// Entries as a `loops.csv`.
pub(crate) fn to_csv<'a>(entries: impl Iterator<Item = &'a LoopEntry>) -> String {
    let rows: Vec<BTreeMap<String, String>> =
        entries.map(|e| cells(e).into_iter().collect()).collect();
    let known = |c: &str| COLUMNS.contains(&c) || c == "valid_from";
    let notes: BTreeSet<&str> = rows
        .iter()
        .flat_map(|r| r.keys())
        .map(String::as_str)
        .filter(|c| !known(c))
        .collect();
    let header: Vec<&str> = COLUMNS
        .iter()
        .copied()
        .chain(["valid_from"])
        .chain(notes)
        .collect();
    table(&header, &rows)
}

/// Rows as CSV; cells that a row lacks are empty.
pub(crate) fn table(header: &[&str], rows: &[BTreeMap<String, String>]) -> String {
    let mut out = csv::Writer::from_writer(Vec::new());
    let mut write = || -> csv::Result<()> {
        out.write_record(header)?;
        for row in rows {
            out.write_record(
                header
                    .iter()
                    .map(|c| row.get(*c).map_or("", String::as_str)),
            )?;
        }
        Ok(())
    };
    // Writing rows of equal length into memory has no way to fail.
    let _ = write();
    out.into_inner()
        .ok()
        .and_then(|bytes| String::from_utf8(bytes).ok())
        .unwrap_or_default()
}

/// Reads a `loops.csv`; `file` is only for messages.
pub(crate) fn parse(file: &Path, text: &str) -> Result<Vec<LoopEntry>, StoreError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .from_reader(text.as_bytes());
    let unreadable = |why: String| StoreError::Unreadable {
        file: file.to_owned(),
        why,
    };
    let header: Vec<String> = reader
        .headers()
        .map_err(|e| unreadable(e.to_string()))?
        .iter()
        .map(|c| c.trim().to_owned())
        .collect();
    if let Some(column) = NEEDED.into_iter().find(|c| !header.iter().any(|h| h == c)) {
        return Err(StoreError::MissingColumn {
            file: file.to_owned(),
            column,
        });
    }
    for (n, column) in header.iter().enumerate() {
        if !column.is_empty() && header.iter().take(n).any(|c| c == column) {
            return Err(StoreError::RepeatedColumn {
                file: file.to_owned(),
                column: column.clone(),
            });
        }
    }
    let mut entries = Vec::new();
    let mut seen: HashMap<(Tag, Option<UtcMicros>), u64> = HashMap::new();
    for record in reader.records() {
        let record = record.map_err(|e| unreadable(e.to_string()))?;
        let line = record.position().map_or(0, csv::Position::line);
        if record.len() != header.len() {
            return Err(unreadable(format!(
                "line {line} has {} cells, the header {}; quote cells that hold a comma",
                record.len(),
                header.len()
            )));
        }
        let row: BTreeMap<&str, &str> = header
            .iter()
            .map(String::as_str)
            .zip(record.iter().map(str::trim))
            .filter(|(column, value)| !column.is_empty() && !value.is_empty())
            .collect();
        let entry = entry(&Row {
            file,
            line,
            cells: &row,
        })?;
        let key = (entry.tag.clone(), entry.valid_from);
        if let Some(first) = seen.insert(key, line) {
            let tag = entry.tag.to_string();
            return Err(StoreError::RepeatedTag {
                file: file.to_owned(),
                line,
                first,
                tag,
            });
        }
        entries.push(entry);
    }
    Ok(entries)
}

/// An entry as the state database keeps it.
pub(crate) fn to_json(e: &LoopEntry) -> String {
    let mut map: serde_json::Map<String, serde_json::Value> =
        cells(e).into_iter().map(|(c, v)| (c, v.into())).collect();
    map.insert("\u{0}confirmed".to_owned(), e.confirmed.into());
    for (column, value) in e.baseline.iter().flat_map(baseline::cells) {
        map.insert(format!("\u{0}{column}"), value.into());
    }
    serde_json::Value::Object(map).to_string()
}

pub(crate) fn from_json(file: &Path, text: &str) -> Result<LoopEntry, StoreError> {
    let map: BTreeMap<String, serde_json::Value> =
        serde_json::from_str(text).map_err(|e| StoreError::Unreadable {
            file: file.to_owned(),
            why: format!("register entry: {e}"),
        })?;
    // A control character cannot be the name of a column, so a note called `confirmed` is not mistaken.
    let confirmed = map
        .get("\u{0}confirmed")
        .and_then(serde_json::Value::as_bool)
        .unwrap_or(true);
    let cells: BTreeMap<&str, &str> = map
        .iter()
        .filter_map(|(c, v)| Some((c.as_str(), v.as_str()?)))
        .collect();
    let named = cells
        .iter()
        .filter(|(c, _)| !c.starts_with('\u{0}'))
        .map(|(c, v)| (*c, *v))
        .collect();
    let mut entry = entry(&Row {
        file,
        line: 0,
        cells: &named,
    })?;
    entry.confirmed = confirmed;
    let said: BTreeMap<&str, &str> = cells
        .iter()
        .filter_map(|(c, v)| Some((c.strip_prefix('\u{0}')?, *v)))
        .collect();
    entry.baseline = baseline::note(&Row {
        file,
        line: 0,
        cells: &said,
    })?;
    Ok(entry)
}

/// An entry from named cells, none of them empty.
pub(crate) fn from_cells(cells: &BTreeMap<String, String>) -> Result<LoopEntry, StoreError> {
    let cells: BTreeMap<&str, &str> = cells
        .iter()
        .map(|(c, v)| (c.as_str(), v.as_str()))
        .collect();
    entry(&Row {
        file: Path::new("loops.csv"),
        line: 0,
        cells: &cells,
    })
}

pub(crate) struct Row<'a> {
    pub file: &'a Path,
    pub line: u64,
    pub cells: &'a BTreeMap<&'a str, &'a str>,
}

impl Row<'_> {
    pub(crate) fn text(&self, column: &str) -> Option<String> {
        self.cells.get(column).map(|v| (*v).to_owned())
    }

    fn refuse(&self, column: &str, wanted: &str) -> StoreError {
        StoreError::Cell {
            file: self.file.to_owned(),
            line: self.line,
            column: column.to_owned(),
            value: self.cells.get(column).map(|v| short(v)).unwrap_or_default(),
            wanted: wanted.to_owned(),
        }
    }

    pub(crate) fn parsed<T>(
        &self,
        column: &str,
        wanted: &str,
        parse: impl Fn(&str) -> Option<T>,
    ) -> Result<Option<T>, StoreError> {
        match self.cells.get(column) {
            None => Ok(None),
            Some(value) => parse(value)
                .map(Some)
                .ok_or_else(|| self.refuse(column, wanted)),
        }
    }

    pub(crate) fn needed<T>(
        &self,
        column: &str,
        wanted: &str,
        parse: impl Fn(&str) -> Option<T>,
    ) -> Result<T, StoreError> {
        self.parsed(column, wanted, parse)?
            .ok_or_else(|| self.refuse(column, wanted))
    }
}

fn finite(text: &str) -> Option<f64> {
    text.parse().ok().filter(|v: &f64| v.is_finite())
}

fn hex(text: &str) -> Option<u32> {
    u32::from_str_radix(
        text.strip_prefix("0x")
            .or_else(|| text.strip_prefix("0X"))?,
        16,
    )
    .ok()
}

pub(crate) fn entry(row: &Row<'_>) -> Result<LoopEntry, StoreError> {
    const NUMBER: &str = "a number (decimal point, no unit)";
    let positive = |column: &str| {
        row.parsed(column, "a number above 0", |t| {
            finite(t).filter(|v| *v > 0.0)
        })
    };
    let tag = row.needed("tag", "1 to 32 printable characters", |t| Tag::new(t).ok())?;
    let unit = row.needed("pv_unit", "an engineering unit", |t| Some(t.to_owned()))?;
    let lrv = row.needed("lrv", NUMBER, finite)?;
    let urv = row.needed("urv", NUMBER, finite)?;
    if lrv == urv {
        return Err(StoreError::EmptyRange {
            file: row.file.to_owned(),
            line: row.line,
            value: lrv,
        });
    }
    let transfer = row.parsed(
        "transfer",
        "`linear`, `square-root` or a transfer function code 0 to 255",
        |t| match t {
            "linear" => Some(Transfer::Linear),
            "square-root" => Some(Transfer::SquareRoot),
            code => code.parse().ok().map(Transfer::from_code),
        },
    )?;
    let mut e = LoopEntry::new(
        tag,
        &unit,
        Range {
            lrv,
            urv,
            transfer: transfer.unwrap_or_default(),
        },
    );
    e.host_lrv = row.parsed("host_lrv", NUMBER, finite)?;
    e.host_urv = row.parsed("host_urv", NUMBER, finite)?;
    if e.host_lrv.unwrap_or(lrv) == e.host_urv.unwrap_or(urv) {
        return Err(row.refuse("host_urv", "another number than host_lrv"));
    }
    e.damping_s = row.parsed("damping_s", "a number of seconds, 0 or more", |t| {
        finite(t).filter(|v| *v >= 0.0)
    })?;
    e.tolerance_pct = positive("tolerance_pct")?.unwrap_or(e.tolerance_pct);
    e.criticality = row
        .parsed(
            "criticality",
            "`safety`, `control` or `indication`",
            Criticality::parse,
        )?
        .unwrap_or_default();
    e.area = row.text("area");
    e.gateway = row.text("gateway");
    e.modem = row.text("modem");
    e.channel = row.text("channel");
    e.input_card = row.text("input_card");
    e.junction_box = row.text("junction_box");
    e.supply = row.text("supply");
    e.input_accuracy_pct = positive("input_accuracy_pct")?;
    e.device_type = row.parsed("device_type", "a hexadecimal code like 0x1A2B", |t| {
        hex(t).and_then(|v| u16::try_from(v).ok())
    })?;
    e.device_revision = row.parsed("device_revision", "a whole number 0 to 255", |t| {
        t.parse().ok()
    })?;
    e.device_id = row.parsed(
        "device_id",
        "a 24-bit hexadecimal identifier like 0x0A1B2C",
        |t| hex(t).filter(|v| *v <= 0xFF_FFFF),
    )?;
    e.multidrop = row
        .parsed("multidrop", "`true` or `false`", |t| {
            t.to_ascii_lowercase().parse().ok()
        })?
        .unwrap_or(false);
    e.redundancy_group = row.text("redundancy_group");
    e.service = row.text("service");
    e.valid_from = row.parsed(
        "valid_from",
        "an RFC 3339 time like 2026-03-02T14:05:00Z",
        |t| UtcMicros::parse_rfc3339(t).ok(),
    )?;
    let known = |c: &str| COLUMNS.contains(&c) || c == "valid_from";
    // The map is in order of names, so equal notes compare equal whatever the order of columns.
    e.notes = row
        .cells
        .iter()
        .filter(|(c, _)| !known(c))
        .map(|(c, v)| ((*c).to_owned(), (*v).to_owned()))
        .collect();
    Ok(e)
}
