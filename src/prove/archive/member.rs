//! One member of a tar archive, as a manifest tells it.

use std::collections::HashMap;
use std::io::{self, Read};

use tar::EntryType;

use super::sparse::{digest_of_all, digest_of_sparse};
use crate::prove::manifest::{Digest, Entry, EntryKind, Time};

/// A member.
#[derive(Debug)]
pub struct Member {
    pub entry: Entry,
    /// A file that is another name of this one, which came before.
    pub same_as: Option<Vec<u8>>,
}

/// Reads a member to its end. `None` for what is no file of any kind.
///
/// # Errors
/// When the stream breaks, or the member is not told as GNU tar tells it in POSIX form.
pub fn read_member<R: Read>(mut member: tar::Entry<R>) -> io::Result<Option<Member>> {
    let pax = pax(&mut member)?;
    let path = pax
        .get(b"GNU.sparse.name".as_slice())
        .cloned()
        .unwrap_or_else(|| member.path_bytes().into_owned());
    let path = below_root(&path);
    let target = member.link_name_bytes().map(std::borrow::Cow::into_owned);
    let header = member.header().clone();
    let target_of = || {
        target
            .clone()
            .ok_or_else(|| wrong(&path, "a link without a target"))
    };
    let device = || {
        let numbers = (header.device_major()?, header.device_minor()?);
        let (Some(major), Some(minor)) = numbers else {
            return Err(wrong(&path, "a device without a number"));
        };
        Ok((major, minor))
    };
    let mut same_as = None;
    let kind = match header.entry_type() {
        EntryType::Directory => EntryKind::Folder,
        EntryType::Regular | EntryType::Continuous => {
            let (size, digest) = content(&mut member, &pax, &path)?;
            EntryKind::File {
                size,
                digest: Some(digest),
            }
        }
        EntryType::Link => {
            same_as = Some(below_root(&target_of()?));
            EntryKind::File {
                size: 0,
                digest: None,
            }
        }
        EntryType::Symlink => EntryKind::Link {
            target: target_of()?,
        },
        EntryType::Fifo => EntryKind::Fifo,
        EntryType::Char => {
            let (major, minor) = device()?;
            EntryKind::CharDevice { major, minor }
        }
        EntryType::Block => {
            let (major, minor) = device()?;
            EntryKind::BlockDevice { major, minor }
        }
        EntryType::XGlobalHeader => return Ok(None),
        _ => return Err(wrong(&path, "a member of a type that is not known")),
    };
    let number = |key: &[u8], from_header: u64| match pax.get(key) {
        Some(value) => text(value).and_then(|value| value.parse().ok()),
        None => u32::try_from(from_header).ok(),
    };
    let owner = || wrong(&path, "an owner that is no number");
    let time = match pax.get(b"mtime".as_slice()) {
        Some(value) => text(value).and_then(parse_time),
        None => i64::try_from(header.mtime()?)
            .ok()
            .map(|seconds| Time { seconds, nanos: 0 }),
    };
    let entry = Entry {
        kind,
        mode: header.mode()? & 0o7777,
        uid: number(b"uid", header.uid()?).ok_or_else(owner)?,
        gid: number(b"gid", header.gid()?).ok_or_else(owner)?,
        time: time.ok_or_else(|| wrong(&path, "a time that is no number"))?,
        path,
    };
    Ok(Some(Member { entry, same_as }))
}

/// The records of the extended header (POSIX.1-2024, pax, "pax Extended Header").
fn pax<R: Read>(member: &mut tar::Entry<R>) -> io::Result<HashMap<Vec<u8>, Vec<u8>>> {
    let Some(records) = member.pax_extensions()? else {
        return Ok(HashMap::new());
    };
    records
        .map(|record| {
            let record = record?;
            Ok((record.key_bytes().to_vec(), record.value_bytes().to_vec()))
        })
        .collect()
}

/// Length and digest of a file's content.
fn content(
    stored: impl Read,
    pax: &HashMap<Vec<u8>, Vec<u8>>,
    path: &[u8],
) -> io::Result<(u64, Digest)> {
    let number = |key: &str| {
        let value = pax.get(key.as_bytes()).and_then(|value| text(value));
        value.and_then(|value| value.parse::<u64>().ok())
    };
    match (number("GNU.sparse.major"), number("GNU.sparse.realsize")) {
        (Some(1), Some(size)) => Ok((size, digest_of_sparse(stored, size)?)),
        (None, None) => {
            let (digest, size) = digest_of_all(stored)?;
            Ok((size, digest))
        }
        _ => Err(wrong(
            path,
            "a file with holes that is stored in a way that is not known",
        )),
    }
}

fn text(value: &[u8]) -> Option<&str> {
    std::str::from_utf8(value).ok()
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
