//! Memory of the program over a run: samples, whether it still rises in the second half, and a picture of it.

use std::fmt::Write as _;

/// Resident memory in KiB and processor seconds of a process.
pub(crate) fn usage(pid: u32) -> (u64, f64) {
    let read =
        |file: &str| std::fs::read_to_string(format!("/proc/{pid}/{file}")).unwrap_or_default();
    let status = read("status");
    let rss = status.lines().find_map(|l| l.strip_prefix("VmRSS:"));
    let rss = rss.and_then(|l| l.trim().trim_end_matches(" kB").parse().ok());
    let stat = read("stat");
    // After the name in parentheses; user and system time are fields 14 and 15, 100 a second.
    let fields: Vec<&str> = stat
        .rsplit(')')
        .next()
        .unwrap_or_default()
        .split_whitespace()
        .collect();
    let ticks = |n: usize| {
        fields
            .get(n)
            .and_then(|t| t.parse::<f64>().ok())
            .unwrap_or(0.0)
    };
    (rss.unwrap_or(0), (ticks(11) + ticks(12)) / 100.0)
}

/// Resident memory over time.
#[derive(Default)]
pub(crate) struct Memory {
    /// Seconds since the start, KiB.
    samples: Vec<(f64, f64)>,
}

/// How memory goes over the second half of a run.
pub(crate) struct Course {
    /// MiB in the third and in the last quarter, means.
    pub(crate) third: f64,
    pub(crate) last: f64,
    /// What a straight line through the means of the minutes rises over the half, MiB.
    pub(crate) rise: f64,
    /// Twice the standard error of that. Minutes are not independent (seals, compaction): what they have in common with
    /// the minute before widens it.
    pub(crate) noise: f64,
}

/// A rise over half a run that is less than this share of all is no rise, whatever the scatter says: one page of an
/// allocator's arena more or less.
const NO_RISE: f64 = 0.01;

impl Course {
    /// Memory does not rise beyond its scatter.
    pub(crate) fn is_flat(&self) -> bool {
        self.rise <= self.noise.max(NO_RISE * self.third)
    }
}

impl Memory {
    pub(crate) fn add(&mut self, at_s: f64, kb: u64) {
        self.samples.push((at_s, kb as f64));
    }

    pub(crate) fn peak_mib(&self) -> f64 {
        self.samples.iter().fold(0.0, |m, s| s.1.max(m)) / 1024.0
    }

    fn mean_mib(&self, from_s: f64, to_s: f64) -> f64 {
        let part = self
            .samples
            .iter()
            .filter(|s| (from_s..to_s).contains(&s.0));
        let (n, sum) = part.fold((0.0, 0.0), |(n, sum), s| (n + 1.0, sum + s.1));
        sum / n / 1024.0
    }

    /// `None` for a run too short to tell.
    pub(crate) fn second_half(&self) -> Option<Course> {
        let end = self.samples.last()?.0;
        let begin = end / 2.0;
        let minutes = ((end - begin) / 60.0).floor() as usize;
        // x in minutes from the middle of the half.
        let points: Vec<(f64, f64)> = (0..minutes)
            .map(|m| {
                let from = begin + m as f64 * 60.0;
                let x = m as f64 - (minutes as f64 - 1.0) / 2.0;
                (x, self.mean_mib(from, from + 60.0))
            })
            .filter(|(_, y)| y.is_finite())
            .collect();
        let n = points.len() as f64;
        if n < 5.0 {
            return None;
        }
        let mean = points.iter().map(|p| p.1).sum::<f64>() / n;
        let xx: f64 = points.iter().map(|p| p.0 * p.0).sum();
        let slope = points.iter().map(|p| p.0 * (p.1 - mean)).sum::<f64>() / xx;
        let rest: Vec<f64> = points.iter().map(|p| p.1 - mean - slope * p.0).collect();
        let squares: f64 = rest.iter().map(|r| r * r).sum();
        // First-order autocorrelation: so many minutes tell as much as n (1 - r) / (1 + r) independent ones.
        let lagged: f64 = rest.windows(2).map(|w| w.iter().product::<f64>()).sum();
        let r = if squares > 0.0 {
            (lagged / squares).clamp(0.0, 0.9)
        } else {
            0.0
        };
        let error = (squares / (n - 2.0) / xx * (1.0 + r) / (1.0 - r)).sqrt();
        let quarter = (end - begin) / 2.0;
        Some(Course {
            third: self.mean_mib(begin, begin + quarter),
            last: self.mean_mib(begin + quarter, f64::INFINITY),
            rise: slope * n,
            noise: 2.0 * error * n,
        })
    }

    /// A line over time, from zero, with a stroke where the hostile servers came.
    pub(crate) fn picture(&self, came_s: Option<f64>, title: &str) -> String {
        let (width, height, left, bottom) = (720.0, 260.0, 56.0, 40.0);
        let end = self.samples.last().map_or(1.0, |s| s.0).max(1.0);
        let top = (self.peak_mib() * 1.15 / 20.0).ceil().max(1.0) * 20.0;
        let x = |s: f64| left + s / end * (width - left - 16.0);
        let y = |mib: f64| height - bottom - mib / top * (height - bottom - 34.0);
        let mut svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" role=\"img\" font-family=\"sans-serif\" font-size=\"12\">\n<title>{title}</title>\n<rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\n<text x=\"{left}\" y=\"18\">{title}</text>\n"
        );
        // Writing into a String does not fail.
        for n in 0..=4 {
            let mib = top * f64::from(n) / 4.0;
            let _done = writeln!(
                svg,
                "<path d=\"M{left} {0:.1}H{1}\" stroke=\"#ddd\"/><text x=\"{2}\" y=\"{3:.1}\" text-anchor=\"end\">{mib:.0} MiB</text>",
                y(mib),
                width - 16.0,
                left - 6.0,
                y(mib) + 4.0
            );
        }
        let step = if end > 1_500.0 { 300.0 } else { 60.0 };
        let mut at = 0.0;
        while at <= end {
            let _done = writeln!(
                svg,
                "<text x=\"{:.1}\" y=\"{}\" text-anchor=\"middle\">{:.0} min</text>",
                x(at),
                height - bottom + 18.0,
                at / 60.0
            );
            at += step;
        }
        if let Some(came) = came_s {
            let _done = writeln!(
                svg,
                "<path d=\"M{0:.1} 30V{1}\" stroke=\"#a33\" stroke-dasharray=\"3 3\"/><text x=\"{2:.1}\" y=\"40\" fill=\"#a33\">hostile servers come</text>",
                x(came),
                height - bottom,
                x(came) + 5.0
            );
        }
        let line = self.samples.iter().enumerate().map(|(n, s)| {
            let go = if n == 0 { 'M' } else { 'L' };
            format!("{go}{:.1} {:.1}", x(s.0), y(s.1 / 1024.0))
        });
        let _done = writeln!(
            svg,
            "<path d=\"{}\" fill=\"none\" stroke=\"#234\" stroke-width=\"1.5\"/>\n</svg>",
            line.collect::<String>()
        );
        svg
    }
}
