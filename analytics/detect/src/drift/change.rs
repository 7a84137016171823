//! A change in the regression of the deviation: the best of all candidates, with onset, cause and forecast.

use super::fit::{self, Base, CELL_H, Candidate, Cell, Form, Scatter, Shape, residuals, scatter};
use super::search::{self, Powers, Projected, best_stretch};
use super::{STILL_X, cause, deviation_of, few_days, forecast, positions, scaling};
use crate::context::Context;
use crate::finding::Kind;
use crate::history::{Draft, LoopRecord, median, quantile};
use crate::limits::Test;
use crate::trend;
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};

/// Starts of a growth that are tried at a time.
const MOST_STARTS: usize = 1000;
/// A start this much less likely than the best (log) does not count.
const COUNTS_FOR_NOTHING: f64 = 30.0;
/// A change that ended has a second free instant, and must have lasted a day.
const ENDED_MIN_CELLS: usize = 8;

/// The best change, after cells that stand far out (at most 12 %) were set aside twice.
fn best_change(cells: &mut [Cell]) -> Option<(Base, Candidate, Scatter)> {
    for c in cells.iter_mut() {
        c.used = true;
    }
    let most_out = cells.len() * 12 / 100;
    let mut result = None;
    for round in 0..3 {
        let base = Base::fit(cells)?;
        let mut best: Option<Candidate> = None;
        for form in [Form::Offset, Form::Span] {
            for shape in [Shape::Step, Shape::Ramp] {
                if let (_, Some(c)) = base.scan(cells, form, shape)
                    && best.is_none_or(|b| c.gain > b.gain)
                {
                    best = Some(c);
                }
            }
        }
        let mut best = best?;
        let beta = base.beside(cells, &best);
        let mut res = residuals(cells, &beta, Some(&best));
        let mut sc = scatter(cells, &res, &base, 3.0);
        // A step that ended (somebody put it right) must explain clearly more than one that stays.
        for form in [Form::Offset, Form::Span] {
            let clearly = 1.15 * best.gain;
            if let Some(c) = best_stretch(&base, cells, form, ENDED_MIN_CELLS, 4, clearly) {
                let starts_late = c.start >= 4;
                if !starts_late {
                    continue;
                }
                let beta = base.beside(cells, &c);
                let res_c = residuals(cells, &beta, Some(&c));
                let sc_c = scatter(cells, &res_c, &base, 4.0);
                if c.gain > best.gain + 12.0 * sc_c.per_weight {
                    (best, res, sc) = (c, res_c, sc_c);
                }
            }
        }
        result = Some((base, best, sc));
        if round == 2 {
            break;
        }
        let mut z: Vec<(usize, f64)> = res
            .iter()
            .enumerate()
            .map(|(i, (r, w))| (i, (r * r * w / sc.per_weight.max(1e-12)).sqrt()))
            .collect();
        z.sort_by(|a, b| b.1.total_cmp(&a.1));
        for c in cells.iter_mut() {
            c.used = true;
        }
        let mut any = false;
        for (i, v) in z.into_iter().take(most_out) {
            if v > 5.0 {
                cells[i].used = false;
                any = true;
            }
        }
        if !any {
            break;
        }
    }
    result
}

