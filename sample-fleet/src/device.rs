//! The device and its loop: from the process value to what the wire and the input card carry, at any instant.
//!
//! Damping is taken as a delay for slow movement and as less flutter for quick movement, so that a value at an
//! instant needs no history. Two filters in a row weigh two instants (Gauss-Laguerre quadrature of their response).

use crate::fault::{Effect, Fault};
use crate::fleet::{Fleet, SimLoop};
use crate::noise::{ease, gauss, smooth, unit};
use crate::plant::{degc, rain};
use crate::scenario::DampingOn;
use ingest_model::{Range, UtcMicros};

/// Full scale of the analog inputs: 16 bits over 0..24 mA.
pub(crate) const INPUT_FULL_MA: f64 = 24.0;
pub(crate) const INPUT_FULL_RAW: f64 = 65_535.0;
/// Where a parked loop stands.
const PARKED_MA: f64 = 4.0;
/// How long a room takes to warm up or to cool, seconds.
const ROOM_S: f64 = 14_400.0;

/// What came of one exchange.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Exchange {
    Good,
    /// Corrupted on the wire: first status byte 0x88 (longitudinal parity).
    Corrupt,
    Silent,
}

/// A device's answer at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Answer {
    /// NaN = not available.
    pub pv: f32,
    pub sv: f32,
    pub reported_ma: f32,
    pub device_status: u8,
    pub extended_status: u8,
    pub pv_status: u8,
    pub config: u16,
}

fn find<'a>(faults: &'a [Fault], t_s: f64, effects: &[Effect]) -> Option<&'a Fault> {
    faults
        .iter()
        .rev()
        .find(|f| f.active(t_s) && effects.contains(&f.effect))
}

fn find_one(faults: &[Fault], t_s: f64, effect: Effect) -> Option<&Fault> {
    find(faults, t_s, &[effect])
}

/// Seconds since 1970.
pub(crate) fn seconds(t: UtcMicros) -> f64 {
    t.0 as f64 / 1e6
}

/// Position of an instant for hashing, ms.
fn ms(t_s: f64) -> i64 {
    (t_s * 1e3).round() as i64
}

/// Output that a level reaches in a limit, with a soft knee of about 0.05 mA.
fn limited(ma: f64, ceiling: f64) -> f64 {
    const KNEE: f64 = 0.05;
    let over = (ma - ceiling) / KNEE;
    if over > 30.0 {
        ceiling
    } else {
        ma - KNEE * over.exp().ln_1p()
    }
}

/// Which of the two ways out of the device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    Digital,
    Current,
}

/// Nodes (in time constants of one filter) and weights of two equal filters in a row: generalised Gauss-Laguerre
/// quadrature with alpha = 1, n = 2 (Abramowitz and Stegun 25.4.45, nodes 3 -+ sqrt 3).
const TWO_FILTERS: [(f64, f64); 2] = [
    (1.267_949_192_431_122_8, 0.788_675_134_594_812_9),
    (4.732_050_807_568_877, 0.211_324_865_405_187_1),
];

