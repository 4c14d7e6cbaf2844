//! What is to be known of the service that a job exports.

use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use super::{database, settings_facts};
use crate::jobs::{Directory, Kind};
use crate::plan::{DirectoryFacts, Owner, ServiceFacts, Stop};
use crate::record::Outcome;
use crate::tools::slapd;

/// # Errors
/// Why it cannot be exported.
pub fn look(kind: &Kind) -> Result<ServiceFacts, Stop> {
    match kind {
        Kind::Directory(directory) => directory_facts(directory).map(ServiceFacts::Directory),
        Kind::Database { engine, .. } => database::look(engine).map(ServiceFacts::Database),
        Kind::Settings { .. } => settings_facts::look().map(ServiceFacts::Settings),
        Kind::History | Kind::Mirror | Kind::Archive { .. } | Kind::Clone { .. } => {
            Ok(ServiceFacts::None)
        }
    }
}

fn directory_facts(directory: &Directory) -> Result<DirectoryFacts, Stop> {
    let owner = owner_of_config(&directory.config)?;
    let argv = slapd::version();
    // it is missing_programs that tells of one that is not there
    let told = duct::cmd(&argv.program, &argv.args)
        .stderr_to_stdout()
        .unchecked()
        .read()
        .unwrap_or_default();
    Ok(DirectoryFacts {
        version: slapd::read_version(&told).unwrap_or_default(),
        owner,
    })
}

/// Whose the configuration is.
fn owner_of_config(config: &Path) -> Result<Owner, Stop> {
    let shown = config.display();
    let missing = |reason: String| {
        Stop::new(Outcome::SourceMissing, reason)
            .advise("nothing was copied, and what the drive holds is untouched")
    };
    let found = std::fs::metadata(config).map_err(|error| {
        let stop = missing(format!(
            "the configuration of the directory service, `{shown}`, cannot be read: {error}"
        ));
        match error.kind() {
            io::ErrorKind::NotFound => {
                stop.advise("is slapd installed? `config` in the job file says where it lies")
            }
            _ => stop.advise("hayloft must run as root"),
        }
    })?;
    if !found.is_dir() {
        return Err(missing(format!(
            "`{shown}` is a file, and `config` must be a folder as in slapd-config(5)"
        ))
        .advise(
            "slaptest(8) makes such a folder of a slapd.conf(5): `slaptest -f FILE -F FOLDER`",
        ));
    }
    let user = uzers::get_user_by_uid(found.uid()).ok_or_else(|| {
        missing(format!(
            "`{shown}` belongs to number {}, which is no account of this server",
            found.uid()
        ))
    })?;
    Ok(Owner {
        user: user.name().to_string_lossy().into_owned(),
        group: user.primary_group_id().to_string(),
    })
}
