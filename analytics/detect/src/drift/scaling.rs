//! Scaling: the registered range is not the device's (or the host's is not).
//!
//! In a sound device the reported current *is* the registered one, so `er = r - f(d)` needs no statistics:
//! a lasting `er` that follows a line in the position is another range. A held output (slope -1: `r` stands
//! still) and a held digital value (no spread in `f`) are other findings.

use super::fit::{Candidate, Cell, Form, Q, Shape};
use crate::block::{HourBlock, ReportedFit};
use crate::finding::{Evidence, Kind};
use crate::history::{Draft, LoopRecord, Window, hour_in};
use crate::limits::Test;
use ingest_model::{Transfer, UtcMicros, instant::MICROS_PER_HOUR};

/// Hours that must be off, and their share from the first on.
/// The test asks for more hours than these.
const MIN_HOURS: usize = 3;
const MIN_SHARE: f64 = 0.6;
/// Mean of an hour that counts where single samples always differ, % of span.
const DAMPED_PCT: f64 = 0.1;

/// From `reported_ma` against `f(pv)`.
pub fn reported(l: &LoopRecord<'_>, to: UtcMicros, skip: &[Window]) -> Option<Draft> {
    if matches!(l.entry.range.transfer, Transfer::Other(_)) || l.entry.multidrop {
        return None;
    }
    let usable: Vec<&HourBlock> = l
        .blocks
        .iter()
        .filter(|b| b.er.n >= 2 && !hour_in(skip, b.hour) && b.bit_share(3) == 0.0)
        .collect();
    let off: Vec<bool> = usable.iter().map(|b| 2 * b.er.off > b.er.n).collect();
    // A damped output differs by samples from the first hour on: where its hours know a later start, that counts.
    let by_samples = exact(&usable, &off).map(|(s, l)| (s, l, false));
    let (stretch, line, to_the_hour) = match by_samples {
        Some(found) if found.0.first > 0 => found,
        whole => damped(&usable)
            .map(|(s, l)| (s, l, true))
            .filter(|(s, ..)| s.first > 0 || whole.is_none())
            .or(whole)?,
    };
    let Stretch { first, last, hours } = stretch;
    let Line {
        mx,
        my,
        slope,
        left,
    } = line;
    let size = line.size();
    let began = UtcMicros(usable[first].first_row);
    let (onset, slack_s) = if first == 0 {
        (began.max(UtcMicros(l.blocks[0].first_row)), 0.0)
    } else if to_the_hour {
        (began, 3600.0)
    } else {
        let since = usable[first].er.first_off.min(usable[first].last_row);
        (UtcMicros(since), 0.0)
    };
    let mut d = Draft::by(
        Test::ReportedRange,
        hours as f64,
        Kind::AnalogDigitalDrift,
        onset,
    )
    .within(
        onset.plus_s(-l.period_s() - slack_s),
        onset.plus_s(slack_s).min(to),
    )
    .number("reported_minus_registered_pct", my)
    .number("full_scale_pct", line.at(50.0))
    .number("zero_scale_pct", line.at(-50.0))
    .number("residual_pct", left)
    .count("hours", hours as u64)
    .text(
        "shape",
        if first == 0 {
            "since the record began"
        } else {
            "step"
        },
    );
    if l.entry.range.transfer == Transfer::Linear && left < 0.05 * size.max(1.0) {
        // f' = f + er is linear in the PV: the range that gives it.
        let span = l.entry.range.urv - l.entry.range.lrv;
        let gain = 1.0 + slope;
        let zero = 50.0 + my - slope * mx - 50.0 * gain; // percent at lrv
        let lrv = l.entry.range.lrv - span * zero / (100.0 * gain);
        d = d
            .number("device_lrv", lrv)
            .number("device_urv", lrv + span / gain);
    }
    d.cause = Some("scaling");
    d.deviation_pct = recent(l).or(Some(my));
    // Ended when the last day of running shows none of it.
    let end = usable[last];
    if usable.len() - 1 - last >= 6 && to.0 - end.last_row > 6 * MICROS_PER_HOUR {
        d.ended = Some(UtcMicros(end.last_row));
    }
    Some(d)
}

