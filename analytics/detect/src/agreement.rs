//! Agreement: how well analog and digital agree over the range that a loop has really run through.
//!
//! Evidence is taken from ordinary running, by eighths of range. Days are the unit of evidence: the day means of
//! one eighth scatter, and their mean has the standard uncertainty `s/sqrt(n)` (JCGM 100:2008, 4.2.3, type A), with
//! the days' own correlation counted, and widened for how few they are (JCGM 101:2008, 6.4.9.4). The accuracy of the host's input, where the register gives it, enters as a
//! rectangular distribution (4.3.7, type B: `a/sqrt(3)`). Both are combined (5.1.2) and expanded with k = 2 (6.2.1).
//! The two channels are sampled at different instants, and an eighth at the edge of where a loop runs is entered at the
//! turning points of the process: there the later sample lies nearer to the middle, which looks like a deviation. So the
//! loop's own dependence on the digital value's steps to both neighbours is fitted over all days (as the drift detector
//! does) and taken out of each mean.
//! What it does not prove: the sensor. Both channels come from the same one.

use crate::block::{DayBlock, Eighth, Normal, P};
use ingest_model::UtcMicros;

/// Days that an eighth needs before it counts (design: limits of evidence).
pub const MIN_DAYS: usize = 5;
/// Samples of one day in one eighth before that day is evidence.
const MIN_SAMPLES: u32 = 3;
/// Days below which there is no uncertainty: a t-distribution has a variance above two degrees of freedom only.
const MIN_DAYS_OF_UNCERTAINTY: usize = 4;
/// Coverage factor of the expanded uncertainty.
pub const COVERAGE_FACTOR: f64 = 2.0;

/// One eighth of the range, 0 = 4 to 6 mA.
#[derive(Clone, Debug, PartialEq)]
pub struct EighthAgreement {
    /// Days with evidence, and samples on them.
    pub days: usize,
    pub samples: u64,
    /// Mean of analog minus digital over the days, % of span; `None` where the loop never ran.
    pub deviation_pct: Option<f64>,
    /// Expanded uncertainty of that mean (k = 2), % of span; `None` below four days.
    pub expanded_uncertainty_pct: Option<f64>,
    /// Effective degrees of freedom (Welch and Satterthwaite, JCGM 100:2008, G.4.1); the uncertainty is widened for them
    /// already.
    pub degrees_of_freedom: Option<f64>,
    /// Last row of the newest day with evidence.
    pub newest: Option<UtcMicros>,
    /// At least [`MIN_DAYS`] days: the eighth counts as shown.
    pub counts: bool,
}

/// A current that the host's input measured, and the end of the day on which it did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Witnessed {
    pub current_ma: f64,
    pub at: UtcMicros,
}

/// Agreement of one loop.
#[derive(Clone, Debug, PartialEq)]
pub struct Agreement {
    pub eighths: [EighthAgreement; 8],
    /// The input's accuracy is in the uncertainty; else it is the statistical part only.
    pub has_input_accuracy: bool,
    pub highest: Option<Witnessed>,
    pub lowest: Option<Witnessed>,
}

/// Standard uncertainty of independent parts (JCGM 100:2008, 5.1.2, sensitivity coefficients in the parts).
pub fn combined(parts: &[f64]) -> f64 {
    parts.iter().map(|u| u * u).sum::<f64>().sqrt()
}

/// Effective degrees of freedom of a combined uncertainty (JCGM 100:2008, equation G.2b); `(u, degrees)` a part,
/// infinite degrees for a part taken as known.
pub fn effective_degrees(parts: &[(f64, f64)]) -> f64 {
    let u = combined(&parts.iter().map(|p| p.0).collect::<Vec<_>>());
    let spread: f64 = parts.iter().map(|(u, nu)| u.powi(4) / nu).sum();
    u.powi(4) / spread
}

