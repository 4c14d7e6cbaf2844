//! Exports of MariaDB back into the live server: what was there is kept as a dump, and comes back when anything fails.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use crate::background::{Background, until};
use crate::database_servers::{Mariadb, from_file, into_file};
use crate::world::{World, ok};

const CLOCK: [&str; 2] = ["--clock", "2026-11-26T02:30:00Z"];
const LOAD: [&str; 4] = ["restore", "books", "--load", "--replace"];

fn studio(world: &World, encrypt: &str) -> Option<Mariadb> {
    let server = Mariadb::start_with("--event-scheduler=OFF")?;
    server.sql(
        "",
        "CREATE DATABASE studio CHARACTER SET latin1; CREATE USER ines IDENTIFIED BY 'clay'; \
         GRANT SELECT, UPDATE ON studio.* TO ines; CREATE DATABASE other",
    );
    server.sql(
        "studio",
        "CREATE TABLE recipes (id INT PRIMARY KEY AUTO_INCREMENT, text TEXT); \
         INSERT INTO recipes (text) SELECT CONCAT('glaze recipe ', seq) FROM seq_1_to_5000; \
         CREATE TABLE firings (recipe INT, FOREIGN KEY (recipe) REFERENCES recipes (id)); INSERT INTO firings VALUES (7); \
         CREATE TABLE old (a INT) ENGINE=MyISAM; CREATE SEQUENCE invoices START WITH 4711; \
         CREATE VIEW few AS SELECT * FROM recipes WHERE id < 10; \
         CREATE TRIGGER stamp BEFORE INSERT ON recipes FOR EACH ROW SET NEW.text = TRIM(NEW.text); \
         CREATE FUNCTION cone(a INT) RETURNS INT DETERMINISTIC RETURN a + 1; \
         CREATE EVENT sweep ON SCHEDULE EVERY 1 YEAR STARTS '2030-01-01' DO DELETE FROM firings",
    );
    // a key of another database that leads here must not be in the way
    server.sql(
        "other",
        "CREATE TABLE sold (recipe INT, FOREIGN KEY (recipe) REFERENCES studio.recipes (id))",
    );
    let socket = server.socket().display().to_string();
    world.job(
        "books",
        &format!(
            "kind = \"database\"\nengine = \"mariadb\"\nname = \"studio\"\nsocket = \"{socket}\"\ndrive = \"shelf\"\n{encrypt}\n"
        ),
    );
    world.run(&["run", "books"], 0);
    Some(server)
}

const CLOSED: &str = "encrypt = { passphrase_file = \"{dir}/config/passphrase\" }";

/// As mariadb-dump tells it, which is not hayloft's own way to look.
fn dump(server: &Mariadb) -> String {
    let output = ok(Command::new("mariadb-dump")
        .args([
            "--no-defaults",
            "--skip-dump-date",
            "--routines",
            "--events",
            "--hex-blob",
            "studio",
        ])
        .arg(format!("--socket={}", server.socket().display())));
    String::from_utf8(output.stdout).unwrap()
}

fn kept(world: &World) -> Vec<PathBuf> {
    let entries = fs::read_dir(world.state().join("replaced/books"));
    let entries = entries.into_iter().flatten();
    let mut found: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    found.sort();
    found
}

