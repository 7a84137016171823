//! What an answer or a burst message carries of a loop's values: commands 1, 2, 3 and 9 in one form.

use ingest_hart::answer::{
    Assignments, CurrentAndPercent, DeviceVariables, DynamicVariables, Measured, PrimaryVariable,
    VariableSlot, VariablesWithStatus,
};
use ingest_hart::status::EXTENDED_STATUS_MASK;
use ingest_hart::unit_code::NOT_USED;
use ingest_hart::{Codes, Float};

/// Device variable codes that mean the same in every device (HCF_SPEC-183, common table 34).
pub(crate) mod code {
    pub(crate) const LOOP_CURRENT: u8 = 245;
    pub(crate) const PV: u8 = 246;
    pub(crate) const SV: u8 = 247;
    pub(crate) const TV: u8 = 248;
    pub(crate) const QV: u8 = 249;
}

/// Unit code of mA (HCF_SPEC-183, common table 2).
const MA: u8 = 39;
/// Slots that revision 6 knows.
const SLOTS_OF_6: usize = 4;

/// Values of one instant; `None` = not carried.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Values {
    pub(crate) loop_ma: Option<Float>,
    /// PV, SV, TV, QV.
    pub(crate) variables: [Option<Measured>; 4],
    pub(crate) pv_status: Option<u8>,
    /// Undefined bits are masked.
    pub(crate) extended_status: Option<u8>,
}

impl Values {
    pub(crate) fn of_1(v: PrimaryVariable) -> Self {
        Self {
            variables: [Some(v.0), None, None, None],
            ..Self::default()
        }
    }

    pub(crate) fn of_2(v: CurrentAndPercent) -> Self {
        Self {
            loop_ma: Some(v.loop_ma),
            ..Self::default()
        }
    }

    pub(crate) fn of_3(v: DynamicVariables) -> Self {
        Self {
            loop_ma: Some(v.loop_ma),
            variables: v.variables,
            ..Self::default()
        }
    }

    /// Slots by their codes. A device's own code counts as PV to QV where command 50 said so.
    pub(crate) fn of_9(v: &VariablesWithStatus<'_>, assigned: Option<Assignments>) -> Self {
        let mut out = Self {
            extended_status: Some(v.extended_status & EXTENDED_STATUS_MASK),
            ..Self::default()
        };
        for slot in v.slots() {
            let at = match slot.code {
                code::LOOP_CURRENT => {
                    out.loop_ma = Some(slot.value).filter(|_| slot.unit == MA);
                    continue;
                }
                code::PV => 0,
                code::SV => 1,
                code::TV => 2,
                code::QV => 3,
                own if own < NOT_USED => {
                    let all = assigned.map_or([None; 4], |a| a.0);
                    match all.iter().position(|c| *c == Some(own)) {
                        Some(at) => at,
                        None => continue,
                    }
                }
                _ => continue,
            };
            out.place(at, &slot);
        }
        out
    }

    /// The list of command 33, as of 9; there is no status beside the values.
    pub(crate) fn of_33(v: &DeviceVariables<'_>, assigned: Option<Assignments>) -> Self {
        let mut out = Self::default();
        for (own, measured) in v.slots() {
            let at = match own {
                code::LOOP_CURRENT => {
                    out.loop_ma = Some(measured.value).filter(|_| measured.unit == MA);
                    continue;
                }
                code::PV => Some(0),
                code::SV => Some(1),
                code::TV => Some(2),
                code::QV => Some(3),
                own => assigned.and_then(|a| a.0.iter().position(|c| *c == Some(own))),
            };
            if let Some(v) = at.and_then(|at| out.variables.get_mut(at)) {
                *v = Some(measured);
            }
        }
        out
    }

    fn place(&mut self, at: usize, slot: &VariableSlot) {
        if let Some(v) = self.variables.get_mut(at) {
            *v = Some(Measured {
                unit: slot.unit,
                value: slot.value,
            });
        }
        // "Not used" has a status too, but it is that of an empty slot.
        if at == 0 && slot.unit != NOT_USED {
            self.pv_status = Some(slot.status);
        }
    }

