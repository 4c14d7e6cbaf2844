//! One field of a crontab line: `*`, numbers, names, ranges, lists and steps.
//!
//! Lists and ranges are POSIX crontab; steps (`*/15`, `10-50/10`) and names (`MON`, `JAN`) are
//! extensions of Debian crontab(5). Ranges and lists of names are taken too, as cron itself takes them.

use std::ops::Range;

use super::CrontabError;

/// What one of the five fields may hold.
#[derive(Debug)]
pub(super) struct Field {
    pub word: &'static str,
    pub low: u32,
    pub high: u32,
    /// Three-letter names, the first standing for `low`.
    pub names: &'static [&'static str],
    pub allowed: &'static str,
}

pub(super) const MINUTE: Field = Field {
    word: "minute",
    low: 0,
    high: 59,
    names: &[],
    allowed: "minute: `0` to `59`, `*`, a range `10-50`, a list `0,30`, a step `*/15`",
};

pub(super) const HOUR: Field = Field {
    word: "hour",
    low: 0,
    high: 23,
    names: &[],
    allowed: "hour: `0` to `23`, `*`, a range `8-18`, a list `2,14`, a step `*/6`",
};

pub(super) const DAY: Field = Field {
    word: "day of month",
    low: 1,
    high: 31,
    names: &[],
    allowed: "day of month: `1` to `31`, `*`, a range `1-7`, a list `1,15`, a step `*/10`",
};

pub(super) const MONTH: Field = Field {
    word: "month",
    low: 1,
    high: 12,
    names: &[
        "JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC",
    ],
    allowed: "month: `1` to `12` or `JAN` to `DEC`, `*`, a range `3-10`, a list `3,9`, a step `*/3`",
};

pub(super) const WEEKDAY: Field = Field {
    word: "day of week",
    low: 0,
    high: 7,
    names: &["SUN", "MON", "TUE", "WED", "THU", "FRI", "SAT"],
    allowed: "day of week: `0` to `7` (0 and 7 are Sunday) or `SUN` to `SAT`, `*`, a range `1-5`, a list `1,4`",
};

/// The numbers a field stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Values {
    bits: u64,
    begins_with_star: bool,
}

impl Values {
    pub fn contains(self, number: u32) -> bool {
        number < 64 && self.bits >> number & 1 == 1
    }

    pub fn iter(self) -> impl Iterator<Item = u32> + Clone {
        (0..64).filter(move |&number| self.contains(number))
    }

    pub fn count(self) -> u32 {
        self.bits.count_ones()
    }

    /// The number, when there is exactly one.
    pub fn single(self) -> Option<u32> {
        (self.count() == 1).then(|| self.bits.trailing_zeros())
    }

    /// Debian cron asks whether the field begins with `*`, not whether it stands for everything.
    pub fn begins_with_star(self) -> bool {
        self.begins_with_star
    }

    /// Weekday 7 is Sunday, the same as 0.
    fn with_seven_as_sunday(mut self) -> Self {
        if self.contains(7) {
            self.bits = self.bits & !(1 << 7) | 1;
        }
        self
    }
}

impl Field {
    /// Reads `text[range]`, one field of the line `text`.
    pub fn parse(&self, text: &str, range: Range<usize>) -> Result<Values, CrontabError> {
        let mut bits = 0;
        let mut begin = range.start;
        for item in text[range.clone()].split(',') {
            let here = begin..begin + item.len();
            begin = here.end + 1;
            for number in self.item(item).map_err(|message| {
                // An empty item has no text of its own to point at.
                let range = if item.is_empty() { range.clone() } else { here };
                self.error(range, message)
            })? {
                bits |= 1 << number;
            }
        }
        let values = Values {
            bits,
            begins_with_star: text[range].starts_with('*'),
        };
        Ok(if self.high == 7 {
            values.with_seven_as_sunday()
        } else {
            values
        })
    }

    pub fn error(&self, range: Range<usize>, message: String) -> CrontabError {
        CrontabError {
            range,
            message,
            allowed: self.allowed.to_owned(),
        }
    }

    fn item(&self, item: &str) -> Result<impl Iterator<Item = u32> + use<>, String> {
        let word = self.word;
        if item.is_empty() {
            return Err(format!(
                "the {word} field has a comma with nothing on one side"
            ));
        }
        let (span, step) = match item.split_once('/') {
            Some((span, step)) => (span, Some(step)),
            None => (item, None),
        };
        let (first, last) = if span == "*" {
            (self.low, self.high_distinct())
        } else if let Some((first, last)) = span.split_once('-') {
            (self.number(first, item)?, self.number(last, item)?)
        } else {
            let only = self.number(span, item)?;
            if step.is_some() {
                return Err(format!(
                    "`{item}`: a step needs a range or `*` before the `/`, such as `{only}-{}/{}`",
                    self.high,
                    step.unwrap_or_default()
                ));
            }
            (only, only)
        };
        if last < first {
            return Err(self.backwards(item, first, last));
        }
        let step = step.map_or(Ok(1), |step| self.step(step, item))?;
        Ok((first..=last).step_by(step))
    }

    /// `*` in the weekday field is 0-6: 7 would be Sunday again and upset a step.
    fn high_distinct(&self) -> u32 {
        self.high.min(if self.high == 7 { 6 } else { 59 })
    }

    fn backwards(&self, item: &str, first: u32, last: u32) -> String {
        let remedy = if last == 0 && self.high == 7 {
            format!("; Sunday at the end of a range is 7: `{first}-7`")
        } else {
            format!(
                "; write it as a list of two: `{first}-{},{}-{last}`",
                self.high_distinct(),
                self.low
            )
        };
        format!("the range `{item}` runs backwards{remedy}")
    }

    fn step(&self, step: &str, item: &str) -> Result<usize, String> {
        match digits(step) {
            None => Err(format!(
                "`{item}`: the step `{step}` is not a whole number above 0"
            )),
            Some(0) => Err(format!("`{item}`: a step of 0 would never move on")),
            Some(step) if step > self.high => Err(format!(
                "`{item}`: a step of {step} is longer than the {} field, which ends at {}",
                self.word, self.high
            )),
            Some(step) => Ok(step as usize),
        }
    }

    fn number(&self, text: &str, item: &str) -> Result<u32, String> {
        let inside = if text == item {
            String::new()
        } else {
            format!(" in `{item}`")
        };
        if let Some(at) = self
            .names
            .iter()
            .position(|name| name.eq_ignore_ascii_case(text))
        {
            return Ok(self.low + u32::try_from(at).unwrap_or(0));
        }
        match digits(text) {
            Some(number) if (self.low..=self.high).contains(&number) => Ok(number),
            Some(_) => Err(format!("{} `{text}`{inside} is out of range", self.word)),
            None if text.is_empty() => Err(format!("`{item}`: one end of the range is missing")),
            None => Err(format!("`{text}`{inside} is not a {}", self.word)),
        }
    }
}

/// Plain ASCII digits only: `str::parse` would let a `+` through.
fn digits(text: &str) -> Option<u32> {
    let plain = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    if plain {
        Some(text.parse().unwrap_or(u32::MAX))
    } else {
        None
    }
}
