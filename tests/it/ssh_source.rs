//! All three kinds from a source on another host.

use std::fs;
use std::path::Path;
use std::process::Command;

use crate::kinds_trees::{
    Allowing, assert_same, edit_tricky, make_plain_tricky, make_tricky, within,
};
use crate::ssh_server::{HAY, Server};
use crate::world::{World, ok};

fn job(server: &Server, user: &str, kind: &str, paths: &str) -> String {
    let keys = server.keys(user).join(", ");
    format!("kind = \"{kind}\"\nsource = {{ {keys}, path = {paths} }}\ndrive = \"shelf\"\n")
}

fn world_with_source() -> Option<(World, Server)> {
    let world = World::new(250)?;
    let server = Server::start(&world)?;
    server.pin(&world);
    Some((world, server))
}

#[test]
fn every_kind_keeps_everything_of_a_source_read_by_root_there() {
    let Some((world, server)) = world_with_source() else {
        return;
    };
    make_tricky(&world.source());
    let kinds = [
        ("history", Allowing::Nothing),
        ("mirror", Allowing::Nothing),
        ("archive", Allowing::NoSockets),
    ];
    for (kind, _) in kinds {
        world.job(kind, &job(&server, "root", kind, "\"{dir}/source\""));
    }
    for night in 0..3 {
        if night > 0 {
            edit_tricky(&world.source(), night);
        }
        for (kind, allowing) in kinds {
            let clock = format!("2026-11-{}T02:30:00Z", 25 + night);
            world.run(&["--clock", &clock, "run", kind], 0);
            let back = world.path(&format!("{kind}-{night}"));
            world.run(&["restore", kind, "--to", back.to_str().unwrap()], 0);
            assert_same(&world.source(), &within(&back, &world.source()), allowing);
        }
    }
}

#[test]
fn paths_that_a_shell_would_misread_are_read_on_the_other_host() {
    let Some((world, server)) = world_with_source() else {
        return;
    };
    let odd = [
        "it's \"ines\"",
        "new\nline",
        "$HOME *",
        "back\\slash",
        "-dash",
        "semi;colon & more",
        "[ab]x",
        "star*",
    ];
    // what a pattern would match instead
    for name in ["ax", "starling"] {
        world.write_source(&format!("{name}/order"), name);
    }
    for name in odd {
        world.write_source(&format!("{name}/order"), name);
    }
    let paths: Vec<String> = odd
        .iter()
        .map(|name| serde_json::to_string(&format!("{{dir}}/source/{name}")).unwrap())
        .collect();
    for kind in ["history", "mirror", "archive"] {
        world.job(
            kind,
            &job(&server, "root", kind, &format!("[{}]", paths.join(", "))),
        );
        world.run(&["run", kind], 0);
        let back = world.path(kind);
        world.run(&["restore", kind, "--to", back.to_str().unwrap()], 0);
        let back = within(&back, &world.source());
        for name in odd {
            assert_same(
                &world.source().join(name),
                &back.join(name),
                Allowing::Nothing,
            );
        }
        assert_eq!(
            std::fs::read_dir(&back).unwrap().count(),
            odd.len(),
            "{kind}"
        );
    }
}

#[test]
fn what_an_account_there_can_read_is_kept_and_what_it_cannot_fails_the_run() {
    let Some((world, server)) = world_with_source() else {
        return;
    };
    make_plain_tricky(&world.source());
    ok(Command::new("chown").args(["-hR", HAY]).arg(world.source()));
    // chown(2) clears the bits of setuid and setgid, and modes that lock the owner out stay unreadable
    for name in ["mode-0", "mode-1"] {
        ok(Command::new("rm").arg("-f").arg(world.source().join(name)));
    }
    for (kind, allowing) in [
        ("history", Allowing::Nothing),
        ("archive", Allowing::NoSockets),
    ] {
        world.job(kind, &job(&server, HAY, kind, "\"{dir}/source\""));
        world.run(&["run", kind], 0);
        let back = world.path(kind);
        world.run(&["restore", kind, "--to", back.to_str().unwrap()], 0);
        assert_same(&world.source(), &within(&back, &world.source()), allowing);
    }
    fs::write(world.source().join("locked"), "x").unwrap();
    ok(Command::new("chmod")
        .arg("000")
        .arg(world.source().join("locked")));
    for kind in ["history", "archive"] {
        let shown = world.run(&["run", kind], 1);
        assert!((shown.out + &shown.errors).contains("locked"));
    }
}

#[test]
fn a_source_that_is_missing_on_the_other_host_is_told() {
    let Some((world, server)) = world_with_source() else {
        return;
    };
    for kind in ["history", "mirror", "archive"] {
        world.job(kind, &job(&server, "root", kind, "\"{dir}/nowhere\""));
        let run = world.run_json(&["run", kind], 1);
        assert_eq!(run["outcome"], "source-missing", "{run}");
    }
}

#[test]
fn kernel_file_systems_of_the_other_host_are_left_out_and_told() {
    let Some((world, server)) = world_with_source() else {
        return;
    };
    world.write_source("order", "two bowls");
    let point = world.source().join("odd [proc]");
    fs::create_dir(&point).unwrap();
    let _mounted = Mounted::proc(&point);
    for kind in ["history", "mirror", "archive"] {
        world.job(kind, &job(&server, "root", kind, "\"{dir}/source\""));
        let run = world.run_json(&["run", kind], 0);
        assert!(
            run["notes"].to_string().contains("kernel's own `proc`"),
            "{run}"
        );
        let back = world.path(kind);
        world.run(&["restore", kind, "--to", back.to_str().unwrap()], 0);
        let back = within(&back, &world.source());
        assert!(
            back.join("order").exists() && !back.join("odd [proc]").exists(),
            "{kind}"
        );
    }
}

struct Mounted<'a>(&'a Path);

impl<'a> Mounted<'a> {
    fn proc(point: &'a Path) -> Self {
        ok(Command::new("mount")
            .args(["-t", "proc", "proc"])
            .arg(point));
        Self(point)
    }
}

impl Drop for Mounted<'_> {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(self.0).output();
    }
}

#[test]
fn an_archive_of_another_host_is_told_by_what_was_written_of_it() {
    let Some((world, server)) = world_with_source() else {
        return;
    };
    world.write_source("order", "two bowls ".repeat(100_000));
    world.job(
        "archive",
        &job(&server, "root", "archive", "\"{dir}/source\""),
    );
    let run = world.run_json(&["run", "archive"], 0);
    let names = world.entries("archive");
    let archive = names
        .iter()
        .find(|name| name.ends_with(".tar.zst"))
        .unwrap();
    let length = fs::metadata(world.copies("archive").join(archive))
        .unwrap()
        .len();
    assert_eq!(run["changes"]["new_bytes"], length, "{run}");
}