/// The change that stands out, as a finding: offset or span, step or ramp, lasting or ended.
pub fn changed(
    l: &LoopRecord<'_>,
    ctx: &Context,
    cells: &mut [Cell],
    tolerance: f64,
    to: UtcMicros,
) -> Option<Draft> {
    let (base, best, sc) = best_change(cells)?;
    let cells: &[Cell] = cells;
    let lr = best.gain / sc.per_weight;
    let x = positions(l);
    let visited_high = quantile(x.clone(), 0.9);
    let x_usual = median(x.clone());
    let last = cells.len() - 1;
    let growth_now = match best.shape {
        Shape::Step => 1.0,
        Shape::Ramp => best.growth(cells, last),
    };
    let effect = (best.amplitude * growth_now * best.form.at(visited_high)).abs();
    let practical = 0.1_f64.max(0.2 * tolerance);
    let ended = best.end < cells.len();
    let test = if ended {
        Test::DriftEnded
    } else {
        Test::DriftLasting
    };
    let statistic = lr / few_days(sc.days);
    if !(statistic >= test.tail().from) || effect < practical {
        return None;
    }
    let found = Found {
        base,
        best,
        per_weight: sc.per_weight,
        growth_now,
        x_usual,
        to,
        tolerance,
        blank: Draft::by(test, statistic, Kind::AnalogDigitalDrift, to)
            .number("log_likelihood_ratio", lr)
            .count("days", sc.days as u64)
            .number("day_scatter_pct", sc.day_sd),
    };
    // A loop that never leaves its operating point shows an offset.
    if deviation_of(&x) < STILL_X {
        let d = found.told_as(l, ctx, cells, Form::Offset)?;
        return Some(d.text("cause_is", "not told apart well"));
    }
    let ratio = cause::span_over_offset(cells, &best).unwrap_or(0.0);
    let (form, other) = match (ratio > 0.0, ratio < 0.0) {
        (true, _) => (Form::Span, Form::Offset),
        (_, true) => (Form::Offset, Form::Span),
        _ => (best.form, best.form),
    };
    let certain = ratio.abs() > cause::TOLD_APART;
    let told = |form| {
        let d = found.told_as(l, ctx, cells, form)?;
        let how = if certain {
            "told apart"
        } else {
            "not told apart well"
        };
        Some(d.number(cause::EVIDENCE, ratio).text("cause_is", how))
    };
    let mut d = told(form).or_else(|| told(best.form))?;
    if !certain && matches!(d.cause, Some("offset" | "span")) {
        d.otherwise = told(other).map(Box::new);
    }
    Some(d)
}

/// A change that was found, before its form is settled.
struct Found {
    base: Base,
    best: Candidate,
    per_weight: f64,
    growth_now: f64,
    x_usual: f64,
    to: UtcMicros,
    tolerance: f64,
    /// With the test, and the evidence that no form changes.
    blank: Draft,
}

impl Found {
    /// The finding if the change has this form.
    fn told_as(
        &self,
        l: &LoopRecord<'_>,
        ctx: &Context,
        cells: &[Cell],
        form: Form,
    ) -> Option<Draft> {
        let Self {
            base,
            best,
            per_weight,
            growth_now,
            x_usual,
            to,
            tolerance,
            ..
        } = self;
        let (per_weight, growth_now, x_usual, to, tolerance) =
            (*per_weight, *growth_now, *x_usual, *to, *tolerance);
        let ended = best.end < cells.len();
        let best = if form == best.form {
            *best
        } else {
            refit(base, cells, form, best)?
        };
        let beta = base.beside(cells, &best);
        let onset = onset(base, cells, form, per_weight, &best);
        let now_dev = last_day(l, ctx, cells, &beta, &best);
        let slope = beta[1]
            + if form == Form::Span {
                best.amplitude * growth_now / 100.0
            } else {
                0.0
            };
        let (dev24, x24) = now_dev;
        let deviation = if form == Form::Span {
            dev24 + slope * (x_usual - x24)
        } else {
            dev24
        };
        let size_now = best.amplitude * growth_now * form.at(x_usual);
        let scale_cause = scaling::looks_rescaled(l, cells, &beta, &best, onset.1);
        let mut d = Draft {
            onset: onset.1,
            ..self.blank.clone()
        }
        .within(onset.0, onset.2.min(to));
        d.cause = Some(if scale_cause {
            "scaling"
        } else if form == Form::Offset {
            "offset"
        } else {
            "span"
        });
        let trend = best.shape == Shape::Ramp && !ended;
        d.deviation_pct = Some(if ended {
            best.amplitude * form.at(x_usual)
        } else {
            deviation
        });
        d.rate_pct_per_day = trend.then_some(best.amplitude * form.at(x_usual));
        if ended {
            d.ended = Some(UtcMicros::from_hour(cells[best.end - 1].hour + CELL_H));
        }
        d = d
            .number("change_pct", size_now)
            .number("usual_position_pct", x_usual + 50.0)
            .number(
                "full_scale_pct",
                if form == Form::Span {
                    beta[0] + 50.0 * beta[1] + best.amplitude * growth_now
                } else {
                    deviation
                },
            )
            .number(
                "zero_scale_pct",
                beta[0] - 50.0 * beta[1]
                    + if form == Form::Offset {
                        best.amplitude * growth_now
                    } else {
                        0.0
                    },
            )
            .text(
                "shape",
                if best.shape == Shape::Step {
                    "step"
                } else {
                    "ramp"
                },
            );
        if trend {
            d = trend_tests(d, cells, &beta, &best);
        }
        let used_from = if trend && deviation.abs() < tolerance {
            best.start
        } else {
            usize::MAX
        };
        if used_from != usize::MAX {
            let now_t = (to.0 as f64 / MICROS_PER_HOUR as f64 - cells[0].hour as f64) / 24.0;
            let level = beta[0] + beta[1] * x_usual;
            if let Some(c) = forecast::crossing(
                cells, base, form, per_weight, tolerance, x_usual, level, now_t,
            ) {
                let at = |t: f64| UtcMicros::from_hour(cells[0].hour).plus_s(t * 86400.0);
                if let (Some(lo), Some(mid)) = (c.low, c.mid) {
                    // Crossing times before now mean "any moment": never a date in the past.
                    let clamp = |t: UtcMicros| t.max(to);
                    let high = c.high.map(at);
                    // A date that has passed is none: it may be any moment.
                    if let Some(high) = high
                        && at(mid) > to
                    {
                        d.reaches = Some((clamp(at(mid)), clamp(at(lo)), clamp(high)));
                    }
                }
            }
        }
        Some(d)
    }
}

