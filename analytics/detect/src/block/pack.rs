//! Hour blocks as bytes: the form in which they are kept between assessments, in memory and in rollup files.
//!
//! Counts are variable-length integers, instants microseconds from the start of the hour, sums 32-bit floats.
//! Moments are stored about their mean, so that the rounding does not grow with the distance from zero.
//! Detectors only ever see unpacked blocks, so a fresh day and a remembered one give equal findings.

use super::{
    BitTrack, Counters, Eighth, HourBlock, Moments, Movement, Normal, P, Rail, ReportedFit,
};
use ingest_model::instant::MICROS_PER_HOUR;

/// Version of the bytes; raised whenever what a block holds or how it is summed changes.
pub const PACK_VERSION: u8 = 1;

/// Bytes that are no packed blocks of this version.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum PackError {
    #[error("packed blocks of version {0}, expected {PACK_VERSION}")]
    Version(u8),
    #[error("packed blocks end too early")]
    Short,
    #[error("packed blocks hold a number out of its range")]
    Range,
}

/// Appends to bytes.
#[derive(Debug, Default)]
pub(super) struct Out(pub(super) Vec<u8>);

impl Out {
    pub(super) fn count(&mut self, mut v: u64) {
        while v >= 0x80 {
            self.0.push(v as u8 | 0x80);
            v >>= 7;
        }
        self.0.push(v as u8);
    }

    pub(super) fn signed(&mut self, v: i64) {
        self.count(((v << 1) ^ (v >> 63)) as u64);
    }

    pub(super) fn real(&mut self, v: f64) {
        self.0.extend_from_slice(&(v as f32).to_le_bytes());
    }

    /// An instant near `start`; `i64::MAX` and `i64::MIN` stand for "none".
    pub(super) fn instant(&mut self, t: i64, start: i64) {
        match t {
            i64::MAX => self.count(0),
            i64::MIN => self.count(1),
            t => {
                let off = t.wrapping_sub(start);
                // Most clocks tick in milliseconds: a bit says so and saves a byte.
                if off % 1000 == 0 {
                    let ms = off / 1000;
                    let ms = ((ms << 1) ^ (ms >> 63)) as u64;
                    self.count((ms << 1).saturating_add(2));
                } else {
                    let us = ((off << 1) ^ (off >> 63)) as u64;
                    self.count((us << 1 | 1).saturating_add(2));
                }
            }
        }
    }

    pub(super) fn moments(&mut self, m: &Moments) {
        self.count(m.n.into());
        if m.n > 0 {
            let mean = m.mean();
            self.real(m.min);
            self.real(m.max);
            self.real(mean);
            self.real((m.sum_sq - m.sum * mean).max(0.0));
        }
    }

    fn movement(&mut self, m: &Movement, start: i64) {
        self.count(m.n.into());
        self.count(m.changes.into());
        if m.n > 0 {
            self.real(m.median);
            self.real(m.sum_sq);
        }
        if m.changes > 0 {
            self.real(m.quantum);
            self.instant(m.first_change, start);
            self.instant(m.last_change, start);
        }
    }

    pub(super) fn normal(&mut self, f: &Normal) {
        self.count(f.n.into());
        if f.n > 0 {
            for i in 0..P {
                for j in i..P {
                    self.real(f.xx[i][j]);
                }
                self.real(f.xy[i]);
            }
            self.real(f.yy);
            self.real(f.w2);
        }
    }

    pub(super) fn reported(&mut self, r: &ReportedFit, start: i64) {
        self.count(r.n.into());
        if r.n > 0 {
            self.count(r.off.into());
            self.instant(r.first_off, start);
            for v in [r.sum, r.sx, r.sxx, r.sxy, r.syy] {
                self.real(v);
            }
        }
    }

    pub(super) fn eighths(&mut self, eighths: &[Eighth; 8]) {
        let mask = (0..8).fold(0_u8, |a, k| a | u8::from(eighths[k].n > 0) << k);
        self.0.push(mask);
        for e in eighths.iter().filter(|e| e.n > 0) {
            self.count(e.n.into());
            for v in [e.w, e.we, e.wee, e.wxb, e.wxf] {
                self.real(v);
            }
        }
    }

    pub(super) fn rail(&mut self, r: &Rail, start: i64) {
        self.count(r.n.into());
        if r.n > 0 {
            self.instant(r.first, start);
            self.instant(r.last, start);
        }
    }

