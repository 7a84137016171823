//! From the scenario to a fleet: loops with their wiring and devices, faults, events.

use crate::fault::{Effect, Fault};
use crate::layout::{Planned, choose, copied_tag, plan};
use crate::noise::{key, mix, unit};
use crate::plant::Signal;
use crate::scenario::{Scenario, before_end_s};
use crate::{FleetError, FleetOptions};
use ingest_model::{Criticality, LoopEntry, Range, Scope, Tag, Transfer};
use std::collections::BTreeSet;

const DAY_S: f64 = 86_400.0;
/// Length of history that the scenario's times are written for, days.
const WRITTEN_FOR_DAYS: f64 = 30.0;
pub(crate) const FULL_SIZE: u32 = 240;

/// One simulated loop.
#[derive(Debug, Clone)]
pub(crate) struct SimLoop {
    pub entry: LoopEntry,
    pub key: u64,
    pub signal: Signal,
    pub universal: u8,
    pub more_status: bool,
    pub gateway: usize,
    pub modem: u8,
    pub channel: u8,
    pub pv_unit_code: u8,
    /// Key of the input card's room.
    pub card_key: u64,
    /// Constant errors of output stage and input, % of span.
    pub zero_pct: f64,
    pub gain_pct: f64,
    /// Temperature coefficient of the chain, % of span a kelvin.
    pub kelvin_pct: f64,
    /// Standard deviation of the receiver's noise, mA.
    pub receiver_ma: f64,
    /// Digital resolution of the PV, engineering units.
    pub quantum: f64,
    /// Share of failed exchanges without a fault.
    pub failing: f64,
    /// Configuration counter at the beginning.
    pub config_base: u16,
    pub config_bit: bool,
    pub faults: Vec<Fault>,
}

impl SimLoop {
    pub(crate) fn tag(&self) -> &str {
        self.entry.tag.as_str()
    }

    /// Span with its sign, engineering units.
    pub(crate) fn span(&self) -> f64 {
        self.entry.range.urv - self.entry.range.lrv
    }
}

/// A common cause as scripted.
#[derive(Debug, Clone)]
pub(crate) struct Common {
    pub scope: String,
    pub name: String,
    pub effect: Effect,
}

/// Something that is no fault. Times are seconds since 1970.
#[derive(Debug, Clone)]
pub(crate) struct Event {
    /// `idle`, `shutdown` or `reboot`.
    pub what: String,
    pub scope: &'static str,
    pub name: String,
    pub from_s: f64,
    pub to_s: f64,
}

/// The whole simulated site.
#[derive(Debug)]
pub(crate) struct Fleet {
    pub site_key: u64,
    pub gateways: Vec<String>,
    pub loops: Vec<SimLoop>,
    pub commons: Vec<Common>,
    pub events: Vec<Event>,
    /// When each gateway was down, seconds since 1970.
    pub down: Vec<Vec<(f64, f64)>>,
    pub from_s: f64,
    pub end_s: f64,
}

/// HART unit code (common table 2 of HCF_SPEC-183) of the units that the scenario uses.
pub(crate) fn unit_code(unit: &str) -> Option<u8> {
    Some(match unit {
        "bar" => 7,
        "mbar" => 8,
        "kPa" => 12,
        "m3/h" => 19,
        "degC" => 32,
        "m" => 45,
        "%" => 57,
        "pH" => 59,
        "mS/cm" => 66,
        "uS/cm" => 67,
        "ppm" => 139,
        _ => return None,
    })
}

fn scenario_error(reason: String) -> FleetError {
    FleetError::Scenario { reason }
}

