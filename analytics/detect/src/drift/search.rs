//! The search over starts and ends, at a cost that does not grow with the square of the record.
//!
//! With the base's factor `L` a cell's column `a`, response `y` and square `z` become `u = L^-1 a`, `r = y - a beta` and `z`:
//! a candidate's gain is `R^2 / (Z - U U)`, with sums over its cells. So of a stretch it takes differences of sums up to
//! its ends, and of whole ranges of starts and ends a bound: what cannot reach the best is not looked at (branch and
//! bound, Land and Doig 1960, from memory). The stretch found is the one that trying all of them finds.

use super::fit::{Base, Candidate, Cell, Form, Q, Shape};
use super::forecast::POWERS;

/// Positions in a leaf of the tree of bounds.
const LEAF: usize = 8;
/// What rounding may take from a bound.
const SLACK: f64 = 1.0 + 1e-9;

/// Each cell's share of a candidate's sums; nothing of a cell that is set aside.
#[derive(Debug)]
pub struct Projected {
    u: Vec<[f64; Q]>,
    r: Vec<f64>,
    z: Vec<f64>,
}

impl Projected {
    pub fn new(base: &Base, cells: &[Cell], form: Form) -> Self {
        let mut out = Self {
            u: Vec::with_capacity(cells.len()),
            r: Vec::with_capacity(cells.len()),
            z: Vec::with_capacity(cells.len()),
        };
        for c in cells {
            let (u, r, z) = if c.used {
                base.projected(c, form)
            } else {
                ([0.0; Q], 0.0, 0.0)
            };
            out.u.push(u);
            out.r.push(r);
            out.z.push(z);
        }
        out
    }

    /// Gain, amplitude and its standard error of a growth from cell `from` on, given for the cells from there.
    fn grown(&self, from: usize, growth: impl Iterator<Item = f64>) -> (f64, f64, f64) {
        let (mut u, mut r, mut z) = ([0.0; Q], 0.0, 0.0);
        let cells = self.u[from..]
            .iter()
            .zip(&self.r[from..])
            .zip(&self.z[from..]);
        for (((cu, cr), cz), g) in cells.zip(growth) {
            for (s, v) in u.iter_mut().zip(cu) {
                *s += g * v;
            }
            r += g * cr;
            z += g * g * cz;
        }
        gain(&u, r, z)
    }
}

/// Gain, amplitude and `1 / sqrt` of what is left of a column's square beside the base.
pub fn gain(u: &[f64; Q], r: f64, z: f64) -> (f64, f64, f64) {
    let left = z - u.iter().map(|v| v * v).sum::<f64>();
    if !(left > LEFT * z) || z <= 0.0 {
        return (0.0, 0.0, 0.0);
    }
    (r * r / left, r / left, 1.0 / left.sqrt())
}

/// Share of a column that the base must leave, or it is the base's own.
const LEFT: f64 = 1e-4;

/// Sums over the cells before a position, or their least and greatest over positions.
#[derive(Clone, Copy)]
struct Sums<T> {
    u: [T; Q],
    r: T,
    z: T,
}

type Range = Sums<(f64, f64)>;

impl Range {
    fn joined(self, o: Self) -> Self {
        let both = |a: (f64, f64), b: (f64, f64)| (a.0.min(b.0), a.1.max(b.1));
        Self {
            u: std::array::from_fn(|j| both(self.u[j], o.u[j])),
            r: both(self.r, o.r),
            z: both(self.z, o.z),
        }
    }
}

/// Search for the best step that ends.
struct Stretches {
    sums: Vec<Sums<f64>>,
    /// Ranges of [`LEAF`] positions, of two of these, and so on.
    levels: Vec<Vec<Range>>,
    /// Least cells of a stretch, and the last position at which one may end.
    min_len: usize,
    last_end: usize,
    best: Option<(f64, usize, usize)>,
    floor: f64,
}

impl Stretches {
    fn new(p: &Projected, min_len: usize, tail: usize, floor: f64) -> Self {
        let m = p.r.len();
        let mut sums = Vec::with_capacity(m + 1);
        let mut s = Sums {
            u: [0.0; Q],
            r: 0.0,
            z: 0.0,
        };
        sums.push(s);
        for k in 0..m {
            for j in 0..Q {
                s.u[j] += p.u[k][j];
            }
            s.r += p.r[k];
            s.z += p.z[k];
            sums.push(s);
        }
        let of_one = |s: &Sums<f64>| Range {
            u: s.u.map(|v| (v, v)),
            r: (s.r, s.r),
            z: (s.z, s.z),
        };
        let mut level: Vec<Range> = sums
            .chunks(LEAF)
            .filter_map(|c| c.iter().map(of_one).reduce(Range::joined))
            .collect();
        let mut levels = Vec::new();
        while level.len() > 1 {
            let above = level
                .chunks(2)
                .filter_map(|c| c.iter().copied().reduce(Range::joined))
                .collect();
            levels.push(std::mem::replace(&mut level, above));
        }
        levels.push(level);
        Self {
            sums,
            levels,
            min_len,
            last_end: m.saturating_sub(tail),
            best: None,
            floor,
        }
    }

