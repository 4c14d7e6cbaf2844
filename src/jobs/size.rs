//! Sizes: "1.5 TB", "20 GiB", "800 bytes".

use std::fmt;

use super::number::{BILLION, number_and_unit};
use super::{Mistake, reading::nearest};

/// A number of bytes.
#[derive(
    Debug,
    Clone,
    Copy,
    Default,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    serde::Serialize,
    serde::Deserialize,
)]
#[serde(transparent)]
pub struct Size(pub u64);

/// Decimal prefixes of the SI brochure (9th edition, table 7), binary ones of IEC 80000-13:2008.
const UNITS: [(&str, u64); 11] = [
    ("B", 1),
    ("kB", 1000),
    ("MB", 1000_u64.pow(2)),
    ("GB", 1000_u64.pow(3)),
    ("TB", 1000_u64.pow(4)),
    ("PB", 1000_u64.pow(5)),
    ("KiB", 1 << 10),
    ("MiB", 1 << 20),
    ("GiB", 1 << 30),
    ("TiB", 1 << 40),
    ("PiB", 1 << 50),
];

/// Accepted as well, and never written.
const TOLERATED: [(&str, u64); 4] = [("KB", 1000), ("kiB", 1 << 10), ("byte", 1), ("bytes", 1)];

impl Size {
    pub const EXPECTED: &str =
        "a number and a unit (B, kB, MB, GB, TB, PB, KiB, MiB, GiB, TiB, PiB), such as \"1.5 TB\"";

    pub fn bytes(self) -> u64 {
        self.0
    }

    /// Parse `20 GB`, `1.5TiB`, `800 bytes`. Parts of a byte are dropped.
    pub fn parse(text: &str) -> Result<Self, Mistake> {
        let (number, unit, at) = number_and_unit(text).map_err(|m| m.or_allowed(Self::EXPECTED))?;
        let wrong = |message: String| Mistake::new(message).allowed(Self::EXPECTED);
        if unit.is_empty() {
            return Err(
                wrong(format!("`{text}` has no unit")).nearest(Some(format!("{} GB", text.trim())))
            );
        }
        let known = UNITS
            .iter()
            .chain(&TOLERATED)
            .find(|(name, _)| *name == unit);
        let Some((_, factor)) = known else {
            let near = nearest_unit(unit).map(|near| format!("{}{near}", &text[..at]));
            return Err(wrong(format!("`{unit}` is no unit of size"))
                .nearest(near)
                .at(at..at + unit.len()));
        };
        let factor = u128::from(*factor);
        let bytes = u128::from(number.whole) * factor
            + u128::from(number.fraction) * factor / u128::from(BILLION);
        u64::try_from(bytes)
            .map(Self)
            .map_err(|_| wrong(format!("`{text}` is larger than any drive")))
    }

    /// As `parse`, and more than nothing.
    pub fn parse_some(text: &str) -> Result<Self, Mistake> {
        match Self::parse(text)? {
            Self(0) => {
                Err(Mistake::new(format!("`{text}` is nothing")).allowed("more than 0 bytes"))
            }
            size => Ok(size),
        }
    }
}

fn nearest_unit(unit: &str) -> Option<String> {
    let names = || UNITS.iter().map(|(name, _)| *name);
    let letter = unit.to_ascii_uppercase();
    let by_letter =
        names().find(|name| letter.len() == 1 && name.to_ascii_uppercase() == format!("{letter}B"));
    let by_case = names().find(|name| name.eq_ignore_ascii_case(unit));
    by_case
        .or(by_letter)
        .map(str::to_owned)
        .or_else(|| nearest(unit, names()))
}

impl fmt::Display for Size {
    /// Decimal units with at most one digit after the point: `1.5 TB`, `201 bytes`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let decimal = &UNITS[..6];
        let mut shown = match self.0 {
            1 => "1 byte".to_owned(),
            few => format!("{few} bytes"),
        };
        for (name, factor) in &decimal[1..] {
            if self.0 < factor - factor / 20_000 {
                break;
            }
            let tenths = (u128::from(self.0) * 10 + u128::from(factor / 2)) / u128::from(*factor);
            shown = match (tenths / 10, tenths % 10) {
                (whole, 0) => format!("{whole} {name}"),
                (whole, tenth) => format!("{whole}.{tenth} {name}"),
            };
        }
        f.pad(&shown)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[track_caller]
    fn bytes(text: &str) -> u64 {
        Size::parse(text).unwrap().0
    }

    #[test]
    fn decimal_and_binary_units_are_told_apart() {
        // SI brochure table 7: kilo is 10^3; IEC 80000-13: kibi is 2^10.
        assert_eq!(bytes("1 kB"), 1000);
        assert_eq!(bytes("1 KB"), 1000);
        assert_eq!(bytes("1 KiB"), 1024);
        assert_eq!(bytes("1.5 TB"), 1_500_000_000_000);
        assert_eq!(bytes("20GiB"), 21_474_836_480);
        assert_eq!(bytes("800 bytes"), 800);
        assert_eq!(bytes("0.5 KiB"), 512);
    }

    #[test]
    fn an_unknown_unit_is_told_with_the_nearest() {
        for (text, near) in [
            ("20 gb", "20 GB"),
            ("20 G", "20 GB"),
            ("2 gib", "2 GiB"),
            ("2 TBB", "2 TB"),
        ] {
            assert_eq!(
                Size::parse(text).unwrap_err().nearest.as_deref(),
                Some(near),
                "{text}"
            );
        }
        assert_eq!(Size::parse("20 gb").unwrap_err().range, Some(3..5));
    }

    #[test]
    fn too_large_negative_and_unitless_sizes_are_refused() {
        for text in ["20 EB", "99999 PB", "-1 GB", "20", "", "GB", "1e3 GB"] {
            assert!(Size::parse(text).is_err(), "{text}");
        }
        assert!(Size::parse_some("0 GB").is_err());
    }

    #[test]
    fn a_size_is_shown_with_at_most_one_decimal() {
        for (bytes, shown) in [
            (0, "0 bytes"),
            (1, "1 byte"),
            (999, "999 bytes"),
            (1000, "1 kB"),
            (1_500_000_000_000, "1.5 TB"),
            (999_949, "999.9 kB"),
            (999_960, "1 MB"),
            (u64::MAX, "18446.7 PB"),
        ] {
            assert_eq!(Size(bytes).to_string(), shown);
        }
    }

    proptest! {
        #[test]
        fn a_size_in_whole_tenths_reads_back_as_shown(tenths in 10_u64..9999, unit in 1_usize..6) {
            let size = Size(tenths * (UNITS[unit].1 / 10));
            prop_assert_eq!(Size::parse(&size.to_string()).unwrap(), size);
        }

        #[test]
        fn any_size_reads_back_within_a_twentieth_of_its_unit(bytes in any::<u64>()) {
            let size = Size(bytes);
            let back = Size::parse(&size.to_string()).unwrap();
            prop_assert_eq!(back.to_string(), size.to_string());
            prop_assert!(back.0.abs_diff(bytes) <= bytes / 19 , "{} {}", back.0, bytes);
        }

        #[test]
        fn no_text_makes_the_parser_panic(text in ".{0,20}") {
            let _ = Size::parse(&text);
        }
    }
}
