//! Times on paper: site time, as the pages show it. The service writes its sentences in UTC, always as `2 Mar 14:05`; a
//! time that one of the finding's own instants explains is that instant, any other the nearest such time to the end of
//! the record.

use super::html::unit;
use analytics_detect::Finding;
use chrono::{DateTime, Datelike, Days, NaiveDate, NaiveTime, TimeZone, Utc};
use chrono_tz::Tz;
use ingest_model::UtcMicros;
use ingest_model::instant::MICROS_PER_DAY;

const MONTHS: [&str; 12] = [
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
];

/// The zone of a site.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Zone(pub(crate) Tz);

impl Default for Zone {
    fn default() -> Self {
        Self(Tz::UTC)
    }
}

impl Zone {
    /// Of a name that the configuration has accepted; an unknown one leaves UTC, and the sheet names the zone it uses.
    pub(crate) fn named(name: &str) -> Self {
        name.parse().map(Self).unwrap_or_default()
    }

    pub(super) fn name(self) -> &'static str {
        self.0.name()
    }

    fn local(self, t: UtcMicros) -> Option<DateTime<Tz>> {
        DateTime::<Utc>::from_timestamp_micros(t.0).map(|d| d.with_timezone(&self.0))
    }

    /// `5 Nov 2026`.
    pub(super) fn day(self, t: UtcMicros) -> String {
        self.local(t)
            .map_or_else(|| t.to_rfc3339(), |d| d.format("%-d %b %Y").to_string())
    }

    /// `5 Nov 2026 12:00`.
    pub(super) fn minute(self, t: UtcMicros) -> String {
        self.local(t).map_or_else(
            || t.to_rfc3339(),
            |d| d.format("%-d %b %Y %H:%M").to_string(),
        )
    }

    /// Local midnights from `from` to `to`, every so many days.
    pub(super) fn midnights(self, from: UtcMicros, to: UtcMicros, every: u64) -> Vec<UtcMicros> {
        let mut out = Vec::new();
        let Some(mut date) = self.local(from).map(|d| d.date_naive()) else {
            return out;
        };
        while let Some(t) = self.begin(date).filter(|t| *t <= to) {
            if t >= from {
                out.push(t);
            }
            let step = if t < from { 1 } else { every.max(1) };
            match date.checked_add_days(Days::new(step)) {
                Some(next) => date = next,
                None => break,
            }
        }
        out
    }

    /// First instant of a local day; a day whose midnight the clocks skip begins an hour later.
    fn begin(self, date: NaiveDate) -> Option<UtcMicros> {
        let midnight = date.and_time(NaiveTime::MIN);
        (0..3)
            .map(|h| midnight + chrono::Duration::hours(h))
            .find_map(|t| self.0.from_local_datetime(&t).earliest())
            .map(|d| UtcMicros(d.timestamp_micros()))
    }

    /// A sentence of the service with its times as site time.
    pub(super) fn said(self, text: &str, of: Option<&Finding>, end: UtcMicros) -> String {
        let known: Vec<UtcMicros> = of.map_or_else(Vec::new, |f| {
            let some = [
                f.ended,
                f.reaches_tolerance_at,
                f.reaches_tolerance_low,
                f.reaches_tolerance_high,
            ];
            let mut all = vec![f.onset, f.onset_low, f.onset_high];
            all.extend(some.into_iter().flatten());
            all
        });
        let mut out = String::with_capacity(text.len());
        let mut rest = text;
        while let Some((before, time, after)) = next_time(rest) {
            out.push_str(before);
            let at = instant(&time, &known, end);
            match at.and_then(|t| Some((self.local(t)?, t))) {
                Some((d, t)) if to_the_day(t, of, end) => {
                    out.push_str(&d.format("%-d\u{a0}%b").to_string());
                }
                Some((d, _)) => out.push_str(&d.format("%-d\u{a0}%b %H:%M").to_string()),
                None => out.push_str(time.text),
            }
            rest = after;
        }
        out.push_str(rest);
        tied(&self.hours(&out, end))
    }

    /// `16:00 UTC`, an hour of day, as an hour of the site's day.
    fn hours(self, text: &str, end: UtcMicros) -> String {
        let mut out = String::with_capacity(text.len());
        let mut rest = text;
        while let Some(at) = rest.find(":00 UTC") {
            let (head, tail) = (&rest[..at], &rest[at..]);
            let digits = head.len() - head.trim_end_matches(|c: char| c.is_ascii_digit()).len();
            let (plain, hour) = head.split_at(head.len() - digits);
            let local = hour
                .parse::<u32>()
                .ok()
                .and_then(|h| {
                    self.local(end)?
                        .with_timezone(&Utc)
                        .date_naive()
                        .and_hms_opt(h, 0, 0)
                })
                .map(|t| t.and_utc().with_timezone(&self.0));
            out.push_str(plain);
            match local {
                Some(d) => out.push_str(&d.format("%H:%M").to_string()),
                None => {
                    out.push_str(hour);
                    out.push_str(":00 UTC");
                }
            }
            rest = tail.get(":00 UTC".len()..).unwrap_or_default();
        }
        out.push_str(rest);
        out
    }
}

