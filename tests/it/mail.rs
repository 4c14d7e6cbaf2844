//! Mails made from hostile runs, read back by Python's `email` package (`policy.default`).

use std::io::Write;
use std::process::{Command, Stdio};

use hayloft::jobs::{MailSettings, Name, SmtpSecurity};
use hayloft::mail::{notice_message, run_message};
use hayloft::record::{Outcome, RunRecord};
use hayloft::report::{Mood, Notice, subject};
use serde::Deserialize;

use crate::studio_run::{at, lisbon, settings, studio_run};
use crate::world::skip;

/// Reads mails as a JSON list of byte lists, tells what it found in each.
const READER: &str = r#"
import email, email.policy, json, sys
found = []
for raw in json.load(sys.stdin):
    raw = bytes(raw)
    mail = email.message_from_bytes(raw, policy=email.policy.default)
    defects = []
    for part in mail.walk():
        defects += [repr(d) for d in part.defects]
        for name, value in part.items():
            defects += [f"{name}: {d!r}" for d in value.defects]
        if not part.is_multipart():
            part.get_content()
            defects += [repr(d) for d in part.defects]
    text = mail.get_body(("plain",))
    html = mail.get_body(("html",))
    found.append({
        "defects": defects,
        "headers": [name for name, _ in mail.items()],
        "subject": str(mail["Subject"]),
        "from": str(mail["From"]),
        "to": [a.addr_spec for a in mail["To"].addresses],
        "date": mail["Date"].datetime.isoformat(),
        "auto": str(mail["Auto-Submitted"]),
        "message_id": str(mail["Message-ID"]),
        "references": str(mail["References"]),
        "in_reply_to": str(mail["In-Reply-To"]),
        "kind": mail.get_content_type(),
        "text": text.get_content().replace("\r\n", "\n"),
        "html": html.get_content().replace("\r\n", "\n"),
    })
json.dump(found, sys.stdout)
"#;

#[derive(Debug, Deserialize)]
pub struct Read {
    defects: Vec<String>,
    headers: Vec<String>,
    pub subject: String,
    from: String,
    to: Vec<String>,
    date: String,
    auto: String,
    message_id: String,
    references: String,
    in_reply_to: String,
    kind: String,
    pub text: String,
    html: String,
}

/// Whether Python is there; says so and, in CI, fails when it is not.
fn python_is_missing() -> bool {
    let there = Command::new("python3").arg("--version").output().is_ok();
    if !there {
        skip("python3 is not installed");
    }
    !there
}

/// What Python's parser makes of each mail.
pub fn read_with_python(mails: &[Vec<u8>]) -> Vec<Read> {
    let mut python = Command::new("python3")
        .args(["-c", READER])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python3 reads the mails");
    let mut stdin = python.stdin.take().unwrap();
    let input = serde_json::to_vec(mails).unwrap();
    let feeder = std::thread::spawn(move || stdin.write_all(&input));
    let output = python.wait_with_output().unwrap();
    feeder.join().unwrap().unwrap();
    assert!(output.status.success());
    serde_json::from_slice(&output.stdout).unwrap()
}

fn hostile_texts() -> Vec<String> {
    let mut texts: Vec<String> = [
        "",
        " ",
        "Glaze recipes",
        "two\nlines",
        "x\r\nBcc: someone@elsewhere.example\r\n\r\nbody",
        "\r\n.\r\nMAIL FROM:<x@elsewhere.example>",
        "=?utf-8?q?encoded?= =?utf-8?b?////?=",
        "Olaria São Brás, vidrados à mão",
        "陶器工房の釉薬のレシピと注文と写真",
        "a陶 b器 c工 d房 e",
        "\u{1f3fa}\u{200d}\u{1f525} pots",
        "esc \x1b[2J\x1b]0;title\x07 nul \0 del \x7f csi \u{9b}",
        "bidi \u{202e}gpj.exe \u{2066}x\u{2069} sep \u{2028}\u{2029}",
        "<script>alert(1)</script> & \"quotes\" 'single' `tick",
        "-- \nsignature\n.\n..\nFrom the kiln",
        "comma, semi; <angle> (paren) \"quote\\",
        "   spaces   inside   and   behind   ",
        "combining e\u{301}\u{301}\u{301}",
        "\u{fffd}\u{feff}bom",
    ]
    .map(str::to_owned)
    .to_vec();
    texts.push("x".repeat(10_000));
    texts.push("é".repeat(10_000));
    texts.push("word ".repeat(2_000));
    texts.push("/srv/陶器/".repeat(1_000));
    texts
}

