//! What the picture of a loop has beside its two traces: the status bits as a ribbon, and the time to come with the
//! forecast. The same marks as on the page.

use super::figure::{LEFT, Plot, RIGHT, TOP, WIDTH};
use super::html::{Html, signed};
use analytics_assess::Trace;
use analytics_detect::status::BITS;
use analytics_detect::{Finding, Kind};
use ingest_model::UtcMicros;
use ingest_model::instant::MICROS_PER_DAY;

/// Height of a status bit: its name above its bar.
const BIT: f64 = 24.0;

/// Drift that goes on, with what it needs to be drawn ahead.
pub(super) struct Ahead<'a> {
    finding: &'a Finding,
    deviation_pct: f64,
    rate_pct_per_day: f64,
    now: UtcMicros,
}

impl<'a> Ahead<'a> {
    /// `None` where nothing is foretold.
    pub(super) fn of(finding: Option<&'a Finding>, now: UtcMicros) -> Option<Self> {
        let f = finding.filter(|f| f.kind == Kind::AnalogDigitalDrift && f.ended.is_none())?;
        let rate = f.rate_pct_per_day.filter(|r| *r != 0.0 && r.is_finite())?;
        Some(Self {
            finding: f,
            deviation_pct: f.deviation_pct.filter(|d| d.is_finite())?,
            rate_pct_per_day: rate,
            now,
        })
    }

    fn at(&self, t: f64) -> f64 {
        self.deviation_pct + self.rate_pct_per_day * (t - self.now.0 as f64) / MICROS_PER_DAY as f64
    }

    /// Values at `end` of the two lines that reach the edge at the ends of the 80 % interval.
    fn fan(&self, edge: f64, end: f64) -> Option<(f64, f64)> {
        let (low, high) = (
            self.finding.reaches_tolerance_low?,
            self.finding.reaches_tolerance_high?,
        );
        if low <= self.now || self.deviation_pct.abs() >= edge.abs() {
            return None;
        }
        let now = self.now.0 as f64;
        let at = |t: UtcMicros| {
            let share = (end - now) / (t.0 as f64 - now);
            self.deviation_pct + (edge - self.deviation_pct) * share
        };
        Some((at(low), at(high)))
    }

    /// Fan, middle line, and the bar on the tolerance's edge with its date.
    pub(super) fn draw(&self, h: &mut Html, plot: &Plot, tolerance_pct: f64) {
        let (now, end) = (self.now.0 as f64, plot.t.1);
        let edge = tolerance_pct.copysign(self.rate_pct_per_day);
        let (x0, x1) = (plot.x(now), plot.x(end));
        if let Some((a, b)) = self.fan(edge, end) {
            h.raw("<path class=\"fan\" d=\"M");
            for (n, (x, v)) in [(x0, self.deviation_pct), (x1, a), (x1, b)]
                .into_iter()
                .enumerate()
            {
                h.raw(if n > 0 { "L" } else { "" })
                    .at(x)
                    .raw(" ")
                    .at(plot.y(v));
            }
            h.raw("Z\"/>");
        }
        let ends = (plot.y(self.deviation_pct), plot.y(self.at(end)));
        plot.line(h, "fwd", (x0, x1), ends);
        let f = self.finding;
        if let (Some(low), Some(high)) = (f.reaches_tolerance_low, f.reaches_tolerance_high) {
            let (a, b) = (plot.x(low.0.max(self.now.0) as f64), plot.x(high.0 as f64));
            if (low.0 as f64) < end && b > a {
                plot.line(h, "hit", (a, b), (plot.y(edge), plot.y(edge)));
            }
            // The year is on the page, and a forecast of more than one is not made.
            let day = |t: UtcMicros| {
                let whole = h.zone().day(t);
                whole
                    .rsplit_once(' ')
                    .map_or(whole.clone(), |(d, _)| d.to_owned())
            };
            let words = f.reaches_tolerance_at.filter(|t| *t > self.now).map(|t| {
                let range = format!("80 %: {} to {}", day(low), day(high));
                (format!("tolerance {}", day(t)), range)
            });
            if let Some((date, range)) = words {
                // Beyond the other edge, where no forecast goes.
                let y = plot.y(-edge) + if edge > 0.0 { 16.0 } else { -22.0 };
                plot.label(h, "t b e halo", WIDTH - RIGHT - 4.0, y, &date);
                plot.label(h, "t e halo", WIDTH - RIGHT - 4.0, y + 14.0, &range);
            }
        }
        let y = plot.y(self.deviation_pct) + if edge > 0.0 { 18.0 } else { -9.0 };
        let value = format!("{} %", signed(self.deviation_pct, 2));
        plot.label(h, "t v halo", x0 + 6.0, y, &value);
    }
}

/// Paper of another colour for the time to come.
pub(super) fn draw_ahead(h: &mut Html, plot: &Plot, now: UtcMicros, bottom: f64) {
    let x = plot.x(now.0 as f64);
    plot.rect(h, "fut", (x, WIDTH - RIGHT), (TOP, bottom));
}

/// The line where it begins.
pub(super) fn draw_now(h: &mut Html, plot: &Plot, now: UtcMicros, bottom: f64) {
    let x = plot.x(now.0 as f64);
    plot.line(h, "nowl", (x, x), (TOP, bottom));
}

/// The bits that were set, by place in the status byte, with the stretches in which they were.
pub(super) fn set_bits(trace: &Trace) -> Vec<(&'static str, Vec<(f64, f64)>)> {
    let step = f64::from(trace.step_s) * 1e6;
    let mut out = Vec::new();
    for (bit, (name, _)) in BITS.iter().take(8).enumerate().rev() {
        let mut spans: Vec<(f64, f64)> = Vec::new();
        let set = |byte: &u8| byte & (1 << bit) != 0;
        for (t, _) in (trace.time.iter().zip(&trace.device_status)).filter(|(_, b)| set(b)) {
            let from = t.0 as f64;
            match spans.last_mut().filter(|s| from - s.1 < 1e6) {
                Some(last) => last.1 = from + step,
                None => spans.push((from, from + step)),
            }
        }
        if !spans.is_empty() {
            out.push((*name, spans));
        }
    }
    out
}

/// Height of the ribbon of so many bits.
pub(super) fn ribbon_height(bits: usize) -> f64 {
    BIT * bits.max(1) as f64 + 8.0
}

/// A line for each bit that was set; the others are a count in the strip's title.
pub(super) fn draw_ribbon(
    h: &mut Html,
    plot: &Plot,
    bits: &[(&'static str, Vec<(f64, f64)>)],
    now: UtcMicros,
) {
    let right = plot.x(now.0 as f64);
    for (i, (name, spans)) in bits.iter().enumerate() {
        let y = 4.0 + BIT * i as f64;
        plot.label(h, "t", LEFT + 4.0, y + 9.0, name);
        plot.line(h, "grid", (LEFT, right), (y + 16.0, y + 16.0));
        for (from, to) in spans {
            let (a, b) = (plot.x(*from), plot.x(*to).min(right));
            plot.line(h, "bits", (a, b.max(a + 1.5)), (y + 16.0, y + 16.0));
        }
    }
    if bits.is_empty() {
        plot.line(h, "grid", (LEFT, right), (16.0, 16.0));
    }
}
