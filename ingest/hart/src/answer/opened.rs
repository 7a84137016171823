//! Answers to reads that a site has opened (HCF_SPEC-151): analog channels, trims, clock, trends, bursts, events.

use super::{AnswerError, Fields, Measured, need};
use crate::data::{Date, Float, Time32};

/// Command 60.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct AnalogChannel {
    pub channel: u8,
    pub level: Measured,
    pub percent: Option<Float>,
}

impl AnalogChannel {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(60, data, 6, || {
            Some(Self {
                channel: f.u8()?,
                level: Measured::read(&mut f)?,
                percent: f.float(),
            })
        })
    }
}

/// Command 61: the PV's analog channel and up to four dynamic variables.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct VariablesAndChannel {
    pub level: Measured,
    pub variables: [Option<Measured>; 4],
}

impl VariablesAndChannel {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(61, data, 5, || {
            Some(Self {
                level: Measured::read(&mut f)?,
                variables: [(); 4].map(|()| Measured::read(&mut f)),
            })
        })
    }
}

/// Command 63.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ChannelInformation {
    pub channel: u8,
    pub alarm: u8,
    pub transfer: u8,
    pub unit: u8,
    pub urv: Float,
    pub lrv: Float,
    pub damping_s: Option<Float>,
    pub flags: Option<u8>,
}

impl ChannelInformation {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(63, data, 12, || {
            let [channel, alarm, transfer, unit] = f.take()?;
            Some(Self {
                channel,
                alarm,
                transfer,
                unit,
                urv: f.float()?,
                lrv: f.float()?,
                damping_s: f.float(),
                flags: f.u8(),
            })
        })
    }
}

/// Command 70: where an analog channel ends, in its unit.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ChannelEndPoints {
    pub channel: u8,
    pub unit: u8,
    pub upper_end: Float,
    pub lower_end: Float,
    pub upper_limit: Option<Float>,
    pub lower_limit: Option<Float>,
}

impl ChannelEndPoints {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(70, data, 10, || {
            Some(Self {
                channel: f.u8()?,
                unit: f.u8()?,
                upper_end: f.float()?,
                lower_end: f.float()?,
                upper_limit: f.float(),
                lower_limit: f.float(),
            })
        })
    }
}

/// Command 80.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct TrimPoints {
    pub code: u8,
    pub unit: u8,
    pub lower: Float,
    pub upper: Float,
}

impl TrimPoints {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(80, data, 10, || {
            Some(Self {
                code: f.u8()?,
                unit: f.u8()?,
                lower: f.float()?,
                upper: f.float()?,
            })
        })
    }
}

/// Command 81. One of two sources leaves the first byte out; here it is taken as the variable's code.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct TrimGuidelines {
    pub code: u8,
    /// Trim points supported, 0..3.
    pub points: u8,
    pub unit: u8,
    /// Least lower, most lower, least upper, most upper, least difference.
    pub limits: [Option<Float>; 5],
}

impl TrimGuidelines {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(81, data, 3, || {
            Some(Self {
                code: f.u8()?,
                points: f.u8()?,
                unit: f.u8()?,
                limits: [(); 5].map(|()| f.float()),
            })
        })
    }
}

/// Command 90.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Clock {
    pub date: Option<Date>,
    pub time: Time32,
    pub set_date: Option<Date>,
    pub set_time: Option<Time32>,
    /// Bit 0 non-volatile, bit 1 never set.
    pub flags: Option<u8>,
}

fn date(f: &mut Fields<'_>) -> Option<Option<Date>> {
    f.take().map(|[d, m, y]| Date::from_bytes(d, m, y))
}

impl Clock {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(90, data, 7, || {
            Some(Self {
                date: date(&mut f)?,
                time: f.u32().map(Time32)?,
                set_date: date(&mut f).flatten(),
                set_time: f.u32().map(Time32),
                flags: f.u8(),
            })
        })
    }
}

/// Command 91.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct TrendConfiguration {
    pub trend: u8,
    /// Trends that the device has.
    pub trends: u8,
    /// 0 off, 1 sampled, 2 filtered, 3 average.
    pub control: u8,
    pub variable: Option<u8>,
    pub interval: Option<Time32>,
}

impl TrendConfiguration {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(91, data, 3, || {
            let [trend, trends, control] = f.take()?;
            Some(Self {
                trend,
                trends,
                control,
                variable: f.u8(),
                interval: f.u32().map(Time32),
            })
        })
    }
}

/// Command 93: up to twelve values at equal intervals.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Trend<'a> {
    pub trend: u8,
    pub variable: u8,
    pub classification: u8,
    pub unit: u8,
    pub date: Option<Date>,
    /// Of the first value.
    pub time: Time32,
    pub interval: Time32,
    values: &'a [u8],
}

impl<'a> Trend<'a> {
    pub fn decode(data: &'a [u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(93, data, 15, || {
            let [trend, variable, classification, unit] = f.take()?;
            Some(Self {
                trend,
                variable,
                classification,
                unit,
                date: date(&mut f)?,
                time: f.u32().map(Time32)?,
                interval: f.u32().map(Time32)?,
                values: f.0,
            })
        })
    }

    /// Values with their device variable status.
    pub fn values(&self) -> impl Iterator<Item = (Float, u8)> + use<'a> {
        self.values.chunks_exact(5).take(12).filter_map(|c| {
            let mut f = Fields(c);
            Some((f.float()?, f.u8()?))
        })
    }
}

/// Command 101: the sub-device (0 = the I/O system itself) whose message this is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct BurstMap {
    pub message: u8,
    pub sub_device: u16,
}

