//! One command: a program, its arguments and the environment it needs beyond the usual.

use std::collections::BTreeMap;
use std::ffi::{OsStr, OsString};
use std::fmt::{self, Write as _};
use std::os::unix::ffi::OsStrExt;

/// A command as data. No shell reads it; [`fmt::Display`] quotes it so that a person can paste it into one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Argv {
    pub program: OsString,
    pub args: Vec<OsString>,
    pub env: BTreeMap<OsString, OsString>,
}

impl Argv {
    pub fn new(program: impl Into<OsString>) -> Self {
        Self {
            program: program.into(),
            args: Vec::new(),
            env: BTreeMap::new(),
        }
    }

    #[must_use]
    pub fn arg(mut self, arg: impl Into<OsString>) -> Self {
        self.args.push(arg.into());
        self
    }

    #[must_use]
    pub fn args<I, S>(mut self, args: I) -> Self
    where
        I: IntoIterator<Item = S>,
        S: Into<OsString>,
    {
        self.args.extend(args.into_iter().map(Into::into));
        self
    }

    /// `--option=value`, with a value that may hold any byte.
    #[must_use]
    pub fn option(self, option: &str, value: impl AsRef<OsStr>) -> Self {
        let mut arg = OsString::from(option);
        arg.push("=");
        arg.push(value);
        self.arg(arg)
    }

    #[must_use]
    pub fn env(mut self, name: impl Into<OsString>, value: impl Into<OsString>) -> Self {
        self.env.insert(name.into(), value.into());
        self
    }

    /// Program and arguments, each quoted for a POSIX shell; bytes that are not UTF-8 as `$'\377'`.
    pub fn words(&self) -> Vec<String> {
        std::iter::once(&self.program)
            .chain(&self.args)
            .map(|word| quote(word))
            .collect()
    }
}

impl fmt::Display for Argv {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.words().join(" "))
    }
}

/// Quotes one word for a POSIX shell (POSIX.1-2024, 2.2), with `$'…'` only where a plain quote
/// would put control characters or broken UTF-8 on the screen.
pub fn quote(word: &OsStr) -> String {
    let bytes = word.as_bytes();
    let plain = |b: &u8| b.is_ascii_alphanumeric() || b"-_=+,./:@%".contains(b);
    if !bytes.is_empty() && bytes.iter().all(plain) {
        return String::from_utf8_lossy(bytes).into_owned();
    }
    match std::str::from_utf8(bytes) {
        Ok(text) if !text.chars().any(needs_escape) => format!("'{}'", text.replace('\'', r"'\''")),
        _ => dollar_quote(bytes),
    }
}

/// Control characters, and the marks that reorder text on a screen.
fn needs_escape(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

fn dollar_quote(bytes: &[u8]) -> String {
    let mut out = String::from("$'");
    for &byte in bytes {
        match byte {
            b'\'' | b'\\' => {
                out.push('\\');
                out.push(char::from(byte));
            }
            0x20..=0x7e => out.push(char::from(byte)),
            _ => {
                let _ = write!(out, "\\{byte:03o}");
            }
        }
    }
    out.push('\'');
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::os::unix::ffi::OsStringExt;
    use std::process::Command;

    #[test]
    fn a_command_reads_as_a_person_would_type_it() {
        let argv = Argv::new("rsync")
            .arg("-aH")
            .option("--exclude", "*.tmp")
            .arg("/srv/our files");
        assert_eq!(
            argv.to_string(),
            "rsync -aH '--exclude=*.tmp' '/srv/our files'"
        );
    }

    #[test]
    fn text_that_reorders_the_screen_is_spelled_out() {
        assert_eq!(quote(OsStr::new("a\u{202e}b")), r"$'a\342\200\256b'");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        /// bash, a general-purpose shell, is the oracle.
        #[test]
        fn bash_reads_back_exactly_the_word_that_was_quoted(bytes in proptest::collection::vec(1u8.., 0..40)) {
            let word = OsString::from_vec(bytes.clone());
            let script = format!("printf %s {}", quote(&word));
            let out = Command::new("bash").arg("-c").arg(script).output().unwrap();
            prop_assert_eq!(out.stdout, bytes);
        }
    }
}
