//! How fast a million lines go; run by hand, see below.

use std::time::Instant;

use super::{Beside, Digest, Entry, EntryKind, Heading, Time, Writer, read};

const LINES: u64 = 1_000_000;

/// `cargo test --lib --config 'profile.test.package.hayloft.opt-level=3' a_million_lines -- --ignored --nocapture`
#[test]
#[ignore = "only measures"]
fn a_million_lines_are_written_and_read() {
    let heading = Heading {
        title: "studio-files of kiln, 20261125T023000Z",
        file: "20261125T023000Z.mtree",
        beside: Beside::Folder("20261125T023000Z"),
    };
    let mut entry = Entry {
        path: Vec::new(),
        kind: EntryKind::Folder,
        mode: 0o755,
        uid: 1000,
        gid: 1000,
        time: Time::default(),
    };
    let begun = Instant::now();
    let mut writer = Writer::begin(Vec::new(), &heading).unwrap();
    writer.entry(&entry).unwrap();
    let mut text = String::new();
    let mut digest = [0; 32];
    for number in 1..LINES {
        let folder = number / 100;
        text.clear();
        let is_folder = number % 100 == 0 || number == 1;
        let name = if is_folder { "" } else { "/glaze test.jpg" };
        std::fmt::Write::write_fmt(&mut text, format_args!("orders-{folder:06}{name}")).unwrap();
        if !is_folder {
            std::fmt::Write::write_fmt(&mut text, format_args!("{number:08}")).unwrap();
        }
        entry.path.clear();
        entry.path.extend_from_slice(text.as_bytes());
        digest[..8].copy_from_slice(&number.wrapping_mul(0x9e37_79b9_7f4a_7c15).to_le_bytes());
        entry.time.seconds = 1_795_600_000 + i64::try_from(number).unwrap();
        entry.time.nanos = u32::try_from(number * 997 % 1_000_000_000).unwrap();
        entry.mode = if is_folder { 0o755 } else { 0o644 };
        entry.kind = if is_folder {
            EntryKind::Folder
        } else {
            EntryKind::File {
                size: number * 7,
                digest: Some(Digest(digest)),
            }
        };
        writer.entry(&entry).unwrap();
    }
    let text = writer.finish().unwrap();
    let wrote = begun.elapsed();
    let begun = Instant::now();
    let found = read(text.as_slice())
        .ours_only()
        .map(Result::unwrap)
        .count();
    let took = begun.elapsed();
    assert_eq!(found, usize::try_from(LINES).unwrap());
    eprintln!(
        "{LINES} lines, {} bytes: written in {wrote:?}, read in {took:?}",
        text.len()
    );
}
