//! `hayloft restore`: what came back, or why nothing did.

use std::path::PathBuf;

use serde::Serialize;

use super::{bytes, counted, safe_line, safe_name};
use crate::jobs::Name;
use crate::record::{Changes, GenerationName, Outcome, StepRecord, path_text};

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RestoreFacts {
    pub job: Name,
    pub generation: GenerationName,
    #[serde(serialize_with = "path_text::serialize_one")]
    pub to: PathBuf,
    pub outcome: Outcome,
    pub reason: String,
    pub advice: Vec<String>,
    pub notes: Vec<String>,
    pub changes: Option<Changes>,
    pub steps: Vec<StepRecord>,
}

pub fn restore_text(facts: &RestoreFacts) -> String {
    use std::os::unix::ffi::OsStrExt;
    let to = safe_name(facts.to.as_os_str().as_bytes());
    let mut lines = Vec::new();
    if facts.outcome.is_well() {
        let files = facts
            .changes
            .map_or(0, |changes| changes.files.max(changes.created));
        lines.push(format!(
            "Brought back from {} of {}: {} to {to}",
            facts.generation,
            facts.job,
            counted(files, "file", "files")
        ));
        if let Some(changes) = facts.changes.filter(|changes| changes.bytes > 0) {
            lines.push(if changes.bytes == changes.new_bytes {
                format!("{} written", bytes(changes.bytes))
            } else {
                format!(
                    "{} written; what was the same already stayed, {} in all",
                    bytes(changes.new_bytes),
                    bytes(changes.bytes)
                )
            });
        }
    } else {
        lines.push(format!("Not brought back: {}", safe_line(&facts.reason)));
        lines.extend(
            facts
                .advice
                .iter()
                .map(|advice| format!("  {}", safe_line(advice))),
        );
    }
    lines.extend(
        facts
            .notes
            .iter()
            .map(|note| format!("Note: {}", safe_line(note))),
    );
    lines.join("\n") + "\n"
}
