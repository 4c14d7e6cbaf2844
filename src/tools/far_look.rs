//! One connection to another host on which names are looked at and files digested by its own find(1) and sha256sum(1),
//! a batch at a time.
//!
//! Each request is a line, `WHAT BYTES`, and so many bytes of names, each ended by a NUL. The answer is records that end in a
//! NUL, the last of them `z`. Nothing is written over there.

use std::path::Path;

use super::ssh::remote_words;
use crate::plan::Argv;

/// What is asked of a batch of names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Request {
    /// Two records for each name that is there: see [`Attributes::read`]; then the target of a link.
    Attributes,
    /// A record for each file that can be read: its SHA-256, two spaces, its name.
    Digests,
    /// The path of every name below the root.
    Names,
}

impl Request {
    /// The line before the names.
    pub fn line(self, bytes: usize) -> String {
        let what = match self {
            Self::Attributes => 'a',
            Self::Digests => 'd',
            Self::Names => 'n',
        };
        format!("{what} {bytes}\n")
    }
}

/// The record that ends an answer.
pub const END: &[u8] = b"z";

/// The script that answers, in a folder of the other host. head(1) takes no more bytes than it was told, and read, being
/// given a pipe, no more than a line (POSIX, "read").
pub fn script(root: &Path) -> Vec<u8> {
    const LOOK: &str =
        r#"exec find "$@" -maxdepth 0 -printf '%y %m %U %G %s %T@ %D %i %n %C@ %p\0%l\0'"#;
    let look = remote_words(&Argv::new("xargs").args(["-0", "-r", "sh", "-c", LOOK, "find"]));
    let digest = remote_words(&Argv::new("xargs").args(["-0", "-r", "sha256sum", "-z", "--"]));
    let names = remote_words(&Argv::new("find").args([".", "-mindepth", "1", "-printf", r"%P\0"]));
    let words = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let loop_text = format!(
        "while read -r what bytes; do case $what in \
         a) head -c \"$bytes\" | {};; d) head -c \"$bytes\" | {};; n) {};; esac; printf 'z\\0'; done",
        words(&look),
        words(&digest),
        words(&names)
    );
    // `cd` is the shell's own: the folder goes in as an argument, whatever bytes it has
    let text = format!("cd -- \"$1\" && {loop_text}");
    remote_words(
        &Argv::new("sh")
            .args(["-c", &text, "sh"])
            .arg(root.as_os_str()),
    )
}

/// What find(1) tells of a name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Attributes<'r> {
    /// As `%y`: `f`, `d`, `l`, `p`, `s`, `c`, `b`.
    pub kind: u8,
    pub mode: u32,
    pub uid: u32,
    pub gid: u32,
    pub size: u64,
    pub seconds: i64,
    pub nanos: u32,
    pub device: u64,
    pub inode: u64,
    pub links: u64,
    /// The time of the last change of the inode, as printed.
    pub changed: &'r [u8],
    pub path: &'r [u8],
}

impl<'r> Attributes<'r> {
    /// `f 644 1000 1000 12 1795573800.1234567890 2049 77 1 1795573800.1234567890 ./price-list.txt`
    pub fn read(record: &'r [u8]) -> Option<Self> {
        let mut words = record.splitn(11, |byte| *byte == b' ');
        let mut next = || words.next();
        let kind = *next()?.first()?;
        let mode = u32::from_str_radix(text(next()?)?, 8).ok()?;
        let uid = number(next()?)?;
        let gid = number(next()?)?;
        let size = number(next()?)?;
        let (seconds, nanos) = time(next()?)?;
        Some(Self {
            kind,
            mode,
            uid,
            gid,
            size,
            seconds,
            nanos,
            device: number(next()?)?,
            inode: number(next()?)?,
            links: number(next()?)?,
            changed: next()?,
            path: next()?,
        })
    }
}

/// A digest in hexadecimal and the name behind it.
pub fn digest(record: &[u8]) -> Option<([u8; 32], &[u8])> {
    let (hex, rest) = record.split_at_checked(64)?;
    let path = rest.strip_prefix(b"  ").or(rest.strip_prefix(b" *"))?;
    let mut digest = [0; 32];
    for (byte, pair) in digest.iter_mut().zip(hex.chunks(2)) {
        *byte = u8::from_str_radix(text(pair)?, 16).ok()?;
    }
    Some((digest, path))
}

fn text(word: &[u8]) -> Option<&str> {
    std::str::from_utf8(word).ok()
}

fn number<T: std::str::FromStr>(word: &[u8]) -> Option<T> {
    text(word)?.parse().ok()
}

/// `1795573800.1234567890`: find prints a tenth digit that is always 0.
fn time(word: &[u8]) -> Option<(i64, u32)> {
    let word = text(word)?;
    let (seconds, fraction) = word.split_once('.').unwrap_or((word, "0"));
    let nanos: String = format!("{fraction}000000000").chars().take(9).collect();
    Some((seconds.parse().ok()?, nanos.parse().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;
    use std::process::{Command, Stdio};

    /// The shell of this host stands for that of another one.
    fn ask(root: &Path, requests: &[(Request, &[u8])]) -> Vec<Vec<u8>> {
        use std::os::unix::ffi::OsStrExt;
        let mut child = Command::new("sh")
            .arg("-c")
            .arg(std::ffi::OsStr::from_bytes(&script(root)))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut input = child.stdin.take().unwrap();
        for (request, names) in requests {
            input
                .write_all(request.line(names.len()).as_bytes())
                .unwrap();
            input.write_all(names).unwrap();
        }
        drop(input);
        let out = child.wait_with_output().unwrap().stdout;
        out.split(|byte| *byte == 0).map(<[u8]>::to_vec).collect()
    }

    #[test]
    fn names_of_any_bytes_are_looked_at_and_digested_in_one_connection() {
        use std::os::unix::ffi::OsStrExt;
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().join("it's $HOME `x` \\n");
        std::fs::create_dir(&root).unwrap();
        let name = b"a \n'\xff\\*".as_slice();
        std::fs::write(root.join(std::ffi::OsStr::from_bytes(name)), "abc").unwrap();
        std::os::unix::fs::symlink("to\nthere", root.join("l")).unwrap();
        let names = [b"./", name, b"\0./l\0./gone\0"].concat();
        let file = [b"./", name, b"\0"].concat();
        let records = ask(
            &root,
            &[
                (Request::Attributes, &names),
                (Request::Digests, &file),
                (Request::Names, b""),
            ],
        );
        let first = Attributes::read(&records[0]).unwrap();
        assert_eq!(
            (first.kind, first.size, first.path),
            (b'f', 3, &file[..file.len() - 1])
        );
        assert_eq!(records[3], b"to\nthere");
        assert_eq!(records[4], END);
        let (digest, path) = digest(&records[5]).unwrap();
        // FIPS 180-4, from memory
        assert_eq!(digest[..4], [0xba, 0x78, 0x16, 0xbf]);
        assert_eq!(path, first.path);
        assert_eq!(records[6], END);
        let mut all = records[7..9].to_vec();
        all.sort();
        assert_eq!(all, [name.to_vec(), b"l".to_vec()]);
        assert_eq!(records[9], END);
    }

    #[test]
    fn a_time_is_read_to_the_nanosecond() {
        assert_eq!(
            time(b"1795573800.1234567890"),
            Some((1_795_573_800, 123_456_789))
        );
        assert_eq!(time(b"0"), Some((0, 0)));
    }
}
