//! The service while nothing is due: small, and asleep.

use std::fs;
use std::time::{Duration, Instant};

use crate::service_world::{NO_SERVER, Serving, studio};
use crate::world::World;

/// The design's bound for an idle service, in KiB. What is resident is mostly the program's own file, and that is larger
/// where it was not optimised.
const MOST_RESIDENT: u64 = if cfg!(debug_assertions) { 16 } else { 12 } * 1024;
/// Of that, what no other process shares.
const MOST_OWN: u64 = 3 * 1024;

#[test]
fn an_idle_service_with_seven_jobs_is_small_and_does_not_wake() {
    let Some(world) = World::new(40) else { return };
    world.write_server(NO_SERVER);
    for number in 1..=7 {
        let schedule = format!("schedule = \"{number} 2 * * *\"");
        world.job(&format!("studio-{number}"), &studio(&schedule));
    }
    let serving = Serving::start(&world, "2026-11-25T12:00:00Z");
    serving.expect("STATUS=next: studio-1 at 02:01");
    rest(Duration::from_millis(300));
    let before = wakes(serving.id());
    rest(Duration::from_secs(5));
    let woken = wakes(serving.id()) - before;
    let resident = field(serving.id(), "VmRSS");
    let own = field(serving.id(), "RssAnon");
    println!(
        "idle service: {resident} KiB resident, of which {own} KiB its own; woke {woken} times in 5 s"
    );
    assert!(woken <= 2, "woke {woken} times in 5 s");
    assert!(resident <= MOST_RESIDENT, "{resident} KiB resident");
    assert!(own <= MOST_OWN, "{own} KiB its own");
    serving.stop();
}

/// Lets time pass in which nothing should happen: here a fixed time is what is measured.
fn rest(time: Duration) {
    let begun = Instant::now();
    while let Some(left) = time.checked_sub(begun.elapsed()) {
        std::thread::sleep(left);
    }
}

fn wakes(id: u32) -> u64 {
    field(id, "voluntary_ctxt_switches")
}

/// A field of `/proc/PID/status`, see `proc_pid_status(5)`.
fn field(id: u32, key: &str) -> u64 {
    let status = fs::read_to_string(format!("/proc/{id}/status")).unwrap();
    let line = status.lines().find(|line| line.starts_with(key)).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}
