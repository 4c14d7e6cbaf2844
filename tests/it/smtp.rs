//! Mail handed to a real SMTP server and read back from the maildir it delivers into.

use hayloft::jobs::{MailSettings, SmtpSecurity};
use hayloft::mail::{DeliveryReport, Outbox};
use hayloft::report::{run_report_text, subject};

use crate::mail::read_with_python;
use crate::smtp_server::{SmtpTestServer, with_smtp_server};
use crate::studio_run::{at, lisbon, message, settings, studio_run, with_login};

const NOW: &str = "2026-11-25T02:34:10Z";

fn deliver(settings: &MailSettings) -> (DeliveryReport, Outbox, tempfile::TempDir) {
    let state = tempfile::tempdir().unwrap();
    let outbox = Outbox::open(state.path()).unwrap();
    outbox.put(&message(settings), at(NOW)).unwrap();
    let report = outbox.deliver_due(settings, at(NOW)).unwrap();
    (report, outbox, state)
}

#[track_caller]
fn assert_arrives(server: &SmtpTestServer, settings: &MailSettings) {
    let (report, ..) = deliver(settings);
    assert_eq!(report.last_error, None);
    assert_eq!((report.sent, report.kept), (1, 0));
    let mails = server.delivered(1);
    let raw = String::from_utf8_lossy(&mails[0]);
    assert!(raw.contains("Envelope-to: ines@studio.example"), "{raw}");
    let read = read_with_python(&mails);
    assert_eq!(read[0].subject, subject(&studio_run()));
    let text = run_report_text(&studio_run(), &lisbon());
    assert_eq!(read[0].text.trim_end(), text.trim_end());
}

#[test]
fn a_report_arrives_over_starttls_and_login() {
    with_smtp_server("smtp::a_report_arrives_over_starttls_and_login", |server| {
        let password = server.password_file("secret-clay");
        assert_arrives(
            server,
            &with_login(settings(SmtpSecurity::StartTls, server.starttls), &password),
        );
    });
}

#[test]
fn a_report_arrives_over_implicit_tls_and_login() {
    with_smtp_server(
        "smtp::a_report_arrives_over_implicit_tls_and_login",
        |server| {
            let password = server.password_file("secret-clay");
            assert_arrives(
                server,
                &with_login(settings(SmtpSecurity::Tls, server.tls), &password),
            );
        },
    );
}

#[test]
fn a_report_arrives_through_the_plain_server_on_this_machine() {
    with_smtp_server(
        "smtp::a_report_arrives_through_the_plain_server_on_this_machine",
        |server| assert_arrives(server, &settings(SmtpSecurity::Plain, server.plain)),
    );
}

#[test]
fn a_wrong_password_is_said_and_the_mail_goes_out_once_it_is_right() {
    with_smtp_server(
        "smtp::a_wrong_password_is_said_and_the_mail_goes_out_once_it_is_right",
        |server| {
            let password = server.password_file("wrong");
            let settings = with_login(settings(SmtpSecurity::Tls, server.tls), &password);
            let (report, outbox, _state) = deliver(&settings);
            assert_eq!((report.sent, report.kept), (0, 1));
            assert_eq!(
                report.last_error.unwrap(),
                format!(
                    "`localhost:{}` refused the login of `hay`: 535 Incorrect authentication \
                     data; look at `smtp` and at the password file",
                    server.tls
                )
            );
            server.password_file("secret-clay");
            let later = report.next_try.unwrap();
            assert_eq!(outbox.deliver_due(&settings, later).unwrap().sent, 1);
            server.delivered(1);
        },
    );
}

#[test]
fn one_readers_refusal_keeps_the_report_from_nobody_else() {
    with_smtp_server(
        "smtp::one_readers_refusal_keeps_the_report_from_nobody_else",
        |server| {
            let mut settings = settings(SmtpSecurity::Plain, server.plain);
            settings.to = [
                "x@elsewhere.example",
                "later@studio.example",
                "ines@studio.example",
            ]
            .map(str::to_owned)
            .to_vec();
            let (report, outbox, _state) = deliver(&settings);
            assert_eq!((report.sent, report.kept, report.given_up), (1, 1, 1));
            assert_eq!(server.delivered(1).len(), 1);
            let facts = outbox.waiting().unwrap();
            assert_eq!((facts.waiting, facts.undelivered), (1, 1));
        },
    );
}

#[test]
fn a_server_whose_certificate_nobody_vouches_for_gets_nothing() {
    with_smtp_server(
        "smtp::a_server_whose_certificate_nobody_vouches_for_gets_nothing",
        |server| {
            for (security, port) in [
                (SmtpSecurity::StartTls, server.starttls),
                (SmtpSecurity::Tls, server.tls),
            ] {
                let mut settings = settings(security, port);
                // The certificate is for `localhost` only.
                settings.smtp.host = "127.0.0.1".to_owned();
                let (report, ..) = deliver(&settings);
                assert_eq!((report.sent, report.kept), (0, 1));
                let error = report.last_error.unwrap();
                assert!(error.contains("certificate not valid for name"), "{error}");
            }
        },
    );
}

#[test]
fn a_login_that_the_server_does_not_offer_keeps_the_mail_waiting() {
    with_smtp_server(
        "smtp::a_login_that_the_server_does_not_offer_keeps_the_mail_waiting",
        |server| {
            let password = server.password_file("secret-clay");
            let settings = with_login(settings(SmtpSecurity::Plain, server.plain), &password);
            let (report, ..) = deliver(&settings);
            assert_eq!((report.sent, report.kept), (0, 1));
            let error = report.last_error.unwrap();
            assert!(
                error.contains("No compatible authentication mechanism"),
                "{error}"
            );
        },
    );
}
