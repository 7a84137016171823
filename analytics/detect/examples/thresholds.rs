//! Writes the table of thresholds and in-control run lengths: `thresholds FILE`, or to standard output.

#![allow(clippy::print_stdout)]

use analytics_detect::charts::{cusum_arl, cusum_h, ewma_arl, ewma_l};
use analytics_detect::drift::shared::{H, K};
use analytics_detect::limits::{HEALTHY_MONTHS, TAILS_VERSION};
use analytics_detect::{Budget, Limits, Test};
use std::fmt::Write;

const BUDGETS: [f64; 3] = [0.1, 1.0, 10.0];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let text = table()?;
    match std::env::args().nth(1) {
        Some(file) => std::fs::write(file, text)?,
        None => print!("{text}"),
    }
    Ok(())
}

fn table() -> Result<String, Box<dyn std::error::Error>> {
    let mut t = String::new();
    writeln!(
        t,
        "# Thresholds and run lengths\n\n\
         Written by `make thresholds` from `analytics/detect/src/limits/tails.rs`, version {TAILS_VERSION} ({HEALTHY_MONTHS:.0} healthy loop-months\n\
         of our own simulated fleets; `sample-fleet/seeds/calibrate.py tails` makes it). One setting moves all of them:\n\
         `false_findings_per_1000_loop_months` in `[assessment]` of `site.toml` (`serve`, `assess --config`), 1 where it is not given.\n\n\
         `threshold = from + scale * ln(exceedances of from / (share * budget))`. Run length: loop-months of healthy running between\n\
         false findings of this test at the budget of 1. Tests with fewer than five healthy exceedances have an upper bound for\n\
         their rate (rule of three) and the engineer's threshold at the budget of 1.\n\n\
         | test | statistic | from | exceedances | in 1,000 | scale | share | at 0.1 | at 1 | at 10 | run length |\n\
         | --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |"
    )?;
    for test in Test::ALL {
        let tail = test.tail();
        let at = BUDGETS.map(|b| {
            Limits::new(Budget {
                false_per_1000: b,
                ..Budget::default()
            })
            .at(test)
        });
        writeln!(
            t,
            "| {} | {} | {:.1} | {} | {:.1} | {:.2} | {:.2} | {:.2} | {:.2} | {:.2} | {:.0} |",
            tail.name,
            tail.statistic,
            tail.from,
            tail.exceedances,
            tail.per_1000,
            tail.scale,
            tail.share,
            at[0],
            at[1],
            at[2],
            tail.run_length_months(at[1])
        )?;
    }
    writeln!(
        t,
        "\nFacts need no threshold: a step of the configuration counter, two scales in the register. Their false findings, if any, are\n\
         outside this budget. So are the practical gates (smallest size reported, two samples of NE 43), which no budget moves.\n\n\
         ## Charts\n\n\
         Zero-state run lengths of independent normal values, by integral equation (90 Gauss-Legendre nodes). The pooled chart of\n\
         `drift/shared.rs` (episodes that loops of one box share) runs on hours with k = {K}, h = {H}: {:.0} hours between alarms of\n\
         either side in control, {:.1} hours to see a shift of 2 of its standard deviations. An alarm alone is no finding.\n\n\
         | CUSUM k | ARL 370 | 500 | 1,000 | 10,000 | 100,000 | delay at 1 sigma, h for 10,000 | at 2 sigma |\n\
         | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
        value(cusum_arl(K, H, 0.0))?,
        value(cusum_arl(K, H, 2.0))?
    )?;
    let arls = [370.0, 500.0, 1e3, 1e4, 1e5];
    for k in [0.25, 0.5, 0.75, 1.0] {
        write!(t, "| {k} |")?;
        for arl in arls {
            write!(t, " {:.3} |", value(cusum_h(k, arl))?)?;
        }
        let h = value(cusum_h(k, 1e4))?;
        writeln!(
            t,
            " {:.1} | {:.1} |",
            value(cusum_arl(k, h, 1.0))?,
            value(cusum_arl(k, h, 2.0))?
        )?;
    }
    writeln!(
        t,
        "\n| EWMA lambda | ARL 370 | 500 | 1,000 | 10,000 | 100,000 | delay at 1 sigma, L for 10,000 | at 2 sigma |\n\
         | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |"
    )?;
    for lambda in [0.1, 0.2, 0.4] {
        write!(t, "| {lambda} |")?;
        for arl in arls {
            write!(t, " {:.3} |", value(ewma_l(lambda, arl))?)?;
        }
        let l = value(ewma_l(lambda, 1e4))?;
        writeln!(
            t,
            " {:.1} | {:.1} |",
            value(ewma_arl(lambda, l, 1.0))?,
            value(ewma_arl(lambda, l, 2.0))?
        )?;
    }
    t.push_str(&against_the_scan());
    Ok(t)
}

