//! What is looked at before a restore begins: that its paths and its target make sense.

use std::io::ErrorKind;
use std::os::unix::ffi::OsStrExt;
use std::path::{Component, Path, PathBuf};

use super::arguments::RestoreArguments;
use crate::exit::Exit;
use crate::plan::{Base, Landing};
use crate::record::{Form, Generation};
use crate::report::safe_name;

/// # Errors
/// [`Exit::Usage`], after telling, when a path is not one of the source.
pub fn check_paths(wanted: &RestoreArguments) -> Result<(), Exit> {
    let wrong = |path: &&PathBuf| {
        !path.is_absolute() || path.components().any(|part| part == Component::ParentDir)
    };
    if let Some(path) = wanted.paths.iter().find(wrong) {
        eprintln!(
            "error: `{}` must be a path from the root of the source, such as `/srv/studio/orders`",
            safe_name(path.as_os_str().as_bytes())
        );
        return Err(Exit::Usage);
    }
    Ok(())
}

/// What lies in a drive's own folder is shared between generations, and whatever is put there is no source.
///
/// # Errors
/// [`Exit::Usage`], after telling, when `to` is below the `hayloft` folder of a local drive.
pub fn check_target(landing: &Landing, to: &Path) -> Result<(), Exit> {
    let Base::Local(path) = &landing.base else {
        return Ok(());
    };
    // the folder itself may be still to be made
    let existing = to.ancestors().find_map(|part| part.canonicalize().ok());
    let copies = path.canonicalize().unwrap_or_else(|_| path.clone());
    let copies = copies.join("hayloft");
    if !existing.is_some_and(|part| part.starts_with(&copies)) {
        return Ok(());
    }
    eprintln!(
        "error: `{}` is among the copies on drive `{}`: nothing may be changed there; give `--to` another folder",
        safe_name(to.as_os_str().as_bytes()),
        landing.drive
    );
    Err(Exit::Usage)
}

/// Names each path that a copy made of plain files does not hold; of archives and on other hosts, the tool tells.
///
/// # Errors
/// [`Exit::Trouble`], after telling, when one is not there.
pub fn check_they_are_there(
    landing: &Landing,
    generation: &Generation,
    wanted: &RestoreArguments,
) -> Result<(), Exit> {
    let (Base::Local(path), Form::Tree | Form::Current) = (&landing.base, generation.form) else {
        return Ok(());
    };
    let root = path
        .join(&landing.folder)
        .join(generation.form.entry(generation.name));
    let is_missing = |wanted: &&PathBuf| {
        let below = wanted.strip_prefix("/").unwrap_or(wanted);
        let found = root.join(below).symlink_metadata();
        found.is_err_and(|error| error.kind() == ErrorKind::NotFound)
    };
    let mut exit = Ok(());
    for missing in wanted.paths.iter().filter(is_missing) {
        eprintln!(
            "error: `{}` is not in {} of `{}`; `--from` takes an earlier one",
            safe_name(missing.as_os_str().as_bytes()),
            generation.name,
            wanted.job
        );
        exit = Err(Exit::Trouble);
    }
    exit
}
