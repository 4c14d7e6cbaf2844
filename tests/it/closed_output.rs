//! Readers that go away: `hayloft run JOB 2>&1 | head -1`, and a full disk behind standard output.

use std::fs::File;
use std::process::{Command, Stdio};

use crate::world::World;

/// A pipe whose reading end is closed already.
fn nobody() -> Stdio {
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    Stdio::from(writer)
}

fn hayloft(world: &World, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hayloft"));
    command
        .arg("--config")
        .arg(world.path("config"))
        .args(arguments)
        .stdin(Stdio::null());
    command
}

fn studio() -> Option<World> {
    let world = World::new(40)?;
    world.write_source("celadon.txt", "ash glaze");
    world.job(
        "studio-files",
        "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\ncap = \"20 MB\"\n\n\
         [[pre]]\nrun = [\"touch\", \"{dir}/stopped\"]\n\n\
         [[post]]\nrun = [\"touch\", \"{dir}/started\"]\non = \"always\"\n",
    );
    Some(world)
}

#[test]
fn a_run_that_nobody_listens_to_goes_on_to_its_end() {
    let Some(world) = studio() else { return };
    let status = hayloft(&world, &["run", "studio-files"])
        .stdout(nobody())
        .stderr(nobody())
        .status()
        .unwrap();
    assert_eq!(status.code(), Some(0));
    assert!(world.path("stopped").exists() && world.path("started").exists());
    assert_eq!(world.generations("studio-files").len(), 1);
}

#[test]
fn commands_that_show_something_end_well_when_the_reader_leaves() {
    let Some(world) = studio() else { return };
    world.run(&["run", "studio-files"], 0);
    let back = world.path("back");
    for arguments in [
        &["status"][..],
        &["check"],
        &["runs"],
        &["--json", "runs"],
        &["generations", "studio-files"],
        &["run", "studio-files", "--dry-run"],
        &["restore", "studio-files", "--to", back.to_str().unwrap()],
    ] {
        let ended = hayloft(&world, arguments)
            .stdout(nobody())
            .output()
            .unwrap();
        let errors = String::from_utf8_lossy(&ended.stderr);
        assert_eq!(ended.status.code(), Some(0), "{arguments:?}: {errors}");
        assert!(!errors.contains("panicked"), "{arguments:?}: {errors}");
    }
    assert!(back.exists());
}

/// `/dev/full` refuses every write (its manual page, full(4)).
#[test]
fn output_that_a_full_disk_refuses_is_told() {
    let Some(world) = studio() else { return };
    let full = || File::options().write(true).open("/dev/full").unwrap();
    let ended = hayloft(&world, &["status"])
        .stdout(full())
        .output()
        .unwrap();
    assert_eq!(ended.status.code(), Some(1));
    assert!(
        String::from_utf8_lossy(&ended.stderr).contains("standard output could not be written"),
        "{ended:?}"
    );
}
