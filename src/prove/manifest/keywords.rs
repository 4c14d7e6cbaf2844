//! The keywords of mtree(5) that hayloft reads, on an entry's line or after `/set`; it passes over all others.

use super::decimal;
use super::entry::{Digest, EntryKind, MalformedDigest, Time};
use super::error::ManifestTrouble;
use super::vis;

#[derive(Debug, Clone, Default)]
pub struct Keywords {
    kind: Option<Kind>,
    mode: Option<u32>,
    uid: Option<u32>,
    gid: Option<u32>,
    time: Option<Time>,
    size: Option<u64>,
    target: Option<Vec<u8>>,
    device: Option<(u32, u32)>,
    digest: Option<Digest>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Folder,
    File,
    Link,
    Fifo,
    Socket,
    CharDevice,
    BlockDevice,
}

/// What every entry has, whatever its kind.
#[derive(Debug)]
pub struct Told {
    pub kind: EntryKind,
    pub mode: u32,
    pub uid: u32,
    pub gid: u32,
    pub time: Time,
}

impl Keywords {
    /// One word, `keyword=value` or a keyword without a value.
    pub fn set(&mut self, word: &[u8]) -> Result<(), ManifestTrouble> {
        let Some(at) = word.iter().position(|&byte| byte == b'=') else {
            return Ok(());
        };
        let (keyword, value) = (&word[..at], &word[at + 1..]);
        let expected = |words| ManifestTrouble::expected(words, word);
        match keyword {
            b"type" => self.kind = Some(kind(value).ok_or(expected(TYPES))?),
            b"mode" => self.mode = Some(mode(value).ok_or(expected("a mode in octal"))?),
            b"uid" => self.uid = Some(id(value).ok_or(expected("a number of a user"))?),
            b"gid" => self.gid = Some(id(value).ok_or(expected("a number of a group"))?),
            b"time" => self.time = Some(time(value).ok_or(expected(TIME))?),
            b"size" => {
                self.size = Some(decimal::parse(value, 10).ok_or(expected("a size in bytes"))?);
            }
            b"link" => self.target = Some(target(value).ok_or(expected("a link's target"))?),
            b"device" => self.device = Some(device(value).ok_or(expected(DEVICE))?),
            b"sha256" | b"sha256digest" => {
                let digest = Digest::from_hex(value);
                self.digest = Some(digest.map_err(|_| expected(MalformedDigest::EXPECTED))?);
            }
            _ => {}
        }
        Ok(())
    }

    /// A word after `/unset`.
    pub fn unset(&mut self, keyword: &[u8]) {
        match keyword {
            b"all" => *self = Self::default(),
            b"type" => self.kind = None,
            b"mode" => self.mode = None,
            b"uid" => self.uid = None,
            b"gid" => self.gid = None,
            b"time" => self.time = None,
            b"size" => self.size = None,
            b"link" => self.target = None,
            b"device" => self.device = None,
            b"sha256" | b"sha256digest" => self.digest = None,
            _ => {}
        }
    }

    /// What the keywords tell of the entry called `name`. mtree(5) has no defaults for what is missing.
    pub fn told(self, name: &[u8]) -> Result<Told, ManifestTrouble> {
        let missing = |keyword| ManifestTrouble::missing(keyword, name);
        let device = || self.device.ok_or(missing("device"));
        let kind = match self.kind.ok_or(missing("type"))? {
            Kind::Folder => EntryKind::Folder,
            Kind::File => EntryKind::File {
                size: self.size.ok_or(missing("size"))?,
                digest: self.digest,
            },
            Kind::Link => EntryKind::Link {
                target: self.target.ok_or(missing("link"))?,
            },
            Kind::Fifo => EntryKind::Fifo,
            Kind::Socket => EntryKind::Socket,
            Kind::CharDevice => {
                let (major, minor) = device()?;
                EntryKind::CharDevice { major, minor }
            }
            Kind::BlockDevice => {
                let (major, minor) = device()?;
                EntryKind::BlockDevice { major, minor }
            }
        };
        Ok(Told {
            kind,
            mode: self.mode.ok_or(missing("mode"))?,
            uid: self.uid.ok_or(missing("uid"))?,
            gid: self.gid.ok_or(missing("gid"))?,
            time: self.time.ok_or(missing("time"))?,
        })
    }
}

const TYPES: &str = "a type: `block`, `char`, `dir`, `fifo`, `file`, `link` or `socket`";
const TIME: &str = "a time in seconds and nanoseconds such as `1795600000.000000000`";
const DEVICE: &str = "a device such as `native,8,1`";

fn kind(value: &[u8]) -> Option<Kind> {
    Some(match value {
        b"dir" => Kind::Folder,
        b"file" => Kind::File,
        b"link" => Kind::Link,
        b"fifo" => Kind::Fifo,
        b"socket" => Kind::Socket,
        b"char" => Kind::CharDevice,
        b"block" => Kind::BlockDevice,
        _ => return None,
    })
}

fn mode(value: &[u8]) -> Option<u32> {
    let bits = decimal::parse(value, 8)?;
    u32::try_from(bits).ok().filter(|bits| *bits <= 0o7777)
}

fn id(value: &[u8]) -> Option<u32> {
    u32::try_from(decimal::parse(value, 10)?).ok()
}

/// Both programs write `5.7` for 7 nanoseconds after the fifth second: a number, not a fraction.
fn time(value: &[u8]) -> Option<Time> {
    let (negative, value) = match value {
        [b'-', rest @ ..] => (true, rest),
        _ => (false, value),
    };
    let point = value.iter().position(|&byte| byte == b'.');
    let (whole, after) = match point {
        Some(at) => (&value[..at], &value[at + 1..]),
        None => (value, b"0".as_slice()),
    };
    let whole = decimal::parse(whole, 10)?;
    let seconds = if negative {
        0_i64.checked_sub_unsigned(whole)?
    } else {
        i64::try_from(whole).ok()?
    };
    let nanos = u32::try_from(decimal::parse(after, 10)?).ok()?;
    (nanos < 1_000_000_000).then_some(Time { seconds, nanos })
}

fn target(value: &[u8]) -> Option<Vec<u8>> {
    let mut target = Vec::new();
    vis::decode(value, &mut target).ok()?;
    (!target.contains(&0)).then_some(target)
}

/// `native,MAJOR,MINOR` and, alike on Linux, `linux,…`; or the number that stat(2) gives.
fn device(value: &[u8]) -> Option<(u32, u32)> {
    let value = match value {
        [b'n', b'a', b't', b'i', b'v', b'e', b',', rest @ ..]
        | [b'l', b'i', b'n', b'u', b'x', b',', rest @ ..] => rest,
        [b'0', b'x', hex @ ..] => return Some(split_device(decimal::parse(hex, 16)?)),
        [b'0', octal @ ..] if !octal.is_empty() => {
            return Some(split_device(decimal::parse(octal, 8)?));
        }
        _ => return Some(split_device(decimal::parse(value, 10)?)),
    };
    let comma = value.iter().position(|&byte| byte == b',')?;
    Some((id(&value[..comma])?, id(&value[comma + 1..])?))
}

fn split_device(number: u64) -> (u32, u32) {
    (rustix::fs::major(number), rustix::fs::minor(number))
}
