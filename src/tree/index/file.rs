//! An index as a file: written once by many hands, read in any order.

use std::collections::BTreeMap;
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU32, AtomicU64, Ordering};

use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use super::Seen;
use super::block::{damaged, decode, encode};
use crate::record::GenerationName;

/// First in the file, and last: what is not whole has no end.
const MAGIC: [u8; 8] = *b"hayidx2\n";
/// Before each block: its length, and its CRC-32 (ISO 3309), against what a power cut leaves.
const HEAD: usize = 4 + 4;
/// After the table and the foot: their lengths, their digest, and the mark of the end.
const TAIL: usize = 8 + 8 + 32 + 8;

/// What the whole index says.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Foot {
    /// The generation that holds what is indexed.
    pub generation: GenerationName,
    /// `f_fsid` of each file system of the source (statvfs(3)): it lasts longer than a device number.
    pub file_systems: Vec<u64>,
    /// Generations since which the drive holds some file.
    pub births: Vec<GenerationName>,
    /// Bytes on the drive by the generation in which they were new.
    pub alive: BTreeMap<GenerationName, u64>,
}

/// An index that was written whole.
#[derive(Debug)]
pub struct Index {
    file: File,
    length: u64,
    table: Vec<u64>,
    pub foot: Foot,
}

impl Index {
    /// # Errors
    /// When there is none, or it is damaged.
    pub fn open(path: &Path) -> io::Result<Self> {
        Self::read(File::open(path)?)
    }

    fn read(file: File) -> io::Result<Self> {
        let length = file.metadata()?.len();
        let tail_at = length.checked_sub(TAIL as u64).ok_or_else(damaged)?;
        let tail = read_at(&file, tail_at, TAIL)?;
        let number =
            |at: usize| u64::from_le_bytes(tail[at..at + 8].try_into().unwrap_or_default());
        let (table_length, foot_length) = (number(0), number(8));
        let end_at = table_length
            .checked_add(foot_length)
            .and_then(|sum| tail_at.checked_sub(sum))
            .ok_or_else(damaged)?;
        let end = read_at(
            &file,
            end_at,
            usize::try_from(tail_at - end_at).map_err(|_| damaged())?,
        )?;
        if tail[48..] != MAGIC || tail[16..48] != Sha256::digest(&end)[..] {
            return Err(damaged());
        }
        let (table, foot) = end.split_at(usize::try_from(table_length).map_err(|_| damaged())?);
        let offset = |bytes: &[u8]| u64::from_le_bytes(bytes.try_into().unwrap_or_default());
        Ok(Self {
            table: table.chunks_exact(8).map(offset).collect(),
            foot: serde_json::from_slice(foot)?,
            length,
            file,
        })
    }

    /// The names of one folder, sorted.
    ///
    /// # Errors
    /// When the block cannot be read or is damaged.
    pub fn block(&self, number: u32) -> io::Result<Vec<Seen>> {
        let offset = self.table.get(number as usize).ok_or_else(damaged)?;
        read_block(&self.file, *offset, self.length)
    }
}

/// An index that is being written.
#[derive(Debug)]
pub struct NewIndex {
    file: File,
    end: AtomicU64,
    next: AtomicU32,
    table: Mutex<Vec<u64>>,
}

impl NewIndex {
    /// # Errors
    /// When the file cannot be made.
    pub fn create(path: &Path) -> io::Result<Self> {
        let mut options = File::options();
        options.read(true).write(true).create(true).truncate(true);
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        Self::begin(options.open(path)?)
    }

    /// One that never touches a disk.
    ///
    /// # Errors
    /// When the kernel gives no memory for it.
    pub fn in_memory() -> io::Result<Self> {
        let file = rustix::fs::memfd_create("index", rustix::fs::MemfdFlags::CLOEXEC)?;
        Self::begin(File::from(file))
    }

    fn begin(file: File) -> io::Result<Self> {
        file.write_all_at(&MAGIC, 0)?;
        Ok(Self {
            file,
            end: AtomicU64::new(MAGIC.len() as u64),
            next: AtomicU32::new(0),
            table: Mutex::new(Vec::new()),
        })
    }

    /// Makes it whole, to be read.
    ///
    /// # Errors
    /// When it cannot be written or read.
    pub fn into_index(self, foot: &Foot) -> io::Result<Index> {
        self.finish(foot)?;
        Index::read(self.file)
    }

    /// A number for a block that is to be written.
    pub fn number(&self) -> u32 {
        self.next.fetch_add(1, Ordering::Relaxed)
    }

    /// # Errors
    /// When it cannot be written.
    pub fn put(&self, number: u32, names: &[Seen]) -> io::Result<()> {
        let bytes = framed(names);
        let offset = self.end.fetch_add(bytes.len() as u64, Ordering::Relaxed);
        self.file.write_all_at(&bytes, offset)?;
        let mut table = self.lock();
        let place = number as usize;
        if table.len() <= place {
            table.resize(place + 1, 0);
        }
        table[place] = offset;
        Ok(())
    }