impl Fleet {
    /// The site for these options; equal options give an equal site.
    pub(crate) fn build(opt: &FleetOptions) -> Result<Self, FleetError> {
        opt.check()?;
        let s = Scenario::sable_point()?;
        let end_s = opt.end.0 as f64 / 1e6;
        let from_s = end_s - f64::from(opt.days) * DAY_S;
        // A shorter history squeezes the scenario's times to scale.
        let squeeze = (f64::from(opt.days) / WRITTEN_FOR_DAYS).min(1.0);
        let at = |text: &str| before_end_s(text).map(|t| end_s + t * squeeze);

        let copies = opt.loops.div_ceil(FULL_SIZE).max(1);
        let all = plan(&s, copies);
        let chosen = choose(&all, opt.loops as usize);
        let gateways: Vec<String> = (0..s.wiring.gateways * copies as usize)
            .map(|g| format!("GW-{:02}", g + 1))
            .collect();
        let site_key = key(opt.seed, &s.name, 0);
        let mut fleet = Self {
            site_key,
            down: vec![Vec::new(); gateways.len()],
            gateways,
            loops: Vec::with_capacity(chosen.len()),
            commons: Vec::new(),
            events: Vec::new(),
            from_s,
            end_s,
        };
        for e in &s.event {
            fleet.add_event(e.what.as_str(), e, at(&e.from)?, at(&e.to)?);
        }
        // Full wiring first, then the chosen loops: a smaller fleet is a part of the same site.
        let mut ids = BTreeSet::new();
        for (index, p) in all.iter().enumerate() {
            let l = fleet.wire(&s, opt.seed, index, p, &mut ids)?;
            if chosen.contains(&index) {
                fleet.loops.push(l);
            }
        }
        for e in s.event.iter().filter(|e| e.what == "planned-maintenance") {
            let (from, to) = (at(&e.from)?, at(&e.to)?);
            for l in fleet
                .loops
                .iter_mut()
                .filter(|l| e.tag.as_deref() == Some(l.tag()))
            {
                l.faults.push(Fault {
                    effect: Effect::PlannedMaintenance,
                    onset_s: from,
                    end_s: to.max(from + 1_200.0),
                    magnitude: 12.0,
                    full_s: from,
                    common: None,
                });
            }
        }
        if !opt.fault_free {
            fleet.script(&s, &at)?;
        }
        Ok(fleet)
    }

    fn add_event(&mut self, what: &str, e: &crate::scenario::EventScript, from_s: f64, to_s: f64) {
        let (scope, name) = match (what, &e.area, &e.gateway) {
            ("idle", Some(area), _) => ("area", area.clone()),
            ("reboot", _, Some(gateway)) => ("gateway", gateway.clone()),
            ("shutdown", ..) => ("plant", "plant".to_owned()),
            _ => return,
        };
        if what == "reboot"
            && let Some(g) = self.gateways.iter().position(|g| *g == name)
        {
            self.down[g].push((from_s, to_s));
        }
        self.events.push(Event {
            what: what.to_owned(),
            scope,
            name,
            from_s,
            to_s,
        });
    }

