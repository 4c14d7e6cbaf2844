//! Whether the folder of a service can make way for another, before anything is stopped for it.

use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use crate::plan::Stop;
use crate::record::Outcome;

/// # Errors
/// Why it cannot be renamed, and what to do.
pub fn check(folder: &Path) -> Result<(), Stop> {
    let shown = folder.display();
    let stop = |reason: String, advice: &str| {
        Err(Stop::new(Outcome::Failed, reason)
            .advise("nothing was changed")
            .advise(advice.to_owned()))
    };
    if !folder.is_absolute() {
        return stop(
            format!(
                "the configuration names the folder `{shown}`, which depends on where slapd is started"
            ),
            "write `olcDbDirectory` in full, and export again",
        );
    }
    let above = folder.parent().unwrap_or(folder);
    let Ok(above_found) = fs::metadata(above) else {
        return stop(
            format!(
                "`{}`, in which `{shown}` is to lie, is not there",
                above.display()
            ),
            "make it, or mount what it is on",
        );
    };
    match fs::symlink_metadata(folder) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(error) => stop(
            format!("`{shown}`: {error}"),
            "look at its disk and `dmesg`",
        ),
        Ok(found) if !found.is_dir() => stop(
            format!("`{shown}` is no folder of its own, but a link or file"),
            "name the folder that it leads to in the configuration or in the job file",
        ),
        Ok(found) if found.dev() != above_found.dev() => stop(
            format!("a file system is mounted at `{shown}`, so that it cannot be renamed"),
            "mount that one a level higher, so that the folder is one within it",
        ),
        Ok(_) => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    fn refused(folder: &Path, words: &str) {
        let reason = check(folder).unwrap_err().reason;
        assert!(reason.contains(words), "{reason}");
    }

    #[test]
    fn a_folder_that_could_not_make_way_is_refused_beforehand() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        fs::create_dir(path("data")).unwrap();
        check(&path("data")).unwrap();
        check(&path("new")).unwrap();
        symlink(path("data"), path("link")).unwrap();
        refused(&path("link"), "a link or file");
        refused(&path("none/data"), "is not there");
        refused(Path::new("./openldap-data"), "where slapd is started");
        // proc(5) is one of its own on every Linux
        refused(Path::new("/proc"), "is mounted");
    }
}
