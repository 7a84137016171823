//! When the deviation reaches the tolerance, with an 80 % interval.
//!
//! A straight line with its own regression interval covers far too little: the start and the way of growth
//! are unknown too. So crossing times are averaged over starts, powers of growth `(t - start)^p` and the
//! amplitude's error, each weighted by its likelihood (Bayesian model averaging, uniform over starts).

use super::fit::{Base, Cell, Form, start_t};
use super::search::{Powers, Projected, growths};

/// Powers of growth and their prior weights.
pub const POWERS: [(f64, f64); 5] = [
    (0.5, 0.08),
    (0.7, 0.12),
    (1.0, 0.5),
    (1.4, 0.15),
    (2.0, 0.15),
];
/// Share of the mixture left out on each side. On 100 drift fleets (282 forecasts) 14 % held 75 % of the crossings, too few;
/// 10 % held 95 % of 85 (day-based scatter is wide for slow growth).
const TAIL: f64 = 0.12;
/// Starts tried at most.
const MOST_STARTS: usize = 400;
/// Normal quantiles at the middles of nine equal shares.
const NORMAL_NINTHS: [f64; 9] = [
    -1.5932, -0.9674, -0.5895, -0.2822, 0.0, 0.2822, 0.5895, 0.9674, 1.5932,
];

/// Days (on the cells' scale) at the lower end, the middle and the upper end of the 80 % interval; `None` where the mixture says "not within the horizon".
#[derive(Clone, Copy, Debug)]
pub struct Crossing {
    pub low: Option<f64>,
    pub mid: Option<f64>,
    pub high: Option<f64>,
}

/// `level` is the deviation before the start at the usual operating point. It may be the input's standing
/// offset, inside its accuracy and accepted as such, or count in full: both ends and the middle enter alike.
#[allow(clippy::too_many_arguments)]
pub fn crossing(
    cells: &[Cell],
    base: &Base,
    form: Form,
    per_weight: f64,
    tolerance: f64,
    x_usual: f64,
    level: f64,
    now_t: f64,
) -> Option<Crossing> {
    let at = form.at(x_usual);
    let horizon = 3.0 * (now_t - start_t(cells, 0));
    let mut mix: Vec<(f64, f64)> = Vec::new(); // crossing time (inf = never), weight
    let mut top = f64::NEG_INFINITY;
    let mut rows: Vec<(f64, f64, f64, f64, f64)> = Vec::new();
    // Each power has its own likely starts: growth that slows down began later than a straight line says.
    let stride = cells.len().div_ceil(MOST_STARTS).max(1);
    let starts = (0..cells.len().saturating_sub(7)).step_by(stride);
    let (projected, powers) = (Projected::new(base, cells, form), Powers::new(cells));
    for g in growths(&projected, cells, &powers, starts)
        .into_iter()
        .filter(|g| g.gain > 0.0)
    {
        let (power, prior) = POWERS[g.power];
        let log = g.gain / (2.0 * per_weight) + f64::ln(prior);
        top = top.max(log);
        let t0 = start_t(cells, g.start);
        rows.push((log, t0, power, g.amplitude, g.unit_se * per_weight.sqrt()));
    }
    for (log, t0, power, amplitude, se) in rows {
        let weight = (log - top).exp();
        if weight < 1e-6 {
            continue;
        }
        for z in NORMAL_NINTHS {
            let a = amplitude + z * se;
            // Whichever edge the growth heads for.
            let edge = if a > 0.0 { tolerance } else { -tolerance };
            for share in [0.0, 0.5, 1.0] {
                let need = (edge - share * level) / (a * at);
                let t = if !need.is_finite() || need < 0.0 {
                    t0
                } else {
                    t0 + need.powf(1.0 / power)
                };
                mix.push((t, weight));
            }
        }
    }
    if mix.is_empty() {
        return None;
    }
    mix.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = mix.iter().map(|m| m.1).sum();
    let q = |p: f64| {
        let mut sum = 0.0;
        for (t, w) in &mix {
            sum += w;
            if sum >= p * total {
                return (*t < now_t + horizon).then_some(*t);
            }
        }
        None
    };
    Some(Crossing {
        low: q(TAIL),
        mid: q(0.5),
        high: q(1.0 - TAIL),
    })
}
