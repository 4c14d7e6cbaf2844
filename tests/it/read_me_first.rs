//! READ-ME-FIRST.txt, followed literally: its commands are typed into one bash, without hayloft.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::sync::{Mutex, PoisonError};

use crate::kinds_trees::{edit_tricky, make_tricky};
use crate::ssh_server::{HAY, Server};
use crate::world::{Shown, World, leading_folder, ok};

const PASSPHRASE: &str = "ash glaze, cone 10";

/// The text names the folder /restore, which only one test at a time can have.
pub static RESTORE: Mutex<()> = Mutex::new(());

/// The commands of the text, as they stand.
pub fn commands(text: &str) -> String {
    let lines = text.lines().filter(|line| line.starts_with("    "));
    lines.fold(String::new(), |text, line| text + &line[4..] + "\n")
}

/// One job of each kind and form on a drive, after two nights.
fn make_copies(world: &World, drive: &str) {
    make_tricky(&world.source());
    world.secret("passphrase", &format!("{PASSPHRASE}\n"));
    ok(Command::new("age-keygen")
        .arg("-o")
        .arg(world.path("key.txt")));
    let public = ok(Command::new("age-keygen")
        .arg("-y")
        .arg(world.path("key.txt")));
    let public = String::from_utf8(public.stdout).unwrap();
    let recipients = format!("encrypt = {{ recipients = [\"{}\"] }}\n", public.trim());
    let passphrase = "encrypt = { passphrase_file = \"{dir}/config/passphrase\" }\n";
    let kinds = [
        ("studio-files", "history", ""),
        ("photographs", "mirror", ""),
        ("orders", "archive", ""),
        ("accounts", "archive", passphrase),
        ("letters", "archive", &recipients),
    ];
    for (name, kind, more) in kinds {
        world.job(name, &format!(
            "kind = \"{kind}\"\nabout = \"What must survive\"\nsource = [\"{{dir}}/source\"]\ndrive = \"{drive}\"\n{more}"
        ));
    }
    for night in 0..2 {
        if night > 0 {
            edit_tricky(&world.source(), night);
        }
        let clock = format!("2026-11-{}T02:30:00Z", 25 + night);
        world.run(
            &[
                "--clock",
                &clock,
                "run",
                "studio-files",
                "photographs",
                "orders",
                "accounts",
                "letters",
            ],
            0,
        );
    }
}

/// Types the commands of `text` at a terminal, in a namespace where /restore is empty, `before` was done,
/// and nothing but that can be written to; then compares. Tells what was printed.
fn follow(world: &World, text: &str, before: &str) -> Shown {
    let (source, key) = (world.source(), world.path("key.txt"));
    let (source, key) = (source.display(), key.display());
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it");
    let compare = |folder: &str, options: &str| {
        format!(
            "python3 {}/walk_trees.py {source} {folder}{source} {options}\n",
            here.display()
        )
    };
    let mut script = format!(
        "set -e -o pipefail\nmount --make-rslave /\nmount -t tmpfs tmpfs /restore\ncp {key} /restore/key.txt\n{before}\n\
        {}\necho compared:\n",
        commands(text)
    );
    for (job, options) in [
        ("studio-files", ""),
        ("photographs", ""),
        ("orders", "no-sockets"),
        ("accounts", "no-sockets"),
        ("letters", "no-sockets"),
    ] {
        script.push_str(&compare(&format!("/restore/{job}"), options));
        script.push_str(&put_in_place(text, job));
        script.push_str(&compare(&format!("/restore/place/{job}"), options));
    }
    fs::write(world.path("script"), script).unwrap();
    Shown::of(
        &Command::new("python3")
            .arg(here.join("at_a_terminal.py"))
            .args([
                PASSPHRASE,
                "unshare",
                "-m",
                "--propagation",
                "slave",
                "bash",
            ])
            .arg(world.path("script"))
            .output()
            .unwrap(),
    )
}

