//! zstd(1): compresses and expands a stream.

use crate::plan::Argv;

/// All cores; the frame carries a checksum of its content (zstd(1), `--check`).
pub fn compress() -> Argv {
    Argv::new("zstd").args(["-q", "-T0", "--check", "-c"])
}

pub fn expand() -> Argv {
    Argv::new("zstd").args(["-q", "-d", "-c"])
}
