//! What a generation takes alone on file systems that share blocks between files: it is what its removal gives back.

use std::collections::BTreeSet;
use std::fs;
use std::io::{Seek, SeekFrom, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use hayloft::keep::SpaceMap;
use hayloft::record::GenerationName;
use hayloft::system::tree_use::measure;

use crate::world::{can_mount, ok};

const NIGHTS: [&str; 4] = [
    "20261122T023000Z",
    "20261123T023000Z",
    "20261124T023000Z",
    "20261125T023000Z",
];

fn name(night: &str) -> GenerationName {
    GenerationName::parse(night).unwrap()
}

/// A scratch drive on a loop device.
struct Scratch {
    folder: tempfile::TempDir,
    is_xfs: bool,
}

impl Scratch {
    fn xfs() -> Option<Self> {
        Self::made_by("mkfs.xfs", &["-q", "-m", "reflink=1"], "loop")
    }

    /// What is removed comes free after each commit: every second, not every thirty (btrfs(5), `commit`).
    fn btrfs() -> Option<Self> {
        Self::made_by("mkfs.btrfs", &["-q"], "loop,commit=1")
    }

    fn made_by(program: &str, options: &[&str], mounting: &str) -> Option<Self> {
        if !can_mount() {
            return None;
        }
        let folder = tempfile::tempdir().unwrap();
        let (image, drive) = (folder.path().join("image"), folder.path().join("drive"));
        fs::create_dir(&drive).unwrap();
        fs::File::create(&image).unwrap().set_len(1 << 30).unwrap();
        ok(Command::new(program).args(options).arg(&image));
        ok(Command::new("mount")
            .args(["-o", mounting])
            .arg(&image)
            .arg(&drive));
        fs::create_dir(drive.join("orders")).unwrap();
        let is_xfs = program == "mkfs.xfs";
        Some(Self { folder, is_xfs })
    }

    fn job(&self) -> PathBuf {
        self.folder.path().join("drive/orders")
    }

    fn measured(&self) -> SpaceMap {
        ok(Command::new("sync").arg("-f").arg(self.job()));
        let measured = measure(&self.job()).unwrap();
        assert_eq!(measured.notes, [""; 0]);
        measured.space
    }

    /// Bytes in use on the drive (statvfs(3)).
    fn used(&self) -> u64 {
        ok(Command::new("sync").arg("-f").arg(self.job()));
        if self.is_xfs {
            // XFS gives back in the background what was removed; this waits for it (xfs_spaceman(8), `prealloc -s`)
            let drive = self.folder.path().join("drive");
            ok(Command::new("xfs_spaceman")
                .args(["-c", "prealloc -s"])
                .arg(drive));
        }
        let found = rustix::fs::statvfs(self.job()).unwrap();
        (found.f_blocks - found.f_bfree) * found.f_frsize
    }

    fn in_job(&self, program: &str, arguments: &[&str]) -> String {
        let out = ok(Command::new(program)
            .args(arguments)
            .current_dir(self.job()));
        String::from_utf8(out.stdout).unwrap()
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let drive = self.folder.path().join("drive");
        let _ = Command::new("umount").arg("-l").arg(drive).output();
    }
}

/// Bytes that no compression shrinks, none alike for another seed (xorshift64 of Marsaglia, 2003).
fn noise(seed: u64, length: usize) -> Vec<u8> {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state.to_le_bytes()
    };
    let mut bytes: Vec<u8> = (0..length.div_ceil(8)).flat_map(|_| next()).collect();
    bytes.truncate(length);
    bytes
}

/// Photographs, small texts, and a hard link.
fn fill(folder: &Path) {
    fs::create_dir_all(folder.join("texts")).unwrap();
    for number in 0..12 {
        fs::write(
            folder.join(format!("photograph-{number}")),
            noise(number, 1_500_000),
        )
        .unwrap();
    }
    for number in 0..300 {
        fs::write(folder.join(format!("texts/{number}")), noise(number, 700)).unwrap();
    }
    fs::write(folder.join("tonight"), noise(500, 1_200_000)).unwrap();
    fs::hard_link(folder.join("photograph-0"), folder.join("texts/cover")).unwrap();
}

/// A night of edits of every kind: replaced, written within, longer, gone, new, copied by reflink, other mode.
fn edit(folder: &Path, night: u64) {
    fs::remove_file(folder.join("tonight")).unwrap();
    fs::write(folder.join("tonight"), noise(500 + night, 1_200_000)).unwrap();
    let photograph = |number| folder.join(format!("photograph-{number}"));
    fs::remove_file(photograph(night)).unwrap();
    fs::write(photograph(night), noise(100 + night, 2_000_000)).unwrap();
    let mut within = fs::OpenOptions::new()
        .write(true)
        .open(photograph(5))
        .unwrap();
    within.seek(SeekFrom::Start(64 * 1024 * night)).unwrap();
    within.write_all(&noise(200 + night, 200_000)).unwrap();
    let mut longer = fs::OpenOptions::new()
        .append(true)
        .open(photograph(6))
        .unwrap();
    longer.write_all(&noise(300 + night, 300_000)).unwrap();
    fs::remove_file(photograph(8 + night)).unwrap();
    fs::write(
        folder.join(format!("new-{night}")),
        noise(400 + night, 900_000),
    )
    .unwrap();
    ok(Command::new("cp")
        .arg("--reflink=always")
        .arg(photograph(7))
        .arg(folder.join(format!("twin-{night}"))));
    fs::set_permissions(
        photograph(4),
        fs::Permissions::from_mode(0o600 + u32::try_from(night).unwrap()),
    )
    .unwrap();
}

