//! One run as plain text, 78 columns: the mail's text part, and `hayloft runs ID`.

use jiff::tz::TimeZone;

use crate::record::RunRecord;

use super::run_words::{Block, Detail, RunWords, StepWords};
use super::safe_text::fit;
use super::wrap::wrap;

/// RFC 5322 section 2.1.1: lines should be at most 78 characters.
const COLUMNS: usize = 78;
const LABEL: usize = 13;
const MARK: usize = 8;

/// The report of one run, as it is mailed.
pub fn run_report_text(run: &RunRecord, zone: &TimeZone) -> String {
    words_text(&RunWords::of(run, zone, Detail::Mail))
}

/// One run with every command and every generation looked at.
pub fn run_in_full_text(run: &RunRecord, zone: &TimeZone) -> String {
    words_text(&RunWords::of(run, zone, Detail::Full))
}

/// The layout alone.
pub(super) fn words_text(words: &RunWords) -> String {
    let mut text = wrap(&words.verdict, "", "", COLUMNS);
    if !words.reason.is_empty() {
        text.push('\n');
        text += &wrap(&words.reason, "", "", COLUMNS);
    }
    for section in &words.sections {
        text.push('\n');
        text += &wrap(&section.title, "", "", COLUMNS);
        for block in &section.blocks {
            text += &block_text(block);
        }
    }
    text
}

fn block_text(block: &Block) -> String {
    match block {
        Block::Numbered(lines) => (1..)
            .zip(lines)
            .map(|(number, line)| wrap(line, &fit(&format!("  {number}."), 5), "     ", COLUMNS))
            .collect(),
        Block::Bullets(lines) => lines
            .iter()
            .map(|line| wrap(line, "  - ", "    ", COLUMNS))
            .collect(),
        Block::Fields(fields) => fields
            .iter()
            .map(|(label, value)| {
                let first = format!("  {}", fit(label, LABEL - 2));
                wrap(value, &first, &" ".repeat(LABEL), COLUMNS)
            })
            .collect(),
        Block::Steps(steps) => steps.iter().map(step_text).collect(),
        Block::Log(lines) => lines
            .iter()
            .map(|line| wrap(line, "  | ", "  |   ", COLUMNS))
            .collect(),
    }
}

fn step_text(step: &StepWords) -> String {
    let first = format!("  {}", fit(step.mark, MARK - 2 + 1));
    let hang = " ".repeat(MARK + 1);
    let line = format!("{}, {}", step.words, step.took);
    let mut text = wrap(&line, &first, &hang, COLUMNS);
    for quote in &step.quotes {
        text += &wrap(quote, &format!("{hang}> "), &format!("{hang}  "), COLUMNS);
    }
    text
}

#[cfg(test)]
#[path = "run_text_tests.rs"]
mod tests;
