//! The service when something ends before its time: told to stop, killed, or only its run killed.

use std::fs;
use std::process::Stdio;

use rustix::process::Signal;

use crate::service_world::{
    NO_SERVER, Serving, ended_runs, mail_waits, mails_waiting, runs, send, studio, until,
};
use crate::world::World;

/// Two seconds before the job's time.
const BEFORE: &str = "2026-11-25T02:29:58Z";

/// A job that stops a service for a long time, and starts it again: each start is a line in `started`.
const LONG: &str = "schedule = \"30 2 * * *\"\n\
    [[pre]]\nrun = [\"sh\", \"-c\", \"echo > {dir}/stopped; exec sleep 600\"]\n\
    [[post]]\nrun = [\"sh\", \"-c\", \"echo $HAYLOFT_OUTCOME >> {dir}/started\"]\n";

fn long_run(clock: &str) -> Option<(World, Serving)> {
    let world = World::new(40)?;
    world.write_server(NO_SERVER);
    world.write_source("celadon.txt", "ash glaze");
    world.job("orders", &studio(LONG));
    let serving = Serving::start(&world, clock);
    until("the pre step", || {
        world.path("stopped").exists().then_some(())
    });
    Some((world, serving))
}

fn started(world: &World) -> String {
    fs::read_to_string(world.path("started")).unwrap_or_default()
}

#[test]
fn a_service_told_to_stop_stops_its_run_cleanly_and_ends_well() {
    let Some((world, serving)) = long_run(BEFORE) else {
        return;
    };
    serving.expect("STATUS=running: orders");
    let running = world.run_json(&["--clock", "2026-11-25T02:30:20Z", "status"], 0);
    let since = running["jobs"][0]["running_since"].as_str().unwrap();
    assert!(since.starts_with("2026-11-25T02:30:0"), "{since}");
    let shown = world
        .run(&["--clock", "2026-11-25T02:45:00Z", "status"], 0)
        .out;
    assert!(
        shown.contains("running since Wed 25 Nov 02:30, for 15 min"),
        "{shown}"
    );
    serving.signal(Signal::TERM);
    serving.expect("STOPPING=1");
    serving.stop();
    assert_eq!(started(&world), "stopped\n");
    let run = &runs(&world)[0];
    assert_eq!(run["outcome"], "stopped", "{run:#}");
    mail_waits(&world, "kiln: orders STOPPED");
}

#[test]
fn after_a_power_cut_the_run_is_told_as_cut_short_and_the_service_it_stopped_is_started_once() {
    let Some((world, mut serving)) = long_run(BEFORE) else {
        return;
    };
    let run = serving.run_process();
    serving.signal(Signal::KILL);
    serving.wait();
    send(run, Signal::KILL);
    until("the end of the run", || {
        fs::metadata(format!("/proc/{run}")).is_err().then_some(())
    });

    // while no service runs, the status tells of it
    let shown = world
        .run(&["--clock", "2026-11-25T03:00:00Z", "status"], 1)
        .out;
    assert!(
        shown.contains("orders: cut short: the run never ended"),
        "{shown}"
    );
    assert!(shown.contains("CUT SHORT"), "{shown}");
    assert_eq!(started(&world), "");

    for _ in 0..2 {
        let serving = Serving::start(&world, "2026-11-25T08:00:00Z");
        serving.expect("STATUS=next");
        serving.stop();
    }
    assert_eq!(started(&world), "cut-short\n");
    let found = ended_runs(&world, "orders", 1);
    assert_eq!(found.len(), 1, "its time counts as handled: {found:#?}");
    assert_eq!(found[0]["outcome"], "cut-short");
    let notes = found[0]["notes"].to_string();
    assert!(notes.contains("was owed and has been run"), "{notes}");
    mail_waits(&world, "kiln: orders CUT SHORT");
    assert_eq!(mails_waiting(&world).len(), 1);
}

