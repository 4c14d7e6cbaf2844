//! Numbers as manifests hold them: written without the machinery of `fmt`, which would take most of the time
//! of writing a line, and read without making text of bytes first.

/// Appends `value`, with zeros before it up to `width` digits.
pub fn push(mut value: u64, width: usize, out: &mut Vec<u8>) {
    let mut digits = [b'0'; 20];
    let mut at = digits.len();
    while value > 0 {
        at -= 1;
        digits[at] = b'0' + u8::try_from(value % 10).unwrap_or(0);
        value /= 10;
    }
    at = at.min(digits.len() - width.clamp(1, digits.len()));
    out.extend_from_slice(&digits[at..]);
}

/// Appends `value` as four octal digits.
pub fn push_octal(value: u32, out: &mut Vec<u8>) {
    let digit = |shift: u32| b'0' + u8::try_from(value >> shift & 7).unwrap_or(0);
    out.extend([digit(9), digit(6), digit(3), digit(0)]);
}

/// `None` for what is not all digits of `base` (at most 16), or too large.
pub fn parse(text: &[u8], base: u8) -> Option<u64> {
    if text.is_empty() {
        return None;
    }
    let mut value: u64 = 0;
    for &byte in text {
        let digit = char::from(byte).to_digit(base.into())?;
        value = value
            .checked_mul(base.into())?
            .checked_add(u64::from(digit))?;
    }
    Some(value)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn pushed(value: u64, width: usize) -> String {
        let mut out = Vec::new();
        push(value, width, &mut out);
        String::from_utf8(out).unwrap()
    }

    proptest! {
        #[test]
        fn numbers_are_written_as_fmt_does(value: u64, width in 1..=20_usize) {
            prop_assert_eq!(pushed(value, width), format!("{value:0width$}"));
        }

        #[test]
        fn modes_are_written_as_fmt_does(mode in 0..=0o7777_u32) {
            let mut out = Vec::new();
            push_octal(mode, &mut out);
            prop_assert_eq!(String::from_utf8(out).unwrap(), format!("{mode:04o}"));
        }

        #[test]
        fn numbers_come_back(value: u64) {
            prop_assert_eq!(parse(value.to_string().as_bytes(), 10), Some(value));
            prop_assert_eq!(parse(format!("{value:x}").as_bytes(), 16), Some(value));
        }
    }

    #[test]
    fn what_is_no_number_is_not_read() {
        let too_large = format!("{}0", u64::MAX);
        for text in ["", "-1", "+1", "1 ", "a", &too_large] {
            assert_eq!(parse(text.as_bytes(), 10), None, "{text}");
        }
        assert_eq!(parse(b"8", 8), None);
    }
}
