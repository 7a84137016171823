//! The simulated loop and the faults that it is given.

use analytics_detect::Kind;
use ingest_model::{Reading, UtcMicros};

/// One fault: its sizes and what it does to a reading.
pub(crate) struct Fault {
    pub(crate) name: &'static str,
    pub(crate) title: &'static str,
    pub(crate) unit: &'static str,
    pub(crate) magnitudes: &'static [f64],
    pub(crate) kind: Kind,
    /// Three loops that measure the same; the first has the fault.
    pub(crate) group: bool,
    /// What the size of the process's movement is multiplied by before and after the onset.
    pub(crate) movement: fn(f64) -> (f64, f64),
    pub(crate) act: fn(&mut Loop, f64, &mut Reading),
}

impl Fault {
    /// Larger is easier to see.
    pub(crate) fn ease(&self, magnitude: f64) -> f64 {
        match self.name {
            "ceiling" => -magnitude,
            "noise-collapse" => 1.0 / magnitude,
            _ => magnitude,
        }
    }
}

const USUAL: fn(f64) -> (f64, f64) = |_| (1.0, 1.0);

const fn fault(
    name: &'static str,
    title: &'static str,
    unit: &'static str,
    magnitudes: &'static [f64],
    kind: Kind,
    act: fn(&mut Loop, f64, &mut Reading),
) -> Fault {
    Fault {
        name,
        title,
        unit,
        magnitudes,
        kind,
        group: false,
        movement: USUAL,
        act,
    }
}

const NOTHING: fn(&mut Loop, f64, &mut Reading) = |_, _, _| ();

/// Current and digital value part.
const fn drift(
    name: &'static str,
    title: &'static str,
    unit: &'static str,
    magnitudes: &'static [f64],
    act: fn(&mut Loop, f64, &mut Reading),
) -> Fault {
    fault(name, title, unit, magnitudes, Kind::AnalogDigitalDrift, act)
}

/// A fault whose size is how many hours it lasts.
const fn lasting(
    name: &'static str,
    title: &'static str,
    magnitudes: &'static [f64],
    kind: Kind,
    act: fn(&mut Loop, f64, &mut Reading),
) -> Fault {
    fault(name, title, "h", magnitudes, kind, act)
}

fn goes_on(l: &Loop, hours: f64) -> bool {
    l.since_s < 3600.0 * hours
}

/// A fault of a process that moves so much more or less.
const fn moving(
    name: &'static str,
    title: &'static str,
    (unit, magnitudes): (&'static str, &'static [f64]),
    kind: Kind,
    movement: fn(f64) -> (f64, f64),
    act: fn(&mut Loop, f64, &mut Reading),
) -> Fault {
    Fault {
        movement,
        ..fault(name, title, unit, magnitudes, kind, act)
    }
}

const OF_USUAL: (&str, &[f64]) = ("times usual movement", &[0.01, 0.02, 0.05, 0.1, 0.3, 1.0]);