fn value(v: Option<f64>) -> Result<f64, &'static str> {
    v.ok_or("the run length has no solution")
}

/// Uniform and normal numbers, the same in every run.
struct Dice(u64);

impl Dice {
    fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as f64 + 0.5) / (1_u64 << 31) as f64
    }

    fn normal(&mut self) -> f64 {
        let (u, v) = (self.uniform(), self.uniform());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

/// Statistics of a record of day means: scan over all starts for a step or a ramp, CUSUM and EWMA at their peaks. The
/// charts know the level and scatter from the first ten days only; the scan takes them from the whole record.
fn statistics(x: &[f64]) -> [f64; 3] {
    let n = x.len();
    let mean = x.iter().sum::<f64>() / n as f64;
    let mut scan = 0.0_f64;
    for k in 1..n - 1 {
        for ramp in [false, true] {
            let g: Vec<f64> = (0..n)
                .map(|i| match (i < k, ramp) {
                    (true, _) => 0.0,
                    (false, true) => (i - k + 1) as f64,
                    (false, false) => 1.0,
                })
                .collect();
            let gm = g.iter().sum::<f64>() / n as f64;
            let gg: f64 = g.iter().map(|v| (v - gm) * (v - gm)).sum();
            let gx: f64 = g.iter().zip(x).map(|(v, x)| (v - gm) * (x - mean)).sum();
            let rss: f64 = x.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() - gx * gx / gg;
            scan = scan.max(gx * gx / gg / (rss / (n as f64 - 3.0)));
        }
    }
    let base = &x[..10];
    let level = base.iter().sum::<f64>() / 10.0;
    let sd = (base.iter().map(|v| (v - level) * (v - level)).sum::<f64>() / 9.0).sqrt();
    let (mut up, mut down) = (
        analytics_detect::charts::Cusum::new(0.5),
        analytics_detect::charts::Cusum::new(0.5),
    );
    let mut ewma = analytics_detect::charts::Ewma::new(0.1, 0.0);
    let (mut cusum_peak, mut ewma_peak) = (0.0_f64, 0.0_f64);
    for v in &x[10..] {
        let z = (v - level) / sd;
        cusum_peak = cusum_peak.max(up.add(z)).max(down.add(-z));
        ewma_peak = ewma_peak.max(ewma.add(z).abs());
    }
    [scan, cusum_peak, ewma_peak]
}

/// Share found by each at the same false alarm rate, in records of 30 days.
fn against_the_scan() -> String {
    const RUNS: usize = 4000;
    let mut dice = Dice(7);
    let mut record = |step: f64, ramp: f64, start: usize| {
        let x: Vec<f64> = (0..30)
            .map(|i| {
                let after = if i >= start { 1.0 } else { 0.0 };
                dice.normal() + after * (step + ramp * (i as f64 - start as f64 + 1.0))
            })
            .collect();
        statistics(&x)
    };
    let healthy: Vec<[f64; 3]> = (0..RUNS).map(|_| record(0.0, 0.0, 30)).collect();
    let limit = [0, 1, 2].map(|j| {
        let mut v: Vec<f64> = healthy.iter().map(|s| s[j]).collect();
        v.sort_by(f64::total_cmp);
        v[RUNS - RUNS / 200]
    });
    let mut out = String::from(
        "\n## Charts against the scan for drift\n\n\
         Records of 30 independent day means, each procedure at one false alarm in 200 records (4,000 simulated): the scan over all\n\
         starts that the drift detector uses, and CUSUM (k = 0.5) and EWMA (lambda 0.1) on values standardised by the first ten days.\n\
         A loop has no known level and scatter; what ten days tell of them costs the charts their power. So drift of one loop is\n\
         found by the scan, and charts stay where many loops make the scatter known (`drift/shared.rs`).\n\n\
         | change | begins on day | scan | CUSUM | EWMA |\n| --- | ---: | ---: | ---: | ---: |\n",
    );
    for (name, step, ramp, start) in [
        ("step of 1.5 sigma", 1.5, 0.0, 15),
        ("step of 2.5 sigma", 2.5, 0.0, 25),
        ("step of 3 sigma", 3.0, 0.0, 27),
        ("ramp of 0.2 sigma a day", 0.0, 0.2, 15),
        ("ramp of 0.4 sigma a day", 0.0, 0.4, 22),
    ] {
        let n = 1000;
        let mut hits = [0_u32; 3];
        for _ in 0..n {
            let s = record(step, ramp, start);
            for j in 0..3 {
                hits[j] += u32::from(s[j] > limit[j]);
            }
        }
        let share = hits.map(|h| f64::from(h) / f64::from(n));
        let _ = writeln!(
            out,
            "| {name} | {} | {:.2} | {:.2} | {:.2} |",
            start + 1,
            share[0],
            share[1],
            share[2]
        );
    }
    out
}
