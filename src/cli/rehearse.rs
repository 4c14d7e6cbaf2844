//! `hayloft rehearse`: an export is loaded into a service made for the purpose, and compared.

use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Command;

use super::arguments::RehearseArguments;
use super::run::{Mailing, Session};
use super::secret::secret;
use super::settings::{Settings, job_named, trouble};
use super::tell;
use crate::exit::Exit;
use crate::jobs::{Config, Job, Size};
use crate::run::{Aim, ExportWanted};

/// Where the service made for the purpose lies. Its accounts must come there, and the path of its socket be short (unix(7)).
const PLACE: &str = "/run/hayloft";

pub fn rehearse(settings: &Settings, wanted: &RehearseArguments) -> Exit {
    if !wanted.apart {
        return apart();
    }
    try_rehearse(settings, wanted).unwrap_or_else(|exit| exit)
}

/// Begins this program once more, with mounts and processes of its own: whatever ends it, nothing of the rehearsal is
/// left, and nothing outside sees what is in it. Mounts that go away outside go away here too.
fn apart() -> Exit {
    let own_program = match std::env::current_exe() {
        Ok(path) => path,
        Err(error) => return trouble(&error),
    };
    if let Err(error) = std::fs::create_dir_all(PLACE) {
        return trouble(&format!("cannot make `{PLACE}`: {error}"));
    }
    let error = Command::new("unshare")
        .args(["--mount", "--propagation", "slave", "--pid", "--fork"])
        .args(["--kill-child", "--mount-proc", "--"])
        .arg(own_program)
        .args(std::env::args_os().skip(1))
        .arg("--apart")
        .exec();
    trouble(&format!("cannot start `unshare` (util-linux): {error}"))
}

fn try_rehearse(settings: &Settings, wanted: &RehearseArguments) -> Result<Exit, Exit> {
    if !is_apart() {
        eprintln!("error: `--apart` is for hayloft itself: leave it out");
        return Err(Exit::Usage);
    }
    let config = settings.config()?;
    let job = job_named(&config, &wanted.job)?;
    if !job.kind.name().is_export() {
        eprintln!(
            "error: `{}` is of kind `{}`: only exports can be rehearsed yet",
            job.name,
            job.kind.name()
        );
        return Err(Exit::Usage);
    }
    go(settings, &config, job, wanted)
}

fn go(
    settings: &Settings,
    config: &Config,
    job: &Job,
    wanted: &RehearseArguments,
) -> Result<Exit, Exit> {
    let secret = secret(job, &wanted.secret)?;
    let store = settings.store(config)?;
    tell::damage(settings, config, &store).map_err(|error| trouble(&error))?;
    let session = Session::begin(settings, config, &store, Mailing::AtOnce)
        .map_err(|error| trouble(&error))?;
    let wish = ExportWanted {
        job,
        from: wanted.generation,
        opener: secret.opener.clone(),
        aim: Aim::Rehearse {
            folder: PLACE.into(),
            most: wanted.space.map(Size::bytes),
        },
    };
    let run = session
        .runner()
        .with_export(&wish)
        .map_err(|error| trouble(&error))?;
    Ok(session.tell(&run))
}

/// Whether mounts made here stay here.
fn is_apart() -> bool {
    let of = |process: &str| std::fs::read_link(Path::new("/proc").join(process).join("ns/mnt"));
    // the first process of a place of its own is hayloft itself
    std::process::id() == 1 && of("self").is_ok()
}
