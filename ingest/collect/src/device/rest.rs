//! The slow reads that are made one after another: what every device can tell, and what the site has opened.
//!
//! One a slow period, in turn; the first round goes faster, so that a new device is known within the hour. A command that
//! the device does not know (64), or leaves unanswered twice, is not asked again until its firmware changes. The lowest
//! revision of each command is from memory in parts, so it only spares requests: code 64 is what counts.

use super::Device;
use ingest_hart::unit_code::NOT_USED;
use ingest_hart::{Codes, OptIn, ReadCommand};
use std::collections::BTreeMap;

/// Unanswered requests after which a command counts as unknown.
const LOST: u8 = 2;
/// Lists of further device variables that are read at most (four variables each).
const MOST_LISTS: usize = 4;
/// Entries of the condensed status map (HCF_SPEC-183, common table 70): 8 of the device status, 200 of command 48.
const CONDENSED_ENTRIES: u8 = 208;
/// Device variable codes from here on mean the same in every device.
const COMMON_CODES: u8 = 240;

/// Where the round stands.
#[derive(Clone, Debug, Default)]
pub(crate) struct Rest {
    next: usize,
    rounds: u32,
    /// Unanswered requests by command; `LOST` and above: not asked any more.
    lost: BTreeMap<u16, u8>,
}

impl Rest {
    pub(crate) fn lacks(&mut self, number: u16) {
        self.lost.insert(number, LOST);
    }

    pub(crate) fn unanswered(&mut self, number: u16) {
        let n = self.lost.entry(number).or_default();
        *n = n.saturating_add(1);
    }

    pub(crate) fn answered(&mut self, number: u16) {
        self.lost.remove(&number);
    }

    fn is_asked(&self, number: u16) -> bool {
        self.lost.get(&number).is_none_or(|n| *n < LOST)
    }

    /// The first round is not over yet.
    pub(crate) fn is_first_round(&self) -> bool {
        self.rounds == 0
    }
}

impl Device {
    /// The read whose turn it is; `None` when there is nothing to ask.
    pub(crate) fn rest_command(&self, opened: OptIn) -> Option<ReadCommand> {
        let all = self.rest_commands(opened);
        let asked = |c: &&ReadCommand| self.rest.is_asked(c.full_number());
        let (before, after) = all.split_at(self.rest.next.min(all.len()));
        after.iter().chain(before).find(asked).copied()
    }

    /// A read of the round is over, one way or the other.
    pub(crate) fn rest_done(&mut self, done: ReadCommand, opened: OptIn) {
        let all = self.rest_commands(opened);
        self.rest.next = match all.iter().position(|c| *c == done) {
            Some(at) => at + 1,
            // What the device told meanwhile changed the round.
            None => self.rest.next + 1,
        };
        let more = all.iter().skip(self.rest.next);
        if !more
            .into_iter()
            .any(|c| self.rest.is_asked(c.full_number()))
        {
            self.rest.next = 0;
            self.rest.rounds = self.rest.rounds.saturating_add(1);
        }
    }

    fn rest_commands(&self, opened: OptIn) -> Vec<ReadCommand> {
        use ReadCommand as R;
        let revision = self.universal_revision;
        let mut all = vec![R::Assignments];
        let dynamic = self.dynamic_codes();
        all.extend(dynamic.iter().map(|c| R::VariableInformation(*c)));
        all.extend(self.further_variables(&dynamic));
        if revision >= 7 {
            all.push(R::DeviceStatistics);
        }
        all.extend([
            R::Transducer,
            R::TagDescriptorDate,
            R::Message,
            R::FinalAssembly,
        ]);
        if revision >= 6 {
            all.push(R::Classifications);
        }
        if revision >= 7 {
            all.extend([
                R::CondensedStatus {
                    first: 0,
                    count: CONDENSED_ENTRIES,
                },
                R::ProcessUnitTag,
                R::CountryCode,
            ]);
        }
        let pv = dynamic.first().copied().unwrap_or(0);
        all.extend(
            opened
                .numbers()
                .filter_map(|n| opened_read(n, pv, revision)),
        );
        all
    }

    /// Codes of PV to QV: from command 50, else as every device of revision 6 names its PV, else the first variable.
    fn dynamic_codes(&self) -> Vec<u8> {
        let assigned: Vec<u8> = self
            .assignments
            .iter()
            .flat_map(|a| a.0.into_iter().flatten())
            .filter(|c| *c < NOT_USED)
            .collect();
        match (assigned.is_empty(), self.universal_revision) {
            (false, _) => assigned,
            (true, 6..) => vec![246],
            (true, _) => vec![0],
        }
    }

