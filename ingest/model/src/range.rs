//! From engineering units to loop current: the registered range and transfer function.

/// How percent of range becomes current (HART common table 3: 0 linear, 1 square root).
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Hash)]
pub enum Transfer {
    #[default]
    Linear,
    SquareRoot,
    /// Any other code, kept by number: `f(pv)` is then unknown and only `analog_ma` against
    /// `reported_ma` is judged.
    Other(u8),
}

impl Transfer {
    /// From the HART code.
    pub fn from_code(code: u8) -> Self {
        match code {
            0 => Self::Linear,
            1 => Self::SquareRoot,
            n => Self::Other(n),
        }
    }
}

impl std::fmt::Display for Transfer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Linear => f.write_str("linear"),
            Self::SquareRoot => f.write_str("square-root"),
            Self::Other(code) => write!(f, "{code}"),
        }
    }
}

/// NAMUR NE 43 levels in mA: failure at or below / at or above the outer pair, measurement within the inner.
pub mod signal_limits_ma {
    pub const FAILURE_LOW: f64 = 3.6;
    pub const SATURATED_LOW: f64 = 3.8;
    pub const SATURATED_HIGH: f64 = 20.5;
    pub const FAILURE_HIGH: f64 = 21.0;
}

/// Percent of range of a current: 4 mA is 0, 20 mA is 100 (IEC 60381-1).
#[inline]
pub fn percent_of_current(ma: f64) -> f64 {
    (ma - 4.0) / 0.16
}

/// PV at 4 mA and at 20 mA with the transfer function between.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Range {
    pub lrv: f64,
    pub urv: f64,
    pub transfer: Transfer,
}

impl Range {
    /// Percent of range of the PV before the transfer function (0 at `lrv`, 100 at `urv`); not clipped.
    #[inline]
    pub fn percent(&self, pv: f64) -> f64 {
        100.0 * (pv - self.lrv) / (self.urv - self.lrv)
    }

    /// Percent of current span after the transfer function, not clipped; NaN for an unknown transfer function.
    #[inline]
    pub fn output_percent(&self, pv: f64) -> f64 {
        let pct = self.percent(pv);
        match self.transfer {
            Transfer::Linear => pct,
            // The square root of a negative percent is 0 (contract section 3).
            Transfer::SquareRoot => 10.0 * pct.max(0.0).sqrt(),
            Transfer::Other(_) => f64::NAN,
        }
    }

    /// The registered current `f(pv)` in mA, clipped to 3.8..20.5 mA (NE 43); NaN in, NaN out.
    #[inline]
    pub fn registered_ma(&self, pv: f64) -> f64 {
        if pv.is_nan() {
            // The square root of what is not known is not 0.
            return f64::NAN;
        }
        self.registered_ma_of(self.output_percent(pv))
    }

    /// The registered current of an [`output_percent`](Self::output_percent); NaN in, NaN out.
    #[inline]
    pub fn registered_ma_of(&self, output_percent: f64) -> f64 {
        (4.0 + 0.16 * output_percent).clamp(
            signal_limits_ma::SATURATED_LOW,
            signal_limits_ma::SATURATED_HIGH,
        )
    }

    /// PV that gives the current `ma`; the inverse of [`registered_ma`](Self::registered_ma) without clipping.
    pub fn pv_of_current(&self, ma: f64) -> f64 {
        let out = percent_of_current(ma);
        let pct = match self.transfer {
            Transfer::Linear => out,
            Transfer::SquareRoot => out.max(0.0) * out.max(0.0) / 100.0,
            Transfer::Other(_) => return f64::NAN,
        };
        self.lrv + (self.urv - self.lrv) * pct / 100.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Arithmetic of IEC 60381-1: % = (mA - 4) / 16 * 100.
    #[test]
    fn linear_and_reverse() {
        let r = Range {
            lrv: 0.0,
            urv: 10.0,
            transfer: Transfer::Linear,
        };
        assert!((r.registered_ma(5.0) - 12.0).abs() < 1e-12);
        let rev = Range {
            lrv: 10.0,
            urv: 0.0,
            transfer: Transfer::Linear,
        };
        assert!((rev.registered_ma(2.5) - 16.0).abs() < 1e-12);
        assert_eq!(r.registered_ma(-9.0), 3.8);
        assert_eq!(r.registered_ma(99.0), 20.5);
        assert!(r.registered_ma(f64::NAN).is_nan());
    }

    // Orifice flow: 25 % of differential pressure is 50 % of flow, 12 mA (square-root law).
    #[test]
    fn square_root() {
        let r = Range {
            lrv: 0.0,
            urv: 250.0,
            transfer: Transfer::SquareRoot,
        };
        assert!((r.registered_ma(62.5) - 12.0).abs() < 1e-12);
        assert_eq!(r.registered_ma(-3.0), 4.0);
        assert!((r.pv_of_current(12.0) - 62.5).abs() < 1e-12);
    }
}
