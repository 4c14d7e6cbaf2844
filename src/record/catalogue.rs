//! The drive's own list, `catalogue.jsonl`: one [`Generation`] a line, as JSON (RFC 8259).
//!
//! The last line for a name wins. A retired generation stays as a line, so that a rebuild does not bring it
//! back. The file is only ever replaced as a whole; reading bears a torn end, lines that make no sense,
//! and fields of newer versions.

mod file;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use super::{Generation, GenerationName, State};

pub use file::{DAMAGED, FILE, read_in, write_in};

/// More lines than this are not written while there are retired ones to leave out.
const MOST_LINES: usize = 1000;
/// Retired ones older than the newest generation by more than this are left out: one year.
const RETIRED_FOR_SECONDS: i64 = 366 * 86_400;

/// A line that could not be read, and was left out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CatalogueTrouble {
    /// The last line has no end: the drive went away while it was written.
    Torn { line: usize },
    /// Not a generation; `words` says what was expected.
    Unreadable { line: usize, words: String },
}

impl fmt::Display for CatalogueTrouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Torn { line } => write!(f, "{FILE}:{line}: the last line is cut off"),
            Self::Unreadable { line, words } => {
                write!(f, "{FILE}:{line}: not a generation: {words}")
            }
        }
    }
}

/// Read a catalogue: every generation it lists, newest first, retired ones with that state.
pub fn parse(text: &[u8]) -> (Vec<Generation>, Vec<CatalogueTrouble>) {
    let mut generations: BTreeMap<GenerationName, Generation> = BTreeMap::new();
    let mut troubles = Vec::new();
    for (line, bytes) in (1..).zip(text.split_inclusive(|byte| *byte == b'\n')) {
        let whole = bytes.ends_with(b"\n");
        let bytes = bytes.trim_ascii();
        if bytes.is_empty() {
            continue;
        }
        match serde_json::from_slice::<Generation>(bytes) {
            Ok(generation) => {
                generations.insert(generation.name, generation);
            }
            Err(_) if !whole => troubles.push(CatalogueTrouble::Torn { line }),
            Err(error) => troubles.push(CatalogueTrouble::Unreadable {
                line,
                words: error.to_string(),
            }),
        }
    }
    (generations.into_values().rev().collect(), troubles)
}

/// The text of a catalogue, oldest generation first, without retired ones that need not be remembered.
pub fn render(generations: &[Generation]) -> String {
    let mut text = String::new();
    for generation in listed(generations).into_iter().rev() {
        // A struct of strings and numbers always has a JSON text.
        if let Ok(line) = serde_json::to_string(generation) {
            text.push_str(&line);
            text.push('\n');
        }
    }
    text
}

/// The generations that a catalogue lists, newest first: all but retired ones that are older than the
/// newest by more than a year, or beyond 1000 lines. What is not retired is always listed.
pub fn listed(generations: &[Generation]) -> Vec<&Generation> {
    let last: BTreeMap<GenerationName, &Generation> =
        generations.iter().map(|one| (one.name, one)).collect();
    let Some(newest) = last
        .keys()
        .next_back()
        .map(|name| name.instant().as_second())
    else {
        return Vec::new();
    };
    let retired = |one: &Generation| one.state == State::Retired;
    let live = last.values().filter(|one| !retired(one)).count();
    let remembered: BTreeSet<GenerationName> = last
        .values()
        .rev()
        .filter(|one| retired(one))
        .filter(|one| newest - one.name.instant().as_second() <= RETIRED_FOR_SECONDS)
        .take(MOST_LINES.saturating_sub(live))
        .map(|one| one.name)
        .collect();
    last.into_values()
        .rev()
        .filter(|one| !retired(one) || remembered.contains(&one.name))
        .collect()
}

#[cfg(test)]
#[path = "catalogue/tests.rs"]
mod tests;
