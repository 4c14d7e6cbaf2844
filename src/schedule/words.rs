//! A crontab line in plain English, for dry runs and reports: "every night at 02:30".
//!
//! Common lines get the phrase a person would use, all others an exact one put together from the
//! fields. Lines that run at different times never read the same.

use super::Crontab;
use super::crontab::DayRule;
use super::field::Values;

const MONTHS: [&str; 13] = [
    "",
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

const WEEKDAYS: [&str; 7] = [
    "Sunday",
    "Monday",
    "Tuesday",
    "Wednesday",
    "Thursday",
    "Friday",
    "Saturday",
];

/// More stated times than this are told by their fields.
const MOST_TIMES: u32 = 4;

/// The day fields and the month, as words.
enum Days {
    All,
    /// "every Monday", said before the time.
    First(String),
    /// "on day 1 of each month", said after the time.
    Last(String),
}

impl Crontab {
    /// When the line runs, without a full stop: "at 06:00 on day 1 of each month".
    pub fn in_words(&self) -> String {
        let months = self.in_months();
        let clock = self.clock();
        match (self.days_in_words(), clock) {
            (Days::All, Clock::Times(times)) => {
                let every = if self.at_night() { "night" } else { "day" };
                format!("every {every} at {times}{months}")
            }
            (Days::First(days), Clock::Times(times)) => format!("{days} at {times}{months}"),
            (Days::Last(days), Clock::Times(times)) => format!("at {times} {days}"),
            (Days::All, Clock::Repeats(often)) => format!("{often}{months}"),
            (Days::First(days), Clock::Repeats(often)) => format!("{often}, {days}{months}"),
            (Days::Last(days), Clock::Repeats(often)) => format!("{often}, {days}"),
        }
    }

    fn at_night(&self) -> bool {
        self.hours.iter().all(|hour| !(6..20).contains(&hour))
    }

    fn clock(&self) -> Clock {
        let (minutes, hours) = (self.minutes, self.hours);
        if minutes.count() * hours.count() <= MOST_TIMES {
            let times = hours.iter().flat_map(|hour| {
                minutes
                    .iter()
                    .map(move |minute| format!("{hour:02}:{minute:02}"))
            });
            return Clock::Times(join(&times.collect::<Vec<_>>()));
        }
        Clock::Repeats(
            match (
                minutes.single(),
                even_step(minutes, 60),
                even_step(hours, 24),
            ) {
                (_, Some(1), Some(1)) => "every minute".to_owned(),
                (Some(0), _, Some(1)) => "every hour on the hour".to_owned(),
                (_, Some(step), Some(1)) => format!("every {step} minutes"),
                (Some(minute), _, Some(1)) => format!("at minute {minute} of every hour"),
                (Some(minute), _, Some(step)) => format!("every {step} hours from 00:{minute:02}"),
                _ => format!(
                    "at minute {} of hour {}",
                    listing(minutes, |minute| minute.to_string()),
                    listing(hours, |hour| hour.to_string())
                ),
            },
        )
    }

    /// " in March", or nothing when every month is meant.
    fn in_months(&self) -> String {
        match self.months.count() {
            12 => String::new(),
            _ => format!(" in {}", listing(self.months, month)),
        }
    }

    fn days_in_words(&self) -> Days {
        let all_days = self.days.count() == 31;
        let all_weekdays = self.weekdays.count() == 7;
        let weekdays = || every_weekday(self.weekdays);
        let of_months = if self.months.count() == 12 {
            "of each month".to_owned()
        } else {
            format!("of {}", listing(self.months, month))
        };
        let in_months = self.in_months();
        let dates = || listing(self.days, |day| day.to_string());
        match (self.day_rule(), all_days, all_weekdays) {
            (_, true, true) | (DayRule::Either, true, _) | (DayRule::Either, _, true) => Days::All,
            (DayRule::Both, true, false) => Days::First(weekdays()),
            (DayRule::Both, false, true) => Days::Last(format!("on day {} {of_months}", dates())),
            (DayRule::Either, ..) => Days::Last(format!(
                "on day {} {of_months} and also {}{in_months}",
                dates(),
                weekdays()
            )),
            (DayRule::Both, ..) => Days::Last(format!(
                "{} that is day {} {of_months}",
                weekdays(),
                dates()
            )),
        }
    }
}

/// The time of day, as words.
enum Clock {
    /// "02:30 and 14:30"
    Times(String),
    /// "every 15 minutes"
    Repeats(String),
}

/// The step, when the numbers are 0, step, 2 x step … and fill `whole` evenly.
fn even_step(values: Values, whole: u32) -> Option<u32> {
    let count = values.count();
    let step = whole / count.max(1);
    (whole.is_multiple_of(count.max(1)) && values.iter().eq((0..whole).step_by(step as usize)))
        .then_some(step)
}

fn every_weekday(weekdays: Values) -> String {
    match weekdays.iter().collect::<Vec<_>>()[..] {
        [first, .., last] if last - first + 1 == weekdays.count() && weekdays.count() > 2 => {
            format!("every day from {} to {}", weekday(first), weekday(last))
        }
        _ => format!("every {}", listing(weekdays, weekday)),
    }
}

fn month(number: u32) -> String {
    MONTHS[number as usize % 13].to_owned()
}

fn weekday(number: u32) -> String {
    WEEKDAYS[number as usize % 7].to_owned()
}

/// "1, 5 to 9 and 20": runs of three and more are told by their ends.
fn listing(values: Values, word: impl Fn(u32) -> String) -> String {
    let mut runs: Vec<(u32, u32)> = Vec::new();
    for number in values.iter() {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == number => *last = number,
            _ => runs.push((number, number)),
        }
    }
    let mut parts = Vec::new();
    for (first, last) in runs {
        if last - first >= 2 {
            parts.push(format!("{} to {}", word(first), word(last)));
        } else {
            parts.extend((first..=last).map(&word));
        }
    }
    join(&parts)
}