/// Agreement of a loop over `days`, in order of time; `input_accuracy_pct` as the register has it.
pub fn agreement(days: &[DayBlock], input_accuracy_pct: Option<f64>) -> Agreement {
    let extreme = |get: fn(&DayBlock) -> f64, better: fn(f64, f64) -> bool| {
        days.iter()
            .filter(|d| d.m.n > 0)
            .fold(None::<(f64, &DayBlock)>, |best, d| {
                // The newest of equals.
                match best {
                    Some(b) if better(b.0, get(d)) => Some(b),
                    _ => Some((get(d), d)),
                }
            })
            .map(|(x, d)| Witnessed {
                current_ma: 12.0 + 0.16 * x,
                at: UtcMicros(d.last_row),
            })
    };
    let lag = step_coefficients(days);
    Agreement {
        eighths: std::array::from_fn(|k| one_eighth(days, k, lag, input_accuracy_pct)),
        has_input_accuracy: input_accuracy_pct.is_some(),
        highest: extreme(|d| d.m.max, |a, b| a > b),
        lowest: extreme(|d| d.m.min, |a, b| a < b),
    }
}

/// How much of a step of the digital value since the row before, and to the row after, stands in the deviation: least
/// squares of `e` on `[1, x, dxb, dxf]` over all days; zeros where the loop never moved.
fn step_coefficients(days: &[DayBlock]) -> [f64; 2] {
    let mut sum = Normal::default();
    for d in days {
        sum.merge(&d.fit);
    }
    let mut a = sum.xx;
    let mut y = sum.xy;
    // A trace of ridge, on the scale of the columns: a constant loop leaves them empty.
    for (i, scale) in [0.0, 0.01, 1e-4, 1e-4].into_iter().enumerate() {
        a[i][i] += scale * sum.weight() + 1e-9;
    }
    // Gaussian elimination; the matrix is symmetric and positive, so no pivot is small.
    for i in 0..P {
        let (row, pivot) = (a[i], a[i][i]);
        let left = y[i];
        for j in i + 1..P {
            let share = a[j][i] / pivot;
            for (v, w) in a[j].iter_mut().zip(row) {
                *v -= share * w;
            }
            y[j] -= share * left;
        }
    }
    let forth = y[3] / a[3][3];
    let back = (y[2] - a[2][3] * forth) / a[2][2];
    if back.is_finite() && forth.is_finite() {
        [back, forth]
    } else {
        [0.0; 2]
    }
}

/// Mean deviation with what the steps explain taken out.
fn steady_mean(e: &Eighth, lag: [f64; 2]) -> f64 {
    e.mean() - (lag[0] * e.wxb + lag[1] * e.wxf) / e.w
}

