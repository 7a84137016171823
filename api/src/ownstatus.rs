//! What devices say in bits of their own, beside the loops and the findings that rest on their status.
//!
//! Readings hold the two status bytes that mean the same for all devices. The device-specific bytes of command 48 are on
//! the sheets of the running collector, and their names in the site's notes: so a result is told of them when the service
//! puts it in place; `assess` on the same store, which is a function of readings alone, is not. Bits that no note names
//! keep their number. They change no verdict.

use crate::notes::{DeviceNotes, own_bits};
use analytics_detect::{AttentionRow, Evidence, Finding, Kind};
use ingest_collect::{Sheet, SheetTable};
use ingest_model::{Tag, UtcMicros};

/// Bits that a sentence names; the loop has them all.
const MOST_IN_A_SENTENCE: usize = 4;

fn bits(sheet: &Sheet, notes: &DeviceNotes) -> Option<(UtcMicros, Vec<String>)> {
    let status = sheet.newest(48)?;
    let note = notes.of(sheet.device.device_type, sheet.device_revision);
    Some((status.time, own_bits(status.data, note)))
}

/// The device-specific bits that a loop's device had set when it was last asked.
pub fn of_loop(tag: &Tag, sheets: &SheetTable, notes: &DeviceNotes) -> Vec<String> {
    let said = sheets.look(tag, |sheet| bits(sheet, notes)).flatten();
    said.map(|(_, bits)| bits).unwrap_or_default()
}

/// Adds them to what is found on the status of devices.
pub fn tell(rows: &mut [AttentionRow], sheets: &SheetTable, notes: &DeviceNotes) {
    for row in rows {
        if !row.findings.iter().any(rests_on_status) {
            continue;
        }
        let said = sheets.look(&row.tag, |sheet| bits(sheet, notes)).flatten();
        let Some((at, bits)) = said.filter(|(_, bits)| !bits.is_empty()) else {
            continue;
        };
        for f in row.findings.iter_mut().filter(|f| rests_on_status(f)) {
            // What was said before it began tells nothing of it.
            if at < f.onset {
                continue;
            }
            let before = f.summary.clone();
            f.summary = format!("{before} {}", sentence(&bits));
            if row.why == before {
                row.why.clone_from(&f.summary);
            }
            f.evidence
                .insert("own_status", Evidence::Text(bits.join(", ")));
        }
    }
}

fn rests_on_status(f: &Finding) -> bool {
    matches!(f.kind, Kind::DeviceStatus | Kind::StatusChatter) && f.ended.is_none()
}

fn sentence(bits: &[String]) -> String {
    let named = bits.get(..MOST_IN_A_SENTENCE).unwrap_or(bits).join(", ");
    match bits.len().saturating_sub(MOST_IN_A_SENTENCE) {
        0 => format!("Of its own status (command 48) it has set: {named}."),
        more => format!("Of its own status (command 48) it has set: {named}, and {more} more."),
    }
}
