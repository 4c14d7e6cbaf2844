//! SQLite: a file that others write to is exported whole, and nothing is left beside it. Compared by the program sqlite3.

use std::fs;
use std::io::Write as _;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use tempfile::TempDir;

use crate::database_servers::{from_file, into_file};
use crate::world::{Shown, ok, skip};

const HAYLOFT: &str = env!("CARGO_BIN_EXE_hayloft");

const STUDIO: &str = r#"
CREATE TABLE customers (id INTEGER PRIMARY KEY AUTOINCREMENT, name TEXT NOT NULL);
WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 1000)
    INSERT INTO customers (name) SELECT 'Kundin ' || i || ' Schlüsselwörter 釉薬 🏺' FROM n;
CREATE TABLE orders (id INTEGER PRIMARY KEY, customer INT REFERENCES customers (id), weight REAL, photo BLOB, note ANY,
    doubled REAL AS (weight * 2) STORED);
WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 100000)
    INSERT INTO orders (customer, weight, photo, note) SELECT 1 + i % 1000, i / 7.0, CAST(x'00ff0a' || i AS BLOB),
    CASE i % 4 WHEN 0 THEN NULL WHEN 1 THEN i WHEN 2 THEN 'a' || i ELSE i * 1e300 END FROM n;
CREATE INDEX by_customer ON orders (customer);
CREATE TABLE "Glaze; drop ""bowls""" ("select", "Größe" TEXT) ;
INSERT INTO "Glaze; drop ""bowls""" VALUES (1, NULL), (1, NULL), ('1', ''), (1.5, 'it''s');
CREATE TABLE pairs (a INT, b INT, PRIMARY KEY (a, b)) WITHOUT ROWID; INSERT INTO pairs VALUES (1, 2), (2, 1);
CREATE VIRTUAL TABLE words USING fts5 (text); INSERT INTO words VALUES ('glaze and kiln'), ('two bowls');
CREATE VIEW heavy AS SELECT * FROM orders WHERE weight > 1000;
CREATE TRIGGER stamp AFTER INSERT ON pairs BEGIN DELETE FROM pairs WHERE a = b; END;
"#;

/// A database in a folder that an account owns, as an application's is.
struct Studio {
    folder: TempDir,
    owner: u32,
}

fn studio(journal: &str) -> Option<Studio> {
    if !rustix::process::geteuid().is_root() {
        skip("needs root, for a mount of its own");
        return None;
    }
    let folder = tempfile::tempdir().unwrap();
    let owner = uzers::get_user_by_name("www-data").unwrap().uid();
    let studio = Studio { folder, owner };
    fs::create_dir(studio.path("app")).unwrap();
    fs::create_dir(studio.path("scratch")).unwrap();
    for path in [studio.folder.path().to_owned(), studio.path("app")] {
        fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).unwrap();
        chown(&path, Some(owner), Some(owner)).unwrap();
    }
    studio.sql(&format!("PRAGMA journal_mode = {journal};"));
    studio.sql(STUDIO);
    Some(studio)
}

impl Studio {
    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn file(&self) -> PathBuf {
        self.path("app/studio.db")
    }

    /// As the application.
    fn sqlite3(&self) -> Command {
        let mut command = Command::new("setpriv");
        command
            .arg(format!("--reuid={}", self.owner))
            .args(["--clear-groups", "--", "sqlite3", "-bail"])
            .arg(self.file());
        command
    }

    fn sql(&self, sql: &str) {
        feed(self.sqlite3().stdout(Stdio::null()), sql);
    }

    /// Every file of the application's folder with its owner.
    fn beside(&self) -> Vec<(String, u32)> {
        let entries = fs::read_dir(self.path("app")).unwrap();
        let mut found: Vec<(String, u32)> = entries
            .map(|entry| {
                let entry = entry.unwrap();
                let owner = entry.metadata().unwrap().uid();
                (entry.file_name().into_string().unwrap(), owner)
            })
            .collect();
        found.sort();
        found
    }

    fn export(&self) -> Shown {
        let mut command = Command::new("unshare");
        command
            .args([
                "--mount",
                "--propagation=private",
                "--",
                HAYLOFT,
                "dump-sqlite",
            ])
            .arg("--file")
            .arg(self.file())
            .arg("--scratch")
            .arg(self.path("scratch"))
            .arg("--tables")
            .arg(self.path("tables.json"));
        into_file(&mut command, &self.path("copy.db"))
    }

