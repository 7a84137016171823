//! Through what a kind of finding spreads from loop to loop, and which of two groups with the same loops is looked at first.

use crate::finding::Kind;
use ingest_model::Scope;

/// Scopes through which a finding of this kind spreads (common practice: what carries current, supply and
/// digital signal, or is built alike).
pub(super) fn plausible(kind: Kind, cause: &str, scope: Scope) -> bool {
    use Scope::{Area, DeviceRevision, DeviceType, Gateway, InputCard, JunctionBox, Modem, Supply};
    match (kind, cause) {
        (Kind::AnalogDigitalDrift, "supply-limited") => matches!(scope, Supply | JunctionBox),
        (Kind::AnalogDigitalDrift, "intermittent") => {
            matches!(scope, JunctionBox | InputCard | Supply)
        }
        (Kind::AnalogDigitalDrift, _) => {
            matches!(
                scope,
                InputCard | JunctionBox | DeviceType | DeviceRevision | Supply
            )
        }
        (Kind::RisingErrors | Kind::NoReply, _) => {
            matches!(
                scope,
                Gateway | Modem | JunctionBox | Supply | DeviceRevision
            )
        }
        (Kind::Restarts | Kind::CurrentOutOfRange, _) => {
            matches!(scope, Supply | JunctionBox | InputCard)
        }
        (Kind::DeviceStatus | Kind::StatusChatter, _) => {
            matches!(scope, DeviceType | DeviceRevision | Supply | Area)
        }
        _ => true,
    }
}

/// Of two groups with the same members the one nearer to the loops is named: it is looked at first. What drifts steadily
/// or stands still is the card, what comes and goes the box (common practice).
pub(super) fn locality(kind: Kind, cause: &str, s: Scope) -> u8 {
    let steady = match kind {
        Kind::AnalogDigitalDrift => cause.is_empty(),
        Kind::StuckValue => true,
        _ => false,
    };
    match s {
        Scope::JunctionBox => 1,
        Scope::InputCard => 2 * u8::from(!steady),
        Scope::Modem => 3,
        Scope::Supply => 4,
        Scope::DeviceRevision => 5,
        Scope::DeviceType => 6,
        Scope::Gateway => 7,
        Scope::Area => 8,
    }
}
