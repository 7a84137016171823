//! Fewer rows for a picture: at most N of them, real rows, with the extremes kept.

use ingest_model::{Columns, Series};

/// What can be kept of one run of rows: low and high of three signals, the worst exchange, the most status bits.
const KEPT: usize = 8;

/// `columns` if it has no more than `points` rows; else at most `points` of its rows, in order. Kept are first the
/// ends and the extremes of the whole, then those of equal runs of rows.
pub fn thin(columns: Columns, points: usize) -> Columns {
    let rows = columns.len();
    if rows <= points {
        return columns;
    }
    let mut keep: Vec<usize> = Vec::with_capacity(points);
    let whole = columns.series();
    let mut first = extremes(&whole, 0, rows);
    first.extend([rows - 1, 0]);
    for values in [whole.sv, whole.tv, whole.qv] {
        first.extend(low_high(values, 0, rows));
    }
    for row in first {
        if keep.len() < points && !keep.contains(&row) {
            keep.push(row);
        }
    }
    let runs = (points - keep.len()) / KEPT;
    for run in 0..runs {
        let (from, to) = (rows * run / runs, rows * (run + 1) / runs);
        keep.extend(extremes(&whole, from, to));
    }
    keep.sort_unstable();
    keep.dedup();
    let mut out = Columns::default();
    for row in keep {
        out.push_row_of(&columns, row);
    }
    out
}

/// At most [`KEPT`] rows of `from..to`.
fn extremes(s: &Series<'_>, from: usize, to: usize) -> Vec<usize> {
    let mut rows = Vec::with_capacity(KEPT);
    for values in [s.pv, s.analog_ma, s.reported_ma] {
        rows.extend(low_high(values, from, to));
    }
    // No reply (-1) and communication errors (0x80 and up) before all else.
    let trouble = |row: usize| {
        if s.response_code[row] < 0 {
            i16::MAX
        } else {
            s.response_code[row]
        }
    };
    rows.extend(
        (from..to)
            .filter(|&r| trouble(r) >= 0x80)
            .max_by_key(|&r| trouble(r)),
    );
    rows.extend(
        (from..to)
            .filter(|&r| s.device_status[r] > 0)
            .max_by_key(|&r| s.device_status[r].count_ones()),
    );
    rows
}

fn low_high(values: &[f64], from: usize, to: usize) -> impl Iterator<Item = usize> + use<> {
    let (mut low, mut high): (Option<usize>, Option<usize>) = (None, None);
    for row in from..to {
        let v = values[row];
        if !v.is_finite() {
            continue;
        }
        if low.is_none_or(|l| v < values[l]) {
            low = Some(row);
        }
        if high.is_none_or(|h| v > values[h]) {
            high = Some(row);
        }
    }
    low.into_iter().chain(high)
}