/// Hours that are off, from the first to the last of them.
struct Stretch {
    first: usize,
    last: usize,
    hours: usize,
}

/// Reported minus registered position along a line, and the scatter about it; % of span.
struct Line {
    mx: f64,
    my: f64,
    slope: f64,
    left: f64,
}

impl Line {
    /// `None` where the digital value or the output is held.
    fn of(s: &ReportedFit) -> Option<Self> {
        let n = f64::from(s.n);
        let (mx, my) = (s.sx / n, s.sum / n);
        let vx = s.sxx / n - mx * mx;
        let cov = s.sxy / n - mx * my;
        let vy = (s.syy / n - my * my).max(0.0);
        if vx < 0.01 && vy > 0.01 {
            return None; // the digital value stands still while the output moves
        }
        let slope = if vx > 0.01 { cov / vx } else { 0.0 };
        if slope < -0.9 {
            return None; // the output is held
        }
        let left = (vy - slope * slope * vx).max(0.0).sqrt();
        Some(Self {
            mx,
            my,
            slope,
            left,
        })
    }

    fn at(&self, x: f64) -> f64 {
        self.my + self.slope * (x - self.mx)
    }

    /// The larger of its values at zero and full scale.
    fn size(&self) -> f64 {
        self.at(-50.0).abs().max(self.at(50.0).abs())
    }
}

/// A device whose reported current is its registered one to the last digit: hours off count, and lie on a line.
fn exact(usable: &[&HourBlock], off: &[bool]) -> Option<(Stretch, Line)> {
    let mostly = mostly_off(off);
    let first = (0..usable.len()).find(|&i| off[i] && mostly[i])?;
    let last = (0..usable.len()).rev().find(|&i| off[i])?;
    let hours = off[first..=last].iter().filter(|o| **o).count();
    if hours < MIN_HOURS {
        return None;
    }
    let mut s = ReportedFit::default();
    for (b, _) in usable[first..=last]
        .iter()
        .zip(&off[first..=last])
        .filter(|(_, o)| **o)
    {
        s.merge(&b.er);
    }
    let line = Line::of(&s)?;
    // A line that does not explain what is off is not another range (nor, with some curve, another transfer function).
    (line.left <= 0.35 * line.size().max(0.1)).then_some((Stretch { first, last, hours }, line))
}

/// A device that damps its current and not its digital value: the two differ in every sample that moves, so hours are
/// judged by their means. The start is where a line over all that follows explains most; before it the means lie at zero.
fn damped(usable: &[&HourBlock]) -> Option<(Stretch, Line)> {
    let mut after = ReportedFit::default();
    let mut best = (0.0, 0);
    for k in (0..usable.len()).rev() {
        after.merge(&usable[k].er);
        if usable.len() - k < MIN_HOURS {
            continue;
        }
        let n = f64::from(after.n);
        let (mx, my) = (after.sx / n, after.sum / n);
        let (sxx, sxy) = (after.sxx - n * mx * mx, after.sxy - n * mx * my);
        let explained = n * my * my + if sxx > 0.01 * n { sxy * sxy / sxx } else { 0.0 };
        if explained > best.0 {
            best = (explained, k);
        }
    }
    let first = best.1;
    let fit = |part: &[&HourBlock]| {
        let mut s = ReportedFit::default();
        part.iter().for_each(|b| s.merge(&b.er));
        (s.n > 0).then_some(s)
    };
    let line = Line::of(&fit(&usable[first..])?)?;
    let mean = |b: &HourBlock| {
        let n = f64::from(b.er.n);
        (b.er.sx / n, b.er.sum / n)
    };
    let (mut said, mut left, mut hours) = (0.0, 0.0, 0);
    for b in &usable[first..] {
        let (x, er) = mean(b);
        let v = line.at(x);
        said += v * v;
        left += (er - v).powi(2);
        hours += usize::from(v.abs() > DAMPED_PCT && er * v.signum() > 0.5 * v.abs());
    }
    let count = (usable.len() - first) as f64;
    let before: f64 = usable[..first].iter().map(|b| mean(b).1.powi(2)).sum();
    let still = first == 0 || before / (first as f64) < 0.05 * said / count;
    let clear = said / count > DAMPED_PCT * DAMPED_PCT && left < 0.06 * said;
    let last = usable.len() - 1;
    (still && clear && hours >= MIN_HOURS).then_some((Stretch { first, last, hours }, line))
}

