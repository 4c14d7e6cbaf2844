//! A run of the pottery studio's server to mail, and the settings to mail it with.

use std::path::Path;

use hayloft::jobs::{KindName, MailSettings, Name, SendWhen, SmtpSecurity, SmtpServer};
use hayloft::mail::run_message;
use hayloft::record::{
    Changes, Decision, DriveUse, Form, GenerationName, Outcome, RunRecord, StepRecord, Task,
    Trigger,
};
use jiff::{Timestamp, tz::TimeZone};
use lettre::Message;

pub fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

pub fn lisbon() -> TimeZone {
    TimeZone::get("Europe/Lisbon").unwrap()
}

pub fn studio_run() -> RunRecord {
    let started = at("2026-11-25T02:30:00Z");
    let generation = GenerationName::at(started);
    RunRecord {
        id: "20261125T023000Z-studio-files".to_owned(),
        server: Name::parse("kiln").unwrap(),
        job: Name::parse("studio-files").unwrap(),
        kind: KindName::History,
        task: Task::Copy,
        about: "Glaze recipes, orders and photographs".to_owned(),
        trigger: Trigger::CatchUp { planned: started },
        started,
        ended: Some(at("2026-11-25T02:34:10Z")),
        outcome: Some(Outcome::Failed),
        reason: "rsync ended with exit status 12. The connection broke.".to_owned(),
        advice: vec![
            "look whether `barn` is on: `ssh hay@barn.example true`".to_owned(),
            "then run the job again: `hayloft run studio-files`".to_owned(),
        ],
        notes: vec!["1 file vanished while it was read".to_owned()],
        drive: Name::parse("barn").unwrap(),
        landing: "hay@barn.example:/srv/hay/hayloft/kiln/studio-files".to_owned(),
        generation: Some(generation),
        form: Some(Form::Tree),
        changes: Some(Changes {
            files: 48_211,
            bytes: 345_000_000_000,
            created: 12,
            changed: 30,
            vanished: 1,
            new_bytes: 1_200_000_000,
        }),
        exported: Vec::new(),
        steps: vec![StepRecord {
            words: "copy what changed".to_owned(),
            commands: vec!["rsync -aHAX /srv/studio/ hay@barn.example:/srv/hay/".to_owned()],
            ended_well: false,
            status: "exit status 12".to_owned(),
            seconds: 63.2,
        }],
        decisions: vec![Decision {
            generation,
            kept: true,
            why: "the newest".to_owned(),
        }],
        space: Some(DriveUse {
            total: 4_000_000_000_000,
            free: 2_600_000_000_000,
            reserve: 20_000_000_000,
            job_use: Some(412_000_000_000),
            cap: None,
        }),
        proofs: Vec::new(),
        log_tail: vec!["02:31:03 rsync: connection unexpectedly closed".to_owned()],
        log_file: "/var/lib/hayloft/logs/20261125T023000Z-studio-files.log".to_owned(),
        next: Some(at("2026-11-26T02:30:00Z")),
    }
}

pub fn settings(security: SmtpSecurity, port: u16) -> MailSettings {
    MailSettings {
        smtp: SmtpServer {
            security,
            host: "localhost".to_owned(),
            port,
            user: None,
        },
        password_file: None,
        from: "kiln <hayloft@studio.example>".to_owned(),
        to: vec!["ines@studio.example".to_owned()],
        send: SendWhen::Always,
        digest: None,
    }
}

pub fn with_login(mut settings: MailSettings, password_file: &Path) -> MailSettings {
    settings.smtp.user = Some("hay".to_owned());
    settings.password_file = Some(password_file.to_owned());
    settings
}

pub fn message(settings: &MailSettings) -> Message {
    run_message(
        &studio_run(),
        settings,
        &lisbon(),
        at("2026-11-25T02:34:10Z"),
    )
    .unwrap()
}
