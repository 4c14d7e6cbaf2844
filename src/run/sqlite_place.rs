//! Gives a file of SQLite that was loaded beside the live one its place, keeps the live one, and back.

use std::fs::{self, File};
use std::io;
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
        }
        Err(error) => return Err(error),
    }
    rename_new(loaded, file)?;
    flush_above(file)
}

/// Whatever was done of [`place`]: the live file is in its place again, and what was loaded is removed. May be done twice.
///
/// # Errors
/// When the system says no.
pub fn put_back(file: &Path, loaded: &Path, before: &Path) -> io::Result<()> {
    if before.exists() {
        if file.exists() {
            rename_with_companions(file, loaded)?;
        }
        rename_with_companions(before, file)?;
    }
    for ending in COMPANIONS.into_iter().chain([""]) {
        match fs::remove_file(beside(loaded, ending)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
    }
    flush_above(file)
}

/// The companions first: a database without its journal is not whole, a journal without its database is nothing.
fn rename_with_companions(from: &Path, to: &Path) -> io::Result<()> {
    for ending in COMPANIONS {
        if beside(from, ending).exists() {
            rename_new(&beside(from, ending), &beside(to, ending))?;
        }
    }
    rename_new(from, to)
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
            assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
        }
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
