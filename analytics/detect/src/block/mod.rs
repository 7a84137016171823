//! Hour blocks: everything the detectors need to know of one loop in one hour, in fixed size.
//!
//! A block is a pure function of the rows of its UTC day (neighbours across hours of the same day are
//! used, rows of other days are not), so a day's blocks can be cached and rebuilt to the byte.
//! Percentages are of span. Positions `x` run from -50 (4 mA) to +50 (20 mA).

mod build;
#[cfg(test)]
mod build_tests;
mod day;
mod deviation;
mod movement;
mod pack;
mod parts;
#[cfg(test)]
mod plain;
mod select;

pub use build::day_blocks;
pub use day::DayBlock;
pub use pack::{PACK_VERSION, PackError, pack, unpack};
pub use parts::{
    BitTrack, Counters, EXCURSION_PCT, Eighth, Moments, Movement, N_BITS, Normal, P, Rail,
    ReportedFit, add_increment, counter_increment,
};

/// One loop, one hour.
#[derive(Clone, Debug, PartialEq)]
pub struct HourBlock {
    /// Whole hours since 1970, UTC.
    pub hour: i64,
    pub rows: u32,
    pub replies: u32,
    /// Polls that no reply came to, and polls that failed with a communication error.
    pub no_reply: u32,
    pub failed: u32,
    pub first_row: i64,
    pub last_row: i64,
    pub first_reply: i64,
    pub last_reply: i64,
    /// Median seconds between rows on this day.
    pub period_s: f64,
    /// Digital position, unclipped, -50..50.
    pub d: Moments,
    /// Measured and reported current as position, -50..50.
    pub m: Moments,
    pub r: Moments,
    /// Highest registered current position while the current was measured.
    pub f_max: f64,
    pub sv: Moments,
    pub move_d: Movement,
    pub move_m: Movement,
    pub move_r: Movement,
    pub fit: Normal,
    pub e: Moments,
    pub e_p10: f64,
    pub e_p90: f64,
    pub er: ReportedFit,
    /// Deviation by eighth of range.
    pub eighths: [Eighth; 8],
    /// Samples whose current lies above / below the interval spanned by the digital neighbours by more than
    /// [`EXCURSION_PCT`], and how many samples were looked at.
    pub above: [u32; 5],
    pub below: [u32; 5],
    pub excursion_n: u32,
    /// Deviation of the excursion samples (beyond 0.5 %), signed sum.
    pub excursion_sum: f64,
    pub first_excursion: i64,
    pub last_excursion: i64,
    /// m <= 3.6, m <= 3.8, m >= 20.5, m >= 21.0 mA.
    pub(super) rails: Option<Box<[Rail; 4]>>,
    /// Bits that were set at all, by number: most hours have none.
    bits: Vec<(u8, BitTrack)>,
    pub status_rows: u32,
    pub extended_rows: u32,
    pub config_first: i32,
    pub config_last: i32,
    pub config_steps: u32,
    pub config_first_step: i64,
    pub config_last_step: i64,
    pub counters: Counters,
    /// First and last known counter values (-1 unknown), for the border to the next block.
    pub counter_first: (i64, i64),
    pub counter_last: (i64, i64),
    /// When the last known counter values were read, microseconds.
    pub counter_last_at: i64,
}

impl HourBlock {
    pub(super) fn new(hour: i64, period_s: f64) -> Self {
        Self {
            hour,
            rows: 0,
            replies: 0,
            no_reply: 0,
            failed: 0,
            first_row: i64::MAX,
            last_row: i64::MIN,
            first_reply: i64::MAX,
            last_reply: i64::MIN,
            period_s,
            d: Moments::default(),
            m: Moments::default(),
            r: Moments::default(),
            f_max: f64::NEG_INFINITY,
            sv: Moments::default(),
            move_d: Movement::default(),
            move_m: Movement::default(),
            move_r: Movement::default(),
            fit: Normal::default(),
            e: Moments::default(),
            e_p10: f64::NAN,
            e_p90: f64::NAN,
            er: ReportedFit::default(),
            eighths: [Eighth::default(); 8],
            above: [0; 5],
            below: [0; 5],
            excursion_n: 0,
            excursion_sum: 0.0,
            first_excursion: i64::MAX,
            last_excursion: i64::MIN,
            rails: None,
            bits: Vec::new(),
            status_rows: 0,
            extended_rows: 0,
            config_first: -1,
            config_last: -1,
            config_steps: 0,
            config_first_step: i64::MAX,
            config_last_step: i64::MIN,
            counters: Counters::default(),
            counter_first: (-1, -1),
            counter_last: (-1, -1),
            counter_last_at: i64::MIN,
        }
    }

    /// Share of polls without a good reply.
    pub fn failed_share(&self) -> f64 {
        if self.rows == 0 {
            f64::NAN
        } else {
            f64::from(self.rows - self.replies) / f64::from(self.rows)
        }
    }

    /// One level of NE 43: 0 = m <= 3.6, 1 = m <= 3.8, 2 = m >= 20.5, 3 = m >= 21.0 mA.
    pub fn rail(&self, level: usize) -> Rail {
        self.rails
            .as_ref()
            .and_then(|r| r.get(level).copied())
            .unwrap_or_default()
    }

    /// One status bit; bits 0..8 are the device status, 8..14 the extended device status.
    pub fn bit(&self, bit: usize) -> BitTrack {
        self.bits
            .iter()
            .find(|(b, _)| usize::from(*b) == bit)
            .map_or_else(BitTrack::default, |(_, t)| *t)
    }

    pub(super) fn bit_mut(&mut self, bit: usize) -> &mut BitTrack {
        let at = self
            .bits
            .iter()
            .position(|(b, _)| usize::from(*b) == bit)
            .unwrap_or_else(|| {
                self.bits.push((bit as u8, BitTrack::default()));
                self.bits.len() - 1
            });
        &mut self.bits[at].1
    }

    /// Whether a current reached a level of NE 43, a status bit was set, or the configuration changed within the hour.
    pub(crate) fn states_something(&self) -> bool {
        self.rails.is_some() || !self.bits.is_empty() || self.config_steps > 0
    }

    /// All device status bits that were set in this hour, or-ed.
    pub fn device_status(&self) -> u8 {
        self.bits
            .iter()
            .filter(|(b, _)| *b < 8)
            .fold(0, |a, (b, _)| a | 1 << b)
    }

    /// Rows with bit `bit` set over rows in which that status byte was read.
    pub fn bit_share(&self, bit: usize) -> f64 {
        let rows = if bit < 8 {
            self.status_rows
        } else {
            self.extended_rows
        };
        if rows == 0 {
            0.0
        } else {
            f64::from(self.bit(bit).set) / f64::from(rows)
        }
    }
}
