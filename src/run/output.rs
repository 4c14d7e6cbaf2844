//! Reads what child processes write, line by line, in threads of their own.

use std::fs::File;
use std::io::Read;
use std::os::fd::OwnedFd;
use std::sync::mpsc::SyncSender;
use std::thread;

/// One line, or progress text that ended in a carriage return.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Heard {
    Out(String),
    Error(String),
}

/// A line longer than this is handed on in parts: a child must not fill our memory.
const LONGEST: usize = 64 * 1024;

/// Reads `pipe` to its end and sends each line as `wrap` says.
pub fn listen(pipe: OwnedFd, sender: SyncSender<Heard>, wrap: fn(String) -> Heard) {
    thread::spawn(move || {
        let mut pipe = File::from(pipe);
        let mut lines = Lines::default();
        let mut buffer = [0; 16 * 1024];
        while let Ok(count) = pipe.read(&mut buffer) {
            if count == 0 {
                break;
            }
            lines.push(&buffer[..count], |line| sender.send(wrap(line)).is_ok());
        }
        lines.finish(|line| sender.send(wrap(line)).is_ok());
    });
}

/// Splits bytes at `\n` and `\r`.
#[derive(Debug, Default)]
struct Lines {
    rest: Vec<u8>,
}

impl Lines {
    fn push(&mut self, bytes: &[u8], mut send: impl FnMut(String) -> bool) {
        for &byte in bytes {
            if byte == b'\n' || byte == b'\r' || self.rest.len() >= LONGEST {
                self.flush(&mut send);
            }
            if byte != b'\n' && byte != b'\r' {
                self.rest.push(byte);
            }
        }
    }

    fn finish(mut self, mut send: impl FnMut(String) -> bool) {
        self.flush(&mut send);
    }

    fn flush(&mut self, send: &mut impl FnMut(String) -> bool) {
        if !self.rest.is_empty() {
            send(String::from_utf8_lossy(&self.rest).into_owned());
            self.rest.clear();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn split(chunks: &[&[u8]]) -> Vec<String> {
        let mut found = Vec::new();
        let mut lines = Lines::default();
        for chunk in chunks {
            lines.push(chunk, |line| {
                found.push(line);
                true
            });
        }
        lines.finish(|line| {
            found.push(line);
            true
        });
        found
    }

    #[test]
    fn lines_are_put_together_across_reads_and_progress_counts_as_lines() {
        assert_eq!(
            split(&[b"one\ntw", b"o\r 12%\r", b"\nlast"]),
            ["one", "two", " 12%", "last"]
        );
    }

    #[test]
    fn a_line_without_end_is_handed_on_in_parts() {
        let long = vec![b'x'; LONGEST * 2 + 5];
        let lengths: Vec<usize> = split(&[&long]).iter().map(String::len).collect();
        assert_eq!(lengths, [LONGEST, LONGEST, 5]);
    }
}
