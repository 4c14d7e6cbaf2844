//! Hands a tar archive on as it is written, and tells what is in it: a manifest of its members.

use std::collections::{HashMap, HashSet};
use std::fs::{self, File};
use std::io::{self, BufReader, Read, Seek, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use super::filter::{PIECE, Tee, hand_on};
use super::member::{Member, read_member};
use super::order::Order;
use super::stream::Members;
use crate::jobs::Encrypt;
use crate::prove::manifest::{Beside, Entry, EntryKind, Heading, Time, Writer, read};
use crate::restore::{SealError, seal};

/// Where a manifest goes, and what it says of itself.
#[derive(Debug, Clone)]
pub struct Listing {
    pub title: String,
    /// The archive's name.
    pub archive: String,
    /// The manifest's name.
    pub name: String,
    /// The file to write it to.
    pub to: PathBuf,
    /// With what it is closed.
    pub encrypt: Option<Encrypt>,
    /// A folder for what is of no use afterwards.
    pub scratch: PathBuf,
    /// The folders that lead to sources, as the archive names them.
    pub above: Vec<Vec<u8>>,
}

/// Hands `input`, a tar archive in POSIX form, on to `output`, and writes the manifest of what is in it. The bytes are
/// handed on whatever is in them.
///
/// # Errors
/// When a stream breaks, a file cannot be written, or the archive is not as GNU tar writes it.
pub fn list(input: impl Read, output: impl Write, listing: &Listing) -> Result<(), SealError> {
    let mut first = passing(&listing.scratch).map_err(SealError::Stream)?;
    let links = hand_on_and_list(input, output, &mut first, listing).map_err(SealError::Stream)?;
    let rewind = |file: &mut File| file.rewind().map_err(SealError::Stream);
    rewind(&mut first)?;
    let mut to = new_file(&listing.to).map_err(SealError::Stream)?;
    match &listing.encrypt {
        None => {
            with_links(first, &to, listing, &links).map_err(SealError::Stream)?;
        }
        Some(encrypt) => {
            let mut plain = passing(&listing.scratch).map_err(SealError::Stream)?;
            with_links(first, &plain, listing, &links).map_err(SealError::Stream)?;
            rewind(&mut plain)?;
            seal(encrypt, plain, &mut to)?;
        }
    }
    to.sync_all().map_err(SealError::Stream)
}

/// Further names of files that came before, of any kind but folders: by their number in the manifest, with the path of the other.
type Links = HashMap<u64, Vec<u8>>;

/// A manifest in which further names of a file have no length and digest yet: whether a file has such is known
/// only when they come.
fn hand_on_and_list(
    input: impl Read,
    output: impl Write,
    first: &mut File,
    listing: &Listing,
) -> io::Result<Links> {
    let tee = Tee {
        input: BufReader::with_capacity(PIECE, input),
        output,
    };
    let mut members = Members::new(tee);
    let listed = list_members(&mut members, first, listing);
    // what follows the last member, and all of it where something in it could not be told
    let mut tee = members.into_inner();
    hand_on(&mut tee, |_| Ok(()))?;
    tee.output.flush()?;
    listed
}

fn list_members<R: Read>(
    members: &mut Members<R>,
    first: &mut File,
    listing: &Listing,
) -> io::Result<Links> {
    let mut writer = Writer::begin(first, &heading(listing))?;
    writer.entry(&root())?;
    let mut links = Links::new();
    let mut count = 1;
    let mut give = |member: Member| {
        if member.entry.path.is_empty() {
            return Ok(());
        }
        links.extend(member.same_as.map(|path| (count, path)));
        count += 1;
        writer.entry(&member.entry)
    };
    let mut order = Order::new(&listing.above);
    while let Some(head) = members.next()? {
        order.take(read_member(&head, members)?, &mut give)?;
    }
    order.finish(&mut give)?;
    writer.finish()?;
    Ok(links)
}

/// Writes the manifest `first` to `to`, with what further names of files have in common with the first one.
fn with_links(first: File, to: &File, listing: &Listing, links: &Links) -> io::Result<()> {
    let mut writer = Writer::begin(to, &heading(listing))?;
    let wanted: HashSet<&Vec<u8>> = links.values().collect();
    let mut known: HashMap<Vec<u8>, EntryKind> = HashMap::new();
    let entries = read(BufReader::with_capacity(PIECE, first));
    for (number, entry) in (0..).zip(entries) {
        let mut entry = entry.map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error))?;
        if let Some(path) = links.get(&number) {
            let found = known.get(path).cloned();
            entry.kind = found.ok_or_else(|| {
                let words = format!(
                    "`{}` in the archive is linked to what is not in it",
                    entry.path.escape_ascii()
                );
                io::Error::new(io::ErrorKind::InvalidData, words)
            })?;
        }
        if wanted.contains(&entry.path) {
            known.insert(entry.path.clone(), entry.kind.clone());
        }
        writer.entry(&entry)?;
    }
    writer.finish()?;
    Ok(())
}

fn heading(listing: &Listing) -> Heading<'_> {
    Heading {
        title: &listing.title,
        file: &listing.name,
        beside: Beside::Unpacked(&listing.archive),
    }
}

/// The folder that an archive is unpacked into, as the heading says to make it: tar stores none.
fn root() -> Entry {
    Entry {
        path: Vec::new(),
        kind: EntryKind::Folder,
        mode: 0o755,
        uid: 0,
        gid: 0,
        time: Time::default(),
    }
}

fn new_file(path: &Path) -> io::Result<File> {
    let flags = rustix::fs::OFlags::NOFOLLOW.bits();
    let mut options = File::options();
    options.read(true).write(true).create(true).truncate(true);
    options.mode(0o600);
    options.custom_flags(i32::try_from(flags).unwrap_or(0));
    options.open(path)
}

/// A file of which nothing is left when it is closed.
fn passing(folder: &Path) -> io::Result<File> {
    fs::DirBuilder::new().recursive(true).create(folder)?;
    let path = folder.join(format!("passing-{}.mtree", std::process::id()));
    let file = new_file(&path)?;
    fs::remove_file(path)?;
    Ok(file)
}