/// The drive's own trees and lists shrink and grow as well.
const METADATA: u64 = 600_000;

#[track_caller]
fn near(found: u64, wanted: u64, of: &str) {
    assert!(
        found.abs_diff(wanted) <= METADATA,
        "{of}: {found}, wanted {wanted}"
    );
}

/// Removes one after another, in an order that leaves gaps.
fn removal_gives_back_what_was_foretold(drive: &Scratch, remove: impl Fn(&str)) {
    let mut left: BTreeSet<&str> = NIGHTS.into();
    for night in [NIGHTS[1], NIGHTS[0], NIGHTS[3]] {
        let (space, used) = (drive.measured(), drive.used());
        let kept = left
            .iter()
            .filter(|one| **one != night)
            .map(|one| name(one))
            .collect();
        let foretold = space.alone(name(night)).bytes();
        assert_eq!(
            space.total().bytes() - space.use_of(&kept).bytes(),
            foretold
        );
        assert!(
            foretold > METADATA,
            "{night} holds too little alone to tell: {foretold}"
        );
        remove(night);
        near(used - drive.used(), foretold, night);
        left.remove(night);
        near(
            drive.measured().total().bytes(),
            space.use_of(&kept).bytes(),
            "the rest",
        );
    }
}

#[test]
fn on_xfs_the_removal_of_a_generation_gives_back_what_it_took_alone() {
    let Some(drive) = Scratch::xfs() else {
        return;
    };
    for (number, night) in (0..).zip(NIGHTS) {
        if number == 0 {
            fill(&drive.job().join(night));
        } else {
            let before = NIGHTS[usize::try_from(number).unwrap() - 1];
            drive.in_job("cp", &["-a", "--reflink=always", before, night]);
            edit(&drive.job().join(night), number);
        }
    }
    let all = drive.used();
    let total = drive.measured().total().bytes();
    assert!(total < all && total > 30_000_000, "{total} of {all}");
    removal_gives_back_what_was_foretold(&drive, |night| {
        fs::remove_dir_all(drive.job().join(night)).unwrap();
    });
}

/// A subvolume for each night, the next a snapshot of the one before.
fn snapshots(drive: &Scratch) {
    drive.in_job("btrfs", &["subvolume", "create", NIGHTS[0]]);
    fill(&drive.job().join(NIGHTS[0]));
    for (number, pair) in (1..).zip(NIGHTS.windows(2)) {
        drive.in_job("btrfs", &["subvolume", "snapshot", pair[0], pair[1]]);
        edit(&drive.job().join(pair[1]), number);
    }
}

#[test]
fn on_btrfs_the_removal_of_a_snapshot_gives_back_what_it_took_alone() {
    let Some(drive) = Scratch::btrfs() else {
        return;
    };
    snapshots(&drive);
    removal_gives_back_what_was_foretold(&drive, |night| {
        drive.in_job("btrfs", &["subvolume", "delete", night]);
        drive.in_job("btrfs", &["subvolume", "sync", "."]);
    });
}

/// `btrfs filesystem du` leaves out what lies within the trees: files so small, folders and links.
#[test]
fn on_btrfs_each_snapshot_takes_alone_what_btrfs_calls_exclusive() {
    let Some(drive) = Scratch::btrfs() else {
        return;
    };
    snapshots(&drive);
    let space = drive.measured();
    let raw = drive.in_job(
        "btrfs",
        &[["filesystem", "du", "-s", "--raw"].as_slice(), &NIGHTS].concat(),
    );
    let lines: Vec<Vec<&str>> = raw
        .lines()
        .skip(1)
        .map(|line| line.split_whitespace().collect())
        .collect();
    assert_eq!(lines.len(), NIGHTS.len(), "{raw}");
    for (line, night) in lines.iter().zip(NIGHTS) {
        let exclusive: u64 = line[1].parse().unwrap();
        assert_eq!(line[3], night);
        let within = within_trees(&drive.job().join(night));
        let alone = space.alone(name(night)).bytes();
        assert!(
            (exclusive..=exclusive + within).contains(&alone),
            "{night}: {alone}, btrfs: {exclusive} and at most {within}"
        );
    }
}

/// Bytes of files up to 2048 bytes, which btrfs(5) keeps within its trees (`max_inline`), by their blocks.
fn within_trees(folder: &Path) -> u64 {
    let out = ok(Command::new("find")
        .arg(folder)
        .args(["-type", "f", "-size", "-5b", "-printf", "%b\n"]));
    let blocks = String::from_utf8(out.stdout).unwrap();
    blocks
        .lines()
        .map(|line| 512 * line.parse::<u64>().unwrap())
        .sum()
}
