//! The calendar periods a `[[keep]]` rule counts in: days, weeks from Monday, months, years.
//!
//! A rule of `every = "2 weeks"` cuts all time into pairs of weeks, counted from a fixed beginning, so
//! that a generation stays in the same period whenever the rule is applied.

use jiff::civil::{Date, DateTime};
use jiff::{Timestamp, tz::TimeZone};

use crate::jobs::{Span, Unit};

/// Monday of the week of 1 January 1970: where weeks are counted from.
const FIRST_MONDAY: Date = jiff::civil::date(1969, 12, 29);
const FIRST_DAY: Date = jiff::civil::date(1970, 1, 1);

/// One period of a rule's `every`, by its number since the beginning of 1970 in local time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Period {
    every: Span,
    number: i64,
}

impl Period {
    /// The period that `instant` falls in, by the clock and calendar of `zone`. Where summer time ends,
    /// the hour the clock shows twice is one period.
    pub fn of(instant: Timestamp, every: Span, zone: &TimeZone) -> Self {
        let local = zone.to_datetime(instant);
        let amount = i64::from(every.amount.max(1));
        let unit = match every.unit {
            Unit::Second => local_seconds(local),
            Unit::Minute => local_seconds(local).div_euclid(60),
            Unit::Hour => local_seconds(local).div_euclid(3600),
            Unit::Day => days_between(FIRST_DAY, local.date()),
            Unit::Week => days_between(FIRST_MONDAY, local.date()).div_euclid(7),
            Unit::Month => (i64::from(local.year()) - 1970) * 12 + i64::from(local.month()) - 1,
            Unit::Year => i64::from(local.year()) - 1970,
        };
        Self {
            every,
            number: unit.div_euclid(amount),
        }
    }

    /// Its place among the periods of the same rule.
    pub fn number(self) -> i64 {
        self.number
    }

    /// The period in words, such as `Tue 24 Nov`, `week 47` or `the 2 weeks from Mon 16 Nov`; with the
    /// year where that is not `this_year`.
    pub fn words(self, this_year: i16) -> String {
        let Some(start) = self.start() else {
            return format!("period {}", self.number);
        };
        let one = self.every.amount <= 1;
        let name = match self.every.unit {
            Unit::Second => format!("{} {}", day_words(start, this_year), start.time()),
            Unit::Minute | Unit::Hour => format!(
                "{} {}",
                day_words(start, this_year),
                start.strftime("%H:%M")
            ),
            Unit::Week if one => return week_words(start.date(), this_year),
            Unit::Day | Unit::Week => day_words(start, this_year),
            Unit::Month => start.strftime("%B %Y").to_string(),
            Unit::Year => start.year().to_string(),
        };
        if one {
            name
        } else {
            format!("the {} from {name}", self.every_words())
        }
    }

    fn every_words(self) -> String {
        span_words(self.every)
    }

    fn start(self) -> Option<DateTime> {
        let units = self
            .number
            .checked_mul(i64::from(self.every.amount.max(1)))?;
        let first = FIRST_DAY.to_datetime(jiff::civil::Time::midnight());
        let monday = FIRST_MONDAY.to_datetime(jiff::civil::Time::midnight());
        let none = jiff::Span::new();
        match self.every.unit {
            Unit::Second => first.checked_add(none.try_seconds(units).ok()?),
            Unit::Minute => first.checked_add(none.try_minutes(units).ok()?),
            Unit::Hour => first.checked_add(none.try_hours(units).ok()?),
            Unit::Day => first.checked_add(none.try_days(units).ok()?),
            Unit::Week => monday.checked_add(none.try_weeks(units).ok()?),
            Unit::Month => first.checked_add(none.try_months(units).ok()?),
            Unit::Year => first.checked_add(none.try_years(units).ok()?),
        }
        .ok()
    }
}

/// `2 weeks`, `1 day`: a span as an administrator writes it.
pub(super) fn span_words(span: Span) -> String {
    let unit = match span.unit {
        Unit::Second => "second",
        Unit::Minute => "minute",
        Unit::Hour => "hour",
        Unit::Day => "day",
        Unit::Week => "week",
        Unit::Month => "month",
        Unit::Year => "year",
    };
    let plural = if span.amount == 1 { "" } else { "s" };
    format!("{} {unit}{plural}", span.amount)
}

/// The instant `span` before `now`, by the calendar of `zone`: 3 months before 31 May is 28 or 29
/// February, at the same time of day. `None` when that is before the calendar begins.
pub(super) fn before(now: Timestamp, span: Span, zone: &TimeZone) -> Option<Timestamp> {
    let amount = i64::from(span.amount);
    let none = jiff::Span::new();
    let back = match span.unit {
        Unit::Second => none.try_seconds(amount),
        Unit::Minute => none.try_minutes(amount),
        Unit::Hour => none.try_hours(amount),
        Unit::Day => none.try_days(amount),
        Unit::Week => none.try_weeks(amount),
        Unit::Month => none.try_months(amount),
        Unit::Year => none.try_years(amount),
    }
    .ok()?;
    let local = now.to_zoned_datetime(zone.clone());
    Some(local.checked_sub(back).ok()?.timestamp())
}

