//! Where the indexes of a job's source lie: one for the newest generation on each drive.

use std::io;
use std::path::{Path, PathBuf};

use crate::jobs::Name;
use crate::record::GenerationName;
use crate::tree::index::NewIndex;

/// The folder for one job on one drive.
pub fn folder(state_dir: &Path, drive: &Name, job: &Name) -> PathBuf {
    state_dir
        .join("indexes")
        .join(drive.as_str())
        .join(job.as_str())
}

pub fn path(folder: &Path, generation: GenerationName) -> PathBuf {
    folder.join(format!("{generation}.index"))
}

/// The generations that are indexed, whole or not.
pub fn list(folder: &Path) -> Vec<GenerationName> {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return Vec::new();
    };
    let name = |entry: io::Result<std::fs::DirEntry>| {
        let name = entry.ok()?.file_name();
        GenerationName::parse(name.to_str()?.strip_suffix(".index")?).ok()
    };
    entries.filter_map(name).collect()
}

/// # Errors
/// When the file or its folder cannot be made.
pub fn create(folder: &Path, generation: GenerationName) -> io::Result<NewIndex> {
    make(folder)?;
    NewIndex::create(&path(folder, generation))
}

/// A new index of which nothing is left when it is dropped.
///
/// # Errors
/// When the file or its folder cannot be made.
pub fn passing(folder: &Path) -> io::Result<NewIndex> {
    make(folder)?;
    let path = folder.join("passing.index");
    let index = NewIndex::create(&path)?;
    std::fs::remove_file(&path)?;
    Ok(index)
}

/// A new index that is to take the place of `path`, when [`put_in_place`] says so.
///
/// # Errors
/// When the file or its folder cannot be made.
pub fn renew(path: &Path) -> io::Result<NewIndex> {
    make(path.parent().unwrap_or(path))?;
    NewIndex::create(&path.with_extension("index.new"))
}

/// # Errors
/// When it cannot be renamed.
pub fn put_in_place(path: &Path) -> io::Result<()> {
    std::fs::rename(path.with_extension("index.new"), path)
}

/// Makes the folder, readable by its owner only.
///
/// # Errors
/// When it cannot be made.
pub fn make(folder: &Path) -> io::Result<()> {
    let mut builder = std::fs::DirBuilder::new();
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.recursive(true).create(folder)
}

/// Removes all but that of one generation.
///
/// # Errors
/// When one cannot be removed.
pub fn keep_only(folder: &Path, generation: GenerationName) -> io::Result<()> {
    for other in list(folder) {
        if other != generation {
            std::fs::remove_file(path(folder, other))?;
        }
    }
    Ok(())
}
