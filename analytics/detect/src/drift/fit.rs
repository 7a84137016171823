//! The regression under the drift detector: base model, candidates in closed form, days as evidence.
//!
//! Base: `e = b0 + b1 x + b2 dxb + b3 dxf + b4 T`, with `T` the ambient's course (an input card follows
//! the day). Candidates add one column: offset (1) or span ((x + 50)/100), times a step or a ramp that
//! begins at cell `k`, or a step that ends. With suffix sums of the cells' normal equations the gain of
//! every `k` costs a handful of multiplications (partial regression, Frisch and Waugh).

use super::search::gain;
use crate::block::{HourBlock, P};
use crate::history::median;

/// Hours in a cell.
pub const CELL_H: i64 = 3;
/// Least scatter of a day's mean that is believed, % of span.
pub const DAY_FLOOR_PCT: f64 = 0.01;
/// Regressors of the base model.
pub const Q: usize = P + 1;

/// Three hours of normal equations with the ambient's mean.
#[derive(Clone, Copy, Debug)]
pub struct Cell {
    /// First hour, since 1970.
    pub hour: i64,
    /// Middle of the cell in days since the first cell.
    pub t: f64,
    pub xx: [[f64; P]; P],
    pub xy: [f64; P],
    pub yy: f64,
    pub n: f64,
    pub ambient: f64,
    pub used: bool,
}

impl Cell {
    pub fn weight(&self) -> f64 {
        self.xx[0][0]
    }

    pub fn day(&self) -> i64 {
        self.hour.div_euclid(24)
    }

    /// Sums of a unit column (`Form::Offset`) or of (x+50)/100 (`Form::Span`) against the base, y and itself.
    fn against(&self, form: Form) -> ([f64; Q], f64, f64) {
        let x = &self.xx;
        match form {
            Form::Offset => {
                let a = [x[0][0], x[0][1], x[0][2], x[0][3], self.ambient * x[0][0]];
                (a, self.xy[0], x[0][0])
            }
            Form::Span => {
                let mut a = [0.0; Q];
                for (j, v) in a.iter_mut().enumerate().take(P) {
                    *v = (x[1][j] + 50.0 * x[0][j]) / 100.0;
                }
                a[P] = self.ambient * a[0];
                let y = (self.xy[1] + 50.0 * self.xy[0]) / 100.0;
                let z = (x[1][1] + 100.0 * x[0][1] + 2500.0 * x[0][0]) / 1e4;
                (a, y, z)
            }
        }
    }
}

/// How a deviation grows over the range.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    Offset,
    Span,
}

impl Form {
    /// Size at position `x` (-50..50) of a deviation of amplitude 1.
    pub fn at(self, x: f64) -> f64 {
        match self {
            Form::Offset => 1.0,
            Form::Span => (x + 50.0) / 100.0,
        }
    }
}

/// How a deviation grows in time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    Step,
    Ramp,
}

/// One candidate with its gain in weighted sum of squares.
#[derive(Clone, Copy, Debug)]
pub struct Candidate {
    pub form: Form,
    pub shape: Shape,
    /// First cell, and (exclusive) last cell for a step that ends.
    pub start: usize,
    pub end: usize,
    pub gain: f64,
    /// % of span (step) or % of span a day (ramp), for `Form::at` = 1.
    pub amplitude: f64,
    /// `amplitude / sqrt(gain)`: its standard error where one unit of weight has variance 1.
    pub unit_se: f64,
}

impl Candidate {
    /// Time factor at cell time `t` (days), cell index `i`.
    pub fn growth(&self, cells: &[Cell], i: usize) -> f64 {
        if i < self.start || i >= self.end {
            return 0.0;
        }
        match self.shape {
            Shape::Step => 1.0,
            Shape::Ramp => (cells[i].t - start_t(cells, self.start)).max(0.0),
        }
    }
}

/// Time at which cell `k` begins, days.
pub fn start_t(cells: &[Cell], k: usize) -> f64 {
    cells[k].t - CELL_H as f64 / 48.0
}

