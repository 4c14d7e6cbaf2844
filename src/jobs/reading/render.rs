//! A diagnostic as a person sees it: the message, the line with a caret, and what would be right.

use std::fmt::Write as _;

use unicode_width::UnicodeWidthStr;

use super::{Diagnostic, Place, Severity};

/// Whether escape sequences for colour (ECMA-48 SGR) may be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Colour {
    Plain,
    Ansi,
}

impl Colour {
    fn paint(self, code: &str, text: &str) -> String {
        match self {
            Self::Plain => text.to_owned(),
            Self::Ansi => format!("\x1b[{code}m{text}\x1b[0m"),
        }
    }
}

const RED: &str = "1;31";
const YELLOW: &str = "1;33";
const BLUE: &str = "34";
const BOLD: &str = "1";

impl Diagnostic {
    /// Several lines, the last one ended by a newline.
    pub fn render(&self, colour: Colour) -> String {
        let accent = match self.severity {
            Severity::Error => RED,
            Severity::Warning => YELLOW,
        };
        let mut out = format!(
            "{}: {}\n",
            colour.paint(accent, self.severity.word()),
            colour.paint(BOLD, &printable(&self.message))
        );
        let file = printable(&self.file.to_string_lossy());
        let gutter = self.place.as_ref().map_or(1, |p| p.line.to_string().len());
        let arrow = colour.paint(BLUE, &format!("{:gutter$}-->", ""));
        match &self.place {
            Some(place) => {
                let _ = writeln!(out, "{arrow} {file}:{}:{}", place.line, place.column);
                render_line(&mut out, place, colour, accent);
            }
            None => {
                let _ = writeln!(out, "{arrow} {file}");
            }
        }
        let notes = [
            ("allowed", self.allowed.clone()),
            (
                "did you mean",
                self.nearest.as_ref().map(|n| format!("`{n}`?")),
            ),
            ("help", self.help.clone()),
        ];
        for (label, text) in notes {
            if let Some(text) = text {
                let label = colour.paint(BLUE, &format!("{:gutter$} = {label}:", ""));
                let _ = writeln!(out, "{label} {}", printable(&text));
            }
        }
        out
    }
}

fn render_line(out: &mut String, place: &Place, colour: Colour, accent: &str) {
    let gutter = place.line.to_string().len();
    let bar = colour.paint(BLUE, &format!("{:gutter$} |", ""));
    let number = colour.paint(BLUE, &format!("{} |", place.line));
    let before: String = place.source_line.chars().take(place.column - 1).collect();
    let indent = printable(&before).width();
    let carets = printable(&place.text).width().max(1);
    let _ = writeln!(out, "{bar}");
    let _ = writeln!(out, "{number} {}", printable(&place.source_line));
    let marks = colour.paint(accent, &"^".repeat(carets));
    let _ = writeln!(out, "{bar} {:indent$}{marks}", "");
}

/// A file must not be able to steer the terminal it is shown on.
fn printable(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\t' => shown.push_str("    "),
            c if c.is_control() => shown.push('\u{fffd}'),
            c => shown.push(c),
        }
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(column: usize, text: &str, source_line: &str) -> Diagnostic {
        Diagnostic {
            severity: Severity::Error,
            file: "jobs/photographs.toml".into(),
            place: Some(Place {
                line: 12,
                column,
                text: text.to_owned(),
                source_line: source_line.to_owned(),
            }),
            message: "unknown key `drve`".to_owned(),
            allowed: Some("drive".to_owned()),
            nearest: Some("drive".to_owned()),
            help: None,
        }
    }

    #[test]
    fn the_caret_stands_under_the_offending_text() {
        let shown = at(1, "drve", "drve = \"shelf\"").render(Colour::Plain);
        let expected = "\
error: unknown key `drve`
  --> jobs/photographs.toml:12:1
   |
12 | drve = \"shelf\"
   | ^^^^
   = allowed: drive
   = did you mean: `drive`?
";
        assert_eq!(shown, expected);
    }

    #[test]
    fn a_file_as_a_whole_is_shown_without_a_line() {
        let whole = Diagnostic {
            place: None,
            ..at(1, "", "")
        };
        let shown = whole.render(Colour::Plain);
        assert!(
            shown.starts_with("error: unknown key `drve`\n --> jobs/photographs.toml\n  = allowed"),
            "{shown}"
        );
    }

    #[test]
    fn wide_characters_and_tabs_before_the_text_move_the_caret() {
        let shown = at(5, "x", "\t陶 x").render(Colour::Plain);
        // A tab is shown as 4 columns, the East Asian wide character (UAX #11) takes 2.
        let shown_short = at(4, "x", "\t陶 x").render(Colour::Plain);
        assert!(shown.contains("   |         ^"), "{shown}");
        assert!(shown_short.contains("   |        ^\n"), "{shown_short}");
    }

    #[test]
    fn control_characters_never_reach_the_terminal() {
        let mut diagnostic = at(1, "a", "a = \u{1b}[2J");
        diagnostic.message = "bad \u{7}".to_owned();
        let shown = diagnostic.render(Colour::Plain);
        assert!(
            !shown.contains('\u{1b}') && !shown.contains('\u{7}'),
            "{shown:?}"
        );
    }

    #[test]
    fn colour_is_written_only_when_asked_for() {
        let diagnostic = at(1, "drve", "drve");
        assert!(
            diagnostic
                .render(Colour::Ansi)
                .contains("\u{1b}[1;31merror")
        );
        assert!(!diagnostic.render(Colour::Plain).contains('\u{1b}'));
    }
}
