//! Fewer rows for a picture: at most N of them, real rows, with extremes, status and gaps kept, in bounded memory.
//!
//! Time is cut into equal stretches, as many as N allows. Of each stretch the rows stay that hold the lowest and the
//! highest value of a column or of the difference between analog and digital, and its worst exchanges. Status bytes of
//! rows that go are or-ed into the next row that stays. A gap in the record becomes a row of nothing but a time.

use ingest_model::{Columns, UtcMicros};
use std::collections::VecDeque;

/// Most rows that one stretch keeps: two of each of nine columns and of the difference, its worst exchanges, one with
/// status, and the ends of the record. With fewer points than this some extremes go.
pub const KEPT: usize = 26;
/// So many rows beyond the answer's are held before they are thinned for the first time.
const HELD_MORE: usize = 100_000;
/// A first thinning keeps at least so many: what it drops is gone for the last one.
const HELD_LEAST: usize = 1_000;
/// A gap is longer than so many poll periods; the period is the median of the intervals before it.
pub const GAP_PERIODS: i64 = 3;
const INTERVALS: usize = 15;
const INTERVALS_LEAST: usize = 5;

/// What [`Thinner`] made of the rows.
#[derive(Debug, Default)]
pub struct Thinned {
    /// Strictly increasing in time.
    pub columns: Columns,
    /// Rows handed in.
    pub stored: usize,
    /// Rows of `columns` that stand for a gap: a time and nothing else.
    pub gaps: usize,
}

/// Takes rows in order of time, piece by piece, and holds a bounded number of them.
#[derive(Debug)]
pub struct Thinner {
    points: usize,
    rows: Columns,
    /// Analog minus registered current of each row, mA; NaN = not known.
    difference_ma: Vec<f64>,
    stored: usize,
    /// Length of the stretches that `rows` is thinned to, counted from its first row; 0 = as stored.
    width: i64,
    gaps: Gaps,
}

impl Thinner {
    /// For an answer of at most `points` rows.
    pub fn new(points: usize) -> Self {
        Self {
            points,
            rows: Columns::default(),
            difference_ma: Vec::new(),
            stored: 0,
            width: 0,
            gaps: Gaps::new(gap_rows(points)),
        }
    }

    /// Appends rows later than all before. `registered_ma` is the current that a PV stands for at a time.
    pub fn push(&mut self, rows: &Columns, registered_ma: impl Fn(UtcMicros, f64) -> f64) {
        self.stored += rows.len();
        self.gaps.look(&rows.time);
        self.rows.extend_from(rows);
        let signals = rows.time.iter().zip(rows.pv.iter().zip(&rows.analog_ma));
        self.difference_ma
            .extend(signals.map(|(t, (pv, ma))| ma - registered_ma(UtcMicros(*t), *pv)));
        if self.rows.len() > self.points.saturating_add(HELD_MORE) {
            self.thin_to(self.points.max(HELD_LEAST));
        }
    }

    /// The rows as they came if there are no more than asked for, else the thinned ones with rows for the gaps.
    pub fn finish(mut self) -> Thinned {
        if self.stored <= self.points {
            return Thinned {
                columns: self.rows,
                stored: self.stored,
                gaps: 0,
            };
        }
        let gaps = std::mem::take(&mut self.gaps).in_order();
        self.thin_to(self.points.saturating_sub(gaps.len()));
        let mut columns = Columns::default();
        let mut next = gaps.iter().peekable();
        for row in 0..self.rows.len() {
            while let Some(at) = next.next_if(|at| **at < self.rows.time[row]) {
                columns.push(&ingest_model::Reading::empty(UtcMicros(*at)));
            }
            columns.push_row_of(&self.rows, row);
        }
        Thinned {
            columns,
            stored: self.stored,
            gaps: gaps.len(),
        }
    }

    fn thin_to(&mut self, budget: usize) {
        let (Some(&first), Some(&last)) = (self.rows.time.first(), self.rows.time.last()) else {
            return;
        };
        if self.rows.len() <= budget {
            return;
        }
        let signals = Signals::of(&self.rows, &self.difference_ma);
        // New stretches are whole numbers of the old ones, so that what an old one kept is enough.
        let step = self.width.max(1);
        let span = last.saturating_sub(first);
        let mut stretches = (budget / 2).max(1);
        let (width, keep) = loop {
            let wanted = span / stretches as i64 + 1;
            let width = ((wanted - 1) / step + 1).saturating_mul(step);
            let keep = signals.keep(first, width);
            if keep.len() <= budget {
                break (width, keep);
            }
            if stretches == 1 {
                break (width, signals.first_of_all(budget));
            }
            let fitting = (stretches as f64 * budget as f64 / keep.len() as f64) as usize;
            // A tenth less at least: where nearly all rows stay, the estimate alone comes down too slowly.
            stretches = fitting.min(stretches * 9 / 10).clamp(1, stretches - 1);
        };
        let difference_ma = keep.iter().map(|&r| self.difference_ma[r]).collect();
        self.rows = with_status(&self.rows, &keep, first, width);
        self.difference_ma = difference_ma;
        self.width = width;
    }
}

