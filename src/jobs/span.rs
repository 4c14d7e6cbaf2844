//! Spans of time: "6 hours", "2 weeks", "3 months".

use std::fmt;

use super::number::number_and_unit;
use super::{Mistake, reading::nearest};

/// A whole number of one unit, kept as written so that "3 months" can follow the calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Span {
    pub amount: u32,
    pub unit: Unit,
}

#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "lowercase")]
pub enum Unit {
    Second,
    Minute,
    Hour,
    Day,
    Week,
    Month,
    Year,
}

impl Span {
    pub const EXPECTED: &str = "a whole number and a unit (seconds, minutes, hours, days, weeks, months, years), such as \"2 weeks\"";

    /// Longer spans are a slip, and would leave the calendar.
    const MAX_YEARS: u64 = 1000;

    /// Parse `2 weeks`, `1 day`, `90 minutes`; at least one, at most 1000 years.
    pub fn parse(text: &str) -> Result<Self, Mistake> {
        let wrong = |message: String| Mistake::new(message).allowed(Self::EXPECTED);
        let (number, word, at) = number_and_unit(text).map_err(|m| m.or_allowed(Self::EXPECTED))?;
        if number.fraction != 0 {
            return Err(wrong(format!("`{text}` is not a whole number"))
                .help("write it in a smaller unit, such as \"36 hours\" for one and a half days"));
        }
        if word.is_empty() {
            return Err(wrong(format!("`{text}` has no unit")));
        }
        let Some(unit) = Unit::ALL.into_iter().find(|u| u.is_called(word)) else {
            let near = Unit::near(word).map(|near| format!("{}{near}", &text[..at]));
            return Err(wrong(format!("`{word}` is no unit of time"))
                .nearest(near)
                .at(at..at + word.len()));
        };
        let too_long = || wrong(format!("`{text}` is longer than {} years", Self::MAX_YEARS));
        let amount = u32::try_from(number.whole).map_err(|_| too_long())?;
        let span = Self { amount, unit };
        if amount == 0 {
            return Err(wrong(format!("`{text}` is no time at all")));
        }
        if span.seconds() > Self::MAX_YEARS * 31_557_600 {
            return Err(too_long());
        }
        Ok(span)
    }

    /// Length in seconds; a month is a twelfth of a year of 365.25 days.
    pub fn seconds(self) -> u64 {
        let unit = match self.unit {
            Unit::Second => 1,
            Unit::Minute => 60,
            Unit::Hour => 3600,
            Unit::Day => 86_400,
            Unit::Week => 604_800,
            Unit::Month => 2_629_800,
            Unit::Year => 31_557_600,
        };
        u64::from(self.amount) * unit
    }

    pub fn duration(self) -> std::time::Duration {
        std::time::Duration::from_secs(self.seconds())
    }
}

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let plural = if self.amount == 1 { "" } else { "s" };
        f.pad(&format!("{} {}{plural}", self.amount, self.unit.word()))
    }
}

impl Unit {
    const ALL: [Self; 7] = [
        Self::Second,
        Self::Minute,
        Self::Hour,
        Self::Day,
        Self::Week,
        Self::Month,
        Self::Year,
    ];

    /// In the singular.
    pub fn word(self) -> &'static str {
        match self {
            Self::Second => "second",
            Self::Minute => "minute",
            Self::Hour => "hour",
            Self::Day => "day",
            Self::Week => "week",
            Self::Month => "month",
            Self::Year => "year",
        }
    }

    fn is_called(self, word: &str) -> bool {
        word.strip_suffix('s').unwrap_or(word) == self.word()
    }

    /// `m` is left out: it could be minutes or months.
    fn near(word: &str) -> Option<String> {
        let short = match word.to_ascii_lowercase().as_str() {
            "s" | "sec" | "secs" => "seconds",
            "min" | "mins" => "minutes",
            "h" | "hr" | "hrs" => "hours",
            "d" => "days",
            "w" | "wk" => "weeks",
            "mo" | "mon" => "months",
            "y" | "yr" => "years",
            _ => {
                let plurals = [
                    "seconds", "minutes", "hours", "days", "weeks", "months", "years",
                ];
                let singulars = Self::ALL.map(Self::word);
                return nearest(word, plurals.into_iter().chain(singulars));
            }
        };
        Some(short.to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn singular_and_plural_are_the_same_unit() {
        assert_eq!(Span::parse("2 weeks"), Span::parse("2 week"));
        assert_eq!(Span::parse("1 day").unwrap().seconds(), 86_400);
        assert_eq!(Span::parse("90minutes").unwrap().seconds(), 5400);
    }

    #[test]
    fn an_unknown_unit_is_told_with_the_nearest() {
        for (text, near) in [
            ("6 h", "6 hours"),
            ("2 weks", "2 weeks"),
            ("3 Months", "3 months"),
            ("5min", "5minutes"),
        ] {
            assert_eq!(
                Span::parse(text).unwrap_err().nearest.as_deref(),
                Some(near),
                "{text}"
            );
        }
        assert_eq!(Span::parse("6 m").unwrap_err().nearest, None);
    }

    #[test]
    fn nothing_negative_fractions_and_eternity_are_refused() {
        for text in [
            "0 days",
            "-1 day",
            "1.5 days",
            "1001 years",
            "99999999999 seconds",
            "2",
            "",
            "weeks",
        ] {
            assert!(Span::parse(text).is_err(), "{text}");
        }
    }

    proptest! {
        #[test]
        fn a_span_reads_back_as_shown(amount in 1_u32..12_000, unit in 0_usize..6) {
            let span = Span { amount, unit: Unit::ALL[unit] };
            prop_assert_eq!(Span::parse(&span.to_string()).unwrap(), span);
        }

        #[test]
        fn no_text_makes_the_parser_panic(text in ".{0,20}") {
            let _ = Span::parse(&text);
        }
    }
}
