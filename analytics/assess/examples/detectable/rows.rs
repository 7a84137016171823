//! Faults put into rows: what the device, the wire and the input would have delivered.

use analytics_detect::sensitivity::Fault;
use ingest_model::{Columns, LoopEntry, UtcMicros};

/// A plain congruential generator: the same faults on every machine.
#[derive(Debug, Clone)]
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64, tag: &str, what: u64) -> Self {
        let mut d = Self(tag.bytes().fold(seed ^ (what << 32), |h, b| {
            h.wrapping_mul(0x0100_0000_01B3) ^ u64::from(b)
        }));
        for _ in 0..8 {
            d.unit();
        }
        d
    }

    pub(crate) fn unit(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// About normal: twelve uniform numbers.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

/// What goes over from day to day.
#[derive(Debug, Default)]
pub(crate) struct State {
    kept_pv: Option<f64>,
    kept_ma: Option<f64>,
    kept_reported: Option<f64>,
    failed: i64,
}

/// One fault with its size.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Add {
    pub fault: Fault,
    pub size: f64,
    pub start: UtcMicros,
    pub lasts_s: f64,
    /// Mean of the value in the record before.
    pub usual_pv: f64,
    /// Share of the loop's exchanges that fail without a fault.
    pub usual_failed: f64,
}

impl Add {
    /// Changes the rows of one day.
    pub(crate) fn apply(
        &self,
        entry: &LoopEntry,
        c: &mut Columns,
        state: &mut State,
        dice: &mut Dice,
    ) {
        for i in 0..c.len() {
            let t = UtcMicros(c.time[i]);
            if t < self.start {
                continue;
            }
            let grown = (t.seconds_since(self.start) / self.lasts_s).clamp(0.0, 1.0);
            // Position of the current that the device drives, 0..1.
            let x = (entry.range.registered_ma(c.pv[i]) - 4.0) / 16.0;
            match self.fault {
                Fault::OffsetGrowing => c.analog_ma[i] += 0.16 * self.size * grown,
                Fault::OffsetStep => c.analog_ma[i] += 0.16 * self.size,
                Fault::SpanGrowing if x.is_finite() => {
                    c.analog_ma[i] += 0.16 * self.size * grown * x;
                }
                Fault::SpanStep if x.is_finite() => c.analog_ma[i] += 0.16 * self.size * x,
                Fault::SpanGrowing | Fault::SpanStep => {}
                Fault::StuckDigital => keep(&mut c.pv[i], &mut state.kept_pv),
                Fault::StuckAnalog => keep_noisy(&mut c.analog_ma[i], &mut state.kept_ma, dice),
                Fault::StuckBoth => {
                    keep(&mut c.pv[i], &mut state.kept_pv);
                    keep(&mut c.reported_ma[i], &mut state.kept_reported);
                    keep_noisy(&mut c.analog_ma[i], &mut state.kept_ma, dice);
                }
                Fault::MoreErrors => self.fail(c, i, state, dice),
                Fault::NoiseRise | Fault::NoiseCollapse => {
                    // Every step from reading to reading is so many times as large, about the loop's usual value.
                    let level = self.usual_pv;
                    let old = entry.range.registered_ma(c.pv[i]);
                    c.pv[i] = level + self.size * (c.pv[i] - level);
                    let by = entry.range.registered_ma(c.pv[i]) - old;
                    if by.is_finite() {
                        c.analog_ma[i] += by;
                        c.reported_ma[i] += by;
                    }
                }
            }
        }
    }

    /// Good exchanges fail until `size` of all do; the counter of failures follows.
    fn fail(&self, c: &mut Columns, i: usize, state: &mut State, dice: &mut Dice) {
        let own = self.usual_failed;
        if answered(c, i) && dice.unit() < (self.size - own).max(0.0) / (1.0 - own) {
            state.failed += 1;
            c.response_code[i] = 0x88;
            c.device_status[i] = -1;
            c.extended_status[i] = -1;
            c.pv_status[i] = -1;
            c.config_changes[i] = -1;
            c.exchanges[i] = -1;
            c.comm_errors[i] = -1;
            for v in [&mut c.pv[i], &mut c.reported_ma[i], &mut c.sv[i]] {
                *v = f64::NAN;
            }
        }
        if c.comm_errors[i] >= 0 {
            c.comm_errors[i] += state.failed;
        }
    }
}

/// A good exchange: an answer without a communication error.
pub(crate) fn answered(c: &Columns, i: usize) -> bool {
    (0..0x80).contains(&c.response_code[i])
}

fn keep(v: &mut f64, kept: &mut Option<f64>) {
    if v.is_finite() {
        *v = *kept.get_or_insert(*v);
    }
}

/// A current that stops still carries the input's noise, about 0.002 mA.
fn keep_noisy(v: &mut f64, kept: &mut Option<f64>, dice: &mut Dice) {
    if v.is_finite() {
        *v = *kept.get_or_insert(*v) + 0.002 * dice.normal();
    }
}
