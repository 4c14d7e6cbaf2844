//! Absolute paths as they are written in a file.

use std::path::{Component, Path, PathBuf};

use super::Mistake;
use super::reading::{Table, check_secret_file};

pub const ABSOLUTE: &str = "an absolute path, such as \"/srv/studio\"";
pub const SECRET: &str = "the absolute path of a file that only its owner can read, mode 0600";

/// An absolute path without `..`. Doubled slashes, `.` and a slash at the end go.
pub fn absolute_path(text: &str) -> Result<PathBuf, Mistake> {
    let path = Path::new(text);
    if text.is_empty() {
        return Err(Mistake::new("the path is empty").allowed(ABSOLUTE));
    }
    if !path.is_absolute() {
        let mistake = Mistake::new(format!("`{text}` is not an absolute path")).allowed(ABSOLUTE);
        return Err(match text.strip_prefix('~') {
            Some(_) => mistake.help("`~` is not expanded: write the home folder in full"),
            None => mistake,
        });
    }
    no_parent(path)?;
    Ok(path.components().collect())
}

/// A path below some folder: not absolute and without `..`.
pub fn relative_file(text: &str) -> Result<PathBuf, Mistake> {
    let path = Path::new(text);
    if text.is_empty() || text.ends_with('/') || path.is_absolute() {
        return Err(Mistake::new(format!(
            "`{text}` is not a file name within the drive"
        )));
    }
    no_parent(path)?;
    Ok(path
        .components()
        .filter(|part| *part != Component::CurDir)
        .collect())
}

fn no_parent(path: &Path) -> Result<(), Mistake> {
    if path.components().any(|part| part == Component::ParentDir) {
        let shown = path.display();
        return Err(Mistake::new(format!("`{shown}` holds `..`"))
            .help("write the path it leads to: what `..` means changes with symbolic links"));
    }
    Ok(())
}

/// The path of a file that holds a secret; the file must be there and closed to others.
pub fn secret_file(text: &str) -> Result<PathBuf, Mistake> {
    let path = absolute_path(text)?;
    check_secret_file(&path)?;
    Ok(path)
}

pub fn read_secret_file(table: &mut Table<'_>, key: &'static str) -> Option<PathBuf> {
    table.optional(key, SECRET, secret_file)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_path_is_freed_of_what_means_nothing() {
        assert_eq!(
            absolute_path("/srv//studio/./").unwrap().as_os_str(),
            "/srv/studio"
        );
        assert_eq!(absolute_path("/").unwrap().as_os_str(), "/");
    }

    #[test]
    fn relative_paths_and_parents_are_refused() {
        for text in ["", "srv", "~/x", "/srv/../etc", "./x"] {
            assert!(absolute_path(text).is_err(), "{text}");
        }
        for text in ["", "/x", "../x", "a/../x", "a/"] {
            assert!(relative_file(text).is_err(), "{text}");
        }
    }

    proptest! {
        #[test]
        fn an_accepted_path_is_absolute_and_reads_back(text in "[a/.~]{0,10}") {
            if let Ok(path) = absolute_path(&text) {
                prop_assert!(path.is_absolute());
                prop_assert_eq!(absolute_path(path.to_str().unwrap()).unwrap(), path);
            }
        }
    }
}