/// Cells of [`CELL_H`] hours from the blocks that `take` lets pass.
pub fn cells(
    blocks: &[HourBlock],
    ambient: &dyn Fn(i64) -> f64,
    take: &dyn Fn(&HourBlock) -> bool,
) -> Vec<Cell> {
    let mut out: Vec<Cell> = Vec::new();
    let Some(first) = blocks.first().map(|b| b.hour.div_euclid(CELL_H) * CELL_H) else {
        return out;
    };
    for b in blocks.iter().filter(|b| b.fit.n >= 3 && take(b)) {
        let hour = b.hour.div_euclid(CELL_H) * CELL_H;
        if out.last().is_none_or(|c| c.hour != hour) {
            let t = (hour - first) as f64 / 24.0 + CELL_H as f64 / 48.0;
            out.push(Cell {
                hour,
                t,
                xx: [[0.0; P]; P],
                xy: [0.0; P],
                yy: 0.0,
                n: 0.0,
                ambient: 0.0,
                used: true,
            });
        }
        let Some(c) = out.last_mut() else { continue };
        let (w0, w1) = (c.weight(), b.fit.weight());
        c.ambient = (c.ambient * w0 + ambient(b.hour) * w1) / (w0 + w1).max(1e-12);
        for i in 0..P {
            for j in 0..P {
                c.xx[i][j] += b.fit.xx[i][j];
            }
            c.xy[i] += b.fit.xy[i];
        }
        c.yy += b.fit.yy;
        c.n += f64::from(b.fit.n);
    }
    out
}

/// Cholesky factor of a small symmetric matrix; `None` if it is not positive definite.
#[derive(Clone, Debug)]
struct Factor([[f64; Q]; Q]);

impl Factor {
    fn new(a: &[[f64; Q]; Q]) -> Option<Self> {
        let mut l = [[0.0; Q]; Q];
        for i in 0..Q {
            for j in 0..=i {
                let s: f64 = (0..j).map(|k| l[i][k] * l[j][k]).sum();
                if i == j {
                    let d = a[i][i] - s;
                    if !(d > 0.0) {
                        return None;
                    }
                    l[i][i] = d.sqrt();
                } else {
                    l[i][j] = (a[i][j] - s) / l[j][j];
                }
            }
        }
        Some(Self(l))
    }

    /// `L^-1 b`.
    fn forward(&self, b: &[f64; Q]) -> [f64; Q] {
        let l = &self.0;
        let mut y = [0.0; Q];
        for i in 0..Q {
            y[i] = (b[i] - (0..i).map(|k| l[i][k] * y[k]).sum::<f64>()) / l[i][i];
        }
        y
    }

    fn solve(&self, b: &[f64; Q]) -> [f64; Q] {
        let l = &self.0;
        let y = self.forward(b);
        let mut x = [0.0; Q];
        for i in (0..Q).rev() {
            x[i] = (y[i] - (i + 1..Q).map(|k| l[k][i] * x[k]).sum::<f64>()) / l[i][i];
        }
        x
    }
}

