//! Who works on a folder: proc(5), the files that processes have open.

use std::fs;
use std::path::{Path, PathBuf};

/// A process with a file open.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct User {
    pub process: u32,
    pub name: String,
    pub file: PathBuf,
}

/// A process that has something at or below `place` open. Those that cannot be looked at, or end meanwhile, are passed over.
pub fn user_of(place: &Path) -> Option<User> {
    let place = place.canonicalize().ok()?;
    let processes = fs::read_dir("/proc").ok()?.flatten();
    let numbers = processes.filter_map(|entry| entry.file_name().to_str()?.parse().ok());
    numbers
        .into_iter()
        .find_map(|process| in_process(process, &place))
}

fn in_process(process: u32, place: &Path) -> Option<User> {
    let folder = PathBuf::from(format!("/proc/{process}"));
    let open = fs::read_dir(folder.join("fd")).ok()?.flatten();
    let file = open
        .filter_map(|entry| fs::read_link(entry.path()).ok())
        .find(|file| file.starts_with(place))?;
    let name = fs::read_to_string(folder.join("comm")).unwrap_or_default();
    Some(User {
        process,
        name: name.trim_end().to_owned(),
        file,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_process_with_a_file_open_below_a_folder_is_found_until_it_closes_it() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(user_of(folder.path()), None);
        let path = folder.path().join("data.mdb");
        let file = fs::File::create(&path).unwrap();
        let user = user_of(folder.path()).unwrap();
        assert_eq!(user.process, std::process::id());
        assert_eq!(user.file, path.canonicalize().unwrap());
        drop(file);
        assert_eq!(user_of(folder.path()), None);
    }
}
