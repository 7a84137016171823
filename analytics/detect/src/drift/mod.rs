//! Analog-digital drift: the current at the host and the digital value no longer agree.
//!
//! Order of questions, from the most specific: does the device itself drive another current than the
//! register says (`scaling`)? Is there a ceiling (`supply-limited`)? Episodes (`intermittent`)? Else a
//! change in the regression of the deviation: `offset` or `span`, step or ramp, with onset and forecast.

pub mod bursts;
pub mod ceiling;
pub mod episodes;
pub mod fit;
pub mod forecast;
pub mod scaling;
pub mod shared;
pub mod standing;

use crate::context::Context;
use crate::finding::Kind;
use crate::history::{Draft, LoopRecord, Window, hour_in, median, quantile};
use crate::limits::{Limits, Test};
use crate::trend;
use fit::{Base, CELL_H, Candidate, Cell, Form, Scatter, Shape, residuals, scatter};
use ingest_model::{UtcMicros, instant::MICROS_PER_HOUR};

/// A change that ended has a second free instant, and must have lasted a day.
const ENDED_MIN_CELLS: usize = 8;
/// Days of record before drift is judged.
pub const MIN_DAYS: usize = 5;
/// Loops whose digital position varies less than this (standard deviation, %) cannot tell span from offset.
const STILL_X: f64 = 3.0;

/// Outcome for one loop.
#[derive(Debug, Default)]
pub struct Outcome {
    pub drafts: Vec<Draft>,
    pub not_judged: Option<&'static str>,
    /// Hourly residuals for what loops share; none where a drift of another kind explains the loop.
    pub hours: Option<bursts::Hours>,
}

pub fn detect(l: &LoopRecord<'_>, ctx: &Context, to: UtcMicros, skip: &[Window]) -> Outcome {
    detect_at(l, ctx, to, skip, &Limits::default())
}

pub fn detect_at(
    l: &LoopRecord<'_>,
    ctx: &Context,
    to: UtcMicros,
    skip: &[Window],
    limits: &Limits,
) -> Outcome {
    let mut out = Outcome::default();
    let tolerance = l.entry.tolerance_pct;
    if l.entry.multidrop {
        out.not_judged = Some("multidrop: the current is parked");
        return out;
    }
    if l.blocks.iter().all(|b| b.m.n == 0) {
        out.not_judged = Some("no analog source");
        // The output side alone still shows a range that is not the device's.
        out.drafts
            .extend(believed(scaling::reported(l, to, skip), limits));
        return out;
    }
    if l.blocks.iter().all(|b| b.d.n == 0) {
        out.not_judged = Some("no digital value");
        return out;
    }
    let usual = Limits::default();
    // The first that stands at the usual budget explains the loop; else, at a looser one, the one furthest beyond its
    // threshold.
    let mut weaker: Vec<Draft> = Vec::new();
    let mut settle = |d: Option<Draft>| -> bool {
        let Some(d) = believed(d, limits) else {
            return false;
        };
        if believed(Some(d.clone()), &usual).is_some() {
            weaker = vec![d];
            return true;
        }
        weaker.push(d);
        false
    };
    let ambient = |h: i64| ctx.ambient(h);
    let take = |b: &crate::block::HourBlock| !hour_in(skip, b.hour);
    let found = 'found: {
        if settle(scaling::reported(l, to, skip)) || settle(ceiling::detect(l, to, skip)) {
            break 'found true;
        }
        let mut cells = fit::cells(l.blocks, &ambient, &take);
        if distinct_days(&cells) < MIN_DAYS {
            out.not_judged = Some("record too short: drift needs five days of running");
            break 'found true;
        }
        settle(episodes::detect(l, to, skip))
            || {
                out.hours = bursts::hours(l, &cells, &ambient, skip);
                settle(out.hours.as_ref().and_then(|h| bursts::detect(l, h, to)))
            }
            || settle(changed(l, ctx, &mut cells, tolerance, to))
            || settle(standing::detect(l, &cells, tolerance))
    };
    if !found {
        let margin = |d: &Draft| d.judged.map_or(0.0, |(t, s)| limits.margin(t, s));
        weaker.sort_by(|a, b| margin(b).total_cmp(&margin(a)));
    }
    out.drafts.extend(weaker.into_iter().next());
    if out.drafts.iter().any(|d| d.cause != Some("intermittent")) {
        out.hours = None;
    }
    out
}

/// The finding, if its statistic is believed at this budget.
fn believed(d: Option<Draft>, limits: &Limits) -> Option<Draft> {
    d.filter(|d| d.judged.is_none_or(|(t, s)| limits.pass(t, s)))
}

fn distinct_days(cells: &[Cell]) -> usize {
    let mut days: Vec<i64> = cells.iter().map(Cell::day).collect();
    days.dedup();
    days.len()
}