/// Puts one text into one place of a run.
type Place = fn(&mut RunRecord, &str);

const PLACES: [Place; 10] = [
    |run, text| run.about = text.into(),
    |run, text| run.reason = text.into(),
    |run, text| run.advice = vec![text.to_owned(), text.to_owned()],
    |run, text| run.notes = vec![text.to_owned()],
    |run, text| run.landing = text.into(),
    |run, text| run.log_tail = vec![text.to_owned(); 3],
    |run, text| run.log_file = text.into(),
    |run, text| run.id = text.into(),
    |run, text| {
        run.steps[0].words = text.into();
        run.steps[0].commands = vec![text.to_owned()];
        run.steps[0].status = text.into();
    },
    |run, text| run.decisions[0].why = text.into(),
];

fn matrix() -> Vec<RunRecord> {
    let mut runs = Vec::new();
    for text in hostile_texts() {
        let mut everywhere = studio_run();
        for place in PLACES {
            let mut run = studio_run();
            place(&mut run, &text);
            place(&mut everywhere, &text);
            runs.push(run);
        }
        runs.push(everywhere.clone());
        everywhere.outcome = Some(Outcome::WellWithNotes);
        everywhere.job = Name::parse(&"j".repeat(64)).unwrap();
        everywhere.server = Name::parse(&"s-_9".repeat(16)).unwrap();
        runs.push(everywhere);
    }
    runs
}

fn mails(runs: &[RunRecord], settings: &MailSettings) -> Vec<Vec<u8>> {
    let now = at("2026-11-25T02:34:10Z");
    runs.iter()
        .map(|run| {
            run_message(run, settings, &lisbon(), now)
                .unwrap()
                .formatted()
        })
        .collect()
}

/// RFC 5322 section 2.1.1 (998, better 78 characters), section 2.3 (CR and LF only together).
#[track_caller]
fn assert_lines_are_within_limits(mail: &[u8]) {
    let text = std::str::from_utf8(mail).unwrap();
    assert!(text.is_ascii());
    assert!(!text.replace("\r\n", "").contains(['\r', '\n', '\0']));
    assert!(text.split("\r\n").all(|line| line.len() <= 998));
    let headers = text.split("\r\n\r\n").next().unwrap();
    for header in headers.replace("\r\n ", "\n ").split("\r\n") {
        let (name, value) = header.split_once(": ").unwrap();
        // 78 is a SHOULD, which lettre keeps for all but lists of addresses, and an id cannot fold.
        let foldable = !["From", "To"].contains(&name) && value.contains(' ');
        for line in header.split('\n').filter(|_| foldable) {
            assert!(line.len() <= 78, "{line}");
        }
        // RFC 2047 section 2: an encoded word has at most 75 characters.
        for word in header
            .split_whitespace()
            .filter(|word| word.starts_with("=?"))
        {
            assert!(word.len() <= 75, "{word}");
        }
    }
}

#[test]
fn hostile_runs_become_mails_without_a_single_defect() {
    if python_is_missing() {
        return;
    }
    let runs = matrix();
    let mails = mails(&runs, &settings(SmtpSecurity::Plain, 25));
    let read = read_with_python(&mails);
    assert_eq!(read.len(), runs.len());
    for ((run, raw), mail) in runs.iter().zip(&mails).zip(&read) {
        assert_lines_are_within_limits(raw);
        assert_eq!(mail.defects, Vec::<String>::new(), "{:?}", run.about);
        assert_eq!(mail.subject, subject(run));
        assert_eq!(mail.kind, "multipart/alternative");
        assert_eq!(mail.to, ["ines@studio.example"]);
        assert_eq!(mail.auto, "auto-generated");
        let verdict = format!("{} on {} ", run.job, run.server);
        assert!(
            mail.text.replace('\n', " ").starts_with(&verdict),
            "{}",
            mail.text
        );
        assert!(mail.html.contains(&verdict));
        assert!(!mail.text.contains(['\x1b', '\0', '\u{202e}', '\r']));
        assert!(!mail.html.contains("<script"));
    }
}

