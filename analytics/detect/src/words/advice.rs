//! What a person is told beside the sentence: checks in order of what tells most, cautions first.

use crate::finding::{Kind, Signal};
use crate::history::Draft;
use ingest_model::{Criticality, LoopEntry};

/// What to look at, what tells most first.
pub fn checks(d: &Draft, l: &LoopEntry) -> Vec<String> {
    let card = l.input_card.as_deref().unwrap_or("the input card");
    let jb = l.junction_box.as_deref().unwrap_or("the junction box");
    let supply = l.supply.as_deref().unwrap_or("the loop supply");
    let owned = |v: Vec<String>| v;
    match (d.kind, d.cause) {
        (Kind::AnalogDigitalDrift, Some("supply-limited")) => owned(vec![
            format!("Measure the terminal voltage at the device while the current is high, and compare with its lift-off voltage."),
            format!("Compare the supply voltage of {supply} at the cabinet with the other loops on it."),
            format!("Look for resistance in the loop: terminals in {jb}, an isolator or barrier added, a corroded screen or splice."),
        ]),
        (Kind::AnalogDigitalDrift, Some("scaling")) => owned(vec![
            "Compare the range in the device (command 15) with the register and with the control system's scale.".into(),
            "Ask who re-ranged it and when; correct the register or the device under change control.".into(),
        ]),
        (Kind::AnalogDigitalDrift, Some("intermittent")) => owned(vec![
            format!("Compare the times of the episodes with rain, wash-down, vibration and work in the area."),
            format!("Inspect the terminals and seals in {jb} for water and loose screws."),
            "Look at the other loops in the same box for the same times.".into(),
        ]),
        (Kind::AnalogDigitalDrift, _) => owned(vec![
            format!("Measure the current in series at the marshalling terminals and hold it against the reported current. Like reported: {card}. Like the input: the field side."),
            format!("Compare the other channels of {card}: if they drift too, the card or its reference."),
            format!("Test the insulation between the pair in {jb} with the device disconnected (moisture, leakage)."),
        ]),
        (Kind::StuckValue, _) if d.signal == Some(Signal::Analog) => owned(vec![
            "Measure the current in series at the input terminals and compare with the reported current.".into(),
            format!("Check whether {card} or the host channel is held, forced or in manual substitution."),
        ]),
        (Kind::StuckValue, _) if d.signal == Some(Signal::Digital) => owned(vec![
            "Read the device's own display or a local reading and compare with both values.".into(),
            "Check the gateway for a cached value: same value, fresh time stamp.".into(),
        ]),
        (Kind::StuckValue, _) => owned(vec![
            "Compare with a local gauge or a related measurement.".into(),
            "Check for a blocked impulse line, a closed isolation valve, a frozen or fouled sensor.".into(),
        ]),
        (Kind::RisingErrors, _) => owned(vec![
            "Look at the other loops on the same modem and in the same junction box first: do they rise too?".into(),
            format!("Check screen, earthing and terminals in {jb}, and what was installed nearby about that time."),
            "Check loop resistance (HART needs at least 230 ohm) and supply ripple.".into(),
        ]),
        (Kind::NoReply, _) => owned(vec![
            "Is the current still there and moving? Then the loop has power and the digital path is the suspect.".into(),
            "Check the modem channel and its wiring; see whether a handheld gets an answer at the marshalling terminals.".into(),
            "Ask whether the device was exchanged or its address changed.".into(),
        ]),
        (Kind::FixedCurrent, _) => owned(vec![
            "Ask who tested the loop about that time: the device may still be in fixed-current mode.".into(),
            "Check multi-drop addressing: a polling address other than 0 parks the current on older devices.".into(),
        ]),
        (Kind::CurrentOutOfRange, Some("failure-low")) => owned(vec![
            "Measure the current at the input terminals, then at the device, to see on which side it is lost.".into(),
            format!("Check fuse and supply ({supply}), then the terminals in {jb}."),
            "If the device answers, read its status: it may be signalling its own failure.".into(),
        ]),
        (Kind::CurrentOutOfRange, Some("failure-high")) => owned(vec![
            "Read the device status: this level is its failure signal when so configured.".into(),
            "Look for a short between the pair or to the screen.".into(),
        ]),
        (Kind::CurrentOutOfRange, _) => owned(vec![
            "Compare with a local or related measurement: is the process really there?".into(),
            "Check whether the range still fits the process.".into(),
        ]),
        (Kind::DeviceStatus, _) => owned(vec![
            "Read the additional status (command 48) and follow the device's manual.".into(),
            "Compare with a local or related measurement before relying on the value.".into(),
        ]),
        (Kind::StatusChatter, _) => owned(vec![
            "See what the process does when the bit comes: a limit near the usual operating point chatters.".into(),
            "Look for a marginal supply or contact if the bit tells of hardware.".into(),
        ]),
        (Kind::Restarts, _) => owned(vec![
            "Compare the times: a pattern by the clock points to the supply, one with the weather to the wiring.".into(),
            format!("Measure the terminal voltage at the device; check {supply} and the terminals in {jb}."),
        ]),
        (Kind::ConfigurationChange, _) => owned(vec![
            "Ask who changed it; compare range, damping and transfer function with the register.".into(),
            "If the change was intended, bring the register up to date.".into(),
        ]),
        (Kind::NoiseChange, _) => owned(vec![
            "Collapse: a plugged impulse line, a closed valve, more damping. Rise: a loose contact, cavitation, gas in the line.".into(),
            "Compare damping with the register.".into(),
        ]),
        (Kind::PeerDisagreement, _) => owned(vec![
            "Compare all members of the group with a local reading at the same time.".into(),
            "Look at this member's impulse line, installation and last calibration.".into(),
        ]),
    }
}

/// Cautions, those of safety loops first.
pub fn cautions(d: &Draft, l: &LoopEntry) -> Vec<String> {
    let mut out = Vec::new();
    match l.criticality {
        Criticality::Safety => out.push(
            "This is a safety loop. Touch it only under the site's bypass procedure for safety functions, with operations informed and the time limited.".to_owned(),
        ),
        Criticality::Control => out.push("Put the loop in manual with operations informed before opening it.".to_owned()),
        Criticality::Indication => out.push("Tell operations before the reading is disturbed.".to_owned()),
    }
    let opens = !matches!(
        (d.kind, d.cause),
        (Kind::AnalogDigitalDrift, Some("scaling")) | (Kind::ConfigurationChange, _)
    );
    if opens {
        out.push("Work on terminals needs a permit and the area's rules for hazardous atmospheres; measuring at the supply is live work.".to_owned());
    }
    if matches!(
        d.kind,
        Kind::StuckValue | Kind::NoiseChange | Kind::PeerDisagreement | Kind::DeviceStatus
    ) {
        out.push("Impulse lines and process connections hold stored pressure: isolate and vent by the site's procedure.".to_owned());
    }
    if d.kind == Kind::FixedCurrent {
        out.push("Releasing a held output moves the control input at once. This program cannot release it.".to_owned());
    }
    out.push(
        "Evidence only: the site's procedures, local codes and licensed practice decide."
            .to_owned(),
    );
    out
}
