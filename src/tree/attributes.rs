//! Extended attributes and ACLs, which are extended attributes to the kernel (xattr(7), acl(5)).

use std::ffi::OsStr;
use std::io;
use std::os::fd::BorrowedFd;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

use rustix::fs::{
    XattrFlags, fgetxattr, flistxattr, fremovexattr, fsetxattr, lgetxattr, llistxattr,
};
use rustix::io::Errno;

/// What a file or folder has, by name.
pub type Attributes = Vec<(Vec<u8>, Vec<u8>)>;

/// Those of an open file, sorted by name: all that belong to it, and none that the file system makes up.
pub fn of(file: BorrowedFd) -> io::Result<Attributes> {
    gathered(
        |buffer| flistxattr(file, buffer),
        |name, buffer| fgetxattr(file, name, buffer),
    )
}

/// As [`of`], for what is at a path; a link is not followed.
pub fn of_name(path: &Path) -> io::Result<Attributes> {
    gathered(
        |buffer| llistxattr(path, buffer),
        |name, buffer| lgetxattr(path, name, buffer),
    )
}

fn gathered(
    list: impl FnMut(&mut [u8]) -> Result<usize, Errno>,
    mut get: impl FnMut(&OsStr, &mut [u8]) -> Result<usize, Errno>,
) -> io::Result<Attributes> {
    let names = match grown(list) {
        Ok(names) => names,
        Err(Errno::NOTSUP) => return Ok(Vec::new()),
        Err(error) => return Err(error.into()),
    };
    let mut found = Vec::new();
    for name in names.split(|byte| *byte == 0).filter(|name| is_kept(name)) {
        match grown(|buffer| get(OsStr::from_bytes(name), buffer)) {
            Ok(value) => found.push((name.to_owned(), value)),
            Err(Errno::NODATA | Errno::NOTSUP) => {}
            Err(error) => return Err(error.into()),
        }
    }
    found.sort();
    Ok(found)
}

/// rsync(1) keeps the same: `-X` all but the system's own, `-A` the ACLs.
fn is_kept(name: &[u8]) -> bool {
    let of_anyone = [&b"user."[..], b"security.", b"trusted."]
        .iter()
        .any(|space| name.starts_with(space));
    // XFS shows ACLs a second time to root, as it holds them (the kernel's fs/xfs/xfs_xattr.c)
    let is_acl_of_xfs = name.starts_with(b"trusted.SGI_ACL_");
    (of_anyone && !is_acl_of_xfs) || name.starts_with(b"system.posix_acl_")
}

/// Gives `file` just the attributes `wanted`.
pub fn put(file: BorrowedFd, wanted: &Attributes) -> io::Result<()> {
    let there = of(file)?;
    if there == *wanted {
        return Ok(());
    }
    for (name, _) in &there {
        if !wanted.iter().any(|(other, _)| other == name) {
            fremovexattr(file, OsStr::from_bytes(name))?;
        }
    }
    for wanted in wanted.iter().filter(|wanted| !there.contains(wanted)) {
        let (name, value) = wanted;
        fsetxattr(file, OsStr::from_bytes(name), value, XattrFlags::empty())?;
    }
    Ok(())
}

/// Asks for the length first only where a small buffer does not do.
fn grown(mut ask: impl FnMut(&mut [u8]) -> Result<usize, Errno>) -> Result<Vec<u8>, Errno> {
    let mut small = [0; 256];
    match ask(&mut small) {
        Ok(length) => return Ok(small[..length].to_owned()),
        Err(Errno::RANGE) => {}
        Err(error) => return Err(error),
    }
    // the kernel's limits (xattr(7))
    let mut large = vec![0; 64 * 1024];
    let length = ask(&mut large)?;
    large.truncate(length);
    Ok(large)
}
