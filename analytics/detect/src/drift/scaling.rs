//! Scaling: the registered range is not the device's (or the host's is not).
//!
//! In a sound device the reported current *is* the registered one, so `er = r - f(d)` needs no statistics:
//! a lasting `er` that follows a line in the position is another range. A held output (slope -1: `r` stands
//! still) and a held digital value (no spread in `f`) are other findings.

use super::fit::{Candidate, Cell, Form, Q, Shape};
use crate::block::ReportedFit;
use crate::finding::{Evidence, Kind};
use crate::history::{Draft, LoopRecord, Window, hour_in};
use crate::limits::Test;
use ingest_model::{Transfer, UtcMicros, instant::MICROS_PER_HOUR};

/// Hours that must be off, and their share from the first on.
/// The test asks for more hours than these.
const MIN_HOURS: usize = 3;
const MIN_SHARE: f64 = 0.6;

/// From `reported_ma` against `f(pv)`.
pub fn reported(l: &LoopRecord<'_>, to: UtcMicros, skip: &[Window]) -> Option<Draft> {
    if matches!(l.entry.range.transfer, Transfer::Other(_)) || l.entry.multidrop {
        return None;
    }
    let usable: Vec<&crate::block::HourBlock> = l
        .blocks
        .iter()
        .filter(|b| b.er.n >= 2 && !hour_in(skip, b.hour) && b.bit_share(3) == 0.0)
        .collect();
    let off: Vec<bool> = usable.iter().map(|b| 2 * b.er.off > b.er.n).collect();
    let first = (0..usable.len()).find(|&i| off[i] && share(&off[i..]) >= MIN_SHARE)?;
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
        s.n += b.er.n;
        s.sum += b.er.sum;
        s.sx += b.er.sx;
        s.sxx += b.er.sxx;
        s.sxy += b.er.sxy;
        s.syy += b.er.syy;
    }
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
    let at = |x: f64| my + slope * (x - mx);
    let size = at(-50.0).abs().max(at(50.0).abs());
    // A line that does not explain what is off is not another range (nor, with some curve, another transfer function).
    if left > 0.35 * size.max(0.1) {
        return None;
    }
    let since = UtcMicros(usable[first].er.first_off.min(usable[first].last_row));
    let onset = if first == 0 {
        UtcMicros(usable[0].first_row).max(UtcMicros(l.blocks[0].first_row))
    } else {
        since
    };
    let mut d = Draft::by(
        Test::ReportedRange,
        hours as f64,
        Kind::AnalogDigitalDrift,
        onset,
    )
    .within(onset.plus_s(-l.period_s()), onset)
    .number("reported_minus_registered_pct", my)
    .number("full_scale_pct", at(50.0))
    .number("zero_scale_pct", at(-50.0))
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

fn share(off: &[bool]) -> f64 {
    // The share over what follows, but a fault that ended must still be seen: best prefix of at least 6 hours.
    let mut n = 0.0;
    let mut best: f64 = 0.0;
    for (i, o) in off.iter().enumerate() {
        n += f64::from(u8::from(*o));
        if i + 1 >= 6.min(off.len()) {
            best = best.max(n / (i + 1) as f64);
        }
    }
    best
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
    let near = |b: &crate::block::HourBlock| {
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
