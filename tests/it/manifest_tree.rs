//! A tree of names that are hard to write down, and a plain walk that makes its manifest.

use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{MetadataExt, PermissionsExt, lchown, symlink};
use std::path::{Path, PathBuf};

use hayloft::prove::manifest::{Beside, Digest, Entry, EntryKind, Heading, Time, Writer};
use rustix::fs::{AtFlags, CWD, FileType, Mode, Timespec, Timestamps, makedev, mknodat, utimensat};
use sha2::Digest as _;

/// None of those with a `*`, `?` or `[` fits another one as a pattern: `mtree` cannot tell these from patterns.
const NAMES: &[&[u8]] = &[
    b"new\nline",
    b"tab\there",
    b"sp ace",
    b"trail ",
    b" lead",
    b" ",
    b"#hash",
    b"a#b",
    b"back\\slash",
    b"trail\\",
    b"\\#012",
    b"\\012",
    b"eq=uals",
    b"type=dir",
    b"star*",
    b"wh?t",
    b"br[ack]",
    b"brack]",
    b"\xff\xfe",
    b"\x80",
    b"\xa0nb",
    b"x\x85",
    b"caf\xc3\xa9",
    b"-dash",
    b"--delete",
    b"..x",
    b"...",
    b".hidden",
    b"'quotes'\"",
    b"\x01\x1b[31mred",
    b"\r",
    b"\x7f",
    b"$(touch x)`;&|<>{}",
    b"~",
    b"!%^,:@+",
    b"bel\x07\x08\x0b\x0c",
    b"set",
    b"\x01\x31",
    b"end: 3",
];

/// The names' folder is `plain`, with `glaze.txt` in it, for changes.
pub fn make(tree: &Path) {
    fs::create_dir_all(tree.join("plain")).unwrap();
    fs::write(tree.join("plain/glaze.txt"), "feldspar 40, silica 30\n").unwrap();
    fs::create_dir_all(tree.join("empty/within")).unwrap();
    let hard = tree.join("hard");
    fs::create_dir(&hard).unwrap();
    for name in NAMES {
        fs::write(below(&hard, name), name).unwrap();
        let folder = below(&hard, &[b"d", *name].concat());
        fs::create_dir(&folder).unwrap();
        fs::write(below(&folder, name), name).unwrap();
        symlink(
            std::ffi::OsStr::from_bytes(name),
            below(&hard, &[b"l", *name].concat()),
        )
        .unwrap();
    }
    long(tree);
    kinds(&tree.join("kinds"));
    let odd = [
        (-2, 500_000_000),
        (-5, 0),
        (0, 7),
        (-1, 999_999_999),
        (4_294_967_297, 120_000_000),
        (1, 7_528_969),
    ];
    for (entry, time) in walk(tree).iter().zip(odd.iter().cycle()) {
        touch(&below(tree, &entry.path), *time);
    }
}

/// A name of 255 bytes, and a path as long as a path can be.
fn long(tree: &Path) {
    fs::write(below(tree, &[0xff; 255]), "long").unwrap();
    let mut at = tree.join("deep");
    while at.as_os_str().len() + 256 < 4095 {
        at.push("L".repeat(250));
    }
    fs::create_dir_all(&at).unwrap();
    // PATH_MAX counts the NUL at the end
    let rest = 4095 - at.as_os_str().len() - 1;
    fs::write(at.join("z".repeat(rest)), "deep").unwrap();
    symlink("\n".repeat(4000), tree.join("long-link")).unwrap();
}

fn kinds(folder: &Path) {
    fs::create_dir(folder).unwrap();
    let make = |name: &str, kind: FileType, device: u64| {
        mknodat(
            CWD,
            folder.join(name),
            kind,
            Mode::from_raw_mode(0o640),
            device,
        )
        .unwrap();
    };
    make("fifo", FileType::Fifo, 0);
    make("socket", FileType::Socket, 0);
    make("null", FileType::CharacterDevice, makedev(1, 3));
    make("disk", FileType::BlockDevice, makedev(250, 70_000));
    fs::write(folder.join("nothing"), "").unwrap();
    fs::File::create(folder.join("hole"))
        .unwrap()
        .set_len(5_000_000)
        .unwrap();
    fs::write(folder.join("linked"), "one inode, two names").unwrap();
    fs::hard_link(folder.join("linked"), folder.join("linked again")).unwrap();
    symlink("no/such/place", folder.join("dangling")).unwrap();
    for (name, mode) in [
        ("setuid", 0o4755),
        ("setgid", 0o2640),
        ("none", 0),
        ("all", 0o7777),
    ] {
        fs::write(folder.join(name), name).unwrap();
        lchown(folder.join(name), Some(2_000_000_000), Some(4_294_967_294)).unwrap();
        fs::set_permissions(folder.join(name), fs::Permissions::from_mode(mode)).unwrap();
    }
    fs::create_dir(folder.join("sticky")).unwrap();
    fs::set_permissions(folder.join("sticky"), fs::Permissions::from_mode(0o1777)).unwrap();
    lchown(folder.join("dangling"), Some(1000), Some(1001)).unwrap();
}

