//! How well offset and span drift can be told apart at all: `form_limit [--fleets 40] [--seed 71001] [--out docs/form-limit.md]`.
//!
//! Drift fleets of seeds that nothing else uses are simulated, and each offset or span fault that is alone on its loop is
//! judged by one that is *given* the true onset and the true growth in time and has only to choose the form, on the same
//! sums that the program has: the form with the larger gain in weighted sum of squares, the likelihood's choice where the
//! noise is normal. What it gets wrong is not in the record. Beside it stands what the program says of the same faults.

use analytics_detect::context::{Context as FleetContext, ContextRows};
use analytics_detect::drift::fit::{self, Base, Form};
use analytics_detect::drift::{self, cause};
use analytics_detect::{HourBlock, LoopRecord, day_blocks};
use anyhow::Context;
use ingest_model::instant::MICROS_PER_DAY;
use ingest_model::{LoopEntry, UtcMicros};
use ingest_store::{Store, StoreReader};
use sample_fleet::{FaultTruth, FleetOptions, write_site};
use std::path::PathBuf;

const DRIFT: &str = "analog-digital-drift";
/// Length in days and poll period in seconds, in turn.
const SIZES: [(u32, u32); 3] = [(30, 120), (45, 300), (60, 600)];

#[derive(Default)]
struct Count {
    faults: usize,
    /// Wrong by the one who knows onset and growth.
    ideal: usize,
    /// Found by the program as either form, and of those wrong.
    found: usize,
    program: usize,
    /// Wrong by the ideal one among those that the program found.
    ideal_of_found: usize,
}

fn main() -> anyhow::Result<()> {
    let (mut fleets, mut seed, mut out) = (40_u64, 71_001_u64, None);
    let mut args = std::env::args().skip(1);
    while let Some(a) = args.next() {
        let value = args.next().with_context(|| format!("{a} needs a value"))?;
        match a.as_str() {
            "--fleets" => fleets = value.parse()?,
            "--seed" => seed = value.parse()?,
            "--out" => out = Some(PathBuf::from(value)),
            _ => anyhow::bail!("option {a} is not known"),
        }
    }
    let mut count = Count::default();
    for n in 0..fleets {
        one_fleet(seed + n, SIZES[n as usize % SIZES.len()], &mut count)?;
        eprintln!("{} of {fleets} fleets, {} faults", n + 1, count.faults);
    }
    let text = report(&count, fleets, seed);
    match out {
        Some(path) => std::fs::write(&path, text).with_context(|| path.display().to_string()),
        None => {
            eprintln!("{text}");
            Ok(())
        }
    }
}

fn one_fleet(seed: u64, (days, period_s): (u32, u32), count: &mut Count) -> anyhow::Result<()> {
    let dir = tempfile::tempdir()?;
    let to = UtcMicros::parse_rfc3339("2026-06-01T00:00:00Z")?;
    let options = FleetOptions {
        days,
        period_s: f64::from(period_s),
        loops: 40,
        profile: "drift".parse().map_err(anyhow::Error::msg)?,
        ..FleetOptions::new(seed, to)
    };
    let truth = write_site(dir.path(), &options, &mut |_| {})?;
    let at = dir.path().join("store");
    let store = Store::open(&at, "form_limit", to)?;
    store.import_site(&dir.path().join("site"), to, &mut |_| {})?;
    let snapshot = StoreReader::open(&at)?.snapshot()?;
    let from = snapshot.time_range().context("the fleet has no rows")?.0;
    let mut loops: Vec<(LoopEntry, Vec<HourBlock>)> = Vec::new();
    for tag in snapshot.register().tags() {
        let Some(entry) = snapshot.register().entries(tag).last() else {
            continue;
        };
        let mut blocks = Vec::new();
        for day in from.day()..=to.day() {
            let (a, b) = (day * MICROS_PER_DAY, (day + 1) * MICROS_PER_DAY);
            let rows = snapshot.read_loop(tag, UtcMicros(a), UtcMicros(b))?;
            if !rows.is_empty() {
                blocks.extend(day_blocks(entry, &rows.slice(0, rows.len())));
            }
        }
        loops.push((entry.clone(), blocks));
    }
    let rows: Vec<ContextRows> = loops
        .iter()
        .map(|(entry, blocks)| ContextRows::of(&LoopRecord { entry, blocks }))
        .collect();
    let context = FleetContext::join(&rows);
    for (entry, blocks) in &loops {
        let mine: Vec<&FaultTruth> = truth
            .faults
            .iter()
            .filter(|f| f.tag == entry.tag.as_str())
            .collect();
        if let [fault] = mine[..]
            && fault.kind == DRIFT
            && matches!(fault.cause, Some("offset" | "span"))
        {
            judge(&LoopRecord { entry, blocks }, fault, &context, to, count)?;
        }
    }
    Ok(())
}