fn one_eighth(
    days: &[DayBlock],
    k: usize,
    lag: [f64; 2],
    input_accuracy_pct: Option<f64>,
) -> EighthAgreement {
    let seen: Vec<(&DayBlock, f64)> = days
        .iter()
        .filter(|d| d.eighths[k].n >= MIN_SAMPLES)
        .map(|d| (d, steady_mean(&d.eighths[k], lag)))
        .filter(|(_, mean)| mean.is_finite())
        .collect();
    let n = seen.len() as f64;
    let mean = seen.iter().map(|s| s.1).sum::<f64>() / n;
    // Standard uncertainty and degrees of freedom of the day means.
    let statistical = (seen.len() >= MIN_DAYS_OF_UNCERTAINTY).then(|| {
        let ss: f64 = seen.iter().map(|s| (s.1 - mean).powi(2)).sum();
        let r1 = neighbours_correlation(&seen, mean);
        // Variance of a mean of days that follow each other: as many independent ones as n / f (first-order correlation;
        // Bayley & Hammersley 1946), and the sum of squares has that many fewer degrees.
        let f = ((1.0 + r1) / (1.0 - r1)).min(n / MIN_DAYS_OF_UNCERTAINTY as f64);
        let nu = n / f - 1.0;
        // The scatter itself is known from so many days only: the mean follows a scaled and shifted t-distribution, whose
        // variance is nu/(nu - 2) times that of the scatter (JCGM 101:2008, 6.4.9.4, formula from memory).
        ((ss / (n - f) / n * f * nu / (nu - 2.0)).sqrt(), nu)
    });
    let known = input_accuracy_pct.map(|a| a / 3.0_f64.sqrt());
    let parts: Vec<(f64, f64)> = statistical
        .into_iter()
        .chain(
            known
                .filter(|_| statistical.is_some())
                .map(|u| (u, f64::INFINITY)),
        )
        .collect();
    let degrees = effective_degrees(&parts);
    EighthAgreement {
        days: seen.len(),
        samples: seen.iter().map(|(d, _)| u64::from(d.eighths[k].n)).sum(),
        deviation_pct: (!seen.is_empty()).then_some(mean),
        expanded_uncertainty_pct: statistical
            .map(|_| COVERAGE_FACTOR * combined(&parts.iter().map(|p| p.0).collect::<Vec<_>>())),
        degrees_of_freedom: Some(degrees).filter(|v| v.is_finite()),
        newest: seen.last().map(|(d, _)| UtcMicros(d.last_row)),
        counts: seen.len() >= MIN_DAYS,
    }
}

