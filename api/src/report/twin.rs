//! The twin trace as one SVG file: both copies on one axis, their difference with its forecast, status bits, failed
//! exchanges. For print,
//! for documents, and where nothing runs; the page draws the same marks and can be moved.

use super::ahead::{Ahead, draw_ahead, draw_now, draw_ribbon, ribbon_height, set_bits};
use super::figure::{
    LEFT, Plot, RIGHT, TOP, WIDTH, deviation_plot, draw_deviation, draw_failed, failed_plot,
    label_newest, newest,
};
use super::html::{Html, figures, signed, unit};
use super::zone::Zone;
use analytics_assess::Trace;
use analytics_detect::Finding;
use ingest_model::{Columns, LoopEntry, UtcMicros};

const TWIN: f64 = 150.0;
const DIFFERENCE: f64 = 190.0;
/// Room for the dates beneath a plot.
const BENEATH: f64 = 22.0;
/// Room for the title of a strip.
const TITLE: f64 = 16.0;
/// Analog dots are thinned to this distance, so that they stay dots.
const DOT_EVERY: f64 = 4.6;

/// Colours of the page, light and dark; a picture in another document follows that reader's choice.
const STYLE: &str = "svg{--paper:#fbfaf5;--paper-2:#f3f0e5;--wash:#ecd3e6;--band:#e9e5d7;--ink:#1c1b18;--ink-3:#656258;--rule:#d8d3c3;--rule-2:#a39e8d;--diff:#84186a;background:var(--paper)}\
@media (prefers-color-scheme:dark){svg{--paper:#171613;--paper-2:#211f1b;--wash:#4a2340;--band:#2d2b25;--ink:#ece7da;--ink-3:#a29c8c;--rule:#36332c;--rule-2:#736d5f;--diff:#f094d2}}\
@media print{svg{--paper:#fff;--paper-2:#f5f3ec;--wash:#ecd3e6;--ink:#000;--ink-3:#555;--diff:#84186a;--band:#eae7dc;--rule:#ccc;--rule-2:#888}}\
.t{font:12px \"Noto Sans\",\"Liberation Sans\",\"DejaVu Sans\",sans-serif;fill:var(--ink-3)}.t.e{text-anchor:end}.t.b{fill:var(--ink);font-weight:700}.t.v{fill:var(--diff);font-weight:700}\
.band{fill:var(--band)}.onsets{fill:var(--rule-2);fill-opacity:.28}.grid{stroke:var(--rule);stroke-width:.5}.axis,.tick{stroke:var(--rule-2);stroke-width:.8}.zero{stroke:var(--rule-2);stroke-width:.9}\
.spread{stroke:var(--diff);stroke-width:2.6;stroke-opacity:.22}.course{fill:none;stroke:var(--diff);stroke-width:1.6;stroke-linejoin:round}.dot{fill:var(--diff)}.onset{stroke:var(--ink);stroke-dasharray:2 2}\
.fut{fill:var(--paper-2)}.nowl{stroke:var(--ink)}.fan{fill:var(--wash)}.fwd{stroke:var(--diff);stroke-width:1.3;stroke-dasharray:5 4}.hit{stroke:var(--ink);stroke-width:3}.bits{stroke:var(--ink);stroke-width:8}.halo{paint-order:stroke;stroke:var(--paper-2);stroke-width:4px}\
.step{fill:none;stroke:var(--ink)}.dig{fill:none;stroke:var(--ink);stroke-width:1.1;stroke-linejoin:round}.ana{fill:none;stroke:var(--ink);stroke-width:2.9;stroke-linecap:round}";

/// What the picture is made from; trace and readings lie in the same time.
pub(crate) struct Picture<'a> {
    pub(crate) zone: Zone,
    pub(crate) entry: &'a LoopEntry,
    pub(crate) trace: &'a Trace,
    pub(crate) readings: &'a Columns,
    pub(crate) finding: Option<&'a Finding>,
    /// End of the time shown, where it is the end of the record: time to come is drawn beyond it.
    pub(crate) now: Option<UtcMicros>,
}

