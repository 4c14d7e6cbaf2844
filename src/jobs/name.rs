//! Names of the server, jobs, drives and machines: they become folder names on drives.

use std::fmt;

use super::Mistake;

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

    /// As `parse`, with what is wrong and the nearest right name.
    pub fn read(text: &str) -> Result<Self, Mistake> {
        Self::parse(text).map_err(|expected| {
            Mistake::new(format!(
                "`{text}` cannot be a name: it becomes a folder on drives"
            ))
            .allowed(expected)
            .nearest(Self::near(text))
        })
    }

    /// `Inès's Laptop` is near `in-s-s-laptop`: letters are made small, the rest becomes `-`.
    fn near(text: &str) -> Option<String> {
        let small = |c: char| match c.to_ascii_lowercase() {
            c @ ('a'..='z' | '0'..='9' | '-' | '_') => c,
            _ => '-',
        };
        let near: String = text.chars().map(small).collect();
        let near = near.trim_matches(['-', '_']);
        Self::parse(near).ok().map(String::from)
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_wrong_name_is_told_with_the_nearest_right_one() {
        let mistake = Name::read("Ines Laptop").unwrap_err();
        assert_eq!(mistake.nearest.as_deref(), Some("ines-laptop"));
        assert_eq!(Name::read("...").unwrap_err().nearest, None);
        assert_eq!(Name::read("").unwrap_err().nearest, None);
    }

    proptest! {
        #[test]
        fn a_name_reads_back_and_stays_within_one_path_component(text in ".{0,70}") {
            if let Ok(name) = Name::parse(&text) {
                prop_assert_eq!(name.to_string(), text.clone());
                prop_assert!(!text.contains(['/', '.', '\0']) && !text.is_empty());
            }
            if let Some(near) = Name::near(&text) {
                prop_assert!(Name::parse(&near).is_ok());
            }
        }
    }
}
