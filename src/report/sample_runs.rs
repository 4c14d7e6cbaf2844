//! Three runs of the pottery studio's server, for the tests of this room.

use jiff::tz::TimeZone;

use crate::jobs::{KindName, Name};
use crate::record::{
    Changes, Decision, DriveUse, Form, GenerationName, Outcome, RunRecord, StepRecord, Task,
    Trigger,
};

pub(super) fn lisbon() -> TimeZone {
    TimeZone::get("Europe/Lisbon").unwrap()
}

pub(super) fn name(text: &str) -> Name {
    Name::parse(text).unwrap()
}

fn step(words: &str, command: &str, status: &str, seconds: f64) -> StepRecord {
    StepRecord {
        words: words.to_owned(),
        commands: vec![command.to_owned()],
        ended_well: status == "exit status 0",
        status: status.to_owned(),
        seconds,
    }
}

fn decision(generation: &str, kept: bool, why: &str) -> Decision {
    Decision {
        generation: GenerationName::parse(generation).unwrap(),
        kept,
        why: why.to_owned(),
    }
}

pub(super) fn good() -> RunRecord {
    let planned = "2026-11-25T02:30:00Z".parse().unwrap();
    RunRecord {
        id: "20261125T023000Z-studio-files".to_owned(),
        server: name("kiln"),
        job: name("studio-files"),
        kind: KindName::History,
        task: Task::Copy,
        about: "Glaze recipes, orders and photographs".to_owned(),
        trigger: Trigger::Schedule { planned },
        started: planned,
        ended: Some("2026-11-25T02:34:10Z".parse().unwrap()),
        outcome: Some(Outcome::Well),
        reason: String::new(),
        advice: vec![],
        notes: vec![],
        drive: name("shelf"),
        landing: "/mnt/shelf/hayloft/kiln/studio-files".to_owned(),
        generation: Some(GenerationName::parse("20261125T023000Z").unwrap()),
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
        steps: vec![
            step(
                "stop the order book",
                "systemctl stop orders",
                "exit status 0",
                0.4,
            ),
            step("copy what changed", "rsync -aHAX …", "exit status 0", 241.0),
            step(
                "start the order book",
                "systemctl start orders",
                "exit status 0",
                1.0,
            ),
        ],
        decisions: vec![
            decision("20261125T023000Z", true, "the newest"),
            decision("20261124T023000Z", true, "one a day for 2 weeks"),
            decision("20261123T023000Z", true, "one a day for 2 weeks"),
            decision(
                "20261110T023000Z",
                false,
                "older than 2 weeks, another of its week is kept",
            ),
        ],
        proofs: vec![],
        space: Some(DriveUse {
            total: 4_000_000_000_000,
            free: 2_650_000_000_000,
            reserve: 20_000_000_000,
            job_use: Some(412_000_000_000),
            cap: Some(1_500_000_000_000),
        }),
        log_tail: vec![],
        log_file: "/var/lib/hayloft/logs/20261125T023000Z-studio-files.log".to_owned(),
        next: Some("2026-11-26T02:30:00Z".parse().unwrap()),
    }
}

pub(super) fn failed() -> RunRecord {
    RunRecord {
        ended: Some("2026-11-25T02:31:05Z".parse().unwrap()),
        outcome: Some(Outcome::Failed),
        reason: "rsync ended with exit status 12. The connection to `barn.example` broke while \
                 data was on its way."
            .to_owned(),
        advice: vec![
            "look whether `barn` is on and reachable: `ssh hay@barn.example true`".to_owned(),
            "then run the job again: `hayloft run studio-files`".to_owned(),
        ],
        drive: name("barn"),
        landing: "hay@barn.example:/srv/hay/hayloft/kiln/studio-files".to_owned(),
        generation: None,
        form: None,
        changes: None,
        steps: vec![
            step(
                "stop the order book",
                "systemctl stop orders",
                "exit status 0",
                0.4,
            ),
            step(
                "copy what changed",
                "rsync -aHAX --numeric-ids -e ssh /srv/studio/ hay@barn.example:/srv/hay/hayloft/kiln/studio-files/20261125T023000Z.partial/",
                "exit status 12",
                63.2,
            ),
            step(
                "start the order book",
                "systemctl start orders",
                "exit status 0",
                1.0,
            ),
        ],
        decisions: vec![],
        space: None,
        log_tail: vec![
            "2026-11-25T02:31:03.102400Z  WARN   rsync: connection unexpectedly closed (1043 bytes received so far) [sender]"
                .to_owned(),
            "2026-11-25T02:31:03.102411Z  WARN   rsync error: error in rsync protocol data stream (code 12)".to_owned(),
        ],
        ..good()
    }
}

pub(super) fn held_back() -> RunRecord {
    RunRecord {
        ended: Some("2026-11-25T02:30:40Z".parse().unwrap()),
        outcome: Some(Outcome::Guarded),
        reason: "45 % of the files would vanish; the job allows 30 %.".to_owned(),
        advice: vec![
            "see what would change: `hayloft run studio-files --dry-run`. The last good generation is \
             untouched"
                .to_owned(),
        ],
        generation: None,
        form: None,
        changes: Some(Changes {
            files: 26_516,
            bytes: 180_000_000_000,
            created: 0,
            changed: 4,
            vanished: 21_695,
            new_bytes: 120_000,
        }),
        steps: vec![step("see what would change", "rsync -n …", "exit status 0", 38.7)],
        decisions: vec![],
        ..good()
    }
}
