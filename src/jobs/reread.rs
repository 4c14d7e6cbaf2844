//! `reread = { … }` of a drive: within which time every byte on it is read again, when, and how fast.

use jiff::{Timestamp, tz::TimeZone};

use super::reading::{Table, Value};
use super::schedule_text::{CRONTAB, crontab};
use super::{Mistake, Size, Span};
use crate::schedule::Crontab;

#[derive(Debug, Clone, PartialEq)]
pub struct Reread {
    /// The whole drive is done within this.
    pub within: Span,
    /// A part is read at each of these times.
    pub schedule: Crontab,
    /// Bytes a second at most; as fast as it goes where absent.
    pub rate: Option<Size>,
}

impl Reread {
    const EXPECTED: &str =
        "a table such as { within = \"3 months\", schedule = \"0 4 * * SUN\", rate = \"40 MB\" }";
    /// Sundays at four, unless `schedule` is given.
    const WEEKLY: &str = "0 4 * * SUN";

    pub(super) fn read(table: &mut Table<'_>) -> Option<Self> {
        let value = table.take("reread")?;
        let words = format!("`reread` in {}", table.words);
        let mut own = value.table(words, Self::EXPECTED)?;
        own.range = value.range.clone();
        let within = own.required("within", Span::EXPECTED, Span::parse);
        let schedule = match own.take("schedule") {
            Some(written) => written.parse(CRONTAB, crontab),
            None => Crontab::parse(Self::WEEKLY).ok(),
        };
        let rate = own.optional("rate", Size::EXPECTED, Size::parse_some);
        own.finish();
        let reread = Self {
            within: within?,
            schedule: schedule?,
            rate,
        };
        reread.check(&value);
        Some(reread)
    }

    fn check(&self, value: &Value<'_>) {
        if self.longest_wait() <= self.within.seconds() {
            return;
        }
        let message = format!(
            "`within` is \"{}\", but there can be longer than that between two times of `schedule`",
            self.within
        );
        value.refuse(Mistake::new(message).help(
            "a part of the drive is read at each time: give a longer `within`, or more times",
        ));
    }

    /// The longest of the next waits, in seconds. Any year will do: what matters are the distances.
    fn longest_wait(&self) -> u64 {
        let times = self
            .schedule
            .upcoming(&TimeZone::UTC, Timestamp::UNIX_EPOCH, 60);
        let waits = times.windows(2).map(|pair| pair[1].duration_since(pair[0]));
        let longest = waits.max().map_or(0, |wait| wait.as_secs());
        u64::try_from(longest).unwrap_or(0)
    }
}
