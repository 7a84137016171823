//! A site folder read back: it agrees with the live plant, its counters wrap and reset, its truth is in the rows.

use crate::device::seconds;
use crate::devices::LiveFleet;
use crate::fleet::Fleet;
use crate::wire::Devices;
use crate::{FleetOptions, Profile, Truth, write_site};
use arrow_array::Array;
use arrow_array::cast::AsArray;
use arrow_array::types::{
    Float32Type, TimestampMillisecondType, UInt8Type, UInt16Type, UInt32Type,
};
use ingest_model::UtcMicros;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

#[derive(Debug, Clone, Copy, PartialEq)]
struct Row {
    time: UtcMicros,
    pv: Option<f32>,
    reported_ma: Option<f32>,
    analog_ma: f32,
    analog_time: UtcMicros,
    code: Option<u8>,
    status: Option<u8>,
    counters: Option<(u32, u32)>,
    config: Option<u16>,
}

/// A cell, if it is not null.
macro_rules! at {
    ($column:ident, $i:ident) => {
        $column.is_valid($i).then(|| $column.value($i))
    };
}

fn options(loops: u32, days: u32) -> FleetOptions {
    FleetOptions {
        loops,
        days,
        // Not at midnight: the first and last day are parts.
        ..FleetOptions::new(3, UtcMicros::parse_rfc3339("2026-06-01T10:30:00Z").unwrap())
    }
}

fn written(opt: &FleetOptions) -> (tempfile::TempDir, Truth) {
    let dir = tempfile::tempdir().unwrap();
    let mut shares = Vec::new();
    let truth = write_site(dir.path(), opt, &mut |share| shares.push(share)).unwrap();
    assert_eq!(shares.last(), Some(&1.0));
    assert!(shares.windows(2).all(|w| w[0] < w[1]));
    (dir, truth)
}

/// All rows as they are in the files: by tag, in the order of the files' names.
fn rows_of_files(dir: &Path) -> BTreeMap<String, Vec<Row>> {
    let mut files: Vec<_> = std::fs::read_dir(dir.join("site/readings"))
        .unwrap()
        .map(|f| f.unwrap().path())
        .collect();
    files.sort();
    let mut out: BTreeMap<String, Vec<Row>> = BTreeMap::new();
    for path in files {
        let file = std::fs::File::open(path).unwrap();
        for batch in ParquetRecordBatchReaderBuilder::try_new(file)
            .unwrap()
            .build()
            .unwrap()
        {
            let b = batch.unwrap();
            let c = |name: &str| b.column_by_name(name).unwrap();
            let time = c("time").as_primitive::<TimestampMillisecondType>();
            let sampled = c("analog_time").as_primitive::<TimestampMillisecondType>();
            let float = |name: &str| c(name).as_primitive::<Float32Type>();
            let byte = |name: &str| c(name).as_primitive::<UInt8Type>();
            let count = |name: &str| c(name).as_primitive::<UInt32Type>();
            let (pv, reported, analog) = (float("pv"), float("reported_ma"), float("analog_ma"));
            let (code, status) = (byte("response_code"), byte("device_status"));
            let (exchanges, errors) = (count("exchanges"), count("comm_errors"));
            let config = c("config_changes").as_primitive::<UInt16Type>();
            let tags = c("tag").as_string::<i32>();
            for (i, tag) in tags.iter().enumerate() {
                out.entry(tag.unwrap().to_owned()).or_default().push(Row {
                    time: UtcMicros(time.value(i) * 1_000),
                    pv: at!(pv, i),
                    reported_ma: at!(reported, i),
                    analog_ma: analog.value(i),
                    analog_time: UtcMicros(sampled.value(i) * 1_000),
                    code: at!(code, i),
                    status: at!(status, i),
                    counters: at!(exchanges, i).zip(at!(errors, i)),
                    config: at!(config, i),
                });
            }
        }
    }
    out
}

