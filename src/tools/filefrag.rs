//! filefrag(8) of e2fsprogs: where the blocks of files lie, as the kernel tells by FIEMAP
//! (Documentation/filesystems/fiemap.rst of Linux).

use std::ffi::OsString;
use std::os::unix::ffi::OsStrExt;
use std::path::PathBuf;

use crate::plan::Argv;

/// A run of blocks that more than one file, or one file twice, holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SharedExtent {
    /// In bytes, within the file system.
    pub start: u64,
    /// In bytes; of what is compressed, before compression.
    pub length: u64,
    pub storage: Storage,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Storage {
    Plain,
    /// Compressed: it begins at `start`, but takes less than `length`.
    Encoded,
}

/// Asks for all extents of these files, in bytes. The paths must be absolute: what it prints is told apart by them.
pub fn extents_of(files: &[PathBuf]) -> Argv {
    Argv::new("filefrag").args(["-v", "-b1"]).args(files)
}

/// The shared extents of each of `files`, in their order, from what [`extents_of`] printed. A file that could not be
/// looked at is `None`.
pub fn shared_extents(files: &[PathBuf], printed: &[u8]) -> Vec<Option<Vec<SharedExtent>>> {
    let mut rest = printed;
    let mut of_file = |file: &PathBuf| {
        let mut heading = OsString::from("File size of ");
        heading.push(file);
        heading.push(" is ");
        let (begin, mut end) = (find(rest, heading.as_bytes())?, OsString::from(file));
        end.push(": ");
        let text = &rest[begin + heading.len()..];
        let stop = find(text, end.as_bytes())?;
        rest = &text[stop..];
        let lines = text[..stop].split(|byte| *byte == b'\n');
        Some(lines.filter_map(shared_extent).collect())
    };
    files.iter().map(&mut of_file).collect()
}

/// Reads `   0:        0..   40959:  117465088.. 117506047:  40960:             last,shared,eof`; after the length may
/// stand where the extent was expected to lie.
fn shared_extent(line: &[u8]) -> Option<SharedExtent> {
    let line = str::from_utf8(line).ok()?;
    let mut fields = line.split(':');
    let place = fields.nth(2)?;
    let length = fields.next()?.trim().parse().ok()?;
    let flags: Vec<&str> = fields.next_back()?.trim().split(',').collect();
    let start = place.split_once("..")?.0.trim().parse().ok()?;
    flags.contains(&"shared").then(|| SharedExtent {
        start,
        length,
        storage: if flags.contains(&"encoded") {
            Storage::Encoded
        } else {
            Storage::Plain
        },
    })
}

fn find(text: &[u8], wanted: &[u8]) -> Option<usize> {
    text.windows(wanted.len()).position(|part| part == wanted)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Printed by filefrag 1.47.0 on btrfs and xfs; `/b` was gone when it was looked at.
    const PRINTED: &str = "Filesystem type is: 9123683e
File size of /a is 1000 (4096 block of 1 bytes)
 ext:     logical_offset:        physical_offset: length:   expected: flags:
   0:        0..    4095:          0..      4095:   4096:             last,not_aligned,inline,eof
/a: 1 extent found
File size of /c\nd is 400000 (401408 blocks of 1 bytes)
 ext:     logical_offset:        physical_offset: length:   expected: flags:
   0:        0..  131071:   13697024..  13828095: 131072:             encoded,shared
   1:   131072..  262143:   13701120..  13832191: 131072:   13828096: encoded,shared
/c\nd: 2 extents found
File size of /e is 300000 (303104 blocks of 1 bytes)
 ext:     logical_offset:        physical_offset: length:   expected: flags:
   0:        0..   40959:  117465088.. 117506047:  40960:             shared
   1:    40960..   53247:  117809152.. 117821439:  12288:  117506048:
   2:    53248..  303103:  117518336.. 117768191: 249856:  117821440: last,shared,eof
/e: 3 extents found
File size of /f is 100000 (102400 blocks of 1 bytes)
/f: 0 extents found
";

    #[test]
    fn shared_extents_are_read_file_by_file_whatever_their_names() {
        let files = ["/a", "/b", "/c\nd", "/e", "/f"].map(PathBuf::from);
        let extent = |start, length, storage| SharedExtent {
            start,
            length,
            storage,
        };
        assert_eq!(
            shared_extents(&files, PRINTED.as_bytes()),
            [
                Some(vec![]),
                None,
                Some(vec![
                    extent(13_697_024, 131_072, Storage::Encoded),
                    extent(13_701_120, 131_072, Storage::Encoded),
                ]),
                Some(vec![
                    extent(117_465_088, 40960, Storage::Plain),
                    extent(117_518_336, 249_856, Storage::Plain),
                ]),
                Some(vec![]),
            ]
        );
    }
}