#[test]
fn a_database_of_mariadb_takes_the_place_of_the_live_one_which_is_kept_closed() {
    let Some(world) = World::new(60) else { return };
    world.secret("passphrase", "two bowls and a kiln\n");
    let Some(server) = studio(&world, CLOSED) else {
        return;
    };
    let exported = dump(&server);
    server.sql(
        "studio",
        "DELETE FROM recipes WHERE id > 10; INSERT INTO firings VALUES (8)",
    );
    let before = dump(&server);
    let shown = world.run(&["restore", "books", "--load"], 1);
    assert!(
        shown.out.contains("there is data already, in `studio`"),
        "{}",
        shown.out
    );
    let shown = world.run(&["restore", "books", "--load", "--replace", "--dry-run"], 0);
    assert!(shown.out.contains("unreplace-mariadb"), "{}", shown.out);
    assert_eq!((dump(&server), kept(&world)), (before.clone(), Vec::new()));
    // an application that holds on to a table
    let mut session = server
        .mariadb(
            "studio",
            "BEGIN; SELECT * FROM recipes LIMIT 1; SELECT SLEEP(60)",
        )
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    until("it is in the table", || {
        server.sql("", "SELECT COUNT(*) FROM information_schema.PROCESSLIST WHERE INFO LIKE '%SLEEP(60)%' AND DB = 'studio'") == "1"
    });
    let shown = world.run(&[&CLOCK[..], &LOAD].concat(), 0);
    assert!(
        shown.out.contains(".before-20261126T023000Z"),
        "{}",
        shown.out
    );
    assert!(!session.wait().unwrap().success());
    assert_eq!(dump(&server), exported);
    assert_eq!(server.sql("", "SELECT DEFAULT_CHARACTER_SET_NAME FROM information_schema.SCHEMATA WHERE SCHEMA_NAME = 'studio'"), "latin1");
    let kept = kept(&world);
    let names: Vec<&str> = kept
        .iter()
        .map(|path| path.file_name().unwrap().to_str().unwrap())
        .collect();
    let name = "studio.before-20261126T023000Z";
    assert_eq!(
        names,
        [format!("{name}.sql.age"), format!("{name}.tables.json")]
    );
    for path in &kept {
        assert_eq!(
            fs::metadata(path).unwrap().permissions().mode() & 0o777,
            0o600
        );
    }
    let closed = fs::read(&kept[0]).unwrap();
    assert!(closed.starts_with(b"age-encryption.org/v1\n"));
    // what was kept is the database as it was: opened by hand
    let opened = world.path("opened.sql");
    let output = Command::new(env!("CARGO_BIN_EXE_hayloft"))
        .args(["unseal", "--passphrase-file"])
        .arg(world.path("config/passphrase"))
        .stdin(fs::File::open(&kept[0]).unwrap())
        .stdout(fs::File::create(&opened).unwrap())
        .status()
        .unwrap();
    assert!(output.success());
    server.sql("", "SET foreign_key_checks = 0; DROP DATABASE studio; CREATE DATABASE studio CHARACTER SET latin1");
    assert!(server.load("studio", &opened).status.success());
    assert_eq!(dump(&server), before);
}

#[test]
fn a_database_of_mariadb_is_loaded_into_a_new_server_with_its_users() {
    let Some(world) = World::new(60) else { return };
    let Some(server) = studio(&world, "") else {
        return;
    };
    let exported = dump(&server);
    let grants = |server: &Mariadb| server.sql("", "SHOW GRANTS FOR ines");
    let expected = grants(&server);
    server.sql(
        "",
        "SET foreign_key_checks = 0; DROP DATABASE studio; DROP USER ines",
    );
    let shown = world.run(&["restore", "books", "--load"], 0);
    assert!(!shown.out.contains(".before-"), "{}", shown.out);
    assert_eq!((dump(&server), grants(&server)), (exported, expected));
    assert_eq!(kept(&world), Vec::<PathBuf>::new());
}

#[test]
fn a_load_of_mariadb_that_fails_brings_back_what_was_there() {
    let Some(world) = World::new(60) else { return };
    let Some(server) = studio(&world, "") else {
        return;
    };
    server.sql(
        "studio",
        "DELETE FROM recipes WHERE id > 10; ALTER TABLE recipes AUTO_INCREMENT = 9000",
    );
    let before = dump(&server);
    // the rows of the export do not fit into one packet any more
    server.sql("", "SET GLOBAL max_allowed_packet = 16384");
    let shown = world.run(&LOAD, 1);
    assert!(shown.out.contains("all is as it was"), "{}", shown.out);
    server.sql("", "SET GLOBAL max_allowed_packet = 16777216");
    assert_eq!(dump(&server), before);
    assert_eq!(kept(&world), Vec::<PathBuf>::new());
    // a new database that cannot be filled is gone again
    server.sql(
        "",
        "SET foreign_key_checks = 0; DROP DATABASE studio; SET GLOBAL max_allowed_packet = 16384",
    );
    world.run(&["restore", "books", "--load"], 1);
    assert_eq!(
        server.sql(
            "",
            "SELECT COUNT(*) FROM information_schema.SCHEMATA WHERE SCHEMA_NAME = 'studio'"
        ),
        "0"
    );
    assert_eq!(kept(&world), Vec::<PathBuf>::new());
}

