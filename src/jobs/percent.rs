//! Percentages: "30 %".

use std::fmt;

use super::Mistake;
use super::number::number_and_unit;

/// A whole percentage from 1 to 100.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Percent(pub u8);

impl Percent {
    pub const EXPECTED: &str = "a whole number from 1 to 100 and a percent sign, such as \"30 %\"";

    pub fn parse(text: &str) -> Result<Self, Mistake> {
        let (number, unit, at) = number_and_unit(text).map_err(|m| m.or_allowed(Self::EXPECTED))?;
        let wrong = |message: String| Mistake::new(message).allowed(Self::EXPECTED);
        if unit != "%" {
            let near = text[..at].trim_end();
            return Err(
                wrong(format!("`{text}` is no percentage")).nearest(Some(format!("{near} %")))
            );
        }
        if number.fraction != 0 {
            return Err(wrong(format!("`{text}` is not a whole number")));
        }
        match u8::try_from(number.whole) {
            Ok(percent @ 1..=100) => Ok(Self(percent)),
            Ok(0) => Err(wrong(format!("`{text}` would stop every run"))),
            _ => Err(wrong(format!("`{text}` is more than all"))),
        }
    }
}

impl fmt::Display for Percent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{} %", self.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_space_before_the_sign_is_free() {
        assert_eq!(Percent::parse("30%"), Percent::parse("30 %"));
    }

    #[test]
    fn what_is_no_share_of_a_whole_is_refused() {
        for text in [
            "0 %",
            "101 %",
            "-3 %",
            "30",
            "2.5 %",
            "%",
            "30 per cent",
            "300000 %",
        ] {
            assert!(Percent::parse(text).is_err(), "{text}");
        }
        assert_eq!(
            Percent::parse("30").unwrap_err().nearest.as_deref(),
            Some("30 %")
        );
    }

    proptest! {
        #[test]
        fn a_percentage_reads_back_as_shown(percent in 1_u8..=100) {
            prop_assert_eq!(Percent::parse(&Percent(percent).to_string()).unwrap(), Percent(percent));
        }
    }
}
