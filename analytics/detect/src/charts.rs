//! Control charts and their run lengths: CUSUM, EWMA and Poisson CUSUM.
//!
//! Run lengths are zero-state averages for independent values with known parameters: CUSUM and EWMA by their integral
//! equations (Page 1954; Crowder 1987) on Gauss-Legendre nodes, the Poisson CUSUM by its Markov chain (Brook and Evans
//! 1972; Lucas 1985). Check values: `tests/charts.rs`, docs/thresholds.md.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

/// One-sided CUSUM: `S = max(0, S + x - k)`.
#[derive(Clone, Copy, Debug)]
pub struct Cusum {
    k: f64,
    s: f64,
}

impl Cusum {
    pub fn new(k: f64) -> Self {
        Self { k, s: 0.0 }
    }

    pub fn add(&mut self, x: f64) -> f64 {
        self.s = (self.s + x - self.k).max(0.0);
        self.s
    }

    pub fn sum(&self) -> f64 {
        self.s
    }

    pub fn restart(&mut self) {
        self.s = 0.0;
    }
}

/// EWMA: `z = z + lambda (x - z)`.
#[derive(Clone, Copy, Debug)]
pub struct Ewma {
    lambda: f64,
    z: f64,
}

impl Ewma {
    pub fn new(lambda: f64, start: f64) -> Self {
        Self { lambda, z: start }
    }

    pub fn add(&mut self, x: f64) -> f64 {
        self.z += self.lambda * (x - self.z);
        self.z
    }

    /// Half width of the control limits in steady state, for values of standard deviation 1.
    pub fn half_width(lambda: f64, l: f64) -> f64 {
        l * (lambda / (2.0 - lambda)).sqrt()
    }
}

/// Poisson reference value between two means (Lucas 1985).
pub fn poisson_reference(mu0: f64, mu1: f64) -> f64 {
    (mu1 - mu0) / (mu1.ln() - mu0.ln())
}

/// Nodes and weights on [a, b].
fn gauss_legendre(n: usize, a: f64, b: f64) -> Vec<(f64, f64)> {
    (0..n)
        .map(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n as f64 + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..100 {
                let (mut p0, mut p1) = (1.0, x);
                for j in 2..=n {
                    let j = j as f64;
                    (p0, p1) = (p1, ((2.0 * j - 1.0) * x * p1 - (j - 1.0) * p0) / j);
                }
                slope = n as f64 * (x * p1 - p0) / (x * x - 1.0);
                let step = p1 / slope;
                x -= step;
                if step.abs() < 1e-15 {
                    break;
                }
            }
            let w = 2.0 / ((1.0 - x * x) * slope * slope);
            (a + (b - a) * (x + 1.0) / 2.0, w * (b - a) / 2.0)
        })
        .collect()
}

/// Solves `a x = b` by elimination with partial pivoting; `None` if it is singular.
fn solve(mut a: Vec<Vec<f64>>, mut b: Vec<f64>) -> Option<Vec<f64>> {
    let n = b.len();
    for c in 0..n {
        let p = (c..n).max_by(|&i, &j| a[i][c].abs().total_cmp(&a[j][c].abs()))?;
        if !(a[p][c].abs() > 1e-300) {
            return None;
        }
        a.swap(c, p);
        b.swap(c, p);
        for i in c + 1..n {
            let f = a[i][c] / a[c][c];
            if f != 0.0 {
                for j in c..n {
                    a[i][j] -= f * a[c][j];
                }
                b[i] -= f * b[c];
            }
        }
    }
    for i in (0..n).rev() {
        let s: f64 = (i + 1..n).map(|j| a[i][j] * b[j]).sum();
        b[i] = (b[i] - s) / a[i][i];
    }
    Some(b)
}

