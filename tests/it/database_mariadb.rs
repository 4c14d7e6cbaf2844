//! MariaDB: what is exported and loaded again is the same, and what is not is found. Real servers, real programs.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::database_servers::{Mariadb, from_file, into_file};
use crate::world::{Shown, ok};

/// What a studio's database holds, of nearly every kind that MariaDB knows (`seq_1_to_…` are its own tables of numbers).
const STUDIO: &str = r"
CREATE TABLE customers (id INT AUTO_INCREMENT PRIMARY KEY, name VARCHAR(200) NOT NULL, mail VARCHAR(100) UNIQUE);
INSERT INTO customers (name, mail) SELECT CONCAT('Kundin ', seq, ' Schlüsselwörter 釉薬 🏺'),
    CONCAT('c', seq, '@studio.example') FROM seq_1_to_1000;
CREATE TABLE orders (id BIGINT AUTO_INCREMENT PRIMARY KEY, customer INT, state ENUM('ordered','thrown','sold'),
    price DECIMAL(10,2), weight DOUBLE, at TIMESTAMP(6) NULL, day DATE, length TIME, photo BLOB, bits BIT(7),
    more JSON, note TEXT, doubled DECIMAL(12,2) AS (price * 2) STORED, place POINT, INDEX by_day (day),
    FOREIGN KEY (customer) REFERENCES customers (id));
INSERT INTO orders (customer, state, price, weight, at, day, length, photo, bits, more, note, place)
    SELECT 1 + seq % 1000, 1 + seq % 3, seq / 7.0, SQRT(seq), TIMESTAMP('2026-01-01 00:00:00.000001') + INTERVAL seq SECOND,
    DATE('2026-01-01') + INTERVAL seq % 365 DAY, SEC_TO_TIME(seq % 80000), UNHEX(CONCAT(MD5(seq), '00ff0a0d1a5c27')), seq % 128,
    JSON_OBJECT('n', seq), IF(seq % 10 = 0, NULL, CONCAT('tab\tquote\' back\\slash\n ', seq)), POINT(seq, -seq)
    FROM seq_1_to_100000;
INSERT INTO orders (weight, at) VALUES (1e-300, '2026-10-25 01:30:00'), (0.1, NULL), (1.7976931348623157e308, NULL);
CREATE TABLE `Glaze; drop ``bowls``` (`select` INT, `Größe` TEXT, `line
feed` VARCHAR(9));
INSERT INTO `Glaze; drop ``bowls``` VALUES (1, 'a', NULL), (1, 'a', NULL), (NULL, '', NULL);
CREATE TABLE `UPPER` (a INT); CREATE TABLE `upper` (a INT); INSERT INTO `UPPER` VALUES (1); INSERT INTO `upper` VALUES (2);
CREATE TABLE empty (a INT);
CREATE TABLE firings (at DATE, kiln INT) PARTITION BY HASH (kiln) PARTITIONS 3;
INSERT INTO firings SELECT DATE('2026-01-01') + INTERVAL seq DAY, seq % 5 FROM seq_1_to_300;
CREATE VIEW sold AS SELECT * FROM orders WHERE state = 'sold';
CREATE VIEW twice AS SELECT * FROM sold;
CREATE SEQUENCE invoices START WITH 4711; SELECT NEXTVAL(invoices);
DELIMITER //
CREATE FUNCTION glaze(a INT) RETURNS INT DETERMINISTIC BEGIN RETURN a + 1; END//
CREATE PROCEDURE fire() BEGIN INSERT INTO firings VALUES (NOW(), 1); END//
CREATE TRIGGER stamp BEFORE INSERT ON customers FOR EACH ROW BEGIN SET NEW.name = CONCAT(NEW.name, ''); END//
CREATE EVENT sweep ON SCHEDULE EVERY 1 YEAR STARTS '2030-01-01' DO BEGIN DELETE FROM firings; END//
DELIMITER ;
";

fn studio() -> Option<Mariadb> {
    let server = Mariadb::start()?;
    server.sql("", "CREATE DATABASE studio CHARACTER SET utf8mb4");
    server.sql("studio", STUDIO);
    Some(server)
}

struct Export {
    dump: PathBuf,
    tables: PathBuf,
}

fn names(server: &Mariadb) -> Export {
    Export {
        dump: server.path("studio.sql"),
        tables: server.path("studio.tables.json"),
    }
}

fn export(server: &Mariadb, database: &str) -> (Export, Shown) {
    let export = names(server);
    let mut command = server.hayloft("dump-mariadb", database);
    let shown = into_file(command.arg("--tables").arg(&export.tables), &export.dump);
    (export, shown)
}

