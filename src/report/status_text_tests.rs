//! The whole status page of a server in trouble, and of one that is well.

use crate::jobs::KindName;
use crate::keep::forecast::{Basis, Filling, Moments, Outlook};
use crate::record::{GenerationName, Outcome, ProofKind};

use super::super::safe_text::width;
use super::super::sample_runs::{lisbon, name};
use super::super::{DriveSpace, LastGood, LastRun, Verified};
use super::*;

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn job(text: &str, outcome: Outcome, words: &str) -> JobStatus {
    JobStatus {
        name: name(text),
        kind: KindName::History,
        about: "Glaze recipes".to_owned(),
        last: Some(LastRun {
            id: format!("20261125T023000Z-{text}"),
            outcome,
            ended: at("2026-11-25T02:34:10Z"),
            words: words.to_owned(),
        }),
        last_good: Some(LastGood {
            generation: GenerationName::parse("20261122T023000Z").unwrap(),
            ended: at("2026-11-22T02:34:00Z"),
        }),
        next: Some(at("2026-11-26T02:30:00Z")),
        running_since: None,
        schedule: Some("30 2 * * *".to_owned()),
        rehearsed: None,
        verified: Some(Verified {
            at: at("2026-11-22T09:00:00Z"),
            kind: ProofKind::Verify,
            open: Vec::new(),
        }),
    }
}

fn fills_in(days: i64) -> Filling {
    let after =
        |days: i64| Some(at("2026-11-25T09:00:00Z") + jiff::SignedDuration::from_hours(24 * days));
    let moments = Moments {
        earliest: after(days * 5 / 7),
        likely: after(days),
        latest: after(days * 11 / 7),
    };
    Filling {
        basis: Basis {
            runs: 214,
            days: 210.0,
        },
        seen: None,
        outlook: Outlook::Fills,
        per_day: None,
        at_reserve: moments,
        full: moments,
    }
}

fn drive(text: &str, ready: DriveReadiness, words: &str) -> DriveStatus {
    DriveStatus {
        name: name(text),
        address: format!("/mnt/{text}"),
        ready,
        words: words.to_owned(),
        space: (ready == DriveReadiness::Ready).then_some(DriveSpace {
            total: 4_000_000_000_000,
            free: 2_650_000_000_000,
            reserve: 20_000_000_000,
        }),
        offsite: text == "barn",
        filling: (text == "shelf").then(|| fills_in(7 * 30)),
        reread: None,
    }
}

fn trouble() -> StatusFacts {
    StatusFacts {
        server: name("kiln"),
        now: at("2026-11-25T09:00:00Z"),
        attention: vec![
            "studio-files has had no good copy for 3 days; its RPO is 1 day".to_owned(),
        ],
        jobs: vec![
            job("accounts", Outcome::Well, ""),
            job(
                "studio-files",
                Outcome::DriveAbsent,
                "no disk with the identity of `barn` is attached",
            ),
        ],
        drives: vec![
            drive("shelf", DriveReadiness::Ready, "ready"),
            drive("barn", DriveReadiness::NotReady, "not attached"),
        ],
        mail: Some(MailFacts {
            waiting: 2,
            oldest: Some(at("2026-11-25T02:34:10Z")),
            next_try: Some(at("2026-11-25T09:30:00Z")),
            undelivered: 1,
            last_error: Some("cannot reach `localhost:25`: connection refused".to_owned()),
            folder: "/var/lib/hayloft/outbox/undelivered".to_owned(),
            warnings: vec![],
        }),
        service: "running since Mon 23 Nov 08:00".to_owned(),
    }
}

