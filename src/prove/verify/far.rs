//! Verifies one copy on another host: names are looked at and files digested over there, and held against the manifest
//! here. One batch after another, in one connection.

use std::collections::HashMap;
use std::ffi::OsString;
use std::os::unix::ffi::OsStringExt;
use std::path::{Path, PathBuf};

use super::check::{Checked, Ended, Order};
use super::chosen::{Choice, Chosen};
use super::compare::{Attributes, Content, compare};
use super::far_batch::{Contents, Found, ToRead};
use super::far_order::{before_of, choose, identity_of};
use super::far_seen::{AllNames, Far, UNREAD, as_kept, far, own_name, word_complaints};
use super::good_copies::root_of;
use super::known::Known;
use super::ledger::Sum;
use super::pace::Pace;

use crate::plan::Stop;
use crate::prove::manifest::{Digest, Entry, EntryKind, read};
use crate::record::{Form, Generation, What};
use crate::system::far_session::FarSession;
use crate::tools::far_look::{self, Request};
use crate::tools::ssh::SshLine;

/// Names asked about at once: the answer must find room on the way while more is asked.
const NAMES: usize = 128;
const NAME_BYTES: usize = 32 << 10;
/// Bytes digested at once: so much is read after being told to stop.
const BYTES: u64 = 64 << 20;

/// Where the copy is, and what all copies of one look share.
pub struct FarReading<'a> {
    pub line: &'a SshLine,
    /// The job's folder over there.
    pub folder: &'a Path,
    pub known: &'a Known,
    pub pace: &'a Pace<'a>,
    pub tell: &'a (dyn Fn(&Sum, Option<&[u8]>) + Sync),
}

/// Verifies the copy `generation`.
///
/// # Errors
/// A [`Stop`] when the connection cannot be opened or breaks.
pub fn check_far_copy(
    generation: &Generation,
    order: &Order,
    reading: &FarReading,
) -> Result<Checked, Stop> {
    let manifest = reading
        .folder
        .join(generation.form.manifest(generation.name));
    let Some(identity) = identity_of(generation, reading)? else {
        return Ok(Checked {
            sum: Sum::default(),
            ended: Ended::NoManifest,
            place: None,
        });
    };
    let chosen = choose(generation, order, reading, &manifest)?;
    let root = reading.folder.join(root_of(generation));
    let mut look = Look {
        reading,
        session: FarSession::open(reading.line, &root)?,
        chosen,
        before: before_of(order),
        attributes: if reading.line.keeps_owners_in_xattrs() {
            Attributes::TimeOnly
        } else {
            Attributes::All
        },
        sum: Sum::default(),
        names: AllNames::default(),
        place: None,
    };
    let ended = look.go_through(generation, &manifest)?;
    let Look {
        session,
        mut sum,
        place,
        ..
    } = look;
    let complaints = session.end()?;
    word_complaints(&mut sum, &complaints);
    let ended = if identity_of(generation, reading)? == Some(identity) {
        ended
    } else {
        Ended::Gone
    };
    Ok(Checked { sum, ended, place })
}

struct Look<'a> {
    reading: &'a FarReading<'a>,
    session: FarSession,
    chosen: Chosen,
    before: Option<Vec<u8>>,
    attributes: Attributes,
    sum: Sum,
    names: AllNames,
    place: Option<PathBuf>,
}

