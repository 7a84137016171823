//! Instants: UTC microseconds since 1970, the one time type inside the program.

use chrono::{DateTime, SecondsFormat, TimeZone, Utc};

/// An instant, UTC, in microseconds since 1970-01-01T00:00:00Z.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
pub struct UtcMicros(pub i64);

pub const MICROS_PER_S: i64 = 1_000_000;
pub const MICROS_PER_MINUTE: i64 = 60 * MICROS_PER_S;
pub const MICROS_PER_HOUR: i64 = 3_600 * MICROS_PER_S;
pub const MICROS_PER_DAY: i64 = 24 * MICROS_PER_HOUR;

/// A text that is not an RFC 3339 time.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{text}` is not an RFC 3339 time (like 2026-03-02T14:05:00Z)")]
pub struct TimeError {
    pub text: String,
}

impl UtcMicros {
    /// Reads RFC 3339 with any offset; finer than a microsecond is cut.
    pub fn parse_rfc3339(text: &str) -> Result<Self, TimeError> {
        DateTime::parse_from_rfc3339(text.trim())
            .map(|t| Self(t.timestamp_micros()))
            .map_err(|_| TimeError {
                text: text.chars().take(60).collect(),
            })
    }

    /// RFC 3339 with `Z`; as many of 0, 3 or 6 decimals as the value needs.
    pub fn to_rfc3339(self) -> String {
        match Utc.timestamp_micros(self.0) {
            chrono::LocalResult::Single(t) => t.to_rfc3339_opts(SecondsFormat::AutoSi, true),
            // Outside chrono's years (beyond +-262,000): no such reading is accepted, but never panic.
            _ => format!("{}us", self.0),
        }
    }

    /// Whole days since 1970 (floor).
    pub fn day(self) -> i64 {
        self.0.div_euclid(MICROS_PER_DAY)
    }

    /// Whole hours since 1970 (floor).
    pub fn hour(self) -> i64 {
        self.0.div_euclid(MICROS_PER_HOUR)
    }

    pub fn from_day(day: i64) -> Self {
        Self(day.saturating_mul(MICROS_PER_DAY))
    }

    pub fn from_hour(hour: i64) -> Self {
        Self(hour.saturating_mul(MICROS_PER_HOUR))
    }

    /// So many microseconds later, or earlier; the first or last instant where there is none.
    #[must_use]
    pub const fn plus_us(self, us: i64) -> Self {
        Self(self.0.saturating_add(us))
    }

    pub fn plus_s(self, seconds: f64) -> Self {
        Self(
            self.0
                .saturating_add((seconds * MICROS_PER_S as f64) as i64),
        )
    }

    /// `self - earlier` in seconds.
    pub fn seconds_since(self, earlier: Self) -> f64 {
        (self.0 as f64 - earlier.0 as f64) / MICROS_PER_S as f64
    }

    /// `YYYY-MM-DD` of the UTC day.
    pub fn date_string(self) -> String {
        self.to_rfc3339().chars().take(10).collect()
    }
}

impl std::fmt::Display for UtcMicros {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.to_rfc3339())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rfc3339_round_trip_and_offsets() {
        let t = UtcMicros::parse_rfc3339("2026-03-02T14:05:00.250+02:00").unwrap();
        assert_eq!(t.to_rfc3339(), "2026-03-02T12:05:00.250Z");
        assert_eq!(UtcMicros::parse_rfc3339(&t.to_rfc3339()).unwrap(), t);
        assert_eq!(UtcMicros(0).to_rfc3339(), "1970-01-01T00:00:00Z");
        assert_eq!(UtcMicros(-1).day(), -1);
        assert!(UtcMicros::parse_rfc3339("2026-03-02 14:05").is_err());
        // Never panics, whatever the number.
        assert!(UtcMicros(i64::MAX).to_rfc3339().ends_with("us"));
    }
}
