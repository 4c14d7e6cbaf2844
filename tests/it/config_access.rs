//! Configuration that others could change is refused, and the message holds the command that mends it.
//!
//! Modes as in POSIX.1-2017 chmod(1).

use std::os::unix::fs::chown;

use crate::config_folder::{ConfigFolder, HISTORY};
use crate::world::skip;

const STEPS: &str = "[[pre]]\nrun = [\"true\"]\n";

fn folder() -> ConfigFolder {
    ConfigFolder::new().with("jobs/studio.toml", HISTORY)
}

/// The one error: it is about `file` as a whole, and has `says` in its message and `help` in its help.
#[track_caller]
fn assert_refused(folder: &ConfigFolder, file: &str, says: &str, help: &str) {
    let errors = folder.errors();
    assert_eq!(errors.len(), 1, "{}", folder.shown());
    let error = &errors[0];
    assert_eq!(error.file, folder.file(file).components().as_path());
    assert_eq!(error.place, None);
    assert!(error.message.contains(says), "{}", folder.shown());
    assert!(
        error.help.as_ref().unwrap().contains(help),
        "{}",
        folder.shown()
    );
}

#[test]
fn a_server_file_that_everyone_may_write_is_refused() {
    let folder = folder().with_mode("server.toml", 0o646);
    let command = format!("`chmod o-w {}`", folder.file("server.toml").display());
    assert_refused(
        &folder,
        "server.toml",
        "can be written by everyone (mode 0646)",
        &command,
    );
}

#[test]
fn a_job_file_with_steps_that_everyone_may_write_is_refused_because_of_its_steps() {
    let folder = folder()
        .with("jobs/studio.toml", &format!("{HISTORY}{STEPS}"))
        .with_mode("jobs/studio.toml", 0o666);
    assert_refused(
        &folder,
        "jobs/studio.toml",
        "mode 0666",
        "its steps are commands",
    );
}

#[test]
fn a_job_file_without_steps_that_everyone_may_write_is_refused_for_what_it_overwrites() {
    let folder = folder().with_mode("jobs/studio.toml", 0o602);
    assert_refused(
        &folder,
        "jobs/studio.toml",
        "mode 0602",
        "what is overwritten",
    );
}

#[test]
fn folders_that_everyone_may_write_are_refused() {
    let jobs = folder().with_mode("jobs", 0o757);
    assert_refused(
        &jobs,
        "jobs",
        "by everyone (mode 0757)",
        "jobs run commands",
    );
    let whole = folder().with_mode(".", 0o1757);
    assert_refused(&whole, "", "by everyone (mode 1757)", "chmod o-w");
}

#[test]
fn a_file_that_its_group_may_write_is_refused_unless_the_group_is_roots() {
    if !is_root() {
        return skip("changing a file's group needs root");
    }
    let folder = folder().with_mode("server.toml", 0o664);
    chown(folder.file("server.toml"), None, Some(0)).unwrap();
    folder.load();
    chown(folder.file("server.toml"), None, Some(100)).unwrap();
    assert_refused(
        &folder,
        "server.toml",
        "by its group (mode 0664)",
        "chmod g-w",
    );
}

#[test]
fn a_file_of_another_user_is_refused() {
    if !is_root() {
        return skip("changing a file's owner needs root");
    }
    let folder = folder();
    chown(folder.file("jobs/studio.toml"), Some(1234), None).unwrap();
    assert_refused(
        &folder,
        "jobs/studio.toml",
        "owned by user id 1234",
        "`chown 0 ",
    );
}

#[test]
fn a_secret_of_another_user_is_refused_at_the_key_that_names_it() {
    if !is_root() {
        return skip("changing a file's owner needs root");
    }
    let text = "kind = \"archive\"\nsource = [\"/srv\"]\ndrive = \"shelf\"\nencrypt = { passphrase_file = \"{dir}/pass\" }\n";
    let folder = folder().with_secret("pass").with("jobs/studio.toml", text);
    folder.load();
    chown(folder.file("pass"), Some(1234), None).unwrap();
    let errors = folder.errors();
    let place = errors[0].place.as_ref().unwrap();
    assert_eq!((place.line, place.column), (4, 31));
    assert!(errors[0].message.contains("owned by user id 1234"));
}

fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}
