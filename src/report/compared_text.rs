//! How a server differs from what it was when its settings were kept.

use std::fmt::Write as _;

use serde::Serialize;

use super::{counted, safe_line};
use crate::jobs::Name;
use crate::record::GenerationName;
use crate::settings::{Difference, What};

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ComparedFacts {
    pub job: Name,
    pub generation: GenerationName,
    /// What could not be asked now.
    pub notes: Vec<String>,
    pub difference: Difference,
}

pub fn compared_text(facts: &ComparedFacts) -> String {
    let mut text = String::new();
    let (job, then) = (&facts.job, facts.generation);
    let found = &facts.difference;
    if found.is_none() {
        line(
            &mut text,
            "",
            &format!("This server is as it was at {then} of {job}."),
        );
    } else {
        let settings = found.parts.iter().map(|part| part.changes.len() as u64);
        line(
            &mut text,
            "",
            &format!(
                "This server differs from {then} of {job}: {}, {}.",
                counted(settings.sum(), "setting", "settings"),
                counted(found.files.len() as u64, "file", "files")
            ),
        );
    }
    for note in &facts.notes {
        line(&mut text, "note: ", note);
    }
    for part in &found.parts {
        text.push('\n');
        line(&mut text, "", part.title);
        for change in &part.changes {
            tell(&mut text, &change.name, &change.what);
        }
    }
    if !found.files.is_empty() {
        text.push_str("\nfiles\n");
    }
    for file in &found.files {
        tell(&mut text, &file.path, &file.what);
        for one in file.lines.iter().flat_map(|lines| lines.lines()) {
            line(&mut text, "      ", one);
        }
    }
    text
}

fn tell(text: &mut String, name: &str, what: &What) {
    match what {
        What::Gone => line(text, "  gone     ", name),
        What::New => line(text, "  new      ", name),
        What::Changed { then, now } if then == now => {
            line(text, "  differs  ", name);
        }
        What::Changed { then, now } => {
            line(text, "  differs  ", name);
            line(text, "      then ", then);
            line(text, "      now  ", now);
        }
    }
}

fn line(text: &mut String, begin: &str, words: &str) {
    let _ = writeln!(text, "{begin}{}", safe_line(words));
}
