//! Rows of one device: values in the register's unit, times that never go back, counters and status that go out once.

use super::values::Values;
use super::{Counters, Device, unit_name};
use ingest_hart::answer::Measured;
use ingest_hart::unit_code::NOT_USED;
use ingest_hart::{Float, Status};
use ingest_model::{Reading, UtcMicros, unit};

impl Device {
    /// Times strictly increase within a tag, whatever the wall clock does.
    fn next_time(&mut self, wall: UtcMicros) -> UtcMicros {
        let time = if wall > self.last_time {
            wall
        } else {
            UtcMicros(self.last_time.0.saturating_add(1))
        };
        self.last_time = time;
        time
    }

    fn row(&mut self, wall: UtcMicros) -> Reading {
        let mut r = Reading::empty(self.next_time(wall));
        match self.counters {
            // A device that nobody could ask has no tally.
            Counters::Own if self.tries == 0 => {}
            Counters::Own => {
                r.exchanges = Some(self.tries);
                r.comm_errors = Some(self.failed_tries);
            }
            _ => {
                if let Some((sent, failed)) = self.fresh.exchanges.take() {
                    r.exchanges = Some(u32::from(sent));
                    r.comm_errors = Some(u32::from(failed));
                }
            }
        }
        r
    }

    /// The row of an exchange that brought no values; `status` is the device's own, if it answered at all.
    pub(crate) fn failure_row(&mut self, status: Option<Status>, wall: UtcMicros) -> Reading {
        let mut r = self.row(wall);
        r.response_code = status.map(|s| s.first);
        r.device_status = status.and_then(Status::device_status);
        r
    }

    /// The row of a fast read or of a burst message.
    pub(crate) fn value_row(&mut self, status: Status, v: &Values, wall: UtcMicros) -> Reading {
        let mut r = self.row(wall);
        r.response_code = Some(status.first);
        r.device_status = status.device_status();
        r.reported_ma = v.loop_ma.map_or(f64::NAN, Float::or_nan);
        r.config_changes = self.fresh.config_changes.take();
        // What was read apart from the values is older.
        let older = self.fresh.extended_status.take();
        r.extended_status = v.extended_status.or(older);
        r.pv_status = v.pv_status;
        let [pv, sv, tv, qv] = v.variables;
        let own = |m: Option<Measured>| {
            m.filter(|m| m.unit != NOT_USED)
                .map_or(f64::NAN, |m| m.value.or_nan())
        };
        (r.sv, r.tv, r.qv) = (own(sv), own(tv), own(qv));
        r.pv = pv.map_or(f64::NAN, |m| self.pv(m));
        r
    }

    /// The PV in the register's unit; NaN where the units have nothing to do with each other.
    fn pv(&self, m: Measured) -> f64 {
        let value = m.value.or_nan();
        match (unit_name(m.unit), self.pv_unit.as_deref()) {
            (Some(from), Some(to)) => unit::convert(value, &from, to)
                .filter(|v| v.is_finite())
                .unwrap_or(f64::NAN),
            // No register entry says otherwise: the device's own.
            (Some(_), None) => value,
            (None, _) => f64::NAN,
        }
    }

    pub(crate) fn status_of_last_row(&self) -> u8 {
        self.last_status
    }

    /// Bits of the device status that were not set in the answer before.
    pub(crate) fn rising_bits(&mut self, status: Status) -> u8 {
        let now = status.device_status().unwrap_or(self.last_status);
        let rose = now & !self.last_status;
        self.last_status = now;
        rose
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::Route;
    use ingest_hart::UniqueAddress;
    use ingest_hart::answer::DynamicVariables;

    fn reading(d: &mut Device, pv_unit: u8, pv: f32, wall: i64) -> Reading {
        let v = DynamicVariables {
            loop_ma: Float::from(12.0),
            variables: [
                Some(Measured {
                    unit: pv_unit,
                    value: Float::from(pv),
                }),
                Some(Measured {
                    unit: 32,
                    value: Float::NOT_AVAILABLE,
                }),
                Some(Measured {
                    unit: NOT_USED,
                    value: Float::from(0.0),
                }),
                None,
            ],
        };
        d.value_row(
            Status {
                first: 0,
                second: 0x40,
            },
            &Values::of_3(v),
            UtcMicros(wall),
        )
    }

    #[test]
    fn units_are_converted_or_the_pv_is_missing() {
        let mut d = Device::new(Route::Absent, None);
        d.pv_unit = Some("kPa".into());
        let r = reading(&mut d, 7, 2.5, 10);
        assert_eq!(
            (r.pv, r.reported_ma, r.device_status),
            (250.0, 12.0, Some(0x40))
        );
        assert!(r.sv.is_nan() && r.tv.is_nan() && r.qv.is_nan());
        assert!(reading(&mut d, 32, 2.5, 11).pv.is_nan());
        assert!(reading(&mut d, 250, 2.5, 12).pv.is_nan());
        assert!(reading(&mut d, 7, f32::NAN, 13).pv.is_nan());
    }

    #[test]
    fn times_strictly_increase_and_fresh_values_go_out_once() {
        let mut d = Device::new(
            Route::Sub {
                index: 1,
                card: 0,
                channel: 0,
                to: UniqueAddress::new(1, 2),
            },
            None,
        );
        d.take_counters(3, 0xFFFF);
        let a = reading(&mut d, 7, 1.0, 1_000);
        assert_eq!((a.exchanges, a.comm_errors), (Some(3), Some(4)));
        let b = reading(&mut d, 7, 1.0, 900);
        assert_eq!((b.time, b.exchanges), (UtcMicros(1_001), None));
        let f = d.failure_row(
            Some(Status {
                first: 0x88,
                second: 0,
            }),
            UtcMicros(900),
        );
        assert_eq!(
            (f.time, f.response_code, f.device_status),
            (UtcMicros(1_002), Some(0x88), None)
        );
        assert!(f.pv.is_nan() && f.reported_ma.is_nan());
        d.counters = Counters::Own;
        d.tried();
        d.tried();
        d.try_failed();
        let o = d.failure_row(None, UtcMicros(2_000));
        assert_eq!(
            (o.exchanges, o.comm_errors, o.response_code),
            (Some(2), Some(1), None)
        );
    }

    #[test]
    fn every_unit_text_of_the_wire_is_a_unit_or_stands_for_itself() {
        for (_, text) in ingest_hart::unit_code::UNITS {
            assert_eq!(unit::convert(1.5, text, text), Some(1.5));
        }
        // All units with a fixed factor are known under the name that the wire gives them.
        let known = ingest_hart::unit_code::UNITS
            .iter()
            .filter(|(_, t)| unit::find(t).is_some())
            .count();
        assert!(known >= 125, "{known}");
    }
}
