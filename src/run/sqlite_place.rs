//! Gives a file of SQLite that was loaded beside the live one its place, keeps the live one, and back.

use std::ffi::OsString;
use std::fs::{self, File};
use std::io;
use std::os::unix::ffi::OsStringExt;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::path::{Path, PathBuf};

use super::aside::{flush_above, nobody_works_on, rename_new};

/// What SQLite keeps beside a database, and what belongs to it (<https://www.sqlite.org/tempfiles.html>).
const COMPANIONS: [&str; 3] = ["-journal", "-wal", "-shm"];

/// `loaded` gets owner and mode of the live file, and takes its place; the live one is kept as `before`.
///
/// # Errors
/// When a process has the live file open, a name is taken, or the system says no.
pub fn place(file: &Path, loaded: &Path, before: &Path) -> io::Result<()> {
    match fs::metadata(file) {
        Ok(found) => {
            nobody_works_on(file)?;
            fs::set_permissions(loaded, fs::Permissions::from_mode(found.mode() & 0o7777))?;
            chown(loaded, Some(found.uid()), Some(found.gid()))?;
            File::open(loaded)?.sync_all()?;
            rename_with_companions(file, before)?;
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            File::open(loaded)?.sync_all()?;
            // of a database that is gone: they would be taken for those of this one
            rename_companions(file, before)?;
        }
        Err(error) => return Err(error),
    }
    rename_new(loaded, file)?;
    flush_above(file)
}

/// Whatever was done of [`place`]: the live file is in its place again. What had its place is kept beside; what was only
/// loaded is removed. May be done twice.
///
/// # Errors
/// When a process has the file open, or the system says no.
pub fn put_back(file: &Path, loaded: &Path, before: &Path) -> io::Result<()> {
    if before.exists() {
        if file.exists() {
            nobody_works_on(file)?;
            rename_with_companions(file, &failed_name(before))?;
        }
        rename_with_companions(before, file)?;
    } else if file.exists() {
        // it was cut short between what belongs to it and the file itself
        rename_companions(before, file)?;
    }
    for ending in COMPANIONS.into_iter().chain([""]) {
        match fs::remove_file(beside(loaded, ending)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
    }
    flush_above(file)
}

/// `studio.db.failed-T` of `studio.db.before-T`.
fn failed_name(before: &Path) -> PathBuf {
    let bytes = before.as_os_str().as_encoded_bytes();
    let word = b".before";
    let at = bytes.windows(word.len()).rposition(|some| some == word);
    let Some(at) = at else {
        return beside(before, ".failed");
    };
    let name = [&bytes[..at], b".failed", &bytes[at + word.len()..]].concat();
    OsString::from_vec(name).into()
}

/// The companions first: a database without its journal is not whole, a journal without its database is nothing.
fn rename_with_companions(from: &Path, to: &Path) -> io::Result<()> {
    rename_companions(from, to)?;
    rename_new(from, to)
}

fn rename_companions(from: &Path, to: &Path) -> io::Result<()> {
    for ending in COMPANIONS {
        if beside(from, ending).exists() {
            rename_new(&beside(from, ending), &beside(to, ending))?;
        }
    }
    Ok(())
}

fn beside(file: &Path, ending: &str) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(ending);
    name.into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_placed_is_put_back_with_what_belongs_to_it() {
        let folder = tempfile::tempdir().unwrap();
        let [file, loaded, before] =
            ["db", "db.loading", "db.before"].map(|n| folder.path().join(n));
        for (path, text) in [
            (&file, "old"),
            (&beside(&file, "-wal"), "old wal"),
            (&loaded, "new"),
        ] {
            fs::write(path, text).unwrap();
        }
        place(&file, &loaded, &before).unwrap();
        assert_eq!(fs::read(&file).unwrap(), b"new");
        assert!(!beside(&file, "-wal").exists());
        for _ in 0..2 {
            put_back(&file, &loaded, &before).unwrap();
            assert_eq!(fs::read(&file).unwrap(), b"old");
            assert_eq!(fs::read(beside(&file, "-wal")).unwrap(), b"old wal");
            assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 3);
        }
        // somebody may have written to it
        assert_eq!(fs::read(folder.path().join("db.failed")).unwrap(), b"new");
    }

    #[test]
    fn a_placing_that_was_cut_short_between_a_file_and_its_journal_is_undone() {
        let folder = tempfile::tempdir().unwrap();
        let [file, loaded, before] =
            ["db", "db.loading", "db.before"].map(|n| folder.path().join(n));
        fs::write(&file, "old").unwrap();
        fs::write(beside(&before, "-wal"), "old wal").unwrap();
        fs::write(&loaded, "new").unwrap();
        put_back(&file, &loaded, &before).unwrap();
        assert_eq!(fs::read(beside(&file, "-wal")).unwrap(), b"old wal");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
    }

    #[test]
    fn a_journal_of_a_file_that_is_gone_is_not_taken_for_that_of_the_loaded_one() {
        let folder = tempfile::tempdir().unwrap();
        let [file, loaded, before] =
            ["db", "db.loading", "db.before"].map(|n| folder.path().join(n));
        fs::write(beside(&file, "-journal"), "of another").unwrap();
        fs::write(&loaded, "new").unwrap();
        place(&file, &loaded, &before).unwrap();
        assert!(!beside(&file, "-journal").exists());
        assert!(beside(&before, "-journal").exists());
    }

    #[test]
    fn a_file_that_somebody_works_on_stays_in_its_place() {
        let folder = tempfile::tempdir().unwrap();
        let [file, loaded, before] =
            ["db", "db.loading", "db.before"].map(|n| folder.path().join(n));
        fs::write(&file, "old").unwrap();
        fs::write(&loaded, "new").unwrap();
        let _open = File::open(&file).unwrap();
        assert!(place(&file, &loaded, &before).is_err());
        assert_eq!(fs::read(&file).unwrap(), b"old");
    }
}
