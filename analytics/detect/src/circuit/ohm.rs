//! Ohm's law of a two-wire loop: what supply, lift-off voltage and resistance allow, and what the register says of them.
//!
//! `V_terminal = V_supply - I * R_loop`; the device works while that is at least its lift-off voltage. The register's
//! columns for it are no required ones: they are kept as notes and read here. What is missing is bounded, and the bounds
//! are said.

use ingest_model::LoopEntry;
use serde::Serialize;

/// DC supply of plants where the register is silent, V: 24 with the limits of programmable controllers' inputs
/// (IEC 61131-2: -15 %, +20 %; from memory).
pub const SUPPLY_V: Bounds = Bounds::new(20.4, 24.0, 28.8);
/// Lift-off voltage of two-wire devices where the register is silent, V (common practice).
pub const LIFTOFF_V: Bounds = Bounds::new(8.0, 10.5, 14.0);
/// Resistance of a loop with HART where the register is silent, ohm: at least 230 for the signal, usually 250, at most
/// 600 to 1100 (common practice; the upper end taken).
pub const LOOP_OHM: Bounds = Bounds::new(230.0, 250.0, 1100.0);
/// Copper at 20 degC, ohm times square millimetre a metre (handbook value for annealed copper, IEC 60028: 1/58).
pub(super) const COPPER_OHM_MM2_PER_M: f64 = 1.0 / 58.0;

/// A value with the ends that it lies between.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Bounds {
    pub low: f64,
    pub value: f64,
    pub high: f64,
}

impl Bounds {
    pub const fn new(low: f64, value: f64, high: f64) -> Self {
        Self { low, value, high }
    }

    pub const fn exact(value: f64) -> Self {
        Self::new(value, value, value)
    }
}

/// What is known of one loop's circuit.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Wiring {
    pub supply_v: Bounds,
    pub liftoff_v: Bounds,
    /// All resistance in series with the device.
    pub loop_ohm: Bounds,
    /// What the register gives, by column; the rest of the three is assumed.
    pub from_register: Vec<&'static str>,
    /// Columns that hold something that is no usable number.
    pub unreadable: Vec<String>,
}

/// Optional columns of `loops.csv`; all positive numbers.
pub const COLUMNS: [&str; 7] = [
    "supply_v",
    "liftoff_v",
    "loop_ohm",
    "input_ohm",
    "series_ohm",
    "cable_m",
    "cable_mm2",
];

impl Wiring {
    /// From the register's notes. `loop_ohm` is taken as it stands; else cable length (one way) and cross section give
    /// the cable's resistance, to which `input_ohm` (250 where it is missing) and `series_ohm` are added.
    pub fn of(entry: &LoopEntry) -> Self {
        let mut out = Self {
            supply_v: SUPPLY_V,
            liftoff_v: LIFTOFF_V,
            loop_ohm: LOOP_OHM,
            from_register: Vec::new(),
            unreadable: Vec::new(),
        };
        let mut given = [None; COLUMNS.len()];
        for (name, slot) in COLUMNS.iter().zip(&mut given) {
            let cell = entry.notes.iter().find(|(column, _)| column == name);
            let Some((_, text)) = cell.filter(|(_, t)| !t.trim().is_empty()) else {
                continue;
            };
            match text.trim().parse::<f64>() {
                Ok(v) if v.is_finite() && v > 0.0 => {
                    *slot = Some(v);
                    out.from_register.push(name);
                }
                _ => out.unreadable.push(format!("{name}: `{text}`")),
            }
        }
        let [supply, liftoff, whole, input, series, length, area] = given;
        if let Some(v) = supply {
            out.supply_v = Bounds::exact(v);
        }
        if let Some(v) = liftoff {
            out.liftoff_v = Bounds::exact(v);
        }
        if let Some(ohm) = whole {
            out.loop_ohm = Bounds::exact(ohm);
        } else if let (Some(m), Some(mm2)) = (length, area) {
            out.loop_ohm = Bounds::exact(
                cable_ohm(m, mm2) + input.unwrap_or(LOOP_OHM.value) + series.unwrap_or(0.0),
            );
        }
        out
    }

    /// The register gives all three.
    pub fn is_known(&self) -> bool {
        [self.supply_v, self.liftoff_v, self.loop_ohm]
            .iter()
            .all(|b| b.low == b.high)
    }
}

/// Both conductors of a cable `length_m` long.
pub fn cable_ohm(length_m: f64, area_mm2: f64) -> f64 {
    2.0 * length_m * COPPER_OHM_MM2_PER_M / area_mm2
}

/// Voltage left at the device.
pub fn terminal_v(supply_v: f64, current_ma: f64, loop_ohm: f64) -> f64 {
    supply_v - current_ma / 1e3 * loop_ohm
}

/// Highest current that leaves the device its lift-off voltage, mA.
pub fn reachable_ma(supply_v: f64, liftoff_v: f64, loop_ohm: f64) -> f64 {
    1e3 * (supply_v - liftoff_v) / loop_ohm
}

