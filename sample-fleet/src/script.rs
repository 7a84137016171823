//! Puts the scripted faults and events of the scenario on the fleet.

use crate::FleetError;
use crate::fault::{Effect, Fault};
use crate::fleet::{Common, Event, Fleet, SimLoop, scenario_error};
use crate::layout::copied_tag;
use crate::noise::{mix, unit};
use crate::scenario::{EventScript, FaultScript, Group, Scenario, before_end_s};
use ingest_model::{Range, Scope};

/// Length of history that the scenario's times are written for, days.
const WRITTEN_FOR_DAYS: f64 = 30.0;
/// Less than three loops make no common cause worth the name.
const FEWEST: usize = 3;

/// Times of the scenario in a history of a given length.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Times {
    from_s: f64,
    end_s: f64,
    /// A shorter history squeezes the scenario's times to scale.
    squeeze: f64,
}

impl Times {
    pub(crate) fn new(fleet: &Fleet) -> Self {
        let days = (fleet.end_s - fleet.from_s) / 86_400.0;
        Self {
            from_s: fleet.from_s,
            end_s: fleet.end_s,
            squeeze: (days / WRITTEN_FOR_DAYS).min(1.0),
        }
    }

    fn at(&self, text: &str) -> Result<f64, FleetError> {
        if text == "start" {
            return Ok(self.from_s);
        }
        before_end_s(text).map(|t| self.end_s + t * self.squeeze)
    }

    /// From and to; `None` = before the history began.
    fn span(&self, from: &str, to: Option<&str>) -> Result<Option<(f64, f64)>, FleetError> {
        let from = self.at(from)?;
        let to = to.map_or(Ok(f64::INFINITY), |t| self.at(t))?;
        Ok((from >= self.from_s).then_some((from, to)))
    }
}

impl Fleet {
    /// What stands still, restarts or warms up: known before the loops are made.
    pub(crate) fn script_events(&mut self, events: &[EventScript]) -> Result<(), FleetError> {
        let times = Times::new(self);
        for e in events {
            if let Some((from, to)) = times.span(&e.from, Some(&e.to))? {
                self.add_event(e, from, to);
            }
        }
        Ok(())
    }

    fn add_event(&mut self, e: &EventScript, from_s: f64, to_s: f64) {
        let what = e.what.as_str();
        let (scope, name) = match (what, &e.area, &e.gateway) {
            ("idle", Some(area), _) => ("area", area.clone()),
            ("reboot", _, Some(gateway)) => ("gateway", gateway.clone()),
            ("shutdown" | "warm-room", ..) => ("plant", "plant".to_owned()),
            _ => return,
        };
        self.happen(Event {
            what: what.to_owned(),
            scope,
            name,
            from_s,
            to_s,
            warmer_k: e.warmer_k,
        });
    }

    /// What is announced, or the process's own doing, on single loops.
    pub(crate) fn script_benign(&mut self, events: &[EventScript]) -> Result<(), FleetError> {
        let times = Times::new(self);
        for e in events {
            let (Some(tag), Some((from, to))) = (&e.tag, times.span(&e.from, Some(&e.to))?) else {
                continue;
            };
            let Some(i) = self.loops.iter().position(|l| l.tag() == tag) else {
                continue;
            };
            match e.what.as_str() {
                "planned-maintenance" => self.plan_maintenance(i, from, to),
                "overrange" => self.overrange(i, from, to),
                "power-cycle" => self.power_cycle(i, from),
                "re-ranged" => {
                    let [lrv, urv] = e.former_range.ok_or_else(|| {
                        scenario_error(format!("{tag}: re-ranged needs former_range"))
                    })?;
                    self.rerange(i, from, lrv, urv);
                }
                other => return Err(scenario_error(format!("event `{other}` is not known"))),
            }
        }
        Ok(())
    }

    fn add(&mut self, loop_index: usize, effect: Effect, from_s: f64, to_s: f64) {
        self.loops[loop_index].faults.push(Fault {
            end_s: to_s,
            ..Fault::new(effect, from_s, 0.0)
        });
    }

    /// The process runs past the upper end of the range.
    pub(crate) fn overrange(&mut self, i: usize, from_s: f64, to_s: f64) {
        self.add(i, Effect::Overrange, from_s, to_s);
    }

