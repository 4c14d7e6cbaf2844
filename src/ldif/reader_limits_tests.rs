//! Inputs that fail or have no end.

use std::io::{self, BufReader, Read};

use super::*;

#[test]
fn a_failing_input_is_an_error_with_its_reason() {
    struct Failing;
    impl Read for Failing {
        fn read(&mut self, _: &mut [u8]) -> io::Result<usize> {
            Err(io::Error::other("the drive is gone"))
        }
    }
    let input = BufReader::new((&b"dn: cn=a\ncn: a\n"[..]).chain(Failing));
    let error = Reader::new(input).next().unwrap().unwrap_err();
    assert!(error.to_string().contains("the drive is gone"), "{error}");
}

/// Some text, without end.
struct Endless {
    text: &'static [u8],
    at: usize,
}

impl Read for Endless {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        for byte in &mut *buffer {
            *byte = self.text[self.at];
            self.at = (self.at + 1) % self.text.len();
        }
        Ok(buffer.len())
    }
}

#[test]
fn what_has_no_end_is_refused_at_the_limit() {
    for (before, text) in [
        ("", "a"),
        ("dn: cn=a\ncn: ", "b"),
        ("dn: cn=a\n", "c:\n"),
        ("dn: cn=a\ncn: a\n", "\n "),
        ("dn: cn=a\ncn: a\n", "\n  b"),
        ("# c", "d"),
        ("dn: ", "cn=a+"),
        ("dn: cn=a\nchangetype: modify\n", "delete: cn\n-\n"),
        ("dn: cn=a\nchangetype: modify\nadd: cn\n", "cn:\n"),
        ("dn: cn=a\n", "control: 1.2\n"),
    ] {
        let endless = Endless {
            text: text.as_bytes(),
            at: 0,
        };
        let input = BufReader::new(before.as_bytes().chain(endless));
        let mut reader = Reader::new(input).with_most_bytes(100_000);
        let error = reader.find_map(Result::err).unwrap();
        assert!(
            matches!(error.trouble, LdifTrouble::TooLarge { most: 100_000 }),
            "{before}{text}: {error}"
        );
        // a buffer more than the limit
        assert!(
            reader.bytes() < 120_000,
            "{before}{text}: {}",
            reader.bytes()
        );
    }
}

#[test]
fn folded_comments_take_no_memory_and_the_limit_is_of_each_record() {
    let comment = format!("# {}\n", "c\n ".repeat(100_000));
    let entry = format!("dn: cn=a\ncn: {}\n\n", "v".repeat(500));
    let text = format!("{comment}{}", format!("{entry}{comment}").repeat(3));
    let reader = Reader::new(text.as_bytes()).with_most_bytes(1000);
    assert_eq!(reader.map(Result::unwrap).count(), 3);
    let reader = Reader::new(text.as_bytes()).with_most_bytes(600);
    assert!(reader.last().unwrap().is_err());
}
