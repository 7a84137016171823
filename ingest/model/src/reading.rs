//! Readings: one row as a struct, many rows of one loop as columns.
//!
//! In columns a missing value is a sentinel, so that kernels run over plain slices: NaN for floats,
//! -1 for integers, [`MISSING_TIME`] for `analog_time`.

use crate::UtcMicros;

/// "Unknown" in a column of instants.
pub const MISSING_TIME: i64 = i64::MIN;

/// One exchange with one loop (contract section 1). NaN / `None` = missing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// When the exchange completed.
    pub time: UtcMicros,
    pub pv: f64,
    pub sv: f64,
    pub tv: f64,
    pub qv: f64,
    /// Loop current as the device says it drives it, mA.
    pub reported_ma: f64,
    /// Loop current as the host's analog input measured it, mA.
    pub analog_ma: f64,
    /// Instant of `analog_ma`.
    pub analog_time: Option<UtcMicros>,
    pub response_code: Option<u8>,
    pub device_status: Option<u8>,
    pub extended_status: Option<u8>,
    pub pv_status: Option<u8>,
    pub exchanges: Option<u32>,
    pub comm_errors: Option<u32>,
    pub config_changes: Option<u16>,
}

impl Reading {
    /// A row with a time and nothing else.
    pub fn empty(time: UtcMicros) -> Self {
        Self {
            time,
            pv: f64::NAN,
            sv: f64::NAN,
            tv: f64::NAN,
            qv: f64::NAN,
            reported_ma: f64::NAN,
            analog_ma: f64::NAN,
            analog_time: None,
            response_code: None,
            device_status: None,
            extended_status: None,
            pv_status: None,
            exchanges: None,
            comm_errors: None,
            config_changes: None,
        }
    }
}

/// Rows of one loop as columns of equal length.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Columns {
    pub time: Vec<i64>,
    pub pv: Vec<f64>,
    pub sv: Vec<f64>,
    pub tv: Vec<f64>,
    pub qv: Vec<f64>,
    pub reported_ma: Vec<f64>,
    pub analog_ma: Vec<f64>,
    pub analog_time: Vec<i64>,
    pub response_code: Vec<i16>,
    pub device_status: Vec<i16>,
    pub extended_status: Vec<i16>,
    pub pv_status: Vec<i16>,
    pub exchanges: Vec<i64>,
    pub comm_errors: Vec<i64>,
    pub config_changes: Vec<i32>,
}

/// Calls `$go!(field)` for every column; keeps the list of columns in one place.
#[macro_export]
macro_rules! for_each_column {
    ($go:ident) => {
        $go!(time);
        $go!(pv);
        $go!(sv);
        $go!(tv);
        $go!(qv);
        $go!(reported_ma);
        $go!(analog_ma);
        $go!(analog_time);
        $go!(response_code);
        $go!(device_status);
        $go!(extended_status);
        $go!(pv_status);
        $go!(exchanges);
        $go!(comm_errors);
        $go!(config_changes);
    };
}

fn wide<T: Into<i64>>(v: Option<T>) -> i64 {
    v.map_or(-1, Into::into)
}

fn byte(v: Option<u8>) -> i16 {
    v.map_or(-1, i16::from)
}

impl Columns {
    pub fn len(&self) -> usize {
        self.time.len()
    }

    pub fn is_empty(&self) -> bool {
        self.time.is_empty()
    }

    pub fn push(&mut self, r: &Reading) {
        self.time.push(r.time.0);
        self.pv.push(r.pv);
        self.sv.push(r.sv);
        self.tv.push(r.tv);
        self.qv.push(r.qv);
        self.reported_ma.push(r.reported_ma);
        self.analog_ma.push(r.analog_ma);
        self.analog_time
            .push(r.analog_time.map_or(MISSING_TIME, |t| t.0));
        self.response_code.push(byte(r.response_code));
        self.device_status.push(byte(r.device_status));
        self.extended_status.push(byte(r.extended_status));
        self.pv_status.push(byte(r.pv_status));
        self.exchanges.push(wide(r.exchanges));
        self.comm_errors.push(wide(r.comm_errors));
        self.config_changes
            .push(r.config_changes.map_or(-1, i32::from));
    }

    /// Copies row `row` of `other` to the end.
    pub fn push_row_of(&mut self, other: &Columns, row: usize) {
        macro_rules! go {
            ($f:ident) => {
                self.$f.push(other.$f[row])
            };
        }
        for_each_column!(go);
    }

    /// Copies these rows of `other` to the end, in this order; stretches of neighbours at once.
    pub fn extend_rows_of(&mut self, other: &Columns, rows: &[u32]) {
        for stretch in rows.chunk_by(|a, b| a.checked_add(1) == Some(*b)) {
            let Some(&first) = stretch.first() else {
                continue;
            };
            self.extend_range_of(other, first as usize..first as usize + stretch.len());
        }
    }

    /// Copies neighbouring rows of `other` to the end.
    pub fn extend_range_of(&mut self, other: &Columns, rows: std::ops::Range<usize>) {
        macro_rules! go {
            ($f:ident) => {
                self.$f.extend_from_slice(&other.$f[rows.clone()])
            };
        }
        for_each_column!(go);
    }