    /// Announced work with the current fixed at mid-range.
    pub(crate) fn plan_maintenance(&mut self, i: usize, from_s: f64, to_s: f64) {
        self.loops[i].faults.push(Fault {
            end_s: to_s.max(from_s + 1_200.0),
            ..Fault::new(Effect::PlannedMaintenance, from_s, 12.0)
        });
    }

    /// One cold start; the bit stays until one reply has carried it.
    pub(crate) fn power_cycle(&mut self, i: usize, at_s: f64) {
        self.add(i, Effect::PowerCycle, at_s, at_s + self.period_s.max(60.0));
    }

    /// A new range that the register follows; before, it was the one given.
    pub(crate) fn rerange(&mut self, i: usize, at_s: f64, lrv: f64, urv: f64) {
        self.add(i, Effect::Reranged, at_s, at_s + 900.0);
        let l = &mut self.loops[i];
        let range = Range {
            lrv,
            urv,
            ..l.entry.range
        };
        l.former = Some((at_s, range));
    }

    pub(crate) fn script_faults(&mut self, s: &Scenario) -> Result<(), FleetError> {
        let times = Times::new(self);
        let copies = self.gateways.len().div_ceil(s.wiring.gateways) as u32;
        // Single loops first, so that a common cause takes sound ones.
        let (of_loops, of_groups): (Vec<_>, Vec<_>) = s.fault.iter().partition(|f| f.tag.is_some());
        for f in of_loops.into_iter().chain(of_groups) {
            let Some((onset_s, end_s)) = times.span(&f.onset, f.end.as_deref())? else {
                continue;
            };
            let fault = Fault {
                end_s,
                growth: f.growth,
                full_s: self.end_s,
                ..Fault::new(f.effect, onset_s, f.magnitude)
            };
            match (&f.tag, &f.group) {
                (Some(tag), None) => self.script_loop(tag, copies, &fault),
                (None, Some(group)) => self.script_group(group, f, &fault)?,
                _ => {
                    let reason = "a fault needs `tag` or `group`, and not both".to_owned();
                    return Err(scenario_error(reason));
                }
            }
        }
        Ok(())
    }

    fn script_loop(&mut self, written: &str, copies: u32, fault: &Fault) {
        for copy in 0..copies {
            let tag = copied_tag(written, copy);
            // A loop that a smaller fleet lacks takes its fault with it.
            if let Some(l) = self.loops.iter_mut().find(|l| l.tag() == tag) {
                l.suffer(fault.clone());
            }
        }
    }

    fn script_group(
        &mut self,
        g: &Group,
        f: &FaultScript,
        fault: &Fault,
    ) -> Result<(), FleetError> {
        let scope = Scope::ALL
            .into_iter()
            .find(|x| x.as_str() == g.scope)
            .ok_or_else(|| scenario_error(format!("scope `{}` is not known", g.scope)))?;
        let mut members = self.candidates(scope, &g.name, f.effect);
        members.truncate(g.members);
        self.make_common(scope, &g.name, &members, fault);
        Ok(())
    }

    /// Sound members of a group on which the effect can act, in an order of the seed's choosing.
    pub(crate) fn candidates(&self, scope: Scope, name: &str, effect: Effect) -> Vec<usize> {
        let mut members: Vec<usize> = (0..self.loops.len())
            .filter(|&i| {
                let l = &self.loops[i];
                l.is_sound()
                    && l.can_suffer(effect)
                    && l.entry.member_of(scope).as_deref() == Some(name)
            })
            .collect();
        members.sort_by_key(|&i| mix(self.loops[i].key ^ 0xC0));
        members
    }

    /// One cause for many loops: they begin within half an hour, each with its own size.
    pub(crate) fn make_common(
        &mut self,
        scope: Scope,
        name: &str,
        members: &[usize],
        fault: &Fault,
    ) {
        if members.len() < FEWEST {
            return;
        }
        let common = self.commons.len();
        self.commons.push(Common {
            scope: scope.as_str().to_owned(),
            name: name.to_owned(),
            effect: fault.effect,
        });
        for &i in members {
            let l: &mut SimLoop = &mut self.loops[i];
            l.suffer(Fault {
                onset_s: fault.onset_s + 1_500.0 * unit(l.key ^ 0xC1, 0),
                magnitude: fault.magnitude * (0.75 + 0.5 * unit(l.key ^ 0xC1, 1)),
                common: Some(common),
                ..fault.clone()
            });
        }
    }
}