/// Average run length of the upper CUSUM of N(shift, 1), from `head` on.
pub fn cusum_arl_one_sided(k: f64, h: f64, shift: f64, head: f64) -> Option<f64> {
    let g = Normal::standard();
    let nodes = gauss_legendre(90, 0.0, h);
    // Unknowns: the run length from zero, and from each node.
    let from: Vec<f64> = std::iter::once(0.0)
        .chain(nodes.iter().map(|n| n.0))
        .collect();
    let m = from.len();
    let mut a = vec![vec![0.0; m]; m];
    for (i, s) in from.iter().enumerate() {
        a[i][0] -= g.cdf(k - s - shift);
        for (j, (x, w)) in nodes.iter().enumerate() {
            a[i][j + 1] -= w * g.pdf(x + k - s - shift);
        }
        a[i][i] += 1.0;
    }
    let l = solve(a, vec![1.0; m])?;
    let rest: f64 = nodes
        .iter()
        .zip(&l[1..])
        .map(|((x, w), v)| w * v * g.pdf(x + k - head - shift))
        .sum();
    Some(1.0 + l[0] * g.cdf(k - head - shift) + rest)
}

/// Average run length of the two-sided CUSUM started at zero (Kemp 1961: reciprocals add).
pub fn cusum_arl(k: f64, h: f64, shift: f64) -> Option<f64> {
    let up = cusum_arl_one_sided(k, h, shift, 0.0)?;
    let down = cusum_arl_one_sided(k, h, -shift, 0.0)?;
    Some(1.0 / (1.0 / up + 1.0 / down))
}

/// Average run length of the two-sided EWMA of N(shift, 1) with limits `l` in steady state, started at zero.
pub fn ewma_arl(lambda: f64, l: f64, shift: f64) -> Option<f64> {
    let g = Normal::standard();
    let c = Ewma::half_width(lambda, l);
    let nodes = gauss_legendre(90, -c, c);
    let kernel = |x: f64, z: f64| g.pdf((x - (1.0 - lambda) * z) / lambda - shift) / lambda;
    let m = nodes.len();
    let mut a = vec![vec![0.0; m]; m];
    for (i, (z, _)) in nodes.iter().enumerate() {
        for (j, (x, w)) in nodes.iter().enumerate() {
            a[i][j] -= w * kernel(*x, *z);
        }
        a[i][i] += 1.0;
    }
    let v = solve(a, vec![1.0; m])?;
    let rest: f64 = nodes
        .iter()
        .zip(&v)
        .map(|((x, w), v)| w * v * kernel(*x, 0.0))
        .sum();
    Some(1.0 + rest)
}

/// Average run length of the upper Poisson CUSUM, signal when `S >= h`; `k` and `h` must be multiples of 1/`grid`.
pub fn poisson_cusum_arl(mu: f64, k: f64, h: f64, grid: f64) -> Option<f64> {
    let (k, h) = ((k * grid).round() as i64, (h * grid).round() as i64);
    let step = grid.round() as i64;
    let m = usize::try_from(h).ok()?;
    let mut a = vec![vec![0.0; m]; m];
    for i in 0..m {
        let (mut p, mut x) = ((-mu).exp(), 0_i64);
        loop {
            let to = (i as i64 + x * step - k).max(0);
            if to >= h {
                break;
            }
            a[i][to as usize] -= p;
            x += 1;
            p *= mu / x as f64;
        }
        a[i][i] += 1.0;
    }
    solve(a, vec![1.0; m])?.first().copied()
}

/// Where a rising function reaches `wanted`, between `low` and `high`.
fn bisect(wanted: f64, mut low: f64, mut high: f64, f: &dyn Fn(f64) -> Option<f64>) -> Option<f64> {
    for _ in 0..60 {
        let mid = (low + high) / 2.0;
        if f(mid)? < wanted {
            low = mid;
        } else {
            high = mid;
        }
        if high - low < 1e-6 {
            break;
        }
    }
    Some((low + high) / 2.0)
}

/// Decision interval of the two-sided CUSUM for an in-control run length.
pub fn cusum_h(k: f64, arl0: f64) -> Option<f64> {
    bisect(arl0, 0.1, 30.0, &|h| cusum_arl(k, h, 0.0))
}

/// Limit of the two-sided EWMA for an in-control run length, in its standard deviations.
pub fn ewma_l(lambda: f64, arl0: f64) -> Option<f64> {
    bisect(arl0, 1.0, 6.0, &|l| ewma_arl(lambda, l, 0.0))
}