fn compare(server: &Mariadb, database: &str, export: &Export) -> Shown {
    let mut command = server.hayloft("compare-mariadb", database);
    from_file(&mut command, &export.tables)
}

fn figures(file: &Path) -> serde_json::Value {
    serde_json::from_slice(&fs::read(file).unwrap()).unwrap()
}

/// Loads into a new database.
#[track_caller]
fn load(server: &Mariadb, database: &str, file: &Path) {
    server.sql(
        "",
        &format!("CREATE DATABASE {database} CHARACTER SET utf8mb4"),
    );
    let output = server.load(database, file);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{errors}");
}

#[test]
fn what_is_loaded_into_a_fresh_server_is_the_same_table_by_table_and_dumps_the_same() {
    let Some(server) = studio() else { return };
    let (first, shown) = export(&server, "studio");
    assert_eq!(shown.exit, Some(0), "{}", shown.errors);
    assert_eq!(shown.errors, "");
    for table in figures(&first.tables)["tables"].as_array().unwrap() {
        assert_eq!(table["certainty"], "exact", "{table}");
    }
    let other = Mariadb::start().unwrap();
    load(&other, "studio", &first.dump);
    let shown = compare(&other, "studio", &first);
    assert_eq!(shown.exit, Some(0), "{}{}", shown.out, shown.errors);
    assert!(!shown.out.contains("note:"), "{}", shown.out);
    let (second, _) = export(&other, "studio");
    ok(Command::new("cmp").arg(&first.dump).arg(&second.dump));
}

#[test]
fn a_database_can_be_loaded_under_another_name() {
    let Some(server) = studio() else { return };
    let (export, _) = export(&server, "studio");
    load(&server, "studio_before", &export.dump);
    let shown = compare(&server, "studio_before", &export);
    assert_eq!(shown.exit, Some(0), "{}{}", shown.out, shown.errors);
    let views = server.sql("studio_before", "SHOW CREATE VIEW sold");
    assert!(
        views.contains("studio_before") || !views.contains("`studio`"),
        "{views}"
    );
}

#[test]
fn every_change_in_what_was_loaded_is_found() {
    let Some(server) = studio() else { return };
    let (export, _) = export(&server, "studio");
    for (number, (change, words)) in [
        ("UPDATE orders SET weight = weight + 1e-9 WHERE id = 4", "table `orders` has its 100003 rows, but not all"),
        ("UPDATE orders SET photo = CONCAT(photo, x'00') WHERE id = 99999", "not all with the content"),
        ("DELETE FROM orders WHERE id = 77", "had 100003 rows when it was exported, and has 100002 rows"),
        ("UPDATE `UPPER` SET a = 2", "table `UPPER` has its 1 row, but"),
        ("UPDATE `Glaze; drop ``bowls``` SET `Größe` = NULL WHERE `Größe` = ''", "table `Glaze; drop `bowls`` has its"),
        ("DROP TABLE empty", "table `empty` is missing"),
        ("CREATE TABLE stray (a INT)", "table `stray` is there, but was not exported"),
        ("SELECT SETVAL(invoices, 9000)", "sequence `invoices` stands at `9001`"),
        ("DROP TRIGGER stamp", "1 triggers were exported, and 0 are there"),
        ("DROP EVENT sweep", "1 events were exported, and 0 are there"),
        ("DROP FUNCTION glaze; CREATE FUNCTION glaze(a INT) RETURNS INT DETERMINISTIC RETURN a + 2", "the routines are not those"),
        ("DROP VIEW twice", "2 views were exported, and 1 are there"),
        ("ALTER TABLE orders DROP INDEX by_day", "indexes were exported"),
        ("SET foreign_key_checks = 0; ALTER TABLE orders DROP FOREIGN KEY orders_ibfk_1", "constraints were exported"),
    ].into_iter().enumerate() {
        let name = format!("copy{number}");
        load(&server, &name, &export.dump);
        let shown = compare(&server, &name, &export);
        assert_eq!(shown.exit, Some(0), "{}{}", shown.out, shown.errors);
        server.sql(&name, change);
        let shown = compare(&server, &name, &export);
        assert_eq!(shown.exit, Some(1), "{change}: {}", shown.out);
        assert!(shown.errors.contains(words), "{change}: {}", shown.errors);
        server.sql("", &format!("DROP DATABASE {name}"));
    }
}