    /// No stretch from one range to the other gains more.
    fn bound(a: &Range, b: &Range) -> f64 {
        let widest = |a: (f64, f64), b: (f64, f64)| (b.1 - a.0).abs().max((b.0 - a.1).abs());
        let z = (b.z.0 - a.z.1).max(0.0);
        let u: f64 = (0..Q).map(|j| widest(a.u[j], b.u[j]).powi(2)).sum();
        let left = (z - u).max(LEFT * z);
        if left > 0.0 {
            widest(a.r, b.r).powi(2) / left * SLACK
        } else {
            f64::INFINITY
        }
    }

    fn hopeless(&self, bound: f64) -> bool {
        bound < self.floor || self.best.is_some_and(|b| bound < b.0)
    }

    fn search(&mut self, level: usize, a: usize, b: usize) {
        let width = LEAF << level;
        let (ends_before, starts_from) = (((b + 1) * width).min(self.last_end + 1), a * width);
        // The longest of these stretches is too short.
        if ends_before <= starts_from + self.min_len {
            return;
        }
        if level == 0 {
            return self.try_all(a, b);
        }
        let below = level - 1;
        let mut pairs: Vec<(f64, usize, usize)> = Vec::with_capacity(4);
        for a in [2 * a, 2 * a + 1] {
            for b in [2 * b, 2 * b + 1] {
                let ranges = &self.levels[below];
                if let (Some(x), Some(y)) = (ranges.get(a), ranges.get(b)) {
                    pairs.push((Self::bound(x, y), a, b));
                }
            }
        }
        // The most promising first: it raises what the others must reach.
        pairs.sort_by(|x, y| y.0.total_cmp(&x.0));
        for (bound, a, b) in pairs {
            if !self.hopeless(bound) {
                self.search(below, a, b);
            }
        }
    }

    fn try_all(&mut self, a: usize, b: usize) {
        let ends = b * LEAF..((b + 1) * LEAF).min(self.last_end + 1);
        for start in a * LEAF..((a + 1) * LEAF).min(self.sums.len()) {
            let s = self.sums[start];
            for end in ends.start.max(start + self.min_len)..ends.end {
                let e = &self.sums[end];
                let u: [f64; Q] = std::array::from_fn(|j| e.u[j] - s.u[j]);
                let (g, ..) = gain(&u, e.r - s.r, e.z - s.z);
                // Of equal ones the first.
                let better = match self.best {
                    None => g > 0.0,
                    Some((best, a, b)) => g > best || g == best && (start, end) < (a, b),
                };
                if better && g >= self.floor {
                    self.best = Some((g, start, end));
                }
            }
        }
    }
}

/// Best step that also ends, at least `min_len` cells long with at least `tail` cells after it; `None` where none gains
/// `at_least`.
pub fn best_stretch(
    base: &Base,
    cells: &[Cell],
    form: Form,
    min_len: usize,
    tail: usize,
    at_least: f64,
) -> Option<Candidate> {
    let projected = Projected::new(base, cells, form);
    let mut all = Stretches::new(&projected, min_len, tail.max(1), at_least / SLACK);
    all.search(all.levels.len() - 1, 0, 0);
    let (_, start, end) = all.best?;
    let (gain, amplitude, unit_se) = base.any_growth(&cells[..end], form, start, &|_| 1.0);
    (gain >= at_least).then_some(Candidate {
        form,
        shape: Shape::Step,
        start,
        end,
        gain,
        amplitude,
        unit_se,
    })
}

/// Steps of the table of powers, a day; cells lie on them.
const GRID: f64 = 16.0;
/// Days that the table reaches; a clock may have jumped by centuries.
const MOST_DAYS: f64 = 4000.0;

/// The powers of growth at the distances of cells from a start.
#[derive(Debug)]
pub struct Powers(Vec<[f64; POWERS.len()]>);

impl Powers {
    pub fn new(cells: &[Cell]) -> Self {
        let days = match (cells.first(), cells.last()) {
            (Some(a), Some(b)) => (b.t - a.t + 2.0).clamp(0.0, MOST_DAYS),
            _ => 0.0,
        };
        let count = (days * GRID) as usize;
        Self((0..count).map(|n| Self::made(n as f64 / GRID)).collect())
    }

    fn made(days: f64) -> [f64; POWERS.len()] {
        POWERS.map(|(p, _)| days.max(0.0).powf(p))
    }

    fn at(&self, days: f64) -> [f64; POWERS.len()] {
        let n = (days * GRID).round();
        let on_grid = n >= 0.0 && (days * GRID - n).abs() < 1e-6;
        let known = on_grid.then(|| self.0.get(n as usize)).flatten();
        known.copied().unwrap_or_else(|| Self::made(days))
    }
}

