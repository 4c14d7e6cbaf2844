//! Spans of time: "6 hours", "2 weeks", "3 months".

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