    /// Room for this many rows more, so that none of them makes a column move.
    pub fn reserve(&mut self, rows: usize) {
        macro_rules! go {
            ($f:ident) => {
                self.$f.reserve_exact(rows)
            };
        }
        for_each_column!(go);
    }

    /// Drops the rows, keeps their room.
    pub fn clear(&mut self) {
        macro_rules! go {
            ($f:ident) => {
                self.$f.clear()
            };
        }
        for_each_column!(go);
    }

    pub fn extend_from(&mut self, other: &Columns) {
        macro_rules! go {
            ($f:ident) => {
                self.$f.extend_from_slice(&other.$f)
            };
        }
        for_each_column!(go);
    }

    /// Row `row` as a struct.
    pub fn row(&self, row: usize) -> Reading {
        let b = |v: i16| u8::try_from(v).ok();
        Reading {
            time: UtcMicros(self.time[row]),
            pv: self.pv[row],
            sv: self.sv[row],
            tv: self.tv[row],
            qv: self.qv[row],
            reported_ma: self.reported_ma[row],
            analog_ma: self.analog_ma[row],
            analog_time: (self.analog_time[row] != MISSING_TIME)
                .then(|| UtcMicros(self.analog_time[row])),
            response_code: b(self.response_code[row]),
            device_status: b(self.device_status[row]),
            extended_status: b(self.extended_status[row]),
            pv_status: b(self.pv_status[row]),
            exchanges: u32::try_from(self.exchanges[row]).ok(),
            comm_errors: u32::try_from(self.comm_errors[row]).ok(),
            config_changes: u16::try_from(self.config_changes[row]).ok(),
        }
    }

    /// Puts rows in order of time; of rows with the same time the last one stands. Returns how many went.
    pub fn sort_and_keep_last(&mut self) -> usize {
        if self.time.windows(2).all(|w| w[0] < w[1]) {
            return 0;
        }
        let mut order: Vec<u32> = (0..self.len() as u32).collect();
        order.sort_by_key(|&i| self.time[i as usize]); // stable: later rows stay later
        let of = |i: u32| self.time[i as usize];
        let mut stand: Vec<u32> = Vec::with_capacity(order.len());
        for same in order.chunk_by(|a, b| of(*a) == of(*b)) {
            stand.extend(same.last());
        }
        let mut out = Columns::default();
        out.reserve(stand.len());
        out.extend_rows_of(self, &stand);
        let gone = self.len() - out.len();
        *self = out;
        gone
    }

    /// Borrowed view of all rows.
    pub fn series(&self) -> Series<'_> {
        self.slice(0, self.len())
    }

    /// Borrowed view of rows `from..to`.
    pub fn slice(&self, from: usize, to: usize) -> Series<'_> {
        Series {
            time: &self.time[from..to],
            pv: &self.pv[from..to],
            sv: &self.sv[from..to],
            tv: &self.tv[from..to],
            qv: &self.qv[from..to],
            reported_ma: &self.reported_ma[from..to],
            analog_ma: &self.analog_ma[from..to],
            analog_time: &self.analog_time[from..to],
            response_code: &self.response_code[from..to],
            device_status: &self.device_status[from..to],
            extended_status: &self.extended_status[from..to],
            pv_status: &self.pv_status[from..to],
            exchanges: &self.exchanges[from..to],
            comm_errors: &self.comm_errors[from..to],
            config_changes: &self.config_changes[from..to],
        }
    }
}

/// Borrowed columns of one loop, strictly increasing in time.
#[derive(Clone, Copy, Debug)]
pub struct Series<'a> {
    pub time: &'a [i64],
    pub pv: &'a [f64],
    pub sv: &'a [f64],
    pub tv: &'a [f64],
    pub qv: &'a [f64],
    pub reported_ma: &'a [f64],
    pub analog_ma: &'a [f64],
    pub analog_time: &'a [i64],
    pub response_code: &'a [i16],
    pub device_status: &'a [i16],
    pub extended_status: &'a [i16],
    pub pv_status: &'a [i16],
    pub exchanges: &'a [i64],
    pub comm_errors: &'a [i64],
    pub config_changes: &'a [i32],
}

impl Series<'_> {
    pub fn len(&self) -> usize {
        self.time.len()
    }

    pub fn is_empty(&self) -> bool {
        self.time.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn later_row_of_the_same_time_wins() {
        let mut c = Columns::default();
        for (t, pv) in [(3, 1.0), (1, 2.0), (3, 3.0), (2, 4.0)] {
            c.push(&Reading {
                pv,
                ..Reading::empty(UtcMicros(t))
            });
        }
        assert_eq!(c.sort_and_keep_last(), 1);
        assert_eq!(c.time, [1, 2, 3]);
        assert_eq!(c.pv, [2.0, 4.0, 3.0]);
        assert_eq!(c.row(2).pv, 3.0);
        assert_eq!(c.row(2).response_code, None);
    }
}