impl Picture<'_> {
    /// One time axis for all strips, with room ahead where something is foretold.
    fn axis(&self) -> Option<(f64, f64)> {
        let step = f64::from(self.trace.step_s) * 1e6;
        let first = self.trace.time.first()?.0 as f64;
        let last = self.trace.time.last()?.0 as f64 + step;
        let Some(now) = self.now.map(|t| t.0 as f64).filter(|t| *t > first) else {
            return Some((first, last));
        };
        let ahead = match Ahead::of(self.finding, UtcMicros(now as i64)) {
            Some(_) => (now - first) / 3.0,
            None => 0.0,
        };
        Some((first, last.max(now + ahead)))
    }
}

/// The file.
pub(crate) fn picture(p: &Picture<'_>) -> String {
    let mut h = Html::new(p.zone);
    let e = p.entry;
    let axis = p.axis();
    let bits = set_bits(p.trace);
    let ribbon = ribbon_height(bits.len());
    let height = 30.0 + 4.0 * TITLE + TWIN + DIFFERENCE + ribbon + 84.0;
    h.raw(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" aria-labelledby=\"n d\" width=\"",
    )
    .at(WIDTH)
    .raw("\" height=\"")
    .at(height)
    .raw("\" viewBox=\"0 0 ")
    .at(WIDTH)
    .raw(" ")
    .at(height)
    .raw("\"><title id=\"n\">Twin trace of ")
    .text(e.tag.as_str())
    .raw("</title><desc id=\"d\">")
    .text(&words(p))
    .raw("</desc><style>")
    .raw(STYLE)
    .raw("</style><text class=\"t b\" x=\"")
    .at(LEFT)
    .raw("\" y=\"18\">")
    .text(&format!(
        "{} {}",
        e.tag,
        e.service.as_deref().unwrap_or_default()
    ))
    .raw("</text>");
    let mut top = 26.0;
    strip(
        &mut h,
        &mut top,
        TWIN,
        "Digital and analog",
        &format!(
            "{}; line: value that the device says, dots: current at the input, read back through the registered range",
            unit(&e.pv_unit)
        ),
        |h| both(h, p),
    );
    strip(
        &mut h,
        &mut top,
        DIFFERENCE,
        "Difference",
        &format!(
            "analog minus digital, % of span; band: tolerance \u{b1}{} %",
            figures(e.tolerance_pct)
        ),
        |h| match deviation_plot(p.trace, e.tolerance_pct, DIFFERENCE) {
            Some(plot) => difference(h, &on(axis, plot), p),
            None => nothing(h, "the two were not seen together in this time"),
        },
    );
    let about = match bits.len() {
        0 => "no bit was set in this time".to_owned(),
        n => format!("bits that were set; the other {} stayed clear", 8 - n),
    };
    strip(&mut h, &mut top, ribbon, "Device status", &about, |h| {
        let Some(t) = axis else { return };
        let plot = Plot {
            height: ribbon,
            t,
            y: (0.0, 1.0),
        };
        let end = UtcMicros(t.1 as i64);
        draw_ribbon(h, &plot, &bits, p.now.unwrap_or(end));
    });
    strip(
        &mut h,
        &mut top,
        84.0,
        "Failed exchanges",
        &format!(
            "share of polls without a good reply, %; times are site time ({})",
            p.zone.name()
        ),
        |h| match failed_plot(p.trace) {
            Some((plot, percent)) => draw_failed(h, &on(axis, plot), p.trace, &percent),
            None => nothing(h, "no exchange in this time"),
        },
    );
    h.raw("</svg>\n");
    h.into_text()
}

fn on(axis: Option<(f64, f64)>, plot: Plot) -> Plot {
    Plot {
        t: axis.unwrap_or(plot.t),
        ..plot
    }
}

/// The difference, and where it goes.
fn difference(h: &mut Html, plot: &Plot, p: &Picture<'_>) {
    let tolerance = p.entry.tolerance_pct;
    let ahead = p
        .now
        .and_then(|now| Some((now, Ahead::of(p.finding, now)?)));
    if let Some((now, _)) = &ahead {
        draw_ahead(h, plot, *now, plot.height - BENEATH);
    }
    draw_deviation(h, plot, p.trace, tolerance, p.finding);
    match ahead {
        Some((now, ahead)) => {
            draw_now(h, plot, now, plot.height - BENEATH);
            ahead.draw(h, plot, tolerance);
        }
        None => label_newest(h, plot, p.trace),
    }
}