/// Published trend tests of the day means since the onset, as evidence.
fn trend_tests(d: Draft, cells: &[Cell], beta: &[f64; fit::Q], c: &Candidate) -> Draft {
    let res = residuals(cells, beta, None);
    let mut days: Vec<(i64, f64, f64)> = Vec::new(); // day, sum w r, sum w
    for (cell, (r, w)) in cells.iter().zip(&res).skip(c.start).filter(|c| c.0.used) {
        match days.last_mut() {
            Some(d) if d.0 == cell.day() => {
                d.1 += w * r;
                d.2 += w;
            }
            _ => days.push((cell.day(), w * r, *w)),
        }
    }
    let t: Vec<f64> = days.iter().map(|d| d.0 as f64).collect();
    let y: Vec<f64> = days.iter().map(|d| d.1 / d.2.max(1e-12)).collect();
    match (trend::sen(&t, &y), trend::mann_kendall_correlated(&y)) {
        (Some(s), Some(mk)) => d
            .number("sen_slope_pct_per_day", s.slope)
            .number("sen_slope_low", s.low)
            .number("sen_slope_high", s.high)
            .number("mann_kendall_p", mk.p),
        _ => d,
    }
}

fn refit(base: &Base, cells: &[Cell], form: Form, old: &Candidate) -> Option<Candidate> {
    let growth = |i: usize| old.growth(cells, i);
    let (gain, amplitude, unit_se) = base.any_growth(cells, form, old.start, &growth);
    (gain > 0.0).then_some(Candidate {
        form,
        gain,
        amplitude,
        unit_se,
        ..*old
    })
}

/// Lag-corrected mean deviation and mean position over the last 24 hours of running.
fn last_day(
    l: &LoopRecord<'_>,
    ctx: &Context,
    cells: &[Cell],
    beta: &[f64; fit::Q],
    c: &Candidate,
) -> (f64, f64) {
    let upto = cells
        .get(c.end.saturating_sub(1))
        .map_or(i64::MAX, |c| c.hour + CELL_H);
    let (mut w, mut y, mut x, mut hours) = (0.0, 0.0, 0.0, 0);
    for pass in 0..2 {
        for b in l
            .blocks
            .iter()
            .rev()
            .filter(|b| b.hour < upto && b.fit.n > 0)
        {
            if pass == 0 && ctx.idle(l, b.hour) {
                continue;
            }
            w += b.fit.xx[0][0];
            y += b.fit.xy[0] - beta[2] * b.fit.xx[0][2] - beta[3] * b.fit.xx[0][3];
            x += b.fit.xx[0][1];
            hours += 1;
            if hours >= 24 {
                break;
            }
        }
        if hours > 0 {
            break;
        }
    }
    if w > 0.0 {
        (y / w, x / w)
    } else {
        (f64::NAN, f64::NAN)
    }
}

