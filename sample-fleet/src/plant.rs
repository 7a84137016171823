//! The plant: what each process value does, in % of its range, at any instant.

use crate::noise::{ease, smooth, steps, unit};
use crate::scenario::Like;

/// How long an area takes to stop or start, seconds.
const STOP_S: f64 = 1_200.0;
/// How long a cycle takes to start and to stop, seconds.
const CYCLE_EDGE_S: f64 = 90.0;
/// How fast an overshoot dies out, seconds.
const OVERSHOOT_S: f64 = 900.0;
/// How far back the sensor's turning point is looked for, seconds.
const BACKLASH_S: f64 = 600.0;
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
    /// Scatter of the process from second to second, % of range (peak of the smooth noise).
    pub flutter_pct: f64,
    /// Lost movement of the sensor when it turns round, % of range.
    pub backlash_pct: f64,
    /// How far it shoots over after a start, % of range.
    pub overshoot_pct: f64,
    /// The probe's cleaning: every so often, for so long; seconds.
    pub cleaning: Option<(f64, f64)>,
    /// Of a signal that runs only now and then: every so often, for so long; seconds.
    pub cycle: Option<(f64, f64)>,
}

impl Signal {
    /// 1 = running, 0 = standing still.
    pub(crate) fn running(&self, t_s: f64) -> f64 {
        self.idle
            .iter()
            .fold(self.cycling(t_s), |run, &(from, to)| {
                let stopped = ease((t_s - from) / STOP_S) * (1.0 - ease((t_s - to) / STOP_S));
                run * (1.0 - stopped)
            })
    }

    /// Seconds into the current turn of something that comes every `every_s`, at this signal's own time of day.
    fn turn(&self, t_s: f64, every_s: f64) -> f64 {
        (t_s + every_s * unit(self.key, 21)).rem_euclid(every_s)
    }

    fn cycling(&self, t_s: f64) -> f64 {
        let Some((every_s, run_s)) = self.cycle else {
            return 1.0;
        };
        let x = self.turn(t_s, every_s);
        ease(x / CYCLE_EDGE_S) * (1.0 - ease((x - run_s) / CYCLE_EDGE_S))
    }

    /// Since when the output is held for the probe's cleaning, if it is.
    pub(crate) fn held_since_s(&self, t_s: f64) -> Option<f64> {
        let (every_s, clean_s) = self.cleaning?;
        let x = self.turn(t_s, every_s);
        (x < clean_s).then_some(t_s - x)
    }

    /// What a start adds, % of range: up in ten minutes, gone in an hour.
    fn overshoot(&self, t_s: f64) -> f64 {
        if self.overshoot_pct <= 0.0 {
            return 0.0;
        }
        let after = |&(_, to): &(f64, f64)| {
            let x = t_s - to - STOP_S / 2.0;
            ease(x / (STOP_S / 2.0)) * (-(x - STOP_S / 2.0).max(0.0) / OVERSHOOT_S).exp()
        };
        self.overshoot_pct * self.idle.iter().map(after).sum::<f64>()
    }

    /// Process value in % of range at `t_s`, without flutter. `quick` scales movement faster than an hour
    /// (1 = as it is; a plugged impulse line passes less).
    ///
    /// Backlash is taken as half of the movement since ten minutes ago, at most half of the lost movement: while the
    /// process goes one way the sensor trails it, and after a turn it stands until the play is taken up.
    pub(crate) fn percent(&self, t_s: f64, quick: f64) -> f64 {
        let now = self.process(t_s, quick);
        if self.backlash_pct <= 0.0 {
            return now;
        }
        let moved = now - self.process(t_s - BACKLASH_S, quick);
        let half = self.backlash_pct / 2.0;
        now - (moved / 2.0).clamp(-half, half)
    }

    fn process(&self, t_s: f64, quick: f64) -> f64 {
        let run = self.running(t_s);
        if run >= 1.0 {
            return self.moving(t_s, quick) + self.overshoot(t_s);
        }
        let rest = match self.like {
            Like::Flow | Like::Differential | Like::Valve | Like::Cycle => 1.0,
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
        let moving = self.moving(t_s, quick) + self.overshoot(t_s);
        rest + drift * (1.0 - run) + run * (moving - rest)
    }

    fn moving(&self, t_s: f64, quick: f64) -> f64 {
        let k = self.key;
        let day = (std::f64::consts::TAU * (t_s / DAY_S - 0.37)).sin();
        let shape = match self.like {
            Like::Flow | Like::Pressure | Like::Differential | Like::Cycle => {
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

/// A temperature around 24 degC that follows the day and the weather by so many kelvin each way.
pub(crate) fn degc(site_key: u64, own_key: u64, t_s: f64, day_k: f64, weather_k: f64) -> f64 {
    let phase = 0.33 + 0.08 * unit(own_key, 7);
    24.0 + day_k * (std::f64::consts::TAU * (t_s / DAY_S - phase)).sin()
        + weather_k * smooth(site_key ^ 0xA3B, t_s / 170_000.0)
        + 0.6 * smooth(own_key ^ 0xA3C, t_s / 11_000.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signal(like: Like) -> Signal {
        Signal {
            key: 5,
            like,
            centre: 50.0,
            swing: 20.0,
            idle: vec![(1e6, 1.05e6)],
            flutter_pct: 1.0,
            backlash_pct: 0.0,
            overshoot_pct: 0.0,
            cleaning: None,
            cycle: None,
        }
    }

    #[test]
    fn stops_starts_and_shoots_over() {
        let plain = signal(Like::Pressure);
        let over = Signal {
            overshoot_pct: 30.0,
            ..plain.clone()
        };
        assert!(plain.running(1.02e6) < 1e-9 && plain.running(1.06e6) > 0.999);
        let most = (0..3_600)
            .map(|s| 1.05e6 + f64::from(s))
            .map(|t| over.percent(t, 1.0) - plain.percent(t, 1.0))
            .fold(0.0, f64::max);
        assert!((15.0..=30.0).contains(&most), "{most}");
        assert!((over.percent(1.07e6, 1.0) - plain.percent(1.07e6, 1.0)).abs() < 1e-3);
    }

    #[test]
    fn backlash_loses_movement_and_no_more() {
        let plain = signal(Like::Valve);
        let slack = Signal {
            backlash_pct: 1.0,
            ..plain.clone()
        };
        let lost = (0..20_000).map(|s| {
            let t = 2e6 + 10.0 * f64::from(s);
            (slack.percent(t, 1.0) - plain.percent(t, 1.0)).abs()
        });
        let most = lost.fold(0.0, f64::max);
        assert!((0.499..=0.501).contains(&most), "{most}");
    }

    #[test]
    fn cycles_and_cleanings_keep_their_hours() {
        let s = Signal {
            cycle: Some((18_000.0, 2_400.0)),
            cleaning: Some((86_400.0, 720.0)),
            ..signal(Like::Cycle)
        };
        let share = (0..86_400)
            .filter(|&m| s.running(2e6 + f64::from(m)) > 0.5)
            .count() as f64
            / 86_400.0;
        assert!((share - 2_400.0 / 18_000.0).abs() < 0.04, "{share}");
        let held: Vec<f64> = (0..86_400)
            .filter_map(|m| s.held_since_s(2e6 + f64::from(m)))
            .collect();
        assert!((held.len() as f64 - 720.0).abs() <= 1.0);
    }
}