    fn compare(&self) -> Shown {
        let mut command = Command::new(HAYLOFT);
        command
            .args(["compare-sqlite", "--file"])
            .arg(self.path("copy.db"));
        from_file(&mut command, &self.path("tables.json"))
    }

    /// A writer that begins a transaction every few milliseconds, two rows in each.
    fn writer(&self) -> Child {
        let script = "import sqlite3, sys, time\n\
            base = sqlite3.connect(sys.argv[1], timeout=60)\n\
            for i in range(100000):\n\
            \x20   with base: base.executemany('INSERT INTO pairs VALUES (?, 0)', [(-2 * i - 10,), (-2 * i - 11,)])\n\
            \x20   time.sleep(0.002)\n";
        let mut command = Command::new("setpriv");
        command
            .arg(format!("--reuid={}", self.owner))
            .args(["--clear-groups", "--", "/usr/bin/python3", "-c", script])
            .arg(self.file());
        command.spawn().unwrap()
    }
}

fn feed(command: &mut Command, sql: &str) {
    let mut child = command.stdin(Stdio::piped()).spawn().unwrap();
    let mut input = child.stdin.take().unwrap();
    input.write_all(sql.as_bytes()).unwrap();
    drop(input);
    assert!(child.wait().unwrap().success(), "{sql}");
}

fn dump_of(file: &Path) -> Vec<u8> {
    ok(Command::new("sqlite3").arg(file).arg(".dump")).stdout
}

#[test]
fn the_copy_is_the_database_and_its_figures_are_those_of_the_copy() {
    for journal in ["delete", "wal"] {
        let Some(studio) = studio(journal) else {
            return;
        };
        let before = studio.beside();
        let live = fs::read(studio.file()).unwrap();
        let shown = studio.export();
        assert_eq!(shown.exit, Some(0), "{}", shown.errors);
        assert_eq!(studio.beside(), before, "{journal}");
        assert!(fs::read(studio.file()).unwrap() == live, "{journal}");
        assert_eq!(fs::read_dir(studio.path("scratch")).unwrap().count(), 0);
        let shown = studio.compare();
        assert_eq!(shown.exit, Some(0), "{}{}", shown.out, shown.errors);
        assert!(
            dump_of(&studio.path("copy.db")) == dump_of(&studio.file()),
            "{journal}"
        );
    }
}

#[test]
fn a_database_that_another_process_writes_to_is_copied_as_of_one_moment() {
    for journal in ["delete", "wal"] {
        let Some(studio) = studio(journal) else {
            return;
        };
        let mut writer = studio.writer();
        for _ in 0..3 {
            std::thread::sleep(std::time::Duration::from_millis(200));
            let shown = studio.export();
            assert_eq!(shown.exit, Some(0), "{}", shown.errors);
            assert!(writer.try_wait().unwrap().is_none(), "the writer gave up");
            let shown = studio.compare();
            assert_eq!(shown.exit, Some(0), "{}{}", shown.out, shown.errors);
            let counted = ok(Command::new("sqlite3")
                .arg(studio.path("copy.db"))
                .arg("SELECT count(*) > 0, count(*) % 2 FROM pairs WHERE a < 0"));
            assert_eq!(
                String::from_utf8_lossy(&counted.stdout).trim(),
                "1|0",
                "{journal}"
            );
        }
        for (name, owner) in studio.beside() {
            assert_eq!(owner, studio.owner, "{name}");
        }
        writer.kill().unwrap();
        writer.wait().unwrap();
        // it was cut short: what it left lies in the files beside, and is part of the database
        let shown = studio.export();
        assert_eq!(shown.exit, Some(0), "{journal}: {}", shown.errors);
        for (name, owner) in studio.beside() {
            assert_eq!(owner, studio.owner, "{name}");
        }
    }
}

#[test]
fn what_a_killed_process_left_half_written_is_not_exported() {
    let Some(studio) = studio("delete") else {
        return;
    };
    let expected = dump_of(&studio.file());
    let script = "import sqlite3, sys, os, signal\n\
        base = sqlite3.connect(sys.argv[1])\n\
        base.execute('PRAGMA cache_size = 5')\n\
        base.execute('UPDATE orders SET weight = 0')\n\
        os.kill(os.getpid(), signal.SIGKILL)\n";
    let mut command = Command::new("setpriv");
    command
        .arg(format!("--reuid={}", studio.owner))
        .args(["--clear-groups", "--", "/usr/bin/python3", "-c", script])
        .arg(studio.file());
    assert!(!command.status().unwrap().success());
    assert!(studio.path("app/studio.db-journal").exists());
    let shown = studio.export();
    assert_eq!(shown.exit, Some(0), "{}", shown.errors);
    assert!(dump_of(&studio.path("copy.db")) == expected);
    assert_eq!(studio.beside(), [("studio.db".to_owned(), studio.owner)]);
}

