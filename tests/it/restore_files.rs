//! `restore`: what comes back, where to, and what is never overwritten.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::kinds_trees::{Allowing, assert_same, make_tricky, walk_differences, within};
use crate::world::{Shown, World, ok};

const KINDS: [(&str, Allowing); 3] = [
    ("history", Allowing::Nothing),
    ("mirror", Allowing::Nothing),
    ("archive", Allowing::NoSockets),
];

/// A world with a copy of each kind, made by `fill` and one night.
fn copied(megabytes: u64, fill: impl FnOnce(&World)) -> Option<World> {
    let world = World::new(megabytes)?;
    fill(&world);
    for (kind, _) in KINDS {
        world.job(
            kind,
            &format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n"),
        );
        world.run(&["--clock", "2026-11-25T02:30:00Z", "run", kind], 0);
    }
    Some(world)
}

fn orders(world: &World) {
    world.write_source("orders/1.txt", "two bowls");
    world.write_source("orders/odd\n[name]*.txt", "one vase");
    world.write_source("glaze.txt", "ash");
}

#[track_caller]
fn restore(
    world: &World,
    job: &str,
    paths: &[&Path],
    to: &Path,
    more: &[&str],
    exit: i32,
) -> Shown {
    let mut words = vec!["restore", job, "--to", to.to_str().unwrap()];
    words.extend(more);
    words.extend(paths.iter().map(|path| path.to_str().unwrap()));
    world.run(&words, exit)
}

/// What lies below a folder: names, inodes, lengths, modes, times.
fn state_of(folder: &Path) -> String {
    let out = ok(Command::new("find")
        .arg(folder)
        .args(["-printf", r"%p %i %s %m %T@ %C@\n"]));
    let mut lines: Vec<String> = String::from_utf8_lossy(&out.stdout)
        .lines()
        .map(ToOwned::to_owned)
        .collect();
    lines.sort();
    lines.join("\n")
}

#[test]
fn everything_comes_back_to_a_deep_folder_that_was_not_there() {
    let Some(world) = copied(250, |world| make_tricky(&world.source())) else {
        return;
    };
    for (kind, allowing) in KINDS {
        let to = world.path("a/new and/deep \u{e9}/folder").join(kind);
        restore(&world, kind, &[], &to, &[], 0);
        assert_same(&world.source(), &within(&to, &world.source()), allowing);
    }
}

#[test]
fn one_file_or_one_folder_comes_back_alone() {
    let Some(world) = copied(60, orders) else {
        return;
    };
    for (kind, _) in KINDS {
        let (file, folder) = (
            world.source().join("orders/odd\n[name]*.txt"),
            world.source().join("orders"),
        );
        let to = world.path(&format!("file-{kind}"));
        restore(&world, kind, &[&file], &to, &[], 0);
        assert_eq!(
            fs::read_to_string(within(&to, &file)).unwrap(),
            "one vase",
            "{kind}"
        );
        assert_eq!(
            fs::read_dir(within(&to, &folder)).unwrap().count(),
            1,
            "{kind}"
        );
        let to = world.path(&format!("folder-{kind}"));
        restore(&world, kind, &[&folder], &to, &[], 0);
        assert_eq!(
            walk_differences(&folder, &within(&to, &folder), Allowing::Nothing),
            ""
        );
        assert!(
            !within(&to, &world.source().join("glaze.txt")).exists(),
            "{kind}"
        );
    }
}

#[test]
fn the_generation_that_is_named_comes_back() {
    let Some(world) = copied(60, orders) else {
        return;
    };
    world.write_source("glaze.txt", "tenmoku, and longer");
    world.run(
        &[
            "--clock",
            "2026-11-26T02:30:00Z",
            "run",
            "history",
            "archive",
        ],
        0,
    );
    for kind in ["history", "archive"] {
        for (from, text) in [
            ("20261125T023000Z", "ash"),
            ("20261126T023000Z", "tenmoku, and longer"),
        ] {
            let to = world.path(&format!("{kind}-{from}"));
            restore(&world, kind, &[], &to, &["--from", from], 0);
            let glaze = within(&to, &world.source().join("glaze.txt"));
            assert_eq!(fs::read_to_string(glaze).unwrap(), text);
        }
        let missing = restore(
            &world,
            kind,
            &[],
            &world.path("no"),
            &["--from", "20261127T023000Z"],
            2,
        );
        assert!(
            missing.errors.contains("hayloft generations"),
            "{}",
            missing.errors
        );
    }
}

