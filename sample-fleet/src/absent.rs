//! Columns that a site folder may do without, so that the detectors are tried on poorer data too.

use std::str::FromStr;

/// What a history's files leave out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Absent {
    /// No analog input is mapped at all.
    AnalogMa,
    ReportedMa,
    AnalogTime,
    Sv,
    /// Device status, extended status and the PV's own.
    Status,
    /// Exchanges and failed ones.
    Counters,
    ConfigChanges,
    ResponseCode,
}

impl Absent {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::AnalogMa,
        Self::ReportedMa,
        Self::AnalogTime,
        Self::Sv,
        Self::Status,
        Self::Counters,
        Self::ConfigChanges,
        Self::ResponseCode,
    ];

    /// Its name on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::AnalogMa => "analog_ma",
            Self::ReportedMa => "reported_ma",
            Self::AnalogTime => "analog_time",
            Self::Sv => "sv",
            Self::Status => "status",
            Self::Counters => "counters",
            Self::ConfigChanges => "config_changes",
            Self::ResponseCode => "response_code",
        }
    }

    /// The contract's columns that it takes away.
    pub(crate) fn columns(self) -> &'static [&'static str] {
        match self {
            Self::AnalogMa => &["analog_ma", "analog_time"],
            Self::ReportedMa => &["reported_ma"],
            Self::AnalogTime => &["analog_time"],
            Self::Sv => &["sv"],
            Self::Status => &["device_status", "extended_status", "pv_status"],
            Self::Counters => &["exchanges", "comm_errors"],
            Self::ConfigChanges => &["config_changes"],
            Self::ResponseCode => &["response_code"],
        }
    }
}

impl FromStr for Absent {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let names = || Self::ALL.map(Self::name).join(", ");
        Self::ALL
            .into_iter()
            .find(|a| a.name() == text)
            .ok_or_else(|| format!("no column `{text}` to do without: one of {}", names()))
    }
}
