//! The outbox against servers that are down, slow, rude, or stripped of STARTTLS.

use std::fs;
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::time::{Duration, Instant};

use hayloft::jobs::{MailSettings, SmtpSecurity};
use hayloft::mail::{DeliveryReport, Outbox};
use jiff::{SignedDuration, Timestamp};

use crate::smtp_listener::{Habit, Listener};
use crate::studio_run::{at, message, settings, with_login};

const NOW: &str = "2026-11-25T02:34:10Z";

fn minutes(now: &str, minutes: i64) -> Timestamp {
    at(now) + SignedDuration::from_mins(minutes)
}

fn outbox_with_one_mail(state: &Path, settings: &MailSettings) -> Outbox {
    let outbox = Outbox::open(state)
        .unwrap()
        .with_timeout(Duration::from_secs(5));
    outbox.put(&message(settings), at(NOW)).unwrap();
    outbox
}

/// A port that nothing listens on.
fn closed_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    listener.local_addr().unwrap().port()
}

#[track_caller]
fn assert_kept(report: &DeliveryReport, words: &str) {
    assert_eq!((report.sent, report.kept, report.given_up), (0, 1, 0));
    let error = report.last_error.as_deref().unwrap();
    assert!(error.contains(words), "{error}");
    assert_eq!(report.next_try, Some(minutes(NOW, 30)));
}

#[test]
fn mail_for_a_server_that_is_down_is_kept_and_goes_out_after_the_due_time() {
    let state = tempfile::tempdir().unwrap();
    let down = settings(SmtpSecurity::Plain, closed_port());
    let outbox = outbox_with_one_mail(state.path(), &down);
    assert_kept(
        &outbox.deliver_due(&down, at(NOW)).unwrap(),
        "Connection refused",
    );
    drop(outbox);

    let listener = Listener::start(Habit::WithoutStartTls);
    let up = settings(SmtpSecurity::Plain, listener.port);
    let outbox = Outbox::open(state.path()).unwrap();
    let early = outbox.deliver_due(&up, minutes(NOW, 29)).unwrap();
    assert_eq!((early.sent, early.kept), (0, 1));
    assert_eq!(early.next_try, Some(minutes(NOW, 30)));
    assert!(listener.heard().is_empty());
    let waiting = outbox.waiting().unwrap();
    assert_eq!((waiting.waiting, waiting.oldest), (1, Some(at(NOW))));
    assert!(waiting.last_error.unwrap().contains("Connection refused"));

    let due = outbox.deliver_due(&up, minutes(NOW, 30)).unwrap();
    assert_eq!((due.sent, due.kept, due.next_try), (1, 0, None));
    let heard = listener.heard();
    assert!(
        heard.contains(&"MAIL FROM:<hayloft@studio.example>".to_owned()),
        "{heard:?}"
    );
    assert!(heard.contains(&"RCPT TO:<ines@studio.example>".to_owned()));
    assert!(!outbox.waiting().unwrap().needs_attention());
    assert_eq!(
        fs::read_dir(state.path().join("outbox")).unwrap().count(),
        1
    );
}

#[test]
fn a_server_that_never_answers_is_given_up_on_in_time_and_once_for_all_mail() {
    let listener = Listener::start(Habit::Silent);
    let state = tempfile::tempdir().unwrap();
    let slow = settings(SmtpSecurity::Plain, listener.port);
    let outbox = outbox_with_one_mail(state.path(), &slow).with_timeout(Duration::from_millis(700));
    for _ in 0..9 {
        outbox.put(&message(&slow), at(NOW)).unwrap();
    }
    let began = Instant::now();
    let report = outbox.deliver_due(&slow, at(NOW)).unwrap();
    assert!(
        began.elapsed() < Duration::from_secs(4),
        "{:?}",
        began.elapsed()
    );
    assert_eq!((report.sent, report.kept), (0, 10));
    let error = report.last_error.unwrap();
    assert_eq!(
        error,
        format!("`localhost:{}` did not answer within 0.7 s", slow.smtp.port)
    );
}