    fn wire(
        &self,
        s: &Scenario,
        seed: u64,
        index: usize,
        p: &Planned<'_>,
        ids: &mut BTreeSet<u32>,
    ) -> Result<SimLoop, FleetError> {
        let t = p.template;
        let w = &s.wiring;
        let full = FULL_SIZE as usize;
        let (copy, i) = (index / full, index % full);
        let k = key(seed, &p.tag, 1);
        let family = s
            .family
            .iter()
            .find(|f| f.code == t.family)
            .ok_or_else(|| {
                scenario_error(format!("{}: family {:#06X} is missing", p.tag, t.family))
            })?;
        let revision = *family
            .revisions
            .get((mix(k) % family.revisions.len().max(1) as u64) as usize)
            .ok_or_else(|| scenario_error(format!("family {:#06X} has no revision", t.family)))?;
        // Boxes follow the way through the works, modems interleave two boxes, cards interleave a gateway:
        // so that one common cause can be told from another.
        let per_gateway = full / w.gateways;
        let (gateway, at) = (i / per_gateway, i % per_gateway);
        let modem = (at * 7 % per_gateway) * w.modems / per_gateway;
        let channel = (at * 7 % per_gateway) % (per_gateway / w.modems);
        let card = (at * 11 % per_gateway) / w.card_channels;
        let cards = per_gateway.div_ceil(w.card_channels);
        let junction_box = i * w.junction_boxes / full;
        let supply = &w.supplies[(i / 2) % w.supplies.len()];
        let gateway = gateway + copy * w.gateways;
        let card = gateway * cards + card;

        let transfer = match t.transfer.as_deref() {
            None | Some("linear") => Transfer::Linear,
            Some("square-root") => Transfer::SquareRoot,
            Some(other) => return Err(scenario_error(format!("transfer `{other}` is not known"))),
        };
        let tag = Tag::new(&p.tag).map_err(|e| scenario_error(e.to_string()))?;
        let mut e = LoopEntry::new(
            tag,
            &t.unit,
            Range {
                lrv: t.range[0],
                urv: t.range[1],
                transfer,
            },
        );
        let mut id = (mix(k ^ 2) & 0xFF_FFFF) as u32;
        while !ids.insert(id) {
            id = (id + 1) & 0xFF_FFFF;
        }
        e.damping_s = Some(t.damping_s);
        e.tolerance_pct = t.tolerance_pct;
        e.criticality = Criticality::parse(&t.criticality).ok_or_else(|| {
            scenario_error(format!("criticality `{}` is not known", t.criticality))
        })?;
        let gateway_name = self.gateways[gateway].clone();
        e.modem = Some(format!("{gateway_name}/M{}", modem + 1));
        e.gateway = Some(gateway_name);
        e.area = Some(p.area.clone());
        e.channel = Some(channel.to_string());
        e.input_card = Some(format!("IC-{:02}", card + 1));
        e.junction_box = Some(format!(
            "JB-{:02}",
            junction_box + 1 + copy * w.junction_boxes
        ));
        e.supply = Some(if copy == 0 {
            supply.clone()
        } else {
            format!("{supply}{}", copy + 1)
        });
        e.input_accuracy_pct = Some(0.1);
        e.device_type = Some(t.family);
        e.device_revision = Some(revision);
        e.device_id = Some(id);
        e.multidrop = p.multidrop_at.is_some();
        e.redundancy_group = p.group.clone();
        e.service = Some(p.service.clone());

        let shared = key(seed, p.group.as_deref().unwrap_or(&p.tag), 3);
        let r = |n: i64| 2.0 * unit(k ^ 4, n) - 1.0;
        let like = t.like;
        let area_name = &p.area;
        let mut idle: Vec<(f64, f64)> = self
            .events
            .iter()
            .filter(|e| e.what == "shutdown" || (e.what == "idle" && e.name == *area_name))
            .map(|e| (e.from_s, e.to_s))
            .collect();
        idle.sort_by(|a, b| a.0.total_cmp(&b.0));
        Ok(SimLoop {
            key: k,
            signal: Signal {
                key: shared,
                like,
                centre: t.centre + 4.0 * (2.0 * unit(shared, 11) - 1.0),
                swing: t.swing * (1.0 + 0.2 * (2.0 * unit(shared, 12) - 1.0)),
                idle,
            },
            universal: family.universal,
            more_status: family.more_status,
            gateway,
            modem: modem as u8,
            channel: channel as u8,
            pv_unit_code: unit_code(&t.unit).ok_or_else(|| {
                scenario_error(format!("{}: unit `{}` has no code here", p.tag, t.unit))
            })?,
            card_key: key(seed, e.input_card.as_deref().unwrap_or(""), 5),
            zero_pct: 0.04 * r(1),
            gain_pct: 0.04 * r(2),
            kelvin_pct: 0.002 * r(3),
            receiver_ma: 0.0012 + 0.0008 * unit(k, 4),
            quantum: (t.range[1] - t.range[0]).abs()
                / f64::from(1 << (13 + (mix(k ^ 6) % 3) as u32)),
            failing: 0.005 + 0.012 * unit(k, 5),
            config_base: (mix(k ^ 7) % 60) as u16,
            config_bit: unit(k, 6) < 0.08,
            faults: Vec::new(),
            entry: e,
        })
    }