#[test]
fn every_change_in_the_copy_is_found() {
    let Some(studio) = studio("delete") else {
        return;
    };
    studio.export();
    let whole = fs::read(studio.path("copy.db")).unwrap();
    for (change, words) in [
        (
            "UPDATE orders SET weight = weight + 1e-9 WHERE id = 4",
            "table `orders` has its 100000 rows, but not all",
        ),
        (
            "DELETE FROM orders WHERE id = 77",
            "had 100000 rows when it was exported, and has 99999 rows",
        ),
        (
            "UPDATE \"Glaze; drop \"\"bowls\"\"\" SET \"select\" = '1' WHERE rowid = 1",
            "not all with the content",
        ),
        ("DROP TABLE pairs", "table `pairs` is missing"),
        (
            "CREATE TABLE stray (a)",
            "table `stray` is there, but was not exported",
        ),
        ("DROP VIEW heavy", "1 views were exported, and 0 are there"),
        ("DELETE FROM words WHERE rowid = 1", "table `words_content`"),
        (
            "UPDATE sqlite_sequence SET seq = 5000",
            "table `sqlite_sequence`",
        ),
    ] {
        fs::write(studio.path("copy.db"), &whole).unwrap();
        feed(Command::new("sqlite3").arg(studio.path("copy.db")), change);
        let shown = studio.compare();
        assert_eq!(shown.exit, Some(1), "{change}: {}", shown.out);
        assert!(shown.errors.contains(words), "{change}: {}", shown.errors);
    }
    for cut in [whole.len() / 2, whole.len() - 4096] {
        fs::write(studio.path("copy.db"), &whole[..cut]).unwrap();
        assert_eq!(studio.compare().exit, Some(1), "cut at {cut}");
    }
    let at = whole
        .windows(11)
        .position(|part| part == b"Kundin 500 ")
        .unwrap();
    let mut flipped = whole.clone();
    flipped[at + 3] ^= 1;
    fs::write(studio.path("copy.db"), &flipped).unwrap();
    let shown = studio.compare();
    assert!(
        shown.errors.contains("table `customers`"),
        "{}",
        shown.errors
    );
}

#[test]
fn what_cannot_be_exported_is_told_and_leaves_nothing() {
    let Some(studio) = studio("delete") else {
        return;
    };
    let whole = fs::read(studio.file()).unwrap();
    let told = |words: &str| {
        let shown = studio.export();
        assert_eq!(shown.exit, Some(1), "{words}");
        assert!(shown.errors.contains(words), "{words}: {}", shown.errors);
        assert_eq!(fs::metadata(studio.path("copy.db")).unwrap().len(), 0);
        assert!(!studio.path("tables.json").exists());
    };
    // an index that does not fit its table: a page of zeros in the midst
    let mut damaged = whole.clone();
    let middle = whole.len() / 8192 * 4096;
    damaged[middle..middle + 4096].fill(0);
    fs::write(studio.file(), &damaged).unwrap();
    told("is malformed");
    fs::write(studio.file(), b"clay").unwrap();
    told("this is no file of SQLite 3");
    fs::remove_file(studio.file()).unwrap();
    told("No such file or directory");
}

#[test]
fn a_row_whose_foreign_key_leads_nowhere_is_told() {
    let Some(studio) = studio("delete") else {
        return;
    };
    studio.sql("DELETE FROM customers WHERE id = 5;");
    let shown = studio.export();
    assert_eq!(shown.exit, Some(0), "{}", shown.errors);
    assert!(
        shown
            .errors
            .contains("`orders` has rows whose foreign key leads nowhere"),
        "{}",
        shown.errors
    );
}

#[test]
fn memory_is_not_mounted_where_others_would_see_it() {
    let Some(studio) = studio("delete") else {
        return;
    };
    let mut command = Command::new(HAYLOFT);
    command
        .args(["dump-sqlite", "--file"])
        .arg(studio.file())
        .arg("--scratch")
        .arg(studio.path("scratch"))
        .arg("--tables")
        .arg(studio.path("tables.json"));
    let shown = Shown::of(&command.output().unwrap());
    assert_eq!(shown.exit, Some(1));
    assert!(shown.errors.contains("unshare --mount"), "{}", shown.errors);
}