#[test]
fn a_temporary_no_keeps_the_mail_and_a_permanent_no_gives_it_up_with_the_servers_words() {
    let later = Listener::start(Habit::Answers("450 4.2.0 greylisted, come back"));
    let state = tempfile::tempdir().unwrap();
    let at_later = settings(SmtpSecurity::Plain, later.port);
    let outbox = outbox_with_one_mail(state.path(), &at_later);
    let report = outbox.deliver_due(&at_later, at(NOW)).unwrap();
    assert_kept(&report, "answered 450 4.2.0 greylisted, come back");

    let never = Listener::start(Habit::Answers(
        "550-5.1.1 no such\r\n550 5.1.1 mailbox\x1b[2J",
    ));
    let at_never = settings(SmtpSecurity::Plain, never.port);
    let report = outbox.deliver_due(&at_never, minutes(NOW, 30)).unwrap();
    assert_eq!((report.sent, report.kept, report.given_up), (0, 0, 1));
    let facts = outbox.waiting().unwrap();
    assert_eq!((facts.waiting, facts.undelivered), (0, 1));
    let error = facts.last_error.unwrap();
    assert!(error.contains("answered 550 5.1.1 no such"), "{error}");
    assert!(!error.contains('\x1b'), "{error}");
    let undelivered = state.path().join("outbox/undelivered");
    assert_eq!(facts.folder, undelivered.display().to_string());
    assert_eq!(fs::read_dir(undelivered).unwrap().count(), 2);
}

#[test]
fn a_server_stripped_of_starttls_gets_neither_password_nor_mail() {
    let listener = Listener::start(Habit::WithoutStartTls);
    let state = tempfile::tempdir().unwrap();
    let password = state.path().join("password");
    fs::write(&password, "secret-clay\n").unwrap();
    fs::set_permissions(&password, fs::Permissions::from_mode(0o600)).unwrap();
    let settings = with_login(settings(SmtpSecurity::StartTls, listener.port), &password);
    let outbox = outbox_with_one_mail(state.path(), &settings);
    let report = outbox.deliver_due(&settings, at(NOW)).unwrap();
    assert_kept(&report, "does not offer STARTTLS");
    let heard = listener.heard();
    let only_greetings = heard
        .iter()
        .all(|line| line.starts_with("EHLO") || line == "QUIT");
    assert!(only_greetings && !heard.is_empty(), "{heard:?}");
}

#[test]
fn a_connection_cut_in_the_middle_keeps_the_mail() {
    let listener = Listener::start(Habit::HangsUp);
    let state = tempfile::tempdir().unwrap();
    let settings = settings(SmtpSecurity::Plain, listener.port);
    let outbox = outbox_with_one_mail(state.path(), &settings);
    let report = outbox.deliver_due(&settings, at(NOW)).unwrap();
    assert_kept(&report, "broke off");
}

/// RFC 5321 section 4.5.4.1: give up after 4 to 5 days.
#[test]
fn mail_that_nobody_takes_for_five_days_is_given_up_and_stays_visible() {
    let state = tempfile::tempdir().unwrap();
    let down = settings(SmtpSecurity::Plain, closed_port());
    let outbox = outbox_with_one_mail(state.path(), &down);
    let mut now = at(NOW);
    let mut tries = 0;
    while let Some(next) = outbox.deliver_due(&down, now).unwrap().next_try {
        assert!(next.duration_since(now) >= SignedDuration::from_mins(30));
        now = next;
        tries += 1;
    }
    let days = now.duration_since(at(NOW)).as_secs_f64() / 86_400.0;
    assert!((4.0..5.2).contains(&days) && tries > 20, "{days} {tries}");
    let facts = Outbox::open(state.path()).unwrap().waiting().unwrap();
    assert_eq!((facts.waiting, facts.undelivered), (0, 1));
    assert!(facts.needs_attention());
}

#[test]
fn garbage_in_the_outbox_is_named_and_stops_nothing() {
    let listener = Listener::start(Habit::WithoutStartTls);
    let state = tempfile::tempdir().unwrap();
    let settings = settings(SmtpSecurity::Plain, listener.port);
    let outbox = outbox_with_one_mail(state.path(), &settings);
    let folder = state.path().join("outbox");
    fs::write(folder.join("00-empty.json"), "").unwrap();
    fs::write(folder.join("01-broken.json"), "{\"to\": 3").unwrap();
    fs::write(folder.join("02-large.json"), vec![b' '; 100_000]).unwrap();
    fs::write(folder.join("notes.txt"), "buy clay").unwrap();
    fs::create_dir(folder.join("03-folder.json")).unwrap();
    fs::write(folder.join("orphan.eml"), "no json").unwrap();
    let lonely = serde_json::json!({
        "from": null, "to": "ines@studio.example", "queued": NOW, "attempts": 4_294_967_295u32,
        "last_try": null, "next_try": NOW, "last_error": null,
    });
    fs::write(folder.join("04-lonely.json"), lonely.to_string()).unwrap();
    let report = outbox.deliver_due(&settings, at(NOW)).unwrap();
    assert_eq!((report.sent, report.kept), (1, 1));
    assert_eq!(report.warnings.len(), 5, "{:?}", report.warnings);
    for name in [
        "00-empty",
        "01-broken",
        "02-large",
        "03-folder",
        "notes.txt",
    ] {
        let named = report.warnings.iter().filter(|line| line.contains(name));
        assert_eq!(named.count(), 1, "{name}");
    }
    let weeks_later = minutes(NOW, 60 * 24 * 14);
    let report = outbox.deliver_due(&settings, weeks_later).unwrap();
    assert_eq!((report.kept, report.given_up), (0, 1));
    assert!(outbox.waiting().unwrap().warnings.len() == 5);
}

