//! Where each loop is wired and what its device is like.

use crate::FleetError;
use crate::fleet::{FULL_SIZE, Fleet, SimLoop, scenario_error};
use crate::layout::Planned;
use crate::noise::{key, mix, unit};
use crate::plant::Signal;
use crate::scenario::{Like, Scenario};
use ingest_model::{Criticality, LoopEntry, Range, Tag, Transfer};
use std::collections::BTreeSet;

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

impl Fleet {
    pub(crate) fn wire(
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
        let physics = &self.physics;
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
                flutter_pct: physics.flutter_pct.of(like) * (0.7 + 0.6 * unit(shared, 15)),
                // One sensor has more play than another.
                backlash_pct: t.backlash_pct * (0.5 + unit(k ^ 4, 7)),
                overshoot_pct: if matches!(like, Like::Flow | Like::Pressure)
                    && unit(shared, 13) < physics.startup_overshoot_share
                {
                    physics.startup_overshoot_pct * (0.4 + 0.6 * unit(shared, 14))
                } else {
                    0.0
                },
                cleaning: (like == Like::Analysis).then_some((
                    3_600.0 * physics.cleaning_every_h,
                    60.0 * physics.cleaning_min,
                )),
                cycle: (like == Like::Cycle)
                    .then_some((3_600.0 * physics.cycle_every_h, 60.0 * physics.cycle_min)),
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
            zero_pct: physics.zero_pct * r(1),
            gain_pct: physics.gain_pct * r(2),
            card_pct_per_k: physics.card_pct_per_k * r(3),
            device_pct_per_k: physics.device_pct_per_k * r(5),
            damp_pct: physics.damp_leak_pct * unit(k ^ 4, 6),
            receiver_ma: physics.receiver_noise_ma * (0.75 + 0.5 * unit(k, 4)),
            damping_on: family.damping_on,
            damping_order: family.damping_order,
            former: None,
            quantum: (t.range[1] - t.range[0]).abs()
                / f64::from(1 << (13 + (mix(k ^ 6) % 3) as u32)),
            failing: physics.failed_exchanges_share * (0.45 + 1.1 * unit(k, 5)),
            config_base: (mix(k ^ 7) % 60) as u16,
            config_bit: unit(k, 6) < 0.08,
            faults: Vec::new(),
            entry: e,
        })
    }
}
