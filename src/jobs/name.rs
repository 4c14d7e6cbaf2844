//! Names of the server, jobs, drives and machines: they become folder names on drives.

use std::fmt;

#[derive(
    Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(try_from = "String", into = "String")]
pub struct Name(String);

impl Name {
    pub const EXPECTED: &str = "1 to 64 of a-z, 0-9, `-` and `_`, beginning with a letter or digit, such as `studio-files`";

    pub fn parse(text: &str) -> Result<Self, String> {
        let good = text
            .bytes()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-' || b == b'_');
        let begins = text
            .bytes()
            .next()
            .is_some_and(|b| b.is_ascii_alphanumeric());
        if good && begins && text.len() <= 64 {
            Ok(Self(text.to_owned()))
        } else {
            Err(Self::EXPECTED.to_owned())
        }
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl TryFrom<String> for Name {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        Self::parse(&text)
    }
}

impl From<Name> for String {
    fn from(name: Name) -> Self {
        name.0
    }
}