#[test]
fn a_table_that_others_write_to_meanwhile_is_marked_and_the_rest_is_exact() {
    let Some(server) = studio() else { return };
    let over = AtomicBool::new(false);
    let (export, shown) = std::thread::scope(|scope| {
        scope.spawn(|| {
            while !over.load(Ordering::Relaxed) {
                server.sql(
                    "studio",
                    "INSERT INTO firings VALUES (NOW(), 1), (NOW(), 2)",
                );
            }
        });
        let found = export(&server, "studio");
        over.store(true, Ordering::Relaxed);
        found
    });
    assert_eq!(shown.exit, Some(0), "{}", shown.errors);
    load(&server, "copy", &export.dump);
    let shown = compare(&server, "copy", &export);
    assert_eq!(shown.exit, Some(0), "{}{}", shown.out, shown.errors);
    let notes: Vec<&str> = shown
        .out
        .lines()
        .filter(|line| line.starts_with("note:"))
        .collect();
    assert!(
        notes
            .iter()
            .all(|line| line.contains("table `firings` was written to while")),
        "{notes:?}"
    );
    assert_eq!(notes.len(), 1, "{}", shown.out);
    // both rows of a transaction, or none
    assert_eq!(server.sql("copy", "SELECT COUNT(*) % 2 FROM firings"), "0");
}

#[test]
fn what_an_export_cannot_hold_is_said() {
    let Some(server) = Mariadb::start() else {
        return;
    };
    server.sql("", "CREATE DATABASE studio");
    server.sql(
        "studio",
        "CREATE TABLE scales (w FLOAT); INSERT INTO scales VALUES (16777217), (3.14159274); \
         CREATE TABLE old (a INT) ENGINE=MyISAM; INSERT INTO old VALUES (1); \
         CREATE TABLE prices (a INT) WITH SYSTEM VERSIONING; INSERT INTO prices VALUES (1); UPDATE prices SET a = 2;",
    );
    let (export, shown) = export(&server, "studio");
    for words in [
        "table `scales` has columns of type float, of which mariadb-dump keeps 6 digits",
        "table `old` is of the engine MyISAM, which knows no transactions",
        "table `prices` keeps its history: only its present rows are exported",
    ] {
        assert!(shown.errors.contains(words), "{words}: {}", shown.errors);
    }
    load(&server, "copy", &export.dump);
    let shown = compare(&server, "copy", &export);
    assert_eq!(shown.exit, Some(0), "{}{}", shown.out, shown.errors);
    assert!(
        shown.out.contains("`scales` has columns of type float"),
        "{}",
        shown.out
    );
    server.sql("copy", "DELETE FROM scales LIMIT 1");
    assert_eq!(compare(&server, "copy", &export).exit, Some(1));
}

#[test]
fn users_come_back_with_their_passwords_and_grants_and_those_that_are_there_stay_as_they_are() {
    let Some(server) = studio() else { return };
    server.sql(
        "",
        "CREATE USER 'ines'@'localhost' IDENTIFIED BY 'clay'; CREATE USER 'jo''ão'@'%' IDENTIFIED BY 'glaze'; \
         CREATE ROLE potters; GRANT SELECT, UPDATE ON studio.* TO potters; GRANT potters TO 'ines'@'localhost'; \
         SET DEFAULT ROLE potters FOR 'ines'@'localhost'; GRANT SELECT (id) ON studio.orders TO 'jo''ão'@'%' WITH GRANT OPTION;",
    );
    let file = server.path("users.sql");
    let shown = into_file(&mut server.hayloft("mariadb-users", ""), &file);
    assert_eq!(shown.exit, Some(0), "{}", shown.errors);
    let other = Mariadb::start().unwrap();
    let (export, _) = export(&server, "studio");
    load(&other, "studio", &export.dump);
    // one that is there, with a password of its own
    other.sql("", "CREATE USER 'jo''ão'@'%' IDENTIFIED BY 'other'");
    let missing = other.path("missing.sql");
    let mut command = other.hayloft("mariadb-users", "");
    let command = command
        .arg("--missing")
        .stdin(fs::File::open(&file).unwrap());
    let shown = into_file(command, &missing);
    assert_eq!(shown.exit, Some(0), "{}", shown.errors);
    let text = fs::read_to_string(&missing).unwrap();
    assert!(!text.contains("`root`@`localhost`\nCREATE"), "{text}");
    let output = other.load("mysql", &missing);
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    for question in [
        "SHOW CREATE USER 'ines'@'localhost'",
        "SHOW GRANTS FOR 'ines'@'localhost'",
        "SHOW GRANTS FOR potters",
    ] {
        assert_eq!(
            other.sql("", question),
            server.sql("", question),
            "{question}"
        );
    }
    let joao = "SHOW CREATE USER 'jo''ão'@'%'";
    assert_ne!(other.sql("", joao), server.sql("", joao));
}

