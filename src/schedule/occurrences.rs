//! The instants at which a line runs in a zone, over changes of the clock.
//!
//! Debian cron(8): "If the time has moved forwards, those jobs which would have run in the time that
//! was skipped will be run soon after the change. Conversely, if the time has moved backwards by less
//! than 3 hours, those jobs that fall into the repeated time will not be re-run. Only jobs that run at
//! a particular time (not specified as @hourly, nor with '*' in the hour or minute specifier) are
//! affected. Jobs which are specified with wildcards are run based on the new time immediately. Clock
//! changes of more than 3 hours are considered to be corrections to the clock, and the new time is
//! used immediately."
//!
//! Time is walked in stretches with one offset from UTC each, so that wall-clock times and instants
//! are in the same order within a stretch.

use jiff::{SignedDuration, Timestamp, tz::TimeZone};

use super::Crontab;
use super::calendar::Wall;
use super::crontab::Follows;

/// A change of the clock of this many seconds or more is a correction: cron(8), "more than 3 hours".
pub(super) const CORRECTION_SECONDS: i64 = 3 * 3600;

impl Crontab {
    /// The first time strictly after `after`. `None` past the year 2100.
    pub fn next_after(&self, zone: &TimeZone, after: Timestamp) -> Option<Timestamp> {
        let mut stretch = Stretch::around(zone, after);
        let mut from = after.as_second();
        loop {
            let mut wall = stretch.wall(from);
            if let Some(repeated) = self.not_again_before(&stretch) {
                wall = wall.max(Wall(repeated.0 - 1));
            }
            let found = self.calendar.first_after(wall)?;
            let Some(end) = stretch.end.filter(|&end| stretch.instant(found) >= end) else {
                return Timestamp::from_second(stretch.instant(found)).ok();
            };
            stretch = Stretch::around(zone, Timestamp::from_second(end).ok()?);
            if self.runs_after_gap(&stretch, found) {
                return Timestamp::from_second(end).ok();
            }
            from = end - 1;
        }
    }

    /// The next `n` times strictly after `after`.
    pub fn upcoming(&self, zone: &TimeZone, after: Timestamp, n: usize) -> Vec<Timestamp> {
        std::iter::successors(self.next_after(zone, after), |&time| {
            self.next_after(zone, time)
        })
        .take(n)
        .collect()
    }

    /// The last time in (`after`, `until`], found from the end, so that a long window costs nothing.
    pub fn latest_in(
        &self,
        zone: &TimeZone,
        after: Timestamp,
        until: Timestamp,
    ) -> Option<Timestamp> {
        let mut last = until;
        loop {
            let stretch = Stretch::around(zone, last);
            let found = self
                .calendar
                .last_before(Wall(stretch.wall(last.as_second()).0 + 1));
            let fresh = match self.not_again_before(&stretch) {
                Some(repeated) => found.filter(|&wall| wall >= repeated),
                None => found,
            };
            let start = stretch.start.unwrap_or(i64::MIN);
            if let Some(wall) = fresh.filter(|&wall| stretch.instant(wall) >= start) {
                return Timestamp::from_second(stretch.instant(wall))
                    .ok()
                    .filter(|&time| time > after);
            }
            let start = Timestamp::from_second(stretch.start?).ok()?;
            if start <= after {
                return None;
            }
            if found.is_some_and(|wall| self.runs_after_gap(&stretch, wall)) {
                return Some(start);
            }
            last = start - SignedDuration::from_nanos(1);
        }
    }

    /// The wall-clock time before which `stretch` only repeats what this line has already run.
    fn not_again_before(&self, stretch: &Stretch) -> Option<Wall> {
        let back = stretch.before - stretch.offset;
        let repeats =
            self.follows() == Follows::StatedTimes && (1..CORRECTION_SECONDS).contains(&back);
        Some(Wall(stretch.start? + stretch.before)).filter(|_| repeats)
    }

    /// Whether `wall` was skipped when `stretch` began, and is made up for at its first instant.
    fn runs_after_gap(&self, stretch: &Stretch, wall: Wall) -> bool {
        let forward = stretch.offset - stretch.before;
        let skips =
            self.follows() == Follows::StatedTimes && (1..CORRECTION_SECONDS).contains(&forward);
        skips
            && stretch.start.is_some_and(|start| {
                (start + stretch.before..start + stretch.offset).contains(&wall.0)
            })
    }
}

/// Time from one change of the zone's offset to the next, in seconds since 1970-01-01T00:00:00Z.
struct Stretch {
    start: Option<i64>,
    /// Exclusive.
    end: Option<i64>,
    /// Seconds east of UTC.
    offset: i64,
    /// The offset just before `start`.
    before: i64,
}

impl Stretch {
    fn around(zone: &TimeZone, time: Timestamp) -> Self {
        let instant = SignedDuration::from_nanos(1);
        let offset = |time| i64::from(zone.to_offset(time).seconds());
        // `preceding` is strict, and a stretch holds its own first instant.
        let start = zone
            .preceding(time.saturating_add(instant).unwrap_or(time))
            .next()
            .map(|transition| transition.timestamp());
        Self {
            start: start.map(Timestamp::as_second),
            end: zone
                .following(time)
                .next()
                .map(|transition| transition.timestamp().as_second()),
            offset: offset(time),
            before: start
                .and_then(|start| start.checked_sub(instant).ok())
                .map_or(offset(time), offset),
        }
    }

    fn wall(&self, instant: i64) -> Wall {
        Wall(instant + self.offset)
    }

    fn instant(&self, wall: Wall) -> i64 {
        wall.0 - self.offset
    }
}