/// Rows of an answer that may stand for gaps.
fn gap_rows(points: usize) -> usize {
    if points < 2 * KEPT { 0 } else { points / 4 }
}

/// Finds gaps; keeps the longest ones.
#[derive(Debug, Default)]
struct Gaps {
    most: usize,
    last: Option<i64>,
    /// The newest intervals between rows.
    intervals: VecDeque<i64>,
    /// (length, time of the row that stands for it).
    found: Vec<(i64, i64)>,
}

impl Gaps {
    fn new(most: usize) -> Self {
        Self {
            most,
            ..Self::default()
        }
    }

    fn look(&mut self, times: &[i64]) {
        if self.most == 0 {
            return;
        }
        for &time in times {
            if let Some(last) = self.last.replace(time) {
                let interval = time.saturating_sub(last);
                let least = self.intervals.iter().min().copied().unwrap_or(i64::MAX);
                // The median costs more and is seldom needed.
                if interval / GAP_PERIODS > least
                    && let Some(period) = self.period()
                    && interval > period.saturating_mul(GAP_PERIODS)
                {
                    self.found.push((interval, last.saturating_add(period)));
                }
                if self.intervals.len() == INTERVALS {
                    self.intervals.pop_front();
                }
                self.intervals.push_back(interval);
            }
        }
        if self.found.len() > self.most.saturating_mul(2) + HELD_LEAST {
            self.cut();
        }
    }

    fn period(&self) -> Option<i64> {
        let mut sorted: Vec<i64> = self.intervals.iter().copied().collect();
        sorted.sort_unstable();
        (sorted.len() >= INTERVALS_LEAST)
            .then(|| sorted.get(sorted.len() / 2).copied())
            .flatten()
    }

    fn cut(&mut self) {
        self.found.sort_unstable_by(|a, b| b.cmp(a));
        self.found.truncate(self.most);
    }

    fn in_order(mut self) -> Vec<i64> {
        self.cut();
        let mut times: Vec<i64> = self.found.into_iter().map(|(_, at)| at).collect();
        times.sort_unstable();
        times
    }
}

/// The columns whose extremes stay, those with anything in them; the most telling ones first.
struct Signals<'a> {
    rows: &'a Columns,
    floats: Vec<&'a [f64]>,
    counts: Vec<Vec<i64>>,
}

impl<'a> Signals<'a> {
    fn of(rows: &'a Columns, difference_ma: &'a [f64]) -> Self {
        let floats = [
            difference_ma,
            &rows.analog_ma,
            &rows.pv,
            &rows.reported_ma,
            &rows.sv,
            &rows.tv,
            &rows.qv,
        ];
        let floats = floats
            .into_iter()
            .filter(|v| v.iter().any(|x| x.is_finite()))
            .collect();
        let changes: Vec<i64> = rows.config_changes.iter().map(|c| i64::from(*c)).collect();
        let counts = [rows.comm_errors.clone(), rows.exchanges.clone(), changes]
            .into_iter()
            .filter(|v| v.iter().any(|x| *x >= 0))
            .collect();
        Self {
            rows,
            floats,
            counts,
        }
    }

    /// The rows to keep, in order, with stretches of `width` from `first`.
    fn keep(&self, first: i64, width: i64) -> Vec<usize> {
        let rows = self.rows.len();
        let mut keep = vec![0];
        let mut from = 0;
        let mut found = Vec::with_capacity(KEPT);
        while from < rows {
            let to = stretch_end(&self.rows.time, from, first, width);
            found.clear();
            self.of_stretch(from, to, &mut found);
            found.sort_unstable();
            keep.append(&mut found);
            from = to;
        }
        keep.push(rows.saturating_sub(1));
        keep.dedup();
        // The first row stands at the front and, perhaps, again within its stretch.
        keep.sort_unstable();
        keep.dedup();
        keep
    }

    /// The `budget` most telling rows of all.
    fn first_of_all(&self, budget: usize) -> Vec<usize> {
        let rows = self.rows.len();
        let mut found = Vec::with_capacity(KEPT);
        self.of_stretch(0, rows, &mut found);
        found.extend([rows.saturating_sub(1), 0]);
        let mut keep: Vec<usize> = Vec::with_capacity(budget);
        for row in found {
            if keep.len() < budget && !keep.contains(&row) {
                keep.push(row);
            }
        }
        keep.sort_unstable();
        keep
    }

