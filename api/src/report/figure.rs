//! Figures as inline SVG: the daily deviation in its tolerance band, the daily share of failed exchanges.

use super::html::{Html, figures, signed};
use analytics_assess::Trace;
use analytics_detect::Finding;
use ingest_model::UtcMicros;
use ingest_model::instant::MICROS_PER_DAY;

pub(super) const WIDTH: f64 = 720.0;
pub(super) const LEFT: f64 = 46.0;
pub(super) const RIGHT: f64 = 64.0;
pub(super) const TOP: f64 = 18.0;
const BOTTOM: f64 = 22.0;

/// A plot's corner, and what its edges mean.
pub(super) struct Plot {
    pub(super) height: f64,
    pub(super) t: (f64, f64),
    pub(super) y: (f64, f64),
}

impl Plot {
    pub(super) fn x(&self, t: f64) -> f64 {
        let share = (t - self.t.0) / (self.t.1 - self.t.0).max(1.0);
        LEFT + share.clamp(0.0, 1.0) * (WIDTH - LEFT - RIGHT)
    }

    pub(super) fn y(&self, v: f64) -> f64 {
        let share = (v - self.y.0) / (self.y.1 - self.y.0).max(1e-9);
        let inner = self.height - TOP - BOTTOM;
        TOP + (1.0 - share.clamp(0.0, 1.0)) * inner
    }

    fn open(&self, h: &mut Html, label: &str) {
        h.raw("<svg class=\"fig\" role=\"img\" viewBox=\"0 0 ")
            .at(WIDTH)
            .raw(" ")
            .at(self.height)
            .raw("\" aria-label=\"")
            .text(label)
            .raw("\">");
    }

    pub(super) fn line(&self, h: &mut Html, class: &'static str, x: (f64, f64), y: (f64, f64)) {
        h.raw("<line class=\"")
            .raw(class)
            .raw("\" x1=\"")
            .at(x.0)
            .raw("\" x2=\"")
            .at(x.1)
            .raw("\" y1=\"")
            .at(y.0)
            .raw("\" y2=\"")
            .at(y.1)
            .raw("\"/>");
    }

    pub(super) fn label(&self, h: &mut Html, class: &'static str, x: f64, y: f64, text: &str) {
        h.raw("<text class=\"")
            .raw(class)
            .raw("\" x=\"")
            .at(x)
            .raw("\" y=\"")
            .at(y)
            .raw("\">")
            .text(text)
            .raw("</text>");
    }

    pub(super) fn rect(&self, h: &mut Html, class: &'static str, x: (f64, f64), y: (f64, f64)) {
        h.raw("<rect class=\"")
            .raw(class)
            .raw("\" x=\"")
            .at(x.0)
            .raw("\" width=\"")
            .at((x.1 - x.0).max(0.0))
            .raw("\" y=\"")
            .at(y.0)
            .raw("\" height=\"")
            .at((y.1 - y.0).max(0.0))
            .raw("\"/>");
    }

    /// Axes with ticks at round values and whole days.
    pub(super) fn axes(&self, h: &mut Html, value: &dyn Fn(f64) -> String) {
        let right = WIDTH - RIGHT;
        let count = if self.height > 100.0 { 5 } else { 2 };
        for v in ticks(self.y.0, self.y.1, count) {
            self.line(h, "grid", (LEFT, right), (self.y(v), self.y(v)));
            self.label(h, "t e", LEFT - 6.0, self.y(v) + 4.0, &value(v));
        }
        let days = (self.t.1 - self.t.0) / MICROS_PER_DAY as f64;
        let step = [1.0, 2.0, 5.0, 7.0, 14.0, 28.0, 56.0, 91.0, 182.0, 364.0]
            .into_iter()
            .find(|s| days / s <= 8.0)
            .unwrap_or(days / 8.0);
        let zone = h.zone();
        let end = UtcMicros((self.t.1 - 0.4 * step * MICROS_PER_DAY as f64) as i64);
        for t in zone.midnights(UtcMicros(self.t.0 as i64), end, step as u64) {
            let x = self.x(t.0 as f64);
            self.line(
                h,
                "tick",
                (x, x),
                (self.height - BOTTOM, self.height - BOTTOM + 4.0),
            );
            let text = zone.day(t);
            // The year is on the page.
            let short = text.rsplit_once(' ').map_or(text.as_str(), |(d, _)| d);
            self.label(h, "t", x + 2.0, self.height - 6.0, short);
        }
        self.line(
            h,
            "axis",
            (LEFT, right),
            (self.height - BOTTOM, self.height - BOTTOM),
        );
    }

