//! Laws of manifests: what is written comes back, whatever its names; what was torn or changed is noticed.

use std::io::{BufReader, Read};

use proptest::collection::vec;
use proptest::prelude::*;

use super::{
    Beside, Digest, Entry, EntryKind, Heading, ManifestError, ManifestTrouble, Time, Writer, read,
};

const HEADING: Heading<'_> = Heading {
    title: "studio-files of kiln, 20261125T023000Z",
    file: "20261125T023000Z.mtree",
    beside: Beside::Folder("20261125T023000Z"),
};

fn written(entries: &[Entry]) -> Vec<u8> {
    let mut writer = Writer::begin(Vec::new(), &HEADING).unwrap();
    for entry in entries {
        writer.entry(entry).unwrap();
    }
    writer.finish().unwrap()
}

fn read_all(text: &[u8]) -> Result<Vec<Entry>, ManifestError> {
    read(text).collect()
}

fn name() -> impl Strategy<Value = Vec<u8>> {
    let byte = prop_oneof![
        any::<u8>(),
        proptest::sample::select(b" \t\n\r#\\=*?[]'\"$.-~0712Msn^\xff\xa0".to_vec()),
    ];
    vec(byte, 1..24).prop_map(|mut name| {
        name.iter_mut()
            .filter(|byte| matches!(byte, 0 | b'/'))
            .for_each(|byte| *byte = b'.');
        if name.iter().all(|byte| *byte == b'.') {
            name.push(b'x');
        }
        name
    })
}

fn kind() -> impl Strategy<Value = EntryKind> {
    let digest = proptest::option::of(any::<[u8; 32]>().prop_map(Digest));
    let target = vec(1..=255_u8, 1..60);
    prop_oneof![
        3 => Just(EntryKind::Folder),
        4 => (any::<u64>(), digest).prop_map(|(size, digest)| EntryKind::File { size, digest }),
        1 => target.prop_map(|target| EntryKind::Link { target }),
        1 => Just(EntryKind::Fifo),
        1 => Just(EntryKind::Socket),
        1 => any::<(u32, u32)>().prop_map(|(major, minor)| EntryKind::CharDevice { major, minor }),
        1 => any::<(u32, u32)>().prop_map(|(major, minor)| EntryKind::BlockDevice { major, minor }),
    ]
}

/// An entry whose name is still to be put into a folder.
fn loose() -> impl Strategy<Value = Entry> {
    let owner = prop_oneof![3 => 1000..1002_u32, 1 => any::<u32>()];
    let mode = prop_oneof![3 => Just(0o644_u32), 1 => 0..=0o7777_u32];
    let time = (any::<i64>(), 0..1_000_000_000_u32);
    (name(), kind(), mode, owner.clone(), owner, time).prop_map(
        |(path, kind, mode, uid, gid, (seconds, nanos))| Entry {
            path,
            kind,
            mode,
            uid,
            gid,
            time: Time { seconds, nanos },
        },
    )
}

/// Entries depth first: each leaves a number of folders before it.
fn tree() -> impl Strategy<Value = Vec<Entry>> {
    (loose(), vec((loose(), 0..3_usize), 0..60)).prop_map(|(root, rest)| {
        let mut entries = vec![Entry {
            path: Vec::new(),
            kind: EntryKind::Folder,
            ..root
        }];
        let mut folder: Vec<Vec<u8>> = Vec::new();
        for (mut entry, leave) in rest {
            folder.truncate(folder.len().saturating_sub(leave));
            let name = entry.path.clone();
            folder.push(name);
            entry.path = folder.join(&b'/');
            if entry.kind != EntryKind::Folder {
                folder.pop();
            }
            entries.push(entry);
        }
        entries
    })
}