pub(crate) const FAULTS: [Fault; 17] = [
    drift(
        "offset-step",
        "Offset, sudden",
        "% of span",
        &[0.05, 0.1, 0.15, 0.2, 0.3, 0.5, 1.0],
        |_, size, r| r.analog_ma += 0.16 * size,
    ),
    drift(
        "offset-ramp",
        "Offset, growing",
        "% of span a day",
        &[0.005, 0.01, 0.02, 0.04, 0.08, 0.16],
        |l, size, r| r.analog_ma += 0.16 * size * l.since_s / 86_400.0,
    ),
    drift(
        "span-step",
        "Span, sudden",
        "% at full scale",
        &[0.1, 0.2, 0.3, 0.5, 1.0, 2.0],
        |l, size, r| r.analog_ma += 0.16 * size * l.level / 100.0,
    ),
    drift(
        "ceiling",
        "Supply ceiling",
        "mA",
        &[18.0, 17.0, 16.0, 15.0, 14.0, 13.0],
        |_, ceiling, r| r.analog_ma = r.analog_ma.min(ceiling),
    ),
    drift(
        "scaling",
        "Another range in the device",
        "% of range",
        &[0.02, 0.05, 0.1, 0.2, 0.5, 2.0],
        |l, size, r| {
            let ma = 4.0 + 16.0 * l.level / (100.0 + size);
            r.analog_ma += ma - r.reported_ma;
            r.reported_ma = ma;
        },
    ),
    drift(
        "episodes",
        "Episodes of three hours, once a day",
        "% of span",
        &[0.1, 0.2, 0.4, 0.8, 1.5, 3.0],
        |l, size, r| {
            let begins = 3600.0 * ((l.since_s / 86_400.0).floor() * 7.0 + 5.0).rem_euclid(20.0);
            let at = l.since_s.rem_euclid(86_400.0) - begins;
            if (0.0..10_800.0).contains(&at) {
                r.analog_ma -= 0.16 * size;
            }
        },
    ),
    moving(
        "stuck-digital",
        "Digital value held, by movement of the process",
        OF_USUAL,
        Kind::StuckValue,
        |size| (size, size),
        |l, _, r| {
            let held = *l.held.get_or_insert(r.pv);
            r.pv = held;
            r.reported_ma = 4.0 + 0.16 * held;
        },
    ),
    moving(
        "fixed-current",
        "Current held by the device, by movement of the process",
        OF_USUAL,
        Kind::FixedCurrent,
        |size| (size, size),
        |l, _, r| {
            r.analog_ma += 12.0 - r.reported_ma - 0.16 * (l.skewed - l.level);
            r.reported_ma = 12.0;
        },
    ),
    lasting(
        "failure-current",
        "Failure current, by its length",
        &[0.05, 0.1, 0.25, 0.5, 1.0, 2.0],
        Kind::CurrentOutOfRange,
        |l, hours, r| {
            if goes_on(l, hours) {
                (r.analog_ma, r.reported_ma) = (21.6, 21.6);
            }
        },
    ),
    lasting(
        "saturated",
        "Saturated current, by its length",
        &[1.0, 2.0, 3.0, 4.0, 6.0, 12.0],
        Kind::CurrentOutOfRange,
        |l, hours, r| {
            if goes_on(l, hours) {
                (r.analog_ma, r.reported_ma) = (20.55, 20.55);
            }
        },
    ),
    fault(
        "errors",
        "Failed exchanges, from 1 %",
        "times",
        &[1.5, 2.0, 3.0, 5.0, 10.0],
        Kind::RisingErrors,
        |l, times, r| {
            if l.dice.uniform() < 0.01 * (times - 1.0) {
                l.more_errors += 1;
            }
            r.comm_errors = r.comm_errors.map(|e| (e + l.more_errors) % 65_536);
        },
    ),
    lasting(
        "silence",
        "No reply, by its length",
        &[0.5, 1.0, 1.9, 2.1, 4.0, 8.0],
        Kind::NoReply,
        |l, hours, r| {
            if goes_on(l, hours) {
                *r = Reading {
                    analog_ma: r.analog_ma,
                    ..Reading::empty(r.time)
                };
            }
        },
    ),
    moving(
        "noise-rise",
        "Scatter grows",
        ("times", &[1.2, 1.4, 1.7, 2.0, 3.0, 5.0]),
        Kind::NoiseChange,
        |size| (1.0, size),
        NOTHING,
    ),
    moving(
        "noise-collapse",
        "Scatter shrinks",
        ("times", &[0.85, 0.7, 0.6, 0.5, 0.3, 0.2]),
        Kind::NoiseChange,
        |size| (1.0, size),
        NOTHING,
    ),
    lasting(
        "status-held",
        "A status bit held, by its length",
        &[0.5, 1.0, 1.9, 2.1, 4.0, 12.0],
        Kind::DeviceStatus,
        |l, hours, r| {
            if goes_on(l, hours) {
                r.device_status = Some(0x80);
            }
        },
    ),
    fault(
        "chatter",
        "A status bit that comes and goes for a quarter of an hour",
        "times a day",
        &[1.0, 2.0, 3.0, 4.0, 8.0, 16.0],
        Kind::StatusChatter,
        |l, a_day, r| {
            if (l.since_s * a_day / 86_400.0).fract() * 86_400.0 / a_day < 900.0 {
                r.device_status = Some(0x01);
            }
        },
    ),
    Fault {
        group: true,
        ..fault(
            "peers",
            "One of three departs",
            "% of span",
            &[0.1, 0.2, 0.4, 0.6, 1.0, 2.0],
            Kind::PeerDisagreement,
            |_, size, r| {
                r.pv += size;
                r.reported_ma += 0.16 * size;
                r.analog_ma += 0.16 * size;
            },
        )
    },
];

