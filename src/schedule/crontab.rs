//! A POSIX crontab line's five time fields.

use std::fmt;
use std::ops::Range;

use super::CrontabError;
use super::calendar::Calendar;
use super::field::{DAY, HOUR, MINUTE, MONTH, Values, WEEKDAY};

/// Five fields, as in POSIX crontab: minute, hour, day of month, month, day of week.
///
/// Steps and names are accepted as in Debian crontab(5). Two lines are equal when they are written
/// the same.
#[derive(Clone)]
pub struct Crontab {
    text: String,
    pub(super) minutes: Values,
    pub(super) hours: Values,
    pub(super) days: Values,
    pub(super) months: Values,
    pub(super) weekdays: Values,
    pub(super) calendar: Calendar,
}

/// How a line follows a change of the clock, by Debian cron(8).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Follows {
    /// Neither minute nor hour begins with `*`: each stated time runs once, come what may.
    StatedTimes,
    /// `*` in minute or hour: runs by the new time at once.
    WallClock,
}

/// How the two day fields are taken together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum DayRule {
    /// Both are restricted: a match of either runs (POSIX crontab, Debian crontab(5)).
    Either,
    /// At least one begins with `*`: both must match.
    Both,
}

impl Crontab {
    /// What a line looks like, for messages.
    pub const EXPECTED: &str = "five fields: minute, hour, day of month, month, day of week, such as `30 2 * * *` for every night at 02:30";

    /// Reads one line. The range in an error counts bytes in `text`.
    pub fn parse(text: &str) -> Result<Self, CrontabError> {
        let fields = fields(text)?;
        let [minute, hour, day, month, weekday] = fields.clone();
        let minutes = MINUTE.parse(text, minute)?;
        let hours = HOUR.parse(text, hour)?;
        let days = DAY.parse(text, day)?;
        let months = MONTH.parse(text, month)?;
        let weekdays = WEEKDAY.parse(text, weekday)?;
        let rule = day_rule(days, weekdays);
        let calendar = Calendar::new([minutes, hours, days, months, weekdays], rule)
            .filter(Calendar::ever_occurs)
            .ok_or_else(|| never(text, &fields))?;
        Ok(Self {
            text: text.trim().to_owned(),
            minutes,
            hours,
            days,
            months,
            weekdays,
            calendar,
        })
    }

    /// The line as it was written, without blanks around it.
    pub fn as_str(&self) -> &str {
        &self.text
    }

    pub(super) fn follows(&self) -> Follows {
        if self.minutes.begins_with_star() || self.hours.begins_with_star() {
            Follows::WallClock
        } else {
            Follows::StatedTimes
        }
    }

    pub(super) fn day_rule(&self) -> DayRule {
        day_rule(self.days, self.weekdays)
    }
}

fn day_rule(days: Values, weekdays: Values) -> DayRule {
    if days.begins_with_star() || weekdays.begins_with_star() {
        DayRule::Both
    } else {
        DayRule::Either
    }
}

/// Where the five fields stand.
fn fields(text: &str) -> Result<[Range<usize>; 5], CrontabError> {
    let blank = |b: u8| b == b' ' || b == b'\t';
    let mut found: Vec<Range<usize>> = Vec::new();
    for (at, byte) in text.bytes().enumerate() {
        match found.last_mut() {
            _ if blank(byte) => {}
            Some(field) if field.end == at => field.end = at + 1,
            _ => found.push(at..at + 1),
        }
    }
    if let Some(first) = found.first()
        && text[first.clone()].starts_with('@')
    {
        return Err(shorthand(&text[first.clone()], first.clone()));
    }
    let count = found.len();
    <[Range<usize>; 5]>::try_from(found).map_err(|found| CrontabError {
        range: if count > 5 {
            found[5].start..found[count - 1].end
        } else {
            0..text.len()
        },
        message: format!(
            "a crontab line has five fields, this one has {}",
            if count == 0 {
                "none".to_owned()
            } else {
                count.to_string()
            }
        ),
        allowed: Crontab::EXPECTED.to_owned(),
    })
}

/// `@daily` and the like are no POSIX crontab; Debian crontab(5) tells what they stand for.
fn shorthand(word: &str, range: Range<usize>) -> CrontabError {
    let line = match word.to_ascii_lowercase().as_str() {
        "@yearly" | "@annually" => Some("0 0 1 1 *"),
        "@monthly" => Some("0 0 1 * *"),
        "@weekly" => Some("0 0 * * 0"),
        "@daily" | "@midnight" => Some("0 0 * * *"),
        "@hourly" => Some("0 * * * *"),
        _ => None,
    };
    CrontabError {
        range,
        message: match line {
            Some(line) => format!("`{word}` is not a POSIX crontab line; write `{line}`"),
            None => format!("`{word}` is not a POSIX crontab line"),
        },
        allowed: Crontab::EXPECTED.to_owned(),
    }
}