impl Fleet {
    /// What the sensor senses, % of the registered range, after damping.
    fn sensed_pct(&self, l: &SimLoop, faults: &[Fault], t_s: f64, way: Way) -> f64 {
        let t_s = find_one(faults, t_s, Effect::StuckBoth).map_or(t_s, |f| f.onset_s);
        let t_s = l.signal.held_since_s(t_s).unwrap_or(t_s);
        let damping = match (way, l.damping_on) {
            (Way::Digital, DampingOn::Current) => 0.0,
            _ => l.entry.damping_s.unwrap_or(0.0),
        };
        let (mut quick, mut scatter) = (1.0, 1.0);
        if let Some(f) = find_one(faults, t_s, Effect::NoiseCollapse) {
            // Plugs over a day.
            let closed = ease((t_s - f.onset_s) / 86_400.0);
            scatter = 1.0 + (f.magnitude - 1.0) * closed;
            quick = scatter;
        }
        if let Some(f) = find_one(faults, t_s, Effect::NoiseRise) {
            scatter *= f.magnitude;
        }
        let mut pct = if l.damping_order == 2 && damping > 0.0 {
            let half = damping / 2.0;
            TWO_FILTERS
                .iter()
                .map(|(node, weight)| weight * l.signal.percent(t_s - half * node, quick))
                .sum()
        } else {
            l.signal.percent(t_s - damping, quick)
        };
        let run = l.signal.running(t_s);
        let tau = damping.max(1.5);
        let flutter = l.signal.flutter_pct * (1.5 / (1.5 + damping)).sqrt();
        pct += scatter * flutter * (0.08 + 0.92 * run) * smooth(l.key ^ 0x21, t_s / tau);
        pct += 0.008 * gauss(l.key ^ 0x22, ms(t_s));
        if l.entry.redundancy_group.is_some() {
            pct += 0.06 * (2.0 * unit(l.key, 0x23) - 1.0);
        }
        for f in faults.iter().filter(|f| f.active(t_s)) {
            let slow = || ease((t_s - f.onset_s) / 1_800.0);
            match f.effect {
                Effect::PeerDeparture => pct += f.magnitude,
                Effect::PeerRamp => pct += f.magnitude * f.grown(t_s),
                Effect::SaturatedHigh => pct += (109.0 - pct) * slow(),
                Effect::SaturatedLow => pct += (-9.0 - pct) * slow(),
                Effect::Overrange => {
                    pct += (107.0 - pct) * slow() * (1.0 - ease((t_s - f.end_s) / 900.0 + 1.0));
                }
                _ => {}
            }
        }
        pct
    }

    /// Process value at the sensor, engineering units, before the digital resolution.
    fn value(&self, l: &SimLoop, faults: &[Fault], t_s: f64, way: Way) -> f64 {
        l.entry.range.lrv + l.span() * self.sensed_pct(l, faults, t_s, way) / 100.0
    }

    /// Current that the device means to drive.
    fn driven_ma(&self, l: &SimLoop, faults: &[Fault], t_s: f64) -> f64 {
        if l.entry.multidrop {
            return PARKED_MA;
        }
        if let Some(f) = find(
            faults,
            t_s,
            &[
                Effect::FixedCurrent,
                Effect::FailureLow,
                Effect::PlannedMaintenance,
            ],
        ) {
            return f.magnitude;
        }
        let mut range = l.range_at(t_s);
        if let Some(f) = find_one(faults, t_s, Effect::Scaling) {
            range = Range {
                urv: range.lrv + (range.urv - range.lrv) * (1.0 + f.magnitude / 100.0),
                ..range
            };
        }
        range.registered_ma(self.value(l, faults, t_s, Way::Current))
    }

    /// Temperature of an input card's room, degC.
    fn room_degc(&self, l: &SimLoop, t_s: f64) -> f64 {
        let p = &self.physics;
        let events = self.warmer.iter().map(|&(from, to, kelvin)| {
            kelvin * ease((t_s - from) / ROOM_S) * (1.0 - ease((t_s - to) / ROOM_S))
        });
        degc(
            self.site_key,
            l.card_key,
            t_s,
            p.room_day_k,
            p.room_weather_k,
        ) + events.sum::<f64>()
    }

    /// Temperature at the device, degC.
    fn outdoor_degc(&self, l: &SimLoop, t_s: f64) -> f64 {
        let p = &self.physics;
        degc(
            self.site_key,
            l.key,
            t_s,
            p.outdoor_day_k,
            p.outdoor_weather_k,
        )
    }

    /// How far the clock is off that stamps the currents, whole milliseconds.
    pub(crate) fn host_clock_error_ms(&self, t_s: f64) -> i64 {
        let p = &self.physics;
        let days = t_s / 86_400.0 + unit(self.site_key, 77) * p.clock_set_every_days;
        (1e3 * p.clock_drift_s_per_day * days.rem_euclid(p.clock_set_every_days)) as i64
    }

