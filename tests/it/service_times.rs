//! The service runs jobs at their times: on time, late, in order, and over changes of the clock.

use serde_json::Value;

use crate::mail::read_with_python;
use crate::service_world::{
    NO_SERVER, Serving, ended_runs, mail_waits, runs, studio, subjects_waiting, until,
};
use crate::smtp_server::with_smtp_server;
use crate::world::World;

fn night(schedule: &str) -> String {
    studio(&format!("schedule = \"{schedule}\""))
}

#[track_caller]
fn field<'v>(run: &'v Value, pointer: &str) -> &'v str {
    run.pointer(pointer)
        .and_then(Value::as_str)
        .unwrap_or_else(|| panic!("no text `{pointer}` in {run:#}"))
}

#[test]
fn a_nightly_job_runs_at_its_time_and_its_report_arrives() {
    with_smtp_server(
        "service_times::a_nightly_job_runs_at_its_time_and_its_report_arrives",
        |server| {
            let Some(world) = World::new(40) else { return };
            world.secret("smtp-password", "secret-clay\n");
            world.write_server(&format!(
                "[mail]\nsmtp = \"smtp+starttls://hay@localhost:{}\"\n\
                 password_file = \"{{dir}}/config/smtp-password\"\n\
                 from = \"kiln <hayloft@studio.example>\"\nto = [\"ines@studio.example\"]\n",
                server.starttls
            ));
            world.job("studio-files", &night("30 2 * * *"));
            world.write_source("celadon.txt", "ash glaze");
            let serving = Serving::start(&world, "2026-11-25T02:29:58Z");
            serving.expect("READY=1");
            serving.expect("STATUS=next: studio-files at 02:30");
            serving.expect("STATUS=running: studio-files; next: studio-files at 02:30");
            serving.expect("STATUS=next: studio-files at 02:30");

            let run = &ended_runs(&world, "studio-files", 1)[0];
            assert_eq!(field(run, "/trigger/by"), "schedule");
            assert_eq!(field(run, "/trigger/planned"), "2026-11-25T02:30:00Z");
            assert_eq!(field(run, "/outcome"), "well");
            let started = field(run, "/started");
            assert!(started.starts_with("2026-11-25T02:30:0"), "{started}");
            assert_eq!(world.generations("studio-files").len(), 1);

            let mails = read_with_python(&server.delivered(1));
            assert!(
                mails[0].subject.starts_with("kiln: studio-files well, "),
                "{}",
                mails[0].subject
            );
            assert!(
                mails[0].text.contains("The first copy: 1 file."),
                "{}",
                mails[0].text
            );
            until("an empty outbox", || {
                subjects_waiting(&world).is_empty().then_some(())
            });
            world.run(&["--clock", "2026-11-25T02:31:00Z", "status"], 0);
            let journal = serving.stop();
            assert_eq!(
                journal.matches("`studio-files` started").count(),
                1,
                "{journal}"
            );
        },
    );
}

#[test]
fn jobs_of_one_drive_run_one_after_another_and_after_those_they_name() {
    let Some(world) = World::new(40) else { return };
    world.write_server(NO_SERVER);
    world.write_source("celadon.txt", "ash glaze");
    // in the order of names and files, `accounts` would come first
    world.job(
        "accounts",
        &studio("schedule = \"30 2 * * *\"\nafter = [\"web\"]"),
    );
    world.job("orders", &night("30 2 * * *"));
    world.job("web", &night("30 2 * * *"));
    let broken = "schedule = \"30 2 * * *\"\n[[pre]]\nrun = [\"false\"]";
    world.job("kiln-log", &studio(broken));
    world.job(
        "photographs",
        &studio("schedule = \"30 2 * * *\"\nafter = [\"kiln-log\"]"),
    );
    let serving = Serving::start(&world, "2026-11-25T02:29:59Z");
    for job in ["accounts", "orders", "web", "kiln-log", "photographs"] {
        ended_runs(&world, job, 1);
    }
    let runs = runs(&world);
    let ran: Vec<&Value> = runs
        .iter()
        .filter(|run| run["job"] != "photographs")
        .collect();
    for pair in ran.windows(2) {
        // RFC 3339 times of one zone and length sort as text
        assert!(
            field(pair[0], "/ended") <= field(pair[1], "/started"),
            "{pair:#?}"
        );
    }
    let place = |job: &str| ran.iter().position(|run| run["job"] == job).unwrap();
    assert!(place("web") < place("accounts"), "{ran:#?}");
    let refused = &ended_runs(&world, "photographs", 1)[0];
    assert_eq!(field(refused, "/outcome"), "waiting");
    assert_eq!(field(refused, "/reason"), "after `kiln-log`, which failed");
    assert_eq!(field(refused, "/trigger/planned"), "2026-11-25T02:30:00Z");
    mail_waits(&world, "kiln: photographs NOT RUN: waiting for another job");
    mail_waits(
        &world,
        "kiln: kiln-log FAILED: `false` ended with exit status 1",
    );
    serving.stop();
}