fn judge(
    l: &LoopRecord<'_>,
    fault: &FaultTruth,
    context: &FleetContext,
    to: UtcMicros,
    count: &mut Count,
) -> anyhow::Result<()> {
    let cells = cause::means(&fit::cells(l.blocks, &|h| context.ambient(h), &|_| true));
    let onset = UtcMicros::parse_rfc3339(&fault.onset)?;
    let end = match &fault.end {
        Some(t) => UtcMicros::parse_rfc3339(t)?,
        None => UtcMicros(i64::MAX),
    };
    let middle = |c: &fit::Cell| UtcMicros::from_hour(c.hour).plus_s(fit::CELL_H as f64 * 1800.0);
    let grown = |i: usize| {
        let t = middle(&cells[i]);
        if t < onset || t >= end {
            return 0.0;
        }
        let x = (t.0 - onset.0) as f64 / ((to.0 - onset.0) as f64).max(1.0);
        grown(fault.profile, x)
    };
    let Some(base) = Base::fit(&cells) else {
        return Ok(());
    };
    let gain = |form| base.any_growth(&cells, form, 0, &grown).0;
    let span = fault.cause == Some("span");
    let ideal_wrong = (gain(Form::Span) > gain(Form::Offset)) != span;
    count.faults += 1;
    count.ideal += usize::from(ideal_wrong);
    let said = drift::detect(l, context, to, &[]).drafts;
    if let Some(form) = said
        .first()
        .and_then(|d| d.cause)
        .filter(|c| matches!(*c, "offset" | "span"))
    {
        count.found += 1;
        count.program += usize::from((form == "span") != span);
        count.ideal_of_found += usize::from(ideal_wrong);
    }
    Ok(())
}

/// The share of its size at the record's end that a fault has at the share `x` of its time, by the truth file's profile.
fn grown(profile: &str, x: f64) -> f64 {
    match profile {
        "step" => 1.0,
        "root" => x.sqrt(),
        "accelerating" => x * x,
        "saturating" => 1.0 - (-3.0 * x).exp(),
        // Seven stairs, each taken in the second half of its time.
        "stairs" => {
            let y = 7.0 * x;
            y.floor() + ((y.fract() - 0.5) * 2.0).max(0.0)
        }
        _ => x,
    }
}

fn report(c: &Count, fleets: u64, seed: u64) -> String {
    let pct = |part: usize, of: usize| 100.0 * part as f64 / (of.max(1)) as f64;
    format!(
        "# Offset or span: what can be known\n\n\
         Written by `target/debug/examples/form_limit --fleets {fleets} --seed {seed} --out docs/form-limit.md`; what is judged and how is in the head of\n\
         `tests/examples/form_limit.rs`. Simulated drift fleets, {fleets} of 40 loops, of seeds that nothing is chosen on.\n\n\
         | who chooses | faults | wrong | % |\n| --- | ---: | ---: | ---: |\n\
         | one who is given the true onset and growth | {} | {} | {:.1} |\n\
         | the same, of those that the program found as either form | {} | {} | {:.1} |\n\
         | the program, loop by loop (what shares a cause not yet asked) | {} | {} | {:.1} |\n",
        c.faults,
        c.ideal,
        pct(c.ideal, c.faults),
        c.found,
        c.ideal_of_found,
        pct(c.ideal_of_found, c.found),
        c.found,
        c.program,
        pct(c.program, c.found)
    )
}