/// Whether an instant is not known to the minute: what is foretold, and an onset of days. As on the page.
fn to_the_day(t: UtcMicros, of: Option<&Finding>, end: UtcMicros) -> bool {
    let foretold = |f: &Finding| {
        [
            f.reaches_tolerance_at,
            f.reaches_tolerance_low,
            f.reaches_tolerance_high,
        ]
        .contains(&Some(t))
    };
    let wide = |f: &Finding| {
        f.onset_high.0 - f.onset_low.0 > 2 * MICROS_PER_DAY
            && [f.onset, f.onset_low, f.onset_high].contains(&t)
    };
    t > end || of.is_some_and(|f| foretold(f) || wide(f))
}

/// Units of sentences, in the register's own letters.
const UNITS: [&str; 16] = [
    "%",
    "mA",
    "V",
    "\u{2126}",
    "k\u{2126}",
    "\u{3a9}",
    "k\u{3a9}",
    "h",
    "days",
    "bar",
    "mbar",
    "m3/h",
    "degC",
    "degF",
    "uS/cm",
    "mS/cm",
];

/// Numbers stay with their units, and units are as they are printed.
fn tied(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for (n, word) in text.split(' ').enumerate() {
        let end = word.trim_end_matches([',', '.', ';', ':', ')']).len();
        let (core, tail) = word.split_at(end);
        let known = UNITS.contains(&core);
        if n > 0 {
            let with_number = known && out.ends_with(|c: char| c.is_ascii_digit());
            out.push(if with_number { '\u{a0}' } else { ' ' });
        }
        if known {
            out.push_str(&unit(core));
        } else {
            out.push_str(core);
        }
        out.push_str(tail);
    }
    out
}

/// A time in words, without a year.
struct Words<'a> {
    text: &'a str,
    day: u32,
    month: u32,
    hour: u32,
    minute: u32,
}

/// The first `2 Mar 14:05` of a text, with what stands before and after it.
fn next_time(text: &str) -> Option<(&str, Words<'_>, &str)> {
    let mut from = 0;
    while let Some(space) = text.get(from..)?.find(' ') {
        let at = from + space;
        from = at + 1;
        let head = text.get(..at)?;
        let digits = head.len() - head.trim_end_matches(|c: char| c.is_ascii_digit()).len();
        let begin = at - digits;
        let joined = text
            .get(..begin)?
            .chars()
            .next_back()
            .is_some_and(|c| c.is_alphanumeric() || c == '.');
        let (Some(month), Some(clock)) = (text.get(at + 1..at + 4), text.get(at + 4..at + 10))
        else {
            continue;
        };
        let month = MONTHS.iter().position(|m| *m == month);
        let bytes = clock.as_bytes();
        let shaped = matches!(bytes, [b' ', h, i, b':', m, n] if [h, i, m, n].iter().all(|c| c.is_ascii_digit()));
        let goes_on = text
            .get(at + 10..)
            .and_then(|t| t.chars().next())
            .is_some_and(|c| c.is_ascii_digit());
        if !(1..=2).contains(&digits) || joined || !shaped || goes_on {
            continue;
        }
        let (Some(month), Ok(day), Some(Ok(hour)), Some(Ok(minute))) = (
            month,
            head[begin..].parse(),
            clock.get(1..3).map(str::parse),
            clock.get(4..6).map(str::parse),
        ) else {
            continue;
        };
        let words = Words {
            text: text.get(begin..at + 10)?,
            day,
            month: month as u32 + 1,
            hour,
            minute,
        };
        return Some((text.get(..begin)?, words, text.get(at + 10..)?));
    }
    None
}

