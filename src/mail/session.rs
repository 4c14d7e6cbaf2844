//! One SMTP session (RFC 5321): connect, secure, log in, hand over one mail.
//!
//! `smtp+starttls` means STARTTLS or nothing (RFC 3207 warns of servers, or people in between, that
//! take the offer away): the session ends before a name, a password or a mail has been sent.

use std::error::Error as _;
use std::io::ErrorKind;
use std::net::IpAddr;
use std::time::Duration;

use lettre::address::Envelope;
use lettre::transport::smtp::Error;
use lettre::transport::smtp::authentication::{Credentials, DEFAULT_MECHANISMS};
use lettre::transport::smtp::client::{SmtpConnection, TlsParameters};
use lettre::transport::smtp::extension::ClientId;

use crate::jobs::{MailSettings, SmtpSecurity, SmtpServer};
use crate::report::{safe_line, truncate};

use super::deadline::within;
use super::password::read_password;

/// How long one answer may take. RFC 5321 section 4.5.3.2 lets servers take minutes; a mail that
/// is kept and tried again can be less patient.
pub const DEFAULT_TIMEOUT: Duration = Duration::from_secs(30);

/// Timeouts that a whole session may take.
const WHOLE_SESSION: u32 = 10;

/// Columns of a server's words that are kept.
const LONGEST_WORDS: usize = 300;

/// Why a mail is not delivered, with the server's words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// Not reached, not secured, not logged in: it holds for every mail, and for no mail forever.
    Server(String),
    /// This mail, for now (4yz).
    Later(String),
    /// This mail, for good (5yz).
    Never(String),
}

impl Refusal {
    pub fn words(&self) -> &str {
        match self {
            Self::Server(words) | Self::Later(words) | Self::Never(words) => words,
        }
    }
}

/// Hands over one mail in a session of its own: `timeout` for an answer, ten times that for all.
///
/// A mail given up on at the end of that time may still arrive; the next try has the same
/// Message-ID.
pub(super) fn send(
    settings: &MailSettings,
    timeout: Duration,
    envelope: Envelope,
    mail: Vec<u8>,
) -> Result<(), Refusal> {
    let limit = timeout * WHOLE_SESSION;
    let theirs = settings.clone();
    let outcome = within(limit, move || converse(&theirs, timeout, &envelope, &mail));
    outcome.unwrap_or_else(|| {
        Err(Refusal::Server(format!(
            "{} did not get done within {} s",
            place(&settings.smtp),
            limit.as_secs_f32()
        )))
    })
}

fn converse(
    settings: &MailSettings,
    timeout: Duration,
    envelope: &Envelope,
    mail: &[u8],
) -> Result<(), Refusal> {
    let server = &settings.smtp;
    // Before connecting: what is wrong on our side needs no server to find out.
    let credentials = credentials(settings)?;
    let mut connection = connect(server, timeout)?;
    if let Some(credentials) = credentials {
        connection
            .auth(DEFAULT_MECHANISMS, &credentials)
            .map_err(|error| login_refused(server, &error))?;
    }
    connection
        .send(envelope, mail)
        .map_err(|error| mail_refused(server, &error))?;
    // The mail is accepted; how the session ends no longer matters.
    let _ = connection.quit();
    Ok(())
}

fn place(server: &SmtpServer) -> String {
    format!("`{}:{}`", server.host, server.port)
}

fn credentials(settings: &MailSettings) -> Result<Option<Credentials>, Refusal> {
    let server = &settings.smtp;
    let Some(user) = &server.user else {
        return Ok(None);
    };
    if server.security == SmtpSecurity::Plain && !is_loopback(&server.host) {
        return Err(Refusal::Server(format!(
            "will not send the password for {} unencrypted; use `smtp+starttls://` or `smtps://`",
            place(server)
        )));
    }
    let Some(file) = &settings.password_file else {
        return Err(Refusal::Server(format!(
            "`smtp` names the user `{}`, but `password_file` is not set",
            user.escape_debug()
        )));
    };
    let password = read_password(file).map_err(Refusal::Server)?;
    Ok(Some(Credentials::new(user.clone(), password)))
}

fn is_loopback(host: &str) -> bool {
    host.eq_ignore_ascii_case("localhost")
        || host
            .parse()
            .is_ok_and(|address: IpAddr| address.is_loopback())
}

