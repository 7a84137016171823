//! The fleet as the wire side sees it, with faults that a person may set and mend while it runs.

use crate::device::{Exchange, seconds};
use crate::fault::{Effect, Fault};
use crate::fleet::{Fleet, SimLoop};
use crate::wire::{DeviceCard, DeviceState, Devices};
use ingest_model::{Transfer, UtcMicros};
use std::sync::{Mutex, MutexGuard, PoisonError, RwLock};

/// A fault as the control port lists it.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub(crate) struct ListedFault {
    pub tag: String,
    pub fault: &'static str,
    pub kind: &'static str,
    pub since: String,
}

/// Why the control port refuses.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub(crate) enum ControlError {
    #[error("no loop `{tag}` in this fleet")]
    Tag { tag: String },
    #[error(
        "no fault `{fault}`: broken-wire, stuck-digital, stuck-analog, no-reply, failure-high, failure-low or offset"
    )]
    Fault { fault: String },
}

/// The running fleet.
#[derive(Debug)]
pub(crate) struct LiveFleet {
    fleet: Fleet,
    cards: Vec<DeviceCard>,
    /// Faults of each loop: the scripted ones, then those set by hand.
    faults: RwLock<Vec<Vec<Fault>>>,
    /// Requests sent and answers received, mod 2^16.
    counted: Mutex<Vec<[u16; 2]>>,
}

/// A fault set by hand, or the end that a scripted one was given, as it is kept from one run to the next.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct KeptFault {
    tag: String,
    effect: Effect,
    magnitude: f64,
    onset_s: f64,
    /// None = still so.
    end_s: Option<f64>,
}

/// Level transmitters of the scenario.
const PUBLISHING_FAMILY: u16 = 0xFA31;
const PUBLISHED_EVERY_S: u64 = 20;

fn card(l: &SimLoop, end_s: f64) -> DeviceCard {
    let e = &l.entry;
    // A device with a scaling fault has another upper end than the register says.
    let stretch = l
        .faults
        .iter()
        .filter(|f| f.effect == Effect::Scaling && f.active(end_s))
        .map(|f| 1.0 + f.magnitude / 100.0)
        .product::<f64>();
    let unit_degc = 32;
    DeviceCard {
        tag: l.tag().to_owned(),
        gateway: l.gateway,
        modem: l.modem,
        channel: l.channel,
        device_type: e.device_type.unwrap_or(0),
        device_id: e.device_id.unwrap_or(0),
        device_revision: e.device_revision.unwrap_or(0),
        universal_revision: l.universal,
        pv_unit_code: l.pv_unit_code,
        sv_unit_code: unit_degc,
        lrv: e.range.lrv as f32,
        urv: (e.range.lrv + l.span() * stretch) as f32,
        transfer_code: match e.range.transfer {
            Transfer::Linear => 0,
            Transfer::SquareRoot => 1,
            Transfer::Other(code) => code,
        },
        damping_s: e.damping_s.unwrap_or(0.0) as f32,
        multidrop: e.multidrop,
    }
}

impl LiveFleet {
    /// With the counters of each loop, in the fleet's order; loops beyond them begin at zero.
    pub(crate) fn new(fleet: Fleet, mut counted: Vec<[u16; 2]>) -> Self {
        counted.resize(fleet.loops.len(), [0, 0]);
        Self {
            counted: Mutex::new(counted),
            cards: fleet.loops.iter().map(|l| card(l, fleet.end_s)).collect(),
            faults: RwLock::new(fleet.loops.iter().map(|l| l.faults.clone()).collect()),
            fleet,
        }
    }

    fn counters(&self) -> MutexGuard<'_, Vec<[u16; 2]>> {
        self.counted.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// True while the gateway restarts.
    pub(crate) fn gateway_down(&self, gateway: usize, now: UtcMicros) -> bool {
        self.fleet.gateway_down(gateway, seconds(now))
    }

