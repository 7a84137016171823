//! Which command brings a device's fast values: 3, or 9 where the device does it well, or 33 where it knows neither.
//!
//! Command 9 with the codes 246 (PV) and 245 (loop current) carries what 3 does and, beside it, the status of the PV and
//! the extended device status, in one exchange; so both witnesses still come from one instant. It is taken where the
//! device is of revision 6 or later, a trial gave both values, and the modem has the time for its longer frames. Never
//! both: a trial that fails is repeated with 3 at once.

use super::values::{Values, codes_for, listed_codes};
use ingest_hart::{Codes, ReadCommand};

/// Lost answers to a trial after which the device is taken not to know the command.
const TRIALS: u8 = 2;
/// Lost polls after which it is asked with what every device knows.
const LOST_POLLS: u8 = 2;

/// What is known.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum FastRead {
    /// Nothing was read yet, or only with 3; so many trials of 9 stayed without an answer.
    Untried { lost: u8 },
    /// 9 with these codes; so many polls in a row stayed without an answer.
    WithStatus { codes: Codes<8>, lost: u8 },
    /// 3: the device does not do 9, or does not give both values with it.
    Plain,
    /// 33: the device knows neither; a list of the variables that every device has.
    Listed,
}

impl FastRead {
    pub(crate) const NEW: Self = Self::Untried { lost: 0 };

    /// The command for the next fast read; `has` tells which variables a first answer to 3 brought.
    pub(crate) fn command(
        self,
        has: Option<&[bool; 4]>,
        universal_revision: u8,
        room: bool,
    ) -> ReadCommand {
        if self == Self::Listed
            && let Some(codes) = listed_codes()
        {
            return ReadCommand::DeviceVariables(codes);
        }
        let codes = match (self, has) {
            (Self::WithStatus { codes, .. }, _) => Some(codes),
            (Self::Untried { .. }, Some(has)) if universal_revision >= 6 => {
                codes_for(has, universal_revision)
            }
            _ => None,
        };
        match codes.filter(|_| room) {
            Some(codes) => ReadCommand::VariablesWithStatus(codes),
            None => ReadCommand::DynamicVariables,
        }
    }

    /// An answer to 9 came. False: 3 has to be asked instead.
    pub(crate) fn answered(&mut self, codes: Codes<8>, values: &Values) -> bool {
        let well = values.is_whole();
        *self = if well {
            Self::WithStatus { codes, lost: 0 }
        } else {
            Self::Plain
        };
        well
    }

    /// 9 was refused.
    pub(crate) fn refused(&mut self) {
        *self = Self::Plain;
    }

    /// 3 is not implemented.
    pub(crate) fn lacks_3(&mut self) {
        *self = Self::Listed;
    }

    /// A poll with 9 got no answer in all its tries. True: from now on as if nothing was known, so 3 comes next.
    pub(crate) fn poll_lost(&mut self) -> bool {
        let Self::WithStatus { lost, .. } = self else {
            return false;
        };
        *lost += 1;
        let forget = *lost >= LOST_POLLS;
        if forget {
            *self = Self::NEW;
        }
        forget
    }

    /// 9 got no answer. True: it was a trial, so 3 is to be asked instead.
    pub(crate) fn lost(&mut self) -> bool {
        let Self::Untried { lost } = *self else {
            return false;
        };
        *self = if lost + 1 >= TRIALS {
            Self::Plain
        } else {
            Self::Untried { lost: lost + 1 }
        };
        true
    }
}