#[test]
fn a_run_that_is_killed_alone_is_told_as_cut_short_at_once() {
    let Some((world, serving)) = long_run(BEFORE) else {
        return;
    };
    send(serving.run_process(), Signal::KILL);
    let run = &ended_runs(&world, "orders", 1)[0];
    assert_eq!(run["outcome"], "cut-short");
    mail_waits(&world, "kiln: orders CUT SHORT");
    assert_eq!(started(&world), "cut-short\n");
    serving.stop();
}

#[test]
fn a_run_whose_drive_is_in_use_by_hand_waits_and_is_not_lost() {
    let Some(world) = World::new(40) else { return };
    world.write_server(NO_SERVER);
    world.write_source("celadon.txt", "ash glaze");
    world.job("orders", &studio(&LONG.replace("30 2 * * *", "0 5 1 * *")));
    world.job("studio-files", &studio("schedule = \"30 2 * * *\""));
    let mut by_hand = world.hayloft(&["run", "orders"]);
    let mut by_hand = by_hand
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    until("the pre step", || {
        world.path("stopped").exists().then_some(())
    });
    let serving = Serving::start(&world, BEFORE);
    serving.expect("STATUS=running: studio-files");
    serving.expect("STATUS=next");
    assert!(runs(&world).iter().all(|run| run["job"] == "orders"));
    serving.stop();
    send(by_hand.id(), Signal::TERM);
    by_hand.wait().unwrap();

    // it was put off, and is still due at the next start
    let serving = Serving::start(&world, "2026-11-25T02:31:00Z");
    let run = &ended_runs(&world, "studio-files", 1)[0];
    assert_eq!(run["outcome"], "well");
    assert_eq!(run["trigger"]["planned"], "2026-11-25T02:30:00Z");
    serving.stop();
}

#[test]
fn a_second_service_on_the_same_state_folder_is_refused() {
    let Some(world) = World::new(40) else { return };
    world.job("orders", &studio(""));
    let first = Serving::start(&world, BEFORE);
    first.expect("READY=1");
    let second = world.run(&["serve"], 3);
    assert!(
        second
            .errors
            .contains("the service is in use by `hayloft serve`"),
        "{}",
        second.errors
    );
    // so it is while the files are wrong
    world.write_server("nonsense\n");
    world.run(&["serve"], 3);
    first.stop();
}

#[test]
fn a_run_that_ends_before_it_can_record_itself_is_told_as_failed() {
    let Some(world) = World::new(40) else { return };
    world.write_server(NO_SERVER);
    world.job("orders", &studio("schedule = \"30 2 * * *\""));
    let serving = Serving::start(&world, BEFORE);
    serving.expect("STATUS=next");
    fs::remove_dir_all(world.state().join("files-in-force")).unwrap();
    let run = &ended_runs(&world, "orders", 1)[0];
    assert_eq!(run["outcome"], "failed");
    let reason = run["reason"].as_str().unwrap();
    assert!(
        reason.contains("ended before it began (exit status: 2)"),
        "{reason}"
    );
    mail_waits(
        &world,
        "kiln: orders FAILED: the run ended before it began (exit status:",
    );
    serving.stop();
}

#[test]
fn a_run_whose_service_was_killed_goes_on_and_is_not_started_twice() {
    let Some((world, mut serving)) = long_run(BEFORE) else {
        return;
    };
    let run = serving.run_process();
    serving.signal(Signal::KILL);
    serving.wait();
    let again = Serving::start(&world, "2026-11-25T02:40:00Z");
    again.expect("STATUS=next");
    assert_eq!(runs(&world).len(), 1);
    assert!(runs(&world)[0]["outcome"].is_null());
    send(run, Signal::TERM);
    let run = &ended_runs(&world, "orders", 1)[0];
    assert_eq!(run["outcome"], "stopped");
    // the service that is idle hears of its report and tries to send it
    until("a try to send it", || {
        let status = world.run_json(&["--clock", "2026-11-25T02:41:00Z", "status"], 1);
        (!status["mail"]["last_error"].is_null()).then_some(())
    });
    again.stop();
    assert_eq!(started(&world), "stopped\n");
}
