//! One member of a tar archive, as a manifest tells it.

use std::io::{self, Read};

use super::sparse::{digest_of_all, digest_of_sparse};
use super::stream::{Head, Members};
use crate::prove::manifest::{Digest, Entry, EntryKind, Time};

/// A member.
#[derive(Debug)]
pub struct Member {
    pub entry: Entry,
    /// A file that is another name of this one, which came before.
    pub same_as: Option<Vec<u8>>,
}

/// Reads the content of the member that came last, and tells of it.
///
/// # Errors
/// When the stream breaks, or the member is not told as GNU tar tells it in POSIX form.
pub fn read_member<R: Read>(head: &Head, members: &mut Members<R>) -> io::Result<Member> {
    let path = below_root(&head.name);
    let mut same_as = None;
    let device = || {
        let (major, minor) = head.device;
        let numbers = (u32::try_from(major), u32::try_from(minor));
        match numbers {
            (Ok(major), Ok(minor)) => Ok((major, minor)),
            _ => Err(wrong(&path, "a device whose number is too large")),
        }
    };
    // POSIX.1-2024, pax, the field `typeflag`
    let kind = match head.kind {
        b'5' => EntryKind::Folder,
        b'0' | 0 | b'7' => {
            let (size, digest) = content(head, members, &path)?;
            EntryKind::File {
                size,
                digest: Some(digest),
            }
        }
        b'1' => {
            same_as = Some(below_root(&head.target));
            EntryKind::File {
                size: 0,
                digest: None,
            }
        }
        b'2' => EntryKind::Link {
            target: head.target.clone(),
        },
        b'3' => {
            let (major, minor) = device()?;
            EntryKind::CharDevice { major, minor }
        }
        b'4' => {
            let (major, minor) = device()?;
            EntryKind::BlockDevice { major, minor }
        }
        b'6' => EntryKind::Fifo,
        _ => return Err(wrong(&path, "of a kind that is not known")),
    };
    let owner = |keyword: &[u8], number: u64| {
        let number = match head.records.get(keyword) {
            Some(_) => head.number(keyword),
            None => Some(number),
        };
        let number = number.and_then(|number| u32::try_from(number).ok());
        number.ok_or_else(|| wrong(&path, "of an owner that is no number"))
    };
    let time = match head.records.get(b"mtime".as_slice()) {
        Some(_) => head.text(b"mtime").and_then(parse_time),
        None => Some(Time {
            seconds: head.modified,
            nanos: 0,
        }),
    };
    let entry = Entry {
        kind,
        mode: u32::try_from(head.mode & 0o7777).unwrap_or(0),
        uid: owner(b"uid", head.uid)?,
        gid: owner(b"gid", head.gid)?,
        time: time.ok_or_else(|| wrong(&path, "of a time that is no number"))?,
        path,
    };
    Ok(Member { entry, same_as })
}

/// Length and digest of a file's content.
fn content<R: Read>(
    head: &Head,
    stored: &mut Members<R>,
    path: &[u8],
) -> io::Result<(u64, Digest)> {
    let sparse = (
        head.number(b"GNU.sparse.major"),
        head.number(b"GNU.sparse.realsize"),
    );
    let found = match sparse {
        (Some(1), Some(size)) => (size, digest_of_sparse(&mut *stored, size)?),
        (None, None) => digest_of_all(&mut *stored).map(|(digest, size)| (size, digest))?,
        _ => {
            return Err(wrong(
                path,
                "stored with its holes in a way that is not known",
            ));
        }
    };
    if stored.is_through() {
        Ok(found)
    } else {
        Err(io::ErrorKind::UnexpectedEof.into())
    }
}

/// A decimal number of seconds; that before 1970 is negative with its fraction: `-1.5` is half a second before -1.
fn parse_time(text: &str) -> Option<Time> {
    let (negative, text) = match text.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, text),
    };
    let (seconds, fraction) = text.split_once('.').unwrap_or((text, ""));
    let is_digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if seconds.is_empty() || !is_digits(seconds) || !is_digits(fraction) {
        return None;
    }
    let seconds: i64 = seconds.parse().ok()?;
    let nanos: u32 = format!("{fraction:0<9.9}").parse().ok()?;
    Some(match (negative, nanos) {
        (false, nanos) => Time { seconds, nanos },
        (true, 0) => Time {
            seconds: -seconds,
            nanos,
        },
        (true, nanos) => Time {
            seconds: -seconds - 1,
            nanos: 1_000_000_000 - nanos,
        },
    })
}

/// Without what leads to the root, and without slashes behind it.
fn below_root(path: &[u8]) -> Vec<u8> {
    let parts = path.split(|byte| *byte == b'/');
    let names: Vec<&[u8]> = parts
        .filter(|part| !part.is_empty() && *part != b".")
        .collect();
    names.join(&b"/"[..])
}

fn wrong(path: &[u8], what: &str) -> io::Error {
    io::Error::new(
        io::ErrorKind::InvalidData,
        format!("`{}` in the archive is {what}", path.escape_ascii()),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_to_the_nanosecond_before_1970_too() {
        let time = |seconds, nanos| Some(Time { seconds, nanos });
        for (text, expected) in [
            ("1600000000.123456789", time(1_600_000_000, 123_456_789)),
            ("5", time(5, 0)),
            ("5.5", time(5, 500_000_000)),
            ("-86400", time(-86_400, 0)),
            ("-86399.999999995", time(-86_400, 5)),
            ("-0.5", time(-1, 500_000_000)),
            ("", None),
            ("1e5", None),
            ("1.-5", None),
        ] {
            assert_eq!(parse_time(text), expected, "{text}");
        }
    }

    #[test]
    fn a_path_is_told_from_the_root() {
        assert_eq!(below_root(b"./srv//studio/"), b"srv/studio");
        assert_eq!(below_root(b"/"), b"");
    }
}
