//! Moments: ISO 8601 to the second, without zone, as a camera's clock tells them.

use jiff::civil::{Date, DateTime};
use jiff::{Timestamp, tz::TimeZone};
use serde::Serialize;

/// A moment, `YYYY-MM-DDThh:mm:ss`: sorts by time as text.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(transparent)]
pub struct Moment(String);

/// The desk's clock, in UTC.
pub fn now() -> Moment {
    Moment::from(TimeZone::UTC.to_datetime(Timestamp::now()))
}

impl From<DateTime> for Moment {
    fn from(at: DateTime) -> Self {
        Moment(at.strftime("%Y-%m-%dT%H:%M:%S").to_string())
    }
}

impl Moment {
    /// Reads `YYYY-MM-DD`, or a date and time with a `T` or a space between; fractions of a second and zones are left out.
    pub fn parse(text: &str) -> Option<Moment> {
        let text = text.trim();
        let head: String = text.chars().take(19).collect::<String>().replacen(' ', "T", 1);
        let at = head
            .parse::<DateTime>()
            .ok()
            .or_else(|| head.parse::<Date>().ok().map(|d| d.to_datetime(jiff::civil::Time::midnight())));
        at.map(Moment::from)
    }

    /// As written.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The day: `YYYY-MM-DD`.
    pub fn day(&self) -> &str {
        self.0.get(..10).unwrap_or(&self.0)
    }

    fn civil(&self) -> DateTime {
        self.0.parse().unwrap_or_default()
    }

    /// Days from an earlier moment to this; below 0 if it is later.
    pub fn days_since(&self, earlier: &Moment) -> f64 {
        self.civil().duration_since(earlier.civil()).as_secs_f64() / 86_400.0
    }

    /// So many days later, at most a hundred years.
    pub fn plus_days(&self, days: f64) -> Moment {
        let hours = (days.clamp(-36_500.0, 36_500.0) * 24.0) as i64;
        self.civil().checked_add(jiff::SignedDuration::from_hours(hours)).map_or_else(|_| self.clone(), Moment::from)
    }
}

impl std::fmt::Display for Moment {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl rusqlite::ToSql for Moment {
    fn to_sql(&self) -> rusqlite::Result<rusqlite::types::ToSqlOutput<'_>> {
        self.0.to_sql()
    }
}

impl rusqlite::types::FromSql for Moment {
    fn column_result(value: rusqlite::types::ValueRef<'_>) -> rusqlite::types::FromSqlResult<Self> {
        value.as_str().map(|s| Moment(s.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exif_times_and_plain_days_are_read() {
        for (text, wanted) in [
            ("2024-05-14T10:30:00", "2024-05-14T10:30:00"),
            ("2024-05-14T10:30:00.25+02:00", "2024-05-14T10:30:00"),
            ("2024-05-14 10:30:00", "2024-05-14T10:30:00"),
            ("2024-05-14", "2024-05-14T00:00:00"),
        ] {
            assert_eq!(Moment::parse(text).expect("a moment").as_str(), wanted);
        }
        assert!(Moment::parse("2024-13-01").is_none() && Moment::parse("soon").is_none());
    }

    /// Gregorian calendar: 2024 is a leap year, 1900 was none.
    #[test]
    fn days_are_counted_by_the_calendar() {
        let m = |t: &str| Moment::parse(t).expect("a moment");
        assert_eq!(m("2024-03-01").days_since(&m("2024-02-28")), 2.0);
        assert_eq!(m("1900-03-01").days_since(&m("1900-02-28")), 1.0);
        assert_eq!(m("2024-12-31").plus_days(1.0), m("2025-01-01"));
    }
}
