//! Names of user accounts.

use super::Mistake;

pub const EXPECTED: &str =
    "letters, digits, `.`, `_` and `-`, not beginning with `-`, such as \"postgres\"";

/// A portable user name (POSIX.1-2017 section 3.437).
pub fn is_account_name(text: &str) -> bool {
    !text.is_empty()
        && !text.starts_with('-')
        && text
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || b"._-".contains(&b))
}

pub fn parse_account(text: &str) -> Result<String, Mistake> {
    if text.is_empty() {
        return Err(Mistake::new("the user is empty")
            .help("leave the key `user` out to run as hayloft's own user"));
    }
    if is_account_name(text) {
        Ok(text.to_owned())
    } else {
        Err(Mistake::new(format!("`{text}` is no user name")))
    }
}
