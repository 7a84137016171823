//! From the scenario to a fleet: loops with their wiring and devices, faults, events.

use crate::fault::{Effect, Fault};
use crate::layout::{choose, plan};
use crate::noise::key;
use crate::plant::Signal;
use crate::profile::Profile;
use crate::scenario::{DampingOn, Like, LiveEvent, Physics, Scenario};
use crate::{FleetError, FleetOptions};
use ingest_model::{LoopEntry, Range, Transfer};
use std::collections::BTreeSet;

const DAY_S: f64 = 86_400.0;
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
    /// Temperature coefficients of input card and output stage, % of span a kelvin.
    pub card_pct_per_k: f64,
    pub device_pct_per_k: f64,
    /// Leakage in the rain without a fault, % of span.
    pub damp_pct: f64,
    pub damping_on: DampingOn,
    /// 1 or 2 filters.
    pub damping_order: u8,
    /// Until when (seconds since 1970) the device and the register had another range.
    pub former: Option<(f64, Range)>,
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

    /// The range that device and register agreed on at an instant.
    pub(crate) fn range_at(&self, t_s: f64) -> Range {
        match self.former {
            Some((until_s, range)) if t_s < until_s => range,
            _ => self.entry.range,
        }
    }

    /// True while nothing is wrong with it.
    pub(crate) fn is_sound(&self) -> bool {
        self.faults.iter().all(|f| !f.effect.is_fault())
    }

    /// Whether an effect would leave any trace on this loop.
    pub(crate) fn can_suffer(&self, effect: Effect) -> bool {
        let e = &self.entry;
        let s = &self.signal;
        match effect {
            // A parked current carries no measurement.
            Effect::NoReply
            | Effect::ErrorsStep
            | Effect::ErrorsRamp
            | Effect::StatusFailure
            | Effect::StatusOutOfSpecification
            | Effect::Chatter => true,
            _ if e.multidrop => false,
            // Revision 5 has no extended status and no counter; its "more status" is always set.
            Effect::StatusMaintenance | Effect::StatusFunctionCheck => self.universal >= 7,
            Effect::ConfigurationChange => self.universal >= 6,
            // A ceiling is met only by loops that go high.
            Effect::SupplySag => s.like != Like::Cycle && s.centre + 0.7 * s.swing > 68.0,
            // The square root of less than nothing is nothing.
            Effect::SaturatedLow => e.range.transfer == Transfer::Linear,
            Effect::NoiseCollapse | Effect::NoiseRise => {
                matches!(s.like, Like::Flow | Like::Pressure | Like::Differential)
            }
            Effect::PeerDeparture | Effect::PeerRamp => e.redundancy_group.is_some(),
            Effect::HostScaling => e.range.transfer == Transfer::Linear,
            _ => true,
        }
    }

    /// Takes a fault; one of the host's scale shows in the register alone.
    pub(crate) fn suffer(&mut self, fault: Fault) {
        if fault.effect == Effect::HostScaling {
            let r = self.entry.range;
            self.entry.host_lrv = Some(r.lrv);
            self.entry.host_urv = Some(r.lrv + self.span() * (1.0 + fault.magnitude / 100.0));
        }
        self.faults.push(fault);
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
    /// `idle`, `shutdown`, `reboot` or `warm-room`.
    pub what: String,
    pub scope: &'static str,
    pub name: String,
    pub from_s: f64,
    pub to_s: f64,
    /// Kelvin that the equipment rooms are warmer meanwhile.
    pub warmer_k: f64,
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
    /// Restarts after the history's end by gateway: first, every, lasts; seconds.
    pub live_reboots: Vec<(usize, f64, f64, f64)>,
    /// When the equipment rooms were warmer, and by how many kelvin.
    pub warmer: Vec<(f64, f64, f64)>,
    pub physics: Physics,
    /// Seconds from poll to poll in the history.
    pub period_s: f64,
    pub from_s: f64,
    pub end_s: f64,
}

pub(crate) fn scenario_error(reason: String) -> FleetError {
    FleetError::Scenario { reason }
}

impl Fleet {
    /// The site for these options; equal options give an equal site.
    pub(crate) fn build(opt: &FleetOptions) -> Result<Self, FleetError> {
        opt.check()?;
        let s = Scenario::sable_point()?;
        let end_s = opt.end.0 as f64 / 1e6;
        let from_s = end_s - f64::from(opt.days) * DAY_S;
        let copies = opt.loops.div_ceil(FULL_SIZE).max(1);
        let all = plan(&s, copies);
        let chosen = choose(&all, opt.loops as usize);
        let gateways: Vec<String> = (0..s.wiring.gateways * copies as usize)
            .map(|g| format!("GW-{:02}", g + 1))
            .collect();
        let mut fleet = Self {
            site_key: key(opt.seed, &s.name, 0),
            down: vec![Vec::new(); gateways.len()],
            gateways,
            loops: Vec::with_capacity(chosen.len()),
            commons: Vec::new(),
            events: Vec::new(),
            live_reboots: Vec::new(),
            warmer: Vec::new(),
            physics: s.physics,
            period_s: opt.period_s,
            from_s,
            end_s,
        };
        for e in &s.live {
            let LiveEvent::Reboot = e.what;
            if let Some(g) = fleet.gateways.iter().position(|g| *g == e.gateway) {
                let [first, every, lasts] =
                    [e.first_min, e.every_min, e.lasts_min].map(|minutes| 60.0 * minutes);
                fleet.live_reboots.push((g, first, every, lasts));
            }
        }
        let drawn = opt.profile.draws()?;
        match &drawn {
            None => fleet.script_events(&s.event)?,
            Some(d) => fleet.draw_events(opt.seed, d, &s),
        }
        // Full wiring first, then the chosen loops: a smaller fleet is a part of the same site.
        let mut ids = BTreeSet::new();
        for (index, p) in all.iter().enumerate() {
            let l = fleet.wire(&s, opt.seed, index, p, &mut ids)?;
            if chosen.contains(&index) {
                fleet.loops.push(l);
            }
        }
        match &drawn {
            None => {
                fleet.script_benign(&s.event)?;
                if opt.profile == Profile::SablePoint {
                    fleet.script_faults(&s)?;
                }
            }
            Some(d) => fleet.draw_faults(opt.seed, d),
        }
        Ok(fleet)
    }

    /// Enters something that is no fault.
    pub(crate) fn happen(&mut self, event: Event) {
        let (from_s, to_s) = (event.from_s, event.to_s);
        match event.what.as_str() {
            "reboot" => {
                if let Some(g) = self.gateways.iter().position(|g| *g == event.name) {
                    self.down[g].push((from_s, to_s));
                }
            }
            "shutdown" => self
                .warmer
                .push((from_s, to_s, self.physics.shutdown_room_k)),
            "warm-room" => self.warmer.push((from_s, to_s, event.warmer_k)),
            _ => {}
        }
        self.events.push(event);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ingest_model::{Scope, UtcMicros};

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
        let faulty = f.loops.iter().filter(|l| !l.is_sound()).count();
        assert!((45..=70).contains(&faulty), "{faulty} faulty loops");
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
            profile: Profile::Healthy,
            ..options(240)
        })
        .unwrap();
        assert!(
            f.loops
                .iter()
                .flat_map(|l| &l.faults)
                .all(|f| !f.effect.is_fault())
        );
    }
}