impl Look<'_> {
    fn go_through(&mut self, generation: &Generation, manifest: &Path) -> Result<Ended, Stop> {
        let own = match generation.form {
            Form::Tar | Form::SealedTar => Some(generation.form.entry(generation.name)),
            Form::Tree | Form::Current => None,
        };
        let mut printed = FarSession::print(self.reading.line, manifest)?;
        let mut batch = Vec::new();
        let (mut names, mut bytes) = (0, 0);
        let mut broken = None;
        for entry in read(printed.output()).ours_only() {
            let entry = match entry {
                Ok(entry) => entry,
                Err(error) => {
                    broken = Some(error);
                    break;
                }
            };
            let is_meant = own.as_ref().is_none_or(|own| own.as_bytes() == entry.path);
            if entry.path.is_empty() || !is_meant {
                continue;
            }
            let entry = as_kept(entry, self.attributes);
            self.names.add(&entry.path);
            names += entry.path.len() + 3;
            let choice = self.chosen.before(&entry);
            if let (EntryKind::File { size, .. }, Choice::Read | Choice::IfNotShared) =
                (&entry.kind, choice)
            {
                bytes += size;
            }
            if choice != Choice::Nothing {
                batch.push((entry, choice));
            }
            if batch.len() >= NAMES || names >= NAME_BYTES || bytes >= self.most_bytes() {
                if self.reading.pace.go_on().is_err() || !self.batch(&mut batch)? {
                    return Ok(Ended::Stopped);
                }
                (names, bytes) = (0, 0);
                if self.chosen.is_enough() {
                    return Ok(Ended::Enough);
                }
            }
        }
        if !self.batch(&mut batch)? {
            return Ok(Ended::Stopped);
        }
        if self.chosen.is_enough() {
            return Ok(Ended::Enough);
        }
        // a connection that broke off cuts a manifest short too, and is no damage
        printed.end()?;
        let is_broken = broken.is_some();
        if let Some(error) = broken {
            let words = format!("{error}; what it tells from there on was not checked");
            self.sum.find(b"", What::Manifest, words);
        }
        if let Chosen::Slice(slice) = &self.chosen
            && slice.has_lost_its_place()
        {
            return Ok(Ended::LostPlace);
        }
        if own.is_none() && !is_broken && matches!(self.chosen, Chosen::Everything) {
            self.find_extra()?;
        }
        Ok(Ended::Done)
    }

    fn most_bytes(&self) -> u64 {
        self.reading
            .pace
            .rate()
            .map_or(BYTES, |rate| rate.clamp(1, BYTES))
    }

    /// Gives whether to go on.
    fn batch(&mut self, batch: &mut Vec<(Entry, Choice)>) -> Result<bool, Stop> {
        let mut batch = std::mem::take(batch);
        let there = self.attributes_of(&batch)?;
        let mut to_read = ToRead::default();
        let mut done = 0;
        for (entry, choice) in &mut batch {
            if self.chosen.is_enough() {
                break;
            }
            done += 1;
            if *choice == Choice::IfNotShared {
                *choice = self.settle(entry, &there);
            }
            let name = own_name(&entry.path);
            if let (Choice::Read, Some(far)) = (*choice, there.get(&name)) {
                to_read.add(name, entry, far, self.reading.known);
            }
        }
        batch.truncate(done);
        if self.reading.pace.before(to_read.bytes).is_err() {
            return Ok(false);
        }
        let digests = self.digests_of(&to_read.names)?;
        let contents = to_read.contents(digests);
        for (entry, choice) in &batch {
            self.judge(entry, *choice, &there, &contents);
        }
        if let Some((last, _)) = batch.pop() {
            (self.reading.tell)(&self.sum, Some(&last.path));
            self.place = Some(PathBuf::from(OsString::from_vec(last.path)));
        }
        Ok(true)
    }

    /// Settles [`Choice::IfNotShared`].
    fn settle(&mut self, entry: &Entry, there: &HashMap<Vec<u8>, Far>) -> Choice {
        if self.is_shared(entry, there) {
            return Choice::Look;
        }
        self.chosen.spend(entry);
        Choice::Read
    }

    fn judge(
        &mut self,
        entry: &Entry,
        choice: Choice,
        there: &HashMap<Vec<u8>, Far>,
        contents: &Contents,
    ) {
        self.sum.names += 1;
        let name = own_name(&entry.path);
        let Some(far) = there.get(&name) else {
            self.sum.find(&entry.path, What::Missing, "it is not there");
            return;
        };
        let mut content = Content::Unknown;
        let is_file = |kind: &EntryKind| matches!(kind, EntryKind::File { .. });
        if choice == Choice::Read && is_file(&entry.kind) && is_file(&far.entry.kind) {
            match contents.of(&name) {
                Some(Found::Known(known)) => content = known,
                Some(Found::Digest(digest, reads)) => {
                    content = self.hold(entry, far, &digest, reads);
                }
                None => {
                    self.sum.find(&entry.path, What::Unreadable, UNREAD);
                    return;
                }
            }
        }
        let mut seen = far.entry.clone();
        // find(1) does not tell the numbers of a device
        if std::mem::discriminant(&seen.kind) == std::mem::discriminant(&entry.kind)
            && matches!(
                entry.kind,
                EntryKind::CharDevice { .. } | EntryKind::BlockDevice { .. }
            )
        {
            seen.kind = entry.kind.clone();
        }
        if let Some((what, words)) = compare(entry, &seen, content, self.attributes) {
            self.sum.find(&entry.path, what, words);
        }
    }

    /// Holds a digest against the manifest, and remembers it for other names of the file.
    fn hold(&mut self, entry: &Entry, far: &Far, found: &Digest, reads: u64) -> Content {
        let size = match far.entry.kind {
            EntryKind::File { size, .. } => size,
            _ => 0,
        };
        self.sum.files += reads;
        self.sum.bytes += reads * size;
        if far.links > 1 {
            self.reading.known.learn(far.device, far.inode, found);
        }
        if let EntryKind::File {
            digest: Some(wanted),
            ..
        } = entry.kind
        {
            return Content::of(*found == wanted);
        }
        self.sum.without_digest += 1;
        Content::Unknown
    }

    fn attributes_of(&mut self, batch: &[(Entry, Choice)]) -> Result<HashMap<Vec<u8>, Far>, Stop> {
        let mut names = Vec::new();
        for (entry, choice) in batch {
            names.extend(own_name(&entry.path));
            names.push(0);
            if let (Some(before), Choice::IfNotShared) = (&self.before, choice) {
                names.extend([before, entry.path.as_slice(), b"\0"].concat());
            }
        }
        let mut there: HashMap<Vec<u8>, Far> = HashMap::new();
        let mut link = None;
        self.session.ask(
            Request::Attributes,
            &names,
            &mut |record| match link.take() {
                None => link = Some(record.to_vec()),
                Some(first) => {
                    if let Some(attributes) = far_look::Attributes::read(&first) {
                        there.insert(attributes.path.to_vec(), far(&attributes, record));
                    }
                }
            },
        )?;
        Ok(there)
    }

    fn digests_of(&mut self, names: &[u8]) -> Result<HashMap<Vec<u8>, Digest>, Stop> {
        let mut digests = HashMap::new();
        if names.is_empty() {
            return Ok(digests);
        }
        self.session.ask(Request::Digests, names, &mut |record| {
            if let Some((digest, path)) = far_look::digest(record) {
                digests.insert(path.to_vec(), Digest(digest));
            }
        })?;
        Ok(digests)
    }

    /// As on a local drive: one inode, or one in a snapshot that nobody touched since.
    fn is_shared(&self, entry: &Entry, there: &HashMap<Vec<u8>, Far>) -> bool {
        let Some(before) = &self.before else {
            return false;
        };
        let other = there.get(&[before, entry.path.as_slice()].concat());
        match (there.get(&own_name(&entry.path)), other) {
            (Some(one), Some(other)) => {
                let untouched = one.entry == other.entry && one.changed == other.changed;
                one.inode == other.inode && (one.device == other.device || untouched)
            }
            _ => false,
        }
    }

    fn find_extra(&mut self) -> Result<(), Stop> {
        let (names, sum) = (&self.names, &mut self.sum);
        let words = "it is not in the manifest";
        self.session.ask(Request::Names, b"", &mut |path| {
            if !names.has(path) {
                sum.find(path, What::Extra, words);
            }
        })
    }
}
