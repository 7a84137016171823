//! A step that is none: hours apart among hours that did not move.
//!
//! Spells too short or too small to be told one by one shift the mean as a step does. They do not shift every hour: so the
//! hours after the start are held against both, each hour's residual over the scatter of the hours before, with the tails
//! of Student's distribution on [`FREEDOM`] degrees (outliers decide nothing): one shift of all hours, constant or growing,
//! or a mixture of hours that did not move and hours that moved by some share of one size. The log likelihood ratio is
//! divided by what hours in a row repeat of each other.

use super::bursts::{Hour, Hours};
use super::fit::Form;
use crate::history::{Draft, median};

/// Degrees of freedom of an hour's residual.
const FREEDOM: f64 = 4.0;
/// Hours needed before and after the start.
const MIN_BEFORE_H: usize = 48;
const MIN_AFTER_H: usize = 72;
/// Log likelihood ratio beyond which it is spells: on our own fleets none of some 490 other steps reached it.
pub const TOLD_APART: f64 = 8.0;
/// Shares of hours in spells, and shares of its size that an hour in one moves by.
const SHARES: [f64; 3] = [0.15, 0.3, 0.45];
const PARTS: [f64; 4] = [0.25, 0.5, 0.75, 1.0];
/// Sizes tried, % of span.
const SIZES_PCT: [f64; 2] = [0.2, 8.0];
const SIZES: usize = 20;
/// Its name in the evidence.
pub const EVIDENCE: &str = "spells_over_step_log_ratio";

/// An hour after the start: residual from the level before, its scatter, position, and its share of the time since.
struct After {
    r: f64,
    sd: f64,
    x: f64,
    at: f64,
}

/// What a mixture says: log likelihood, share of hours in spells, size.
#[derive(Clone, Copy)]
struct Mixture {
    ln: f64,
    share: f64,
    size: f64,
}

fn ln_density(z: f64) -> f64 {
    -0.5 * (FREEDOM + 1.0) * (z * z / FREEDOM).ln_1p()
}

/// The step `d` told as spells, where they explain its hours clearly better.
pub fn instead(all: &Hours, d: &Draft) -> Option<Draft> {
    let (from, to) = (d.onset.hour(), d.ended.map_or(i64::MAX, |t| t.hour()));
    let before: Vec<&Hour> = all.hours.iter().filter(|h| h.hour < from).collect();
    let within: Vec<&Hour> = all
        .hours
        .iter()
        .filter(|h| (from..to).contains(&h.hour))
        .collect();
    if before.len() < MIN_BEFORE_H || within.len() < MIN_AFTER_H {
        return None;
    }
    let level = median(before.iter().map(|h| h.r).collect());
    let off = |h: &Hour| (h.r - level) * h.w.sqrt();
    let unit = 1.4826 * median(before.iter().map(|h| off(h).abs()).collect());
    if !(unit > 0.0) {
        return None;
    }
    let last = within[within.len() - 1].hour;
    let after: Vec<After> = within
        .iter()
        .map(|h| After {
            r: h.r - level,
            sd: unit / h.w.sqrt(),
            x: h.x,
            at: (h.hour - from) as f64 / (last - from).max(1) as f64,
        })
        .collect();
    let repeats = repeats(&before.iter().map(|h| off(h) / unit).collect::<Vec<_>>());
    let mixture = mixture(&after)?;
    let ratio = (mixture.ln - shift(&after)) / repeats;
    if !(ratio > TOLD_APART) {
        return None;
    }
    let inside: Vec<bool> = after.iter().map(|h| mixture.holds(h)).collect();
    let episodes = (0..inside.len())
        .filter(|&i| inside[i] && (i == 0 || !inside[i - 1]))
        .count();
    let n = inside.iter().filter(|i| **i).count();
    let sum: f64 = after
        .iter()
        .zip(&inside)
        .filter(|(_, i)| **i)
        .map(|(h, _)| h.r)
        .sum();
    if n == 0 {
        return None;
    }
    let size = sum / n as f64;
    let quiet = after.iter().zip(&inside).filter(|(_, i)| !**i);
    let mut out = Draft {
        cause: Some("intermittent"),
        deviation_pct: Some(size),
        rate_pct_per_day: None,
        reaches: None,
        otherwise: None,
        evidence: Default::default(),
        ..d.clone()
    }
    .count("episodes", episodes as u64)
    .number("share_of_samples", n as f64 / inside.len() as f64)
    .number("quiet_moved_pct", median(quiet.map(|(h, _)| h.r).collect()))
    .number("episode_pct", size)
    .number(EVIDENCE, ratio)
    .text("shape", "spells");
    for name in ["log_likelihood_ratio", "days", "day_scatter_pct"] {
        if let Some(v) = d.evidence.get(name) {
            out.evidence.insert(name, v.clone());
        }
    }
    Some(out)
}

impl Mixture {
    fn ln_of(&self, h: &After) -> (f64, f64) {
        let out = (1.0 - self.share) * ln_density(h.r / h.sd).exp();
        let each = |part: &f64| ln_density((h.r - part * self.size) / h.sd).exp();
        let inside = self.share * PARTS.iter().map(each).sum::<f64>() / PARTS.len() as f64;
        (out, inside)
    }

