//! `loopwitness plan`: can the polling plan be met at 1200 bit/s, by gateway and modem?
//!
//! Counts the loops of the register on each modem and multiplies with the length of their reads on the wire
//! (`ingest_hart::plan`, `ingest_hart::timing`). Another master that is alive takes a turn after each of ours.

use crate::config::SiteConfig;
use ingest_hart::plan::{Periods, Poll};
use ingest_hart::timing::{Exchange, RT2_CHARACTERS, characters_ms, usual_exchange};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

/// Above this share of a modem's time a plan is refused: retries, slow answers and delayed responses need the rest.
pub const REFUSED_ABOVE: f64 = 0.8;
/// Above this it is warned of.
pub const WARNED_ABOVE: f64 = 0.6;

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

/// The reads that cost a device's modem time, with their exchange and period.
fn reads(periods: &Periods) -> Vec<(Poll, Exchange, u64)> {
    Poll::ALL
        .into_iter()
        .filter(|p| p.uses_wire() && !matches!(p, Poll::TagDescriptor | Poll::Assignments))
        .map(|p| (p, usual_exchange(p.command()), periods.of(p)))
        .collect()
}

fn name(poll: Poll) -> &'static str {
    match poll {
        Poll::Dynamic => "dynamic variables and current",
        Poll::Identity => "identity, configuration counter",
        Poll::Output => "range, transfer function, damping",
        Poll::LongTag => "long tag",
        Poll::TagDescriptor => "tag, descriptor, date",
        Poll::Assignments => "variable assignments",
        Poll::LoopMode => "loop current mode",
        Poll::AdditionalStatus => "additional status",
        Poll::Statistics => "statistics",
        Poll::Rest => "one of the other reads in turn",
    }
}

/// What one modem carries.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Load {
    /// Our share of its time, prompt answers.
    pub own: f64,
    /// What another master takes that uses its turn after each of our exchanges with a command 3.
    pub other: f64,
}

/// The load of a modem with so many loops.
pub fn load(loops: usize, periods: &Periods) -> Load {
    let other_ms = usual_exchange(3).fair_ms();
    let per_ms: f64 = reads(periods)
        .iter()
        .map(|(.., every)| 1.0 / *every as f64)
        .sum();
    Load {
        own: loops as f64 * periods.load(),
        other: loops as f64 * per_ms * other_ms,
    }
}

/// Lines for people, and whether every modem's plan can be met.
pub fn explain(config: &SiteConfig) -> Result<(String, bool), String> {
    let register = config.register.as_deref().ok_or(
        "no register: plan counts the loops behind each modem in loops.csv, beside site.toml",
    )?;
    let counts = segments(register)?;
    let mut text = String::new();
    let mut all_met = true;
    for gateway in &config.gateways {
        let every_ms = u64::try_from(gateway.poll_every.as_millis()).unwrap_or(u64::MAX);
        let mine: Vec<_> = counts
            .iter()
            .filter(|((g, _), _)| *g == gateway.name)
            .map(|((_, modem), loops)| (modem.as_str(), *loops))
            .collect();
        all_met &= gateway_lines(&mut text, &gateway.name, every_ms, &mine);
    }
    if config.gateways.is_empty() {
        text.push_str("no gateway is configured\n");
    }
    Ok((text, all_met))
}

fn gateway_lines(text: &mut String, name_of: &str, every_ms: u64, mine: &[(&str, usize)]) -> bool {
    let periods = Periods::every(every_ms);
    // Writing into a String does not fail.
    let _done = writeln!(
        text,
        "gateway {name_of}, each loop every {:.1} s:",
        every_ms as f64 / 1000.0
    );
    let _done = writeln!(
        text,
        "  command  characters      ms  with link grant  every s  share of a modem for one loop"
    );
    for (poll, exchange, every) in reads(&periods) {
        let characters = exchange.characters();
        let _done = writeln!(
            text,
            "  {:>7}  {characters:>10}  {:>6.1}  {:>15.1}  {:>7.1}  {:>6.3} %  {}",
            poll.command(),
            characters_ms(characters),
            exchange.fair_ms(),
            every as f64 / 1000.0,
            100.0 * exchange.fair_ms() / every as f64,
            name(poll),
        );
    }
    let _done = writeln!(
        text,
        "  (link grant {RT2_CHARACTERS} characters; a device may take 28 characters, {:.0} ms, longer to answer)",
        characters_ms(28)
    );
    if mine.is_empty() {
        text.push_str("  no loop of the register names it\n");
    }
    let (mut met, mut exchanges) = (true, 0.0);
    for (modem, loops) in mine {
        let modem = if modem.is_empty() {
            "(not named)"
        } else {
            modem
        };
        let l = load(*loops, &periods);
        let per_s: f64 = reads(&periods)
            .iter()
            .map(|(.., e)| 1_000.0 / *e as f64)
            .sum();
        exchanges += per_s * *loops as f64;
        met &= l.own <= REFUSED_ABOVE;
        let _done = writeln!(
            text,
            "  modem {modem}: {loops} loops, line busy {:.0} %, with another master {:.0} %: {}",
            100.0 * l.own,
            100.0 * (l.own + l.other),
            verdict(*loops, &periods, l)
        );
    }
    let loops: usize = mine.iter().map(|(_, n)| n).sum();
    let _done = writeln!(
        text,
        "  in all: {loops} loops, {exchanges:.2} exchanges a second on {} modems",
        mine.len()
    );
    met
}