#[test]
fn a_hostile_run_adds_no_header_of_its_own() {
    if python_is_missing() {
        return;
    }
    let mails = mails(&matrix(), &settings(SmtpSecurity::Plain, 25));
    for mail in read_with_python(&mails) {
        let mut headers = mail.headers;
        headers.sort();
        assert_eq!(
            headers,
            [
                "Auto-Submitted",
                "Content-Type",
                "Date",
                "From",
                "In-Reply-To",
                "MIME-Version",
                "Message-ID",
                "References",
                "Subject",
                "To"
            ]
        );
    }
}

#[test]
fn mails_about_one_job_share_a_thread_and_have_ids_of_their_own() {
    if python_is_missing() {
        return;
    }
    let first = studio_run();
    let mut second = studio_run();
    second.id = "20261126T023000Z-studio-files".to_owned();
    let read = read_with_python(&mails(&[first, second], &settings(SmtpSecurity::Plain, 25)));
    for mail in &read {
        assert_eq!(
            mail.references,
            "<studio-files.kiln.hayloft@studio.example>"
        );
        assert_eq!(mail.in_reply_to, mail.references);
        assert_eq!(mail.date, "2026-11-25T02:34:10+00:00");
        assert_eq!(mail.from, "kiln <hayloft@studio.example>");
    }
    assert_eq!(
        read[0].message_id,
        "<20261125T023000Z-studio-files.kiln.hayloft@studio.example>"
    );
    assert_ne!(read[0].message_id, read[1].message_id);
}

#[test]
fn senders_and_readers_may_have_any_name_and_be_many() {
    if python_is_missing() {
        return;
    }
    let mut settings = settings(SmtpSecurity::Plain, 25);
    settings.from = "Servidor da Olaria São Brás <hayloft@studio.example>".to_owned();
    settings.to = (0..40)
        .map(|n| format!("\"Inês, {n}\" <ines{n}@studio.example>"))
        .collect();
    let mails = mails(&[studio_run()], &settings);
    let read = read_with_python(&mails);
    assert_lines_are_within_limits(&mails[0]);
    assert_eq!(read[0].defects, Vec::<String>::new());
    assert_eq!(read[0].to.len(), 40);
    assert!(read[0].from.starts_with("Servidor da Olaria São Brás <"));
}

#[test]
fn the_text_part_arrives_word_for_word() {
    if python_is_missing() {
        return;
    }
    let read = read_with_python(&mails(&[studio_run()], &settings(SmtpSecurity::Plain, 25)));
    let text = hayloft::report::run_report_text(&studio_run(), &lisbon());
    assert_eq!(read[0].text.trim_end(), text.trim_end());
    let html = hayloft::report::run_report_html(&studio_run(), &lisbon());
    assert_eq!(read[0].html.trim_end(), html.trim_end());
}

#[test]
fn a_notice_about_hostile_files_is_read_without_defects() {
    if python_is_missing() {
        return;
    }
    let settings = settings(SmtpSecurity::Plain, 25);
    let found =
        "unknown key `\u{202e}clé\x1b[2J`\r\nBcc: someone@elsewhere.example =?utf-8?q?boo?=";
    let notice = Notice {
        server: Name::parse("kiln").unwrap(),
        key: "job-files".to_owned(),
        matter: format!("the job files are WRONG {found}"),
        mood: Mood::Bad,
        reason: found.repeat(40),
        advice: vec![found.to_owned()],
        found: vec![found.repeat(40), String::new(), ".".to_owned()],
    };
    let now = at("2026-11-25T02:34:10Z");
    let mail = notice_message(&notice, &settings, now).unwrap().formatted();
    assert_lines_are_within_limits(&mail);
    let read = read_with_python(&[mail]);
    assert_eq!(read[0].defects, Vec::<String>::new());
    assert_eq!(read[0].subject, notice.subject());
    assert_eq!(read[0].auto, "auto-generated");
    assert!(!read[0].headers.contains(&"Bcc".to_owned()));
    assert_eq!(read[0].text.trim_end(), notice.text().trim_end());
    assert_eq!(read[0].html.trim_end(), notice.html().trim_end());
    let thread = "<notice_job-files.kiln.hayloft@studio.example>";
    assert_eq!(
        (&*read[0].references, &*read[0].in_reply_to),
        (thread, thread)
    );
}
