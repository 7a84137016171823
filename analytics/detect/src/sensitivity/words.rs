//! Words of the numbers: what would be found, how soon, how often; or why nothing would be.

use super::{Detectable, Fault};
use ingest_model::LoopEntry;

fn pct(v: f64) -> String {
    format!("{v:.2} %")
}

fn what(f: Fault) -> &'static str {
    match f {
        Fault::OffsetGrowing => "An offset that grows",
        Fault::OffsetStep => "An offset that comes at once",
        Fault::SpanGrowing => "A span error that grows",
        Fault::SpanStep => "A span error that comes at once",
        Fault::StuckDigital => "A digital value that stops",
        Fault::StuckAnalog => "A current that stops",
        Fault::StuckBoth => "Both stopping together",
        Fault::MoreErrors => "A rise of failed exchanges",
        Fault::NoiseRise => "A rise of scatter",
        Fault::NoiseCollapse => "A fall of scatter",
    }
}

pub(super) fn says(d: &Detectable, entry: &LoopEntry) -> String {
    let n = d.within_days;
    let Some(size) = d.size else {
        return format!(
            "{}: nothing is known to be found within {n} days ({}).",
            what(d.fault),
            d.blind.as_deref().unwrap_or("no reason known")
        );
    };
    let often = "in 9 of 10 cases";
    match d.fault {
        Fault::OffsetGrowing => format!(
            "{} to {} of span would be found within {n} days {often}{}.",
            what(d.fault),
            pct(size),
            against(size, entry)
        ),
        Fault::SpanGrowing => format!(
            "{} to {} at full scale would be found within {n} days {often}.",
            what(d.fault),
            pct(size)
        ),
        Fault::OffsetStep => format!(
            "{}, {} of span, would be found within {n} days {often}{}.",
            what(d.fault),
            pct(size),
            against(size, entry)
        ),
        Fault::SpanStep => format!(
            "{}, {} at full scale, would be found within {n} days {often}.",
            what(d.fault),
            pct(size)
        ),
        Fault::StuckDigital | Fault::StuckAnalog | Fault::StuckBoth => {
            format!(
                "{} would be found within {size:.0} h {often}.",
                what(d.fault)
            )
        }
        Fault::MoreErrors => format!(
            "{} to {} of all would be found within {n} days {often}.",
            what(d.fault),
            pct(100.0 * size)
        ),
        Fault::NoiseRise | Fault::NoiseCollapse => format!(
            "{} to {size:.2} times its own would be found within {n} days {often}.",
            what(d.fault)
        ),
    }
}

fn against(size: f64, entry: &LoopEntry) -> String {
    if size > entry.tolerance_pct {
        format!(
            ", which is more than the tolerance of {}",
            pct(entry.tolerance_pct)
        )
    } else {
        String::new()
    }
}

pub(super) fn beyond_tolerance(size: f64, tolerance_pct: f64) -> String {
    format!(
        "the tolerance of {} is below what would be found within 30 days ({})",
        pct(tolerance_pct),
        pct(size)
    )
}
