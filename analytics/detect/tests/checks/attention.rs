//! docs/attention.md against the code: the weights, every kind's urgency, and the worked example.

use crate::common::near;
use analytics_detect::attention::{Weights, score, terms};
use analytics_detect::{Evidence, Finding, Kind, Ne107, Signal};
use ingest_model::{Criticality, UtcMicros};
use std::collections::BTreeMap;

const PAGE: &str = include_str!("../../../../docs/attention.md");
const TOLERANCE: f64 = 0.5;

fn now() -> UtcMicros {
    UtcMicros::parse_rfc3339("2026-03-01T00:00:00Z").unwrap()
}

fn finding(kind: Kind) -> Finding {
    Finding {
        id: String::new(),
        kind,
        cause: None,
        signal: None,
        onset: now(),
        onset_low: now(),
        onset_high: now(),
        ended: None,
        deviation_pct: None,
        rate_pct_per_day: None,
        reaches_tolerance_at: None,
        reaches_tolerance_low: None,
        reaches_tolerance_high: None,
        confidence: 1.0,
        ne107: None,
        common_cause: None,
        summary: String::new(),
        evidence: BTreeMap::new(),
        checks: vec![],
        cautions: vec![],
    }
}

fn drift(deviation: f64) -> Finding {
    Finding {
        deviation_pct: Some(deviation),
        ..finding(Kind::AnalogDigitalDrift)
    }
}

fn stuck(signal: Signal) -> Finding {
    Finding {
        signal: Some(signal),
        ..finding(Kind::StuckValue)
    }
}

fn rail(cause: &'static str) -> Finding {
    Finding {
        cause: Some(cause),
        ..finding(Kind::CurrentOutOfRange)
    }
}

fn reports(class: Ne107) -> Finding {
    Finding {
        ne107: Some(class),
        ..finding(Kind::DeviceStatus)
    }
}

fn with(mut f: Finding, name: &'static str, v: Evidence) -> Finding {
    f.evidence.insert(name, v);
    f
}

fn soon(f: &Finding) -> f64 {
    terms(
        f,
        Criticality::Safety,
        TOLERANCE,
        now(),
        &Weights::default(),
    )
    .soon
}

fn table(head: &str) -> Vec<Vec<&'static str>> {
    let from = PAGE.find(head).unwrap_or_else(|| panic!("no table {head}"));
    PAGE[from..]
        .lines()
        .skip(2)
        .take_while(|l| l.starts_with('|'))
        .map(|l| l.trim_matches('|').split('|').map(str::trim).collect())
        .collect()
}

#[test]
fn weights_are_the_defaults() {
    let w = Weights::default();
    let line = format!(
        "weights = {{ safety = {:?}, control = {:?}, indication = {:?}, ended = {:?} }}",
        w.safety, w.control, w.indication, w.ended
    );
    assert!(PAGE.contains(&line), "docs/attention.md lacks `{line}`");
}

#[test]
fn urgency_is_as_the_page_says() {
    let by_share = |s: f64| {
        with(
            finding(Kind::RisingErrors),
            "failed_share_after",
            Evidence::Number(s),
        )
    };
    near(soon(&drift(0.2)), 0.15 + 0.25 * 0.4, 1e-12);
    near(soon(&drift(-0.8)), 0.4 + 0.12 * 0.6, 1e-12);
    near(soon(&drift(50.0)), 1.0, 1e-12);
    near(soon(&by_share(0.1)), 0.27, 1e-12);
    near(soon(&by_share(0.9)), 0.6, 1e-12);
    for (days, want) in [(3.0, 0.35), (12.0, 0.35 * (-5.0_f64 / 30.0).exp())] {
        let f = Finding {
            reaches_tolerance_at: Some(now().plus_s(days * 86_400.0)),
            ..drift(0.01)
        };
        near(soon(&f), want, 1e-9);
    }
    let current = |t: &str| {
        with(
            finding(Kind::NoReply),
            "current",
            Evidence::Text(t.to_owned()),
        )
    };
    let rows = table("| finding | `soon` |");
    for (name, f) in [
        ("failure current", rail("failure-low")),
        ("stuck analog value", stuck(Signal::Analog)),
        ("no reply, current gone", current("gone")),
        ("fixed current", finding(Kind::FixedCurrent)),
        ("stuck, both channels", stuck(Signal::Both)),
        ("device reports failure", reports(Ne107::Failure)),
        ("saturated current", rail("saturated-high")),
        ("stuck digital value", stuck(Signal::Digital)),
        ("no reply, current still there", current("still there")),
        (
            "device reports function check",
            reports(Ne107::FunctionCheck),
        ),
        ("noise change", finding(Kind::NoiseChange)),
        ("peer disagreement", finding(Kind::PeerDisagreement)),
        (
            "device reports out of specification",
            reports(Ne107::OutOfSpecification),
        ),
        ("restarts", finding(Kind::Restarts)),
        (
            "device reports maintenance required",
            reports(Ne107::MaintenanceRequired),
        ),
        ("status chatter", finding(Kind::StatusChatter)),
        (
            "configuration change alone",
            finding(Kind::ConfigurationChange),
        ),
        (
            "configuration change within fixed current",
            with(
                finding(Kind::ConfigurationChange),
                "fixed_current_min",
                Evidence::Number(20.0),
            ),
        ),
    ] {
        let row = rows
            .iter()
            .find(|r| r[0] == name)
            .unwrap_or_else(|| panic!("docs/attention.md lacks {name}"));
        near(row[1].parse().unwrap(), soon(&f), 1e-12);
    }
}

#[test]
fn the_worked_example_comes_out() {
    let example = [
        (Criticality::Safety, 0.95, drift(0.8)),
        (
            Criticality::Control,
            0.99,
            Finding {
                ended: Some(now()),
                ..rail("failure-high")
            },
        ),
        (Criticality::Indication, 0.97, stuck(Signal::Analog)),
        (
            Criticality::Control,
            0.9,
            Finding {
                reaches_tolerance_at: Some(
                    UtcMicros::parse_rfc3339("2026-03-13T00:00:00Z").unwrap(),
                ),
                ..drift(0.2)
            },
        ),
    ];
    let rows = table("| rank | tag | criticality");
    assert_eq!(rows.len(), example.len());
    let mut last = f64::INFINITY;
    for (row, (criticality, confidence, f)) in rows.iter().zip(example) {
        assert_eq!(row[2], criticality.as_str());
        let f = Finding { confidence, ..f };
        let t = terms(&f, criticality, TOLERANCE, now(), &Weights::default());
        let printed: Vec<f64> = row[4..].iter().map(|v| v.parse().unwrap()).collect();
        for (got, want) in [t.real, t.purpose, t.soon, t.lasting, score(&t)]
            .into_iter()
            .zip(printed)
        {
            near(got, want, 0.0005);
        }
        assert!(score(&t) < last, "the example is not in order of score");
        last = score(&t);
    }
    let weights = Weights {
        indication: 0.5,
        ..Weights::default()
    };
    let f = Finding {
        confidence: 0.97,
        ..stuck(Signal::Analog)
    };
    let t = terms(&f, Criticality::Indication, TOLERANCE, now(), &weights);
    near(score(&t), 0.461, 0.0005);
}