#[test]
fn a_database_with_an_odd_name_is_exported() {
    let Some(server) = Mariadb::start() else {
        return;
    };
    for name in [
        "Glaze; drop",
        "it's \"two\" `bowls`",
        "--all-databases",
        "釉薬",
        "studio",
    ] {
        server.sql(
            "",
            &format!("CREATE DATABASE `{}`", name.replace('`', "``")),
        );
        server.sql(name, "CREATE TABLE t AS SELECT 1 AS a");
        let (export, shown) = export(&server, name);
        assert_eq!(shown.exit, Some(0), "{name}: {}", shown.errors);
        assert_eq!(figures(&export.tables)["database"], name);
        assert_eq!(
            figures(&export.tables)["tables"].as_array().unwrap().len(),
            1
        );
        let shown = compare(&server, name, &export);
        assert_eq!(shown.exit, Some(0), "{name}: {}", shown.errors);
    }
}

#[test]
fn what_cannot_be_exported_is_told_and_leaves_no_figures() {
    let Some(mut server) = studio() else { return };
    server.sql("", "CREATE USER 'nobody'@'localhost' IDENTIFIED VIA unix_socket; GRANT SELECT ON studio.customers TO 'nobody'@'localhost'");
    let told = |server: &Mariadb, database: &str, more: &[&str], words: &str| {
        let export = names(server);
        let _ = fs::remove_file(&export.tables);
        let mut command = server.hayloft("dump-mariadb", database);
        command.args(more).arg("--tables").arg(&export.tables);
        let shown = into_file(&mut command, &export.dump);
        assert_eq!(shown.exit, Some(1), "{words}: {}", shown.errors);
        assert!(shown.errors.contains(words), "{words}: {}", shown.errors);
        assert!(!export.tables.exists(), "{words}");
    };
    told(&server, "pottery", &[], "there is none of this name");
    let wrong_role = Command::new(env!("CARGO_BIN_EXE_hayloft"))
        .args([
            "dump-mariadb",
            "--role=nobody",
            "--account=nobody",
            "--database=studio",
            "--tables=/nonexistent/x",
        ])
        .arg("--socket")
        .arg(server.socket())
        .output()
        .unwrap();
    let errors = String::from_utf8_lossy(&wrong_role.stderr);
    assert_eq!(wrong_role.status.code(), Some(1));
    // a role that sees some of the tables must not make an export that looks whole
    assert!(
        errors.contains(
            "the role may not read everything in it: it lacks EVENT, SELECT, SHOW VIEW, TRIGGER"
        ),
        "{errors}"
    );
    told(&server, "studio", &["--account=nobody"], "`unix_socket`");
    server.stop();
    told(
        &server,
        "studio",
        &[],
        "start the server, or correct `socket`",
    );
}

#[test]
fn a_dump_that_is_not_whole_or_not_as_it_was_is_not_taken_for_good() {
    let Some(server) = studio() else { return };
    let (export, _) = export(&server, "studio");
    let whole = fs::read(&export.dump).unwrap();
    let verdict = |bytes: &[u8]| {
        fs::write(&export.dump, bytes).unwrap();
        server.sql(
            "",
            "SET foreign_key_checks = 0; CREATE OR REPLACE DATABASE copy CHARACTER SET utf8mb4",
        );
        let loaded = server.load("copy", &export.dump).status.success();
        loaded && compare(&server, "copy", &export).exit == Some(0)
    };
    assert!(verdict(&whole));
    // also at the end of a statement, where the client sees no mistake
    let at_statement = whole.windows(3).position(|part| part == b");\n").unwrap() + 3;
    for cut in [whole.len() / 3, whole.len() / 2, at_statement] {
        assert!(!verdict(&whole[..cut]), "cut at {cut}");
    }
    let at = whole
        .windows(11)
        .position(|part| part == b"Kundin 500 ")
        .unwrap();
    let mut flipped = whole.clone();
    flipped[at + 3] ^= 1;
    assert!(!verdict(&flipped));
}

#[test]
fn a_server_that_tells_of_no_events_is_exported_without_them() {
    let Some(server) = Mariadb::start_with("--event-scheduler=DISABLED") else {
        return;
    };
    server.sql("", "CREATE DATABASE studio; CREATE TABLE studio.t (a INT)");
    let (export, shown) = export(&server, "studio");
    assert_eq!(shown.exit, Some(0), "{}", shown.errors);
    assert!(
        shown.errors.contains("tells of no events"),
        "{}",
        shown.errors
    );
    assert_eq!(compare(&server, "studio", &export).exit, Some(0));
}