#[test]
fn a_file_that_differs_stops_the_restore_before_anything_is_changed() {
    let Some(world) = copied(60, orders) else {
        return;
    };
    for (kind, _) in KINDS {
        let to = world.path(&format!("to-{kind}"));
        let glaze = within(&to, &world.source().join("glaze.txt"));
        fs::create_dir_all(glaze.parent().unwrap()).unwrap();
        fs::write(&glaze, "newer, and not to be lost").unwrap();
        let before = state_of(&to);
        let shown = restore(&world, kind, &[], &to, &[], 1);
        let said = shown.out + &shown.errors;
        assert!(
            said.contains("--replace") && said.contains("glaze.txt"),
            "{said}"
        );
        assert_eq!(state_of(&to), before, "{kind}");
        restore(&world, kind, &[], &to, &["--replace"], 0);
        assert_eq!(fs::read_to_string(&glaze).unwrap(), "ash", "{kind}");
        assert_same(
            &world.source(),
            &within(&to, &world.source()),
            Allowing::Nothing,
        );
    }
}

#[test]
fn what_is_replaced_is_not_written_through_its_other_names_or_links() {
    let Some(world) = copied(60, orders) else {
        return;
    };
    for (kind, _) in KINDS {
        let to = world.path(&format!("to-{kind}"));
        let glaze = within(&to, &world.source().join("glaze.txt"));
        let order = within(&to, &world.source().join("orders/1.txt"));
        fs::create_dir_all(order.parent().unwrap()).unwrap();
        let elsewhere = world.path(&format!("elsewhere-{kind}"));
        fs::write(&elsewhere, "another's").unwrap();
        fs::hard_link(&elsewhere, &glaze).unwrap();
        std::os::unix::fs::symlink(&elsewhere, &order).unwrap();
        restore(&world, kind, &[], &to, &["--replace"], 0);
        assert_eq!(
            fs::read_to_string(&elsewhere).unwrap(),
            "another's",
            "{kind}"
        );
        assert_eq!(fs::read_to_string(&glaze).unwrap(), "ash", "{kind}");
    }
}

#[test]
fn a_path_that_no_copy_holds_is_told_and_nothing_is_written() {
    let Some(world) = copied(60, orders) else {
        return;
    };
    for (kind, _) in KINDS {
        let to = world.path(&format!("to-{kind}"));
        let lost = world.source().join("orders/lost.txt");
        let shown = restore(&world, kind, &[&lost], &to, &[], 1);
        let said = shown.out + &shown.errors;
        assert!(said.contains("lost.txt"), "{kind}: {said}");
        assert!(!to.exists(), "{kind}");
        restore(&world, kind, &[Path::new("orders/lost.txt")], &to, &[], 2);
    }
}

#[test]
fn a_target_that_cannot_be_written_is_told() {
    let Some(world) = copied(60, orders) else {
        return;
    };
    let point = world.path("read-only");
    fs::create_dir(&point).unwrap();
    ok(Command::new("mount")
        .args(["-t", "tmpfs", "-o", "ro", "tmpfs"])
        .arg(&point));
    let _mounted = Mounted(point.clone());
    for (kind, _) in KINDS {
        let shown = restore(&world, kind, &[], &point.join("to"), &[], 1);
        let said = shown.out + &shown.errors;
        assert!(said.contains("Read-only file system"), "{said}");
    }
}

struct Mounted(PathBuf);

impl Drop for Mounted {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).output();
    }
}

#[test]
fn files_come_back_from_a_read_only_drive_with_no_record_left() {
    let Some(world) = copied(60, orders) else {
        return;
    };
    fs::remove_dir_all(world.state()).unwrap();
    world.unmount(&[]);
    ok(Command::new("mount")
        .args(["-o", "loop,ro"])
        .arg(world.path("shelf.img"))
        .arg(world.drive()));
    for (kind, allowing) in KINDS {
        let to = world.path(&format!("to-{kind}"));
        restore(&world, kind, &[], &to, &[], 0);
        assert_same(&world.source(), &within(&to, &world.source()), allowing);
    }
}

