//! The filters that tell of an archive as it is written.

use std::fs::File;
use std::io::{self, BufWriter, stdin, stdout};
use std::os::fd::AsFd;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

use signal_hook::consts::SIGPIPE;

use super::seal::closing;
use super::settings::trouble;
use super::step_arguments::ListTarArguments;
use crate::exit::Exit;
use crate::prove::archive::{self, Listing};
use crate::restore::SealError;

/// As a pipe takes at once, if it is allowed that much.
const AHEAD: usize = 1 << 20;

pub fn list_tar(wanted: ListTarArguments) -> Exit {
    let listing = Listing {
        title: wanted.title,
        archive: wanted.archive,
        name: wanted.name,
        to: wanted.to,
        encrypt: closing(wanted.with),
        scratch: wanted.scratch,
        above: (wanted.above.iter())
            .map(|path| path.as_os_str().as_bytes().to_vec())
            .collect(),
    };
    let streams = streams().map_err(SealError::Stream);
    let listed = streams.and_then(|(input, output)| {
        let output = BufWriter::with_capacity(AHEAD, output);
        archive::list(input, output, &listing)
    });
    match listed {
        Ok(()) => Exit::Well,
        Err(error) => {
            if let SealError::Stream(error) = &error {
                end_by_a_broken_pipe(error);
            }
            trouble(&error)
        }
    }
}

pub fn sum(to: &Path) -> Exit {
    let summed = streams().and_then(|(input, output)| archive::sum(input, output, to));
    match summed {
        Ok(()) => Exit::Well,
        Err(error) => {
            end_by_a_broken_pipe(&error);
            trouble(&error)
        }
    }
}

/// Without what the standard library puts between: it would look for ends of lines in an archive.
fn streams() -> io::Result<(File, File)> {
    let own = (
        stdin().as_fd().try_clone_to_owned()?,
        stdout().as_fd().try_clone_to_owned()?,
    );
    for end in [&own.0, &own.1] {
        // less will do, and a file has none
        let _ = rustix::pipe::fcntl_setpipe_size(end, AHEAD);
    }
    Ok((own.0.into(), own.1.into()))
}

/// Ends as other filters do when who reads from them ended first: that one is the cause, not this one.
fn end_by_a_broken_pipe(error: &io::Error) {
    if error.kind() == io::ErrorKind::BrokenPipe {
        let _ = signal_hook::low_level::emulate_default_handler(SIGPIPE);
    }
}
