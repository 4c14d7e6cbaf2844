//! A mail that is about no run: an alarm, or the end of one.

use crate::jobs::Name;

use super::Mood;
use super::run_html::words_html;
use super::run_text::words_text;
use super::run_words::{Block, RunWords, Section, section};
use super::safe_text::{safe_line, truncate};

/// Columns for the subject's words behind the server's name.
const LONGEST_MATTER: usize = 90;

/// What there is to tell.
#[derive(Debug, Clone, PartialEq)]
pub struct Notice {
    pub server: Name,
    /// What it is about, such as `job-files`: mails about one key make a thread.
    pub key: String,
    /// The matter in a few words, such as `job files are WRONG`.
    pub matter: String,
    pub mood: Mood,
    /// One or two sentences.
    pub reason: String,
    /// What a person should do now; empty when nothing.
    pub advice: Vec<String>,
    /// What was found, line by line; may be empty.
    pub found: Vec<String>,
}

impl Notice {
    /// `kiln: job files are WRONG`, one line of safe text.
    pub fn subject(&self) -> String {
        let matter = truncate(&safe_line(&self.matter), LONGEST_MATTER);
        format!("{}: {matter}", self.server).replace("=?", "= ?")
    }

    pub fn text(&self) -> String {
        words_text(&self.words())
    }

    pub fn html(&self) -> String {
        words_html(&self.words())
    }

    fn words(&self) -> RunWords {
        let safe = |lines: &[String]| lines.iter().map(|line| safe_line(line)).collect();
        let mut sections: Vec<Section> = Vec::new();
        if !self.advice.is_empty() {
            sections.push(section("What to do", Block::Bullets(safe(&self.advice))));
        }
        if !self.found.is_empty() {
            sections.push(section("What was found", Block::Log(safe(&self.found))));
        }
        RunWords {
            verdict: safe_line(&format!("{}: {}.", self.server, self.matter)),
            mood: self.mood,
            reason: safe_line(&self.reason),
            sections,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn notice() -> Notice {
        Notice {
            server: Name::parse("kiln").unwrap(),
            key: "job-files".to_owned(),
            matter: "job files are WRONG".to_owned(),
            mood: Mood::Bad,
            reason: "Those read before stay in force.".to_owned(),
            advice: vec!["mend them".to_owned()],
            found: vec!["unknown key `shedule` <b>".to_owned(), "\x1b[2J".to_owned()],
        }
    }

    #[test]
    fn a_notice_is_laid_out_as_a_report_is() {
        assert_eq!(notice().subject(), "kiln: job files are WRONG");
        assert_eq!(
            notice().text(),
            "kiln: job files are WRONG.\n\nThose read before stay in force.\n\nWhat to do\n  - mend them\n\
             \nWhat was found\n  | unknown key `shedule` <b>\n  | \\x1b[2J\n"
        );
        let html = notice().html();
        assert!(html.contains("unknown key `shedule` &lt;b&gt;"), "{html}");
    }

    #[test]
    fn a_subject_stays_one_short_line() {
        let mut notice = notice();
        notice.matter = "x\r\nBcc: someone@elsewhere.example =?utf-8?q?".repeat(20);
        let subject = notice.subject();
        assert!(
            !subject.contains(['\r', '\n']) && !subject.contains("=?"),
            "{subject}"
        );
        assert!(subject.len() < 120, "{subject}");
    }
}