#[test]
fn what_a_dump_would_lose_is_not_dropped() {
    let Some(world) = World::new(60) else { return };
    let Some(server) = studio(&world, "") else {
        return;
    };
    server.sql(
        "studio",
        "CREATE TABLE scales (w FLOAT); INSERT INTO scales VALUES (16777217)",
    );
    let before = dump(&server);
    let shown = world.run(&LOAD, 1);
    assert!(
        shown
            .out
            .contains("of which a dump loses digits; it was not touched"),
        "{}",
        shown.out
    );
    assert_eq!((dump(&server), kept(&world)), (before, Vec::new()));
}

#[test]
fn a_load_of_mariadb_that_was_killed_is_undone_at_the_next_start() {
    let Some(world) = World::new(60) else { return };
    let Some(server) = studio(&world, "") else {
        return;
    };
    server.sql("studio", "DELETE FROM recipes WHERE id > 10");
    let before = dump(&server);
    let load = Background::start(world.hayloft(&LOAD));
    until("the live one was dropped", || {
        kept(&world).iter().any(|path| {
            path.to_str().unwrap().contains(".before-")
                && path.extension().is_some_and(|end| end == "sql")
        })
    });
    load.signal(rustix::process::Signal::KILL);
    drop(load);
    assert!(world.state().join("owed/books.json").exists());
    world.run(&["settle"], 1);
    assert_eq!(dump(&server), before);
    assert_eq!(kept(&world), Vec::<PathBuf>::new());
    let runs = world.run(&["runs", "--job", "books"], 0);
    assert!(runs.out.contains("CUT SHORT"), "{}", runs.out);
}

/// The hidden commands on their own: what is not all of the live database, and what is done twice.
#[test]
fn a_live_database_of_mariadb_is_dropped_only_when_all_of_it_is_kept_and_comes_back_twice() {
    let Some(world) = World::new(60) else { return };
    let Some(server) = studio(&world, "") else {
        return;
    };
    let [plain, keeping, before, tables] =
        ["plain", "keeping", "before", "tables.json"].map(|name| server.path(name));
    let keep = || {
        let mut command = server.hayloft("dump-mariadb", "studio");
        let shown = into_file(command.arg("--tables").arg(&tables), &plain);
        assert_eq!(shown.exit, Some(0), "{}", shown.errors);
        fs::copy(&plain, &keeping).unwrap();
    };
    let names = |command: &mut Command| {
        command
            .arg(format!("--keeping={}", keeping.display()))
            .arg(format!("--before={}", before.display()))
            .arg(format!("--tables={}", tables.display()));
    };
    let replace = || {
        let mut command = server.hayloft("replace-mariadb", "studio");
        names(&mut command);
        from_file(&mut command, &tables)
    };
    let live = dump(&server);
    keep();
    server.sql("studio", "UPDATE recipes SET text = 'ash' WHERE id = 9");
    let shown = replace();
    assert_eq!(shown.exit, Some(1));
    let words = "it was written to while it was kept";
    assert!(shown.errors.contains(words), "{}", shown.errors);
    server.sql(
        "studio",
        "UPDATE recipes SET text = 'glaze recipe 9' WHERE id = 9",
    );
    keep();
    let whole = fs::read(&keeping).unwrap();
    fs::write(&keeping, &whole[..whole.len() - 5]).unwrap();
    let shown = replace();
    assert!(
        shown.errors.contains("is not whole; it was not touched"),
        "{}",
        shown.errors
    );
    assert_eq!(dump(&server), live);
    keep();
    let shown = replace();
    assert_eq!(shown.exit, Some(0), "{}", shown.errors);
    assert_eq!(server.sql("studio", "SHOW TABLES"), "");
    assert!(before.exists() && !keeping.exists());
    for _ in 0..2 {
        let mut command = server.hayloft("unreplace-mariadb", "studio");
        names(&mut command);
        let shown = from_file(&mut command, Path::new("/dev/null"));
        assert_eq!(shown.exit, Some(0), "{}", shown.errors);
        assert_eq!(dump(&server), live);
        assert!(
            ![&before, &keeping, &tables]
                .iter()
                .any(|path| path.exists())
        );
    }
}
