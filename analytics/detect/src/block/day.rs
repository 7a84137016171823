//! Day blocks: one a loop-day, merged from its hour blocks in order of time, small enough to be kept for ever.

use super::pack::{In, Out, PACK_VERSION};
use super::{
    Counters, Eighth, HourBlock, Moments, Normal, PackError, Rail, ReportedFit, add_increment,
};
use ingest_model::instant::MICROS_PER_DAY;

/// One loop, one UTC day. Percentages are of span, positions run from -50 (4 mA) to +50 (20 mA).
#[derive(Clone, Debug, PartialEq)]
pub struct DayBlock {
    /// Whole days since 1970, UTC.
    pub day: i64,
    /// Hours with rows.
    pub hours: u32,
    pub rows: u32,
    pub replies: u32,
    /// Polls that no reply came to, and polls that failed with a communication error.
    pub no_reply: u32,
    pub failed: u32,
    pub first_row: i64,
    pub last_row: i64,
    /// Digital position, measured and reported current as position.
    pub d: Moments,
    pub m: Moments,
    pub r: Moments,
    /// Normal equations of the deviation over the day's steady samples.
    pub fit: Normal,
    /// Analog minus digital, % of span.
    pub e: Moments,
    /// Reported against registered current.
    pub er: ReportedFit,
    /// Where in the range the loop ran that day, and how well the channels agreed there.
    pub eighths: [Eighth; 8],
    /// m <= 3.6, m <= 3.8, m >= 20.5, m >= 21.0 mA.
    pub rails: [Rail; 4],
    /// Device status bits that were set, or-ed, and replies in which any was.
    pub device_status: u8,
    pub status_rows: u32,
    pub config_steps: u32,
    pub counters: Counters,
}

impl DayBlock {
    fn new(day: i64) -> Self {
        Self {
            day,
            hours: 0,
            rows: 0,
            replies: 0,
            no_reply: 0,
            failed: 0,
            first_row: i64::MAX,
            last_row: i64::MIN,
            d: Moments::default(),
            m: Moments::default(),
            r: Moments::default(),
            fit: Normal::default(),
            e: Moments::default(),
            er: ReportedFit::default(),
            eighths: [Eighth::default(); 8],
            rails: [Rail::default(); 4],
            device_status: 0,
            status_rows: 0,
            config_steps: 0,
            counters: Counters::default(),
        }
    }

    /// Merges the hours of one loop-day, given in order of time; `None` of nothing.
    pub fn of(hours: &[HourBlock]) -> Option<Self> {
        let mut out = Self::new(hours.first()?.hour.div_euclid(24));
        let mut last: Option<((i64, i64), i64)> = None;
        let mut hour = None;
        for b in hours {
            // One that is not over may come in pieces.
            out.hours += u32::from(hour.replace(b.hour) != Some(b.hour));
            out.rows += b.rows;
            out.replies += b.replies;
            out.no_reply += b.no_reply;
            out.failed += b.failed;
            out.first_row = out.first_row.min(b.first_row);
            out.last_row = out.last_row.max(b.last_row);
            out.d.merge(&b.d);
            out.m.merge(&b.m);
            out.r.merge(&b.r);
            out.fit.merge(&b.fit);
            out.e.merge(&b.e);
            out.er.merge(&b.er);
            for (sum, e) in out.eighths.iter_mut().zip(&b.eighths) {
                sum.merge(e);
            }
            for (level, sum) in out.rails.iter_mut().enumerate() {
                sum.merge(&b.rail(level));
            }
            out.device_status |= b.device_status();
            out.status_rows += b.status_rows;
            out.config_steps += b.config_steps;
            if b.counter_first.0 >= 0 {
                out.counters.exchanges += b.counters.exchanges;
                out.counters.errors += b.counters.errors;
                out.counters.resets += b.counters.resets;
                if let Some((before, at)) = last {
                    let seconds = ((b.first_row - at) as f64 / 1e6).max(60.0);
                    add_increment(&mut out.counters, before, b.counter_first, seconds);
                }
                last = Some((b.counter_last, b.counter_last_at));
            }
        }
        Some(out)
    }

    /// Bytes of the block.
    pub fn pack(&self) -> Vec<u8> {
        let start = self.day.wrapping_mul(MICROS_PER_DAY);
        let mut out = Out::default();
        out.0.push(PACK_VERSION);
        out.signed(self.day);
        for n in [
            self.hours,
            self.rows,
            self.replies,
            self.no_reply,
            self.failed,
            self.status_rows,
            self.config_steps,
            self.counters.resets,
        ] {
            out.count(n.into());
        }
        out.instant(self.first_row, start);
        out.instant(self.last_row, start);
        for m in [&self.d, &self.m, &self.r, &self.e] {
            out.moments(m);
        }
        out.normal(&self.fit);
        out.reported(&self.er, start);
        out.eighths(&self.eighths);
        for r in &self.rails {
            out.rail(r, start);
        }
        out.0.push(self.device_status);
        out.count(self.counters.exchanges as u64);
        out.count(self.counters.errors as u64);
        out.0
    }

    /// # Errors
    /// When the bytes are not what [`DayBlock::pack`] of this version wrote.
    pub fn unpack(bytes: &[u8]) -> Result<Self, PackError> {
        let mut b = In(bytes);
        let version = b.byte()?;
        if version != PACK_VERSION {
            return Err(PackError::Version(version));
        }
        let mut out = Self::new(b.signed()?);
        let start = out.day.wrapping_mul(MICROS_PER_DAY);
        for n in [
            &mut out.hours,
            &mut out.rows,
            &mut out.replies,
            &mut out.no_reply,
            &mut out.failed,
            &mut out.status_rows,
            &mut out.config_steps,
            &mut out.counters.resets,
        ] {
            *n = b.small()?;
        }
        (out.first_row, out.last_row) = (b.instant(start)?, b.instant(start)?);
        for m in [&mut out.d, &mut out.m, &mut out.r, &mut out.e] {
            *m = b.moments()?;
        }
        out.fit = b.normal()?;
        out.er = b.reported(start)?;
        out.eighths = b.eighths()?;
        for r in &mut out.rails {
            *r = b.rail(start)?;
        }
        out.device_status = b.byte()?;
        out.counters.exchanges = b.count()? as f64;
        out.counters.errors = b.count()? as f64;
        Ok(out)
    }
}
