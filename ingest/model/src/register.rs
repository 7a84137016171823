//! The register of loops: what each loop is, where it is wired, how it is ranged.

use crate::{BaselineNote, Range, UtcMicros};
use std::fmt;
use std::sync::Arc;

/// A loop's tag: 1 to 32 characters, no control characters, no space at either end.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Tag(Arc<str>);

impl Tag {
    pub fn new(text: &str) -> Result<Self, RegisterError> {
        let text = text.trim();
        let n = text.chars().count();
        if n == 0 || n > 32 || text.chars().any(char::is_control) {
            return Err(RegisterError::Tag {
                text: text.chars().take(40).collect(),
            });
        }
        Ok(Self(text.into()))
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Tag {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl fmt::Debug for Tag {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", &*self.0)
    }
}

/// What a row of the register can be refused for; the reader adds file and line.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RegisterError {
    #[error("tag `{text}` must have 1 to 32 printable characters")]
    Tag { text: String },
    #[error("column `{column}`: `{value}` is not {wanted}")]
    Value {
        column: &'static str,
        value: String,
        wanted: &'static str,
    },
    #[error("lrv and urv are both {value}: a range needs two different ends")]
    EmptyRange { value: f64 },
}

/// What the loop is for.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Hash, PartialOrd, Ord)]
pub enum Criticality {
    #[default]
    Indication,
    Control,
    Safety,
}

impl Criticality {
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Safety => "safety",
            Self::Control => "control",
            Self::Indication => "indication",
        }
    }

    pub fn parse(text: &str) -> Option<Self> {
        match text {
            "safety" => Some(Self::Safety),
            "control" => Some(Self::Control),
            "indication" => Some(Self::Indication),
            _ => None,
        }
    }
}

/// Expanded device type and 24-bit device identifier: what a device is known by.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub struct DeviceKey {
    pub device_type: u16,
    pub device_id: u32,
}

/// What loops can share, and so what a common cause can be (contract section 3).
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord)]
pub enum Scope {
    Gateway,
    Modem,
    InputCard,
    JunctionBox,
    Supply,
    Area,
    DeviceType,
    DeviceRevision,
}

impl Scope {
    pub const ALL: [Scope; 8] = [
        Scope::Gateway,
        Scope::Modem,
        Scope::InputCard,
        Scope::JunctionBox,
        Scope::Supply,
        Scope::Area,
        Scope::DeviceType,
        Scope::DeviceRevision,
    ];

    pub fn as_str(self) -> &'static str {
        match self {
            Self::Gateway => "gateway",
            Self::Modem => "modem",
            Self::InputCard => "input_card",
            Self::JunctionBox => "junction_box",
            Self::Supply => "supply",
            Self::Area => "area",
            Self::DeviceType => "device_type",
            Self::DeviceRevision => "device_revision",
        }
    }
}

/// One loop as the register has it at one time. Optional texts are `None` when the cell is empty.
#[derive(Clone, Debug, PartialEq)]
pub struct LoopEntry {
    pub tag: Tag,
    pub pv_unit: String,
    /// Range set in the device and transfer function: `f(pv)`.
    pub range: Range,
    /// Scale that the control system gives the same current (= lrv / urv when not given).
    pub host_lrv: Option<f64>,
    pub host_urv: Option<f64>,
    pub damping_s: Option<f64>,
    /// Allowed deviation between analog and digital, % of span.
    pub tolerance_pct: f64,
    pub criticality: Criticality,
    pub area: Option<String>,
    pub gateway: Option<String>,
    pub modem: Option<String>,
    pub channel: Option<String>,
    pub input_card: Option<String>,
    pub junction_box: Option<String>,
    pub supply: Option<String>,
    pub input_accuracy_pct: Option<f64>,
    pub device_type: Option<u16>,
    pub device_revision: Option<u8>,
    pub device_id: Option<u32>,
    /// Current is parked: the analog channel carries no measurement.
    pub multidrop: bool,
    pub redundancy_group: Option<String>,
    pub service: Option<String>,
    /// False for a loop that a gateway showed and no person confirmed.
    pub confirmed: bool,
    /// Columns the contract does not name, kept as notes: (column, text).
    pub notes: Vec<(String, String)>,
    /// From when this entry holds; `None` = from the beginning.
    pub valid_from: Option<UtcMicros>,
    /// What a person said where this entry begins a baseline.
    pub baseline: Option<BaselineNote>,
}

impl LoopEntry {
    /// An entry with the required cells; the rest empty or at its default.
    pub fn new(tag: Tag, pv_unit: &str, range: Range) -> Self {
        Self {
            tag,
            pv_unit: pv_unit.to_owned(),
            range,
            host_lrv: None,
            host_urv: None,
            damping_s: None,
            tolerance_pct: 0.5,
            criticality: Criticality::default(),
            area: None,
            gateway: None,
            modem: None,
            channel: None,
            input_card: None,
            junction_box: None,
            supply: None,
            input_accuracy_pct: None,
            device_type: None,
            device_revision: None,
            device_id: None,
            multidrop: false,
            redundancy_group: None,
            service: None,
            confirmed: true,
            notes: Vec::new(),
            valid_from: None,
            baseline: None,
        }
    }

    /// The name of what this loop shares in `scope`; a device revision is named type/revision (`0xFA42/5`).
    pub fn member_of(&self, scope: Scope) -> Option<String> {
        match scope {
            Scope::Gateway => self.gateway.clone(),
            Scope::Modem => self.modem.clone(),
            Scope::InputCard => self.input_card.clone(),
            Scope::JunctionBox => self.junction_box.clone(),
            Scope::Supply => self.supply.clone(),
            Scope::Area => self.area.clone(),
            Scope::DeviceType => self.device_type.map(|t| format!("0x{t:04X}")),
            Scope::DeviceRevision => Some(format!(
                "0x{:04X}/{}",
                self.device_type?, self.device_revision?
            )),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tags() {
        assert!(Tag::new("FT-1203").is_ok());
        assert!(Tag::new("").is_err());
        assert!(Tag::new(&"x".repeat(33)).is_err());
        assert_eq!(
            Tag::new(" Pumpe Süd/3 #2 ").unwrap().as_str(),
            "Pumpe Süd/3 #2"
        );
        assert!(Tag::new("a\u{7}b").is_err());
    }
}
