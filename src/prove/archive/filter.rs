//! What filters of a pipeline have in common: every byte that is read is handed on.

use std::io::{self, Read, Write};

/// Read at a time.
pub const PIECE: usize = 256 * 1024;

/// A reader that hands on what is read.
pub struct Tee<R, W> {
    pub input: R,
    pub output: W,
}

impl<R: Read, W: Write> Read for Tee<R, W> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.input.read(buffer)?;
        self.output.write_all(&buffer[..read])?;
        Ok(read)
    }
}

/// Reads to the end, and gives each piece to `take`.
///
/// # Errors
/// Those of `input` and of `take`.
pub fn hand_on(
    mut input: impl Read,
    mut take: impl FnMut(&[u8]) -> io::Result<()>,
) -> io::Result<()> {
    let mut buffer = vec![0; PIECE];
    loop {
        match input.read(&mut buffer) {
            Ok(0) => return Ok(()),
            Ok(read) => take(&buffer[..read])?,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}
