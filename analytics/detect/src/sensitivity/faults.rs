//! Known faults, added to hour blocks as algebra: what the block would be if its rows had carried the fault.

use crate::block::{HourBlock, Moments, Movement};
use crate::drift::fit::Form;

/// A deviation of `size_pct` (at full scale for a span error), the same over the hour.
///
/// Sums over `e` follow exactly, since each sample's `e` gains `size * form(x)`: `xy += size * sum(w row form)`,
/// `yy += 2 size sum(w e form) + size^2 sum(w form^2)`. Extremes are moved by the deviation at their own position;
/// counts of excursions are left as they are.
pub fn add_deviation(b: &mut HourBlock, form: Form, size_pct: f64) {
    let f = &mut b.fit;
    // Sums of the form against each regressor, against e, and against itself.
    let against = |j: usize| match form {
        Form::Offset => f.xx[0][j],
        Form::Span => (f.xx[1][j] + 50.0 * f.xx[0][j]) / 100.0,
    };
    let columns: Vec<f64> = (0..f.xy.len()).map(against).collect();
    let (own, itself) = match form {
        Form::Offset => (f.xy[0], f.xx[0][0]),
        Form::Span => (
            (f.xy[1] + 50.0 * f.xy[0]) / 100.0,
            (f.xx[1][1] + 100.0 * f.xx[0][1] + 2500.0 * f.xx[0][0]) / 1e4,
        ),
    };
    for (y, c) in f.xy.iter_mut().zip(columns) {
        *y += size_pct * c;
    }
    f.yy += 2.0 * size_pct * own + size_pct * size_pct * itself;
    let middle = size_pct * form.at(if b.d.n > 0 { b.d.mean() } else { 0.0 });
    shift(&mut b.e, |_| middle);
    b.e_p10 += middle;
    b.e_p90 += middle;
    shift(&mut b.m, |x| size_pct * form.at(x));
    for (k, e) in b.eighths.iter_mut().enumerate() {
        let by = size_pct * form.at(-50.0 + 12.5 * (k as f64 + 0.5));
        e.wee += 2.0 * by * e.we + by * by * e.w;
        e.we += by * e.w;
    }
}

fn shift(m: &mut Moments, by: impl Fn(f64) -> f64) {
    if m.n == 0 {
        return;
    }
    let (n, mean) = (f64::from(m.n), m.mean());
    let add = by(mean);
    m.sum_sq += 2.0 * add * m.sum + n * add * add;
    m.sum += n * add;
    m.min += by(m.min);
    m.max += by(m.max);
}

/// Which channel stands still.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Still {
    pub digital: bool,
    pub analog: bool,
}

/// A channel that keeps the value `x` (position, -50..50) through the hour.
pub fn freeze(values: &mut Moments, steps: &mut Movement, x: f64) {
    let n = values.n;
    if n == 0 {
        return;
    }
    *values = Moments {
        n,
        sum: f64::from(n) * x,
        sum_sq: f64::from(n) * x * x,
        min: x,
        max: x,
    };
    *steps = Movement {
        n: steps.n,
        median: 0.0,
        ..Movement::default()
    };
}

/// The digital value's steps are `times` as large.
pub fn scale_scatter(b: &mut HourBlock, times: f64) {
    for mv in [&mut b.move_d, &mut b.move_m] {
        mv.median *= times;
        mv.sum_sq *= times * times;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::day_blocks;
    use ingest_model::{Columns, LoopEntry, Range, Reading, Tag, Transfer, UtcMicros};

    /// Rows with the fault against blocks with the fault added: the same sums.
    #[test]
    fn blocks_with_a_fault_are_blocks_of_faulty_rows() {
        let range = Range {
            lrv: 0.0,
            urv: 100.0,
            transfer: Transfer::Linear,
        };
        let entry = LoopEntry::new(Tag::new("FT-1").unwrap(), "m3/h", range);
        let day = |form: Form, size: f64| {
            let mut c = Columns::default();
            for k in 0..288 {
                let pv = 50.0 + 30.0 * (f64::from(k) / 17.0).sin() + (f64::from(k) * 1.7).sin();
                let x = pv - 50.0;
                let e = 0.05 + 0.02 * (f64::from(k) * 0.9).cos() + size * form.at(x);
                c.push(&Reading {
                    pv,
                    analog_ma: 4.0 + 0.16 * (pv + e),
                    response_code: Some(0),
                    ..Reading::empty(UtcMicros(i64::from(k) * 300_000_000))
                });
            }
            day_blocks(&entry, &c.slice(0, 288))
        };
        for form in [Form::Offset, Form::Span] {
            for (mut sound, faulty) in day(form, 0.0).into_iter().zip(day(form, 0.7)) {
                add_deviation(&mut sound, form, 0.7);
                let near = |a: f64, b: f64| (a - b).abs() < 1e-9 * (1.0 + b.abs());
                for j in 0..sound.fit.xy.len() {
                    assert!(near(sound.fit.xy[j], faulty.fit.xy[j]), "{form:?} {j}");
                }
                assert!(near(sound.fit.yy, faulty.fit.yy), "{form:?}");
                assert_eq!(sound.fit.n, faulty.fit.n);
                let (a, b) = (sound.e.mean(), faulty.e.mean());
                assert!((a - b).abs() < 0.02, "{a} {b}");
                assert!((sound.m.max - faulty.m.max).abs() < 0.01);
            }
        }
    }
}
