//! One run as an Internet message (RFC 5322): text and HTML, threaded by job.

use std::time::{Duration, SystemTime};

use jiff::{Timestamp, tz::TimeZone};
use lettre::Message;
use lettre::message::header::{HeaderName, HeaderValue};
use lettre::message::{Mailbox, MultiPart};

use crate::jobs::MailSettings;
use crate::record::RunRecord;
use crate::report::{Notice, run_report_html, run_report_text, subject};

use super::MailError;

/// Longest part of a Message-ID that comes from a name; RFC 5322 cannot fold inside one.
const LONGEST_ID_PART: usize = 120;

/// The mail about `run`, dated `now`, for everybody in `settings.to`.
///
/// `Auto-Submitted: auto-generated` (RFC 3834 section 5) keeps out-of-office programs from
/// answering. All mails about one job refer to the same id, so mail programs show them as a thread.
pub fn run_message(
    run: &RunRecord,
    settings: &MailSettings,
    zone: &TimeZone,
    now: Timestamp,
) -> Result<Message, MailError> {
    let draft = Draft {
        subject: subject(run),
        server: run.server.as_str(),
        thread: run.job.as_str(),
        id: &run.id,
        text: run_report_text(run, zone),
        html: run_report_html(run, zone),
    };
    draft.message(settings, now)
}

/// The mail about an alarm or its end, dated `now`, for everybody in `settings.to`.
pub fn notice_message(
    notice: &Notice,
    settings: &MailSettings,
    now: Timestamp,
) -> Result<Message, MailError> {
    let draft = Draft {
        subject: notice.subject(),
        server: notice.server.as_str(),
        thread: &format!("notice_{}", notice.key),
        id: &format!("{}-{}", now.as_microsecond(), notice.key),
        text: notice.text(),
        html: notice.html(),
    };
    draft.message(settings, now)
}

/// What differs between the mails.
struct Draft<'a> {
    subject: String,
    server: &'a str,
    /// Mails about the same thing have it in common.
    thread: &'a str,
    id: &'a str,
    text: String,
    html: String,
}

impl Draft<'_> {
    fn message(self, settings: &MailSettings, now: Timestamp) -> Result<Message, MailError> {
        let from = mailbox("from", &settings.from)?;
        let host = id_host(from.email.domain());
        let (thread, server) = (id_part(self.thread), id_part(self.server));
        let thread = format!("<{thread}.{server}.hayloft@{host}>");
        let id = format!("<{}.{server}.hayloft@{host}>", id_part(self.id));
        let mut builder = Message::builder().from(from);
        for to in &settings.to {
            builder = builder.to(mailbox("to", to)?);
        }
        builder
            .subject(self.subject)
            .date(system_time(now))
            .message_id(Some(id))
            .in_reply_to(thread.clone())
            .references(thread)
            .raw_header(HeaderValue::new(
                HeaderName::new_from_ascii_str("Auto-Submitted"),
                "auto-generated".to_owned(),
            ))
            .multipart(MultiPart::alternative_plain_html(self.text, self.html))
            .map_err(|error| MailError::Message(error.to_string()))
    }
}

fn mailbox(key: &'static str, text: &str) -> Result<Mailbox, MailError> {
    let wrong = |why: String| MailError::Address {
        key,
        text: text.to_owned(),
        why,
    };
    if text.chars().any(char::is_control) {
        return Err(wrong(
            "it has a line break or another control character".to_owned(),
        ));
    }
    text.parse()
        .map_err(|error: lettre::address::AddressError| wrong(error.to_string()))
}

/// `text` as part of a dot-atom (RFC 5322 section 3.2.3): every other character becomes `-`.
fn id_part(text: &str) -> String {
    let part: String = text
        .chars()
        .take(LONGEST_ID_PART)
        .map(|c| {
            if c.is_ascii_alphanumeric() || c == '_' {
                c
            } else {
                '-'
            }
        })
        .collect();
    if part.is_empty() {
        "-".to_owned()
    } else {
        part
    }
}

/// The sender's domain, where it can stand in a Message-ID as it is.
fn id_host(domain: &str) -> String {
    let labels = domain.split('.');
    let plain = |label: &str| {
        !label.is_empty() && label.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')
    };
    if domain.len() <= 253 && labels.clone().all(plain) {
        domain.to_owned()
    } else {
        "hayloft.invalid".to_owned()
    }
}

/// The `Date` header has no years before 1970; a clock that is off by that much is shown as 1970.
fn system_time(now: Timestamp) -> SystemTime {
    let seconds = u64::try_from(now.as_second()).unwrap_or(0);
    SystemTime::UNIX_EPOCH + Duration::from_secs(seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_holds_only_what_may_stand_in_one() {
        assert_eq!(
            id_part("20261125T023000Z-studio_files"),
            "20261125T023000Z-studio_files"
        );
        assert_eq!(id_part("a>\r\nBcc: x@y"), "a---Bcc--x-y");
        assert_eq!(id_part(""), "-");
        assert_eq!(id_host("studio.example"), "studio.example");
        assert_eq!(id_host("[127.0.0.1]"), "hayloft.invalid");
        assert_eq!(id_host("olaria-é.example"), "hayloft.invalid");
        assert_eq!(id_host("a..b"), "hayloft.invalid");
    }

    #[test]
    fn an_address_with_a_line_break_is_refused() {
        let error = mailbox("to", "ines@studio.example\r\nBcc: x@elsewhere.example").unwrap_err();
        assert_eq!(
            error.to_string(),
            "`to` in `[mail]` is not a mail address: \
             `ines@studio.example\\r\\nBcc: x@elsewhere.example` (it has a line break or another \
             control character); write it as `kiln <hayloft@studio.example>`"
        );
    }
}
