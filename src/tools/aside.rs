//! hayloft's own commands that set the folder or file of a service aside before another takes its place, and put it back.

use std::path::Path;

use crate::plan::{Argv, Owner};

/// Renames `place` to `aside`, and makes an empty folder with its owner and mode. One that is not there is made for `owner`.
pub fn set_aside(own_program: &Path, place: &Path, aside: &Path, owner: &Owner) -> Argv {
    Argv::new(own_program)
        .arg("set-aside")
        .arg(place)
        .option("--as", aside)
        .option("--owner", &owner.user)
}

/// Where `aside` is there: renames what is at `place` to `failed`, and `aside` to `place`.
pub fn put_back(own_program: &Path, place: &Path, aside: &Path, failed: &Path) -> Argv {
    Argv::new(own_program)
        .arg("put-back")
        .arg(place)
        .option("--from", aside)
        .option("--failed", failed)
}
