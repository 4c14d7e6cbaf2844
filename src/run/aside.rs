//! Sets the folder of a service aside, so that another can take its place, and puts it back.

use std::fs::{self, File};
use std::io;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::path::Path;

use crate::system::in_use::user_of;

/// Renames `place` to `aside`, and makes an empty folder with the same owner and mode. Where there is none, one is made
/// that belongs to `owner` and is closed to others. Flushed when it is done.
///
/// # Errors
/// When a process works on it, `aside` is there already, or the system says no; then all is as it was.
pub fn set_aside(place: &Path, aside: &Path, owner: &str) -> io::Result<()> {
    let account = uzers::get_user_by_name(owner)
        .ok_or_else(|| io::Error::other(format!("there is no account `{owner}`")))?;
    let (user, group, mode) = match fs::symlink_metadata(place) {
        Ok(found) if !found.is_dir() => {
            let words = format!("`{}` is no folder", place.display());
            return Err(io::Error::other(words));
        }
        Ok(found) => {
            nobody_works_on(place)?;
            rename_new(place, aside)?;
            (found.uid(), found.gid(), found.mode() & 0o7777)
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            (account.uid(), account.primary_group_id(), 0o700)
        }
        Err(error) => return Err(named(place, &error)),
    };
    fs::create_dir(place).map_err(|error| named(place, &error))?;
    fs::set_permissions(place, fs::Permissions::from_mode(mode))?;
    chown(place, Some(user), Some(group))?;
    flush_above(place)
}

/// Where `aside` is there: renames what is at `place` to `failed`, and `aside` to `place`. Gives whether it was.
///
/// # Errors
/// When the system says no.
pub fn put_back(place: &Path, aside: &Path, failed: &Path) -> io::Result<bool> {
    match fs::symlink_metadata(aside) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(false),
        found => found.map_err(|error| named(aside, &error))?,
    };
    nobody_works_on(place)?;
    match rename_new(place, failed) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        renamed => renamed?,
    }
    rename_new(aside, place)?;
    flush_above(place)?;
    Ok(true)
}

pub(super) fn nobody_works_on(place: &Path) -> io::Result<()> {
    match user_of(place) {
        None => Ok(()),
        Some(user) => {
            let words = format!(
                "process {} ({}) still has `{}` open: stop it first",
                user.process,
                user.name,
                user.file.display()
            );
            Err(io::Error::new(io::ErrorKind::ResourceBusy, words))
        }
    }
}

/// Never over anything: renameat2(2), `RENAME_NOREPLACE`.
pub(super) fn rename_new(from: &Path, to: &Path) -> io::Result<()> {
    let here = rustix::fs::CWD;
    let flags = rustix::fs::RenameFlags::NOREPLACE;
    rustix::fs::renameat_with(here, from, here, to, flags).map_err(|error| {
        let error = io::Error::from(error);
        let words = format!(
            "cannot rename `{}` to `{}`: {error}",
            from.display(),
            to.display()
        );
        io::Error::new(error.kind(), words)
    })
}

pub(super) fn flush_above(place: &Path) -> io::Result<()> {
    let above = place.parent().unwrap_or(place);
    File::open(above)?.sync_all()
}

fn named(path: &Path, error: &io::Error) -> io::Error {
    io::Error::new(error.kind(), format!("`{}`: {error}", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn owner() -> String {
        let user = uzers::get_user_by_uid(uzers::get_current_uid()).unwrap();
        user.name().to_str().unwrap().to_owned()
    }

    #[test]
    fn what_was_set_aside_comes_back_and_what_took_its_place_is_kept() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        let (place, aside, failed) = (path("data"), path("data.before"), path("data.failed"));
        fs::create_dir(&place).unwrap();
        fs::set_permissions(&place, fs::Permissions::from_mode(0o750)).unwrap();
        fs::write(place.join("old"), "").unwrap();
        set_aside(&place, &aside, &owner()).unwrap();
        assert_eq!(fs::metadata(&place).unwrap().mode() & 0o7777, 0o750);
        assert_eq!(fs::read_dir(&place).unwrap().count(), 0);
        fs::write(place.join("new"), "").unwrap();
        // a second one must not bury the first
        assert!(set_aside(&place, &aside, &owner()).is_err());
        assert!(put_back(&place, &aside, &failed).unwrap());
        assert!(place.join("old").exists() && failed.join("new").exists());
        // it may be asked for twice, by the run and by the next start
        assert!(!put_back(&place, &aside, &failed).unwrap());
        assert!(place.join("old").exists());
    }

    #[test]
    fn a_folder_that_somebody_works_on_is_not_set_aside() {
        let folder = tempfile::tempdir().unwrap();
        let place = folder.path().join("data");
        fs::create_dir(&place).unwrap();
        let _open = File::create(place.join("data.mdb")).unwrap();
        let error = set_aside(&place, &folder.path().join("aside"), &owner()).unwrap_err();
        assert!(error.to_string().contains("data.mdb` open"), "{error}");
        assert!(place.join("data.mdb").exists());
    }
}
