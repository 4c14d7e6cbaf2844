//! The service and changed files: taken up soon, and held off while they are wrong.

use std::fs;
use std::time::{Duration, Instant};

use rustix::process::Signal;

use crate::mail::read_with_python;
use crate::service_world::{
    NO_SERVER, Serving, ended_runs, mail_waits, mails_waiting, studio, subjects_waiting,
};
use crate::world::World;

/// The time at which changed files must be in force.
const SOON: Duration = Duration::from_secs(3);

const CLOCK: &str = "2026-11-25T12:00:00Z";

fn at(hour: &str) -> String {
    studio(&format!("schedule = \"0 {hour} * * *\""))
}

fn studio_world() -> Option<World> {
    let world = World::new(40)?;
    world.write_server(NO_SERVER);
    world.write_source("celadon.txt", "ash glaze");
    world.job("studio-files", &at("20"));
    Some(world)
}

#[test]
fn new_changed_and_removed_jobs_are_in_force_within_three_seconds() {
    let Some(world) = studio_world() else { return };
    let serving = Serving::start(&world, CLOCK);
    serving.expect("STATUS=next: studio-files at 20:00");
    let changes: [(&str, &dyn Fn()); 3] = [
        ("STATUS=next: orders at 15:00", &|| {
            world.job("orders", &at("15"));
        }),
        ("STATUS=next: orders at 16:00", &|| {
            world.job("orders", &at("16"));
        }),
        ("STATUS=next: studio-files at 20:00", &|| {
            fs::remove_file(world.path("config/jobs/orders.toml")).unwrap();
        }),
    ];
    for (told, change) in changes {
        let begun = Instant::now();
        change();
        serving.expect(told);
        assert!(begun.elapsed() < SOON, "{told} after {:?}", begun.elapsed());
    }
    serving.stop();
}

#[test]
fn sighup_reads_the_files_at_once() {
    let Some(world) = studio_world() else { return };
    let serving = Serving::start(&world, CLOCK);
    serving.expect("STATUS=next: studio-files at 20:00");
    world.job("orders", &at("15"));
    serving.signal(Signal::HUP);
    serving.expect("RELOADING=1");
    serving.expect("READY=1");
    serving.expect("STATUS=next: orders at 15:00");
    serving.stop();
}

#[test]
fn while_files_are_wrong_the_old_ones_run_and_everybody_is_told() {
    let Some(world) = studio_world() else { return };
    let status = |exit| {
        world
            .run(&["--clock", "2026-11-25T19:59:00Z", "status"], exit)
            .out
    };
    let serving = Serving::start(&world, "2026-11-25T19:59:54Z");
    serving.expect("STATUS=next: studio-files at 20:00");
    world.job("orders", "kind = \"history\"\nshedule = \"0 15 * * *\"\n");
    serving.expect(
        "STATUS=next: studio-files at 20:00; changed job files are wrong, the old ones are in force",
    );
    mail_waits(&world, "kiln: the job files are WRONG");
    let mail = read_with_python(&[mails_waiting(&world)[0].clone().into_bytes()]);
    assert!(
        mail[0].text.contains("unknown key `shedule`"),
        "{}",
        mail[0].text
    );
    assert!(mail[0].text.contains("mend the files"), "{}", mail[0].text);
    let shown = status(1);
    assert!(
        shown.contains("! the job files are wrong, and those read before stay in"),
        "{shown}"
    );
    assert_eq!(
        shown.matches("the job files are wrong").count(),
        1,
        "{shown}"
    );
    // a run by hand reads what the administrator sees, and says what is wrong with it
    world.run(&["run", "studio-files"], 2);
    let run = &ended_old_runs(&world)[0];
    assert_eq!(run["outcome"], "well", "{run:#}");

    world.job("orders", &at("21"));
    serving.expect("STATUS=next: orders at 21:00");
    mail_waits(&world, "kiln: the job files are right again");
    let shown = status(1);
    assert!(!shown.contains("job files"), "{shown}");
    serving.stop();
}

/// `runs` reads the files too: the status tells of the run instead.
fn ended_old_runs(world: &World) -> Vec<serde_json::Value> {
    crate::service_world::until("a run by the old files", || {
        let status = world.run_json(&["--clock", "2026-11-25T20:00:10Z", "status"], 1);
        let last = status["jobs"][0]["last"].clone();
        (!last.is_null()).then(|| vec![last])
    })
}

#[test]
fn a_service_that_starts_with_wrong_files_goes_on_with_those_of_before() {
    let Some(world) = studio_world() else { return };
    let first = Serving::start(&world, CLOCK);
    first.expect("STATUS=next: studio-files at 20:00");
    first.stop();
    world.write_server("nonsense\n");
    let second = Serving::start(&world, "2026-11-25T19:59:58Z");
    second.expect("STATUS=next: studio-files at 20:00; changed job files are wrong");
    second.expect("STATUS=running: studio-files");
    second.expect("STATUS=next: studio-files at 20:00");
    mail_waits(&world, "kiln: the job files are WRONG");
    mail_waits(&world, "kiln: studio-files well, 9 bytes new");
    second.stop();

    // told once, not at each start
    let third = Serving::start(&world, "2026-11-25T21:00:00Z");
    third.expect("STATUS=next");
    third.stop();
    let wrong = |subjects: Vec<String>| subjects.iter().filter(|one| one.contains("WRONG")).count();
    assert_eq!(wrong(subjects_waiting(&world)), 1);

    world.write_server(NO_SERVER);
    let fourth = Serving::start(&world, "2026-11-25T21:10:00Z");
    mail_waits(&world, "kiln: the job files are right again");
    fourth.stop();
    assert_eq!(ended_runs(&world, "studio-files", 1).len(), 1);
}

#[test]
fn a_record_that_was_damaged_is_begun_anew_and_mailed_once() {
    let Some(world) = studio_world() else { return };
    let first = Serving::start(&world, CLOCK);
    first.expect("STATUS=next");
    first.stop();
    fs::write(world.state().join("hayloft.db"), "clay ".repeat(2000)).unwrap();
    let second = Serving::start(&world, CLOCK);
    second.expect("STATUS=next");
    mail_waits(
        &world,
        "kiln: the record of runs was DAMAGED and was begun anew",
    );
    let status = world.run(&["--clock", CLOCK, "status"], 1).out;
    assert!(status.contains("was damaged"), "{status}");
    // damaged under the running service: the night is recorded all the same
    second.stop();
    let third = Serving::start(&world, "2026-11-25T19:59:57Z");
    third.expect("STATUS=next");
    fs::write(world.state().join("hayloft.db"), "clay ".repeat(2000)).unwrap();
    let run = &ended_runs(&world, "studio-files", 1)[0];
    assert_eq!(run["outcome"], "well");
    third.stop();
}