fn never(text: &str, fields: &[Range<usize>; 5]) -> CrontabError {
    DAY.error(
        fields[2].clone(),
        format!(
            "this line can never occur: no month `{}` has a day `{}`",
            &text[fields[3].clone()],
            &text[fields[2].clone()]
        ),
    )
}

impl fmt::Display for Crontab {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.text)
    }
}

impl fmt::Debug for Crontab {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("Crontab").field(&self.text).finish()
    }
}

impl PartialEq for Crontab {
    fn eq(&self, other: &Self) -> bool {
        self.text == other.text
    }
}

impl Eq for Crontab {}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn refused(text: &str, part: &str, message: &str) {
        let error = Crontab::parse(text).expect_err(text);
        assert_eq!(&text[error.range.clone()], part, "range in `{text}`");
        assert!(
            error.message.contains(message),
            "`{text}`: {}",
            error.message
        );
    }

    fn numbers(values: Values) -> Vec<u32> {
        values.iter().collect()
    }

    #[test]
    fn fields_are_read_with_lists_ranges_steps_and_names() {
        // Debian crontab(5): "0-4,8-12", "0-23/2", "*/2", names by their first three letters in any case.
        let line = Crontab::parse("10-50/10\t*/2 1,15 jan,JUN-aug 5-7").unwrap();
        assert_eq!(numbers(line.minutes), [10, 20, 30, 40, 50]);
        assert_eq!(
            numbers(line.hours),
            [0, 2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 22]
        );
        assert_eq!(numbers(line.days), [1, 15]);
        assert_eq!(numbers(line.months), [1, 6, 7, 8]);
        assert_eq!(numbers(line.weekdays), [0, 5, 6]);
        assert_eq!(line.to_string(), "10-50/10\t*/2 1,15 jan,JUN-aug 5-7");
    }

    #[test]
    fn seven_and_zero_are_both_sunday() {
        for weekday in ["0", "7", "SUN", "sun"] {
            let line = Crontab::parse(&format!("0 0 * * {weekday}")).unwrap();
            assert_eq!(numbers(line.weekdays), [0], "{weekday}");
        }
    }

    #[test]
    fn a_line_with_the_wrong_number_of_fields_is_refused() {
        refused("30 2 * *", "30 2 * *", "has 4");
        refused("", "", "has none");
        refused("0 30 2 * * * 2026", "* 2026", "has 7");
    }

    #[test]
    fn a_shorthand_is_refused_with_the_line_it_stands_for() {
        refused(" @daily", "@daily", "write `0 0 * * *`");
        refused("@Weekly", "@Weekly", "write `0 0 * * 0`");
        refused("@reboot", "@reboot", "not a POSIX crontab line");
    }

    #[test]
    fn garbage_is_refused_at_the_item_that_is_wrong() {
        refused("60 2 * * *", "60", "minute `60` is out of range");
        refused("0 0,24 * * *", "24", "hour `24` is out of range");
        refused("0 0 0 * *", "0", "day of month `0` is out of range");
        refused("0 0 * 13 *", "13", "month `13` is out of range");
        refused("0 0 * * 8", "8", "day of week `8` is out of range");
        refused("5,50-10 0 * * *", "50-10", "runs backwards");
        refused("0 0 * * FRI-SUN", "FRI-SUN", "`5-7`");
        refused("0 22-4 * * *", "22-4", "`22-23,0-4`");
        refused("*/0 * * * *", "*/0", "step of 0");
        refused("*/90 * * * *", "*/90", "longer than the minute field");
        refused("*/x * * * *", "*/x", "not a whole number");
        refused("5/15 * * * *", "5/15", "`5-59/15`");
        refused("1,,2 * * * *", "1,,2", "comma");
        refused("1- * * * *", "1-", "one end");
        refused("+5 * * * *", "+5", "`+5` is not a minute");
        refused("0 0 * * MONDAY", "MONDAY", "not a day of week");
        refused("0 0 * ÄPR *", "ÄPR", "not a month");
        refused(
            "99999999999999999999 0 * * *",
            "99999999999999999999",
            "out of range",
        );
    }

    #[test]
    fn a_line_that_can_never_occur_is_refused() {
        refused("0 0 30 2 *", "30", "never occur");
        refused("0 0 31 2,4,6,9,11 *", "31", "never occur");
        // The leap day does occur, and so does "the 30th or a Monday, in February".
        Crontab::parse("0 0 29 2 *").unwrap();
        Crontab::parse("0 0 30 2 1").unwrap();
    }
}