#[test]
fn two_processes_at_once_send_each_mail_once() {
    let listener = Listener::start(Habit::WithoutStartTls);
    let state = tempfile::tempdir().unwrap();
    let settings = settings(SmtpSecurity::Plain, listener.port);
    let outbox = outbox_with_one_mail(state.path(), &settings);
    for _ in 0..11 {
        outbox.put(&message(&settings), at(NOW)).unwrap();
    }
    // flock(2) locks belong to the open file, so threads with their own stand for processes.
    let sent: u64 = std::thread::scope(|scope| {
        let deliver = || {
            let outbox = Outbox::open(state.path()).unwrap();
            outbox.deliver_due(&settings, at(NOW)).unwrap().sent
        };
        let both = [scope.spawn(deliver), scope.spawn(deliver)];
        both.map(|one| one.join().unwrap()).iter().sum()
    });
    assert_eq!(sent, 12);
    let heard = listener.heard();
    assert_eq!(heard.iter().filter(|line| *line == "DATA").count(), 12);
}

#[test]
fn each_reader_gets_a_try_of_their_own_and_nobody_else_can_read_the_files() {
    let state = tempfile::tempdir().unwrap();
    let mut down = settings(SmtpSecurity::Plain, closed_port());
    down.to.push("Rui <rui@studio.example>".to_owned());
    let outbox = outbox_with_one_mail(state.path(), &down);
    assert_eq!(outbox.waiting().unwrap().waiting, 2);
    let folder = state.path().join("outbox");
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&folder), 0o700);
    let mut files = 0;
    for entry in fs::read_dir(&folder).unwrap().flatten() {
        if entry.file_type().unwrap().is_file() {
            assert_eq!(mode(&entry.path()), 0o600, "{entry:?}");
            files += 1;
        }
    }
    assert_eq!(files, 4);
}

/// RFC 6531 section 3.1: only servers that offer SMTPUTF8 take such an address.
#[test]
fn an_address_the_server_cannot_take_does_not_hold_up_the_others() {
    let listener = Listener::start(Habit::WithoutStartTls);
    let state = tempfile::tempdir().unwrap();
    let mut settings = settings(SmtpSecurity::Plain, listener.port);
    settings.to = vec!["inês@studio.example".to_owned()];
    let outbox = outbox_with_one_mail(state.path(), &settings);
    settings.to = vec!["rui@studio.example".to_owned()];
    let later = at(NOW) + SignedDuration::from_secs(1);
    outbox.put(&message(&settings), later).unwrap();
    let report = outbox.deliver_due(&settings, later).unwrap();
    assert_eq!((report.sent, report.kept), (1, 1));
    assert!(report.last_error.unwrap().contains("SMTPUTF8"));
}

#[test]
fn a_server_that_drips_its_answer_is_given_up_on_as_well() {
    let listener = Listener::start(Habit::Drips);
    let state = tempfile::tempdir().unwrap();
    let settings = settings(SmtpSecurity::Plain, listener.port);
    let outbox =
        outbox_with_one_mail(state.path(), &settings).with_timeout(Duration::from_millis(200));
    let began = Instant::now();
    let report = outbox.deliver_due(&settings, at(NOW)).unwrap();
    assert!(began.elapsed() < Duration::from_secs(8));
    assert_kept(&report, "did not get done within 2 s");
}

/// RFC 4954 section 6: 530 means that a login is required.
#[test]
fn a_server_that_wants_a_login_keeps_the_mail_until_there_is_one() {
    let listener = Listener::start(Habit::Answers("530 5.7.0 authentication required"));
    let state = tempfile::tempdir().unwrap();
    let settings = settings(SmtpSecurity::Plain, listener.port);
    let outbox = outbox_with_one_mail(state.path(), &settings);
    let report = outbox.deliver_due(&settings, at(NOW)).unwrap();
    assert_kept(&report, "answered 530 5.7.0 authentication required");
}
