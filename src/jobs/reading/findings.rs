//! All that is found in one file, gathered while it is read.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::ops::Range;

use super::mask::mask;
use super::{Diagnostic, FileText, Mistake, Severity};

/// How much of a file a syntax error makes unreadable.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Damage {
    /// The key that could not be read is not the one that was meant, and no other.
    Line,
    /// A bracket or brace that is not closed: what follows is read as something it is not.
    Rest,
}

pub struct Findings<'f> {
    pub file: &'f FileText,
    state: RefCell<State>,
}

#[derive(Default)]
struct State {
    /// With the byte at which they begin; nothing for the file as a whole.
    found: Vec<(Option<usize>, Diagnostic)>,
    damaged_lines: BTreeSet<usize>,
    unreadable_from: Option<usize>,
}

impl<'f> Findings<'f> {
    pub fn new(file: &'f FileText) -> Self {
        Self {
            file,
            state: RefCell::default(),
        }
    }

    pub fn error(&self, range: &Range<usize>, mistake: Mistake) {
        self.add(Severity::Error, range, mistake);
    }

    pub fn warning(&self, range: &Range<usize>, mistake: Mistake) {
        self.add(Severity::Warning, range, mistake);
    }

    /// Whether the whole file could be read, right or wrong.
    pub fn is_whole(&self) -> bool {
        self.state.borrow().unreadable_from.is_none()
    }

    /// A key that is not there; said only where the whole file could be read.
    pub fn missing(&self, range: &Range<usize>, mistake: Mistake) {
        if self.is_whole() {
            self.add(Severity::Error, range, mistake);
        }
    }

    /// About the file as a whole.
    pub fn whole_file(&self, mistake: Mistake) {
        let diagnostic = Diagnostic::of_file(&self.file.path, Severity::Error, mistake);
        self.state.borrow_mut().found.push((None, diagnostic));
    }

    /// Later mistakes that only follow from this one are not said.
    pub fn syntax_error(&self, range: &Range<usize>, damage: Damage, mistake: Mistake) {
        self.add(Severity::Error, range, mistake);
        let mut state = self.state.borrow_mut();
        state.damaged_lines.insert(self.file.line_of(range.start));
        if damage == Damage::Rest {
            let from = state.unreadable_from.unwrap_or(range.start);
            state.unreadable_from = Some(from.min(range.start));
        }
    }

    /// Everything, in the order of the file.
    pub fn into_diagnostics(self) -> Vec<Diagnostic> {
        let mut found = self.state.into_inner().found;
        found.sort_by_key(|(offset, _)| *offset);
        found
            .into_iter()
            .map(|(_, diagnostic)| diagnostic)
            .collect()
    }

    fn add(&self, severity: Severity, range: &Range<usize>, mistake: Mistake) {
        let mut state = self.state.borrow_mut();
        let damaged = state
            .damaged_lines
            .contains(&self.file.line_of(range.start))
            || state
                .unreadable_from
                .is_some_and(|from| range.start >= from);
        if damaged {
            return;
        }
        let place = self.file.place(range);
        let raw = self.file.text.get(range.clone()).unwrap_or_default();
        let raw = raw.lines().next().unwrap_or_default();
        // What the line masks must not come back in words about it.
        let masked = |text: &str| {
            if raw.is_empty() || raw == place.text {
                mask(text)
            } else {
                mask(&text.replace(raw, &place.text))
            }
        };
        let mistake = Mistake {
            message: masked(&mistake.message),
            nearest: mistake.nearest.as_deref().map(masked),
            ..mistake
        };
        let diagnostic = Diagnostic {
            place: Some(place),
            ..Diagnostic::of_file(&self.file.path, severity, mistake)
        };
        state.found.push((Some(range.start), diagnostic));
    }
}