/// Posterior over starts, steps and ramps together: 10, 50 and 90 % with half a cell and more added.
fn onset(
    base: &Base,
    cells: &[Cell],
    form: Form,
    per_weight: f64,
    best: &Candidate,
) -> (UtcMicros, UtcMicros, UtcMicros) {
    let mut weights = vec![0.0; cells.len()];
    let ended = best.end < cells.len();
    let mut top = f64::NEG_INFINITY;
    let mut all = Vec::new();
    if ended {
        for k in best.start.saturating_sub(8)..(best.start + 9).min(best.end) {
            let growth = |i: usize| if i < best.end { 1.0 } else { 0.0 };
            let (g, _, _) = base.any_growth(cells, form, k, &growth);
            all.push((k, g));
            top = top.max(g);
        }
    } else {
        let (gains, _) = base.scan(cells, form, Shape::Step);
        for (k, g) in gains.into_iter().enumerate().filter(|(_, g)| *g > 0.0) {
            all.push((k, g));
            top = top.max(g);
        }
        // Growth that slows down began later than a straight line says: each power has its own likely starts.
        for (k, g) in likely_growths(base, cells, form, per_weight) {
            all.push((k, g));
            top = top.max(g);
        }
    }
    for (k, g) in all {
        weights[k] += ((g - top) / (2.0 * per_weight)).exp();
    }
    let total: f64 = weights.iter().sum();
    let at = |p: f64| {
        let mut sum = 0.0;
        for (k, w) in weights.iter().enumerate() {
            sum += w;
            if sum >= p * total {
                return cells[k].hour;
            }
        }
        cells[best.start].hour
    };
    let half = CELL_H as f64 * 1800.0;
    (
        UtcMicros::from_hour(at(0.1)).plus_s(-2.0 * half),
        UtcMicros::from_hour(at(0.5)),
        UtcMicros::from_hour(at(0.9)).plus_s(4.0 * half),
    )
}

/// Starts of growth by any power with their gain, prior counted. In a long record starts are tried apart first, and all
/// of them only where one may count.
fn likely_growths(base: &Base, cells: &[Cell], form: Form, per_weight: f64) -> Vec<(usize, f64)> {
    let (projected, powers) = (Projected::new(base, cells, form), Powers::new(cells));
    let mut starts = 0..cells.len().saturating_sub(7);
    loop {
        let stride = starts.len().div_ceil(MOST_STARTS).max(1);
        // Each stands for those up to the next.
        let share = 2.0 * per_weight * (stride as f64).ln();
        let tried = starts.clone().step_by(stride);
        let found: Vec<(usize, f64)> = search::growths(&projected, cells, &powers, tried)
            .into_iter()
            .filter(|g| g.gain > 0.0)
            .map(|g| {
                let prior = 2.0 * per_weight * f64::ln(forecast::POWERS[g.power].1);
                (g.start, g.gain + prior + share)
            })
            .collect();
        let top = found.iter().map(|f| f.1).fold(f64::NEG_INFINITY, f64::max);
        let may_count = |f: &(usize, f64)| f.1 > top - 2.0 * per_weight * COUNTS_FOR_NOTHING;
        let first = found.iter().find(|f| may_count(f));
        let last = found.iter().rfind(|f| may_count(f));
        let (Some((first, _)), Some((last, _))) = (first, last) else {
            return found;
        };
        let narrower = first.saturating_sub(stride)..(last + stride).min(starts.end);
        if stride == 1 || 2 * narrower.len() > starts.len() {
            return found;
        }
        starts = narrower;
    }
}