fn dot(a: &[f64; Q], b: &[f64; Q]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// The base model fitted to the used cells.
#[derive(Clone, Debug)]
pub struct Base {
    pub beta: [f64; Q],
    factor: Factor,
    xy: [f64; Q],
    pub weight: f64,
    pub n: f64,
    /// Weighted residual sum of squares.
    pub rss: f64,
}

impl Base {
    pub fn fit(cells: &[Cell]) -> Option<Self> {
        let mut xx = [[0.0; Q]; Q];
        let mut xy = [0.0; Q];
        let (mut yy, mut n) = (0.0, 0.0);
        for c in cells.iter().filter(|c| c.used) {
            let (a, y, _) = c.against(Form::Offset);
            for i in 0..P {
                for j in 0..P {
                    xx[i][j] += c.xx[i][j];
                }
                xx[i][P] += c.ambient * c.xx[0][i];
                xx[P][i] += c.ambient * c.xx[0][i];
                xy[i] += c.xy[i];
            }
            xx[P][P] += c.ambient * a[P];
            xy[P] += c.ambient * y;
            yy += c.yy;
            n += c.n;
        }
        let weight = xx[0][0];
        if !(weight > 0.0) {
            return None;
        }
        // A trace of ridge: a loop that never moves, or a fleet without temperatures, leaves columns empty.
        // On the scale of the columns: 1e-4 of (10 % of span)^2 a unit weight for x, less for the others.
        for (i, scale) in [0.0, 0.01, 1e-4, 1e-4, 1e-3].iter().enumerate() {
            xx[i][i] += scale * weight + 1e-9;
        }
        let factor = Factor::new(&xx)?;
        let beta = factor.solve(&xy);
        Some(Self {
            beta,
            rss: (yy - dot(&beta, &xy)).max(0.0),
            factor,
            xy,
            weight,
            n,
        })
    }

    /// Gain and amplitude of a column with the given sums.
    fn column(&self, zx: &[f64; Q], zy: f64, zz: f64) -> (f64, f64, f64) {
        gain(&self.factor.forward(zx), zy - dot(zx, &self.beta), zz)
    }

    /// A cell's column beside the base (`L^-1 a`, residual, square), as sums over cells take it.
    pub(super) fn projected(&self, c: &Cell, form: Form) -> ([f64; Q], f64, f64) {
        let (a, y, z) = c.against(form);
        (self.factor.forward(&a), y - dot(&a, &self.beta), z)
    }

    /// Base coefficients once a candidate of amplitude `amplitude` and sums `zx` stands beside them.
    pub fn beside(&self, cells: &[Cell], c: &Candidate) -> [f64; Q] {
        let mut zx = [0.0; Q];
        for (i, cell) in cells.iter().enumerate().filter(|(_, c)| c.used) {
            let g = c.growth(cells, i);
            if g != 0.0 {
                let (a, _, _) = cell.against(c.form);
                for (z, v) in zx.iter_mut().zip(a) {
                    *z += g * v;
                }
            }
        }
        let mut b = self.xy;
        for (v, z) in b.iter_mut().zip(zx) {
            *v -= c.amplitude * z;
        }
        self.factor.solve(&b)
    }

    /// Gain of a column `growth(i) * form`, for a growth of any shape.
    pub fn any_growth(
        &self,
        cells: &[Cell],
        form: Form,
        from: usize,
        growth: &dyn Fn(usize) -> f64,
    ) -> (f64, f64, f64) {
        let (mut zx, mut zy, mut zz) = ([0.0; Q], 0.0, 0.0);
        for (i, cell) in cells.iter().enumerate().skip(from).filter(|(_, c)| c.used) {
            let g = growth(i);
            let (a, y, z) = cell.against(form);
            for (s, v) in zx.iter_mut().zip(a) {
                *s += g * v;
            }
            zy += g * y;
            zz += g * g * z;
        }
        self.column(&zx, zy, zz)
    }

    /// Every start for one form and shape (no end). `gains[k]` = 0 where a start is not allowed.
    pub fn scan(&self, cells: &[Cell], form: Form, shape: Shape) -> (Vec<f64>, Option<Candidate>) {
        let m = cells.len();
        let mut gains = vec![0.0; m];
        let mut best: Option<Candidate> = None;
        // Suffix sums of the columns times 1, t, t^2.
        let (mut x0, mut x1) = ([0.0; Q], [0.0; Q]);
        let (mut y0, mut y1) = (0.0, 0.0);
        let (mut z0, mut z1, mut z2) = (0.0, 0.0, 0.0);
        for k in (0..m).rev() {
            let c = &cells[k];
            if c.used {
                let (a, y, z) = c.against(form);
                for j in 0..Q {
                    x0[j] += a[j];
                    x1[j] += c.t * a[j];
                }
                y0 += y;
                y1 += c.t * y;
                z0 += z;
                z1 += c.t * z;
                z2 += c.t * c.t * z;
            }
            let allowed = match shape {
                Shape::Step => k >= 4 && k + 4 <= m,
                Shape::Ramp => k + 8 <= m,
            };
            if !allowed {
                continue;
            }
            let (zx, zy, zz) = match shape {
                Shape::Step => (x0, y0, z0),
                Shape::Ramp => {
                    let t = start_t(cells, k);
                    let mut v = x1;
                    for j in 0..Q {
                        v[j] -= t * x0[j];
                    }
                    (v, y1 - t * y0, z2 - 2.0 * t * z1 + t * t * z0)
                }
            };
            let (gain, amplitude, unit_se) = self.column(&zx, zy, zz);
            gains[k] = gain;
            if best.is_none_or(|b| gain > b.gain) && gain > 0.0 {
                best = Some(Candidate {
                    form,
                    shape,
                    start: k,
                    end: m,
                    gain,
                    amplitude,
                    unit_se,
                });
            }
        }
        (gains, best)
    }
}

/// What is left in each cell: mean residual and weight.
pub fn residuals(cells: &[Cell], beta: &[f64; Q], c: Option<&Candidate>) -> Vec<(f64, f64)> {
    cells
        .iter()
        .enumerate()
        .map(|(i, cell)| {
            let (a, y, _) = cell.against(Form::Offset);
            let mut r = y - dot(&a, beta);
            if let Some(c) = c {
                let h = match c.form {
                    Form::Offset => cell.weight(),
                    Form::Span => (cell.xx[0][1] + 50.0 * cell.weight()) / 100.0,
                };
                r -= c.amplitude * c.growth(cells, i) * h;
            }
            (r / cell.weight().max(1e-12), cell.weight())
        })
        .collect()
}

/// Variance of one unit of weight with days as the unit of evidence, autocorrelation of days counted.
#[derive(Clone, Copy, Debug)]
pub struct Scatter {
    pub per_weight: f64,
    pub days: usize,
    pub r1: f64,
    /// Standard deviation of a day's mean, % of span.
    pub day_sd: f64,
}

pub fn scatter(cells: &[Cell], res: &[(f64, f64)], base: &Base, parameters: f64) -> Scatter {
    let mut days: Vec<(i64, f64, f64)> = Vec::new(); // day, sum w r, sum w
    let (mut cell_ss, mut cells_n) = (0.0, 0.0);
    for (c, (r, w)) in cells.iter().zip(res).filter(|(c, _)| c.used) {
        cell_ss += w * r * r;
        cells_n += 1.0;
        match days.last_mut() {
            Some(d) if d.0 == c.day() => {
                d.1 += w * r;
                d.2 += w;
            }
            _ => days.push((c.day(), w * r, *w)),
        }
    }
    let full = days.iter().map(|d| d.2).fold(0.0, f64::max);
    // A sliver of a day is no unit of evidence of its own.
    let means: Vec<(i64, f64, f64)> = days
        .iter()
        .filter(|d| d.2 > 0.05 * full)
        .map(|d| (d.0, d.1 / d.2, d.2))
        .collect();
    let n = means.len() as f64;
    let day_ss: f64 = means.iter().map(|(_, r, w)| w * r * r).sum();
    let per_day = day_ss / (n - parameters).max(1.0);
    let per_cell = cell_ss / (cells_n - parameters).max(1.0);
    let per_sample = base.rss / base.n.max(1.0);
    let (mut num, mut den) = (0.0, 0.0);
    for p in means.windows(2).filter(|p| p[1].0 - p[0].0 == 1) {
        num += p[0].1 * p[1].1;
        den += 0.5 * (p[0].1 * p[0].1 + p[1].1 * p[1].1);
    }
    let r1 = if den > 0.0 {
        (num / den).clamp(0.0, 0.7)
    } else {
        0.0
    };
    let day_sd = median(means.iter().map(|m| m.1.abs()).collect()) * 1.4826;
    // No input card holds still to better than this from day to day (common practice).
    let usual_day = median(means.iter().map(|m| m.2).collect());
    let floor = DAY_FLOOR_PCT
        * DAY_FLOOR_PCT
        * if usual_day.is_finite() {
            usual_day
        } else {
            0.0
        };
    let per_weight = (per_day * (1.0 + r1) / (1.0 - r1))
        .max(per_cell)
        .max(per_sample * 0.2)
        .max(floor);
    Scatter {
        per_weight,
        days: means.len(),
        r1,
        day_sd,
    }
}