/// A small seeded generator.
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// One loop of the simulation.
pub(crate) struct Loop {
    pub(crate) dice: Dice,
    /// Seconds since the fault began; negative before.
    pub(crate) since_s: f64,
    /// Position of the process at the digital sample, and at the analog one, %.
    pub(crate) level: f64,
    pub(crate) skewed: f64,
    pub(crate) held: Option<f64>,
    pub(crate) more_errors: u32,
    card_day: f64,
    exchanges: u32,
    errors: u32,
}

/// The process and the loops on it.
pub(crate) struct Sim<'a> {
    dice: Dice,
    fault: &'a Fault,
    magnitude: f64,
    wander: f64,
    before: f64,
    loops: Vec<Loop>,
}

impl<'a> Sim<'a> {
    pub(crate) fn new(seed: u64, members: usize, fault: &'a Fault, magnitude: f64) -> Self {
        let dice = |n: u64| {
            Dice(
                seed.wrapping_mul(0x9E37_79B9_7F4A_7C15)
                    .wrapping_add(n * 7_919),
            )
        };
        Self {
            dice: dice(0),
            fault,
            magnitude,
            wander: 0.0,
            before: 50.0,
            loops: (0..members as u64)
                .map(|i| Loop {
                    dice: dice(i + 1),
                    since_s: 0.0,
                    level: 50.0,
                    skewed: 50.0,
                    held: None,
                    more_errors: 0,
                    card_day: 0.0,
                    exchanges: 60_000,
                    errors: 500,
                })
                .collect(),
        }
    }

    /// The next reading of each loop.
    pub(crate) fn rows(&mut self, k: i64, period_s: i64, since_s: i64) -> Vec<Reading> {
        // A process that forgets its past in three hours and wanders by 12.7 % of range (standard deviation).
        let share = period_s as f64 / 12_000.0;
        self.wander += 12.7 * (2.0 * share).sqrt() * self.dice.normal() - share * self.wander;
        let (calm, now) = (self.fault.movement)(self.magnitude);
        let factor = if since_s < 0 { calm } else { now };
        let level = (50.0 + factor * self.wander).clamp(3.0, 97.0);
        let before = std::mem::replace(&mut self.before, level);
        let t_s = k * period_s;
        let day = t_s as f64 / 86_400.0;
        let mut out = Vec::with_capacity(self.loops.len());
        for (i, l) in self.loops.iter_mut().enumerate() {
            if t_s % 86_400 < period_s {
                l.card_day = 0.01 * l.dice.normal();
            }
            l.level = level;
            l.skewed = before + (level - before) * l.dice.uniform();
            let card =
                0.02 * (std::f64::consts::TAU * day).sin() + l.card_day + 0.0125 * l.dice.normal();
            l.exchanges = (l.exchanges + 1) % 65_536;
            if l.dice.uniform() < 0.01 {
                l.errors = (l.errors + 1) % 65_536;
            }
            let pv = (level * 100.0).round() / 100.0;
            let mut r = Reading {
                pv,
                reported_ma: 4.0 + 0.16 * pv,
                analog_ma: 4.0 + 0.16 * (l.skewed + card),
                response_code: Some(0),
                device_status: Some(0),
                exchanges: Some(l.exchanges),
                comm_errors: Some(l.errors),
                config_changes: Some(7),
                ..Reading::empty(UtcMicros(t_s * 1_000_000))
            };
            l.since_s = since_s as f64;
            if since_s >= 0 && i == 0 {
                (self.fault.act)(l, self.magnitude, &mut r);
            }
            out.push(r);
        }
        out
    }
}
