//! One run as a simple HTML mail: inline styles, no images, nothing loaded from anywhere.
//!
//! Neither text colour nor background is set, so that a mail program's dark mode does as it likes;
//! the few colours are edges in a middle tone that shows on black and on white, and every state is
//! also a word. One narrow column reads on a phone.

use jiff::tz::TimeZone;

use crate::record::RunRecord;

use super::Mood;
use super::run_words::{Block, Detail, RunWords, Section, StepWords};
use super::safe_text::html;

const BODY: &str = "margin:0;padding:20px 16px 28px;font:16px/1.5 system-ui,-apple-system,\
                    'Segoe UI',Roboto,'DejaVu Sans',sans-serif";
const COLUMN: &str = "max-width:36em;margin:0 auto";
const TITLE: &str = "margin:26px 0 8px;padding:0 0 3px;font-size:15px;font-weight:600;\
                     border-bottom:1px solid rgba(128,128,128,.35)";
const LABEL: &str = "padding:2px 14px 2px 0;min-width:80px;vertical-align:top;\
                     white-space:nowrap;opacity:.72;\
                     font-size:14px;line-height:24px;font-weight:400;text-align:left";
const VALUE: &str = "padding:2px 0;vertical-align:top;line-height:24px;overflow-wrap:anywhere";
const LIST: &str = "margin:0;padding:0 0 0 20px";
const ITEM: &str = "margin:0 0 4px;overflow-wrap:anywhere";
const QUOTE: &str = "margin:4px 0 8px;padding:8px 10px;border:1px solid rgba(128,128,128,.35);\
                     border-radius:4px;font:13px/1.5 ui-monospace,'DejaVu Sans Mono',monospace;\
                     white-space:pre-wrap;overflow-wrap:anywhere";
const CODE: &str = "font:.88em ui-monospace,'DejaVu Sans Mono',monospace;overflow-wrap:anywhere";

/// Letters of [`CODE`] that fit on a phone.
const LONGEST_UNBROKEN: usize = 32;

/// The report of one run, as it is mailed.
pub fn run_report_html(run: &RunRecord, zone: &TimeZone) -> String {
    words_html(&RunWords::of(run, zone, Detail::Mail))
}

/// The layout alone.
pub(super) fn words_html(words: &RunWords) -> String {
    let sections: String = words.sections.iter().map(section).collect();
    let reason = match words.reason.as_str() {
        "" => String::new(),
        reason => format!("<p style=\"margin:6px 0 0\">{}</p>\n", prose(reason)),
    };
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n\
         <title>{title}</title>\n</head>\n<body style=\"{BODY}\">\n<div style=\"{COLUMN}\">\n\
         <div style=\"padding:2px 0 2px 14px;border-left:5px solid {edge}\">\n\
         <h1 style=\"margin:0;font-size:20px;line-height:1.35;font-weight:600;\
         overflow-wrap:anywhere\">{verdict}</h1>\n{reason}</div>\n{sections}</div>\n</body>\n</html>\n",
        title = html(&words.verdict),
        edge = edge(words.mood),
        verdict = html(&words.verdict),
    )
}

fn edge(mood: Mood) -> &'static str {
    match mood {
        Mood::Good => "#4a9a6a",
        Mood::Noted => "#b98a2f",
        Mood::Bad => "#cf4a3c",
        Mood::Open => "#8a8f98",
    }
}

fn section(section: &Section) -> String {
    let blocks: String = section.blocks.iter().map(block).collect();
    let title = html(&section.title);
    format!("<h2 style=\"{TITLE}\">{title}</h2>\n{blocks}")
}

fn block(block: &Block) -> String {
    match block {
        Block::Numbered(lines) => list("ol", lines),
        Block::Bullets(lines) if lines.len() == 1 => {
            format!("<p style=\"{ITEM}\">{}</p>\n", prose(&lines[0]))
        }
        Block::Bullets(lines) => list("ul", lines),
        Block::Fields(fields) => fields_table(fields),
        Block::Steps(steps) => steps.iter().map(step).collect(),
        Block::Log(lines) => quote(&lines.join("\n")),
    }
}