/// A growth from one start by one of [`POWERS`].
#[derive(Clone, Copy, Debug)]
pub struct Growth {
    pub start: usize,
    pub power: usize,
    pub gain: f64,
    pub amplitude: f64,
    pub unit_se: f64,
}

/// Every power of growth from each of the starts.
pub fn growths(
    projected: &Projected,
    cells: &[Cell],
    powers: &Powers,
    starts: impl Iterator<Item = usize>,
) -> Vec<Growth> {
    let mut out = Vec::new();
    let mut at: Vec<[f64; POWERS.len()]> = Vec::new();
    for start in starts {
        let t0 = super::fit::start_t(cells, start);
        at.clear();
        at.extend(cells[start..].iter().map(|c| powers.at(c.t - t0)));
        for power in 0..POWERS.len() {
            let (gain, amplitude, unit_se) = projected.grown(start, at.iter().map(|g| g[power]));
            out.push(Growth {
                start,
                power,
                gain,
                amplitude,
                unit_se,
            });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::P;
    use crate::drift::fit::start_t;
    use proptest::prelude::*;

    fn cells(values: &[(f64, f64, bool)]) -> Vec<Cell> {
        let cell = |(i, (x, y, used)): (usize, &(f64, f64, bool))| {
            let row = [1.0, *x, 0.1 * (i % 3) as f64, 0.1 * (i % 5) as f64];
            let mut xx = [[0.0; P]; P];
            for (a, line) in xx.iter_mut().enumerate() {
                for (b, v) in line.iter_mut().enumerate() {
                    *v = 9.0 * row[a] * row[b];
                }
            }
            Cell {
                hour: 3 * i as i64,
                t: (i as f64 + 0.5) / 8.0,
                xx,
                xy: row.map(|v| 9.0 * v * y),
                yy: 9.0 * y * y,
                n: 9.0,
                ambient: (i % 8) as f64 - 3.5,
                used: *used,
            }
        };
        values.iter().enumerate().map(cell).collect()
    }

    fn record() -> impl Strategy<Value = Vec<Cell>> {
        let value = (
            -50.0..50.0_f64,
            -1.0..1.0_f64,
            proptest::bool::weighted(0.9),
        );
        proptest::collection::vec(value, 20..140).prop_map(|v| cells(&v))
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]

        /// With and without something to reach, the search gives what trying every start and end gives.
        #[test]
        fn stretch_as_if_all_were_tried(mut cells in record(), from in 0.0..1.0_f64, size in 0.0..3.0_f64, span in any::<bool>()) {
            let (m, form) = (cells.len(), if span { Form::Span } else { Form::Offset });
            let start = (from * m as f64) as usize;
            let end = (start + m / 4).min(m);
            for c in &mut cells[start..end] {
                c.xy[0] += size * c.xx[0][0];
                c.xy[1] += size * c.xx[0][1];
            }
            let Some(base) = Base::fit(&cells) else { return Ok(()) };
            let (min_len, tail) = (8, 4);
            let mut all: Option<(f64, usize, usize)> = None;
            for a in 0..m {
                for b in a + min_len..(m - tail).max(a) + 1 {
                    let (g, ..) = base.any_growth(&cells[..b], form, a, &|_| 1.0);
                    if g > all.map_or(0.0, |x| x.0 * (1.0 + 1e-12)) {
                        all = Some((g, a, b));
                    }
                }
            }
            let found = best_stretch(&base, &cells, form, min_len, tail, 0.0);
            prop_assert_eq!(found.map(|c| (c.gain, c.start, c.end)), all);
            let Some((gain, ..)) = all else { return Ok(()) };
            let reached = best_stretch(&base, &cells, form, min_len, tail, 0.999 * gain);
            prop_assert_eq!(reached.map(|c| (c.gain, c.start, c.end)), all);
            prop_assert!(best_stretch(&base, &cells, form, min_len, tail, 1.001 * gain).is_none());
        }

        /// Growths from the table of powers are those that are summed one by one.
        #[test]
        fn growths_as_summed_one_by_one(cells in record()) {
            let Some(base) = Base::fit(&cells) else { return Ok(()) };
            let projected = Projected::new(&base, &cells, Form::Span);
            for g in growths(&projected, &cells, &Powers::new(&cells), 0..cells.len()) {
                let t0 = start_t(&cells, g.start);
                let growth = |i: usize| (cells[i].t - t0).max(0.0).powf(POWERS[g.power].0);
                let (gain, amplitude, _) = base.any_growth(&cells, Form::Span, g.start, &growth);
                prop_assert!((g.gain - gain).abs() <= 1e-9 * (1.0 + gain), "{} {}", g.gain, gain);
                prop_assert!((g.amplitude - amplitude).abs() <= 1e-7 * (1.0 + amplitude.abs()));
            }
        }
    }
}