    /// Variables of the device's own that are none of PV to QV, in lists for command 33.
    fn further_variables(&self, dynamic: &[u8]) -> Vec<ReadCommand> {
        let Some(last) = self.last_variable.filter(|l| *l < COMMON_CODES) else {
            return Vec::new();
        };
        let further: Vec<u8> = (0..=last).filter(|c| !dynamic.contains(c)).collect();
        further
            .chunks(4)
            .take(MOST_LISTS)
            .filter_map(|c| Some(ReadCommand::DeviceVariables(Codes::new(c)?)))
            .collect()
    }
}

/// A read of a field device that the site has opened; searches and what gateways are asked are made elsewhere. Channel,
/// trend, message and event 0 are read: the first of each.
fn opened_read(number: u16, pv: u8, revision: u8) -> Option<ReadCommand> {
    use ReadCommand as R;
    let (command, since) = match number {
        57 => (R::UnitTagDescriptorDate, 5),
        60 => (R::AnalogChannel(0), 5),
        61 => (R::VariablesAndChannel, 5),
        62 => (R::AnalogChannels([0, 1, 2, 3]), 5),
        63 => (R::ChannelInformation(0), 5),
        70 => (R::ChannelEndPoints(0), 5),
        76 => (R::LockState, 6),
        80 => (R::TrimPoints(pv), 5),
        81 => (R::TrimGuidelines(pv), 5),
        90 => (R::Clock, 7),
        91 => (R::TrendConfiguration(0), 7),
        93 => (R::Trend(0), 7),
        // The old form has no request data.
        105 if revision < 7 => (R::BurstConfiguration(None), 5),
        105 => (R::BurstConfiguration(Some(0)), 7),
        110 => (R::AllDynamicVariables, 5),
        115 => (R::EventSummary(0), 7),
        515 => (R::EventManager, 7),
        516 => (R::Location, 7),
        518 => (R::LocationText, 7),
        534 => (R::VariableCommandCode(pv), 7),
        _ => return None,
    };
    (revision >= since).then_some(command)
}

#[cfg(test)]
mod tests {
    use super::super::Route;
    use super::*;
    use ingest_hart::answer::Assignments;

    fn numbers(d: &Device, opened: OptIn) -> Vec<u16> {
        d.rest_commands(opened)
            .iter()
            .map(ReadCommand::full_number)
            .collect()
    }

    #[test]
    fn the_round_follows_revision_and_what_the_device_has() {
        let mut d = Device::new(Route::Absent, None);
        d.universal_revision = 5;
        assert_eq!(numbers(&d, OptIn::NONE), [50, 54, 14, 13, 12, 16]);
        d.universal_revision = 7;
        d.last_variable = Some(5);
        d.assignments = Some(Assignments([Some(0), Some(1), Some(250), None]));
        let all = d.rest_commands(OptIn::NONE);
        // 54 for PV and SV, 33 for 2 to 5.
        assert!(all.contains(&ReadCommand::VariableInformation(1)));
        let list = Codes::new(&[2, 3, 4, 5]).unwrap();
        assert!(all.contains(&ReadCommand::DeviceVariables(list)));
        assert!(numbers(&d, OptIn::NONE).contains(&95));
        let opened = OptIn::new(&[76, 105, 75, 21]).unwrap();
        let with = numbers(&d, opened);
        // 75 and 21 are not for the device.
        assert_eq!(with[with.len() - 2..], [76, 105]);
    }

    /// The numbers of one round, those answered with 64 leaving it.
    fn round(d: &mut Device, unknown: &[u16]) -> Vec<u16> {
        let rounds = d.rest.rounds;
        let mut seen = Vec::new();
        while d.rest.rounds == rounds {
            let command = d.rest_command(OptIn::NONE).unwrap();
            seen.push(command.full_number());
            if unknown.contains(&command.full_number()) {
                d.rest.lacks(command.full_number());
            }
            d.rest_done(command, OptIn::NONE);
        }
        seen
    }

    #[test]
    fn unknown_commands_leave_the_round() {
        let mut d = Device::new(Route::Absent, None);
        let all = numbers(&d, OptIn::NONE);
        assert!(d.rest.is_first_round());
        assert_eq!(round(&mut d, &[523, 512, 14]), all);
        assert!(!d.rest.is_first_round());
        let left: Vec<u16> = all
            .into_iter()
            .filter(|n| ![523, 512, 14].contains(n))
            .collect();
        assert_eq!(round(&mut d, &[]), left);
        d.rest.unanswered(520);
        assert_eq!(round(&mut d, &[]).len(), left.len());
        d.rest.unanswered(520);
        assert_eq!(round(&mut d, &[]).len(), left.len() - 1);
    }
}
