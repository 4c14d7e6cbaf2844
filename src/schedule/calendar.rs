//! Which wall-clock times a line names, without zones: the `cron` crate behind a careful translation.
//!
//! That crate counts seconds first, Sunday as 1, and wants both day fields to match. A line that runs
//! on either becomes two schedules whose times are merged. Its times are in UTC here, but mean what a
//! clock on the wall shows.

use std::fmt::Write as _;
use std::str::FromStr;

use chrono::{DateTime, Utc};
use cron::Schedule;

use super::crontab::DayRule;
use super::field::Values;

/// What a clock on the wall shows, in seconds since it showed 1970-01-01 00:00:00.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Wall(pub i64);

/// One schedule, or two where a match of either runs.
#[derive(Clone)]
pub(super) struct Calendar {
    schedules: Vec<Schedule>,
}

/// 2000-01-01, from which a cycle of 28 years shows every leap day on every weekday.
const LONG_AGO: Wall = Wall(946_684_800);

impl Calendar {
    /// Minute, hour, day, month and weekday (Sunday 0). `None` if the engine does not take the line.
    pub fn new(fields: [Values; 5], rule: DayRule) -> Option<Self> {
        let [minutes, hours, days, months, weekdays] = fields;
        let schedule = |days: &str, weekdays: &str| {
            Schedule::from_str(&format!(
                "0 {} {} {days} {} {weekdays}",
                list(minutes, 60, 0),
                list(hours, 24, 0),
                list(months, 12, 0),
            ))
            .ok()
        };
        // Sunday is 0 in a crontab and 1 in the engine.
        let (days, weekdays) = (list(days, 31, 0), list(weekdays, 7, 1));
        let schedules = match rule {
            DayRule::Both => vec![schedule(&days, &weekdays)?],
            DayRule::Either => vec![schedule(&days, "*")?, schedule("*", &weekdays)?],
        };
        Some(Self { schedules })
    }

    pub fn ever_occurs(&self) -> bool {
        self.first_after(LONG_AGO).is_some()
    }

    /// The first time strictly after `wall`. `None` past the year 2100, where the engine ends.
    pub fn first_after(&self, wall: Wall) -> Option<Wall> {
        let wall = utc(wall)?;
        self.schedules
            .iter()
            .filter_map(|schedule| schedule.after(&wall).next())
            .map(|time| Wall(time.timestamp()))
            .min()
    }

    /// The last time strictly before `wall`.
    pub fn last_before(&self, wall: Wall) -> Option<Wall> {
        let wall = utc(wall)?;
        self.schedules
            .iter()
            .filter_map(|schedule| schedule.after(&wall).next_back())
            .map(|time| Wall(time.timestamp()))
            .max()
    }
}

fn utc(wall: Wall) -> Option<DateTime<Utc>> {
    DateTime::from_timestamp(wall.0, 0)
}

/// The numbers as the engine wants them, each moved up by `shift`; `*` when all of `whole` are there.
fn list(values: Values, whole: u32, shift: u32) -> String {
    if values.count() == whole {
        return "*".to_owned();
    }
    let mut text = String::new();
    for number in values.iter() {
        let comma = if text.is_empty() { "" } else { "," };
        let _ = write!(text, "{comma}{}", number + shift);
    }
    text
}