proptest! {
    #[test]
    fn what_is_written_is_read_again(entries in tree()) {
        prop_assert_eq!(read_all(&written(&entries)).unwrap(), entries);
    }

    #[test]
    fn lines_are_short_ascii_and_continue_nowhere(entries in tree()) {
        let text = String::from_utf8(written(&entries)).unwrap();
        for line in text.lines() {
            prop_assert!(line.chars().all(|c| c == ' ' || c.is_ascii_graphic()), "{}", line);
            prop_assert!(!line.ends_with('\\'), "{}", line);
        }
    }

    #[test]
    fn a_manifest_cut_anywhere_is_an_error(entries in tree(), at: proptest::sample::Index) {
        let text = written(&entries);
        let cut = &text[..at.index(text.len())];
        prop_assert!(read_all(cut).is_err());
        prop_assert!(read(cut).ours_only().any(|entry| entry.is_err()));
    }

    #[test]
    fn a_changed_byte_is_an_error_or_changes_nothing(
        entries in tree(),
        at: proptest::sample::Index,
        change in 1..=255_u8,
    ) {
        let mut text = written(&entries);
        let at = at.index(text.len());
        text[at] ^= change;
        // a digit of the last line's digest may become the same digit in the other case
        let found: Result<Vec<Entry>, _> = read(text.as_slice()).ours_only().collect();
        prop_assert!(found.is_err() || found.unwrap() == entries);
    }

    #[test]
    fn a_line_that_is_missing_is_an_error(entries in tree(), at: proptest::sample::Index) {
        let text = written(&entries);
        let mut lines: Vec<&[u8]> = text.split_inclusive(|byte| *byte == b'\n').collect();
        lines.remove(at.index(lines.len()));
        let less = lines.concat();
        prop_assert!(read(less.as_slice()).ours_only().any(|entry| entry.is_err()));
    }

    #[test]
    fn no_bytes_panic(bytes in vec(any::<u8>(), 0..400)) {
        read(bytes.as_slice()).for_each(drop);
    }

    #[test]
    fn no_words_panic_and_no_line_gives_two_entries(
        words in vec(
            proptest::sample::select(vec![
                "#mtree\n", "# hayloft manifest 1\n", "# end: 1", " entries", "/set", "/unset", "all", "..", ".", "./a/b",
                "/x", "a", "\\", "\\\n", "\n", "\n", "\n", " ", " ", " ", "\t", "\r", "type=dir", "type=file", "type=link",
                "type=char", "type=", "mode=755", "mode=99999", "uid=0", "gid=0", "time=1.5", "time=-9223372036854775808.9",
                "time=-", "time=.", "size=1", "size=99999999999999999999", "link=\\", "link=x", "device=native,1,",
                "device=0x", "device=07", "sha256=00", "=", "# c", "\\057", "\\000", "\u{ff}", "nlink=2", "optional",
            ]),
            0..80,
        ),
        bounds: bool,
    ) {
        let mut text = words.concat();
        if bounds {
            text.insert_str(0, "/set type=file mode=0644 uid=0 gid=0 time=0.0 size=0\n");
        }
        let entries = read(text.as_bytes()).flatten().count();
        prop_assert!(entries <= text.lines().count());
    }
}

#[test]
fn an_endless_line_ends_at_a_mebibyte() {
    for (before, endless) in [("", b'a'), ("#", b'x'), ("a type=dir \\\nlink=", b'b')] {
        let input = BufReader::new(before.as_bytes().chain(std::io::repeat(endless)));
        let error = read(input).next().unwrap().unwrap_err();
        assert!(
            error
                .to_string()
                .contains("expected a line of at most 1 MiB"),
            "{error}"
        );
    }
}

#[test]
fn folders_within_folders_without_end_are_refused() {
    let name = "n".repeat(65_536);
    let line = format!("{name} type=dir mode=755 uid=0 gid=0 time=0.0\n");
    let entries: Vec<_> = read(line.repeat(30).as_bytes()).collect();
    assert_eq!(entries.iter().filter(|entry| entry.is_ok()).count(), 15);
    let last = entries.last().unwrap().as_ref().unwrap_err();
    assert!(matches!(last.trouble, ManifestTrouble::Expected { .. }));
}
