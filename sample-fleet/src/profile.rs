//! Profiles: faults and events that the seed draws within the bounds of `scenario/profiles.toml`.

use crate::FleetError;
use crate::dice::Dice;
use crate::fault::{Effect, Fault, Growth};
use crate::fleet::{Event, Fleet, scenario_error};
use crate::noise::mix;
use crate::scenario::Scenario;
use ingest_model::Scope;
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::str::FromStr;

const PROFILES: &str = include_str!("../scenario/profiles.toml");
/// A group of fewer loops is not given a common cause.
const FEWEST_IN_GROUP: usize = 4;

/// What is wrong with the fleet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Profile {
    /// The faults and events as scripted in `scenario/sable-point.toml`.
    #[default]
    SablePoint,
    /// Drawn by the seed: every kind and cause at clear sizes.
    Mixed,
    /// No fault at all, but shutdown, idle areas, planned work, restarts.
    Healthy,
    /// Small, late, short, double, in a shutdown.
    Hard,
    /// Mostly common causes.
    Common,
    /// Drift alone, of every growth.
    Drift,
}

impl Profile {
    /// All profiles.
    pub const ALL: [Self; 6] = [
        Self::SablePoint,
        Self::Mixed,
        Self::Healthy,
        Self::Hard,
        Self::Common,
        Self::Drift,
    ];

    /// Its name on the command line and in the truth file.
    pub fn name(self) -> &'static str {
        match self {
            Self::SablePoint => "sable-point",
            Self::Mixed => "mixed",
            Self::Healthy => "healthy",
            Self::Hard => "hard",
            Self::Common => "common",
            Self::Drift => "drift",
        }
    }

    /// Bounds of what is drawn; `None` for the scripted story.
    pub(crate) fn draws(self) -> Result<Option<Draws>, FleetError> {
        if self == Self::SablePoint {
            return Ok(None);
        }
        let file: ProfileFile =
            toml::from_str(PROFILES).map_err(|e| scenario_error(e.to_string()))?;
        let found = file.profile.into_iter().find(|d| d.name == self.name());
        found.map(Some).ok_or_else(|| {
            scenario_error(format!("profile `{}` is not in profiles.toml", self.name()))
        })
    }
}

impl FromStr for Profile {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let names = || Self::ALL.map(Self::name).join(", ");
        Self::ALL
            .into_iter()
            .find(|p| p.name() == text)
            .ok_or_else(|| format!("no profile `{text}`: one of {}", names()))
    }
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct ProfileFile {
    profile: Vec<Draws>,
}

