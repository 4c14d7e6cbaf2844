//! A source that is missing, emptied or rewritten.

use std::fs;
use std::path::PathBuf;

use crate::folder_listing::listing;
use crate::world::World;

const KINDS: [&str; 3] = ["history", "mirror", "archive"];

fn job(world: &World, kind: &str, more: &str) {
    let text =
        format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n{more}");
    world.job(kind, &text);
}

/// Twenty files that were last changed long before any copy.
fn fill(world: &World) {
    for number in 0..20 {
        let name = format!("glaze-{number}.txt");
        world.write_source(&name, format!("recipe {number}\n").repeat(50));
        let long_ago = std::time::UNIX_EPOCH + std::time::Duration::from_secs(1_600_000_000);
        let file = fs::File::options()
            .write(true)
            .open(world.source().join(name))
            .unwrap();
        file.set_modified(long_ago).unwrap();
    }
}

/// The copies alone: without the lists beside them.
fn copies(world: &World, kind: &str) -> Vec<(PathBuf, String)> {
    let all = listing(&world.copies(kind));
    let is_list = |path: &PathBuf| path.ends_with("catalogue.jsonl") || *path == world.copies(kind);
    all.into_iter().filter(|(path, _)| !is_list(path)).collect()
}

#[test]
fn a_missing_source_is_named_and_the_drive_is_left_as_it_is() {
    let Some(world) = World::new(40) else { return };
    fill(&world);
    for kind in KINDS {
        job(&world, kind, "");
        world.run(&["run", kind], 0);
    }
    fs::rename(world.source(), world.path("elsewhere")).unwrap();
    let before = listing(&world.drive());
    for kind in KINDS {
        let run = world.run_json(&["run", kind], 1);
        assert_eq!(run["outcome"], "source-missing", "{run}");
        let shown = world.run(&["run", kind], 1);
        assert!(
            shown.out.contains(world.source().to_str().unwrap()),
            "{}",
            shown.out
        );
    }
    assert_eq!(listing(&world.drive()), before);
}

#[test]
fn a_source_that_was_never_there_makes_no_folder_on_the_drive() {
    let Some(world) = World::new(20) else { return };
    fs::remove_dir(world.source()).unwrap();
    let before = listing(&world.drive());
    for kind in KINDS {
        job(&world, kind, "");
        world.run(&["run", kind], 1);
    }
    assert_eq!(listing(&world.drive()), before);
}

/// Stopped, the last good copy kept to the byte, let through once by the option, and guarded again after.
#[track_caller]
fn guards(world: &World, kind: &str, spoil: impl Fn(&World)) {
    spoil(world);
    let before = copies(world, kind);
    let run = world.run_json(&["run", kind], 1);
    assert_eq!(run["outcome"], "guarded", "{kind}: {run}");
    assert!(
        run["reason"].as_str().unwrap().contains("change_guard"),
        "{run}"
    );
    let shown = world.run(&["run", kind], 1);
    assert!(shown.out.contains("--accept-changes"), "{}", shown.out);
    assert_eq!(copies(world, kind), before, "{kind}");
    let run = world.run_json(&["run", kind, "--accept-changes"], 0);
    assert_eq!(run["outcome"], "well", "{kind}: {run}");
}

#[test]
fn an_emptied_source_is_stopped_once_and_let_through_when_asked() {
    let Some(world) = World::new(40) else { return };
    for kind in KINDS {
        fill(&world);
        job(&world, kind, "change_guard = \"30 %\"\n");
        world.run(&["run", kind], 0);
        let empty = |world: &World| {
            for number in 1..20 {
                let _ = fs::remove_file(world.source().join(format!("glaze-{number}.txt")));
            }
        };
        guards(&world, kind, empty);
        fill(&world);
        world.run(&["run", kind, "--accept-changes"], 0);
        empty(&world);
        let run = world.run_json(&["run", kind], 1);
        assert_eq!(run["outcome"], "guarded", "{kind}: allowed only once");
    }
}

#[test]
fn a_rewritten_source_is_stopped_and_let_through_when_asked() {
    let Some(world) = World::new(40) else { return };
    for kind in KINDS {
        fill(&world);
        job(&world, kind, "change_guard = \"30 %\"\n");
        world.run(&["run", kind], 0);
        guards(&world, kind, |world| {
            for number in 0..20 {
                let name = format!("glaze-{number}.txt");
                world.write_source(&name, format!("RANSOM {number}\n").repeat(50));
            }
        });
    }
}

#[test]
fn a_file_rewritten_within_the_second_of_its_copy_is_copied_again() {
    let Some(world) = World::new(20) else { return };
    let second = std::time::UNIX_EPOCH + std::time::Duration::from_secs(1_600_000_000);
    let write = |text: &str, fraction: u32| {
        world.write_source("order.txt", text);
        let file = fs::File::options()
            .write(true)
            .open(world.source().join("order.txt"));
        let time = second + std::time::Duration::from_nanos(u64::from(fraction));
        file.unwrap().set_modified(time).unwrap();
    };
    let below = world.source().strip_prefix("/").unwrap().join("order.txt");
    for kind in ["history", "mirror"] {
        job(&world, kind, "");
        write("two bowls", 100);
        world.run(&["run", kind], 0);
        write("six bowls", 200);
        let run = world.run_json(&["run", kind], 0);
        let name = if kind == "mirror" {
            "current".to_owned()
        } else {
            run["generation"].as_str().unwrap().to_owned()
        };
        let copy = world.copies(kind).join(name).join(&below);
        assert_eq!(fs::read_to_string(copy).unwrap(), "six bowls", "{kind}");
        let run = world.run_json(&["run", kind], 0);
        assert_eq!(run["changes"]["new_bytes"], 0, "and then no more: {run}");
    }
}

#[test]
fn an_emptied_source_is_stopped_even_when_both_lists_of_a_mirror_are_lost() {
    let Some(world) = World::new(40) else { return };
    for kind in ["history", "mirror"] {
        fill(&world);
        job(&world, kind, "change_guard = \"30 %\"\n");
        world.run(&["run", kind], 0);
        fs::remove_dir_all(world.state()).unwrap();
        fs::remove_file(world.copies(kind).join("catalogue.jsonl")).unwrap();
        for number in 1..20 {
            fs::remove_file(world.source().join(format!("glaze-{number}.txt"))).unwrap();
        }
        let before = copies(&world, kind);
        let run = world.run_json(&["run", kind], 1);
        assert_eq!(run["outcome"], "guarded", "{kind}: {run}");
        assert_eq!(copies(&world, kind), before, "{kind}");
    }
}
