//! Writes the manifests of copies that the real binary made, with digests by `sha256sum`.

use std::fs;
use std::os::fd::AsFd;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::Path;
use std::process::Command;

use hayloft::prove::manifest::{Beside, Digest, Entry, EntryKind, Heading, Time, write_in};

use crate::world::{World, ok};

/// Writes the manifest of every copy of a job that has none yet, whatever its form.
pub fn write_missing(world: &World, job: &str) {
    let folder = world.copies(job);
    for name in world.entries(job) {
        let stem = name.split('.').next().unwrap();
        let manifest = format!("{stem}.mtree");
        let is_copy = stem == "current" || (stem.len() == 16 && stem.ends_with('Z'));
        if is_copy && !folder.join(&manifest).exists() {
            write(&folder, &name, &manifest);
        }
    }
}

/// Writes `manifest` for the copy `name` in `folder`.
pub fn write(folder: &Path, name: &str, manifest: &str) {
    let copy = folder.join(name);
    if copy.is_dir() {
        write_of(&copy, folder, name, manifest);
    } else {
        let entries = [entry(folder, b""), entry(&copy, name.as_bytes())];
        write_entries(&entries, folder, name, manifest);
    }
}

/// Writes into `folder` a manifest for the copy `name` that tells of another tree.
pub fn write_of(tree: &Path, folder: &Path, name: &str, manifest: &str) {
    let mut entries = vec![entry(tree, b"")];
    below(tree, b"", &mut entries);
    write_entries(&entries, folder, name, manifest);
}

fn write_entries(entries: &[Entry], folder: &Path, name: &str, manifest: &str) {
    let held = fs::File::open(folder).unwrap();
    let heading = Heading {
        title: name,
        file: manifest,
        beside: Beside::Folder(name),
    };
    write_in(held.as_fd(), &heading, |writer| {
        entries.iter().try_for_each(|entry| writer.entry(entry))
    })
    .unwrap();
}

fn below(folder: &Path, path: &[u8], entries: &mut Vec<Entry>) {
    let mut names: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .collect();
    names.sort();
    for name in names {
        let whole = if path.is_empty() {
            name.as_bytes().to_vec()
        } else {
            [path, b"/", name.as_bytes()].concat()
        };
        let there = folder.join(&name);
        let entry = entry(&there, &whole);
        let is_folder = entry.kind == EntryKind::Folder;
        entries.push(entry);
        if is_folder {
            below(&there, &whole, entries);
        }
    }
}

fn entry(there: &Path, path: &[u8]) -> Entry {
    let found = fs::symlink_metadata(there).unwrap();
    let file_type = found.file_type();
    let device = || {
        let number = found.rdev();
        (rustix::fs::major(number), rustix::fs::minor(number))
    };
    let kind = if file_type.is_dir() {
        EntryKind::Folder
    } else if file_type.is_symlink() {
        let target = fs::read_link(there).unwrap();
        EntryKind::Link {
            target: target.as_os_str().as_bytes().to_vec(),
        }
    } else if file_type.is_fifo() {
        EntryKind::Fifo
    } else if file_type.is_socket() {
        EntryKind::Socket
    } else if file_type.is_char_device() {
        let (major, minor) = device();
        EntryKind::CharDevice { major, minor }
    } else if file_type.is_block_device() {
        let (major, minor) = device();
        EntryKind::BlockDevice { major, minor }
    } else {
        EntryKind::File {
            size: found.len(),
            digest: Some(sha256sum(there)),
        }
    };
    Entry {
        path: path.to_vec(),
        kind,
        mode: found.mode() & 0o7777,
        uid: found.uid(),
        gid: found.gid(),
        time: Time {
            seconds: found.mtime(),
            nanos: u32::try_from(found.mtime_nsec()).unwrap(),
        },
    }
}

/// The digest of a file by the program of coreutils.
pub fn sha256sum(file: &Path) -> Digest {
    let out = ok(Command::new("sha256sum").args(["-z", "--"]).arg(file));
    let hex = std::str::from_utf8(&out.stdout[..64]).unwrap();
    let mut digest = [0; 32];
    for (byte, at) in digest.iter_mut().zip((0..).step_by(2)) {
        *byte = u8::from_str_radix(&hex[at..at + 2], 16).unwrap();
    }
    Digest(digest)
}