    /// A gateway that came back counts from zero.
    pub(crate) fn forget_counters(&self, gateway: usize) {
        let loops = self.fleet.loops.iter();
        for (l, counted) in loops.zip(self.counters().iter_mut()) {
            if l.gateway == gateway {
                *counted = [0, 0];
            }
        }
    }

    /// What was set and mended by hand, so far.
    pub(crate) fn kept_faults(&self) -> Vec<KeptFault> {
        let faults = self.faults.read().unwrap_or_else(PoisonError::into_inner);
        let loops = self.fleet.loops.iter().zip(faults.iter());
        loops
            .flat_map(|(l, now)| {
                let changed = now.iter().filter(|f| !l.faults.contains(f));
                changed.map(|f| KeptFault {
                    tag: l.tag().to_owned(),
                    effect: f.effect,
                    magnitude: f.magnitude,
                    onset_s: f.onset_s,
                    end_s: f.end_s.is_finite().then_some(f.end_s),
                })
            })
            .collect()
    }

    /// Puts back what was set and mended by hand in an earlier run.
    pub(crate) fn restore(&self, kept: &[KeptFault]) {
        let mut faults = self.faults.write().unwrap_or_else(PoisonError::into_inner);
        for k in kept {
            let index = self.fleet.loops.iter().position(|l| l.tag() == k.tag);
            let Some(faults) = index.and_then(|i| faults.get_mut(i)) else {
                continue;
            };
            let end_s = k.end_s.unwrap_or(f64::INFINITY);
            let same = |f: &&mut Fault| f.effect == k.effect && f.onset_s == k.onset_s;
            if let Some(f) = faults.iter_mut().find(same) {
                f.end_s = end_s;
            } else {
                faults.push(Fault {
                    end_s,
                    ..Fault::new(k.effect, k.onset_s, k.magnitude)
                });
            }
        }
    }

    /// Calls `f` with a loop and its faults; `None` for an index that does not exist.
    fn with<T>(&self, index: usize, f: impl FnOnce(&SimLoop, &[Fault]) -> T) -> Option<T> {
        let faults = self.faults.read().unwrap_or_else(PoisonError::into_inner);
        Some(f(self.fleet.loops.get(index)?, faults.get(index)?))
    }

    fn change(&self, tag: &str, f: impl FnOnce(&mut Vec<Fault>)) -> Result<(), ControlError> {
        let unknown = || ControlError::Tag {
            tag: tag.chars().take(40).collect(),
        };
        let index = self.fleet.loops.iter().position(|l| l.tag() == tag);
        let mut faults = self.faults.write().unwrap_or_else(PoisonError::into_inner);
        f(index.and_then(|i| faults.get_mut(i)).ok_or_else(unknown)?);
        Ok(())
    }

    /// Sets a fault on a loop from `now`.
    pub(crate) fn break_loop(
        &self,
        tag: &str,
        fault: &str,
        now: UtcMicros,
    ) -> Result<(), ControlError> {
        let (effect, magnitude) =
            Effect::from_control(fault).ok_or_else(|| ControlError::Fault {
                fault: fault.chars().take(40).collect(),
            })?;
        let now_s = seconds(now);
        self.change(tag, |faults| {
            faults.push(Fault::new(effect, now_s, magnitude));
        })
    }

    /// Ends all faults of a loop at `now`, scripted ones too.
    pub(crate) fn mend(&self, tag: &str, now: UtcMicros) -> Result<(), ControlError> {
        let now_s = seconds(now);
        // Ended, not forgotten: the configuration counter does not run backwards.
        self.change(tag, |faults| {
            for f in faults.iter_mut().filter(|f| f.active(now_s)) {
                f.end_s = now_s;
            }
        })
    }

