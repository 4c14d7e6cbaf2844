//! The number and the unit of texts such as "1.5 TB" and "2 weeks".

use super::Mistake;

/// What stands before the unit, with at most nine digits after the point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Number {
    pub whole: u64,
    /// Billionths.
    pub fraction: u64,
}

pub const BILLION: u64 = 1_000_000_000;

/// Split "1.5 TB" into its number and its unit, and the byte at which the unit begins.
pub fn number_and_unit(text: &str) -> Result<(Number, &str, usize), Mistake> {
    let begin = text.len() - text.trim_start().len();
    let body = text.trim();
    if body.starts_with('-') {
        return Err(Mistake::new(format!("`{text}` is negative")));
    }
    let digits_end = body
        .find(|c: char| !c.is_ascii_digit() && c != '.' && c != ',')
        .unwrap_or(body.len());
    let (digits, rest) = body.split_at(digits_end);
    if digits.is_empty() {
        return Err(Mistake::new(format!(
            "`{text}` does not begin with a number"
        )));
    }
    if digits.contains(',') {
        let pointed = text.replacen(',', ".", 1);
        return Err(Mistake::new(format!(
            "`{digits}` is no number: the decimal sign is a point"
        ))
        .nearest((pointed.matches(['.', ',']).count() == 1).then_some(pointed))
        .at(begin..begin + digits_end));
    }
    let number =
        number(digits).map_err(|message| Mistake::new(message).at(begin..begin + digits_end))?;
    let unit = rest.trim_start();
    let at = begin + body.len() - unit.len();
    Ok((number, unit, at))
}

fn number(digits: &str) -> Result<Number, String> {
    let (whole, fraction) = digits.split_once('.').unwrap_or((digits, "0"));
    let wrong = || format!("`{digits}` is no number");
    let all_digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    if !all_digits(whole) || !all_digits(fraction) {
        return Err(wrong());
    }
    if fraction.len() > 9 {
        return Err(format!("`{digits}` has more than 9 digits after the point"));
    }
    let whole = whole
        .parse()
        .map_err(|_| format!("`{digits}` is too large"))?;
    let fraction = format!("{fraction:0<9}").parse().map_err(|_| wrong())?;
    Ok(Number { whole, fraction })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fraction_is_read_exactly() {
        let (number, unit, at) = number_and_unit("1.05 TB").unwrap();
        assert_eq!((number.whole, number.fraction), (1, 50_000_000));
        assert_eq!((unit, at), ("TB", 5));
    }

    #[test]
    fn a_decimal_comma_is_explained() {
        let mistake = number_and_unit("1,5 TB").unwrap_err();
        assert_eq!(mistake.nearest.as_deref(), Some("1.5 TB"));
        assert_eq!(mistake.range, Some(0..3));
    }

    #[test]
    fn what_is_no_number_is_refused() {
        for text in [
            "",
            "TB",
            "1.2.3 TB",
            ".5 TB",
            "1. TB",
            "-1 TB",
            "99999999999999999999 B",
        ] {
            assert!(number_and_unit(text).is_err(), "{text}");
        }
    }
}