#[test]
fn a_dry_run_writes_nothing_and_shows_the_plan() {
    let Some(world) = copied(60, orders) else {
        return;
    };
    for (kind, _) in KINDS {
        let to = world.path(&format!("to-{kind}"));
        let before = (state_of(&world.drive()), state_of(&world.state()));
        let shown = restore(&world, kind, &[], &to, &["--dry-run"], 0);
        assert!(shown.out.contains(to.to_str().unwrap()), "{}", shown.out);
        assert!(!to.exists(), "{kind}");
        assert_eq!(
            (state_of(&world.drive()), state_of(&world.state())),
            before,
            "{kind}"
        );
    }
}

#[test]
fn the_folder_that_everything_is_put_below_keeps_its_own_mode() {
    use std::os::unix::fs::PermissionsExt;
    let Some(world) = copied(60, orders) else {
        return;
    };
    for (kind, _) in KINDS {
        let to = world.path(&format!("to-{kind}"));
        fs::create_dir(&to).unwrap();
        // a mode that no folder of a copy has: `/` must not take on another
        fs::set_permissions(&to, fs::Permissions::from_mode(0o1751)).unwrap();
        restore(&world, kind, &[], &to, &[], 0);
        let mode = fs::metadata(&to).unwrap().permissions().mode() & 0o7777;
        assert_eq!(mode, 0o1751, "{kind}");
    }
}

#[test]
fn trouble_at_the_target_is_not_blamed_on_a_drive_that_is_mounted_to_be_read() {
    let Some(world) = copied(60, |world| {
        orders(world);
        world.fill(3);
    }) else {
        return;
    };
    ok(Command::new("mount")
        .args(["-o", "remount,ro"])
        .arg(world.drive()));
    let small = world.path("small");
    fs::create_dir(&small).unwrap();
    let to = small.to_str().unwrap();
    let full = KINDS.map(|(kind, _)| {
        ok(Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=1m", "tmpfs"])
            .arg(&small));
        let restored = world.run_json(&["restore", kind, "--to", to], 1);
        ok(Command::new("umount").arg("-l").arg(&small));
        restored
    });
    for restored in full {
        assert_eq!(restored["outcome"], "failed", "{restored}");
        let reason = restored["reason"].as_str().unwrap();
        assert!(reason.contains("no room"), "{reason}");
        assert!(restored["advice"][0].as_str().unwrap().contains("--to"));
    }
    let to = world.path("back");
    for (kind, _) in KINDS {
        let words = ["restore", kind, "/nowhere", "--to", to.to_str().unwrap()];
        let shown = world.run(&words, 1);
        let said = shown.out + &shown.errors;
        assert!(
            said.contains("nowhere") && !said.contains("read-only"),
            "{said}"
        );
    }
}

#[test]
fn a_generation_that_no_list_describes_comes_back_without_the_mode_of_its_folder() {
    use std::os::unix::fs::PermissionsExt;
    let Some(world) = copied(60, orders) else {
        return;
    };
    fs::remove_dir_all(world.state()).unwrap();
    for kind in ["history", "mirror"] {
        fs::remove_file(world.copies(kind).join("catalogue.jsonl")).unwrap();
        let entry = match kind {
            "mirror" => "current".to_owned(),
            _ => world.generations(kind).remove(0),
        };
        let private = fs::Permissions::from_mode(0o700);
        fs::set_permissions(world.copies(kind).join(entry), private).unwrap();
        // stands for `/`
        let to = world.path(&format!("root-{kind}"));
        fs::create_dir(&to).unwrap();
        fs::set_permissions(&to, fs::Permissions::from_mode(0o755)).unwrap();
        restore(&world, kind, &[], &to, &[], 0);
        assert_same(
            &world.source(),
            &within(&to, &world.source()),
            Allowing::Nothing,
        );
        let mode = fs::metadata(&to).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o755, "{kind}");
    }
}