impl BurstMap {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(101, data, 3, || {
            Some(Self {
                message: f.u8()?,
                sub_device: f.u16()?,
            })
        })
    }
}

/// Command 105: 29 bytes in revision 7, older ones shorter.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct BurstConfiguration {
    /// 0 off, 1 token passing, 2 TDMA, 3 both, 4 HART-IP.
    pub control: u8,
    /// The command that is published; 31: see `extended`.
    pub command: u8,
    /// Device variable codes, 250 unused.
    pub variables: [Option<u8>; 8],
    pub message: Option<u8>,
    /// Burst messages that the device has.
    pub messages: Option<u8>,
    pub extended: Option<u16>,
    pub update_period: Option<Time32>,
    pub longest_period: Option<Time32>,
    /// 0 continuous, 1 window, 2 rising, 3 falling, 4 on change.
    pub trigger: Option<u8>,
    pub classification: Option<u8>,
    pub level: Option<Measured>,
}

impl BurstConfiguration {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(105, data, 2, || {
            let [control, command] = f.take()?;
            let variables = [(); 8].map(|()| f.u8());
            Some(Self {
                control,
                command,
                variables,
                message: f.u8(),
                messages: f.u8(),
                extended: f.u16(),
                update_period: f.u32().map(Time32),
                longest_period: f.u32().map(Time32),
                trigger: f.u8(),
                classification: f.u8(),
                level: Measured::read(&mut f),
            })
        })
    }

    pub fn is_on(&self) -> bool {
        self.control != 0
    }

    /// The number of the command that is published.
    pub fn published(&self) -> u16 {
        match (self.command, self.extended) {
            (31, Some(number)) => number,
            (command, _) => u16::from(command),
        }
    }
}

/// Command 110.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct AllDynamicVariables(pub [Option<Measured>; 4]);

impl AllDynamicVariables {
    pub fn decode(data: &[u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(110, data, 5, || {
            let first = Measured::read(&mut f)?;
            Some(Self([
                Some(first),
                Measured::read(&mut f),
                Measured::read(&mut f),
                Measured::read(&mut f),
            ]))
        })
    }
}

/// Command 115.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct EventSummary<'a> {
    pub event: u8,
    pub events: u8,
    /// Status in the high four bits, control in the low ones.
    pub status_and_control: u8,
    /// FFFFFFFF: no event waits to be acknowledged.
    pub first_unacknowledged: Option<Time32>,
    pub retry: Option<Time32>,
    pub longest_update: Option<Time32>,
    pub debounce: Option<Time32>,
    /// Device status, then the bytes of command 48, that raise the event.
    pub mask: &'a [u8],
}

impl<'a> EventSummary<'a> {
    pub fn decode(data: &'a [u8]) -> Result<Self, AnswerError> {
        let mut f = Fields(data);
        need(115, data, 3, || {
            let [event, events, status_and_control] = f.take()?;
            Some(Self {
                event,
                events,
                status_and_control,
                first_unacknowledged: f.u32().map(Time32),
                retry: f.u32().map(Time32),
                longest_update: f.u32().map(Time32),
                debounce: f.u32().map(Time32),
                mask: f.0,
            })
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Layouts: HCF_SPEC-151 as public sources quote it; bytes written by hand.
    #[test]
    fn whole_and_short_forms() {
        let mut burst = vec![3, 9, 246, 245, 247, 248, 250, 250, 250, 250, 0, 2, 0, 0];
        burst.extend(32_000u32.to_be_bytes());
        burst.extend(1_920_000u32.to_be_bytes());
        burst.extend([0, 0, 250, 0, 0, 0, 0]);
        assert_eq!(burst.len(), 29);
        let b = BurstConfiguration::decode(&burst).unwrap();
        assert!(b.is_on() && b.published() == 9);
        assert_eq!(b.update_period.and_then(Time32::ms), Some(1_000.0));
        assert_eq!(b.longest_period.and_then(Time32::ms), Some(60_000.0));
        let old = BurstConfiguration::decode(&[1, 3, 0, 1, 2, 250]).unwrap();
        assert_eq!((old.published(), old.update_period), (3, None));
        assert_eq!(old.variables[3..5], [Some(250), None]);
        assert!(BurstConfiguration::decode(&[1]).is_err());

        let mut clock = vec![17, 3, 124];
        clock.extend(1_094_408_000u32.to_be_bytes());
        let c = Clock::decode(&clock).unwrap();
        assert_eq!(c.time.to_string(), "09:30:00.250");
        assert_eq!((c.set_date, c.flags), (None, None));

        let mut trend = vec![0, 246, 65, 7, 17, 3, 124];
        trend.extend(0u32.to_be_bytes());
        trend.extend(1_920_000u32.to_be_bytes());
        for v in 0..12u8 {
            trend.extend(f32::from(v).to_be_bytes());
            trend.push(0xC0);
        }
        assert_eq!(trend.len(), 75);
        let t = Trend::decode(&trend).unwrap();
        assert_eq!(t.values().count(), 12);
        assert_eq!(t.values().last(), Some((Float::from(11.0), 0xC0)));

        assert_eq!(BurstMap::decode(&[2, 1, 0]).unwrap().sub_device, 256);
        let e = EventSummary::decode(&[0, 1, 0x21, 255, 255, 255, 255]).unwrap();
        assert_eq!(e.first_unacknowledged.and_then(Time32::ms), None);
        assert!(e.retry.is_none() && e.mask.is_empty());
        let channel = [1u8, 39, 0x41, 0x40, 0, 0];
        let c = AnalogChannel::decode(&channel).unwrap();
        assert_eq!((c.level.value, c.percent), (Float::from(12.0), None));
    }
}