    fn script(
        &mut self,
        s: &Scenario,
        at: &dyn Fn(&str) -> Result<f64, FleetError>,
    ) -> Result<(), FleetError> {
        let copies = self.gateways.len().div_ceil(s.wiring.gateways) as u32;
        for f in s.fault.iter().filter(|f| f.tag.is_some()) {
            let (onset_s, end_s) = (
                at(&f.onset)?,
                f.end.as_deref().map_or(Ok(f64::INFINITY), at)?,
            );
            let written = f.tag.as_deref().unwrap_or("");
            for copy in 0..copies {
                let tag = copied_tag(written, copy);
                // A loop that a smaller fleet lacks takes its fault with it.
                if let Some(l) = self.loops.iter_mut().find(|l| l.tag() == tag) {
                    l.faults.push(Fault {
                        effect: f.effect,
                        onset_s,
                        end_s,
                        magnitude: f.magnitude,
                        full_s: self.end_s,
                        common: None,
                    });
                }
            }
        }
        for f in &s.fault {
            let Some(g) = &f.group else { continue };
            let scope = Scope::ALL
                .into_iter()
                .find(|x| x.as_str() == g.scope)
                .ok_or_else(|| scenario_error(format!("scope `{}` is not known", g.scope)))?;
            let (onset_s, end_s) = (
                at(&f.onset)?,
                f.end.as_deref().map_or(Ok(f64::INFINITY), at)?,
            );
            let needs_high_current = f.effect == Effect::SupplySag;
            let mut members: Vec<usize> = (0..self.loops.len())
                .filter(|&i| {
                    let l = &self.loops[i];
                    l.faults.is_empty()
                        && !l.entry.multidrop
                        && l.entry.member_of(scope).as_deref() == Some(g.name.as_str())
                        && (!needs_high_current || l.signal.centre + 0.7 * l.signal.swing > 68.0)
                })
                .collect();
            members.sort_by_key(|&i| mix(self.loops[i].key ^ 0xC0));
            members.truncate(g.members);
            // Less than three loops make no common cause worth the name.
            if members.len() < 3 {
                continue;
            }
            let common = self.commons.len();
            self.commons.push(Common {
                scope: g.scope.clone(),
                name: g.name.clone(),
                effect: f.effect,
            });
            for i in members {
                let l = &mut self.loops[i];
                let own = unit(l.key ^ 0xC1, 0);
                l.faults.push(Fault {
                    effect: f.effect,
                    onset_s: onset_s + 1_500.0 * own,
                    end_s,
                    magnitude: f.magnitude * (0.75 + 0.5 * unit(l.key ^ 0xC1, 1)),
                    full_s: self.end_s,
                    common: Some(common),
                });
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ingest_model::UtcMicros;

    fn options(loops: u32) -> FleetOptions {
        FleetOptions {
            loops,
            ..FleetOptions::new(1, UtcMicros(1_780_000_000_000_000))
        }
    }

    #[test]
    fn sizes_tags_and_wiring() {
        for n in [3, 17, 60, 100, 240, 500] {
            let f = Fleet::build(&options(n)).unwrap();
            assert_eq!(f.loops.len(), n as usize);
            let tags: BTreeSet<&str> = f.loops.iter().map(SimLoop::tag).collect();
            assert_eq!(tags.len(), n as usize, "tags are unique");
        }
        let f = Fleet::build(&options(240)).unwrap();
        let count = |s: Scope| {
            f.loops
                .iter()
                .filter_map(|l| l.entry.member_of(s))
                .collect::<BTreeSet<_>>()
                .len()
        };
        assert_eq!(count(Scope::Gateway), 4);
        assert_eq!(count(Scope::Modem), 16);
        assert_eq!(count(Scope::JunctionBox), 11);
        assert_eq!(count(Scope::Supply), 3);
        assert_eq!(f.commons.len(), 4);
        assert_eq!(f.loops.iter().filter(|l| l.entry.multidrop).count(), 6);
        let faulty = f
            .loops
            .iter()
            .filter(|l| {
                l.faults
                    .iter()
                    .any(|f| f.effect != Effect::PlannedMaintenance)
            })
            .count();
        assert!((40..=60).contains(&faulty), "{faulty} faulty loops");
        let places: BTreeSet<_> = f
            .loops
            .iter()
            .map(|l| (l.gateway, l.modem, l.channel))
            .collect();
        assert_eq!(places.len(), 240, "one device a channel");
    }

    #[test]
    fn fault_free_has_none() {
        let f = Fleet::build(&FleetOptions {
            fault_free: true,
            ..options(240)
        })
        .unwrap();
        assert!(
            f.loops
                .iter()
                .flat_map(|l| &l.faults)
                .all(|f| f.effect == Effect::PlannedMaintenance)
        );
    }
}
