//! What `hayloft check` says of a machine: risks that are real here, and those made by a rule.

use std::process::Command;

use serde_json::Value;

use crate::world::{World, ok};

/// The risks that the real binary finds, as `KIND JOB-OR-DRIVE`.
fn risks(world: &World, exit: i32) -> Vec<String> {
    let facts = world.run_json(&["check"], exit);
    let words = |risk: &Value| {
        let text = |key: &str| risk[key].as_str().map(ToOwned::to_owned);
        let whose = text("job").or_else(|| text("drive")).unwrap_or_default();
        format!("{} {whose}", risk["risk"].as_str().unwrap())
    };
    facts["risks"]
        .as_array()
        .unwrap()
        .iter()
        .map(words)
        .collect()
}

const NIGHTLY: &str = "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\nschedule = \"30 2 * * *\"\n";

#[test]
fn a_drive_in_a_file_on_the_sources_own_disk_is_told_as_the_same_disk() {
    let Some(world) = World::new(40) else { return };
    world.job("studio-files", NIGHTLY);
    assert_eq!(risks(&world, 0), ["same-disk studio-files"]);
}

#[test]
fn a_source_in_memory_shares_no_disk_with_the_drive() {
    let Some(world) = World::new(40) else { return };
    let shm = tempfile::tempdir_in("/dev/shm").unwrap();
    world.job(
        "studio-files",
        &NIGHTLY.replace("{dir}/source", shm.path().to_str().unwrap()),
    );
    assert_eq!(risks(&world, 0), Vec::<String>::new());
}

/// Common practice, no source: a cap of at least twice the source.
#[test]
fn a_cap_under_twice_the_source_is_told_and_one_of_twice_is_not() {
    let Some(world) = World::new(40) else { return };
    world.write_source("kiln.log", vec![b'x'; 3_000_000]);
    let capped = |cap: &str| NIGHTLY.to_owned() + &format!("cap = \"{cap}\"\n");
    world.job("studio-files", &capped("5.9 MB"));
    assert!(risks(&world, 0).contains(&"small-cap studio-files".to_owned()));
    world.job("studio-files", &capped("6 MB"));
    assert!(!risks(&world, 0).contains(&"small-cap studio-files".to_owned()));
}

#[test]
fn a_mirror_without_a_guard_is_told_and_one_with_it_is_not() {
    let Some(world) = World::new(40) else { return };
    let mirror = NIGHTLY.replace("history", "mirror");
    world.job("photographs", &mirror);
    assert!(risks(&world, 0).contains(&"unguarded-mirror photographs".to_owned()));
    world.job("photographs", &(mirror + "change_guard = \"30 %\"\n"));
    assert!(!risks(&world, 0).contains(&"unguarded-mirror photographs".to_owned()));
}

#[test]
fn a_job_without_a_schedule_is_told() {
    let Some(world) = World::new(40) else { return };
    world.job(
        "studio-files",
        &NIGHTLY.replace("schedule = \"30 2 * * *\"\n", ""),
    );
    assert!(risks(&world, 0).contains(&"no-schedule studio-files".to_owned()));
}

#[test]
fn steps_that_leave_a_service_stopped_are_told_apart_from_those_that_do_not() {
    let Some(world) = World::new(40) else { return };
    let stop = "[[pre]]\nrun = [\"systemctl\", \"stop\", \"orders\"]\n";
    let start = "[[post]]\nrun = [\"systemctl\", \"start\", \"orders.service\"]\n";
    let other = "[[post]]\nrun = [\"systemctl\", \"start\", \"mail\"]\n";
    for (steps, told) in [
        (stop.to_owned(), Some("leaves-stopped studio-files")),
        (stop.to_owned() + other, Some("leaves-stopped studio-files")),
        (stop.to_owned() + start, None),
        (stop.to_owned() + start + "on = \"always\"\n", None),
        (
            stop.to_owned() + start + "on = \"success\"\n",
            Some("stays-stopped-after-trouble studio-files"),
        ),
        (
            stop.to_owned() + start + "on = \"success\"\n" + start + "on = \"failure\"\n",
            None,
        ),
        (start.to_owned(), None),
    ] {
        world.job("studio-files", &(NIGHTLY.to_owned() + &steps));
        let found = risks(&world, 0);
        let service: Vec<&str> = found
            .iter()
            .map(String::as_str)
            .filter(|risk| risk.contains("stop"))
            .collect();
        assert_eq!(service, told.into_iter().collect::<Vec<_>>(), "{steps}");
    }
}

