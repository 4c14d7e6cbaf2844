//! A dry run writes nothing anywhere.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::folder_listing::listing;
use crate::world::{World, skip};

const KINDS: [&str; 3] = ["history", "mirror", "archive"];

fn world() -> Option<World> {
    let world = World::new(40)?;
    world.write_source("celadon.txt", "ash glaze");
    for kind in KINDS {
        let (cap, keep) = if kind == "mirror" {
            ("", "")
        } else {
            (
                "cap = \"20 MB\"\n",
                "[[keep]]\nevery = \"1 day\"\nfor = \"1 day\"\n",
            )
        };
        let text = format!(
            "kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n{cap}\
             schedule = \"30 2 * * *\"\n[[pre]]\nrun = [\"touch\", \"{{dir}}/pre\"]\n\
             [[post]]\nrun = [\"touch\", \"{{dir}}/post\"]\n{keep}"
        );
        world.job(kind, &text);
    }
    Some(world)
}

/// Everything that a run could write to. The image of the drive is left out: its file system writes there
/// in its own time, and what is in it is looked at through the mount.
fn all(world: &World) -> BTreeMap<PathBuf, String> {
    let mut all = listing(&world.path(""));
    all.remove(&world.path("shelf.img"));
    all
}

fn dry_runs(world: &World, exit: i32) {
    for kind in KINDS {
        world.run(&["run", "--dry-run", kind], exit);
        world.run_json(&["run", "--dry-run", kind], exit);
    }
}

#[test]
fn a_dry_run_of_new_jobs_writes_nothing() {
    let Some(world) = world() else { return };
    let before = all(&world);
    dry_runs(&world, 0);
    assert_eq!(all(&world), before);
    assert!(!world.state().exists());
}

#[test]
fn a_dry_run_of_old_jobs_writes_nothing() {
    let Some(world) = world() else { return };
    for kind in KINDS {
        for night in ["2026-11-20T02:30:00Z", "2026-11-21T02:30:00Z"] {
            world.run(&["--clock", night, "run", kind], 0);
        }
        fs::create_dir(world.copies(kind).join("20261122T023000Z.partial")).unwrap();
    }
    world.write_source("orders.txt", "two bowls");
    fs::remove_file(world.source().join("celadon.txt")).unwrap();
    let before = all(&world);
    dry_runs(&world, 0);
    assert_eq!(all(&world), before);
    fs::remove_dir_all(world.state()).unwrap();
    let before = all(&world);
    dry_runs(&world, 0);
    assert_eq!(
        all(&world),
        before,
        "and an absent state folder stays absent"
    );
}

#[test]
fn a_dry_run_without_its_drive_writes_nothing_on_the_bare_mount_point() {
    let Some(world) = world() else { return };
    world.unmount(&[]);
    let before = all(&world);
    dry_runs(&world, 4);
    assert_eq!(all(&world), before);
}

/// Calls that change something, with the place they change; `None` for those that only read.
fn written(call: &str) -> Option<String> {
    let name = call.split('(').next()?;
    let path = call.split('"').nth(1).unwrap_or("");
    let opens = name.starts_with("open") || name == "creat";
    let writes = ["O_WRONLY", "O_RDWR", "O_CREAT", "O_TRUNC"];
    let changes = if opens {
        name == "creat" || writes.iter().any(|flag| call.contains(flag))
    } else {
        let changing = [
            "unlink",
            "rename",
            "mkdir",
            "rmdir",
            "link",
            "symlink",
            "mknod",
            "chmod",
            "fchmodat",
            "chown",
            "lchown",
            "fchownat",
            "truncate",
            "utime",
            "utimensat",
            "setxattr",
            "lsetxattr",
            "removexattr",
        ];
        let name = name.trim_end_matches('2').trim_end_matches("at");
        changing
            .iter()
            .any(|one| one.trim_end_matches("at") == name)
    };
    let harmless =
        path.starts_with("/dev/null") || path.starts_with("/dev/tty") || path.starts_with("/proc/");
    (changes && !harmless).then(|| call.to_owned())
}

#[test]
fn the_kernel_saw_no_call_of_a_dry_run_that_writes() {
    let Some(world) = world() else { return };
    if !Path::new("/usr/bin/strace").exists() {
        return skip("needs strace");
    }
    for kind in KINDS {
        world.run(&["--clock", "2026-11-20T02:30:00Z", "run", kind], 0);
    }
    for kind in KINDS {
        let trace = world.path("trace");
        let plain = world.hayloft(&["run", "--dry-run", kind]);
        let status = Command::new("strace")
            .args([
                "-f",
                "-qq",
                "-e",
                "trace=%file,fchmod,fchown,ftruncate",
                "-o",
            ])
            .arg(&trace)
            .arg(plain.get_program())
            .args(plain.get_args())
            .output()
            .unwrap();
        assert!(status.status.success(), "{status:?}");
        let text = fs::read_to_string(&trace).unwrap();
        assert!(text.lines().count() > 100, "{text}");
        let calls = text.lines().filter_map(|line| line.split_once(' '));
        let found: Vec<String> = calls
            .filter_map(|(_, call)| written(call.trim_start()))
            .collect();
        assert_eq!(found, Vec::<String>::new(), "{kind}");
    }
}
