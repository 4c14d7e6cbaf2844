//! The syntax of a file: TOML v1.1, read on after a mistake so that several are told at once.

use std::ops::Range;

use toml::de::{DeTable, Error};

use super::file_text::floor;
use super::findings::Damage;
use super::{Findings, Mistake};

/// The tree of a file, as far as it could be read; its syntax errors are among the findings.
pub fn parse_tree<'f>(findings: &Findings<'f>) -> DeTable<'f> {
    let text = findings.file.text.as_str();
    let (tree, mut errors) = DeTable::parse_recoverable(text);
    errors.sort_by_key(|error| error.span().map(|span| span.start));
    for error in &errors {
        let (range, damage, mistake) = explain(text, error);
        findings.syntax_error(&range, damage, mistake);
    }
    tree.into_inner()
}

fn explain(text: &str, error: &Error) -> (Range<usize>, Damage, Mistake) {
    let mut range = error.span().unwrap_or(0..0);
    let (words, expected) = error
        .message()
        .split_once(", expected ")
        .unwrap_or((error.message(), ""));
    let damage = damage_of(words);
    let written = text.get(range.clone()).unwrap_or_default();
    let mistake = match words {
        "duplicate key" => Mistake::new(format!("`{written}` is written twice"))
            .help("keep one of the two; a list of tables is written `[[…]]`"),
        "string values must be quoted" if written.is_empty() => {
            Mistake::new("a value is missing after `=`").allowed(VALUES)
        }
        "string values must be quoted" => {
            Mistake::new(format!("text must stand in quotes: `{written}`"))
                .allowed(VALUES)
                .nearest(Some(format!("\"{written}\"")))
        }
        "invalid basic string" | "invalid literal string" if written.is_empty() => {
            Mistake::new("the closing quote is missing").allowed(expected)
        }
        _ if expected.is_empty() => Mistake::new(words),
        _ => Mistake::new(words).allowed(expected),
    };
    step_back_over_line_end(text, &mut range);
    (range, damage, mistake)
}

const VALUES: &str = "text in quotes, a whole number, true, false, a list `[…]` or a table `{…}`";

fn damage_of(words: &str) -> Damage {
    let reaches_on = [
        "array",
        "table",
        "multi-line",
        "key with no value",
        "missing comma",
        "recurs",
    ];
    if reaches_on.iter().any(|part| words.contains(part)) {
        Damage::Rest
    } else {
        Damage::Line
    }
}

/// "Something is missing here" is told at the end of the line it is missing from.
fn step_back_over_line_end(text: &str, range: &mut Range<usize>) {
    if range.start != range.end {
        return;
    }
    let before = &text[..floor(text, range.start)];
    let at_line_start = before.is_empty() || before.ends_with('\n');
    if at_line_start {
        let end = before.trim_end().len();
        *range = end..end;
    }
}