    pub(crate) fn has_pv(&self) -> bool {
        matches!(self.variables, [Some(m), ..] if m.unit != NOT_USED)
    }

    /// Both witnesses in one: what a poll brings.
    pub(crate) fn is_whole(&self) -> bool {
        self.has_pv() && self.loop_ma.is_some()
    }
}

/// The codes to ask for with command 9 instead of 3: PV and loop current, and of the others those that the device has.
/// Revision 6 has four slots, so its QV is given up for the two status bytes.
pub(crate) fn codes_for(has: &[bool; 4], universal_revision: u8) -> Option<Codes<8>> {
    let [_, sv, tv, qv] = *has;
    let all = [
        (true, code::PV),
        (true, code::LOOP_CURRENT),
        (sv, code::SV),
        (tv, code::TV),
        (qv && universal_revision >= 7, code::QV),
    ];
    let mut codes = [0u8; 5];
    let mut len = 0;
    for (_, c) in all.into_iter().filter(|(wanted, _)| *wanted) {
        if universal_revision < 7 && len == SLOTS_OF_6 {
            break;
        }
        *codes.get_mut(len)? = c;
        len += 1;
    }
    Codes::new(codes.get(..len)?)
}

/// The codes to ask for with command 33 of a device that knows neither 3 nor 9: PV, loop current, SV, TV.
pub(crate) fn listed_codes() -> Option<Codes<4>> {
    Codes::new(&[code::PV, code::LOOP_CURRENT, code::SV, code::TV])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slots(slots: &[(u8, u8, f32, u8)]) -> Vec<u8> {
        let mut d = vec![0xD1];
        for (code, unit, value, status) in slots {
            d.extend([*code, 0, *unit]);
            d.extend(value.to_be_bytes());
            d.push(*status);
        }
        d.extend([0, 0, 0, 0]);
        d
    }

    #[test]
    fn nine_by_codes() {
        let d = slots(&[
            (246, 7, 2.5, 0x50),
            (245, 39, 12.0, 0xC0),
            (247, 32, 21.25, 0xC0),
            (248, 250, 0.0, 0x30),
        ]);
        let v = Values::of_9(&VariablesWithStatus::decode(&d).unwrap(), None);
        assert!(v.is_whole());
        assert_eq!((v.pv_status, v.extended_status), (Some(0x50), Some(0x11)));
        assert_eq!(v.loop_ma, Some(Float::from(12.0)));
        assert_eq!(v.variables[1].map(|m| m.unit), Some(32));
        // The device's own codes mean nothing until command 50 says what they are.
        let d = slots(&[(0, 75, 11_803.6, 0xC0), (1, 39, 83.98, 0x40)]);
        let read = VariablesWithStatus::decode(&d).unwrap();
        assert!(!Values::of_9(&read, None).has_pv());
        let a = Assignments([Some(0), Some(1), None, None]);
        let v = Values::of_9(&read, Some(a));
        assert!(v.has_pv() && !v.is_whole());
        // A current in another unit is none; an unused PV is none either.
        let d = slots(&[(246, 250, 0.0, 0x30), (245, 57, 50.0, 0xC0)]);
        let v = Values::of_9(&VariablesWithStatus::decode(&d).unwrap(), None);
        assert_eq!((v.has_pv(), v.loop_ma, v.pv_status), (false, None, None));
    }

    #[test]
    fn codes_by_revision() {
        let all = [true; 4];
        assert_eq!(codes_for(&all, 6).unwrap().as_slice(), [246, 245, 247, 248]);
        assert_eq!(
            codes_for(&all, 7).unwrap().as_slice(),
            [246, 245, 247, 248, 249]
        );
        let two = [true, true, false, false];
        assert_eq!(codes_for(&two, 6).unwrap().as_slice(), [246, 245, 247]);
    }
}
