//! Two runs at once: one of them wins, the other names it.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use rustix::process::Signal;

use crate::background::{Background, until};
use crate::world::World;

fn world() -> Option<World> {
    let world = World::new(40)?;
    let job = "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n";
    world.job("orders", job);
    world.job(
        "photographs",
        &format!(
            "{job}[[pre]]\nrun = [\"sh\", \"-c\", \"touch {{dir}}/begun; while [ ! -e {{dir}}/go ]; do sleep 0.02; done\"]\n"
        ),
    );
    world.write_source("celadon.txt", "ash glaze");
    Some(world)
}

/// While `photographs` runs, a run of `other` is refused.
#[track_caller]
fn refused(other: &str, held: &str) {
    let Some(world) = world() else { return };
    let first = Background::start(world.hayloft(&["--json", "run", "photographs"]));
    until("the first run has begun", || world.path("begun").exists());
    let holder = format!("process {}", first.id());
    let shown = world.run(&["run", other], 3);
    let text = shown.out.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in [held, "a run of `photographs` (process", &holder] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let run = world.run_json(&["run", other], 3);
    assert_eq!(run["outcome"], "busy", "{run}");
    assert!(run["reason"].as_str().unwrap().contains(&holder), "{run}");
    std::fs::write(world.path("go"), "").unwrap();
    let shown = first.end_within(Duration::from_secs(20));
    assert_eq!(shown.exit, Some(0), "{} {}", shown.out, shown.errors);
    world.run(&["run", other], 0);
}

#[test]
fn a_second_run_of_a_job_is_refused_and_names_the_first() {
    refused("photographs", "job `photographs` is in use");
}

#[test]
fn a_run_of_another_job_on_the_same_drive_is_refused_and_names_the_first() {
    refused("orders", "drive `shelf` is in use");
}

#[test]
fn a_service_that_a_killed_run_left_stopped_is_started_again_though_the_drive_is_in_use() {
    let Some(world) = world() else { return };
    world.job(
        "orders",
        "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n\
         [[pre]]\nrun = [\"sh\", \"-c\", \"touch {dir}/stopped; exec sleep 60\"]\n\
         [[post]]\nrun = [\"rm\", \"{dir}/stopped\"]\n",
    );
    let killed = Background::start(world.hayloft(&["run", "orders"]));
    until("the service is stopped", || world.path("stopped").exists());
    killed.signal(Signal::KILL);
    killed.end_within(Duration::from_secs(5));
    let holder = Background::start(world.hayloft(&["run", "photographs"]));
    until("the drive is in use", || world.path("begun").exists());
    world.run(&["run", "orders"], 3);
    assert!(!world.path("stopped").exists());
    std::fs::write(world.path("go"), "").unwrap();
    holder.end_within(Duration::from_secs(20));
}

#[test]
fn of_many_runs_started_at_once_each_is_either_whole_or_refused() {
    let Some(world) = world() else { return };
    let runs: Vec<Background> = (0..6)
        .map(|_| Background::start(world.hayloft(&["--json", "run", "orders"])))
        .collect();
    let exits: Vec<Option<i32>> = runs
        .into_iter()
        .map(|run| run.end_within(Duration::from_secs(30)).exit)
        .collect();
    assert!(exits.contains(&Some(0)), "{exits:?}");
    assert!(
        exits.iter().all(|exit| matches!(exit, Some(0 | 3))),
        "{exits:?}"
    );
    let won = exits.iter().filter(|exit| **exit == Some(0)).count();
    assert_eq!(world.generations("orders").len(), won);
}

#[test]
fn looking_at_the_status_never_refuses_a_run() {
    let Some(world) = world() else { return };
    world.run(&["run", "orders"], 0);
    let locks = world.state().join("locks");
    let stop = Arc::new(AtomicBool::new(false));
    let watching = std::thread::spawn({
        let stop = Arc::clone(&stop);
        move || {
            let mut looked = 0;
            while !stop.load(Ordering::Relaxed) && locks.exists() {
                for entry in std::fs::read_dir(&locks).unwrap() {
                    // as a look at the status does: shared, and let go at once
                    let file = std::fs::File::open(entry.unwrap().path());
                    if file.is_ok_and(|file| file.try_lock_shared().is_ok()) {
                        looked += 1;
                    }
                }
                std::thread::sleep(Duration::from_micros(100));
            }
            looked
        }
    });
    for _ in 0..5 {
        world.run(&["run", "orders"], 0);
    }
    stop.store(true, Ordering::Relaxed);
    let looked = watching.join().unwrap();
    assert!(looked > 100, "{looked} looks");
}