    /// Current that arrives at the host's input, mA, before noise and resolution.
    pub(crate) fn arriving_ma(&self, l: &SimLoop, faults: &[Fault], t_s: f64) -> f64 {
        if find_one(faults, t_s, Effect::BrokenWire).is_some() {
            return 0.0;
        }
        if let Some(f) = find_one(faults, t_s, Effect::FailureHigh) {
            return f.magnitude;
        }
        let at = find_one(faults, t_s, Effect::StuckAnalog).map_or(t_s, |f| f.onset_s);
        let mut ma = self.driven_ma(l, faults, at - self.physics.output_lag_s);
        let x = (ma - 4.0) / 16.0;
        let wet = rain(self.site_key, t_s);
        let mut error_pct = l.zero_pct
            + l.gain_pct * (x - 0.5)
            + l.card_pct_per_k * (self.room_degc(l, t_s) - 24.0)
            + l.device_pct_per_k * (self.outdoor_degc(l, t_s) - 24.0)
            + l.damp_pct * wet;
        for f in faults.iter().filter(|f| f.active(t_s)) {
            error_pct += match f.effect {
                Effect::OffsetRamp => f.magnitude * f.grown(t_s),
                Effect::OffsetStep => f.magnitude,
                Effect::SpanRamp => f.magnitude * f.grown(t_s) * x,
                Effect::SpanStep => f.magnitude * x,
                // Water between the terminals leaks past the device: more current, crackling.
                Effect::RainBursts => {
                    f.magnitude * wet * (0.7 + 0.3 * smooth(l.key ^ 0x31, t_s / 400.0))
                }
                // The more current, the more a bad contact takes: a dead zero stays above the failure level.
                Effect::ContactBursts => {
                    f.magnitude * self.contact(l, t_s) * (0.25 + 0.75 * x.max(0.0))
                }
                _ => 0.0,
            };
        }
        ma += 0.16 * error_pct;
        if let Some(f) = find_one(faults, t_s, Effect::SupplySag) {
            ma = limited(ma, 21.5 - f.magnitude * f.grown(t_s).sqrt());
        }
        ma
    }

    /// 1 while a bad contact is open to trouble: spells of 10 to 60 minutes, about one in four hours.
    fn contact(&self, l: &SimLoop, t_s: f64) -> f64 {
        let cell = (t_s / 14_400.0).floor();
        let k = l.key ^ 0x41;
        let start = 9_000.0 * unit(k, 2 * cell as i64);
        let length = 600.0 + 3_000.0 * unit(k, 2 * cell as i64 + 1);
        let within = t_s - cell * 14_400.0 - start;
        if (0.0..length).contains(&within) {
            1.0
        } else {
            0.0
        }
    }

    /// Raw code of the 16-bit analog input.
    pub(crate) fn analog_raw(&self, l: &SimLoop, faults: &[Fault], t_s: f64) -> u16 {
        let ma = self.arriving_ma(l, faults, t_s) + l.receiver_ma * gauss(l.key ^ 0x51, ms(t_s));
        (ma / INPUT_FULL_MA * INPUT_FULL_RAW)
            .round()
            .clamp(0.0, INPUT_FULL_RAW) as u16
    }

    /// Current as the host's input measured it, mA.
    pub(crate) fn analog_ma(&self, l: &SimLoop, faults: &[Fault], t_s: f64) -> f64 {
        f64::from(self.analog_raw(l, faults, t_s)) * INPUT_FULL_MA / INPUT_FULL_RAW
    }

