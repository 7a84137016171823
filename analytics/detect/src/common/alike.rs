//! How much more alike findings are than if nothing but chance had brought them into one group.
//!
//! A likelihood ratio: one cause that began once, moved its loops by about as much and in one form, over findings that
//! were drawn one by one from what the rest of the fleet shows. Under chance its mean is one, so it divides a chance that
//! is independent of it, and the quotient is a chance again (e-value over p-value; Vovk and Wang 2021, from memory):
//! multiplying the chances of several tests, as if the product were one, makes causes out of nothing.
//!
//! Onset: normal about the common instant, each with the width of its own interval. Size: log-normal about the common
//! size. Under chance either is a mixture of the other findings' own densities and one spread evenly (over the record; over
//! the decades of [`SIZES_PCT`]): a day on which much began everywhere is no evidence. Form: what each record says for
//! span or offset.
//!
//! Ceilings that one supply lowers are met by each loop when it first asks for more, so their onsets agree to days at best;
//! but they fall together: in place of the size stands how fast, in the newest days of the record.

use super::Sign;

/// Onsets are known no better than this, however narrow their interval, seconds (the cells of either detector).
const ONSET_SD_S: f64 = 6.0 * 3600.0;
/// A ceiling that falls for many loops at once meets each at its own peaks, seconds.
const CEILING_SD_S: f64 = 48.0 * 3600.0;
/// Widths of a normal distribution between its tenth and ninetieth percentile.
const EIGHTY_PCT: f64 = 2.563;
/// Scatter of the sizes that one cause brings about, and of findings about their own, as logarithms.
const SIZE_SD: f64 = 0.3;
/// Sizes of drift that are met, % of span.
const SIZES_PCT: [f64; 2] = [0.1, 10.0];
/// Falls of a ceiling that are met, mA a day.
const FALLS_MA: [f64; 2] = [0.1, 1.5];
/// No record counts for more than this in the question of form: its model of the noise may be wrong.
const FORM_BOUND: f64 = 4.0;

/// A measured value and its variance.
#[derive(Clone, Copy)]
struct Measured {
    at: f64,
    variance: f64,
}

impl Measured {
    fn onset(s: &Sign) -> Self {
        let width = (s.onset_high.0 - s.onset_low.0).max(0) as f64 / 1e6;
        let least = if falls(s) { CEILING_SD_S } else { ONSET_SD_S };
        Self {
            at: s.onset.0 as f64 / 1e6,
            variance: (width / EIGHTY_PCT).powi(2) + least * least,
        }
    }

    fn size(s: &Sign) -> Option<Self> {
        let size = if falls(s) {
            s.falls_ma_per_day
                .map(|v| v.clamp(FALLS_MA[0], FALLS_MA[1]))
        } else {
            s.size_pct
        };
        let size = size.filter(|v| *v > 0.0)?;
        Some(Self {
            at: size.ln(),
            variance: SIZE_SD * SIZE_SD,
        })
    }
}

fn falls(s: &Sign) -> bool {
    s.cause == Some("supply-limited")
}

fn ln_normal(distance: f64, variance: f64) -> f64 {
    -0.5 * ((2.0 * std::f64::consts::PI * variance).ln() + distance * distance / variance)
}

fn ln_sum(values: &[f64]) -> f64 {
    let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    most + values.iter().map(|v| (v - most).exp()).sum::<f64>().ln()
}

/// Where the findings of the rest of the fleet lie.
struct Elsewhere {
    others: Vec<Measured>,
    even: f64,
}

impl Elsewhere {
    fn ln_density(&self, v: Measured) -> f64 {
        let mut all = vec![-self.even.ln()];
        all.extend(
            self.others
                .iter()
                .map(|o| ln_normal(v.at - o.at, v.variance + o.variance)),
        );
        ln_sum(&all) - (all.len() as f64).ln()
    }

    /// Log likelihood ratio of one common value over values from here.
    fn together(&self, values: &[(Measured, f64)]) -> f64 {
        let centre = centre(values.iter().map(|v| v.0));
        let joint: f64 = values
            .iter()
            .map(|(v, _)| ln_normal(v.at - centre.at, v.variance))
            .sum();
        // The integral over the common value: its own normal density, taken at the density of the fleet there.
        let common =
            0.5 * (2.0 * std::f64::consts::PI * centre.variance).ln() + self.ln_density(centre);
        joint + common - values.iter().map(|v| v.1).sum::<f64>()
    }
}

/// Weighted mean and its variance.
fn centre(values: impl Iterator<Item = Measured>) -> Measured {
    let (w, wy) = values.fold((0.0, 0.0), |(w, wy), v| {
        (w + 1.0 / v.variance, wy + v.at / v.variance)
    });
    Measured {
        at: wy / w,
        variance: 1.0 / w,
    }
}

