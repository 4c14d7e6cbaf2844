//! Names as mtree(5) spells them: vis(3).
//!
//! We write graphic ASCII as it is and every other byte as a backslash with three octal digits, as libarchive
//! does; NetBSD's `mtree` writes `\n`, `\s`, `\^A`, `\M-C`, `\M^?`, `\#` and reads ours as well. `#` begins a
//! comment, a space a keyword, `=` parts a keyword from its value. `*`, `?` and `[` make a name a pattern to
//! `mtree` even when written in octal; `\134\052` would not, but libarchive then sees a backslash in the name.

/// A backslash that is followed by nothing known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Malformed;

/// Appends `name` to `out`.
pub fn encode(name: &[u8], out: &mut Vec<u8>) {
    for &byte in name {
        if is_plain(byte) {
            out.push(byte);
        } else {
            let digit = |shift: u8| b'0' + (byte >> shift & 7);
            out.extend([b'\\', digit(6), digit(3), digit(0)]);
        }
    }
}

fn is_plain(byte: u8) -> bool {
    byte.is_ascii_graphic() && !matches!(byte, b'#' | b'\\' | b'=' | b'*' | b'?' | b'[')
}

/// Appends to `out` what `word` spells, in any style that either program writes.
///
/// # Errors
/// [`Malformed`]; what came before it has been appended.
pub fn decode(word: &[u8], out: &mut Vec<u8>) -> Result<(), Malformed> {
    let mut rest = word;
    while let Some(at) = rest.iter().position(|&byte| byte == b'\\') {
        out.extend_from_slice(&rest[..at]);
        let (byte, length) = escaped(&rest[at + 1..])?;
        out.push(byte);
        rest = &rest[at + 1 + length..];
    }
    out.extend_from_slice(rest);
    Ok(())
}

/// The byte that follows a backslash, and the length of its spelling.
fn escaped(rest: &[u8]) -> Result<(u8, usize), Malformed> {
    let byte = match *rest {
        [b'0'..=b'7', ..] => return octal(rest),
        [b'M', b'-', byte, ..] if byte.is_ascii_graphic() => return Ok((byte | 0x80, 3)),
        [b'M', b'^', byte, ..] => return Ok((control(byte)? | 0x80, 3)),
        [b'^', byte, ..] => return Ok((control(byte)?, 2)),
        [] | [b'^'] => return Err(Malformed),
        [byte, ..] => byte,
    };
    let meant = match byte {
        b'n' => b'\n',
        b'r' => b'\r',
        b't' => b'\t',
        b's' => b' ',
        b'a' => 0x07,
        b'b' => 0x08,
        b'v' => 0x0b,
        b'f' => 0x0c,
        b'E' => 0x1b,
        _ if byte.is_ascii_punctuation() => byte,
        _ => return Err(Malformed),
    };
    Ok((meant, 1))
}

/// One to three octal digits.
fn octal(rest: &[u8]) -> Result<(u8, usize), Malformed> {
    let mut value = 0;
    let mut length = 0;
    for &digit in rest.iter().take(3) {
        if !matches!(digit, b'0'..=b'7') {
            break;
        }
        value = value << 3 | u16::from(digit - b'0');
        length += 1;
    }
    let byte = u8::try_from(value).map_err(|_| Malformed)?;
    Ok((byte, length))
}

/// `?` is DEL; `@` to `_` and the small letters are NUL to US.
fn control(byte: u8) -> Result<u8, Malformed> {
    match byte {
        b'?' => Ok(0x7f),
        b'@'..=b'_' | b'a'..=b'z' => Ok(byte & 0x1f),
        _ => Err(Malformed),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn decoded(word: &[u8]) -> Result<Vec<u8>, Malformed> {
        let mut out = Vec::new();
        decode(word, &mut out).map(|()| out)
    }

    fn encoded(name: &[u8]) -> String {
        let mut out = Vec::new();
        encode(name, &mut out);
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn what_is_not_plain_is_written_in_octal() {
        let name = b" \n\t#\\=*?[\xff~";
        let expected = r"\040\012\011\043\134\075\052\077\133\377~";
        assert_eq!(encoded(name), expected);
        assert_eq!(encoded(b"-a]{$'\"..!"), "-a]{$'\"..!");
    }

    #[test]
    fn the_styles_of_both_programs_are_read() {
        // as bsdtar 3.6.2 (octal) and mtree 20180822 (C style) write names; see tests/it/manifest_oracles.rs
        let words: [(&[u8], &[u8]); 12] = [
            (br"new\012line", b"new\nline"),
            (br"new\nline", b"new\nline"),
            (br"sp\sace", b"sp ace"),
            (br"\^A\^[", b"\x01\x1b"),
            (br"\^?\M^?\M-~", b"\x7f\xff\xfe"),
            (br"caf\M-C\M-)", b"caf\xc3\xa9"),
            (br"x\M^E", b"x\x85"),
            (br"\240nb", b"\xa0nb"),
            (br"\\\#012", b"\\#012"),
            (br"bel\a\b\v\f", b"bel\x07\x08\x0b\x0c"),
            (br"trailb\\", b"trailb\\"),
            (br"\18", b"\x018"),
        ];
        for (word, name) in words {
            assert_eq!(decoded(word).as_deref(), Ok(name));
        }
    }

    #[test]
    fn a_backslash_without_a_known_sequel_is_malformed() {
        for word in [
            r"\", r"a\", r"\400", r"\777", r"\M", r"\M-", r"\^", r"\^!", r"\q", r"\8", r"\x41",
        ] {
            assert_eq!(decoded(word.as_bytes()), Err(Malformed), "{word}");
        }
    }

    proptest! {
        #[test]
        fn every_name_comes_back(name in proptest::collection::vec(any::<u8>(), 0..300)) {
            prop_assert_eq!(decoded(encoded(&name).as_bytes()), Ok(name));
        }

        #[test]
        fn no_word_panics(word in proptest::collection::vec(any::<u8>(), 0..100)) {
            let _ = decoded(&word);
        }
    }
}