/// What is left after the exchange contract's rules: of equal times the later file's, in order of time; no unknown tags.
fn read(dir: &Path) -> BTreeMap<String, Vec<Row>> {
    let register = std::fs::read_to_string(dir.join("site/loops.csv")).unwrap();
    let known: Vec<&str> = register
        .lines()
        .filter_map(|l| l.split(',').next())
        .collect();
    rows_of_files(dir)
        .into_iter()
        .filter(|(tag, _)| known.contains(&tag.as_str()))
        .map(|(tag, rows)| {
            let by_time: BTreeMap<UtcMicros, Row> = rows.into_iter().map(|r| (r.time, r)).collect();
            (tag, by_time.into_values().collect())
        })
        .collect()
}

#[test]
fn a_few_rows_are_late_corrected_or_under_an_unknown_tag() {
    let opt = FleetOptions {
        period_s: 30.0,
        ..options(120, 2)
    };
    let (dir, truth) = written(&opt);
    let all = rows_of_files(dir.path());
    let kept = read(dir.path());
    let count = |rows: &BTreeMap<String, Vec<Row>>| rows.values().map(Vec::len).sum::<usize>();
    assert_eq!(count(&all) as u64, truth.rows_written);
    assert_eq!(count(&kept) as u64, truth.readings);
    assert!(
        truth.rows_repeated > 100 && truth.rows_unknown_tag > 3,
        "{truth:?}"
    );
    let unknown: u64 = all
        .iter()
        .filter(|(tag, _)| !kept.contains_key(*tag))
        .map(|(_, rows)| rows.len() as u64)
        .sum();
    assert_eq!(unknown, truth.rows_unknown_tag);
    let late = |d: &str| dir.path().join(format!("site/readings/{d}_late.parquet"));
    assert!(late("2026-05-31").exists());
}

#[test]
fn history_is_what_the_live_side_serves_at_that_time() {
    let opt = options(60, 1);
    let (dir, truth) = written(&opt);
    let rows = read(dir.path());
    assert_eq!(rows.len(), 60);
    assert_eq!(
        rows.values().map(Vec::len).sum::<usize>() as u64,
        truth.readings
    );
    let live = LiveFleet::new(Fleet::build(&opt).unwrap(), Vec::new());
    let fleet = Fleet::build(&opt).unwrap();
    let mut compared = 0;
    let mut most_off_ms = 0;
    for (index, card) in live.cards().iter().enumerate() {
        let rows = &rows[&card.tag];
        assert!(rows.windows(2).all(|w| w[0].time < w[1].time), "times rise");
        for r in rows {
            let s = live.state(index, r.time);
            assert_eq!(
                r.code.is_some_and(|c| c < 0x80),
                s.answers && !s.exchange_fails
            );
            // Stamped by the host's clock, which is off.
            let off_ms = fleet.host_clock_error_ms(seconds(r.time));
            let sampled = UtcMicros(r.analog_time.0 - off_ms * 1_000);
            most_off_ms = most_off_ms.max(off_ms);
            assert_eq!(r.analog_ma, live.analog_ma(index, sampled) as f32);
            assert!(sampled <= r.time && r.time.seconds_since(sampled) <= 30.0);
            if r.code == Some(0) {
                assert_eq!(
                    (r.pv, r.reported_ma, r.status),
                    (Some(s.pv), Some(s.loop_ma), Some(s.device_status))
                );
                assert!(r.config.is_none_or(|c| c == s.config_counter));
                compared += 1;
            }
        }
    }
    assert!(compared > 35_000, "{compared}");
    assert!((1..9_000).contains(&most_off_ms), "{most_off_ms}");
}

