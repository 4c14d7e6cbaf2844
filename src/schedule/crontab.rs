//! A POSIX crontab line's five time fields.

use std::ops::Range;

/// Five fields, as in POSIX crontab: minute, hour, day of month, month, day of week.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Crontab {
    text: String,
}

/// Why a text is no crontab line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CrontabError {
    /// Bytes of the text that are wrong.
    pub range: Range<usize>,
    pub message: String,
    /// What may stand there.
    pub allowed: String,
}

impl Crontab {
    pub fn parse(text: &str) -> Result<Self, CrontabError> {
        let fields = text.split_whitespace().count();
        if fields == 5 {
            return Ok(Self {
                text: text.to_owned(),
            });
        }
        Err(CrontabError {
            range: 0..text.len(),
            message: format!("a schedule has five fields, not {fields}"),
            allowed: "minute, hour, day of month, month, day of week".to_owned(),
        })
    }
}