/// First-order correlation of day means on neighbouring days, 0..0.7; 0 below ten pairs, where it says nothing. From few
/// days it comes out low by `(1 + 4 r) / n` (Kendall 1954; Marriott & Pope 1954), which is put back.
fn neighbours_correlation(seen: &[(&DayBlock, f64)], mean: f64) -> f64 {
    let pairs: Vec<(f64, f64)> = seen
        .windows(2)
        .filter(|p| p[1].0.day - p[0].0.day == 1)
        .map(|p| (p[0].1 - mean, p[1].1 - mean))
        .collect();
    if pairs.len() < 10 {
        return 0.0;
    }
    let num: f64 = pairs.iter().map(|(a, b)| a * b).sum();
    let den: f64 = pairs.iter().map(|(a, b)| 0.5 * (a * a + b * b)).sum();
    if den > 0.0 {
        let n = pairs.len() as f64;
        ((n * num / den + 1.0) / (n - 4.0)).clamp(0.0, 0.7)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::{agreement, combined, effective_degrees};
    use crate::block::{DayBlock, day_blocks};
    use ingest_model::{Columns, LoopEntry, Range, Reading, Tag, Transfer, UtcMicros};

    /// JCGM 100:2008, H.1.6: end gauge; parts 25, 9.7, 2.9, 16.6 nm with 18, 25.6, 50, 2 degrees of freedom give
    /// 32 nm (stated to two digits) and 16.7 degrees.
    #[test]
    fn end_gauge_of_the_gum() {
        let u = [25.0, 9.7, 2.9, 16.6];
        let uc = combined(&u);
        assert!((uc - 31.7).abs() < 0.1, "{uc}");
        let nu = [18.0, 25.6, 50.0, 2.0];
        let parts: Vec<(f64, f64)> = u.into_iter().zip(nu).collect();
        let printed = effective_degrees(&parts);
        assert!((printed - 16.7).abs() < 0.1, "{printed}");
    }

    /// `count` days at five minutes from 25 to 75 % of range, the current off by `offset_pct` and a day's whim.
    fn days(count: i64, offset_pct: f64) -> Vec<DayBlock> {
        let range = Range {
            lrv: 0.0,
            urv: 100.0,
            transfer: Transfer::Linear,
        };
        let entry = LoopEntry::new(Tag::new("FT-1").unwrap(), "m3/h", range);
        (0..count)
            .map(|day| {
                let mut c = Columns::default();
                for k in 0..288 {
                    let pv = 50.0 + 25.0 * (k as f64 / 40.0).sin();
                    let whim = 0.02 * (day % 3 - 1) as f64;
                    c.push(&Reading {
                        pv,
                        analog_ma: 4.0 + 0.16 * (pv + offset_pct + whim),
                        response_code: Some(0),
                        ..Reading::empty(UtcMicros((day * 288 + k) * 300_000_000))
                    });
                }
                DayBlock::of(&day_blocks(&entry, &c.slice(0, 288))).unwrap()
            })
            .collect()
    }

    /// A fast process sampled at two instants: the current is as old as half the way to the digital value before. Without
    /// the correction the edges would show a tenth of a percent and more.
    #[test]
    fn edges_of_the_range_show_no_deviation_of_their_own() {
        let range = Range {
            lrv: 0.0,
            urv: 100.0,
            transfer: Transfer::Linear,
        };
        let entry = LoopEntry::new(Tag::new("FT-1").unwrap(), "m3/h", range);
        let days: Vec<DayBlock> = (0..10)
            .map(|day| {
                let mut c = Columns::default();
                let mut last = 50.0;
                let mut state = 7 + day as u64;
                for k in 0..1440 {
                    state = state
                        .wrapping_mul(6_364_136_223_846_793_005)
                        .wrapping_add(1);
                    let noise = (state >> 33) as f64 / f64::from(1_u32 << 31) - 0.5;
                    let pv = 50.0 + 20.0 * (k as f64 / 200.0).sin() + 6.0 * noise;
                    c.push(&Reading {
                        pv,
                        analog_ma: 4.0 + 0.16 * (0.5 * (pv + last) + 0.2),
                        response_code: Some(0),
                        ..Reading::empty(UtcMicros((day * 1440 + k) * 60_000_000))
                    });
                    last = pv;
                }
                DayBlock::of(&day_blocks(&entry, &c.slice(0, 1440))).unwrap()
            })
            .collect();
        let a = agreement(&days, None);
        let mut raw_worst = 0.0_f64;
        for (k, e) in a.eighths.iter().enumerate().filter(|(_, e)| e.counts) {
            let deviation = e.deviation_pct.unwrap();
            assert!((deviation - 0.2).abs() < 0.05, "{k}: {deviation}");
            raw_worst = raw_worst.max((days[0].eighths[k].mean() - 0.2).abs());
        }
        assert!(raw_worst > 0.1, "{raw_worst}");
    }

    #[test]
    fn visited_eighths_count_after_five_days_and_the_others_say_nothing() {
        let a = agreement(&days(9, 0.3), Some(0.1));
        for (k, e) in a.eighths.iter().enumerate() {
            let visited = (2..6).contains(&k);
            assert_eq!(
                (e.days, e.counts),
                (if visited { 9 } else { 0 }, visited),
                "{k}"
            );
            let Some(u) = e.expanded_uncertainty_pct else {
                assert!(!visited);
                continue;
            };
            let deviation = e.deviation_pct.unwrap();
            assert!((deviation - 0.3).abs() < 0.01, "{deviation}");
            // Day means of -0.02, 0, 0.02 three times each: s = 0.01732, s/3 = 0.00577, times sqrt(8/6) 0.00667; with
            // 0.1/sqrt(3) = 0.0577 in quadrature 0.0581, times 2 0.1162.
            assert!((u - 0.1162).abs() < 0.002, "{u}");
        }
        let four = agreement(&days(4, 0.3), None);
        assert!(four.eighths.iter().all(|e| !e.counts));
        assert!(!four.has_input_accuracy && four.eighths[3].expanded_uncertainty_pct.is_some());
        // 75.32 % of range is 4 + 0.16 * 75.32 = 16.05 mA.
        assert!((a.highest.unwrap().current_ma - 16.05).abs() < 0.01);
        assert!((a.lowest.unwrap().current_ma - 8.045).abs() < 0.01);
        assert_eq!(agreement(&[], None).highest, None);
    }
}