fn connect(server: &SmtpServer, timeout: Duration) -> Result<SmtpConnection, Refusal> {
    let hello = ClientId::default();
    let refused = |error: &Error| unreachable_words(server, timeout, error);
    let tls = match server.security {
        SmtpSecurity::Plain => None,
        SmtpSecurity::StartTls | SmtpSecurity::Tls => {
            Some(TlsParameters::new(server.host.clone()).map_err(|error| refused(&error))?)
        }
    };
    let wrapper = tls
        .as_ref()
        .filter(|_| server.security == SmtpSecurity::Tls);
    let address = (server.host.as_str(), server.port);
    let mut connection = SmtpConnection::connect(address, Some(timeout), &hello, wrapper, None)
        .map_err(|error| refused(&error))?;
    if let Some(tls) = tls.filter(|_| server.security == SmtpSecurity::StartTls) {
        if !connection.can_starttls() {
            connection.abort();
            return Err(Refusal::Server(format!(
                "{} does not offer STARTTLS, which `smtp+starttls://` requires; \
                 nothing was sent to it",
                place(server)
            )));
        }
        connection
            .starttls(&tls, &hello)
            .map_err(|error| refused(&error))?;
    }
    Ok(connection)
}

fn unreachable_words(server: &SmtpServer, timeout: Duration, error: &Error) -> Refusal {
    let place = place(server);
    Refusal::Server(if timed_out(error) {
        format!("{place} did not answer within {} s", timeout.as_secs_f32())
    } else if error.status().is_some() {
        format!("{place} answered {}", server_words(error))
    } else {
        format!("cannot reach {place}: {}", server_words(error))
    })
}

fn login_refused(server: &SmtpServer, error: &Error) -> Refusal {
    let user = server.user.as_deref().unwrap_or_default().escape_debug();
    Refusal::Server(format!(
        "{} refused the login of `{user}`: {}; look at `smtp` and at the password file",
        place(server),
        server_words(error)
    ))
}

fn mail_refused(server: &SmtpServer, error: &Error) -> Refusal {
    let Some(code) = error.status() else {
        let words = server_words(error);
        // What lettre itself refuses to send, such as a non-ASCII address to a server without
        // SMTPUTF8 (RFC 6531): the other mails are not concerned.
        return if error.is_client() {
            Refusal::Later(format!("cannot be sent to {}: {words}", place(server)))
        } else {
            Refusal::Server(format!("{} broke off: {words}", place(server)))
        };
    };
    let words = format!("{} answered {}", place(server), server_words(error));
    match code.to_string().as_str() {
        // RFC 4954 section 6: authentication is required, too weak, or must be encrypted. The
        // mail is not at fault, and goes out once `[mail]` is put right. RFC 5321 section 3.8: with
        // 421 the server closes down.
        "530" | "534" | "535" | "538" | "421" => Refusal::Server(words),
        _ if error.is_permanent() => Refusal::Never(words),
        _ => Refusal::Later(words),
    }
}

/// A read that takes too long ends as `WouldBlock` on Linux (socket(7), `SO_RCVTIMEO`).
fn timed_out(error: &Error) -> bool {
    let mut source = error.source();
    while let Some(error) = source {
        if let Some(error) = error.downcast_ref::<std::io::Error>() {
            return matches!(error.kind(), ErrorKind::TimedOut | ErrorKind::WouldBlock);
        }
        source = error.source();
    }
    false
}

/// `550 no such mailbox here`, or what the system said.
fn server_words(error: &Error) -> String {
    if timed_out(error) {
        return "no answer in time".to_owned();
    }
    let source = error.source().map(ToString::to_string);
    let words = match (error.status(), source) {
        (Some(code), Some(words)) => format!("{code} {words}"),
        (None, Some(words)) => words,
        (_, None) => error.to_string(),
    };
    truncate(&safe_line(words.trim()), LONGEST_WORDS)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::jobs::SendWhen;

    fn settings(host: &str, password_file: Option<&str>) -> MailSettings {
        MailSettings {
            smtp: SmtpServer {
                security: SmtpSecurity::Plain,
                host: host.to_owned(),
                port: 25,
                user: Some("hay".to_owned()),
            },
            password_file: password_file.map(Into::into),
            from: "hayloft@studio.example".to_owned(),
            to: vec![],
            send: SendWhen::Always,
            digest: None,
        }
    }

    #[test]
    fn a_password_never_leaves_the_server_unencrypted() {
        let refusal = credentials(&settings("mail.studio.example", Some("/nowhere"))).err();
        assert_eq!(
            refusal.unwrap().words(),
            "will not send the password for `mail.studio.example:25` unencrypted; \
             use `smtp+starttls://` or `smtps://`"
        );
        for host in ["localhost", "127.0.0.1", "::1"] {
            let refusal = credentials(&settings(host, Some("/nowhere"))).err();
            assert!(
                refusal
                    .unwrap()
                    .words()
                    .starts_with("cannot read the password file")
            );
        }
    }

    #[test]
    fn a_user_without_a_password_file_is_said_before_connecting() {
        let refusal = credentials(&settings("localhost", None)).err();
        assert_eq!(
            refusal.unwrap().words(),
            "`smtp` names the user `hay`, but `password_file` is not set"
        );
    }
}
