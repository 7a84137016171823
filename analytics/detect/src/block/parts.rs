//! The parts of an hour block: moments, movement, normal equations, rails, status bits, counters.

/// Count, sums and extremes of one quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moments {
    pub n: u32,
    pub sum: f64,
    pub sum_sq: f64,
    pub min: f64,
    pub max: f64,
}

impl Default for Moments {
    fn default() -> Self {
        Self {
            n: 0,
            sum: 0.0,
            sum_sq: 0.0,
            min: f64::INFINITY,
            max: f64::NEG_INFINITY,
        }
    }
}

impl Moments {
    #[inline]
    pub fn add(&mut self, v: f64) {
        self.n += 1;
        self.sum += v;
        self.sum_sq += v * v;
        self.min = self.min.min(v);
        self.max = self.max.max(v);
    }

    pub fn merge(&mut self, o: &Self) {
        self.n += o.n;
        self.sum += o.sum;
        self.sum_sq += o.sum_sq;
        self.min = self.min.min(o.min);
        self.max = self.max.max(o.max);
    }

    pub fn mean(&self) -> f64 {
        if self.n == 0 {
            f64::NAN
        } else {
            self.sum / f64::from(self.n)
        }
    }

    /// `max - min`; 0 when empty.
    pub fn range(&self) -> f64 {
        if self.n == 0 {
            0.0
        } else {
            self.max - self.min
        }
    }
}

/// Movement of one channel between successive readings, % of span.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Movement {
    pub n: u32,
    /// Median of the absolute steps.
    pub median: f64,
    pub sum_sq: f64,
    pub changes: u32,
    /// Smallest step that is not zero: the resolution seen.
    pub quantum: f64,
    pub first_change: i64,
    pub last_change: i64,
}

impl Default for Movement {
    fn default() -> Self {
        Self {
            n: 0,
            median: f64::NAN,
            sum_sq: 0.0,
            changes: 0,
            quantum: f64::INFINITY,
            first_change: i64::MAX,
            last_change: i64::MIN,
        }
    }
}

/// Number of regressors in [`Normal`]: 1, x, backward step, forward step.
pub const P: usize = 4;

/// Weighted normal equations of `[1, x, dxb, dxf]` against the deviation `e`.
///
/// Both neighbours of a reading enter because the analog instant lies anywhere between polls:
/// regression on the backward and the forward step absorbs sampling skew and damping together.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Normal {
    pub n: u32,
    pub xx: [[f64; P]; P],
    pub xy: [f64; P],
    pub yy: f64,
    /// Sum of squared weights; `xx[0][0]^2 / w2` is the effective count.
    pub w2: f64,
}

impl Normal {
    #[cfg(test)]
    pub(super) fn add(&mut self, row: [f64; P], y: f64, w: f64) {
        self.n += 1;
        for i in 0..P {
            for j in 0..P {
                self.xx[i][j] += w * row[i] * row[j];
            }
            self.xy[i] += w * row[i] * y;
        }
        self.yy += w * y * y;
        self.w2 += w * w;
    }

    pub fn merge(&mut self, o: &Self) {
        self.n += o.n;
        for i in 0..P {
            for j in 0..P {
                self.xx[i][j] += o.xx[i][j];
            }
            self.xy[i] += o.xy[i];
        }
        self.yy += o.yy;
        self.w2 += o.w2;
    }

    pub fn weight(&self) -> f64 {
        self.xx[0][0]
    }
}

/// Reported against registered current, `er = (r - f) / 0.16` in % of span. Exact in a sound device.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReportedFit {
    pub n: u32,
    pub off: u32,
    pub first_off: i64,
    pub sum: f64,
    pub sx: f64,
    pub sxx: f64,
    pub sxy: f64,
    pub syy: f64,
}

impl Default for ReportedFit {
    fn default() -> Self {
        Self {
            n: 0,
            off: 0,
            first_off: i64::MAX,
            sum: 0.0,
            sx: 0.0,
            sxx: 0.0,
            sxy: 0.0,
            syy: 0.0,
        }
    }
}

impl ReportedFit {
    pub fn merge(&mut self, o: &Self) {
        self.n += o.n;
        self.off += o.off;
        self.first_off = self.first_off.min(o.first_off);
        self.sum += o.sum;
        self.sx += o.sx;
        self.sxx += o.sxx;
        self.sxy += o.sxy;
        self.syy += o.syy;
    }
}