pub fn below(folder: &Path, name: &[u8]) -> PathBuf {
    if name.is_empty() {
        folder.to_owned()
    } else {
        folder.join(std::ffi::OsStr::from_bytes(name))
    }
}

/// Sets the time of last modification to seconds and nanoseconds.
pub fn touch(path: &Path, (seconds, nanos): (i64, i64)) {
    let time = Timespec {
        tv_sec: seconds,
        tv_nsec: nanos,
    };
    let times = Timestamps {
        last_access: time,
        last_modification: time,
    };
    utimensat(CWD, path, &times, AtFlags::SYMLINK_NOFOLLOW).unwrap();
}

/// Every name of a tree, depth first.
pub fn walk(tree: &Path) -> Vec<Entry> {
    let mut entries = Vec::new();
    look(tree, b"", &mut entries);
    entries
}

fn look(tree: &Path, path: &[u8], entries: &mut Vec<Entry>) {
    let there = below(tree, path);
    let meta = fs::symlink_metadata(&there).unwrap();
    let kind = kind(&there, &meta);
    let is_folder = kind == EntryKind::Folder;
    let time = Time {
        seconds: meta.mtime(),
        nanos: u32::try_from(meta.mtime_nsec()).unwrap(),
    };
    let (mode, uid, gid) = (meta.mode() & 0o7777, meta.uid(), meta.gid());
    entries.push(Entry {
        path: path.to_vec(),
        kind,
        mode,
        uid,
        gid,
        time,
    });
    if is_folder {
        let names = fs::read_dir(&there).unwrap();
        let mut names: Vec<_> = names.map(|entry| entry.unwrap().file_name()).collect();
        names.sort();
        for name in names {
            let before = if path.is_empty() {
                Vec::new()
            } else {
                [path, b"/"].concat()
            };
            look(tree, &[&before, name.as_bytes()].concat(), entries);
        }
    }
}

fn kind(there: &Path, meta: &fs::Metadata) -> EntryKind {
    let (major, minor) = (
        rustix::fs::major(meta.rdev()),
        rustix::fs::minor(meta.rdev()),
    );
    match FileType::from_raw_mode(meta.mode()) {
        FileType::Directory => EntryKind::Folder,
        FileType::RegularFile => {
            let digest = sha2::Sha256::digest(fs::read(there).unwrap());
            EntryKind::File {
                size: meta.size(),
                digest: Some(Digest(digest.into())),
            }
        }
        FileType::Symlink => {
            let target = fs::read_link(there).unwrap();
            EntryKind::Link {
                target: target.as_os_str().as_bytes().to_vec(),
            }
        }
        FileType::Fifo => EntryKind::Fifo,
        FileType::Socket => EntryKind::Socket,
        FileType::CharacterDevice => EntryKind::CharDevice { major, minor },
        FileType::BlockDevice => EntryKind::BlockDevice { major, minor },
        FileType::Unknown => panic!("{} is of no known kind", there.display()),
    }
}

/// Writes the manifest `tree.mtree` of `entries` into `folder`, where the folder `tree` lies.
pub fn write_manifest(folder: &Path, entries: &[Entry]) -> PathBuf {
    let heading = Heading {
        title: "studio-files of kiln, 20261125T023000Z",
        file: "tree.mtree",
        beside: Beside::Folder("tree"),
    };
    let path = folder.join(heading.file);
    let mut writer = Writer::begin(fs::File::create(&path).unwrap(), &heading).unwrap();
    for entry in entries {
        writer.entry(entry).unwrap();
    }
    writer.finish().unwrap();
    path
}