    fn block(&mut self, b: &HourBlock) {
        let start = b.hour.wrapping_mul(MICROS_PER_HOUR);
        self.signed(b.hour);
        for n in [b.rows, b.replies, b.no_reply, b.failed] {
            self.count(n.into());
        }
        for t in [b.first_row, b.last_row, b.first_reply, b.last_reply] {
            self.instant(t, start);
        }
        self.real(b.period_s);
        for m in [&b.d, &b.m, &b.r, &b.sv, &b.e] {
            self.moments(m);
        }
        self.real(b.f_max);
        for m in [&b.move_d, &b.move_m, &b.move_r] {
            self.movement(m, start);
        }
        self.normal(&b.fit);
        if b.e.n > 0 {
            self.real(b.e_p10);
            self.real(b.e_p90);
        }
        self.reported(&b.er, start);
        self.eighths(&b.eighths);
        self.count(b.excursion_n.into());
        if b.excursion_n > 0 {
            for n in b.above.iter().chain(&b.below) {
                self.count((*n).into());
            }
            self.real(b.excursion_sum);
            self.instant(b.first_excursion, start);
            self.instant(b.last_excursion, start);
        }
        self.0.push(u8::from(b.rails.is_some()));
        for r in b.rails.iter().flat_map(|r| r.iter()) {
            self.rail(r, start);
        }
        self.count(b.bits.len() as u64);
        for (bit, t) in &b.bits {
            self.0.push(*bit);
            self.count(t.set.into());
            self.count(t.rises.into());
            self.instant(t.first, start);
            self.instant(t.last, start);
        }
        self.count(b.status_rows.into());
        self.count(b.extended_rows.into());
        self.signed(b.config_first.into());
        self.signed(b.config_last.into());
        self.count(b.config_steps.into());
        if b.config_steps > 0 {
            self.instant(b.config_first_step, start);
            self.instant(b.config_last_step, start);
        }
        for v in [b.counters.exchanges, b.counters.errors] {
            self.count(v as u64);
        }
        self.count(b.counters.resets.into());
        for v in [b.counter_first, b.counter_last] {
            self.signed(v.0);
            self.signed(v.1);
        }
        self.instant(b.counter_last_at, start);
    }
}

/// Reads bytes.
#[derive(Debug)]
pub(super) struct In<'a>(pub(super) &'a [u8]);

