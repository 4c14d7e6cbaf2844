//! What a manifest looks like, and which entries it refuses.

use std::io;

use super::{Beside, Digest, Entry, EntryKind, Heading, Time, Writer};

const HEADING: Heading<'_> = Heading {
    title: "studio-files of kiln, 20261125T023000Z",
    file: "20261125T023000Z.mtree",
    beside: Beside::Folder("20261125T023000Z"),
};

fn entry(path: &[u8], kind: EntryKind) -> Entry {
    let mode = match kind {
        EntryKind::Folder => 0o755,
        EntryKind::Link { .. } => 0o777,
        _ => 0o644,
    };
    Entry {
        path: path.to_vec(),
        kind,
        mode,
        uid: 1000,
        gid: 100,
        time: Time {
            seconds: 1_795_600_000,
            nanos: 7,
        },
    }
}

fn file(path: &[u8]) -> Entry {
    let digest = None;
    entry(path, EntryKind::File { size: 3, digest })
}

fn folder(path: &[u8]) -> Entry {
    entry(path, EntryKind::Folder)
}

fn lines(entries: &[Entry]) -> String {
    let mut writer = Writer::begin(Vec::new(), &HEADING).unwrap();
    for entry in entries {
        writer.entry(entry).unwrap();
    }
    let text = String::from_utf8(writer.finish().unwrap()).unwrap();
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .fold(String::new(), |text, line| text + line + "\n")
}

#[test]
fn a_manifest_tells_a_person_what_it_is_and_what_to_do_with_it() {
    let mut writer = Writer::begin(Vec::new(), &HEADING).unwrap();
    writer.entry(&folder(b"")).unwrap();
    let text = String::from_utf8(writer.finish().unwrap()).unwrap();
    let (above, last) = text.trim_end().rsplit_once('\n').unwrap();
    let digest = Digest(<sha2::Sha256 as sha2::Digest>::digest(format!("{above}\n")).into());
    assert_eq!(
        above,
        r"#mtree
# hayloft manifest 1
# studio-files of kiln, 20261125T023000Z
# To check, here beside it (Debian package `mtree-netbsd`); no output means no difference:
#   mtree -p 20261125T023000Z -f 20261125T023000Z.mtree
# mtree takes a name with `*`, `?` or `[` for a pattern, so what it says of names like it may be wrong.
# To list (Debian package `libarchive-tools`):
#   bsdtar -tf 20261125T023000Z.mtree
# One file, against its sha256: sha256sum NAME. In names, \134ooo is the byte of that octal number.
# A time is whole seconds since 1970 (UTC), and nanoseconds to add to them: -2.500000000 is -1.5.
# The last line tells how many entries there are, and the SHA-256 of all lines before it:
#   head -n -1 20261125T023000Z.mtree | sha256sum
/set type=file mode=0644 uid=1000 gid=100
. type=dir mode=0755 time=1795600000.000000007"
            .replace(r"\134ooo", r"\ooo")
    );
    assert_eq!(
        last,
        format!("# end: 1 entries, sha256 of the lines above {digest}")
    );
}

#[test]
fn folders_are_entered_and_left() {
    let entries = [
        folder(b""),
        folder(b"a"),
        folder(b"a/b"),
        file(b"a/b/c"),
        file(b"d"),
        folder(b"e"),
        folder(b"f"),
        file(b"f/..x"),
    ];
    let names: Vec<String> = lines(&entries)
        .lines()
        .map(|line| line.split(' ').next().unwrap().to_owned())
        .collect();
    let expected = "/set . a b c .. .. d e .. f ..x";
    assert_eq!(names.join(" "), expected);
}