#[test]
fn times_missed_while_off_are_made_up_for_once_or_told() {
    let Some(world) = World::new(40) else { return };
    world.write_server(NO_SERVER);
    world.write_source("celadon.txt", "ash glaze");
    world.job("studio-files", &night("30 2 * * *"));
    world.job(
        "orders",
        &studio("schedule = \"30 2 * * *\"\ncatch_up = false"),
    );
    let first = Serving::start(&world, "2026-11-21T12:00:00Z");
    first.expect("STATUS=next");
    first.stop();
    assert_eq!(
        runs(&world).len(),
        0,
        "what was never seen before is not due"
    );

    let second = Serving::start(&world, "2026-11-25T09:00:00Z");
    let run = &ended_runs(&world, "studio-files", 1)[0];
    assert_eq!(field(run, "/trigger/by"), "catch-up");
    assert_eq!(field(run, "/trigger/planned"), "2026-11-25T02:30:00Z");
    assert_eq!(field(run, "/outcome"), "well");
    let missed = &ended_runs(&world, "orders", 1)[0];
    assert_eq!(field(missed, "/outcome"), "missed");
    assert_eq!(field(missed, "/trigger/planned"), "2026-11-25T02:30:00Z");
    mail_waits(&world, "kiln: orders MISSED");
    second.stop();

    // the same morning once more: nothing is left to make up for
    let third = Serving::start(&world, "2026-11-25T09:30:00Z");
    third.expect("STATUS=next");
    third.stop();
    assert_eq!(runs(&world).len(), 2);
}

#[test]
fn a_time_in_the_skipped_hour_runs_once_when_the_clock_has_jumped() {
    // IANA tzdata: Europe/Lisbon goes from 01:00 WET to 02:00 WEST at 2026-03-29T01:00Z. Debian cron(8): jobs
    // of the skipped time "will be run soon after the change".
    let Some(world) = World::new(40) else { return };
    world.job("studio-files", &night("30 1 * * *"));
    world.write_source("celadon.txt", "ash glaze");
    let serving = Serving::start(&world, "2026-03-29T00:59:57Z");
    let run = &ended_runs(&world, "studio-files", 1)[0];
    assert_eq!(field(run, "/trigger/planned"), "2026-03-29T01:00:00Z");
    assert_eq!(field(run, "/next"), "2026-03-30T00:30:00Z");
    serving.stop();
    // at 01:30Z it is 02:30 in Lisbon: the time that was skipped has no second chance
    let later = Serving::start(&world, "2026-03-29T01:29:59Z");
    later.expect("STATUS=next: studio-files at 01:30");
    later.stop();
    assert_eq!(runs(&world).len(), 1);
}

#[test]
fn a_time_in_the_repeated_hour_runs_once() {
    // IANA tzdata: Europe/Lisbon goes back from 02:00 WEST to 01:00 WET at 2026-10-25T01:00Z. Debian cron(8):
    // "those jobs that fall into the repeated time will not be re-run".
    let Some(world) = World::new(40) else { return };
    world.job("studio-files", &night("30 1 * * *"));
    world.write_source("celadon.txt", "ash glaze");
    let first = Serving::start(&world, "2026-10-25T00:29:58Z");
    let run = &ended_runs(&world, "studio-files", 1)[0];
    assert_eq!(field(run, "/trigger/planned"), "2026-10-25T00:30:00Z");
    assert_eq!(field(run, "/next"), "2026-10-26T01:30:00Z");
    first.stop();
    // a job of its own shows that the service lives through 01:30Z
    world.job("orders", &night("* * * * *"));
    let second = Serving::start(&world, "2026-10-25T01:29:58Z");
    let orders = &ended_runs(&world, "orders", 1)[0];
    assert_eq!(field(orders, "/trigger/planned"), "2026-10-25T01:30:00Z");
    second.stop();
    assert_eq!(ended_runs(&world, "studio-files", 1).len(), 1);
}
