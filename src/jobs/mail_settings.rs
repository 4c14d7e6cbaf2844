//! `[mail]`: who hears of runs, and through which SMTP server.

use std::path::PathBuf;

use lettre::message::Mailbox;

use super::choice::choose;
use super::path_text::read_secret_file;
use super::reading::{Table, Value};
use super::schedule_text::{CRONTAB, crontab};
use super::{Mistake, SmtpSecurity, SmtpServer};
use crate::schedule::Crontab;

#[derive(Debug, Clone, PartialEq)]
pub struct MailSettings {
    pub smtp: SmtpServer,
    /// File that holds the password for `smtp.user`; never the password itself.
    pub password_file: Option<PathBuf>,
    /// An RFC 5322 mailbox, such as `kiln <hayloft@studio.example>`.
    pub from: String,
    pub to: Vec<String>,
    pub send: SendWhen,
    pub digest: Option<Crontab>,
}

/// Which runs are mailed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SendWhen {
    Always,
    Trouble,
}

const MAILBOX: &str =
    "a mail address, such as \"ines@studio.example\" or \"kiln <hayloft@studio.example>\"";
const MAILBOXES: &str = "a list of mail addresses, such as [\"ines@studio.example\"]";

impl MailSettings {
    pub(super) fn read(mut table: Table<'_>) -> Option<Self> {
        let smtp_value = table.require("smtp", "such as \"smtp://localhost:25\"");
        let smtp = smtp_value
            .as_ref()
            .and_then(|value| value.parse(SmtpServer::EXPECTED, SmtpServer::parse));
        let has_password = table.holds("password_file");
        let password_file = read_secret_file(&mut table, "password_file");
        if let (Some(smtp), Some(value)) = (&smtp, &smtp_value) {
            check_login(&table, value, smtp, has_password);
        }
        let from = table.required("from", MAILBOX, mailbox);
        let to = table
            .require("to", "such as [\"ines@studio.example\"]")
            .and_then(|value| mailboxes(&value));
        let send = table.take("send").and_then(|value| {
            choose(
                &value,
                &[("always", SendWhen::Always), ("trouble", SendWhen::Trouble)],
            )
        });
        let digest = table.optional("digest", CRONTAB, crontab);
        table.finish();
        Some(Self {
            smtp: smtp?,
            password_file,
            from: from?,
            to: to?,
            send: send.unwrap_or(SendWhen::Always),
            digest,
        })
    }
}

fn check_login(table: &Table<'_>, value: &Value<'_>, smtp: &SmtpServer, has_password: bool) {
    match (&smtp.user, has_password) {
        (None, true) => value.refuse(
            Mistake::new("there is a `password_file`, but no user in the address")
                .allowed("USER@ before the host, or no `password_file`"),
        ),
        (Some(_), false) => table.miss(
            "password_file",
            "the address names a user: name the file that holds the password",
        ),
        (Some(_), true) if smtp.security == SmtpSecurity::Plain && !is_this_machine(&smtp.host) => {
            table.findings.warning(
                &value.range,
                Mistake::new("the password would cross the network unencrypted")
                    .help("use smtp+starttls:// or smtps://"),
            );
        }
        _ => {}
    }
}

/// RFC 6761 section 6.3, RFC 5735 section 3, RFC 4291 section 2.5.3.
fn is_this_machine(host: &str) -> bool {
    host == "localhost" || host == "::1" || host.starts_with("127.")
}

fn mailboxes(value: &Value<'_>) -> Option<Vec<String>> {
    let found = value.list_of(MAILBOXES, mailbox)?;
    if value.list(MAILBOXES).is_some_and(|list| list.is_empty()) {
        value
            .refuse(Mistake::new("`to` is empty: nobody would hear of trouble").allowed(MAILBOXES));
    }
    Some(found)
}

fn mailbox(text: &str) -> Result<String, Mistake> {
    let parsed = text.parse::<Mailbox>();
    // A line end would begin another header field (RFC 5322 section 2.2).
    if parsed.is_err() || text.contains(char::is_control) {
        return Err(Mistake::new(format!("`{text}` is no mail address")).allowed(MAILBOX));
    }
    Ok(text.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_with_and_without_a_name_are_mailboxes() {
        for text in [
            "ines@studio.example",
            "kiln <hayloft@studio.example>",
            "\"Kiln, the server\" <a@b.example>",
        ] {
            assert!(mailbox(text).is_ok(), "{text}");
        }
    }

    #[test]
    fn what_would_break_a_header_is_no_mailbox() {
        for text in [
            "",
            "ines",
            "ines@",
            "@studio.example",
            "a@b.example\nBcc: c@d.example",
            "a@b.example, c@d.example",
            "kiln <a@b.example",
        ] {
            assert!(mailbox(text).is_err(), "{text:?}");
        }
    }
}
