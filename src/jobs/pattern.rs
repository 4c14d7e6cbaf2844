//! `exclude`: what a job leaves out.
//!
//! A pattern that begins with `/` names one path from the root of the source host; any other matches
//! the last part of a path, at any depth. `*`, `?` and `[…]` stay within one name, and `\` takes its
//! special meaning from the character that follows. A pattern that ends with `/` leaves out all that is
//! in such folders; the folders themselves stay, with their owners and modes, so that the programs that
//! expect them find them after a restore.

use std::fmt;

use super::Mistake;

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern(pub String);

impl Pattern {
    pub const EXPECTED: &str = "a name such as \"*.tmp\", a folder such as \"cache/\", or a path from the root such as \"/srv/studio/cache/\"";

    /// Refuses what would mean something else, or nothing, to rsync's filter rules (rsync(1), FILTER RULES).
    pub fn parse(text: &str) -> Result<Self, Mistake> {
        let wrong = |message: &str| {
            Err(Mistake::new(format!("`{text}` {message}")).allowed(Self::EXPECTED))
        };
        if text.is_empty() {
            return Err(Mistake::new("the pattern is empty").allowed(Self::EXPECTED));
        }
        if text.trim_matches('/').is_empty() {
            return wrong("leaves out everything");
        }
        if let Some(at) = text.find(['\0', '\n', '\r']) {
            return Err(Mistake::new("the pattern holds a NUL or a line end")
                .allowed(Self::EXPECTED)
                .at(at..at + 1));
        }
        if let Some(at) = text.find("**") {
            return Err(Mistake::new(
                "`**` is not known here: a pattern without `/` in front matches at any depth",
            )
            .allowed(Self::EXPECTED)
            .nearest(without_double_star(text))
            .at(at..at + 2));
        }
        if let Some(prefix) = ["!", "+ ", "- "].into_iter().find(|p| text.starts_with(p)) {
            return Err(Mistake::new(format!("a pattern cannot begin with `{prefix}`"))
                .allowed(Self::EXPECTED)
                .help(format!("for a name that really begins so, write a `\\` before it, in single quotes: `'\\{prefix}…'`"))
                .at(0..prefix.len()));
        }
        if text.split('/').any(|part| part == ".." || part == ".") {
            return wrong("holds `.` or `..`, and so never matches a path");
        }
        if has_open_bracket(text) {
            return wrong("has a `[` without its `]`");
        }
        if ends_in_lone_backslash(text) {
            return wrong("ends with a `\\` that nothing follows");
        }
        Ok(Self(text.to_owned()))
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The pattern that matches the very entries left out, in the form that fnmatch(3) knows. Not every
    /// tool can tell a folder from a file while it matches, but what lies in one is told by its path.
    pub fn matching(&self) -> String {
        match self.0.strip_suffix('/') {
            Some(folder) => format!("{}/*", folder.trim_end_matches('/')),
            None => self.0.clone(),
        }
    }
}

fn ends_in_lone_backslash(text: &str) -> bool {
    let text = text.trim_end_matches('/');
    let backslashes = text.len() - text.trim_end_matches('\\').len();
    backslashes % 2 == 1
}

fn without_double_star(text: &str) -> Option<String> {
    let near = text
        .trim_start_matches("**/")
        .replace("/**/", "/*/")
        .replace("/**", "/");
    if near.contains("**") {
        return None;
    }
    Pattern::parse(&near).ok().map(|pattern| pattern.0)
}

/// `[]x]` and `[!]x]` hold a bracket (POSIX.1-2017 XBD 9.3.5 by way of XCU 2.13.1); `\[` is no class.
fn has_open_bracket(text: &str) -> bool {
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        rest = &rest[c.len_utf8()..];
        if c == '\\' {
            rest = rest
                .get(rest.chars().next().map_or(0, char::len_utf8)..)
                .unwrap_or("");
        } else if c == '[' {
            let class = rest.strip_prefix(['!', '^']).unwrap_or(rest);
            let first = class.chars().next().map_or(0, char::len_utf8);
            let Some(end) = class[first..].find(']') else {
                return true;
            };
            rest = &class[first + end + 1..];
        }
    }
    false
}

impl fmt::Display for Pattern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn names_folders_and_rooted_paths_are_patterns() {
        for text in [
            "*.tmp",
            "cache/",
            "/srv/studio/cache/",
            "[!a-z]?",
            "a/b",
            "-x",
            "[]]",
            "\\[x",
            "a b",
        ] {
            assert_eq!(Pattern::parse(text).unwrap().0, text);
        }
    }

    #[test]
    fn what_rsync_would_read_as_something_else_is_refused() {
        for text in [
            "", "/", "//", "a/**/b", "**", "! x", "!", "+ x", "- x", "../x", "a/../b", "/./a",
            "a\nb", "a\0", "[x", "a\\", "b\\/",
        ] {
            assert!(Pattern::parse(text).is_err(), "{text:?}");
        }
        let near = Pattern::parse("**/cache").unwrap_err().nearest;
        assert_eq!(near.as_deref(), Some("cache"));
    }

    proptest! {
        #[test]
        fn a_pattern_reads_back_as_shown(text in "[a-z*?/\\[\\]!. +-]{0,12}") {
            if let Ok(pattern) = Pattern::parse(&text) {
                prop_assert_eq!(Pattern::parse(&pattern.to_string()).unwrap(), pattern);
            }
        }
    }
}
