//! Which programs are on PATH.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};

use rustix::fs::{Access, access};

/// The programs among `wanted` that PATH does not have.
pub fn missing<'a>(wanted: &[&'a str]) -> Vec<&'a str> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    wanted
        .iter()
        .copied()
        .filter(|name| find(OsStr::new(name), &path).is_none())
        .collect()
}

/// The file that a program name stands for. A name with a slash is a path already.
pub fn find(name: &OsStr, path: &OsStr) -> Option<PathBuf> {
    if Path::new(name).components().count() > 1 {
        return is_program(Path::new(name)).then(|| name.into());
    }
    std::env::split_paths(path)
        .map(|folder| folder.join(name))
        .find(|file| is_program(file))
}

fn is_program(file: &Path) -> bool {
    file.is_file() && access(file, Access::EXEC_OK).is_ok()
}