fn local_seconds(local: DateTime) -> i64 {
    local
        .duration_since(FIRST_DAY.to_datetime(jiff::civil::Time::midnight()))
        .as_secs()
        - i64::from(local.subsec_nanosecond() != 0 && local.date() < FIRST_DAY)
}

fn days_between(from: Date, to: Date) -> i64 {
    to.duration_since(from).as_hours() / 24
}

fn day_words(day: DateTime, this_year: i16) -> String {
    let form = if day.year() == this_year {
        "%a %-d %b"
    } else {
        "%a %-d %b %Y"
    };
    day.strftime(form).to_string()
}

/// Weeks are numbered as in ISO 8601: the week belongs to the year its Thursday is in.
fn week_words(monday: Date, this_year: i16) -> String {
    let week = monday.iso_week_date();
    if week.year() == this_year {
        format!("week {}", week.week())
    } else {
        format!("week {} of {}", week.week(), week.year())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lisbon() -> TimeZone {
        TimeZone::get("Europe/Lisbon").expect("a zone of the IANA database")
    }

    fn at(text: &str) -> Timestamp {
        text.parse().expect("an RFC 3339 time")
    }

    fn words(text: &str, amount: u32, unit: Unit) -> String {
        Period::of(at(text), Span { amount, unit }, &lisbon()).words(2026)
    }

    #[test]
    fn a_period_is_named_as_a_person_would_name_it() {
        // 25 November 2026 is a Wednesday in ISO week 48 (GNU date: date -d 2026-11-25 "+%a %V").
        let night = "2026-11-25T02:30:00Z";
        assert_eq!(words(night, 1, Unit::Day), "Wed 25 Nov");
        assert_eq!(words(night, 1, Unit::Week), "week 48");
        assert_eq!(words(night, 1, Unit::Month), "November 2026");
        assert_eq!(words(night, 1, Unit::Year), "2026");
        assert_eq!(
            words(night, 6, Unit::Hour),
            "the 6 hours from Wed 25 Nov 00:00"
        );
        assert_eq!(
            words("2025-12-31T02:30:00Z", 1, Unit::Day),
            "Wed 31 Dec 2025"
        );
    }

    #[test]
    fn the_last_days_of_december_belong_to_the_iso_week_of_the_next_year() {
        // ISO 8601: 29 December 2025 is the Monday of week 1 of 2026.
        assert_eq!(words("2025-12-29T12:00:00Z", 1, Unit::Week), "week 1");
        assert_eq!(
            words("2025-12-28T12:00:00Z", 1, Unit::Week),
            "week 52 of 2025"
        );
    }

    #[test]
    fn a_day_ends_at_local_midnight_in_summer_too() {
        let day = Span {
            amount: 1,
            unit: Unit::Day,
        };
        // Lisbon is at UTC+1 in July: 23:30 UTC is half past midnight of the next day.
        let late = Period::of(at("2026-07-01T22:59:59Z"), day, &lisbon());
        let next = Period::of(at("2026-07-01T23:00:00Z"), day, &lisbon());
        assert_eq!(late.number() + 1, next.number());
    }

    #[test]
    fn the_days_of_a_clock_change_are_one_period_each() {
        let day = Span {
            amount: 1,
            unit: Unit::Day,
        };
        // Summer time in the EU: last Sundays of March and October (directive 2000/84/EC).
        for (first, last) in [
            ("2026-03-29T00:00:00Z", "2026-03-29T22:59:59Z"),
            ("2026-10-24T23:00:00Z", "2026-10-25T23:59:59Z"),
        ] {
            let first = Period::of(at(first), day, &lisbon());
            assert_eq!(first, Period::of(at(last), day, &lisbon()));
        }
    }

    #[test]
    fn months_are_counted_back_by_the_calendar() {
        let three = Span {
            amount: 3,
            unit: Unit::Month,
        };
        let back = before(at("2026-05-31T02:30:00Z"), three, &TimeZone::UTC);
        assert_eq!(back, Some(at("2026-02-28T02:30:00Z")));
    }

    #[test]
    fn times_before_1970_fall_in_earlier_periods() {
        let zone = TimeZone::UTC;
        for unit in [
            Unit::Second,
            Unit::Hour,
            Unit::Day,
            Unit::Week,
            Unit::Month,
            Unit::Year,
        ] {
            let every = Span { amount: 1, unit };
            let early = Period::of(at("1969-12-20T23:59:59.5Z"), every, &zone);
            let later = Period::of(at("1970-01-05T00:00:00Z"), every, &zone);
            assert!(early.number() < later.number(), "{unit:?}");
        }
    }
}