/// One profile as written.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Draws {
    name: String,
    /// Share of the loops that get a fault of their own.
    faulty_share: f64,
    /// Common causes tried for.
    #[serde(default)]
    commons: usize,
    events: EventDraws,
    #[serde(default)]
    draw: Vec<Draw>,
    #[serde(default)]
    common: Vec<CommonDraw>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct EventDraws {
    /// Chance of one shutdown of the whole works.
    shutdown: f64,
    /// Spells in which one area stands still, and restarts of a gateway: at most so many.
    idle: u32,
    reboots: u32,
    /// Shares of the loops.
    planned: f64,
    overrange: f64,
    power_cycle: f64,
    /// Chance that the rooms' cooling fails once.
    warm_room: f64,
    /// Loops that are given another range, announced.
    re_ranged: usize,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct Draw {
    effect: Effect,
    #[serde(default = "once")]
    weight: u32,
    #[serde(default)]
    magnitude: [f64; 2],
    #[serde(default)]
    of_tolerance: bool,
    #[serde(default)]
    either_sign: bool,
    onset: [f64; 2],
    /// `onset` is then the share of the shutdown.
    #[serde(default)]
    in_shutdown: bool,
    lasts_h: Option<[f64; 2]>,
    #[serde(default)]
    growth: Vec<Growth>,
    also: Option<Effect>,
    #[serde(default)]
    also_magnitude: f64,
}

fn once() -> u32 {
    1
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct CommonDraw {
    scope: String,
    effect: Effect,
    #[serde(default)]
    magnitude: [f64; 2],
    #[serde(default)]
    either_sign: bool,
    onset: [f64; 2],
    /// Share of the group.
    members: [f64; 2],
    #[serde(default)]
    growth: Vec<Growth>,
}

impl Fleet {
    fn share_s(&self, share: f64) -> f64 {
        self.from_s + share * (self.end_s - self.from_s)
    }

    fn shutdown(&self) -> Option<(f64, f64)> {
        let e = self.events.iter().find(|e| e.what == "shutdown")?;
        Some((e.from_s, e.to_s))
    }

    /// Shutdown, idle areas, restarts and warm rooms.
    pub(crate) fn draw_events(&mut self, seed: u64, d: &Draws, s: &Scenario) {
        let mut dice = Dice::new(seed, "events");
        let record_s = self.end_s - self.from_s;
        let plant = |what: &str, from_s: f64, to_s: f64, warmer_k: f64| Event {
            what: what.to_owned(),
            scope: "plant",
            name: "plant".to_owned(),
            from_s,
            to_s,
            warmer_k,
        };
        // Nothing but a short record is longer than a tenth of it.
        let length = |h: f64| (h * 3_600.0).min(record_s / 10.0);
        if dice.unit() < d.events.shutdown {
            let from = self.share_s(dice.within([0.2, 0.75]));
            let to = from + length(dice.within([16.0, 40.0]));
            self.happen(plant("shutdown", from, to, 0.0));
        }
        for _ in 0..d.events.idle {
            let area = s.area[dice.below(s.area.len())].name.clone();
            let from = self.share_s(dice.within([0.05, 0.97]));
            let to = from + length(dice.within([6.0, 36.0]));
            let clash = self.events.iter().any(|e| {
                (e.what == "shutdown" || e.name == area)
                    && from < e.to_s + 7_200.0
                    && to > e.from_s - 7_200.0
            });
            if !clash {
                self.happen(Event {
                    scope: "area",
                    name: area,
                    ..plant("idle", from, to, 0.0)
                });
            }
        }
        for _ in 0..d.events.reboots {
            let name = self.gateways[dice.below(self.gateways.len())].clone();
            let from = self.share_s(dice.within([0.02, 0.98]));
            self.happen(Event {
                scope: "gateway",
                name,
                ..plant("reboot", from, from + dice.within([180.0, 900.0]), 0.0)
            });
        }
        if dice.unit() < d.events.warm_room {
            let from = self.share_s(dice.within([0.1, 0.9]));
            let kelvin = dice.within([6.0, 12.0]);
            self.happen(plant(
                "warm-room",
                from,
                from + length(dice.within([24.0, 96.0])),
                kelvin,
            ));
        }
    }

    /// Common causes, lone faults, and what is no fault.
    pub(crate) fn draw_faults(&mut self, seed: u64, d: &Draws) {
        let mut dice = Dice::new(seed, "faults");
        self.draw_commons(&mut dice, d);
        let n = (d.faulty_share * self.loops.len() as f64).round() as usize;
        let mut round: Vec<&Draw> = Vec::new();
        for draw in &d.draw {
            round.extend(std::iter::repeat_n(draw, draw.weight as usize));
        }
        let mut order: Vec<usize> = (0..self.loops.len()).collect();
        dice.shuffle(&mut order);
        let mut done = 0;
        // At most four rounds: a small fleet may have no loop left that an effect could act on.
        for _ in 0..4 {
            dice.shuffle(&mut round);
            for draw in &round {
                if done < n && self.draw_one(&mut dice, draw, &order) {
                    done += 1;
                }
            }
        }
        self.draw_benign(&mut Dice::new(seed, "benign"), &d.events);
    }

    fn draw_one(&mut self, dice: &mut Dice, d: &Draw, order: &[usize]) -> bool {
        let window = if d.in_shutdown {
            self.shutdown()
        } else {
            Some((self.from_s, self.end_s))
        };
        let Some((from_s, to_s)) = window else {
            return false;
        };
        // One of a group of three at most: from two peers no outlier can be named.
        let taken: BTreeSet<String> = self
            .loops
            .iter()
            .filter(|l| !l.is_sound())
            .filter_map(|l| l.entry.redundancy_group.clone())
            .collect();
        let fits = |&i: &usize| {
            let l = &self.loops[i];
            let group_free = l
                .entry
                .redundancy_group
                .as_ref()
                .is_none_or(|g| !taken.contains(g));
            let both = l.can_suffer(d.effect) && d.also.is_none_or(|e| l.can_suffer(e));
            l.is_sound() && both && group_free
        };
        let Some(i) = order.iter().copied().find(fits) else {
            return false;
        };
        let l = &self.loops[i];
        let unit = if d.of_tolerance {
            l.entry.tolerance_pct
        } else {
            1.0
        };
        let onset_s = from_s + dice.within(d.onset) * (to_s - from_s);
        let end_s = d
            .lasts_h
            .map_or(f64::INFINITY, |h| onset_s + 3_600.0 * dice.within(h));
        let fault = Fault {
            end_s,
            growth: dice.growth(&d.growth),
            full_s: self.end_s,
            ..Fault::new(
                d.effect,
                onset_s,
                dice.sign(d.either_sign) * unit * dice.size(d.magnitude),
            )
        };
        let second = d.also.map(|effect| Fault {
            full_s: self.end_s,
            ..Fault::new(
                effect,
                // Within the later half of what is left.
                onset_s + (0.2 + 0.6 * dice.unit()) * (self.end_s - onset_s),
                d.also_magnitude,
            )
        });
        self.loops[i].suffer(fault);
        if let Some(second) = second {
            self.loops[i].suffer(second);
        }
        true
    }

    fn draw_commons(&mut self, dice: &mut Dice, d: &Draws) {
        let mut from: Vec<&CommonDraw> = d.common.iter().collect();
        dice.shuffle(&mut from);
        let mut done = 0;
        // Loops whose group has a common cause of this effect: a modem's errors inside its gateway's have no answer.
        let mut touched: BTreeSet<(&'static str, usize)> = BTreeSet::new();
        for c in from {
            if done == d.commons {
                return;
            }
            let Some(scope) = Scope::ALL.into_iter().find(|s| s.as_str() == c.scope) else {
                continue;
            };
            let mut all: BTreeMap<String, Vec<usize>> = BTreeMap::new();
            for (i, l) in self.loops.iter().enumerate() {
                if let Some(name) = l.entry.member_of(scope) {
                    all.entry(name).or_default().push(i);
                }
            }
            let kind = c.effect.naming().kind;
            let mut groups: Vec<(String, Vec<usize>)> = all
                .iter()
                .filter(|(_, group)| !group.iter().any(|&i| touched.contains(&(kind, i))))
                .map(|(n, _)| (n.clone(), self.candidates(scope, n, c.effect)))
                .filter(|(_, members)| members.len() >= FEWEST_IN_GROUP)
                .collect();
            if groups.is_empty() {
                continue;
            }
            let at = dice.below(groups.len());
            let (name, mut members) = groups.swap_remove(at);
            touched.extend(all.get(&name).into_iter().flatten().map(|&i| (kind, i)));
            let share = dice.within(c.members);
            members
                .truncate(((share * members.len() as f64).round() as usize).max(FEWEST_IN_GROUP));
            let fault = Fault {
                growth: dice.growth(&c.growth),
                full_s: self.end_s,
                ..Fault::new(
                    c.effect,
                    self.share_s(dice.within(c.onset)),
                    dice.sign(c.either_sign) * dice.size(c.magnitude),
                )
            };
            self.make_common(scope, &name, &members, &fault);
            done += 1;
        }
    }

    /// Events of single loops that are no fault, on sound and on faulty ones.
    fn draw_benign(&mut self, dice: &mut Dice, d: &EventDraws) {
        for i in 0..self.loops.len() {
            let at = |dice: &mut Dice, s: &Self| s.share_s(dice.within([0.03, 0.98]));
            if dice.unit() < d.planned {
                let from = at(dice, self);
                self.plan_maintenance(i, from, from + 1_200.0);
            }
            let sound = self.loops[i].is_sound() && !self.loops[i].entry.multidrop;
            if dice.unit() < d.overrange && sound && self.loops[i].can_suffer(Effect::NoiseRise) {
                let from = at(dice, self);
                self.overrange(i, from, from + dice.within([3_600.0, 9_000.0]));
            }
            if dice.unit() < d.power_cycle {
                let from = at(dice, self);
                self.power_cycle(i, from);
            }
        }
        let mut sound: Vec<usize> = (0..self.loops.len())
            .filter(|&i| {
                let l = &self.loops[i];
                l.faults.is_empty() && l.can_suffer(Effect::HostScaling) && l.universal >= 6
            })
            .collect();
        sound.sort_by_key(|&i| mix(self.loops[i].key ^ 0xD0));
        for i in sound.into_iter().take(d.re_ranged) {
            let from = self.share_s(dice.within([0.15, 0.9]));
            let r = self.loops[i].entry.range;
            let former = r.lrv + (r.urv - r.lrv) * dice.within([0.6, 0.9]);
            // To two digits, as people write ranges.
            let step = 10_f64.powf((r.urv - r.lrv).abs().log10().floor() - 1.0);
            self.rerange(i, from, r.lrv, (former / step).round() * step);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::FleetOptions;
    use ingest_model::UtcMicros;

    fn fleet(profile: Profile, seed: u64, loops: u32) -> Fleet {
        let end = UtcMicros::parse_rfc3339("2026-06-01T00:00:00Z").unwrap();
        let opt = FleetOptions {
            profile,
            loops,
            ..FleetOptions::new(seed, end)
        };
        Fleet::build(&opt).unwrap()
    }

    #[test]
    fn names_read_back() {
        for p in Profile::ALL {
            assert_eq!(p.name().parse::<Profile>(), Ok(p));
        }
        let e = "bad".parse::<Profile>().unwrap_err();
        assert!(e.contains("healthy") && e.contains("bad"), "{e}");
    }

    #[test]
    fn every_profile_draws_what_it_says() {
        for p in [
            Profile::Mixed,
            Profile::Hard,
            Profile::Common,
            Profile::Drift,
        ] {
            let d = p.draws().unwrap().unwrap();
            let f = fleet(p, 5, 120);
            let lone = f
                .loops
                .iter()
                .filter(|l| {
                    l.faults
                        .iter()
                        .any(|f| f.effect.is_fault() && f.common.is_none())
                })
                .count();
            let want = (120.0 * d.faulty_share).round() as usize;
            assert!(lone.abs_diff(want) <= 2, "{}: {lone} of {want}", p.name());
            assert!(!f.commons.is_empty() && f.commons.len() <= d.commons);
            for l in &f.loops {
                for x in &l.faults {
                    assert!(x.onset_s >= f.from_s && x.onset_s < f.end_s);
                }
            }
        }
        let healthy = fleet(Profile::Healthy, 5, 120);
        assert!(healthy.loops.iter().all(crate::fleet::SimLoop::is_sound));
        assert!(healthy.events.len() > 3);
    }

    #[test]
    fn seeds_differ_and_repeat() {
        let faults = |seed| -> Vec<Vec<Fault>> {
            let f = fleet(Profile::Hard, seed, 80);
            f.loops.iter().map(|l| l.faults.clone()).collect()
        };
        assert_eq!(faults(1), faults(1));
        assert_ne!(faults(1), faults(2));
        // Two faults on one loop.
        assert!(
            faults(1)
                .iter()
                .any(|f| { f.iter().filter(|x| x.effect.is_fault()).count() == 2 })
        );
    }
}