#[test]
fn every_kind_has_its_line() {
    let digest: Digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        .parse()
        .unwrap();
    let digest = Some(digest);
    let target = b"../a b\n".to_vec();
    let (major, minor) = (250, 70_000);
    let mut early = entry(b"fifo", EntryKind::Fifo);
    early.time = Time {
        seconds: -2,
        nanos: 500_000_000,
    };
    early.mode = 0o4755;
    early.uid = u32::MAX;
    let entries = [
        folder(b""),
        entry(b"file", EntryKind::File { size: 3, digest }),
        file(b"not read"),
        entry(b"link", EntryKind::Link { target }),
        early,
        entry(b"socket", EntryKind::Socket),
        entry(b"char", EntryKind::CharDevice { major, minor }),
        entry(b"block", EntryKind::BlockDevice { major, minor }),
    ];
    assert_eq!(
        lines(&entries),
        r"/set type=file mode=0644 uid=1000 gid=100
. type=dir mode=0755 time=1795600000.000000007
file time=1795600000.000000007 size=3 sha256=ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad
not\040read time=1795600000.000000007 size=3
link type=link mode=0777 time=1795600000.000000007 link=../a\040b\012
fifo type=fifo mode=4755 uid=4294967295 time=-2.500000000
socket type=socket time=1795600000.000000007
char type=char time=1795600000.000000007 device=native,250,70000
block type=block time=1795600000.000000007 device=native,250,70000
"
    );
}

#[test]
fn a_second_file_of_another_owner_makes_that_owner_the_one_set() {
    let mut entries = [folder(b""), file(b"a"), file(b"b"), file(b"c"), file(b"d")];
    for entry in &mut entries[2..] {
        entry.uid = 0;
        entry.mode = 0o600;
    }
    let time = "time=1795600000.000000007 size=3";
    assert_eq!(
        lines(&entries),
        format!(
            "/set type=file mode=0644 uid=1000 gid=100\n\
             . type=dir mode=0755 time=1795600000.000000007\n\
             a {time}\nb mode=0600 uid=0 {time}\n\
             /set type=file mode=0600 uid=0 gid=100\nc {time}\nd {time}\n"
        )
    );
}

#[test]
fn entries_that_do_not_follow_depth_first_are_refused_and_leave_no_trace() {
    let mut long = file(b"x");
    long.path = vec![b'x'; 1 << 20];
    let mut late = file(b"x");
    late.time.nanos = 1_000_000_000;
    let mut wide = file(b"x");
    wide.mode = 0o100_644;
    let link = |target: &[u8]| EntryKind::Link {
        target: target.to_vec(),
    };
    let wrong = [
        folder(b""),
        file(b"b/c"),
        file(b"a/f/c"),
        file(b"a/"),
        file(b"/x"),
        file(b"a//x"),
        file(b"."),
        file(b"a/.."),
        file(b"n\0l"),
        entry(b"l", link(b"\0")),
        entry(b"l", link(&vec![b'x'; 1 << 20])),
        long,
        late,
        wide,
    ];
    let mut writer = Writer::begin(Vec::new(), &HEADING).unwrap();
    let refused =
        |result: io::Result<()>| result.unwrap_err().kind() == io::ErrorKind::InvalidInput;
    assert!(refused(writer.entry(&file(b"x"))));
    assert!(refused(writer.entry(&file(b""))));
    for entry in [folder(b""), folder(b"a"), file(b"a/f")] {
        writer.entry(&entry).unwrap();
    }
    for entry in &wrong {
        assert!(
            refused(writer.entry(entry)),
            "{}",
            entry.path.escape_ascii()
        );
    }
    writer.entry(&file(b"a/g")).unwrap();
    let text = writer.finish().unwrap();
    let found: Result<Vec<_>, _> = super::read(text.as_slice()).ours_only().collect();
    assert_eq!(
        found.unwrap(),
        [folder(b""), folder(b"a"), file(b"a/f"), file(b"a/g")]
    );
}

#[test]
fn a_manifest_of_nothing_is_refused() {
    let writer = Writer::begin(Vec::new(), &HEADING).unwrap();
    assert_eq!(
        writer.finish().unwrap_err().kind(),
        io::ErrorKind::InvalidInput
    );
}

/// Takes so many bytes, then has no space.
struct Full(usize);

impl io::Write for Full {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.0 == 0 {
            return Err(io::ErrorKind::StorageFull.into());
        }
        let taken = bytes.len().min(self.0);
        self.0 -= taken;
        Ok(taken)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[test]
fn a_write_that_failed_is_not_passed_over_at_the_end() {
    let mut writer = Writer::begin(Full(200_000), &HEADING).unwrap();
    writer.entry(&folder(b"")).unwrap();
    let failed = (0..10_000)
        .filter(|number| {
            let path = format!("{number:0200}");
            writer.entry(&file(path.as_bytes())).is_err()
        })
        .count();
    assert!(failed > 0);
    writer.out.0 = usize::MAX;
    assert!(writer.finish().is_err());
}