/// One affected loop of the group, with its densities under chance.
struct Member<'a> {
    sign: &'a Sign,
    onset: (Measured, f64),
    size: Option<(Measured, f64)>,
}

/// The most alike of `inside` with their log likelihood ratio, the choice among them already paid for. `others` are the
/// findings of the kind outside the group; `at_least` are left in any case, and `ln_share` is the log chance that so many
/// belong to the group: a finding is left out if what is gained in likeness is more than is lost in belonging.
pub(super) fn most_alike<'a>(
    inside: &[&'a Sign],
    others: &[&Sign],
    record_s: f64,
    at_least: usize,
    ln_share: &dyn Fn(usize) -> f64,
) -> (Vec<&'a Sign>, f64) {
    let onsets = Elsewhere {
        others: others.iter().map(|s| Measured::onset(s)).collect(),
        even: record_s.max(1.0),
    };
    let (low, high) = if inside.iter().any(|s| falls(s)) {
        (FALLS_MA[0], FALLS_MA[1])
    } else {
        (SIZES_PCT[0], SIZES_PCT[1])
    };
    let sizes = Elsewhere {
        others: others.iter().filter_map(|s| Measured::size(s)).collect(),
        even: (high / low).ln(),
    };
    let mut here: Vec<Member<'a>> = inside
        .iter()
        .map(|&sign| {
            let onset = Measured::onset(sign);
            Member {
                sign,
                onset: (onset, onsets.ln_density(onset)),
                size: Measured::size(sign).map(|v| (v, sizes.ln_density(v))),
            }
        })
        .collect();
    let ratio = |of: &[&Member<'_>]| {
        let times: Vec<(Measured, f64)> = of.iter().map(|m| m.onset).collect();
        let size: Vec<(Measured, f64)> = of.iter().filter_map(|m| m.size).collect();
        let alike = if size.len() == of.len() {
            sizes.together(&size)
        } else {
            0.0
        };
        onsets.together(&times) + alike + one_form(of.iter().filter_map(|m| m.sign.span_log_ratio))
            - super::tail::ln_choose(inside.len() as f64, of.len() as f64)
    };
    if inside.iter().any(|s| falls(s)) {
        // Of a ceiling that each loop met in its own time nothing is alike: as likely as the other beforehand.
        let alike = ratio(&here.iter().collect::<Vec<_>>());
        return (inside.to_vec(), ln_sum(&[alike, 0.0]) - 2.0_f64.ln());
    }
    let mut best = ratio(&here.iter().collect::<Vec<_>>());
    while here.len() > at_least {
        let without = |at: usize| {
            let rest: Vec<&Member<'_>> = here
                .iter()
                .enumerate()
                .filter(|(i, _)| *i != at)
                .map(|(_, m)| m)
                .collect();
            ratio(&rest)
        };
        let tried = furthest(&here).into_iter().flatten();
        let Some((at, left)) = tried
            .map(|at| (at, without(at)))
            .max_by(|a, b| a.1.total_cmp(&b.1))
        else {
            break;
        };
        if left - ln_share(here.len() - 1) <= best - ln_share(here.len()) + 1e-9 {
            break;
        }
        here.remove(at);
        best = left;
    }
    (here.into_iter().map(|m| m.sign).collect(), best)
}

/// Whom it may be worth to leave out: the furthest in time, in size, and the one that speaks most against the form of the rest.
fn furthest(here: &[Member<'_>]) -> [Option<usize>; 3] {
    let most = |value: &dyn Fn(&Member<'_>) -> f64| {
        (0..here.len()).max_by(|&a, &b| value(&here[a]).total_cmp(&value(&here[b])))
    };
    let off = |v: Measured, from: Measured| (v.at - from.at).abs() / v.variance.sqrt();
    let time = centre(here.iter().map(|m| m.onset.0));
    let size = centre(here.iter().filter_map(|m| m.size).map(|v| v.0));
    let form: f64 = here.iter().filter_map(|m| bounded(m.sign)).sum();
    [
        most(&|m| off(m.onset.0, time)),
        most(&|m| m.size.map_or(0.0, |v| off(v.0, size))),
        most(&|m| bounded(m.sign).map_or(0.0, |v| -v * form.signum())),
    ]
}

fn bounded(s: &Sign) -> Option<f64> {
    Some(s.span_log_ratio?.clamp(-FORM_BOUND, FORM_BOUND))
}

/// All in one form over each in its own, either form as likely beforehand.
fn one_form(ratios: impl Iterator<Item = f64>) -> f64 {
    let (mut span, mut offset) = (0.0, 0.0);
    for v in ratios.map(|v| v.clamp(-FORM_BOUND, FORM_BOUND)) {
        span += (2.0 / (1.0 + (-v).exp())).ln();
        offset += (2.0 / (1.0 + v.exp())).ln();
    }
    ln_sum(&[span, offset]) - 2.0_f64.ln()
}