/// The last step for one job, without the word echo, into a folder in place of `/`.
fn put_in_place(text: &str, job: &str) -> String {
    let joined = text.replace("\\\n", "");
    let part = format!("/restore/{job}/./");
    let line = joined
        .lines()
        .find(|line| line.contains(&part))
        .unwrap_or_else(|| panic!("{text}"));
    let line = line
        .trim()
        .strip_prefix("echo ")
        .unwrap()
        .strip_suffix(" /")
        .unwrap();
    format!("mkdir -p /restore/place/{job}\n{line} /restore/place/{job}/\n")
}

#[track_caller]
fn assert_all_came_back(shown: &Shown) {
    assert_eq!(shown.exit, Some(0), "{}\n{}", shown.out, shown.errors);
    let (typed, compared) = shown.out.split_once("compared:\n").unwrap();
    assert_eq!(compared, "", "{}", shown.errors);
    assert!(typed.contains("20261126T023000Z"), "{typed}");
    let differs = |line: &&str| {
        let is_command = line.starts_with("rsync ");
        let tells = ["restore/", "modification"]
            .iter()
            .any(|word| line.contains(word));
        let is_of_leading =
            line.starts_with(&format!("{}:    modification time", leading_folder()));
        !is_command && !is_of_leading && (tells || line.starts_with("missing: "))
    };
    let told: Vec<&str> = typed.lines().filter(differs).collect();
    assert_eq!(told, Vec::<&str>::new(), "{typed}");
    assert_eq!(typed.matches(": OK").count(), 3, "{typed}");
}

/// Makes the folder /restore where there is none, and takes it away again.
pub struct RestoreFolder(bool);

impl RestoreFolder {
    pub fn new() -> Self {
        Self(fs::create_dir("/restore").is_ok())
    }
}

impl Drop for RestoreFolder {
    fn drop(&mut self) {
        if self.0 {
            let _ = fs::remove_dir("/restore");
        }
    }
}

#[test]
fn the_text_brings_every_job_back_from_a_local_drive_mounted_read_only() {
    let _one = RESTORE.lock().unwrap_or_else(PoisonError::into_inner);
    let Some(world) = World::new(250) else { return };
    let _folder = RestoreFolder::new();
    make_copies(&world, "shelf");
    let text = fs::read_to_string(world.drive().join("hayloft/READ-ME-FIRST.txt")).unwrap();
    let read_only = format!("mount -o remount,ro,bind {}", world.drive().display());
    assert_all_came_back(&follow(&world, &text, &read_only));
}

#[test]
fn the_text_brings_every_job_back_from_an_ssh_drive_of_either_account() {
    let _one = RESTORE.lock().unwrap_or_else(PoisonError::into_inner);
    for user in [HAY, "root"] {
        let Some(world) = World::new(40) else { return };
        let Some(server) = Server::start(&world) else {
            return;
        };
        let _folder = RestoreFolder::new();
        server.pin(&world);
        let far = world.path("it's far \"away\" $HOME");
        server.write_drive(&world, user, &far);
        make_copies(&world, "barn");
        let text = fs::read_to_string(far.join("hayloft/READ-ME-FIRST.txt")).unwrap();
        let settings = format!(
            "IdentityFile {}\nUserKnownHostsFile {}\n",
            server.path("client_key").display(),
            world.state().join("known_hosts").display()
        );
        fs::create_dir(world.path("ssh-settings")).unwrap();
        fs::write(world.path("ssh-settings/this-test.conf"), settings).unwrap();
        let key = format!(
            "mount --bind {} /etc/ssh/ssh_config.d",
            world.path("ssh-settings").display()
        );
        assert_all_came_back(&follow(&world, &text, &key));
    }
}

#[test]
fn the_text_has_lines_that_fit_a_page_and_room_around_its_commands() {
    let Some(world) = World::new(40) else { return };
    world.write_source("order", "two bowls");
    world.job(
        "orders",
        "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n",
    );
    world.run(&["run", "orders"], 0);
    let text = fs::read_to_string(world.drive().join("hayloft/READ-ME-FIRST.txt")).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    for pair in lines.windows(2) {
        let is_command = |line: &str| line.starts_with("    ");
        assert!(pair[0].len() <= 100, "{}", pair[0]);
        if is_command(pair[0]) != is_command(pair[1]) {
            assert!(pair[0].is_empty() || pair[1].is_empty(), "{pair:?}");
        }
    }
    assert!(text.contains("CAUTION"));
}