fn verdict(loops: usize, periods: &Periods, l: Load) -> String {
    let to_fit = |share: f64| {
        let fitting = (share / periods.load()).floor() as usize;
        let mut ways = Vec::new();
        if let Some(ms) = shortest_ms(loops, share) {
            ways.push(format!("poll every {:.1} s", ms as f64 / 1000.0));
        }
        if fitting > 0 && fitting < loops {
            ways.push(format!(
                "move {} of {loops} loops to another modem",
                loops - fitting
            ));
        }
        // All but the fast read: what is left out of the slow plan at most.
        let slow = periods.load() - usual_exchange(3).fair_ms() / periods.dynamic_ms as f64;
        let slow = 100.0 * slow * loops as f64;
        format!(
            "{} (the slow reads are only {slow:.0} %)",
            ways.join(", or ")
        )
    };
    if l.own > REFUSED_ABOVE {
        format!(
            "cannot be met, above {:.0} %; to fit: {}",
            100.0 * REFUSED_ABOVE,
            to_fit(REFUSED_ABOVE)
        )
    } else if l.own > WARNED_ABOVE {
        format!(
            "met, but above {:.0} % retries make it late; better: {}",
            100.0 * WARNED_ABOVE,
            to_fit(WARNED_ABOVE)
        )
    } else if l.own + l.other > 1.0 {
        "met while no other master is alive; beside one it is late".to_owned()
    } else {
        "met, also beside another master".to_owned()
    }
}

/// Shortest fast period at which `loops` on one modem take no more than `share`, rounded up to 0.1 s.
fn shortest_ms(loops: usize, share: f64) -> Option<u64> {
    (1..=36_000)
        .map(|tenth| tenth * 100)
        .find(|ms| load(loops, &Periods::every(*ms)).own <= share)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn characters_and_milliseconds_of_the_standard() {
        // HCF_SPEC-81: 54 characters for a full command 3, 495.0 ms, 568.3 ms with link grant; 0 with a long address.
        let mut text = String::new();
        assert!(gateway_lines(&mut text, "north", 30_000, &[("m1", 12)]));
        let fast = text.lines().find(|l| l.contains("dynamic")).unwrap();
        let words: Vec<&str> = fast.split_whitespace().take(5).collect();
        assert_eq!(words, ["3", "54", "495.0", "568.3", "30.0"]);
        assert!(text.contains("      48          55   504.2"), "{text}");
    }

    #[test]
    fn refused_above_80_warned_above_60_beside_another_master() {
        let lines = |loops, every_s: u64| {
            let mut text = String::new();
            let met = gateway_lines(&mut text, "north", every_s * 1_000, &[("m1", loops)]);
            (met, text)
        };
        // 12 loops every 30 s: 12 x 0.5683 / 30 = 22.7 %, identity 12 x 0.550 / 60 = 11.0 %, the others 5.4 %.
        let l = load(12, &Periods::every(30_000));
        assert!(
            (0.38..0.40).contains(&l.own) && l.other > 0.9 * l.own,
            "{l:?}"
        );
        assert!(lines(12, 30).1.contains("met, also beside another master"));
        assert!(lines(12, 16).1.contains("met while no other master"));
        let (met, text) = lines(12, 12);
        assert!(met && text.contains("met, but above 60 %"), "{text}");
        let (met, text) = lines(12, 8);
        assert!(!met && text.contains("cannot be met, above 80 %"), "{text}");
        // What is proposed fits.
        let ms = shortest_ms(12, REFUSED_ABOVE).unwrap();
        assert!(load(12, &Periods::every(ms)).own <= REFUSED_ABOVE);
        assert!(load(12, &Periods::every(ms - 100)).own > REFUSED_ABOVE);
        assert!(
            text.contains(&format!("poll every {:.1} s", ms as f64 / 1000.0)),
            "{text}"
        );
    }
}
