//! Sizes, counts, times and spans in words.

use jiff::{Timestamp, tz::TimeZone};

use crate::jobs::Size;

/// Bytes in decimal units (SI, as drives are sold), spelt as job files spell them: `812 bytes`, `1.5 GB`.
pub fn bytes(amount: u64) -> String {
    Size(amount).to_string()
}

/// A count with its thousands apart: `12,345`.
pub fn count(amount: u64) -> String {
    let digits = amount.to_string();
    let mut shown = String::with_capacity(digits.len() + digits.len() / 3);
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            shown.push(',');
        }
        shown.push(digit);
    }
    shown
}

/// `1 file`, `12,345 files`: a count with its noun.
pub fn counted(amount: u64, one: &str, many: &str) -> String {
    format!("{} {}", count(amount), if amount == 1 { one } else { many })
}

/// A length of time in its two largest units: `0.4 s`, `4 min 10 s`, `2 h 5 min`, `3 days 4 h`.
pub fn seconds(amount: f64) -> String {
    if !amount.is_finite() || amount < 0.0 {
        return "an unknown time".to_owned();
    }
    if amount < 9.95 {
        return match format!("{amount:.1}").as_str() {
            "0.0" => "under 0.1 s".to_owned(),
            shown => format!("{} s", shown.strip_suffix(".0").unwrap_or(shown)),
        };
    }
    let rounded = std::time::Duration::try_from_secs_f64(amount.round());
    two_units(rounded.map_or(u64::MAX, |d| d.as_secs()))
}

fn two_units(total: u64) -> String {
    const UNITS: [(u64, &str, &str); 4] = [
        (86_400, "day", "days"),
        (3600, "h", "h"),
        (60, "min", "min"),
        (1, "s", "s"),
    ];
    let first = UNITS.iter().position(|(length, ..)| total >= *length);
    let first = first.unwrap_or(UNITS.len() - 1);
    let worded = |(length, one, many): (u64, &str, &str), within: u64| {
        let amount = within / length;
        (amount > 0).then(|| counted(amount, one, many))
    };
    let large = worded(UNITS[first], total);
    let small = UNITS
        .get(first + 1)
        .and_then(|unit| worded(*unit, total % UNITS[first].0));
    match (large, small) {
        (Some(large), Some(small)) => format!("{large} {small}"),
        (Some(one), None) | (None, Some(one)) => one,
        (None, None) => "0 s".to_owned(),
    }
}

/// The time from `from` to `to`, as [`seconds`] words it.
pub(super) fn between(from: Timestamp, to: Timestamp) -> String {
    seconds(to.duration_since(from).as_secs_f64())
}

/// A moment in the server's zone: `Wed 25 Nov 02:30`.
pub fn time(at: Timestamp, zone: &TimeZone) -> String {
    shown(at, zone, "%a %-d %b %H:%M")
}

/// A moment with its year and zone: `Wed 25 Nov 2026 02:30 WET`.
pub fn date_time(at: Timestamp, zone: &TimeZone) -> String {
    shown(at, zone, "%a %-d %b %Y %H:%M %Z")
}

/// A day in the server's zone: `25 Nov 2026`.
pub fn date(at: Timestamp, zone: &TimeZone) -> String {
    shown(at, zone, "%-d %b %Y")
}

pub(super) fn shown(at: Timestamp, zone: &TimeZone, format: &str) -> String {
    at.to_zoned_datetime(zone.clone())
        .strftime(format)
        .to_string()
}

/// How long ago, in one unit: `3 days ago`, `just now`, `in 2 hours`.
pub fn age(at: Timestamp, now: Timestamp) -> String {
    let apart = now.duration_since(at).as_secs();
    let length = one_unit(apart.unsigned_abs());
    match (length, apart > 0) {
        (None, _) => "just now".to_owned(),
        (Some(length), true) => format!("{length} ago"),
        (Some(length), false) => format!("in {length}"),
    }
}

/// Whole units, rounded down, switching to the larger unit at two of it.
fn one_unit(seconds: u64) -> Option<String> {
    const UNITS: [(u64, &str, &str); 6] = [
        (31_557_600, "year", "years"),
        (2_629_800, "month", "months"),
        (604_800, "week", "weeks"),
        (86_400, "day", "days"),
        (3600, "hour", "hours"),
        (60, "minute", "minutes"),
    ];
    let (length, one, many) = UNITS
        .iter()
        .find(|(length, ..)| seconds >= 2 * length)
        .or_else(|| UNITS.last().filter(|(length, ..)| seconds >= *length))?;
    Some(counted(seconds / length, one, many))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_have_their_thousands_apart() {
        assert_eq!(count(0), "0");
        assert_eq!(count(999), "999");
        assert_eq!(count(12_345), "12,345");
        assert_eq!(count(1_000_000), "1,000,000");
    }

    #[test]
    fn lengths_of_time_take_their_two_largest_units() {
        let table = [
            (0.0, "under 0.1 s"),
            (0.42, "0.4 s"),
            (9.0, "9 s"),
            (9.96, "10 s"),
            (59.6, "1 min"),
            (250.0, "4 min 10 s"),
            (7500.0, "2 h 5 min"),
            (3600.0, "1 h"),
            (273_600.0, "3 days 4 h"),
            (86_400.0, "1 day"),
            (-1.0, "an unknown time"),
            (f64::NAN, "an unknown time"),
        ];
        for (amount, words) in table {
            assert_eq!(seconds(amount), words, "{amount}");
        }
    }

    #[test]
    fn moments_are_told_in_the_servers_zone() {
        let zone = TimeZone::get("Europe/Lisbon").unwrap();
        let winter: Timestamp = "2026-11-25T02:30:00Z".parse().unwrap();
        let summer: Timestamp = "2026-07-01T23:30:00Z".parse().unwrap();
        assert_eq!(time(winter, &zone), "Wed 25 Nov 02:30");
        assert_eq!(date_time(winter, &zone), "Wed 25 Nov 2026 02:30 WET");
        assert_eq!(date_time(summer, &zone), "Thu 2 Jul 2026 00:30 WEST");
        assert_eq!(date(summer, &zone), "2 Jul 2026");
    }

    #[test]
    fn ages_are_told_in_one_unit() {
        let now: Timestamp = "2026-11-25T09:00:00Z".parse().unwrap();
        let table = [
            ("2026-11-25T08:59:30Z", "just now"),
            ("2026-11-25T08:59:00Z", "1 minute ago"),
            ("2026-11-25T07:01:00Z", "119 minutes ago"),
            ("2026-11-25T07:00:00Z", "2 hours ago"),
            ("2026-11-22T08:00:00Z", "3 days ago"),
            ("2026-10-01T08:00:00Z", "7 weeks ago"),
            ("2024-01-01T08:00:00Z", "2 years ago"),
            ("2026-11-25T11:00:00Z", "in 2 hours"),
        ];
        for (at, words) in table {
            assert_eq!(age(at.parse().unwrap(), now), words, "{at}");
        }
    }
}