    /// A step as wide as each bin, in ink: the difference alone has a colour.
    fn steps(&self, h: &mut Html, trace: &Trace, values: &[f64]) {
        let step = f64::from(trace.step_s) * 1e6;
        h.raw("<path class=\"step\" d=\"");
        let mut before = f64::NEG_INFINITY;
        for (t, v) in trace.time.iter().zip(values) {
            let from = t.0 as f64;
            if !v.is_finite() {
                before = f64::NEG_INFINITY;
                continue;
            }
            h.raw(if from - before < 1e6 { "L" } else { "M" })
                .at(self.x(from))
                .raw(" ")
                .at(self.y(*v))
                .raw("H")
                .at(self.x(from + step));
            before = from + step;
        }
        h.raw("\"/>");
    }

    /// A line through the values, broken where nothing was seen, with a dot each.
    fn course(&self, h: &mut Html, points: &[(f64, f64)]) {
        h.raw("<path class=\"course\" d=\"");
        let mut pen_down = false;
        for (t, v) in points {
            if !v.is_finite() {
                pen_down = false;
                continue;
            }
            h.raw(if pen_down { "L" } else { "M" })
                .at(self.x(*t))
                .raw(" ")
                .at(self.y(*v));
            pen_down = true;
        }
        h.raw("\"/>");
        if points.len() > 120 {
            return;
        }
        for (t, v) in points.iter().filter(|p| p.1.is_finite()) {
            h.raw("<circle class=\"dot\" r=\"2\" cx=\"")
                .at(self.x(*t))
                .raw("\" cy=\"")
                .at(self.y(*v))
                .raw("\"/>");
        }
    }
}

/// Round values between the ends, about `n` of them.
fn ticks(low: f64, high: f64, n: usize) -> Vec<f64> {
    let rough = (high - low) / n as f64;
    if !rough.is_finite() || rough <= 0.0 {
        return Vec::new();
    }
    let base = 10_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * base)
        .find(|s| *s >= rough * 0.999)
        .unwrap_or(10.0 * base);
    let mut out = Vec::new();
    let mut k = (low / step).ceil();
    while k * step <= high + 1e-9 * step && out.len() < 20 {
        out.push(k * step);
        k += 1.0;
    }
    out
}

/// Bins of the trace with the middle of each day.
fn points(trace: &Trace, values: &[f64]) -> Vec<(f64, f64)> {
    let half = f64::from(trace.step_s) * 5e5;
    let step = f64::from(trace.step_s) * 1e6;
    let mut out: Vec<(f64, f64)> = Vec::new();
    for (t, v) in trace.time.iter().zip(values) {
        let t = t.0 as f64 + half;
        // Days without any row are not in the trace: the line breaks there.
        if let Some((last, _)) = out.last().copied()
            && t - last > 1.5 * step
        {
            out.push((last + step, f64::NAN));
        }
        out.push((t, *v));
    }
    out
}

fn span(trace: &Trace) -> Option<(f64, f64)> {
    let first = trace.time.first()?.0 as f64;
    let last = trace.time.last()?.0 as f64 + f64::from(trace.step_s) * 1e6;
    Some((first, last))
}

fn caption(h: &mut Html, title: &'static str, rest: &str) {
    h.raw("<p class=\"caption\"><b>")
        .text(title)
        .raw("</b> ")
        .text(rest)
        .raw("</p>");
}

/// The plot that the deviation of this trace needs; `None` where the two were never seen together.
pub(super) fn deviation_plot(trace: &Trace, tolerance_pct: f64, height: f64) -> Option<Plot> {
    let seen = || {
        trace
            .difference_pct
            .iter()
            .chain(&trace.difference_low_pct)
            .chain(&trace.difference_high_pct)
            .copied()
            .filter(|v| v.is_finite())
    };
    seen().next()?;
    let (low, high) = seen().fold((-tolerance_pct, tolerance_pct), |(a, b), v| {
        (a.min(v), b.max(v))
    });
    let margin = 0.12 * (high - low);
    Some(Plot {
        height,
        t: span(trace)?,
        y: (low - margin, high + margin),
    })
}

/// Means of analog minus digital with the middle 80 % of samples, the tolerance band, and the onset of a finding.
pub(super) fn deviation(
    h: &mut Html,
    trace: &Trace,
    tolerance_pct: f64,
    finding: Option<&Finding>,
) {
    let Some(plot) = deviation_plot(trace, tolerance_pct, 130.0) else {
        h.raw("<p class=\"caption\">")
            .text("No deviation to draw: the current at the host and the digital value were never seen together.")
            .raw("</p>");
        return;
    };
    caption(
        h,
        "Deviation by day",
        &format!(
            "analog minus digital, % of span. Band: tolerance \u{b1}{} %. Bars: the middle 80 % of samples.",
            figures(tolerance_pct)
        ),
    );
    let newest = newest(trace).map_or_else(|| "not known".to_owned(), |v| signed(v, 2));
    plot.open(
        h,
        &format!(
            "Daily deviation of {} days, newest {newest} % of span, tolerance {} %",
            trace.time.len(),
            figures(tolerance_pct)
        ),
    );
    draw_deviation(h, &plot, trace, tolerance_pct, finding);
    label_newest(h, &plot, trace);
    h.raw("</svg>");
}

