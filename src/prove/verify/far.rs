//! Verifies one copy on another host: names are looked at and files digested over there, and held against the manifest
//! here. One batch after another, in one connection.

use std::collections::{HashMap, HashSet};
use std::ffi::OsStr;
use std::hash::{BuildHasher, RandomState};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::{Path, PathBuf};

use sha2::{Digest as _, Sha256};

use super::check::{Checked, Ended, Order};
use super::chosen::{Choice, Chosen, Slice};
use super::compare::{Attributes, Content, compare};
use super::good_copies::root_of;
use super::known::Known;
use super::ledger::Sum;
use super::pace::Pace;
use super::sample::Sample;

use crate::plan::Stop;
use crate::prove::manifest::{Digest, Entry, EntryKind, Time, read};
use crate::record::{Form, Generation, What};
use crate::system::far_session::FarSession;
use crate::system::remote_drive::ask_remote;
use crate::tools::far_look::{self, Request};
use crate::tools::find;
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

/// What is over there under a name.
#[derive(Debug, Clone)]
struct Far {
    entry: Entry,
    device: u64,
    inode: u64,
    links: u64,
    changed: Vec<u8>,
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

/// The inodes of the copy and its manifest; `None` when one is not there.
fn identity_of(generation: &Generation, reading: &FarReading) -> Result<Option<Vec<u8>>, Stop> {
    let entry = reading.folder.join(generation.form.entry(generation.name));
    let manifest = reading
        .folder
        .join(generation.form.manifest(generation.name));
    let answer = match generation.form {
        Form::Tree | Form::Current => {
            ask_remote(reading.line, &find::inodes_of(&[&entry, &manifest]))?
        }
        // an archive that is missing, or another, is a finding
        Form::Tar | Form::SealedTar => ask_remote(reading.line, &find::inodes_of(&[&manifest]))?,
    };
    Ok(answer.is_well().then_some(answer.stdout))
}

fn choose(
    generation: &Generation,
    order: &Order,
    reading: &FarReading,
    manifest: &Path,
) -> Result<Chosen, Stop> {
    Ok(match order {
        Order::Everything => Chosen::Everything,
        Order::Sample { files, seed } => {
            let at = Time {
                seconds: generation.name.instant().as_second(),
                nanos: 0,
            };
            let mut sample = Sample::new(&format!("{seed} {}", generation.name), at);
            let mut printed = FarSession::print(reading.line, manifest)?;
            for entry in read(printed.output()).flatten() {
                sample.count(&entry);
            }
            printed.end()?;
            sample.share_out(*files);
            Chosen::Sample(sample)
        }
        Order::Slice { after, budget, .. } => {
            Chosen::Slice(Slice::new(after.clone(), *budget, None))
        }
    })
}

/// The way from the root of a copy to that of the copy before.
fn before_of(order: &Order) -> Option<Vec<u8>> {
    match order {
        Order::Slice {
            before: Some(before),
            ..
        } if before.form == Form::Tree => Some(format!("./../{}/", before.name).into_bytes()),
        _ => None,
    }
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
        let mut is_broken = false;
        for entry in read(printed.output()).ours_only() {
            let entry = match entry {
                Ok(entry) => entry,
                Err(error) => {
                    let words = format!("{error}; what it tells from there on was not checked");
                    self.sum.find(b"", What::Manifest, words);
                    is_broken = true;
                    break;
                }
            };
            let is_meant = own.as_ref().is_none_or(|own| own.as_bytes() == entry.path);
            if entry.path.is_empty() || !is_meant {
                continue;
            }
            let entry = self.as_kept(entry);
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
        if !is_broken {
            printed.end()?;
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

    /// As rsync keeps it for an account that is not root (rsync(1), `--fake-super`; how, its source tells): a link as a
    /// file that holds the target, a device, socket or pipe as an empty one.
    fn as_kept(&self, mut entry: Entry) -> Entry {
        if self.attributes != Attributes::TimeOnly {
            return entry;
        }
        let content = match &entry.kind {
            EntryKind::Folder | EntryKind::File { .. } => return entry,
            EntryKind::Link { target } => target.clone(),
            _ => Vec::new(),
        };
        entry.kind = EntryKind::File {
            size: content.len() as u64,
            digest: Some(Digest(Sha256::digest(&content).into())),
        };
        entry
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
        let mut wanted = Vec::new();
        let mut bytes = 0;
        let mut known = HashMap::new();
        // a name of a file that has another name in this batch, and that name
        let mut same_file: HashMap<Vec<u8>, Vec<u8>> = HashMap::new();
        let mut inodes: HashMap<(u64, u64), Vec<u8>> = HashMap::new();
        let mut last = None;
        let mut done = 0;
        for (entry, choice) in &mut batch {
            if self.chosen.is_enough() {
                break;
            }
            done += 1;
            last = Some(entry.path.clone());
            let far = there.get(&own_name(&entry.path));
            if *choice == Choice::IfNotShared {
                *choice = if self.is_shared(entry, &there) {
                    Choice::Look
                } else {
                    self.chosen.spend(entry);
                    Choice::Read
                };
            }
            let (EntryKind::File { digest, .. }, Choice::Read, Some(far)) =
                (&entry.kind, *choice, far)
            else {
                continue;
            };
            let EntryKind::File { size, .. } = far.entry.kind else {
                continue;
            };
            let had = digest
                .filter(|_| far.links > 1)
                .and_then(|digest| self.reading.known.had(far.device, far.inode, &digest));
            match had {
                Some(same) => {
                    known.insert(entry.path.clone(), same);
                }
                None => {
                    let name = own_name(&entry.path);
                    let inode = (far.device, far.inode);
                    if let Some(first) = inodes.get(&inode).filter(|_| far.links > 1) {
                        same_file.insert(name, first.clone());
                        continue;
                    }
                    inodes.insert(inode, name.clone());
                    bytes += size;
                    wanted.extend(name);
                    wanted.push(0);
                }
            }
        }
        batch.truncate(done);
        if self.reading.pace.before(bytes).is_err() {
            return Ok(false);
        }
        let mut digests = self.digests_of(&wanted)?;
        for (name, first) in &same_file {
            let same = digests.get(first).map(|(digest, _)| (*digest, 0));
            digests.extend(same.map(|same| (name.clone(), same)));
        }
        for (entry, choice) in &batch {
            self.judge(entry, *choice, &there, &known, &digests);
        }
        if let Some(last) = last {
            self.place = Some(PathBuf::from(std::ffi::OsString::from_vec(last.clone())));
            (self.reading.tell)(&self.sum, Some(&last));
        }
        Ok(true)
    }

    fn judge(
        &mut self,
        entry: &Entry,
        choice: Choice,
        there: &HashMap<Vec<u8>, Far>,
        known: &HashMap<Vec<u8>, bool>,
        digests: &Digests,
    ) {
        self.sum.names += 1;
        let name = own_name(&entry.path);
        let Some(far) = there.get(&name) else {
            self.sum.find(&entry.path, What::Missing, "it is not there");
            return;
        };
        let mut content = Content::Unknown;
        if let (EntryKind::File { digest, .. }, EntryKind::File { size, .. }, Choice::Read) =
            (&entry.kind, &far.entry.kind, choice)
        {
            let verdict = |is: bool| if is { Content::Same } else { Content::Other };
            if let Some(same) = known.get(&entry.path) {
                content = verdict(*same);
            } else if let Some((found, reads)) = digests.get(&name) {
                self.sum.files += reads;
                self.sum.bytes += reads * size;
                if far.links > 1 {
                    self.reading.known.learn(far.device, far.inode, found);
                }
                match digest {
                    Some(wanted) => content = verdict(found == wanted),
                    None => self.sum.without_digest += 1,
                }
            } else {
                self.sum.find(&entry.path, What::Unreadable, UNREAD);
                return;
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

    fn digests_of(&mut self, names: &[u8]) -> Result<Digests, Stop> {
        let mut digests = Digests::new();
        if names.is_empty() {
            return Ok(digests);
        }
        self.session.ask(Request::Digests, names, &mut |record| {
            if let Some((digest, path)) = far_look::digest(record) {
                digests.insert(path.to_vec(), (Digest(digest), 1));
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

/// The digest of each name, and how often the file was read for it: not again for its other names.
type Digests = HashMap<Vec<u8>, (Digest, u64)>;

const UNREAD: &str = "the other host could not read it";

/// `./` in front, so that no name is taken for an option.
fn own_name(path: &[u8]) -> Vec<u8> {
    [b"./", path].concat()
}

fn far(attributes: &far_look::Attributes, target: &[u8]) -> Far {
    let kind = match attributes.kind {
        b'd' => EntryKind::Folder,
        b'l' => EntryKind::Link {
            target: target.to_vec(),
        },
        b'p' => EntryKind::Fifo,
        b's' => EntryKind::Socket,
        b'c' => EntryKind::CharDevice { major: 0, minor: 0 },
        b'b' => EntryKind::BlockDevice { major: 0, minor: 0 },
        _ => EntryKind::File {
            size: attributes.size,
            digest: None,
        },
    };
    Far {
        entry: Entry {
            path: Vec::new(),
            kind,
            mode: attributes.mode,
            uid: attributes.uid,
            gid: attributes.gid,
            time: Time {
                seconds: attributes.seconds,
                nanos: attributes.nanos,
            },
        },
        device: attributes.device,
        inode: attributes.inode,
        links: attributes.links,
        changed: attributes.changed.to_vec(),
    }
}

/// The other host's programs say on standard error why they could not look or read: that comes when all is done.
fn word_complaints(sum: &mut Sum, complaints: &str) {
    if complaints.is_empty() {
        return;
    }
    let lines: Vec<&str> = complaints.lines().collect();
    for finding in &mut sum.findings {
        if !matches!(finding.what, What::Missing | What::Unreadable) {
            continue;
        }
        let name = OsStr::from_bytes(finding.path.as_os_str().as_bytes()).to_string_lossy();
        let about = lines.iter().find(|line| {
            line.contains(&format!("./{name}':")) || line.contains(&format!("./{name}:"))
        });
        let Some(why) = about.and_then(|line| line.rsplit(": ").next()) else {
            continue;
        };
        if finding.what == What::Missing && why != "No such file or directory" {
            finding.what = What::Unreadable;
            sum.found.missing -= 1;
            sum.found.unreadable += 1;
        }
        if finding.what == What::Unreadable {
            finding.words = format!("{UNREAD}: {why}");
        }
    }
}

/// Every path of a manifest, as a hash of it.
#[derive(Debug, Default)]
struct AllNames {
    hasher: RandomState,
    hashes: HashSet<u64>,
}

impl AllNames {
    fn add(&mut self, path: &[u8]) {
        self.hashes.insert(self.hasher.hash_one(path));
    }

    fn has(&self, path: &[u8]) -> bool {
        self.hashes.contains(&self.hasher.hash_one(path))
    }
}

/// What cannot be held against the manifest on such a drive, in words; `None` when all can.
pub fn not_compared(line: &SshLine) -> Option<String> {
    line.keeps_owners_in_xattrs().then(|| {
        format!(
            "owners, modes and devices were not compared: the account `{}` on `{}` is not root and keeps them elsewhere",
            line.host.user, line.host.host
        )
    })
}