fn instant(w: &Words<'_>, known: &[UtcMicros], end: UtcMicros) -> Option<UtcMicros> {
    let at = |year: i32| {
        let date = NaiveDate::from_ymd_opt(year, w.month, w.day)?;
        let time = date.and_hms_opt(w.hour, w.minute, 0)?;
        Some(UtcMicros(time.and_utc().timestamp_micros()))
    };
    let year = DateTime::<Utc>::from_timestamp_micros(end.0)?.year();
    let same = |t: &&UtcMicros| {
        DateTime::<Utc>::from_timestamp_micros(t.0)
            .and_then(|d| at(d.year()))
            .is_some_and(|m| (0..60_000_000).contains(&(t.0 - m.0)))
    };
    if let Some(t) = known.iter().find(same) {
        return Some(*t);
    }
    [year - 1, year, year + 1]
        .into_iter()
        .filter_map(at)
        .min_by_key(|t| t.0.abs_diff(end.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> UtcMicros {
        UtcMicros(
            DateTime::parse_from_rfc3339(text)
                .unwrap()
                .timestamp_micros(),
        )
    }

    // Offsets of the zones as the IANA time zone database has them.
    #[test]
    fn sentences_are_told_in_site_time() {
        let end = at("2026-03-16T06:40:00Z");
        let kathmandu = Zone::named("Asia/Kathmandu");
        assert_eq!(
            kathmandu.said("Since 14 Mar 20:30 (3.50 mA), no reply; 2 May.", None, end),
            "Since 15\u{a0}Mar 02:15 (3.50\u{a0}mA), no reply; 2 May."
        );
        assert_eq!(
            Zone::named("Europe/Madrid").said(
                "By hour of day it is highest at 16:00 UTC, 191.",
                None,
                end
            ),
            "By hour of day it is highest at 17:00, 191."
        );
        // What is still to come is told to the day; units are as they are printed, and stay with their number.
        assert_eq!(
            kathmandu.said("At 1.5 m3/h, about 20 Mar 20:30 (12 degC).", None, end),
            "At 1.5\u{a0}m\u{b3}/h, about 21\u{a0}Mar (12\u{a0}\u{b0}C)."
        );
        // A time of December before an end in January is last year's.
        let january = at("2026-01-02T00:00:00Z");
        assert_eq!(
            Zone::named("America/New_York").said("1 Jan 02:00 and 31 Dec 23:00.", None, january),
            "31\u{a0}Dec 21:00 and 31\u{a0}Dec 18:00."
        );
        for odd in [
            "",
            " ",
            "12 Mar 1",
            "99 Foo 12:00",
            "x12 Mar 12:00",
            "31 Feb 10:00",
            "é 1 Mär 10:00 ",
            "1 Mar 99:99",
        ] {
            assert_eq!(kathmandu.said(odd, None, end), odd);
        }
    }

    #[test]
    fn days_begin_at_local_midnight() {
        let zone = Zone::named("Europe/Madrid");
        // The clocks go forward on 29 March 2026 at 01:00 UTC.
        let days = zone.midnights(at("2026-03-27T12:00:00Z"), at("2026-03-31T00:00:00Z"), 1);
        let wanted = [
            "2026-03-27T23:00:00Z",
            "2026-03-28T23:00:00Z",
            "2026-03-29T22:00:00Z",
            "2026-03-30T22:00:00Z",
        ];
        assert_eq!(days, wanted.map(at));
        assert_eq!(zone.minute(at("2026-03-29T12:00:00Z")), "29 Mar 2026 14:00");
        assert_eq!(Zone::named("No/Such").name(), "UTC");
    }
}
