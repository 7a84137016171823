//! Device-specific status bits at loops and in findings: named by the site's notes, else by number.

use analytics_detect::{AttentionRow, AttentionTerms, Evidence, Finding, Kind};
use ingest_collect::{Sheet, SheetAnswer, SheetTable};
use ingest_model::{DeviceKey, Tag, UtcMicros};
use loopwitness::notes::DeviceNotes;
use loopwitness::ownstatus::{of_loop, tell};
use std::collections::BTreeMap;
use std::path::Path;

fn finding(kind: Kind, onset: i64, ended: Option<i64>) -> Finding {
    Finding {
        id: "x".to_owned(),
        kind,
        cause: None,
        signal: None,
        onset: UtcMicros(onset),
        onset_low: UtcMicros(onset),
        onset_high: UtcMicros(onset),
        ended: ended.map(UtcMicros),
        deviation_pct: None,
        rate_pct_per_day: None,
        reaches_tolerance_at: None,
        reaches_tolerance_low: None,
        reaches_tolerance_high: None,
        confidence: 0.9,
        ne107: None,
        common_cause: None,
        summary: "The device reports trouble.".to_owned(),
        evidence: BTreeMap::new(),
        checks: Vec::new(),
        cautions: Vec::new(),
    }
}

fn row(tag: &Tag, findings: Vec<Finding>) -> AttentionRow {
    AttentionRow {
        rank: 1,
        tag: tag.clone(),
        score: 0.5,
        why: "The device reports trouble.".to_owned(),
        terms: AttentionTerms {
            real: 0.9,
            purpose: 1.0,
            soon: 0.6,
            lasting: 1.0,
        },
        criticality: "indication",
        area: None,
        service: None,
        common_cause: None,
        findings,
    }
}

/// A family of the sample fleet answers command 48 at time 100.
fn sheets(tag: &Tag, own: [u8; 6]) -> SheetTable {
    let device = DeviceKey {
        device_type: 0xFA21,
        device_id: 7,
    };
    let mut head = Sheet::new("GW-1".into(), device);
    head.tag = Some(tag.clone());
    head.device_revision = Some(3);
    let mut data = own.to_vec();
    data.resize(25, 0);
    let answer = SheetAnswer {
        command: 48,
        request: &[],
        time: UtcMicros(100),
        response_code: 0,
        device_status: 0x90,
        data: &data,
    };
    let table = SheetTable::default();
    table.note(head, answer);
    table
}

#[test]
fn findings_and_loops_name_the_bits_that_notes_know_and_number_the_others() {
    let folder = Path::new(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../sample-fleet/notes"
    ));
    let notes = DeviceNotes::load(folder).unwrap();
    let (tag, other) = (Tag::new("PT-1").unwrap(), Tag::new("PT-2").unwrap());
    // A bit that its notes name, and one that none names.
    let sheets = sheets(&tag, [0x01, 0, 0, 0, 0, 0x20]);
    let named = "byte 0 bit 0: self-test of the electronics failed";
    let bits = [named, "byte 5 bit 5 (no note names it)"];
    assert_eq!(of_loop(&tag, &sheets, &notes), bits);
    assert!(of_loop(&other, &sheets, &notes).is_empty());
    // Without notes every bit keeps its number.
    assert_eq!(
        of_loop(&tag, &sheets, &DeviceNotes::default())[0],
        "byte 0 bit 0 (no note names it)"
    );
    let status = |onset, ended| finding(Kind::DeviceStatus, onset, ended);
    let mut rows = [
        row(
            &tag,
            vec![
                status(50, None),
                // Not of what has ended, of what began after the answer, or of what rests on something else.
                status(50, Some(80)),
                status(150, None),
                finding(Kind::StuckValue, 50, None),
            ],
        ),
        row(&other, vec![status(50, None)]),
    ];
    tell(&mut rows, &sheets, &notes);
    let told = format!(
        "The device reports trouble. Of its own status (command 48) it has set: {}.",
        bits.join(", ")
    );
    assert_eq!((&rows[0].why, &rows[0].findings[0].summary), (&told, &told));
    assert_eq!(
        rows[0].findings[0].evidence["own_status"],
        Evidence::Text(bits.join(", "))
    );
    for f in rows[0].findings[1..].iter().chain(&rows[1].findings) {
        assert_eq!(f.summary, "The device reports trouble.");
        assert!(f.evidence.is_empty());
    }
}

#[test]
fn a_sentence_names_four_bits_and_counts_the_rest() {
    let tag = Tag::new("PT-1").unwrap();
    let sheets = sheets(&tag, [0x3F, 0, 0, 0, 0, 0]);
    let mut rows = [row(&tag, vec![finding(Kind::StatusChatter, 50, None)])];
    tell(&mut rows, &sheets, &DeviceNotes::default());
    let said = &rows[0].findings[0].summary;
    assert!(
        said.ends_with("byte 0 bit 3 (no note names it), and 2 more."),
        "{said}"
    );
    assert_eq!(of_loop(&tag, &sheets, &DeviceNotes::default()).len(), 6);
}