/// The best change, after cells that stand far out (at most 12 %) were set aside twice.
fn best_change(cells: &mut [Cell]) -> Option<(Base, Candidate, Scatter, [f64; 2])> {
    for c in cells.iter_mut() {
        c.used = true;
    }
    let most_out = cells.len() * 12 / 100;
    let mut result = None;
    for round in 0..3 {
        let base = Base::fit(cells)?;
        let mut best: Option<Candidate> = None;
        let mut by_form = [0.0_f64; 2];
        for (f, form) in [Form::Offset, Form::Span].into_iter().enumerate() {
            for shape in [Shape::Step, Shape::Ramp] {
                if let (_, Some(c)) = base.scan(cells, form, shape) {
                    by_form[f] = by_form[f].max(c.gain);
                    if best.is_none_or(|b| c.gain > b.gain) {
                        best = Some(c);
                    }
                }
            }
        }
        let mut best = best?;
        let beta = base.beside(cells, &best);
        let mut res = residuals(cells, &beta, Some(&best));
        let mut sc = scatter(cells, &res, &base, 3.0);
        // A step that ended (somebody put it right) must explain clearly more than one that stays.
        for (f, form) in [Form::Offset, Form::Span].into_iter().enumerate() {
            if let Some(c) = base.scan_stretch(cells, form, ENDED_MIN_CELLS, 4) {
                let starts_late = c.start >= 4;
                if !starts_late || c.gain < 1.15 * best.gain {
                    continue;
                }
                let beta = base.beside(cells, &c);
                let res_c = residuals(cells, &beta, Some(&c));
                let sc_c = scatter(cells, &res_c, &base, 4.0);
                if c.gain > best.gain + 12.0 * sc_c.per_weight {
                    by_form[f] = by_form[f].max(c.gain);
                    (best, res, sc) = (c, res_c, sc_c);
                }
            }
        }
        result = Some((base, best, sc, by_form));
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

fn changed(
    l: &LoopRecord<'_>,
    ctx: &Context,
    cells: &mut [Cell],
    tolerance: f64,
    to: UtcMicros,
) -> Option<Draft> {
    let (base, best, sc, by_form) = best_change(cells)?;
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
    let form = best.form;
    let effect = (best.amplitude * growth_now * form.at(visited_high)).abs();
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
    // Cause: by which form explains more; a loop that never leaves its operating point shows an offset.
    let spread = deviation_of(&x);
    let (form, certain) = if spread < STILL_X {
        (Form::Offset, false)
    } else {
        (form, (by_form[0] - by_form[1]).abs() > 6.0 * sc.per_weight)
    };
    let best = if form == best.form {
        best
    } else {
        refit(&base, cells, form, &best)?
    };
    let beta = base.beside(cells, &best);
    let onset = onset(&base, cells, form, sc.per_weight, &best);
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
    let mut d = Draft::by(test, statistic, Kind::AnalogDigitalDrift, onset.1)
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
        .number("log_likelihood_ratio", lr)
        .count("days", sc.days as u64)
        .number("day_scatter_pct", sc.day_sd)
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
        )
        .text(
            "cause_is",
            if certain {
                "told apart"
            } else {
                "not told apart well"
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
            cells,
            &base,
            form,
            sc.per_weight,
            tolerance,
            x_usual,
            level,
            now_t,
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

/// Likelihood ratio that is believed at the usual budget.
pub fn accept(days: usize) -> f64 {
    Limits::default().at(Test::DriftLasting) * few_days(days)
}

/// More is asked when few days estimate the scatter (Student's tail).
pub fn few_days(days: usize) -> f64 {
    1.0 + 3.0 / (days as f64 - 3.0).max(1.0)
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

/// Hourly digital positions that took part.
fn positions(l: &LoopRecord<'_>) -> Vec<f64> {
    l.blocks
        .iter()
        .filter(|b| b.fit.n > 0)
        .map(|b| b.fit.xx[0][1] / b.fit.xx[0][0].max(1e-12))
        .collect()
}

fn deviation_of(x: &[f64]) -> f64 {
    let n = x.len() as f64;
    let mean = x.iter().sum::<f64>() / n.max(1.0);
    (x.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0)).sqrt()
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
        for k in 0..cells.len().saturating_sub(7) {
            let t0 = fit::start_t(cells, k);
            for (power, prior) in forecast::POWERS {
                let growth = |i: usize| (cells[i].t - t0).max(0.0).powf(power);
                let (g, _, _) = base.any_growth(cells, form, k, &growth);
                if g > 0.0 {
                    let g = g + 2.0 * per_weight * f64::ln(prior);
                    all.push((k, g));
                    top = top.max(g);
                }
            }
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