    /// The faults that act at `now`.
    pub(crate) fn list(&self, now: UtcMicros) -> Vec<ListedFault> {
        let now_s = seconds(now);
        let faults = self.faults.read().unwrap_or_else(PoisonError::into_inner);
        let loops = self.fleet.loops.iter().zip(faults.iter());
        loops
            .flat_map(|(l, faults)| faults.iter().map(move |f| (l, f)))
            .filter(|(_, f)| f.active(now_s) && f.effect.is_fault())
            .map(|(l, f)| {
                let naming = f.effect.naming();
                ListedFault {
                    tag: l.tag().to_owned(),
                    fault: naming.variant,
                    kind: naming.kind,
                    since: UtcMicros((f.onset_s * 1e6) as i64).to_rfc3339(),
                }
            })
            .collect()
    }
}

impl Devices for LiveFleet {
    fn gateways(&self) -> Vec<String> {
        self.fleet.gateways.clone()
    }

    fn cards(&self) -> &[DeviceCard] {
        &self.cards
    }

    fn state(&self, index: usize, now: UtcMicros) -> DeviceState {
        let t_s = seconds(now);
        let state = self.with(index, |l, faults| {
            let a = self.fleet.answer(l, faults, t_s);
            DeviceState {
                pv: a.pv,
                sv: a.sv,
                loop_ma: a.reported_ma,
                device_status: a.device_status,
                extended_status: a.extended_status,
                config_counter: a.config,
                answers: self.fleet.alive(l, faults, t_s),
                exchange_fails: self.fleet.exchange(l, faults, t_s) != Exchange::Good,
            }
        });
        // A device that is not there does not answer.
        state.unwrap_or(DeviceState {
            pv: f32::NAN,
            sv: f32::NAN,
            loop_ma: f32::NAN,
            device_status: 0,
            extended_status: 0,
            config_counter: 0,
            answers: false,
            exchange_fails: true,
        })
    }

    fn analog_ma(&self, index: usize, now: UtcMicros) -> f64 {
        let t_s = seconds(now);
        self.with(index, |l, faults| self.fleet.analog_ma(l, faults, t_s))
            .unwrap_or(0.0)
    }

    fn counted(&self, index: usize) -> [u16; 2] {
        self.counters().get(index).copied().unwrap_or_default()
    }

    /// Level transmitters publish, so that a host need not ask them.
    fn publishes_every_s(&self, index: usize) -> Option<u64> {
        let family = self.cards.get(index)?.device_type;
        (family == PUBLISHING_FAMILY).then_some(PUBLISHED_EVERY_S)
    }