#[test]
fn counters_wrap_reset_and_count_every_exchange() {
    let (dir, truth) = written(&options(80, 10));
    let reboot = truth.events.iter().find(|e| e.what == "reboot").unwrap();
    let (down, up) = (
        UtcMicros::parse_rfc3339(&reboot.from).unwrap(),
        UtcMicros::parse_rfc3339(&reboot.to).unwrap(),
    );
    let (mut wraps, mut resets) = (0, 0);
    for (tag, rows) in read(dir.path()) {
        let mut silent = 0;
        let mut before: Option<(UtcMicros, u32, u32)> = None;
        for r in rows {
            let behind = reboot.tags.contains(&tag);
            assert!(
                !behind || r.time < down || r.time >= up,
                "{tag}: a row while its gateway was down"
            );
            silent += 1;
            let Some((n, errors)) = r.counters else {
                continue;
            };
            if let Some((t, m, errors_before)) = before {
                if behind && t < down && r.time >= up {
                    assert!(n <= silent && errors <= n, "{tag} counts from zero");
                    resets += 1;
                } else {
                    assert_eq!(n, (m + silent) % 65_536, "{tag} at {}", r.time);
                    let failed = (errors + 65_536 - errors_before) % 65_536;
                    assert!(failed >= silent - 1 && failed <= silent);
                    wraps += u32::from(n < m);
                }
            }
            before = Some((r.time, n, errors));
            silent = 0;
        }
    }
    assert!(wraps > 0 && resets >= 15, "{wraps} wraps, {resets} resets");
}

#[test]
fn truth_is_in_the_contracts_words_and_in_the_rows() {
    let (dir, truth) = written(&options(240, 2));
    let text = std::fs::read_to_string(dir.path().join("truth.json")).unwrap();
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(json["loops"], 240);
    assert_eq!(json["faults"].as_array().unwrap().len(), truth.faults.len());
    let time = |t: &str| UtcMicros::parse_rfc3339(t).unwrap();
    for f in &truth.faults {
        assert!(
            time(&f.onset) >= time(&truth.from) && time(&f.onset) < time(&truth.to),
            "{f:?}"
        );
        assert!(f.end.as_ref().is_none_or(|e| time(e) >= time(&f.onset)));
    }
    for c in &truth.common_causes {
        assert!(c.tags.len() >= 3);
        for tag in &c.tags {
            assert!(
                truth
                    .faults
                    .iter()
                    .any(|f| f.tag == *tag && f.common.as_ref() == Some(&c.id))
            );
        }
    }
    let rows = read(dir.path());
    let after = |variant: &str| {
        let f = truth.faults.iter().find(|f| f.variant == variant).unwrap();
        let onset = time(&f.onset);
        let mut later = rows[&f.tag]
            .iter()
            .filter(move |r| r.analog_time > onset.plus_s(60.0))
            .peekable();
        assert!(later.peek().is_some(), "{variant} has rows");
        later
    };
    for r in after("broken-wire") {
        assert!(r.code.is_none() && r.analog_ma < 0.05);
    }
    for r in after("fixed").filter(|r| r.code == Some(0)) {
        assert_eq!(r.reported_ma, Some(12.0));
        assert_eq!(r.status.map(|s| s & 0x08), Some(0x08));
    }
    for r in after("fail-high") {
        assert!(r.analog_ma >= 21.0);
    }
    let held: BTreeSet<u32> = after("stuck-digital")
        .filter_map(|r| r.pv)
        .map(f32::to_bits)
        .collect();
    assert_eq!(held.len(), 1);
    for r in after("stuck-analog") {
        let first = after("stuck-analog").next().unwrap().analog_ma;
        assert!((r.analog_ma - first).abs() < 0.05);
    }
}

/// Kinds, causes and signals of the contract, section 3; device status takes the NE 107 words as its causes.
const CONTRACT: [(&str, &[&str]); 12] = [
    (
        "analog-digital-drift",
        &[
            "offset",
            "span",
            "supply-limited",
            "scaling",
            "intermittent",
            "host_scale",
        ],
    ),
    ("stuck-value", &["digital", "analog", "both"]),
    ("rising-errors", &[]),
    ("no-reply", &[]),
    ("fixed-current", &[]),
    (
        "current-out-of-range",
        &[
            "saturated-low",
            "saturated-high",
            "failure-low",
            "failure-high",
        ],
    ),
    ("noise-change", &["rise", "collapse"]),
    (
        "device-status",
        &[
            "failure",
            "function-check",
            "out-of-specification",
            "maintenance-required",
        ],
    ),
    ("status-chatter", &[]),
    ("restarts", &[]),
    ("configuration-change", &[]),
    ("peer-disagreement", &[]),
];

