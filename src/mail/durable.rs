//! Files that are whole or absent, also after a power cut.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::Path;

/// Writes `folder/name` under a `.partial` name, flushes it and renames it into place; only its
/// owner can read it.
pub(super) fn write_whole(folder: &Path, name: &str, content: &[u8]) -> io::Result<()> {
    let partial = folder.join(format!("{name}.partial"));
    // A leftover of a cut-short write, perhaps with other permissions.
    match fs::remove_file(&partial) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let mut file = OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(&partial)?;
    let written = file.write_all(content).and_then(|()| file.sync_all());
    if let Err(error) = written.and_then(|()| fs::rename(&partial, folder.join(name))) {
        let _ = fs::remove_file(&partial);
        return Err(error);
    }
    sync_folder(folder)
}

/// A rename or removal counts after a power cut only once its folder is flushed (fsync(2)).
pub(super) fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

/// A folder only its owner can look into, with its parents.
pub(super) fn make_private_folder(folder: &Path) -> io::Result<()> {
    fs::DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(folder)
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    #[test]
    fn a_written_file_is_private_and_leaves_nothing_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("a.json.partial"), "left over").unwrap();
        write_whole(folder.path(), "a.json", b"one").unwrap();
        write_whole(folder.path(), "a.json", b"two").unwrap();
        let names: Vec<_> = fs::read_dir(folder.path())
            .unwrap()
            .map(|entry| entry.unwrap().file_name())
            .collect();
        assert_eq!(names, ["a.json"]);
        let path = folder.path().join("a.json");
        assert_eq!(fs::read(&path).unwrap(), b"two");
        let mode = fs::metadata(&path).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
    }
}