fn join(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [only] => only.clone(),
        [head @ .., last] => format!("{} and {last}", head.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[track_caller]
    fn words(line: &str, expected: &str) {
        assert_eq!(Crontab::parse(line).unwrap().in_words(), expected);
    }

    #[test]
    fn common_lines_read_as_a_person_would_say_them() {
        words("30 2 * * *", "every night at 02:30");
        words("0 14 * * *", "every day at 14:00");
        words("30 2,14 * * *", "every day at 02:30 and 14:30");
        words("0 8 * * MON", "every Monday at 08:00");
        words("0 8 * * 1-5", "every day from Monday to Friday at 08:00");
        words("0 3 * * 2,6", "every Tuesday and Saturday at 03:00");
        words("0 6 1 * *", "at 06:00 on day 1 of each month");
        words(
            "0 6 1,15 3,9 *",
            "at 06:00 on day 1 and 15 of March and September",
        );
        words("*/15 * * * *", "every 15 minutes");
        words("* * * * *", "every minute");
        words("0 * * * *", "every hour on the hour");
        words("5 * * * *", "at minute 5 of every hour");
        words("10 */4 * * *", "every 4 hours from 00:10");
        words("0 2 * 6-8 *", "every night at 02:00 in June to August");
    }

    #[test]
    fn the_either_day_rule_is_said_aloud() {
        words(
            "0 3 13 * 5",
            "at 03:00 on day 13 of each month and also every Friday",
        );
        words(
            "0 3 13 1 5",
            "at 03:00 on day 13 of January and also every Friday in January",
        );
        words(
            "0 3 */10 * 1",
            "at 03:00 every Monday that is day 1, 11, 21 and 31 of each month",
        );
    }

    #[test]
    fn other_lines_are_told_exactly() {
        words(
            "0,20 8-18 * * 1",
            "at minute 0 and 20 of hour 8 to 18, every Monday",
        );
        words("*/30 1 * * *", "every night at 01:00 and 01:30");
    }

    proptest! {
        #[test]
        fn lines_that_run_at_different_times_never_read_the_same(
            fields in prop::collection::vec((0u32..7, 0u32..7, 1u32..4, 0u8..4), 5),
            other in (0u32..7, 0u32..7, 1u32..4, 0u8..4), at in 0usize..5,
        ) {
            let text = |fields: &[(u32, u32, u32, u8)]| {
                fields.iter().enumerate().map(|(place, &(a, b, step, form))| {
                    // Days and months begin at 1.
                    let least = u32::from(place == 2 || place == 3);
                    let (a, b) = (a.min(b).max(least), a.max(b).max(least));
                    match form {
                        0 => "*".to_owned(),
                        1 => format!("*/{step}"),
                        2 => format!("{a}-{b}/{step}"),
                        _ => a.to_string(),
                    }
                }).collect::<Vec<_>>().join(" ")
            };
            let mut changed = fields.clone();
            changed[at] = other;
            let pair = (Crontab::parse(&text(&fields)), Crontab::parse(&text(&changed)));
            let (Ok(one), Ok(two)) = pair else { return Ok(()) };
            let year: jiff::Timestamp = "2026-01-01T00:00:00Z".parse().unwrap();
            let utc = jiff::tz::TimeZone::UTC;
            if one.upcoming(&utc, year, 500) != two.upcoming(&utc, year, 500) {
                prop_assert_ne!(one.in_words(), two.in_words(), "`{}` and `{}`", one, two);
            }
        }
    }
}
