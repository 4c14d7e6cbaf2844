//! The text on the drive brings databases back without hayloft, typed as it stands.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::sync::PoisonError;

use crate::database_servers::{Mariadb, Postgresql};
use crate::read_me_first::{RESTORE, RestoreFolder, commands};
use crate::world::{Shown, World, ok};

fn job(world: &World, keys: &str) {
    world.secret("passphrase", "glaze over ash\n");
    world.job(
        "books",
        &format!(
            "kind = \"database\"\ndrive = \"shelf\"\n{keys}\n\
             encrypt = {{ passphrase_file = \"{{dir}}/config/passphrase\" }}\n"
        ),
    );
    world.run(&["run", "books"], 0);
}

/// Types all that the text says: as it stands, when `echo` must keep everything as it was, or without that word.
fn typed(world: &World, says: &str) -> Shown {
    let text = fs::read_to_string(world.drive().join("hayloft/READ-ME-FIRST.txt")).unwrap();
    let (opened, placed) = text.split_once("4. Put it in its place").unwrap();
    let placed = commands(placed);
    let placed = match says {
        "echo" => placed,
        _ => placed.replace("echo ", ""),
    };
    let script = format!(
        "set -e -o pipefail\nmount --make-rslave /\nmount -t tmpfs tmpfs /restore\n{}\n{placed}\n",
        commands(opened),
    );
    fs::write(world.path("script"), &script).unwrap();
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it");
    let output = Command::new("python3")
        .arg(here.join("at_a_terminal.py"))
        .args([
            "glaze over ash",
            "unshare",
            "-m",
            "--propagation",
            "slave",
            "bash",
        ])
        .arg(world.path("script"))
        .current_dir("/")
        .output()
        .unwrap();
    let shown = Shown::of(&output);
    assert_eq!(
        shown.exit,
        Some(0),
        "{script}\n{}\n{}",
        shown.out,
        shown.errors
    );
    shown
}

#[test]
fn the_text_on_the_drive_loads_databases_of_postgresql_by_hand() {
    let _one = RESTORE.lock().unwrap_or_else(PoisonError::into_inner);
    let Some(world) = World::new(64) else { return };
    let _folder = RestoreFolder::new();
    let Some(server) = Postgresql::start() else {
        return;
    };
    server.sql("postgres", "CREATE ROLE ines LOGIN PASSWORD 'clay'; CREATE DATABASE studio OWNER ines; CREATE DATABASE \"two bowls/x\"; CREATE TABLE own AS SELECT 4 AS a");
    server.sql("studio", "CREATE TABLE recipes AS SELECT i FROM generate_series(1, 900) i; ALTER TABLE recipes OWNER TO ines");
    let socket = server.socket().display().to_string();
    let figures = || {
        (
            server.sql("studio", "SELECT count(*), sum(i), (SELECT tableowner FROM pg_tables WHERE tablename = 'recipes') FROM recipes"),
            server.sql("postgres", "SELECT rolpassword FROM pg_authid WHERE rolname = 'ines'"),
            server.sql("postgres", "SELECT a FROM own"),
            server.sql("postgres", "SELECT datname, datdba::regrole FROM pg_database ORDER BY 1"),
        )
    };
    let expected = figures();
    for keys in ["", "name = \"studio\"\n"] {
        job(
            &world,
            &format!("engine = \"postgresql\"\nsocket = \"{socket}\"\n{keys}"),
        );
        typed(&world, "echo");
        assert_eq!(figures(), expected);
        server.sql("postgres", "DROP DATABASE studio");
        server.sql("postgres", "DROP ROLE ines");
        if keys.is_empty() {
            server.sql("postgres", "DROP DATABASE \"two bowls/x\"");
            server.sql("postgres", "DROP TABLE own");
        }
        typed(&world, "");
        assert_eq!(figures(), expected);
    }
}

#[test]
fn the_text_on_the_drive_loads_databases_of_mariadb_by_hand() {
    let _one = RESTORE.lock().unwrap_or_else(PoisonError::into_inner);
    let Some(world) = World::new(64) else { return };
    let _folder = RestoreFolder::new();
    let Some(server) = Mariadb::start_with("--event-scheduler=OFF") else {
        return;
    };
    server.sql("", "CREATE DATABASE studio CHARACTER SET latin1; CREATE DATABASE `two ``bowls/x`; CREATE USER ines IDENTIFIED BY 'clay'");
    server.sql("studio", "CREATE TABLE recipes AS SELECT seq FROM seq_1_to_900; CREATE VIEW few AS SELECT * FROM recipes; GRANT SELECT (seq) ON studio.recipes TO ines");
    let socket = server.socket().display().to_string();
    let figures = || {
        server.sql(
            "",
            "SELECT COUNT(*), SUM(seq) FROM studio.few; SHOW GRANTS FOR ines; SHOW CREATE USER ines; \
             SELECT SCHEMA_NAME, DEFAULT_CHARACTER_SET_NAME FROM information_schema.SCHEMATA ORDER BY 1",
        )
    };
    let expected = figures();
    for keys in ["", "name = \"studio\"\n"] {
        job(
            &world,
            &format!("engine = \"mariadb\"\nsocket = \"{socket}\"\n{keys}"),
        );
        typed(&world, "echo");
        assert_eq!(figures(), expected);
        server.sql("", "DROP DATABASE studio; DROP USER ines");
        if keys.is_empty() {
            server.sql("", "DROP DATABASE `two ``bowls/x`");
        }
        typed(&world, "");
        assert_eq!(figures(), expected);
    }
}

#[test]
fn the_text_on_the_drive_puts_a_file_of_sqlite_in_its_place_by_hand() {
    let _one = RESTORE.lock().unwrap_or_else(PoisonError::into_inner);
    let Some(world) = World::new(64) else { return };
    let _folder = RestoreFolder::new();
    let file = world.path("books.db");
    let sql = |file: &Path, sql: &str| {
        let output = ok(Command::new("sqlite3").arg(file).arg(sql));
        String::from_utf8(output.stdout).unwrap().trim().to_owned()
    };
    sql(
        &file,
        "CREATE TABLE recipes (text); INSERT INTO recipes VALUES ('glaze'), ('slip')",
    );
    job(&world, "engine = \"sqlite\"\nfile = \"{dir}/books.db\"");
    std::os::unix::fs::chown(&file, Some(33), Some(33)).unwrap();
    sql(&file, "DELETE FROM recipes");
    typed(&world, "echo");
    assert_eq!(sql(&file, "SELECT count(*) FROM recipes"), "0");
    typed(&world, "");
    assert_eq!(sql(&file, "SELECT count(*) FROM recipes"), "2");
    let owner = std::os::unix::fs::MetadataExt::uid(&fs::metadata(&file).unwrap());
    assert_eq!(owner, 33);
    let before = world.path("books.db.before");
    assert_eq!(sql(&before, "SELECT count(*) FROM recipes"), "0");
    // a new computer
    fs::remove_file(&file).unwrap();
    typed(&world, "");
    assert_eq!(sql(&file, "SELECT count(*) FROM recipes"), "2");
}