    /// What the device answers, if it does.
    pub(crate) fn answer(&self, l: &SimLoop, faults: &[Fault], t_s: f64) -> Answer {
        // A frozen processor takes the reported current with it; a frozen value alone does not. The output goes on.
        let reported_at = find_one(faults, t_s, Effect::StuckDigital).map_or(t_s, |f| f.onset_s);
        let at = find_one(faults, t_s, Effect::StuckPv).map_or(reported_at, |f| f.onset_s);
        let value = self.value(l, faults, at, Way::Digital);
        let quantised = (value / l.quantum).round() * l.quantum;
        let failed = find_one(faults, t_s, Effect::FailureLow).is_some();
        let mut status = 0_u8;
        let mut extended = 0_u8;
        let mut pv_status = 0xC0_u8;
        if l.more_status {
            status |= 0x10;
        }
        if l.entry.multidrop {
            status |= 0x08;
        }
        let mut config = l.config_base;
        for f in faults.iter().filter(|f| t_s >= f.onset_s) {
            if f.effect.changes_configuration() {
                config = config.wrapping_add(1);
                status |= 0x40;
            }
        }
        if l.config_bit {
            status |= 0x40;
        }
        for f in faults.iter().filter(|f| f.active(t_s)) {
            match f.effect {
                Effect::FixedCurrent | Effect::PlannedMaintenance => status |= 0x08,
                Effect::SaturatedHigh | Effect::SaturatedLow | Effect::Overrange
                    if !(-1.25..=103.125).contains(&l.entry.range.percent(value)) =>
                {
                    status |= 0x04;
                }
                Effect::FailureLow | Effect::StatusFailure => {
                    status |= 0x80;
                    if l.universal >= 7 {
                        extended |= 0x08;
                    }
                }
                Effect::StatusMaintenance => {
                    status |= 0x10;
                    extended |= 0x01;
                }
                Effect::StatusFunctionCheck => {
                    status |= 0x10;
                    extended |= 0x20;
                }
                Effect::StatusOutOfSpecification => status |= 0x02,
                Effect::Chatter => {
                    let cell = (t_s / 840.0).floor() as i64;
                    if unit(l.key ^ 0x61, cell) < 0.4 {
                        status |= 0x02;
                    }
                }
                Effect::Restarts => {
                    // Set until a master has read it once.
                    let unread_s = self.period_s.max(240.0);
                    if self.since_restart_s(l, t_s).is_some_and(|s| s < unread_s) {
                        status |= 0x20;
                    }
                }
                Effect::PowerCycle => status |= 0x20,
                _ => {}
            }
        }
        if failed {
            pv_status = 0x00;
        }
        Answer {
            pv: if failed { f32::NAN } else { quantised as f32 },
            sv: (2.0 * self.outdoor_degc(l, t_s)).round() as f32 / 2.0,
            reported_ma: self.driven_ma(l, faults, reported_at) as f32,
            device_status: status,
            extended_status: extended,
            pv_status,
            config,
        }
    }

    /// Seconds since the newest restart of a device that restarts now and then (a cell of 2 h has one in three cases of four).
    fn since_restart_s(&self, l: &SimLoop, t_s: f64) -> Option<f64> {
        let cell = (t_s / 7_200.0).floor();
        let k = l.key ^ 0x71;
        if unit(k, 2 * cell as i64) > 0.75 {
            return None;
        }
        let start = cell * 7_200.0 + 6_000.0 * unit(k, 2 * cell as i64 + 1);
        (t_s >= start).then_some(t_s - start)
    }

    /// False when the device cannot answer at all.
    pub(crate) fn alive(&self, l: &SimLoop, faults: &[Fault], t_s: f64) -> bool {
        if find(faults, t_s, &[Effect::NoReply, Effect::BrokenWire]).is_some() {
            return false;
        }
        find_one(faults, t_s, Effect::Restarts).is_none()
            || self.since_restart_s(l, t_s).is_none_or(|s| s > 100.0)
    }

    /// Share of exchanges that fail at `t_s`.
    pub(crate) fn failing_share(&self, l: &SimLoop, faults: &[Fault], t_s: f64) -> f64 {
        let times = faults
            .iter()
            .filter(|f| f.active(t_s))
            .fold(1.0, |times, f| match f.effect {
                Effect::ErrorsStep => times * f.magnitude,
                Effect::ErrorsRamp => times * (1.0 + (f.magnitude - 1.0) * f.grown(t_s)),
                _ => times,
            });
        (l.failing * times).min(0.9)
    }

    /// What came of the exchange that completed at `t_s`.
    pub(crate) fn exchange(&self, l: &SimLoop, faults: &[Fault], t_s: f64) -> Exchange {
        if !self.alive(l, faults, t_s) {
            return Exchange::Silent;
        }
        let dice = unit(l.key ^ 0x81, ms(t_s));
        let share = self.failing_share(l, faults, t_s);
        if dice >= share {
            Exchange::Good
        } else if dice < 0.6 * share {
            Exchange::Corrupt
        } else {
            Exchange::Silent
        }
    }

    /// True while the gateway is down.
    pub(crate) fn gateway_down(&self, gateway: usize, t_s: f64) -> bool {
        if t_s >= self.end_s {
            return self.live_reboots.iter().any(|&(g, first, every, lasts)| {
                let after = t_s - self.end_s - first;
                g == gateway && after >= 0.0 && after.rem_euclid(every) < lasts
            });
        }
        self.down
            .get(gateway)
            .is_some_and(|d| d.iter().any(|&(from, to)| t_s >= from && t_s < to))
    }
}