    /// Writes a block again, with the same names: in its place, if it is as long as it was.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn put_again(&self, number: u32, names: &[Seen]) -> io::Result<()> {
        let offset = self.offset(number)?;
        let bytes = framed(names);
        let mut head = [0; HEAD];
        self.file.read_exact_at(&mut head, offset)?;
        if head[..4] != bytes[..4] {
            return self.put(number, names);
        }
        self.file.write_all_at(&bytes, offset)
    }

    /// # Errors
    /// When the block cannot be read.
    pub fn block(&self, number: u32) -> io::Result<Vec<Seen>> {
        let end = self.end.load(Ordering::Relaxed);
        read_block(&self.file, self.offset(number)?, end)
    }

    fn offset(&self, number: u32) -> io::Result<u64> {
        let table = self.lock();
        let offset = table.get(number as usize).copied();
        offset.filter(|offset| *offset > 0).ok_or_else(damaged)
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Vec<u64>> {
        self.table
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    /// Makes it whole. It is not flushed to the disk: what a power cut leaves of it is seen to be damaged.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn finish(&self, foot: &Foot) -> io::Result<()> {
        let table: Vec<u8> = self.lock().iter().flat_map(|at| at.to_le_bytes()).collect();
        let foot = serde_json::to_vec(foot)?;
        let mut end = [table.as_slice(), &foot].concat();
        let digest = Sha256::digest(&end);
        end.extend((table.len() as u64).to_le_bytes());
        end.extend((foot.len() as u64).to_le_bytes());
        end.extend(&digest[..]);
        end.extend(MAGIC);
        let at = self.end.load(Ordering::Relaxed);
        self.file.write_all_at(&end, at)
    }
}

fn framed(names: &[Seen]) -> Vec<u8> {
    let block = encode(names);
    let mut bytes = Vec::with_capacity(HEAD + block.len());
    // a folder whose names take 4 GiB cannot be listed either
    bytes.extend(u32::try_from(block.len()).unwrap_or(u32::MAX).to_le_bytes());
    bytes.extend(crc32fast::hash(&block).to_le_bytes());
    bytes.extend(block);
    bytes
}

fn read_block(file: &File, offset: u64, end: u64) -> io::Result<Vec<Seen>> {
    let mut head = [0; HEAD];
    file.read_exact_at(&mut head, offset)?;
    let length = u32::from_le_bytes([head[0], head[1], head[2], head[3]]);
    let begin = offset + HEAD as u64;
    // a damaged length must not ask for more memory than the file has bytes
    if u64::from(length) > end.saturating_sub(begin) {
        return Err(damaged());
    }
    let bytes = read_at(file, begin, length as usize)?;
    if head[4..] != crc32fast::hash(&bytes).to_le_bytes() {
        return Err(damaged());
    }
    decode(&bytes)
}

fn read_at(file: &File, offset: u64, length: usize) -> io::Result<Vec<u8>> {
    let mut bytes = vec![0; length];
    file.read_exact_at(&mut bytes, offset)?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prove::manifest::{Digest, Time};
    use crate::tree::index::{Marks, SeenKind};

    fn jar(name: &str) -> Seen {
        Seen {
            name: name.into(),
            kind: SeenKind::File {
                size: 3,
                digest: None,
            },
            mode: 0o644,
            uid: 0,
            gid: 0,
            modified: Time::default(),
            changed: Time::default(),
            inode: 12,
            file_system: 0,
            marks: Marks::SETTLED,
            born: 0,
            blocks: 8,
        }
    }

    fn foot() -> Foot {
        let generation = GenerationName::parse("20261125T023000Z").expect("a name");
        Foot {
            generation,
            file_systems: vec![7],
            births: vec![generation],
            alive: BTreeMap::from([(generation, 4096)]),
        }
    }

    #[test]
    fn an_index_reads_back_block_by_block_with_digests_filled_in_later() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("index");
        let new = NewIndex::create(&path).expect("an index");
        let (first, second) = (new.number(), new.number());
        new.put(second, &[jar("lid")]).expect("a block");
        new.put(first, &[jar("bowl"), jar("jug")]).expect("a block");
        let mut names = new.block(first).expect("the block");
        names[1].set_digest(Digest([9; 32]));
        new.put_again(first, &names).expect("the block again");
        new.finish(&foot()).expect("the end");
        let index = Index::open(&path).expect("a whole index");
        assert_eq!(index.block(first).expect("the block"), names);
        assert_eq!(index.block(second).expect("the block"), [jar("lid")]);
        assert!(index.block(9).is_err());
        assert_eq!(index.foot.generation, foot().generation);
    }

    #[test]
    fn a_torn_or_damaged_index_is_not_taken_for_one() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("index");
        let new = NewIndex::create(&path).expect("an index");
        new.put(new.number(), &[jar("bowl")]).expect("a block");
        assert!(Index::open(&path).is_err(), "it has no end");
        new.finish(&foot()).expect("the end");
        let whole = std::fs::read(&path).expect("its bytes");
        for length in 0..whole.len() {
            std::fs::write(&path, &whole[..length]).expect("a torn one");
            assert!(Index::open(&path).is_err(), "{length} bytes");
        }
        for place in MAGIC.len()..whole.len() {
            let mut bytes = whole.clone();
            bytes[place] ^= 4;
            std::fs::write(&path, &bytes).expect("a damaged one");
            let read = Index::open(&path).and_then(|index| index.block(super::super::ROOT));
            assert!(read.is_err(), "byte {place}");
        }
    }
}
