//! `loopwitness plan`: can the polling plan be met at 1200 bit/s, by gateway and modem?
//!
//! Counts the loops of the register on each modem and multiplies with the length of their reads on the wire
//! (`ingest_hart::plan`). A second master that is alive takes half of the time.

use crate::config::SiteConfig;
use ingest_hart::plan::{Periods, utilisation};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

/// Loops by (gateway, modem); a loop without a modem stands under an empty name.
type Segments = BTreeMap<(String, String), usize>;

#[derive(serde::Deserialize)]
struct Row {
    gateway: Option<String>,
    modem: Option<String>,
}

fn segments(register: &Path) -> Result<Segments, String> {
    let unreadable = |e: csv::Error| format!("cannot read {}: {e}", register.display());
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_path(register)
        .map_err(unreadable)?;
    let mut counts = Segments::new();
    for row in reader.deserialize::<Row>() {
        let row = row.map_err(unreadable)?;
        if let Some(gateway) = row.gateway.filter(|g| !g.is_empty()) {
            *counts
                .entry((gateway, row.modem.unwrap_or_default()))
                .or_default() += 1;
        }
    }
    Ok(counts)
}

/// Lines for people, and whether every segment's plan can be met.
pub fn explain(config: &SiteConfig) -> Result<(String, bool), String> {
    let register = config.register.as_deref().ok_or(
        "no register: plan counts the loops behind each modem in loops.csv, beside site.toml",
    )?;
    let counts = segments(register)?;
    let mut text = String::new();
    let mut all_met = true;
    for gateway in &config.gateways {
        let every_ms = u64::try_from(gateway.poll_every.as_millis()).unwrap_or(u64::MAX);
        let periods = Periods::every(every_ms);
        let _done = writeln!(
            text,
            "gateway {}, each loop every {:.1} s:",
            gateway.name,
            every_ms as f64 / 1000.0
        );
        let mine: Vec<_> = counts
            .iter()
            .filter(|((g, _), _)| *g == gateway.name)
            .collect();
        if mine.is_empty() {
            text.push_str("  no loop of the register names it\n");
        }
        for ((_, modem), loops) in mine {
            let modem = if modem.is_empty() {
                "(not named)"
            } else {
                modem
            };
            let busy = utilisation(*loops, &periods);
            let shortest_s = shortest_ms(*loops) as f64 / 1000.0;
            let verdict = if busy > 1.0 {
                all_met = false;
                format!("cannot be met; the shortest period is {shortest_s:.1} s")
            } else if busy > 0.5 {
                "met while no second master is alive".to_owned()
            } else {
                "met, also beside a second master".to_owned()
            };
            let _done = writeln!(
                text,
                "  modem {modem}: {loops} loops, line busy {:.0} %: {verdict}",
                busy * 100.0
            );
        }
    }
    if config.gateways.is_empty() {
        text.push_str("no gateway is configured\n");
    }
    Ok((text, all_met))
}

/// Shortest fast period that `loops` on one modem can keep, rounded up to 0.1 s.
fn shortest_ms(loops: usize) -> u64 {
    let mut ms = 100;
    while utilisation(loops, &Periods::every(ms)) > 1.0 && ms < 86_400_000 {
        ms += 100;
    }
    ms
}