    fn holds(&self, h: &After) -> bool {
        let (out, inside) = self.ln_of(h);
        inside > out
    }
}

/// The best mixture to either side.
fn mixture(after: &[After]) -> Option<Mixture> {
    let step = (SIZES_PCT[1] / SIZES_PCT[0]).powf(1.0 / (SIZES as f64 - 1.0));
    let mut best: Option<Mixture> = None;
    for i in 0..SIZES {
        for sign in [1.0, -1.0] {
            for share in SHARES {
                let mut m = Mixture {
                    ln: 0.0,
                    share,
                    size: sign * SIZES_PCT[0] * step.powi(i as i32),
                };
                m.ln = after
                    .iter()
                    .map(|h| {
                        let (out, inside) = m.ln_of(h);
                        (out + inside).ln()
                    })
                    .sum();
                if best.is_none_or(|b| m.ln > b.ln) {
                    best = Some(m);
                }
            }
        }
    }
    best
}

/// Log likelihood of the best shift of all hours: constant, growing, growing ever slower; alike everywhere, or with the
/// position, as a wrong span shifts them.
fn shift(after: &[After]) -> f64 {
    let growths: [fn(f64) -> f64; 3] = [|_| 1.0, |at| at, f64::sqrt];
    let mut best = f64::NEG_INFINITY;
    for growth in growths {
        for form in [Form::Offset, Form::Span] {
            best = best.max(shift_of(after, &|h| growth(h.at) * form.at(h.x)));
        }
    }
    best
}

/// The same for one shape in time and position: from the weighted mean out, then closer about the best.
fn shift_of(after: &[After], shape: &dyn Fn(&After) -> f64) -> f64 {
    let (mut w, mut wy) = (0.0, 0.0);
    for h in after {
        let g = shape(h);
        w += g * g / (h.sd * h.sd);
        wy += g * h.r / (h.sd * h.sd);
    }
    let ln = |a: f64| -> f64 {
        let each = |h: &After| ln_density((h.r - a * shape(h)) / h.sd);
        after.iter().map(each).sum()
    };
    let mut best = f64::NEG_INFINITY;
    let mut centre = wy / w.max(1e-300);
    let mut reach = 1.5 * centre.abs() + 0.1;
    for _ in 0..4 {
        let tried = (-6..=6).map(|k| centre + reach * f64::from(k) / 6.0);
        let closest = tried.map(|a| (ln(a), a)).max_by(|a, b| a.0.total_cmp(&b.0));
        let Some((v, a)) = closest else { break };
        best = best.max(v);
        (centre, reach) = (a, reach / 4.0);
    }
    best
}

/// How many hours in a row count as one: `(1 + r) / (1 - r)` by the first autocorrelation of bounded residuals.
fn repeats(z: &[f64]) -> f64 {
    let z: Vec<f64> = z.iter().map(|v| v.clamp(-3.0, 3.0)).collect();
    let (mut own, mut next) = (0.0, 0.0);
    for pair in z.windows(2) {
        own += pair[0] * pair[0];
        next += pair[0] * pair[1];
    }
    let r = (next / own.max(1e-12)).clamp(0.0, 0.9);
    (1.0 + r) / (1.0 - r)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::Kind;
    use crate::limits::Test;
    use ingest_model::UtcMicros;

    /// 30 days of hours about the position 0, changed after ten of them by `moved`.
    fn hours(moved: impl Fn(i64, f64) -> f64) -> Hours {
        let mut seed = 7_u64;
        let mut uniform = || {
            seed = seed
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (seed >> 11) as f64 / (1_u64 << 53) as f64
        };
        let hours = (0..720)
            .map(|hour| {
                let noise = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
                let x = if hour % 7 < 3 { -50.0 } else { 30.0 };
                let by = if hour >= 240 { moved(hour, x) } else { 0.0 };
                Hour {
                    hour,
                    r: 0.2 * noise + by,
                    w: 1.0,
                    x,
                    n: 6,
                }
            })
            .collect();
        Hours { hours, unit: 0.2 }
    }

    fn cause(moved: impl Fn(i64, f64) -> f64) -> Option<&'static str> {
        let at = UtcMicros::from_hour(240);
        let mut d = Draft::by(Test::DriftLasting, 99.0, Kind::AnalogDigitalDrift, at);
        d.cause = Some("offset");
        instead(&hours(moved), &d).and_then(|d| d.cause)
    }

    #[test]
    fn spells_are_told_from_whatever_shifts_all_hours() {
        // One hour in four by 1 %: the mean moves by a quarter.
        let spell = |hour: i64, _: f64| if hour % 4 == 0 { 1.0 } else { 0.0 };
        assert_eq!(cause(spell), Some("intermittent"));
        assert_eq!(cause(|_, _| 0.25), None);
        assert_eq!(cause(|hour, _| 0.001 * (hour - 240) as f64), None);
        // A wrong span moves a loop nothing while it stands at 4 mA.
        assert_eq!(cause(|_, x| 0.01 * (x + 50.0)), None);
    }
}
