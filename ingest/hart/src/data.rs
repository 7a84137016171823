//! Data types of HART fields (HCF_SPEC-99): floats with "not available", packed ASCII, Latin-1, dates, times.

use core::fmt;

/// IEEE 754 binary32 as it came, big-endian, bits untouched.
///
/// 7F A0 00 00 means "not available"; it is a signalling NaN that arithmetic may change, so the bits are kept.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Float(pub u32);

impl Float {
    pub const NOT_AVAILABLE: Float = Float(0x7FA0_0000);

    /// The value, or `None` for every NaN and for infinities.
    pub fn value(self) -> Option<f32> {
        let v = f32::from_bits(self.0);
        v.is_finite().then_some(v)
    }

    /// The value as f64; NaN when not available.
    pub fn or_nan(self) -> f64 {
        self.value().map_or(f64::NAN, f64::from)
    }
}

impl From<f32> for Float {
    fn from(v: f32) -> Self {
        Self(v.to_bits())
    }
}

impl fmt::Debug for Float {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl fmt::Display for Float {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.value() {
            Some(v) => write!(f, "{v}"),
            None if self.0 == Self::NOT_AVAILABLE.0 => f.write_str("not available"),
            None => write!(f, "0x{:08X} (no number)", self.0),
        }
    }
}

/// Packed ASCII: four characters in three bytes, upper case only. A rest of one or two bytes is not shown.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PackedAscii<'a>(pub &'a [u8]);

impl<'a> PackedAscii<'a> {
    /// All characters, padding included.
    pub fn chars(self) -> impl Iterator<Item = char> + use<'a> {
        self.0.chunks_exact(3).flat_map(|c| {
            let w = c.iter().fold(0u32, |w, b| w << 8 | u32::from(*b));
            [w >> 18, w >> 12, w >> 6, w].map(|v| {
                let v = (v & 0x3F) as u8;
                // Bit 6 is the inverse of bit 5.
                char::from(if v & 0x20 != 0 { v } else { v | 0x40 })
            })
        })
    }
}

impl fmt::Display for PackedAscii<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write_trimmed(f, self.chars())
    }
}

/// Latin-1 text: ends at the first zero, spaces at the ends do not count.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Latin1<'a>(pub &'a [u8]);

impl<'a> Latin1<'a> {
    /// Characters up to the first zero.
    pub fn chars(self) -> impl Iterator<Item = char> + use<'a> {
        self.0
            .iter()
            .take_while(|b| **b != 0)
            .map(|b| char::from(*b))
    }
}

impl fmt::Display for Latin1<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Devices may send control bytes: shown as a space.
        write_trimmed(
            f,
            self.chars().map(|c| if c.is_control() { ' ' } else { c }),
        )
    }
}

/// Writes without white space at either end and without an intermediate string.
fn write_trimmed(f: &mut fmt::Formatter<'_>, chars: impl Iterator<Item = char>) -> fmt::Result {
    use fmt::Write;
    let mut spaces = 0;
    for c in chars.skip_while(|c| c.is_whitespace()) {
        if c.is_whitespace() {
            spaces += 1;
            continue;
        }
        for _ in 0..core::mem::take(&mut spaces) {
            f.write_char(' ')?;
        }
        f.write_char(c)?;
    }
    Ok(())
}

/// Day, month, year as the device keeps them.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Date {
    pub day: u8,
    pub month: u8,
    pub year: u16,
}

impl Date {
    /// From day, month, year - 1900; `None` when not set (0/0/0 or out of range).
    pub fn from_bytes(day: u8, month: u8, year: u8) -> Option<Self> {
        let set = (1..=31).contains(&day) && (1..=12).contains(&month);
        set.then(|| Self {
            day,
            month,
            year: 1900 + u16::from(year),
        })
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}-{:02}", self.year, self.month, self.day)
    }
}

/// A time or period in 1/32 ms.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Time32(pub u32);

impl Time32 {
    const DAY: u32 = 24 * 3600 * 1000 * 32;

    /// Milliseconds; `None` for FFFFFFFF (not set).
    pub fn ms(self) -> Option<f64> {
        (self.0 != u32::MAX).then(|| f64::from(self.0) / 32.0)
    }

    /// Whether it can be a time of day.
    pub fn is_time_of_day(self) -> bool {
        self.0 < Self::DAY
    }
}

impl fmt::Display for Time32 {
    /// As time of day, `09:30:00.250`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 == u32::MAX {
            return f.write_str("not set");
        }
        let ms = self.0 / 32;
        write!(
            f,
            "{:02}:{:02}:{:02}.{:03}",
            ms / 3_600_000,
            ms / 60_000 % 60,
            ms / 1000 % 60,
            ms % 1000
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_and_numbers() {
        assert_eq!(
            PackedAscii(&[0x41, 0x4B, 0x71, 0xC3, 0x0C, 0x41]).to_string(),
            "PT-1001A"
        );
        assert_eq!(
            PackedAscii(&[0x82, 0x08, 0x20]).chars().collect::<String>(),
            "    "
        );
        assert_eq!(Latin1(b"  a b\xB0C \0junk").to_string(), "a b\u{b0}C");
        assert_eq!(Latin1(b"\0\0").to_string(), "");
        assert_eq!(Float::NOT_AVAILABLE.value(), None);
        assert_eq!(Float(0x7F80_0000).value(), None);
        assert_eq!(Float::from(2.5).value(), Some(2.5));
        assert_eq!(
            Date::from_bytes(17, 3, 124).unwrap().to_string(),
            "2024-03-17"
        );
        assert_eq!(Date::from_bytes(0, 0, 0), None);
        assert_eq!(Time32(1_094_408_000).to_string(), "09:30:00.250");
        assert_eq!(Time32(0xA4CB_8000).ms(), Some(86_400_000.0));
        assert!(!Time32(0xA4CB_8000).is_time_of_day());
        assert_eq!(Time32(u32::MAX).ms(), None);
    }
}
