//! Standard output and standard error that may go away: `hayloft status | head -1`, a closed terminal, a full disk.
//!
//! The macros of the standard library panic then, which would cut a run short between stopping a service and
//! starting it again. Those defined here have the same names, so that no room can use the others by mistake.

use std::fmt::Arguments;
use std::io::{self, ErrorKind, Write};
use std::sync::atomic::{AtomicI32, Ordering};

macro_rules! print {
    ($($words:tt)*) => { $crate::terminal::out(format_args!($($words)*)) };
}

macro_rules! println {
    ($($words:tt)*) => { $crate::terminal::out(format_args!("{}\n", format_args!($($words)*))) };
}

macro_rules! eprintln {
    ($($words:tt)*) => { $crate::terminal::err(format_args!("{}\n", format_args!($($words)*))) };
}

/// The number (errno(3)) of the first error that lost something; 0 for none.
static LOST: AtomicI32 = AtomicI32::new(0);

/// Writes to standard output. That nobody reads any more is no error; any other is kept for [`end`].
pub(crate) fn out(words: Arguments<'_>) {
    keep(io::stdout().lock().write_fmt(words));
}

/// Writes to standard error; there is nowhere to tell that it failed.
pub(crate) fn err(words: Arguments<'_>) {
    let _ = io::stderr().lock().write_fmt(words);
}

/// Flushes standard output.
///
/// # Errors
/// When something could not be written to it though it was wanted, such as to a full disk.
pub(crate) fn end() -> io::Result<()> {
    keep(io::stdout().lock().flush());
    match LOST.load(Ordering::Relaxed) {
        0 => Ok(()),
        number => Err(io::Error::from_raw_os_error(number)),
    }
}

fn keep(written: io::Result<()>) {
    if let Err(error) = written
        && error.kind() != ErrorKind::BrokenPipe
    {
        let unknown = rustix::io::Errno::IO.raw_os_error();
        let number = error.raw_os_error().unwrap_or(unknown);
        let _ = LOST.compare_exchange(0, number, Ordering::Relaxed, Ordering::Relaxed);
    }
}