/// Deviation in one eighth of the range: samples, and sums of weight, weighted `e`, `e^2` and both steps of the digital
/// value, with which what sampling at two instants does to `e` can be taken out.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Eighth {
    pub n: u32,
    pub w: f64,
    pub we: f64,
    pub wee: f64,
    pub wxb: f64,
    pub wxf: f64,
}

impl Eighth {
    #[cfg(test)]
    pub(super) fn add(&mut self, e: f64, w: f64, dxb: f64, dxf: f64) {
        self.n += 1;
        self.wxb += w * dxb;
        self.wxf += w * dxf;
        self.w += w;
        self.we += w * e;
        self.wee += w * e * e;
    }

    pub fn merge(&mut self, o: &Self) {
        self.n += o.n;
        self.w += o.w;
        self.we += o.we;
        self.wee += o.wee;
        self.wxb += o.wxb;
        self.wxf += o.wxf;
    }

    /// Weighted mean deviation, % of span; NaN where nothing was seen.
    pub fn mean(&self) -> f64 {
        if self.w > 0.0 {
            self.we / self.w
        } else {
            f64::NAN
        }
    }
}

/// One level of NE 43 in an hour: how many samples, first and last.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rail {
    pub n: u32,
    pub first: i64,
    pub last: i64,
}

impl Default for Rail {
    fn default() -> Self {
        Self {
            n: 0,
            first: i64::MAX,
            last: i64::MIN,
        }
    }
}

impl Rail {
    pub(super) fn add(&mut self, t: i64) {
        self.n += 1;
        self.first = self.first.min(t);
        self.last = self.last.max(t);
    }

    pub fn merge(&mut self, o: &Self) {
        self.n += o.n;
        self.first = self.first.min(o.first);
        self.last = self.last.max(o.last);
    }
}

/// One status bit in an hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BitTrack {
    pub set: u32,
    pub rises: u32,
    pub first: i64,
    pub last: i64,
}

impl Default for BitTrack {
    fn default() -> Self {
        Self {
            set: 0,
            rises: 0,
            first: i64::MAX,
            last: i64::MIN,
        }
    }
}

/// Bits 0..8 are the field device status, 8..14 the extended field device status.
pub const N_BITS: usize = 14;
/// Excursion thresholds, % of span.
pub const EXCURSION_PCT: [f64; 5] = [0.25, 0.5, 1.0, 2.0, 4.0];

/// Increments of the exchange counters inside one hour.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Counters {
    pub exchanges: f64,
    pub errors: f64,
    pub resets: u32,
}

/// Exchanges that two readings of a counter may lie apart at most.
fn most_exchanges(seconds: f64) -> f64 {
    (5.0 * seconds).max(400.0)
}

/// Increments of a counter that wraps at 2^16 or 2^32 or restarts at 0. `None` = a restart.
///
/// The wrapped difference is believed only when it is plausible for the time between the two readings
/// (at most 5 exchanges a second: the wire carries fewer than 4).
pub fn counter_increment(before: i64, now: i64, seconds: f64) -> Option<f64> {
    if now >= before {
        return Some((now - before) as f64);
    }
    let most = most_exchanges(seconds);
    for modulus in [1_i64 << 16, 1_i64 << 32] {
        if before < modulus {
            let wrapped = now + modulus - before;
            if (wrapped as f64) <= most {
                return Some(wrapped as f64);
            }
        }
    }
    None
}

/// Adds what both counters gained between two readings; a restart adds what is known since it.
pub fn add_increment(c: &mut Counters, before: (i64, i64), now: (i64, i64), seconds: f64) {
    match (
        counter_increment(before.0, now.0, seconds),
        counter_increment(before.1, now.1, seconds),
    ) {
        // More than the wire can carry in that time is another counter (a device or gateway exchanged), not traffic.
        (Some(ex), Some(er)) if er <= ex + 2.0 && ex <= most_exchanges(seconds) => {
            c.exchanges += ex;
            c.errors += er;
        }
        _ => {
            c.resets += 1;
            if now.1 <= now.0 && (now.0 as f64) <= most_exchanges(seconds) {
                c.exchanges += now.0 as f64;
                c.errors += now.1 as f64;
            }
        }
    }
}
