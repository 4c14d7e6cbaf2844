//! `[mail]`: who hears of runs, and through which SMTP server.

use std::path::PathBuf;

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

/// The parts of an `smtp://`, `smtp+starttls://` or `smtps://` address.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SmtpServer {
    pub security: SmtpSecurity,
    pub host: String,
    /// 25 for `smtp`, 587 for `smtp+starttls` (RFC 6409), 465 for `smtps` (RFC 8314) unless given.
    pub port: u16,
    pub user: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SmtpSecurity {
    Plain,
    StartTls,
    Tls,
}