fn list(tag: &str, lines: &[String]) -> String {
    let items: String = lines.iter().map(|line| item(line)).collect();
    format!("<{tag} style=\"{LIST}\">\n{items}</{tag}>\n")
}

fn item(line: &str) -> String {
    format!("<li style=\"{ITEM}\">{}</li>\n", prose(line))
}

fn fields_table(fields: &[(&'static str, String)]) -> String {
    let rows: String = fields.iter().map(field).collect();
    format!("<table style=\"border-collapse:collapse;border:0\">\n{rows}</table>\n")
}

fn field((label, value): &(&'static str, String)) -> String {
    format!(
        "<tr><th scope=\"row\" style=\"{LABEL}\">{}</th>\n<td style=\"{VALUE}\">{}</td></tr>\n",
        html(label),
        prose(value)
    )
}

fn step(step: &StepWords) -> String {
    let quotes = match step.quotes.as_slice() {
        [] => String::new(),
        quotes => quote(&quotes.join("\n")),
    };
    format!(
        "<p style=\"margin:0 0 5px;padding:0 0 0 9px;border-left:3px solid {edge};\
         overflow-wrap:anywhere\"><strong style=\"font-weight:600\">{mark}</strong> {words}\n\
         <span style=\"opacity:.72\">{took}</span></p>\n{quotes}",
        edge = edge(step.mood),
        mark = html(step.mark),
        words = prose(&step.words),
        took = html(&step.took),
    )
}

fn quote(text: &str) -> String {
    format!("<div style=\"{QUOTE}\">{}</div>\n", html(text))
}

/// Text with what stands between backticks set as code; a backtick without its pair stays.
fn prose(text: &str) -> String {
    let mut shown = String::new();
    let mut rest = text;
    while let Some((before, code, after)) = next_code(rest) {
        shown.push_str(&html(before));
        let words: Vec<_> = code.split(' ').map(unbroken).collect();
        shown.extend(["<code style=\"", CODE, "\">", &words.join(" "), "</code>"]);
        rest = after;
    }
    shown + &html(rest)
}

/// A word of a command that no line may end within, such as `--dry-run`; one too long for a phone may be broken.
fn unbroken(word: &str) -> String {
    let shown = html(word);
    if word.contains('-') && word.len() <= LONGEST_UNBROKEN {
        format!("<span style=\"white-space:nowrap\">{shown}</span>")
    } else {
        shown
    }
}

fn next_code(text: &str) -> Option<(&str, &str, &str)> {
    let (before, tail) = text.split_once('`')?;
    let (code, after) = tail.split_once('`')?;
    Some((before, code, after))
}

#[cfg(test)]
mod tests {
    use super::super::sample_runs::{failed, good, lisbon};
    use super::*;

    #[test]
    fn commands_between_backticks_are_set_as_code_and_escaped() {
        assert_eq!(
            prose("run `a<b` now, it`s"),
            format!("run <code style=\"{CODE}\">a&lt;b</code> now, it`s")
        );
    }

    #[test]
    fn the_html_loads_nothing_and_runs_nothing() {
        let mut run = failed();
        run.reason = "<script>alert(1)</script><img src=http://elsewhere.example/x>".to_owned();
        run.about = "\"><a href='x'>".to_owned();
        let page = run_report_html(&run, &lisbon());
        for forbidden in [
            "<script", "<img", "<a ", "url(", "<link", "src=\"", "href=\"",
        ] {
            assert!(!page.contains(forbidden), "{forbidden} in {page}");
        }
    }

    #[test]
    fn text_and_html_tell_the_same_words() {
        let page = run_report_html(&good(), &lisbon());
        let words = RunWords::of(&good(), &lisbon(), Detail::Mail);
        for section in &words.sections {
            assert!(page.contains(&html(&section.title)), "{}", section.title);
        }
        assert!(page.contains("studio-files on kiln went well: 1.2 GB new in 4 min 10 s."));
        assert!(page.contains("48,211 files, 345 GB"));
    }
}
