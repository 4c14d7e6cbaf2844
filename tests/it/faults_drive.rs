//! A drive that is absent, not mounted, another one, read-only or full: a named end, and nothing written.

use std::fs;
use std::path::Path;
use std::process::Command;

use crate::folder_listing::listing;
use crate::world::{World, ok};

const JOBS: [&str; 3] = ["history", "mirror", "archive"];

fn world() -> Option<World> {
    let world = World::new(40)?;
    for kind in JOBS {
        let text = format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n");
        world.job(kind, &text);
    }
    world.write_source("celadon.txt", "ash glaze");
    Some(world)
}

/// Every kind ends so, and what lies at the drive's path is as before.
#[track_caller]
fn refuses(world: &World, outcome: &str, exit: i32) {
    let before = listing(&world.drive());
    for kind in JOBS {
        let run = world.run_json(&["run", kind], exit);
        assert_eq!(run["outcome"], outcome, "{kind}: {run}");
        assert!(!run["advice"].as_array().unwrap().is_empty(), "{run}");
        world.run(&["run", kind, "--dry-run"], exit);
    }
    assert_eq!(listing(&world.drive()), before, "{outcome}");
}

fn loop_device(image: &Path) -> String {
    let out = ok(Command::new("losetup")
        .args(["--find", "--show"])
        .arg(image));
    String::from_utf8(out.stdout).unwrap().trim().to_owned()
}

#[test]
fn a_drive_that_is_not_attached_is_absent() {
    let Some(world) = world() else { return };
    world.unmount(&[]);
    refuses(&world, "drive-absent", 4);
    fs::remove_dir(world.drive()).unwrap();
    refuses(&world, "drive-absent", 4);
    assert!(
        !world.drive().exists(),
        "no folder is made at the drive's path"
    );
}

#[test]
fn a_drive_that_is_attached_and_not_mounted_is_told_with_its_device() {
    let Some(world) = world() else { return };
    world.unmount(&[]);
    let device = loop_device(&world.path("shelf.img"));
    let run = world.run_json(&["run", "history"], 4);
    let text = run.to_string();
    let told = text.contains(&device);
    refuses(&world, "drive-unmounted", 4);
    ok(Command::new("losetup").arg("-d").arg(&device));
    assert!(told, "names {device}: {text}");
}

#[test]
fn another_file_system_at_the_path_is_the_wrong_drive() {
    let Some(world) = world() else { return };
    world.unmount(&[]);
    ok(Command::new("mount")
        .args(["-t", "tmpfs", "tmpfs"])
        .arg(world.drive()));
    refuses(&world, "drive-wrong", 4);
    world.unmount(&[]);
    let other = world.path("other.img");
    fs::File::create(&other)
        .unwrap()
        .set_len(20_000_000)
        .unwrap();
    ok(Command::new("mkfs.ext4").args(["-q", "-F"]).arg(&other));
    ok(Command::new("mount")
        .args(["-o", "loop"])
        .arg(&other)
        .arg(world.drive()));
    refuses(&world, "drive-wrong", 4);
    world.unmount(&[]);
}

#[test]
fn a_drive_hidden_by_another_mount_is_the_wrong_drive() {
    let Some(world) = world() else { return };
    ok(Command::new("mount")
        .args(["-t", "tmpfs", "tmpfs"])
        .arg(world.drive()));
    refuses(&world, "drive-wrong", 4);
    world.unmount(&[]);
    world.run(&["run", "history"], 0);
}

#[test]
fn a_drive_mounted_read_only_is_told() {
    let Some(world) = world() else { return };
    world.unmount(&[]);
    ok(Command::new("mount")
        .args(["-o", "loop,ro"])
        .arg(world.path("shelf.img"))
        .arg(world.drive()));
    refuses(&world, "drive-read-only", 1);
}

#[test]
fn a_file_where_the_drive_should_be_is_told_without_a_panic() {
    let Some(world) = world() else { return };
    world.unmount(&[]);
    fs::remove_dir(world.drive()).unwrap();
    fs::write(world.drive(), "not a folder").unwrap();
    for kind in JOBS {
        world.run(&["run", kind], 4);
    }
    assert_eq!(fs::read_to_string(world.drive()).unwrap(), "not a folder");
}

#[test]
fn a_link_in_place_of_the_job_folder_is_not_followed() {
    let Some(world) = world() else { return };
    fs::create_dir_all(world.drive().join("hayloft/kiln")).unwrap();
    fs::create_dir(world.path("elsewhere")).unwrap();
    for kind in JOBS {
        std::os::unix::fs::symlink(world.path("elsewhere"), world.copies(kind)).unwrap();
        let run = world.run_json(&["run", kind], 1);
        assert_eq!(run["outcome"], "failed", "{run}");
    }
    assert_eq!(fs::read_dir(world.path("elsewhere")).unwrap().count(), 0);
}
