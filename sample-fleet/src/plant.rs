//! The plant: what each process value does, in % of its range, at any instant.

use crate::noise::{ease, smooth, steps, unit};
use crate::scenario::Like;

/// How long an area takes to stop or start, seconds.
const STOP_S: f64 = 1_200.0;
const DAY_S: f64 = 86_400.0;

/// One process value. Members of a redundancy group share one.
#[derive(Debug, Clone)]
pub(crate) struct Signal {
    pub key: u64,
    pub like: Like,
    /// % of range.
    pub centre: f64,
    pub swing: f64,
    /// When the area stands still: (from, to), seconds since 1970, in order of time.
    pub idle: Vec<(f64, f64)>,
}

impl Signal {
    /// 1 = running, 0 = standing still.
    pub(crate) fn running(&self, t_s: f64) -> f64 {
        self.idle.iter().fold(1.0, |run, &(from, to)| {
            let stopped = ease((t_s - from) / STOP_S) * (1.0 - ease((t_s - to) / STOP_S));
            run * (1.0 - stopped)
        })
    }

    /// Scatter of the process from second to second, % of range (peak of the smooth noise).
    pub(crate) fn flutter(&self) -> f64 {
        match self.like {
            Like::Flow => 0.7,
            Like::Pressure => 0.4,
            Like::Differential => 0.7,
            Like::Level => 0.16,
            Like::Temperature => 0.06,
            Like::Analysis => 0.12,
            Like::Valve => 0.1,
        }
    }

    /// Process value in % of range at `t_s`, without flutter. `quick` scales movement faster than an hour
    /// (1 = as it is; a plugged impulse line passes less).
    pub(crate) fn percent(&self, t_s: f64, quick: f64) -> f64 {
        let run = self.running(t_s);
        if run >= 1.0 {
            return self.moving(t_s, quick);
        }
        let rest = match self.like {
            Like::Flow | Like::Differential | Like::Valve => 1.0,
            Like::Pressure => 14.0,
            // Held at what it was when the area stopped.
            Like::Level | Like::Temperature | Like::Analysis => {
                let stop = self
                    .idle
                    .iter()
                    .rev()
                    .find(|(from, _)| t_s >= *from)
                    .map_or(t_s, |s| s.0);
                self.moving(stop, quick)
            }
        };
        let stays = matches!(self.like, Like::Temperature | Like::Level | Like::Analysis);
        let drift = if stays {
            0.25 * smooth(self.key ^ 9, t_s / 14_400.0)
        } else {
            0.0
        };
        rest + drift * (1.0 - run) + run * (self.moving(t_s, quick) - rest)
    }

    fn moving(&self, t_s: f64, quick: f64) -> f64 {
        let k = self.key;
        let day = (std::f64::consts::TAU * (t_s / DAY_S - 0.37)).sin();
        let shape = match self.like {
            Like::Flow | Like::Pressure | Like::Differential => {
                0.55 * steps(k ^ 1, t_s / 32_000.0, 0.028)
                    + 0.30 * smooth(k ^ 2, t_s / 9_000.0)
                    + 0.10 * day
                    + quick * 0.12 * smooth(k ^ 3, t_s / 700.0)
            }
            Like::Temperature => {
                0.55 * day
                    + 0.55 * smooth(k ^ 2, t_s / 30_000.0)
                    + quick * 0.08 * smooth(k ^ 3, t_s / 2_400.0)
            }
            Like::Analysis => {
                0.65 * smooth(k ^ 2, t_s / 21_000.0)
                    + 0.20 * day
                    + quick * 0.25 * smooth(k ^ 3, t_s / 3_100.0)
            }
            Like::Valve => {
                0.60 * steps(k ^ 1, t_s / 10_000.0, 0.04)
                    + quick * 0.35 * smooth(k ^ 3, t_s / 1_500.0)
            }
            Like::Level => self.batch(t_s),
        };
        self.centre + self.swing * shape
    }

    /// Filling and emptying between levels that differ from batch to batch, -1..1.
    fn batch(&self, t_s: f64) -> f64 {
        let length = 15_000.0 + 14_000.0 * unit(self.key, 1);
        let x = t_s / length;
        let n = x.floor();
        let (part, fill) = (x - n, 0.25 + 0.4 * unit(self.key, 2));
        let low = |n: f64| -0.9 + 0.5 * unit(self.key ^ 5, n as i64);
        let high = 0.9 - 0.5 * unit(self.key ^ 6, n as i64);
        if part < fill {
            low(n) + (high - low(n)) * part / fill
        } else {
            high + (low(n + 1.0) - high) * (part - fill) / (1.0 - fill)
        }
    }
}

/// How wet it is outside, 0..1: spells of some hours, one in a day or two.
pub(crate) fn rain(site_key: u64, t_s: f64) -> f64 {
    const CELL_S: f64 = 110_000.0;
    let n = (t_s / CELL_S).floor();
    let k = site_key ^ 0x5EA;
    let within = t_s - n * CELL_S;
    if unit(k, 3 * n as i64) > 0.75 {
        return 0.0;
    }
    let start = 40_000.0 * unit(k, 3 * n as i64 + 1);
    let length = 20_000.0 + 24_000.0 * unit(k, 3 * n as i64 + 2);
    ease((within - start) / 2_400.0) * (1.0 - ease((within - start - length) / 5_400.0))
}

/// Temperature in an equipment room or at a device, degC: follows the day and the weather.
pub(crate) fn ambient_degc(site_key: u64, own_key: u64, t_s: f64) -> f64 {
    let phase = 0.33 + 0.08 * unit(own_key, 7);
    24.0 + 4.0 * (std::f64::consts::TAU * (t_s / DAY_S - phase)).sin()
        + 3.0 * smooth(site_key ^ 0xA3B, t_s / 170_000.0)
        + 0.6 * smooth(own_key ^ 0xA3C, t_s / 11_000.0)
}
