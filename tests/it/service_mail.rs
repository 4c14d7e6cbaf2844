//! Mail of the service when the mail server is away, or refuses.

use std::fs;
use std::path::Path;

use crate::mail::read_with_python;
use crate::service_world::{Serving, ended_runs, studio, subjects_waiting, until};
use crate::smtp_server::{SmtpTestServer, with_smtp_server};
use crate::world::World;

fn nightly(server: &str) -> Option<World> {
    let world = World::new(40)?;
    world.write_server(server);
    world.write_source("celadon.txt", "ash glaze");
    world.job("studio-files", &studio("schedule = \"30 2 * * *\""));
    Some(world)
}

fn mail_table(port: u16, to: &str) -> String {
    format!(
        "[mail]\nsmtp = \"smtp://localhost:{port}\"\nfrom = \"kiln <hayloft@studio.example>\"\n\
         to = [\"{to}\"]\n"
    )
}

fn files_in(folder: &Path) -> usize {
    fs::read_dir(folder).map_or(0, Iterator::count)
}

fn delivered(server: &SmtpTestServer) -> usize {
    files_in(&server.folder.join("maildir/new"))
}

#[test]
fn mail_waits_while_the_server_is_away_survives_restarts_and_arrives_once_when_due() {
    with_smtp_server(
        "service_mail::mail_waits_while_the_server_is_away_survives_restarts_and_arrives_once_when_due",
        |server| {
            // port 9, discard: nobody listens there on a test machine
            let Some(world) = nightly(&mail_table(9, "ines@studio.example")) else {
                return;
            };
            let first = Serving::start(&world, "2026-11-25T02:29:59Z");
            ended_runs(&world, "studio-files", 1);
            let facts = until("a first try", || {
                let status = ["--clock", "2026-11-25T02:35:00Z", "status"];
                let shown = world.run(&[&["--json"], &status[..]].concat(), 1);
                let facts: serde_json::Value = serde_json::from_str(&shown.out).unwrap();
                (!facts["mail"]["last_error"].is_null()).then(|| facts["mail"].clone())
            });
            assert_eq!(facts["waiting"], 1);
            let shown = world
                .run(&["--clock", "2026-11-25T02:35:00Z", "status"], 1)
                .out;
            assert!(shown.contains("1 mail waiting, oldest"), "{shown}");
            assert!(shown.contains("next try Wed 25 Nov 03:00"), "{shown}");
            first.stop();

            world.write_server(&mail_table(server.plain, "ines@studio.example"));
            let due: jiff::Timestamp = facts["next_try"].as_str().unwrap().parse().unwrap();
            let before = due - jiff::SignedDuration::from_millis(2500);
            let second = Serving::start(&world, &before.to_string());
            second.expect("STATUS=next");
            assert_eq!(delivered(server), 0, "tried before it was due");
            let mails = read_with_python(&server.delivered(1));
            assert_eq!(mails[0].subject, "kiln: studio-files well, 9 bytes new");
            until("an empty outbox", || {
                subjects_waiting(&world).is_empty().then_some(())
            });
            world.run(&["--clock", "2026-11-25T03:05:00Z", "status"], 0);
            second.stop();
            let third = Serving::start(&world, "2026-11-25T08:00:00Z");
            third.expect("STATUS=next");
            third.stop();
            assert_eq!(delivered(server), 1);
        },
    );
}

#[test]
fn mail_that_is_refused_for_good_is_put_aside_and_shown() {
    with_smtp_server(
        "service_mail::mail_that_is_refused_for_good_is_put_aside_and_shown",
        |server| {
            let Some(world) = nightly(&mail_table(server.plain, "x@elsewhere.example")) else {
                return;
            };
            let serving = Serving::start(&world, "2026-11-25T02:29:59Z");
            until("mail put aside", || {
                let aside = world.state().join("outbox/undelivered");
                (files_in(&aside) == 2).then_some(())
            });
            let shown = world
                .run(&["--clock", "2026-11-25T02:35:00Z", "status"], 1)
                .out;
            assert!(shown.contains("1 mail NOT DELIVERED"), "{shown}");
            assert!(shown.contains("550 no such mailbox here"), "{shown}");
            serving.stop();
        },
    );
}

#[test]
fn mail_of_a_run_by_hand_is_tried_again_by_the_service_that_was_idle_then() {
    let Some(world) = nightly(&mail_table(9, "ines@studio.example")) else {
        return;
    };
    let serving = Serving::start(&world, "2026-11-25T12:30:00Z");
    serving.expect("STATUS=next");
    // half an hour behind, so that its mail is due again seconds from now
    let behind = ["--clock", "2026-11-25T12:00:04Z", "run", "studio-files"];
    world.run(&behind, 0);
    until("a second try", || {
        let entries = fs::read_dir(world.state().join("outbox"))
            .unwrap()
            .flatten();
        let mut texts = entries.filter_map(|entry| fs::read_to_string(entry.path()).ok());
        texts
            .any(|text| text.contains("\"attempts\": 2"))
            .then_some(())
    });
    serving.stop();
}
