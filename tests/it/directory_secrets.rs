//! What an export holds is secret: it is never anywhere in the clear, and its passphrase is tried before it is needed.

use std::fs;
use std::path::Path;
use std::process::Command;

use crate::directory_server::{DirectoryServer, SUFFIX};
use crate::world::{World, ok};

/// In the entries of the test's directory, and nowhere else.
const CANARY: &str = "of-the-wheel-nobody-may-read";

fn with_canary(world: &World) -> Option<DirectoryServer> {
    let server = DirectoryServer::new(world, 30)?;
    let file = world.path("canary.ldif");
    let text = format!(
        "dn: uid=p1,ou=people,{SUFFIX}\nchangetype: modify\nreplace: description\ndescription: {CANARY}\n\n"
    );
    fs::write(&file, text).unwrap();
    ok(&mut server.ldap("ldapmodify", &["-f", file.to_str().unwrap()]));
    fs::remove_file(file).unwrap();
    server.job(world);
    Some(server)
}

/// Every write to a file, of hayloft and of all that it started; those to pipes and to memory are left out.
fn writes_to_files(world: &World, arguments: &[&str]) -> String {
    let log = world.path("strace.log");
    let hayloft = world.hayloft(arguments);
    let program = hayloft.get_program().to_owned();
    let own: Vec<_> = hayloft.get_args().map(ToOwned::to_owned).collect();
    let status = Command::new("strace")
        .args(["-f", "-y", "-qq", "-s", "1000000", "-e"])
        .arg("trace=write,pwrite64,writev,pwritev,pwritev2,sendfile,splice,copy_file_range")
        .arg("-o")
        .arg(&log)
        .arg(program)
        .args(own)
        .envs(
            hayloft
                .get_envs()
                .filter_map(|(name, value)| Some((name, value?))),
        )
        .output()
        .unwrap();
    assert!(
        status.status.success(),
        "{}",
        String::from_utf8_lossy(&status.stderr)
    );
    let text = String::from_utf8_lossy(&fs::read(&log).unwrap()).into_owned();
    fs::remove_file(log).unwrap();
    let to_file = |line: &&str| {
        let target = line.split_once('<').map_or("", |(_, behind)| behind);
        target.starts_with('/') && !target.starts_with("/memfd:") && !target.starts_with("/dev/")
    };
    let lines: Vec<&str> = text.lines().filter(to_file).collect();
    assert!(text.contains(CANARY), "strace saw nothing of the export");
    assert!(
        lines.len() > 3,
        "strace saw no file written: {}",
        text.len()
    );
    lines.join("\n")
}

fn holds(path: &Path, words: &str) -> bool {
    let bytes = fs::read(path).unwrap();
    bytes
        .windows(words.len())
        .any(|some| some == words.as_bytes())
}

#[test]
fn nothing_of_an_export_is_ever_written_to_a_file_in_the_clear() {
    let Some(world) = World::new(64) else { return };
    let Some(_server) = with_canary(&world) else {
        return;
    };
    let written = writes_to_files(&world, &["run", "accounts"]);
    assert!(written.contains(".tar.zst.age"), "{}", written.len());
    assert!(!written.contains(CANARY));
    ok(&mut Command::new("sync"));
    assert!(!holds(&world.path("shelf.img"), CANARY));
    // opened, rehearsed in memory alone, and compared
    let written = writes_to_files(
        &world,
        &[
            "restore",
            "accounts",
            "--entry",
            &format!("uid=p1,ou=people,{SUFFIX}"),
        ],
    );
    assert!(!written.contains(CANARY));
    for entry in walk(&world.state()) {
        assert!(!holds(&entry, CANARY), "{}", entry.display());
    }
}

fn walk(folder: &Path) -> Vec<std::path::PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(walk(&path));
        } else {
            found.push(path);
        }
    }
    found
}

#[test]
fn check_tries_the_passphrase_on_the_newest_export() {
    let Some(world) = World::new(64) else { return };
    let Some(_server) = with_canary(&world) else {
        return;
    };
    let shown = world.run(&["check"], 0);
    assert!(
        shown.out.contains("no copy to try the passphrase with yet"),
        "{}",
        shown.out
    );
    world.run(&["run", "accounts"], 0);
    let shown = world.run(&["check"], 0);
    let opens = shown.out.contains("the passphrase opens 2") && shown.out.contains("on paper");
    assert!(opens, "{}", shown.out);
    world.secret("passphrase", "another\n");
    let shown = world.run(&["check"], 1);
    assert!(shown.out.contains("does not open"), "{}", shown.out);
    world.secret("passphrase", "glaze over ash\n");
    let name = world.entries("accounts");
    let name = name
        .iter()
        .find(|name| name.ends_with("Z.tar.zst.age"))
        .unwrap();
    let path = world.copies("accounts").join(name);
    let mut bytes = fs::read(&path).unwrap();
    bytes[30] ^= 1;
    fs::write(&path, bytes).unwrap();
    let shown = world.run(&["check"], 1);
    let words: Vec<&str> = shown.out.split_whitespace().collect();
    assert!(
        words.join(" ").contains("could not be opened"),
        "{}",
        shown.out
    );
}

#[test]
fn a_credential_of_the_service_closes_and_opens_and_without_it_it_is_told_what_to_give() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = with_canary(&world) else {
        return;
    };
    let text = format!(
        "kind = \"directory\"\ndrive = \"shelf\"\n{}encrypt = {{ credential = \"accounts\" }}\n",
        server.keys()
    );
    world.job("accounts", &text);
    let credentials = world.path("credentials");
    fs::create_dir(&credentials).unwrap();
    fs::write(credentials.join("accounts"), "salt and soda\n").unwrap();
    let refused = world.run(&["run", "accounts"], 1);
    assert!(refused.out.contains("LoadCredential"), "{}", refused.out);
    let with = |arguments: &[&str]| {
        let mut command = world.hayloft(arguments);
        command.env("CREDENTIALS_DIRECTORY", &credentials);
        ok(&mut command)
    };
    with(&["run", "accounts"]);
    let check = String::from_utf8(with(&["check"]).stdout).unwrap();
    assert!(check.contains("the passphrase opens"), "{check}");
    let back = world.path("back");
    with(&["restore", "accounts", "--to", back.to_str().unwrap()]);
    assert!(back.join("config.ldif").exists());
}

#[test]
fn a_passphrase_that_is_not_on_the_server_is_asked_for_at_the_terminal() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = with_canary(&world) else {
        return;
    };
    world.run(&["run", "accounts"], 0);
    // as on a new server: a credential is given to the service, not to a person
    let text = format!(
        "kind = \"directory\"\ndrive = \"shelf\"\n{}encrypt = {{ credential = \"accounts\" }}\n",
        server.keys()
    );
    world.job("accounts", &text);
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it/at_a_terminal.py");
    let type_in = |line: &str, folder: &Path| {
        let hayloft = world.hayloft(&["restore", "accounts", "--to", folder.to_str().unwrap()]);
        let mut command = Command::new("python3");
        command.arg(&script).arg(line).arg(hayloft.get_program());
        command.args(hayloft.get_args()).output().unwrap()
    };
    let wrong = type_in("glaze", &world.path("none"));
    assert!(!wrong.status.success());
    let right = type_in("glaze over ash", &world.path("back"));
    let told = String::from_utf8_lossy(&right.stderr).into_owned();
    assert!(right.status.success(), "{told}");
    assert!(told.contains("passphrase of `accounts`") && !told.contains("glaze over ash"));
    assert!(world.path("back/config.ldif").exists());
}