#[test]
fn scripted_and_mixed_fleets_have_every_kind_and_cause_of_the_contract() {
    let base = FleetOptions {
        period_s: 600.0,
        ..options(240, 30)
    };
    for (name, opt) in [
        ("sable-point", base.clone()),
        (
            "mixed",
            FleetOptions {
                profile: Profile::Mixed,
                ..base
            },
        ),
    ] {
        let (_dir, truth) = written(&opt);
        let seen: Vec<&crate::FaultTruth> =
            truth.faults.iter().filter(|f| !f.undetectable).collect();
        for (kind, words) in CONTRACT {
            assert!(seen.iter().any(|f| f.kind == kind), "{name}: no {kind}");
            for word in words {
                let has = |f: &&&crate::FaultTruth| {
                    f.kind == kind
                        && (f.cause == Some(*word)
                            || f.signal == Some(*word)
                            || (*word == "host_scale" && f.host_scale))
                };
                assert!(seen.iter().any(|f| has(&f)), "{name}: no {kind} {word}");
            }
        }
        for f in &truth.faults {
            let words = CONTRACT.iter().find(|(k, _)| *k == f.kind).unwrap().1;
            for word in [f.cause, f.signal].into_iter().flatten() {
                assert!(words.contains(&word), "{name}: {} {word}", f.kind);
            }
        }
        if name == "sable-point" {
            let mut on = BTreeMap::new();
            for f in &truth.faults {
                *on.entry(&f.tag).or_insert(0) += 1;
            }
            assert!(on.values().any(|n| *n == 2), "a loop with two faults");
            let hidden = truth.faults.iter().filter(|f| f.undetectable).count();
            assert!(hidden == 0, "{hidden} scripted faults leave no trace");
        }
    }
}

#[test]
fn columns_can_be_left_out() {
    let opt = FleetOptions {
        without: vec![crate::Absent::ReportedMa, crate::Absent::Counters],
        ..options(20, 1)
    };
    let (dir, truth) = written(&opt);
    let file = std::fs::File::open(dir.path().join("site/readings/2026-05-31.parquet")).unwrap();
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).unwrap();
    let names: Vec<&str> = reader
        .schema()
        .fields()
        .iter()
        .map(|f| f.name().as_str())
        .collect();
    for gone in ["reported_ma", "exchanges", "comm_errors"] {
        assert!(!names.contains(&gone), "{gone}");
    }
    assert!(names.contains(&"pv") && names.contains(&"device_status"));
    assert!(truth.faults.iter().all(|f| f.kind != "fixed-current"));
}

#[test]
fn equal_options_write_equal_files() {
    let opt = options(12, 1);
    let (a, truth) = written(&opt);
    let (b, again) = written(&opt);
    assert_eq!(truth, again);
    for name in [
        "site/loops.csv",
        "site/work.csv",
        "site/readings/2026-06-01.parquet",
        "truth.json",
    ] {
        let file = |d: &tempfile::TempDir| std::fs::read(d.path().join(name)).unwrap();
        assert_eq!(file(&a), file(&b), "{name}");
    }
    let other = FleetOptions { seed: 4, ..opt };
    assert_ne!(written(&other).1, truth);
}

#[test]
fn healthy_fleet_and_wrong_options() {
    let (_dir, truth) = written(&FleetOptions {
        profile: Profile::Healthy,
        ..options(30, 1)
    });
    assert!(truth.faults.is_empty() && truth.common_causes.is_empty());
    let dir = tempfile::tempdir().unwrap();
    for wrong in [
        FleetOptions {
            loops: 0,
            ..options(1, 1)
        },
        FleetOptions {
            days: 0,
            ..options(1, 1)
        },
        FleetOptions {
            period_s: f64::NAN,
            ..options(1, 1)
        },
    ] {
        assert!(write_site(dir.path(), &wrong, &mut |_| {}).is_err());
    }
}