    /// What stays of rows `from..to`, the most telling first; may name a row twice.
    fn of_stretch(&self, from: usize, to: usize, found: &mut Vec<usize>) {
        for values in &self.floats {
            found.extend(low_high(values, from, to, |v| v.is_finite()));
        }
        // The worst exchange: no reply, and the highest of the communication errors (0x80 and up). In files without the
        // column a row with a PV is a good exchange.
        let code = &self.rows.response_code;
        found.extend((from..to).find(|&r| code[r] < 0 && self.rows.pv[r].is_nan()));
        found.extend(
            (from..to)
                .filter(|&r| code[r] >= 0x80)
                .max_by_key(|&r| code[r]),
        );
        for values in &self.counts {
            found.extend(low_high(values, from, to, |v| v >= 0));
        }
        if !found.iter().any(|&r| speaks(self.rows, r)) {
            found.extend((from..to).find(|&r| speaks(self.rows, r)));
        }
    }
}

fn stretch_end(time: &[i64], from: usize, first: i64, width: i64) -> usize {
    let number = time[from].saturating_sub(first) / width;
    let end = first.saturating_add((number + 1).saturating_mul(width));
    from + time[from..].partition_point(|t| *t < end).max(1)
}

fn low_high<T: Copy + PartialOrd>(
    values: &[T],
    from: usize,
    to: usize,
    known: impl Fn(T) -> bool,
) -> impl Iterator<Item = usize> {
    let mut ends: Option<(usize, usize)> = None;
    for (row, v) in values.iter().enumerate().take(to).skip(from) {
        if !known(*v) {
            continue;
        }
        ends = Some(match ends {
            None => (row, row),
            Some((low, high)) => (
                if *v < values[low] { row } else { low },
                if *v > values[high] { row } else { high },
            ),
        });
    }
    ends.into_iter().flat_map(|(low, high)| [low, high])
}

/// The row's status bytes mean something: its exchange did not fail.
fn speaks(rows: &Columns, row: usize) -> bool {
    (0..0x80).contains(&rows.response_code[row])
        || (rows.response_code[row] < 0 && rows.device_status[row] >= 0)
}

/// Status of a stretch of rows.
#[derive(Clone, Copy)]
struct Status {
    device: i16,
    extended: i16,
    pv: i16,
}

impl Status {
    const NONE: Self = Self {
        device: -1,
        extended: -1,
        pv: -1,
    };

    fn of(rows: &Columns, row: usize) -> Self {
        if !speaks(rows, row) {
            return Self::NONE;
        }
        Self {
            device: rows.device_status[row],
            extended: rows.extended_status[row],
            pv: rows.pv_status[row],
        }
    }

    fn and(self, other: Self) -> Self {
        let or = |a: i16, b: i16| match (a, b) {
            (-1, x) | (x, -1) => x,
            (a, b) => a | b,
        };
        // The upper two bits are a quality from 0 bad to 3 good, no flags: the worse one stands.
        let worse = |a: i16, b: i16| match (a, b) {
            (-1, x) | (x, -1) => x,
            (a, b) => (a & 0xC0).min(b & 0xC0) | ((a | b) & 0x3F),
        };
        Self {
            device: or(self.device, other.device),
            extended: or(self.extended, other.extended),
            pv: worse(self.pv, other.pv),
        }
    }
}

/// The rows `keep`; each takes the status of those that went before it in its stretch, the last also of those after it.
fn with_status(rows: &Columns, keep: &[usize], first: i64, width: i64) -> Columns {
    let mut out = Columns::default();
    let mut kept = keep.iter().copied().peekable();
    let mut from = 0;
    while from < rows.len() {
        let to = stretch_end(&rows.time, from, first, width);
        let mut status = Status::NONE;
        let mut last = None;
        for row in from..to {
            status = status.and(Status::of(rows, row));
            if kept.next_if_eq(&row).is_some() {
                let at = out.len();
                out.push_row_of(rows, row);
                if speaks(rows, row) {
                    last = Some(at);
                    set_status(&mut out, at, status);
                    status = Status::NONE;
                }
            }
        }
        if let Some(last) = last {
            let all = Status::of(&out, last).and(status);
            set_status(&mut out, last, all);
        }
        from = to;
    }
    out
}

fn set_status(rows: &mut Columns, row: usize, status: Status) {
    rows.device_status[row] = status.device;
    rows.extended_status[row] = status.extended;
    rows.pv_status[row] = status.pv;
}