/// Resistance at which `current_ma` is just reached: of the loop, when that is its ceiling.
pub fn ohm_at_ceiling(supply_v: f64, liftoff_v: f64, current_ma: f64) -> f64 {
    1e3 * (supply_v - liftoff_v) / current_ma
}

/// Loop resistance behind a ceiling, with the bounds of what is not known.
pub fn loop_ohm(w: &Wiring, ceiling_ma: f64) -> Bounds {
    let at = |v: f64, lift: f64| ohm_at_ceiling(v, lift, ceiling_ma).max(0.0);
    Bounds::new(
        at(w.supply_v.low, w.liftoff_v.high),
        at(w.supply_v.value, w.liftoff_v.value),
        at(w.supply_v.high, w.liftoff_v.low),
    )
}

/// Voltage across a leak beside the device at a loop current: between the lift-off voltage (the device works) and what
/// the smallest resistance leaves. The leak is taken to sit beyond all the resistance.
pub fn leak_v(w: &Wiring, current_ma: f64) -> Bounds {
    let floor = w.liftoff_v.low;
    Bounds::new(
        terminal_v(w.supply_v.low, current_ma, w.loop_ohm.high).max(floor),
        terminal_v(w.supply_v.value, current_ma, w.loop_ohm.value).max(floor),
        terminal_v(w.supply_v.high, current_ma, w.loop_ohm.low).max(floor),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use ingest_model::{Range, Tag, Transfer};

    fn entry(notes: &[(&str, &str)]) -> LoopEntry {
        let range = Range {
            lrv: 0.0,
            urv: 1.0,
            transfer: Transfer::Linear,
        };
        let mut e = LoopEntry::new(Tag::new("FT-1").unwrap(), "bar", range);
        e.notes = notes
            .iter()
            .map(|(c, t)| ((*c).to_owned(), (*t).to_owned()))
            .collect();
        e
    }

    /// The table of the HART reference, 7.3: 24 V supply, 10.5 V lift-off, three loops.
    #[test]
    fn compliance_table() {
        let cable = cable_ohm(500.0, 1.0);
        assert!((cable - 17.2).abs() < 0.05, "{cable}");
        let table = [
            (352.2, 22.59, 16.96, 16.08, 38.3),
            (652.2, 21.39, 10.96, 9.33, 20.70),
            (852.2, 20.59, 6.96, 4.83, 15.84),
        ];
        for (ohm, at4, at20, at22, reach) in table {
            for (ma, volts) in [(4.0, at4), (20.0, at20), (22.5, at22)] {
                let v = terminal_v(24.0, ma, ohm);
                assert!((v - volts).abs() < 0.006, "{ohm} ohm, {ma} mA: {v}");
            }
            let r = reachable_ma(24.0, 10.5, ohm);
            assert!((r - reach).abs() < 0.04, "{ohm} ohm: {r}");
            // And back: the ceiling tells the resistance.
            assert!((ohm_at_ceiling(24.0, 10.5, r) - ohm).abs() < 1e-9);
        }
        // R_max for a failure signal of 22.5 mA.
        assert!((ohm_at_ceiling(24.0, 10.5, 22.5) - 600.0).abs() < 1e-9);
    }

    /// Worked example in a level transmitter's manual (public): a device that needs 10 V at 22 mA and 18 V at 4 mA,
    /// 250 ohm in the loop, asks for supplies of 15.5 V and 19 V.
    #[test]
    fn smallest_supply_of_a_manual() {
        for (ma, device_v, supply_v) in [(22.0, 10.0, 15.5), (4.0, 18.0, 19.0)] {
            assert!((terminal_v(supply_v, ma, 250.0) - device_v).abs() < 1e-9);
            assert!((reachable_ma(supply_v, device_v, 250.0) - ma).abs() < 1e-9);
        }
    }

    /// Load line as transmitter manuals print it (from memory): R = 43.5 (V - 10.5), that is 23 mA.
    #[test]
    fn load_line_of_manuals() {
        for v in [12.0, 24.0, 42.4] {
            assert!((ohm_at_ceiling(v, 10.5, 23.0) - 43.5 * (v - 10.5)).abs() < 0.001 * 43.5 * v);
        }
    }

    #[test]
    fn register_gives_what_it_can_and_the_rest_is_bounded() {
        let nothing = Wiring::of(&entry(&[]));
        assert!(!nothing.is_known() && nothing.from_register.is_empty());
        assert_eq!(nothing.supply_v, SUPPLY_V);
        let all = Wiring::of(&entry(&[
            ("supply_v", "24"),
            ("liftoff_v", "10.5"),
            ("cable_m", "500"),
            ("cable_mm2", "1"),
            ("series_ohm", "85"),
        ]));
        assert!(all.is_known());
        assert!((all.loop_ohm.value - 352.2).abs() < 0.1);
        let odd = Wiring::of(&entry(&[("supply_v", "about 24"), ("loop_ohm", "-3")]));
        assert_eq!(odd.unreadable.len(), 2);
        assert_eq!(odd.loop_ohm, LOOP_OHM);
    }
}