#[test]
fn a_folder_of_the_system_disk_with_its_uuid_is_not_a_mount() {
    let Some(world) = World::new(40) else { return };
    world.job("studio-files", NIGHTLY);
    let below = world.drive().join("below");
    std::fs::create_dir(&below).unwrap();
    let server = world.path("config/server.toml");
    let text = std::fs::read_to_string(&server).unwrap();
    let mount = format!("path = \"{}\"", world.drive().display());
    std::fs::write(
        &server,
        text.replace(&mount, &format!("path = \"{}\"", below.display())),
    )
    .unwrap();
    assert!(risks(&world, 0).contains(&"not-a-mount shelf".to_owned()));
}

/// mke2fs(8): `mkfs.ext2` makes no journal, and mount(8) then takes it for ext2.
#[test]
fn a_file_system_without_exact_times_is_told() {
    let Some(world) = World::new(40) else { return };
    world.job("studio-files", NIGHTLY);
    let uuid = world.uuid();
    world.unmount(&[]);
    let image = world.path("shelf.img");
    ok(Command::new("mkfs.ext2")
        .args(["-q", "-F", "-I", "128", "-U", &uuid])
        .arg(&image));
    ok(Command::new("mount")
        .args(["-t", "ext2", "-o", "loop"])
        .arg(&image)
        .arg(world.drive()));
    assert!(risks(&world, 0).contains(&"poor-file-system shelf".to_owned()));
}

#[test]
fn an_absent_drive_and_a_missing_source_would_stop_a_run_and_give_their_exit_codes() {
    let Some(world) = World::new(40) else { return };
    world.job("studio-files", NIGHTLY);
    world.unmount(&[]);
    let shown = world.run(&["check"], 4);
    assert!(
        shown.out.contains("drive `shelf` is not attached"),
        "{}",
        shown.out
    );
    world.mount();
    std::fs::remove_dir_all(world.source()).unwrap();
    let shown = world.run(&["check"], 1);
    assert!(shown.out.contains("is not there"), "{}", shown.out);
}

#[test]
fn a_rebuild_fills_the_record_from_the_drive_and_the_drive_from_the_record() {
    let Some(world) = World::new(40) else { return };
    world.job("studio-files", NIGHTLY);
    world.write_source("celadon.txt", "ash glaze");
    for night in ["2026-11-24T02:30:00Z", "2026-11-25T02:30:00Z"] {
        world.run(&["--clock", night, "run", "studio-files"], 0);
    }
    let catalogue = world.copies("studio-files").join("catalogue.jsonl");
    let before = std::fs::read_to_string(&catalogue).unwrap();
    assert_eq!(before.lines().count(), 2);
    std::fs::remove_file(&catalogue).unwrap();
    world.run(&["check", "--rebuild"], 0);
    assert_eq!(std::fs::read_to_string(&catalogue).unwrap(), before);
    std::fs::remove_dir_all(world.state()).unwrap();
    world.run(&["check", "--rebuild"], 0);
    world.unmount(&[]);
    // the drive is away: only the record can answer
    let listed = world.run_json(&["generations", "studio-files"], 4);
    let names: Vec<&str> = listed
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one["generation"]["name"].as_str().unwrap())
        .collect();
    assert_eq!(names, ["20261125T023000Z", "20261124T023000Z"]);
}

#[test]
fn wrong_job_files_are_told_on_standard_error_and_exit_with_two() {
    let Some(world) = World::new(40) else { return };
    world.job(
        "studio-files",
        "kind = \"histroy\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\n",
    );
    let shown = world.run(&["check"], 2);
    assert!(
        shown.errors.contains("studio-files.toml:1:8") && shown.errors.contains("history"),
        "{}",
        shown.errors
    );
    assert_eq!(shown.out, "");
}

#[test]
fn keys_that_nothing_is_done_with_yet_are_told_plainly() {
    let Some(world) = World::new(40) else { return };
    world.write_server(
        "[machines.ines-laptop]\nfolder = \"{dir}/drive/landing\"\nexpect = \"3 days\"\n",
    );
    let more = "rpo = \"1 day\"\nrto = \"4 hours\"\nrehearse = \"0 6 1 * *\"\n";
    world.job("studio-files", &(NIGHTLY.to_owned() + more));
    let shown = world.run(&["check"], 0);
    assert!(
        shown.out.contains("Read, but not built yet"),
        "{}",
        shown.out
    );
    for key in [
        "`rehearse` (job `studio-files`)",
        "`rpo`",
        "`rto`",
        "`[machines]` (machine `ines-laptop`)",
    ] {
        assert!(shown.out.contains(key), "{key}: {}", shown.out);
    }
}
