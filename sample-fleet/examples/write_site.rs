//! Writes a simulated site: `write_site OUT [--days 30] [--seed 1] [--loops 240] [--period 120] [--end RFC3339]
//! [--profile mixed] [--without reported_ma,counters]`. Its end is fixed, so that equal options write equal files.

use anyhow::{Context, bail};
use ingest_model::UtcMicros;
use sample_fleet::{FleetOptions, write_site};
use std::path::PathBuf;

fn main() -> anyhow::Result<()> {
    let mut opt = FleetOptions::new(1, UtcMicros::parse_rfc3339("2026-06-01T00:00:00Z")?);
    let mut out = None;
    let mut args = std::env::args().skip(1);
    while let Some(a) = args.next() {
        let mut value = || args.next().with_context(|| format!("{a} needs a value"));
        match a.as_str() {
            "--days" => opt.days = value()?.parse()?,
            "--seed" => opt.seed = value()?.parse()?,
            "--loops" => opt.loops = value()?.parse()?,
            "--period" => opt.period_s = value()?.parse()?,
            "--end" => opt.end = UtcMicros::parse_rfc3339(&value()?)?,
            "--profile" => opt.profile = value()?.parse().map_err(anyhow::Error::msg)?,
            "--without" => {
                let names = value()?;
                let absent = names.split(',').map(str::parse).collect::<Result<_, _>>();
                opt.without = absent.map_err(anyhow::Error::msg)?;
            }
            _ if a.starts_with('-') => bail!("option {a} is not known"),
            _ => out = Some(PathBuf::from(a)),
        }
    }
    let out = out.context("a folder to write to is missing")?;
    let truth = write_site(&out, &opt, &mut |_| {})?;
    eprintln!(
        "{}: {} loops, {} rows, {} faults, {} common causes",
        out.display(),
        truth.loops,
        truth.rows_written,
        truth.faults.len(),
        truth.common_causes.len()
    );
    Ok(())
}
