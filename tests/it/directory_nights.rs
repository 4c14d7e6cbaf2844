//! An export among the other jobs of a night, on drives of this server and of another host.

use std::fs;

use crate::directory_server::{DirectoryServer, SUFFIX};
use crate::ssh_server::{HAY, Server};
use crate::world::World;

#[test]
fn a_history_that_waits_for_the_export_holds_that_of_the_same_night() {
    let Some(world) = World::new(64) else { return };
    let Some(other) = World::new(64) else { return };
    let Some(server) = DirectoryServer::new(&world, 20) else {
        return;
    };
    let barn = format!(
        "[drives.barn]\npath = \"{}\"\nuuid = \"{}\"\nreserve = \"1 MB\"\n",
        other.drive().display(),
        other.uuid()
    );
    world.write_server(&barn);
    // both are due at the same time, and the history comes first in the alphabet
    server.job_with(&world, "schedule = \"0 1 * * *\"\n");
    let exports = world.copies("accounts");
    let text = format!(
        "kind = \"history\"\nsource = [\"{}\"]\ndrive = \"barn\"\nschedule = \"0 1 * * *\"\nafter = [\"accounts\"]\n",
        exports.display()
    );
    world.job("a-second-copy", &text);
    // the first look only notes the time
    world.run(&["--clock", "2026-11-24T12:00:00Z", "run", "--due"], 0);
    for night in ["20261125", "20261126"] {
        let clock = format!("2026-11-{}T01:00:10Z", &night[6..]);
        world.run(&["--clock", &clock, "run", "--due"], 0);
        let copies = other.copies("a-second-copy");
        let newest = fs::read_dir(&copies)
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.is_dir())
            .max()
            .unwrap();
        let held = newest.join(exports.strip_prefix("/").unwrap());
        let names: Vec<String> = fs::read_dir(held)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        let tonight = |name: &String| name.starts_with(night) && name.ends_with("Z.tar.zst.age");
        assert!(names.iter().any(tonight), "{night}: {names:?}");
    }
}

#[test]
fn an_export_on_another_host_is_checked_rehearsed_and_loaded_from_there() {
    let Some(world) = World::new(64) else { return };
    let Some(far) = Server::start(&world) else {
        return;
    };
    let Some(server) = DirectoryServer::new(&world, 50) else {
        return;
    };
    far.pin(&world);
    far.write_drive(&world, HAY, &world.path("far"));
    server.job(&world);
    let job = fs::read_to_string(world.path("config/jobs/accounts.toml")).unwrap();
    world.job("accounts", &job.replace("\"shelf\"", "\"barn\""));
    world.run(&["run", "accounts"], 0);
    let exported = server.slapcat(&["-b", SUFFIX]);
    let check = world.run(&["check"], 0);
    assert!(check.out.contains("the passphrase opens"), "{}", check.out);
    world.run(&["rehearse", "accounts"], 0);
    world.run(&["restore", "accounts", "--load", "--replace"], 0);
    assert_eq!(server.slapcat(&["-b", SUFFIX]), exported);
}