/// The newest mean that is known.
pub(super) fn newest(trace: &Trace) -> Option<f64> {
    let known = |v: &f64| v.is_finite();
    trace.difference_pct.iter().rev().copied().find(known)
}

/// The marks of the deviation within `plot`.
pub(super) fn draw_deviation(
    h: &mut Html,
    plot: &Plot,
    trace: &Trace,
    tolerance_pct: f64,
    finding: Option<&Finding>,
) {
    let right = WIDTH - RIGHT;
    plot.rect(
        h,
        "band",
        (LEFT, right),
        (plot.y(tolerance_pct), plot.y(-tolerance_pct)),
    );
    if let Some(f) = finding {
        let onset = (plot.x(f.onset_low.0 as f64), plot.x(f.onset_high.0 as f64));
        plot.rect(h, "onsets", onset, (TOP, plot.height - BOTTOM));
    }
    plot.axes(h, &|v| signed(v, decimals(plot)));
    plot.line(h, "zero", (LEFT, right), (plot.y(0.0), plot.y(0.0)));
    let mid = f64::from(trace.step_s) * 5e5;
    let bars = trace
        .time
        .iter()
        .zip(&trace.difference_low_pct)
        .zip(&trace.difference_high_pct);
    for ((t, low), high) in bars.filter(|((_, l), h)| l.is_finite() && h.is_finite()) {
        let x = plot.x(t.0 as f64 + mid);
        plot.line(h, "spread", (x, x), (plot.y(*low), plot.y(*high)));
    }
    plot.course(h, &points(trace, &trace.difference_pct));
    if let Some(f) = finding.filter(|f| f.onset.0 as f64 >= plot.t.0) {
        let x = plot.x(f.onset.0 as f64);
        plot.line(h, "onset", (x, x), (TOP - 4.0, plot.height - BOTTOM));
        let (class, shift) = if x > 0.7 * WIDTH {
            ("t b e", -4.0)
        } else {
            ("t b", 4.0)
        };
        let since = format!("since {}", h.zone().minute(f.onset));
        plot.label(h, class, x + shift, TOP - 6.0, &since);
    }
}

/// The newest mean, at the right of its line.
pub(super) fn label_newest(h: &mut Html, plot: &Plot, trace: &Trace) {
    if let Some(v) = newest(trace) {
        let text = format!("{} %", signed(v, 2));
        plot.label(h, "t v", WIDTH - RIGHT + 6.0, plot.y(v) + 4.0, &text);
    }
}

/// Enough decimals for the ticks of this plot.
fn decimals(plot: &Plot) -> usize {
    let span = plot.y.1 - plot.y.0;
    if span > 10.0 {
        0
    } else if span > 1.0 {
        1
    } else {
        2
    }
}

/// The plot of the failed exchanges, with their shares in percent; `None` where there was no exchange.
pub(super) fn failed_plot(trace: &Trace) -> Option<(Plot, Vec<f64>)> {
    let percent: Vec<f64> = trace.failed_share.iter().map(|v| 100.0 * v).collect();
    let known = percent.iter().copied().filter(|v| v.is_finite());
    let most = known.fold(f64::NAN, f64::max);
    let plot = Plot {
        height: 84.0,
        t: span(trace)?,
        y: (0.0, (1.15 * most).max(1.0)),
    };
    most.is_finite().then_some((plot, percent))
}

/// The marks of the failed exchanges within `plot`.
pub(super) fn draw_failed(h: &mut Html, plot: &Plot, trace: &Trace, percent: &[f64]) {
    plot.axes(h, &|v| figures(v));
    plot.steps(h, trace, percent);
}

/// Share of polls without a good reply by day.
pub(super) fn failed(h: &mut Html, trace: &Trace) {
    let Some((plot, percent)) = failed_plot(trace) else {
        return;
    };
    caption(
        h,
        "Failed exchanges by day",
        "share of polls without a good reply, %.",
    );
    let most = percent.iter().copied().fold(f64::NAN, f64::max);
    plot.open(
        h,
        &format!(
            "Daily share of failed exchanges, at most {} %",
            figures(most)
        ),
    );
    draw_failed(h, &plot, trace, &percent);
    h.raw("</svg>");
}
