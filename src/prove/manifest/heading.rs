//! What a manifest of ours begins with: words and commands for a person who has nothing but the drive.

use std::ffi::OsStr;
use std::path::Path;

use super::vis;

/// What the first line of every manifest is, by which libarchive knows it.
pub const SIGNATURE: &[u8] = b"#mtree\n";
/// What the second line of a manifest of ours is; such a one must end as [`super::ending`] says.
pub const MARK: &[u8] = b"# hayloft manifest 1\n";

/// What a manifest is about.
#[derive(Debug, Clone, Copy)]
pub struct Heading<'a> {
    /// In one line: `studio-files of kiln, 20261125T023000Z`.
    pub title: &'a str,
    /// The name of the manifest's own file.
    pub file: &'a str,
    pub beside: Beside<'a>,
}

/// What lies beside a manifest, by its name.
#[derive(Debug, Clone, Copy)]
pub enum Beside<'a> {
    Folder(&'a str),
    /// A folder in which owners, modes and devices are kept in extended attributes.
    FolderToBringBack(&'a str),
    /// One file, which the manifest tells of.
    Archive(&'a str),
    /// An archive of which the manifest tells what is in it.
    Unpacked(&'a str),
}

impl Heading<'_> {
    /// The lines of the heading.
    pub fn render(&self) -> Vec<u8> {
        let mut text = [SIGNATURE, MARK].concat();
        let file = one_line(self.file);
        let lines = format!(
            "# {}\n{}\
             # To list (Debian package `libarchive-tools`):\n\
             #   bsdtar -tf {file}\n\
             # One file, against its sha256: sha256sum NAME. In names, \\ooo is the byte of that octal number.\n\
             # A time is whole seconds since 1970 (UTC), and nanoseconds to add to them: -2.500000000 is -1.5.\n\
             # The last line tells how many entries there are, and the SHA-256 of all lines before it:\n\
             #   head -n -1 {file} | sha256sum\n",
            one_line(self.title),
            self.check()
        );
        text.extend(lines.bytes());
        text
    }

    /// How to hold what lies beside it against it.
    fn check(&self) -> String {
        let file = one_line(self.file);
        match self.beside {
            Beside::Folder(folder) => format!(
                "# To check, here beside it (Debian package `mtree-netbsd`); no output means no difference:\n\
                 #   mtree -p {} -f {file}\n{PATTERNS}",
                one_line(folder)
            ),
            Beside::FolderToBringBack(folder) => format!(
                "# Owners, modes and devices of {} are kept here in extended attributes (`rsync -M--fake-super`).\n\
                 # To check, bring it back first, as READ-ME-FIRST.txt says, into a folder that is called BACK here;\n\
                 # then (Debian package `mtree-netbsd`); no output means no difference:\n\
                 #   mtree -p BACK -f {file}\n{PATTERNS}",
                one_line(folder)
            ),
            Beside::Archive(_) => format!(
                "# To check, here beside it; `OK` means no difference:\n\
                 #   awk -F'[ =]' '/^[0-9].* sha256=/ {{print $NF \"  \" $1}}' {file} | sha256sum --check\n"
            ),
            Beside::Unpacked(archive) => {
                let archive = one_line(archive);
                let (with, unpack) = if is_closed(&archive) {
                    let unpack = "| zstd -dc | tar -C UNPACKED --delay-directory-restore --numeric-owner -xpf -";
                    let with = "# (An archive that is closed for a key, not with a passphrase: age -d -i KEYFILE.)\n";
                    (with, format!("age -d {archive} {unpack}"))
                } else {
                    (
                        "",
                        format!(
                            "tar -C UNPACKED --delay-directory-restore --numeric-owner -xpf {archive}"
                        ),
                    )
                };
                format!(
                    "# To check, here beside it, as root (Debian package `mtree-netbsd`); no output means no difference:\n\
                     #   mkdir -m 755 UNPACKED\n\
                     #   {unpack}\n\
                     #   touch -d @0 UNPACKED\n\
                     #   mtree -p UNPACKED -f {file}\n{with}{PATTERNS}"
                )
            }
        }
    }
}

fn is_closed(archive: &str) -> bool {
    Path::new(archive).extension() == Some(OsStr::new("age"))
}

const PATTERNS: &str = "# mtree takes a name with `*`, `?` or `[` for a pattern, so what it says of names like it may be wrong.\n";

/// Nothing in a heading begins another line, or ends a comment in a continuation.
fn one_line(text: &str) -> String {
    let mut line = Vec::new();
    for (number, word) in text.split(' ').enumerate() {
        line.extend(if number > 0 { " " } else { "" }.bytes());
        vis::encode(word.as_bytes(), &mut line);
    }
    String::from_utf8_lossy(&line).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_heading_is_comments_only_whatever_its_words() {
        for beside in [
            Beside::Folder("a\nb type=file"),
            Beside::FolderToBringBack("20261125T023000Z"),
            Beside::Archive("x\\"),
            Beside::Unpacked("20261125T023000Z.tar.zst.age"),
        ] {
            let heading = Heading {
                title: "two\nlines \\",
                file: "name\r\n/set type=dir",
                beside,
            };
            let text = String::from_utf8(heading.render()).unwrap();
            assert!(text.ends_with('\n'));
            for line in text.lines() {
                assert!(line.starts_with('#') && !line.ends_with('\\'), "{line}");
                assert!(line.len() <= 120 && line.is_ascii(), "{line}");
            }
        }
    }
}