/// What the picture shows, for those who do not see it.
fn words(p: &Picture<'_>) -> String {
    let newest = newest(p.trace).map_or_else(
        || "The difference is not known.".to_owned(),
        |v| {
            let (v, t) = (signed(v, 2), figures(p.entry.tolerance_pct));
            format!("Newest mean difference {v} % of span, tolerance {t} %.")
        },
    );
    match p.finding {
        Some(f) => {
            let end = p.trace.time.last().copied().unwrap_or(f.onset);
            let says = p.zone.said(&f.summary, Some(f), end);
            format!("{newest} Since {}: {says}", p.zone.minute(f.onset))
        }
        None => format!("{newest} No finding."),
    }
}

fn nothing(h: &mut Html, text: &str) {
    h.raw("<text class=\"t\" x=\"")
        .at(LEFT + 8.0)
        .raw("\" y=\"")
        .at(TOP + 30.0)
        .raw("\">")
        .text(text)
        .raw("</text>");
}

/// One strip at `top`, which moves beneath it.
fn strip(
    h: &mut Html,
    top: &mut f64,
    height: f64,
    title: &str,
    about: &str,
    draw: impl FnOnce(&mut Html),
) {
    h.raw("<g transform=\"translate(0 ")
        .at(*top)
        .raw(")\"><text class=\"t b\" x=\"")
        .at(LEFT)
        .raw("\" y=\"12\">")
        .text(title)
        .raw("<tspan class=\"t\" dx=\"10\" font-weight=\"400\">")
        .text(about)
        .raw("</tspan></text></g><g transform=\"translate(0 ")
        .at(*top + TITLE)
        .raw(")\">");
    draw(h);
    h.raw("</g>");
    *top += height + TITLE;
}

/// Longer than this between two readings is a gap, as on the page.
fn gap_of(time: &[i64]) -> f64 {
    let mut between: Vec<i64> = time.windows(2).map(|w| w[1] - w[0]).collect();
    between.sort_unstable();
    let at = |share: f64| {
        let place = (share * between.len() as f64) as usize;
        between.get(place).map_or(f64::INFINITY, |d| *d as f64)
    };
    (3.0 * at(0.5)).max(4.0 * at(0.9))
}

/// Digital value as a line, analog as dots, on the engineering axis.
fn both(h: &mut Html, p: &Picture<'_>) {
    let c = p.readings;
    let back: Vec<f64> = c
        .analog_ma
        .iter()
        .map(|ma| p.entry.range.pv_of_current(*ma))
        .collect();
    let known = || c.pv.iter().chain(&back).copied().filter(|v| v.is_finite());
    let (low, high) = known().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
        (a.min(v), b.max(v))
    });
    let (Some(first), Some(last)) = (c.time.first(), c.time.last()) else {
        return nothing(h, "no reading in this time");
    };
    if low > high {
        return nothing(h, "no value in this time");
    }
    let margin = (0.05 * (high - low)).max(1e-9);
    let plot = Plot {
        height: TWIN,
        // That of the strips beneath, so that the eye goes straight down.
        t: p.axis().unwrap_or((*first as f64, *last as f64)),
        y: (low - margin, high + margin),
    };
    plot.axes(h, &figures);
    h.raw("<path class=\"dig\" d=\"");
    let gap = gap_of(&c.time);
    let mut before = None;
    for (t, v) in c.time.iter().zip(&c.pv).filter(|(_, v)| v.is_finite()) {
        // A single poll without an answer leaves no hole; a silence does.
        let on = before.is_some_and(|b: i64| (t - b) as f64 <= gap);
        h.raw(if on { "L" } else { "M" })
            .at(plot.x(*t as f64))
            .raw(" ")
            .at(plot.y(*v));
        before = Some(*t);
    }
    h.raw("\"/><path class=\"ana\" d=\"");
    let mut before = f64::NEG_INFINITY;
    for (t, v) in c.time.iter().zip(&back) {
        let x = plot.x(*t as f64);
        if v.is_finite() && x - before >= DOT_EVERY {
            h.raw("M").at(x).raw(" ").at(plot.y(*v)).raw("h0");
            before = x;
        }
    }
    h.raw("\"/>");
    let right = WIDTH - RIGHT;
    if let Some(v) = c.pv.iter().rev().find(|v| v.is_finite()) {
        let text = format!("{} {}", figures(*v), unit(&p.entry.pv_unit));
        plot.label(h, "t b", right + 6.0, plot.y(*v) + 4.0, &text);
    }
}