impl In<'_> {
    pub(super) fn byte(&mut self) -> Result<u8, PackError> {
        let (first, rest) = self.0.split_first().ok_or(PackError::Short)?;
        self.0 = rest;
        Ok(*first)
    }

    pub(super) fn count(&mut self) -> Result<u64, PackError> {
        let mut v = 0_u64;
        for shift in (0..64).step_by(7) {
            let b = self.byte()?;
            v |= u64::from(b & 0x7f) << shift;
            if b < 0x80 {
                return Ok(v);
            }
        }
        Err(PackError::Range)
    }

    pub(super) fn small(&mut self) -> Result<u32, PackError> {
        u32::try_from(self.count()?).map_err(|_| PackError::Range)
    }

    pub(super) fn signed(&mut self) -> Result<i64, PackError> {
        let v = self.count()?;
        Ok((v >> 1) as i64 ^ -((v & 1) as i64))
    }

    fn signed32(&mut self) -> Result<i32, PackError> {
        i32::try_from(self.signed()?).map_err(|_| PackError::Range)
    }

    pub(super) fn real(&mut self) -> Result<f64, PackError> {
        let (four, rest) = self.0.split_first_chunk::<4>().ok_or(PackError::Short)?;
        self.0 = rest;
        Ok(f32::from_le_bytes(*four).into())
    }

    pub(super) fn instant(&mut self, start: i64) -> Result<i64, PackError> {
        Ok(match self.count()? {
            0 => i64::MAX,
            1 => i64::MIN,
            v => {
                let v = v - 2;
                let (fine, v) = (v & 1 == 1, v >> 1);
                let off = (v >> 1) as i64 ^ -((v & 1) as i64);
                start.wrapping_add(if fine { off } else { off.wrapping_mul(1000) })
            }
        })
    }

    pub(super) fn moments(&mut self) -> Result<Moments, PackError> {
        let mut m = Moments {
            n: self.small()?,
            ..Moments::default()
        };
        if m.n > 0 {
            (m.min, m.max) = (self.real()?, self.real()?);
            let mean = self.real()?;
            m.sum = mean * f64::from(m.n);
            m.sum_sq = self.real()? + m.sum * mean;
        }
        Ok(m)
    }

    fn movement(&mut self, start: i64) -> Result<Movement, PackError> {
        let mut m = Movement {
            n: self.small()?,
            changes: self.small()?,
            ..Movement::default()
        };
        if m.n > 0 {
            (m.median, m.sum_sq) = (self.real()?, self.real()?);
        }
        if m.changes > 0 {
            m.quantum = self.real()?;
            (m.first_change, m.last_change) = (self.instant(start)?, self.instant(start)?);
        }
        Ok(m)
    }

    pub(super) fn normal(&mut self) -> Result<Normal, PackError> {
        let mut f = Normal {
            n: self.small()?,
            ..Normal::default()
        };
        if f.n > 0 {
            for i in 0..P {
                for j in i..P {
                    f.xx[i][j] = self.real()?;
                    f.xx[j][i] = f.xx[i][j];
                }
                f.xy[i] = self.real()?;
            }
            (f.yy, f.w2) = (self.real()?, self.real()?);
        }
        Ok(f)
    }

    pub(super) fn reported(&mut self, start: i64) -> Result<ReportedFit, PackError> {
        let mut r = ReportedFit {
            n: self.small()?,
            ..ReportedFit::default()
        };
        if r.n > 0 {
            r.off = self.small()?;
            r.first_off = self.instant(start)?;
            for v in [&mut r.sum, &mut r.sx, &mut r.sxx, &mut r.sxy, &mut r.syy] {
                *v = self.real()?;
            }
        }
        Ok(r)
    }

    pub(super) fn eighths(&mut self) -> Result<[Eighth; 8], PackError> {
        let mut out = [Eighth::default(); 8];
        let mask = self.byte()?;
        for (k, e) in out.iter_mut().enumerate() {
            if mask & 1 << k != 0 {
                e.n = self.small()?;
                for v in [&mut e.w, &mut e.we, &mut e.wee, &mut e.wxb, &mut e.wxf] {
                    *v = self.real()?;
                }
            }
        }
        Ok(out)
    }

    pub(super) fn rail(&mut self, start: i64) -> Result<Rail, PackError> {
        let mut r = Rail {
            n: self.small()?,
            ..Rail::default()
        };
        if r.n > 0 {
            (r.first, r.last) = (self.instant(start)?, self.instant(start)?);
        }
        Ok(r)
    }

    fn block(&mut self, b: &mut HourBlock) -> Result<(), PackError> {
        b.hour = self.signed()?;
        let start = b.hour.wrapping_mul(MICROS_PER_HOUR);
        for n in [&mut b.rows, &mut b.replies, &mut b.no_reply, &mut b.failed] {
            *n = self.small()?;
        }
        for t in [
            &mut b.first_row,
            &mut b.last_row,
            &mut b.first_reply,
            &mut b.last_reply,
        ] {
            *t = self.instant(start)?;
        }
        b.period_s = self.real()?;
        for m in [&mut b.d, &mut b.m, &mut b.r, &mut b.sv, &mut b.e] {
            *m = self.moments()?;
        }
        b.f_max = self.real()?;
        for m in [&mut b.move_d, &mut b.move_m, &mut b.move_r] {
            *m = self.movement(start)?;
        }
        b.fit = self.normal()?;
        if b.e.n > 0 {
            (b.e_p10, b.e_p90) = (self.real()?, self.real()?);
        }
        b.er = self.reported(start)?;
        b.eighths = self.eighths()?;
        b.excursion_n = self.small()?;
        if b.excursion_n > 0 {
            for n in b.above.iter_mut().chain(&mut b.below) {
                *n = self.small()?;
            }
            b.excursion_sum = self.real()?;
            b.first_excursion = self.instant(start)?;
            b.last_excursion = self.instant(start)?;
        }
        if self.byte()? != 0 {
            let mut rails = [Rail::default(); 4];
            for r in &mut rails {
                *r = self.rail(start)?;
            }
            b.rails = Some(Box::new(rails));
        }
        for _ in 0..self.count()? {
            b.bits.push((
                self.byte()?,
                BitTrack {
                    set: self.small()?,
                    rises: self.small()?,
                    first: self.instant(start)?,
                    last: self.instant(start)?,
                },
            ));
        }
        (b.status_rows, b.extended_rows) = (self.small()?, self.small()?);
        (b.config_first, b.config_last) = (self.signed32()?, self.signed32()?);
        b.config_steps = self.small()?;
        if b.config_steps > 0 {
            b.config_first_step = self.instant(start)?;
            b.config_last_step = self.instant(start)?;
        }
        b.counters = Counters {
            exchanges: self.count()? as f64,
            errors: self.count()? as f64,
            resets: self.small()?,
        };
        b.counter_first = (self.signed()?, self.signed()?);
        b.counter_last = (self.signed()?, self.signed()?);
        b.counter_last_at = self.instant(start)?;
        Ok(())
    }
}

/// Bytes of the blocks of one loop-day.
pub fn pack(blocks: &[HourBlock]) -> Vec<u8> {
    // Most blocks fit: growing by doubling would copy them again and again.
    let mut out = Out(Vec::with_capacity(16 + 400 * blocks.len()));
    out.0.push(PACK_VERSION);
    out.count(blocks.len() as u64);
    for b in blocks {
        out.block(b);
    }
    out.0
}

/// Appends the packed blocks to `into`.
///
/// # Errors
/// When the bytes are not what [`pack`] of this version wrote; `into` then keeps what was read before the damage.
pub fn unpack(bytes: &[u8], into: &mut Vec<HourBlock>) -> Result<(), PackError> {
    let mut bytes = In(bytes);
    let version = bytes.byte()?;
    if version != PACK_VERSION {
        return Err(PackError::Version(version));
    }
    for _ in 0..bytes.count()? {
        // Read in place: a block is a kilobyte.
        into.push(HourBlock::new(0, f64::NAN));
        let read = into.last_mut().map_or(Ok(()), |b| bytes.block(b));
        if read.is_err() {
            into.pop();
            return read;
        }
    }
    Ok(())
}