/// Whether from each hour on enough are off: in all that follows, or, since a fault that ended must still be seen, in some
/// stretch of at least six hours from there on.
fn mostly_off(off: &[bool]) -> Vec<bool> {
    // Hours off over what the share asks for, before each hour: where a later sum is no smaller, the share is reached.
    let mut sums = vec![0.0];
    let mut sum = 0.0;
    for o in off {
        sum += f64::from(u8::from(*o)) - MIN_SHARE;
        sums.push(sum);
    }
    let n = off.len();
    let mut greatest = f64::NEG_INFINITY;
    let mut out = vec![false; n];
    for i in (0..n).rev() {
        if let Some(v) = sums.get((i + 6).min(n)) {
            greatest = greatest.max(*v);
        }
        out[i] = greatest >= sums[i] - 1e-9;
    }
    out
}

/// Mean deviation over the last 24 hours of running.
pub fn recent(l: &LoopRecord<'_>) -> Option<f64> {
    let (mut w, mut y) = (0.0, 0.0);
    for b in l.blocks.iter().rev().filter(|b| b.fit.n > 0).take(24) {
        w += b.fit.xx[0][0];
        y += b.fit.xy[0];
    }
    (w > 0.0).then(|| y / w)
}

/// Without `reported_ma`: does a step look like a new range? A configuration change beside it, or a size and
/// a slope that no output stage loses overnight.
pub fn looks_rescaled(
    l: &LoopRecord<'_>,
    cells: &[Cell],
    beta: &[f64; Q],
    c: &Candidate,
    onset: UtcMicros,
) -> bool {
    if c.shape != Shape::Step || l.blocks.iter().any(|b| b.er.n > 0) {
        return false;
    }
    let _ = (cells, beta);
    let near = |b: &HourBlock| {
        b.config_steps > 0 && (b.config_first_step - onset.0).abs() < 12 * MICROS_PER_HOUR
    };
    let configured = l.blocks.iter().any(near);
    let full = c.amplitude * c.form.at(50.0);
    let tolerance = l.entry.tolerance_pct;
    (configured && full.abs() > tolerance)
        || (c.form == Form::Span && full.abs() > 4.0_f64.max(4.0 * tolerance))
}

/// The host reads the same current with another scale than the device was given.
pub fn host_scale(l: &LoopRecord<'_>) -> Option<Draft> {
    let (lrv, urv) = (l.entry.range.lrv, l.entry.range.urv);
    let (hl, hu) = (
        l.entry.host_lrv.unwrap_or(lrv),
        l.entry.host_urv.unwrap_or(urv),
    );
    let span = (urv - lrv).abs();
    let zero = 100.0 * (hl - lrv) / span;
    let full = 100.0 * (hu - urv) / span;
    if l.entry.multidrop || zero.abs().max(full.abs()) < l.entry.tolerance_pct {
        return None;
    }
    // A square-root loop may be given its flow scale on the host's side: not comparable.
    if l.entry.range.transfer != Transfer::Linear || l.blocks.iter().all(|b| b.m.n == 0) {
        return None;
    }
    let onset = l
        .entry
        .valid_from
        .unwrap_or(UtcMicros(l.blocks.first()?.first_row));
    let mut d = Draft::new(Kind::AnalogDigitalDrift, onset, 0.9)
        .number("zero_scale_pct", zero)
        .number("full_scale_pct", full)
        .number("host_lrv", hl)
        .number("host_urv", hu);
    d.evidence.insert("host_scale", Evidence::Flag(true));
    d.cause = Some("scaling");
    d.deviation_pct = Some(if zero.abs() > full.abs() { zero } else { full });
    Some(d)
}