#[test]
fn the_status_page_puts_trouble_first() {
    assert_eq!(
        status_text(&trouble(), &lisbon(), 80, Style::Plain),
        "\
kiln: 1 thing NEEDS ATTENTION, Wed 25 Nov 2026 09:00 WET

  ! studio-files has had no good copy for 3 days; its RPO is 1 day

Jobs
  studio-files  FAILED: drive not attached, Wed 25 Nov 02:34 (6 hours ago)
                no disk with the identity of `barn` is attached
                history; last good copy 3 days ago; next Thu 26 Nov 02:30
                last verified 3 days ago: well
  accounts      well, Wed 25 Nov 02:34 (6 hours ago)
                history; last good copy 3 days ago; next Thu 26 Nov 02:30
                last verified 3 days ago: well

Drives
  barn          NOT READY: not attached
                /mnt/barn, off-site
  shelf         ready
                /mnt/shelf
                2.7 TB free of 4 TB, 20 GB of it always left free
                full in about 7 months (5 to 11)

  Mail          2 mails waiting, oldest 6 hours ago, 1 mail NOT DELIVERED
                next try Wed 25 Nov 09:30
                last error: cannot reach `localhost:25`: connection refused
                undelivered mail lies in /var/lib/hayloft/outbox/undelivered
  Service       running since Mon 23 Nov 08:00
"
    );
}

#[test]
fn a_server_that_is_well_says_so_in_its_first_line() {
    let mut facts = trouble();
    facts.attention.clear();
    facts.jobs.truncate(1);
    facts.drives.truncate(1);
    facts.mail = Some(MailFacts::default());
    assert!(!facts.needs_attention());
    assert_eq!(
        status_text(&facts, &lisbon(), 80, Style::Plain),
        "\
kiln: all is well, Wed 25 Nov 2026 09:00 WET

Jobs
  accounts  well, Wed 25 Nov 02:34 (6 hours ago)
            history; last good copy 3 days ago; next Thu 26 Nov 02:30
            last verified 3 days ago: well

Drives
  shelf     ready
            /mnt/shelf
            2.7 TB free of 4 TB, 20 GB of it always left free
            full in about 7 months (5 to 11)

  Mail      nothing waiting
  Service   running since Mon 23 Nov 08:00
"
    );
}

#[test]
fn each_kind_of_trouble_alone_needs_attention() {
    let well = || {
        let mut facts = trouble();
        facts.attention.clear();
        facts.jobs.truncate(1);
        facts.drives.truncate(1);
        facts.mail = None;
        facts
    };
    assert!(!well().needs_attention());
    let mut facts = well();
    facts.jobs.push(trouble().jobs.remove(1));
    assert!(facts.needs_attention());
    let mut facts = well();
    facts.drives.push(trouble().drives.remove(1));
    assert!(facts.needs_attention());
    let mut facts = well();
    facts.mail = trouble().mail;
    assert!(facts.needs_attention());
    assert!(
        status_text(&facts, &lisbon(), 80, Style::Plain)
            .starts_with("kiln: something NEEDS ATTENTION")
    );
}

#[test]
fn no_line_is_wider_than_the_terminal_even_with_hostile_words() {
    let mut facts = trouble();
    facts.attention.push("a\x1b[31m\n".repeat(80));
    facts.jobs[0].name = name(&"x".repeat(64));
    facts.service = "陶器".repeat(100);
    for columns in [66, 80, 120] {
        let text = status_text(&facts, &lisbon(), columns, Style::Plain);
        for line in text.lines() {
            assert!(width(line) <= columns, "{columns}: {line}");
            assert!(!line.contains('\x1b'));
        }
    }
}

#[test]
fn colour_adds_escapes_and_changes_no_word() {
    let plain = status_text(&trouble(), &lisbon(), 80, Style::Plain);
    let colour = status_text(&trouble(), &lisbon(), 80, Style::Colour);
    let mut stripped = colour.clone();
    for code in ["\x1b[0m", "\x1b[1m", "\x1b[2m", "\x1b[32m", "\x1b[1;31m"] {
        stripped = stripped.replace(code, "");
    }
    assert_ne!(colour, plain);
    assert_eq!(stripped, plain);
}
