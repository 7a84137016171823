//! Two panels a fault: share found within 14 days, and median hours until it is found, against its size.

use crate::{FAULTY_DAYS, Point, faults::Fault};
use std::fmt::Write as _;

const W: f64 = 300.0;
const H: f64 = 190.0;
const TOP: f64 = 46.0;
const LEFT: [f64; 2] = [52.0, 420.0];
/// Told apart without colour.
const DASHES: [&str; 3] = ["", "7 3", "2 3"];

fn period_words(s: i64) -> String {
    if s < 120 {
        format!("{s} s")
    } else {
        format!("{} min", s / 60)
    }
}

/// Share of the panel's width: sizes on a logarithmic axis.
fn place(fault: &Fault, magnitude: f64) -> f64 {
    let (low, high) = fault
        .magnitudes
        .iter()
        .fold((f64::INFINITY, 0.0_f64), |a, m| (a.0.min(*m), a.1.max(*m)));
    let p = (magnitude / low).ln() / (high / low).ln();
    if fault.ease(high) < fault.ease(low) {
        1.0 - p
    } else {
        p
    }
}

pub(crate) fn draw(fault: &Fault, points: &[Point], periods: &[i64]) -> String {
    let mut s = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 760 300\" font-family=\"sans-serif\" font-size=\"12\" fill=\"#222\">\n\
         <rect width=\"760\" height=\"300\" fill=\"#fff\"/>\n<text x=\"{}\" y=\"20\" font-size=\"14\">{}</text>\n",
        LEFT[0], fault.title
    );
    // Hours on a logarithmic axis from 1 to what was simulated.
    let most_h = (FAULTY_DAYS * 24) as f64;
    let hours = |h: f64| h.max(1.0).ln() / most_h.ln();
    let ticks: [Vec<(f64, String)>; 2] = [
        [0.0, 0.5, 0.9, 1.0].map(|v| (v, format!("{v}"))).to_vec(),
        [
            (1.0, "1 h"),
            (8.0, "8 h"),
            (24.0, "1 d"),
            (72.0, "3 d"),
            (336.0, "14 d"),
        ]
        .map(|(h, t)| (hours(h), t.to_owned()))
        .to_vec(),
    ];
    let heads = [
        "found within 14 days, share of trials",
        "median time until found",
    ];
    for (panel, left) in LEFT.into_iter().enumerate() {
        let _ = writeln!(
            s,
            "<text x=\"{left}\" y=\"{}\">{}</text>\n<rect x=\"{left}\" y=\"{TOP}\" width=\"{W}\" height=\"{H}\" fill=\"none\" stroke=\"#999\"/>",
            TOP - 8.0,
            heads[panel]
        );
        for (v, text) in &ticks[panel] {
            let y = TOP + H * (1.0 - v);
            let _ = writeln!(
                s,
                "<line x1=\"{left}\" x2=\"{}\" y1=\"{y:.1}\" y2=\"{y:.1}\" stroke=\"#ddd\"/>\n<text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{text}</text>",
                left + W,
                left - 6.0,
                y + 4.0
            );
        }
        for m in fault.magnitudes {
            let x = left + W * place(fault, *m);
            let _ = writeln!(
                s,
                "<text x=\"{x:.1}\" y=\"{}\" text-anchor=\"middle\">{m}</text>",
                TOP + H + 16.0
            );
        }
        let _ = writeln!(
            s,
            "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
            left + W / 2.0,
            TOP + H + 32.0,
            fault.unit
        );
        for (period, dash) in periods.iter().zip(DASHES) {
            let mut line = String::new();
            for p in points.iter().filter(|p| p.period_s == *period) {
                let v = match panel {
                    0 => Some(p.share()),
                    _ => p.delay_h().map(|h| hours(h as f64)),
                };
                if let Some(v) = v {
                    let (x, y) = (left + W * place(fault, p.magnitude), TOP + H * (1.0 - v));
                    let _ = write!(line, "{x:.1},{y:.1} ");
                    let _ = writeln!(s, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2.5\"/>");
                }
            }
            let _ = writeln!(
                s,
                "<polyline points=\"{}\" fill=\"none\" stroke=\"#222\" stroke-width=\"1.5\" stroke-dasharray=\"{dash}\"/>",
                line.trim_end()
            );
        }
    }
    for (i, (period, dash)) in periods.iter().zip(DASHES).enumerate() {
        let x = LEFT[0] + 170.0 * i as f64;
        let _ = writeln!(
            s,
            "<line x1=\"{x}\" x2=\"{}\" y1=\"286\" y2=\"286\" stroke=\"#222\" stroke-width=\"1.5\" stroke-dasharray=\"{dash}\"/>\n<text x=\"{}\" y=\"290\">polled every {}</text>",
            x + 32.0,
            x + 38.0,
            period_words(*period)
        );
    }
    s.push_str("</svg>\n");
    s
}