    fn exchanged(&self, index: usize, good: bool) {
        if let Some([sent, answered]) = self.counters().get_mut(index) {
            *sent = sent.wrapping_add(1);
            *answered = answered.wrapping_add(u16::from(good));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::FleetOptions;

    fn live() -> (LiveFleet, Fleet, UtcMicros) {
        let end = UtcMicros::parse_rfc3339("2026-06-01T00:00:00Z").unwrap();
        let opt = FleetOptions {
            loops: 60,
            days: 2,
            ..FleetOptions::new(1, end)
        };
        (
            LiveFleet::new(Fleet::build(&opt).unwrap(), Vec::new()),
            Fleet::build(&opt).unwrap(),
            end,
        )
    }

    #[test]
    fn live_is_the_same_plant_as_history() {
        let (live, fleet, end) = live();
        for (i, l) in fleet.loops.iter().enumerate() {
            for hours in [-30.0, -1.0, 0.0, 5.5] {
                let t = end.plus_s(hours * 3_600.0);
                let a = fleet.answer(l, &l.faults, seconds(t));
                let s = live.state(i, t);
                assert_eq!(
                    (a.pv.to_bits(), a.reported_ma.to_bits()),
                    (s.pv.to_bits(), s.loop_ma.to_bits())
                );
                assert_eq!(
                    fleet.analog_ma(l, &l.faults, seconds(t)),
                    live.analog_ma(i, t)
                );
            }
        }
    }

    #[test]
    fn breaking_and_mending() {
        let (live, fleet, end) = live();
        let i = fleet
            .loops
            .iter()
            .position(|l| l.faults.is_empty() && !l.entry.multidrop)
            .unwrap();
        let tag = fleet.loops[i].tag();
        let before = end.plus_s(10.0);
        let after = end.plus_s(600.0);
        assert!(live.state(i, before).answers);
        live.break_loop(tag, "broken-wire", end.plus_s(60.0))
            .unwrap();
        assert!(live.state(i, before).answers && !live.state(i, after).answers);
        assert!(live.analog_ma(i, after) < 0.1);
        assert!(
            live.list(after)
                .iter()
                .any(|f| f.tag == tag && f.fault == "broken-wire")
        );
        live.mend(tag, end.plus_s(700.0)).unwrap();
        assert!(live.state(i, end.plus_s(800.0)).answers);
        live.break_loop(tag, "stuck-digital", end.plus_s(900.0))
            .unwrap();
        let pv = |s: f64| live.state(i, end.plus_s(s)).pv.to_bits();
        assert_eq!(pv(1_000.0), pv(5_000.0));
        assert!(live.break_loop("XX-1", "offset", end).is_err());
        assert!(live.break_loop(tag, "meteor", end).is_err());
        assert!(live.mend("XX-1", end).is_err());
    }

    #[test]
    fn what_was_set_by_hand_is_kept() {
        let (live, fleet, end) = live();
        let sound = fleet.loops.iter().position(|l| l.faults.is_empty());
        let faulty = fleet
            .loops
            .iter()
            .position(|l| l.faults.iter().any(|f| f.active(seconds(end))));
        let (sound, faulty) = (sound.unwrap(), faulty.unwrap());
        let tag = |i: usize| fleet.loops[i].tag();
        live.break_loop(tag(sound), "no-reply", end.plus_s(60.0))
            .unwrap();
        live.mend(tag(faulty), end.plus_s(120.0)).unwrap();
        let kept = live.kept_faults();
        let text = serde_json::to_string(&kept).unwrap();
        let (again, ..) = self::live();
        again.restore(&serde_json::from_str::<Vec<KeptFault>>(&text).unwrap());
        let later = end.plus_s(7_200.0);
        assert_eq!(again.list(later), live.list(later));
        assert!(!again.state(sound, later).answers);
        assert_eq!(again.kept_faults(), kept);
    }

    #[test]
    fn scripted_restarts_come_again_after_the_history() {
        let (live, fleet, end) = live();
        let gateway = fleet.gateways.iter().position(|g| g == "GW-02").unwrap();
        let down = |minutes: f64| live.gateway_down(gateway, end.plus_s(60.0 * minutes));
        assert!(!down(1.0) && !down(94.0) && down(96.0) && !down(101.0));
        assert!(down(720.0 + 96.0));
        assert!(!live.gateway_down(0, end.plus_s(96.0 * 60.0)));
    }

    #[test]
    fn counters_go_on_and_a_restart_forgets_them() {
        let (_, fleet, _) = live();
        let other = fleet
            .loops
            .iter()
            .position(|l| l.gateway != fleet.loops[0].gateway)
            .unwrap();
        let gateway = fleet.loops[0].gateway;
        let live = LiveFleet::new(fleet, vec![[65_535, 65_000]; 60]);
        live.exchanged(0, true);
        live.exchanged(0, false);
        assert_eq!(live.counted(0), [1, 65_001]);
        live.forget_counters(gateway);
        assert_eq!(live.counted(0), [0, 0]);
        assert_eq!(live.counted(other), [65_535, 65_000]);
    }

    #[test]
    fn cards_are_distinct() {
        let (live, ..) = live();
        let mut ids: Vec<_> = live
            .cards()
            .iter()
            .map(|c| (c.device_type, c.device_id))
            .collect();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), 60);
        assert!(live.cards().iter().all(|c| c.lrv != c.urv && c.modem < 4));
    }
}
