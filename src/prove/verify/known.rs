//! Remembers what was read, so that a file that several copies share is read once; in little memory, however many there are.

use std::collections::HashMap;
use std::sync::{Mutex, OnceLock, PoisonError};

use crate::prove::manifest::Digest;

/// So much of a digest tells apart what chance can bring about.
type Short = [u8; 16];

/// Parts with a lock each, so that readers seldom wait for each other, and that growing needs little room at a time.
const SHARDS: usize = 64;

/// 1,835,008 in all, in about 55 MiB; files beyond these are read again.
const MOST_IN_A_SHARD: usize = 28_672;

/// The digests of inodes of one file system that have several names.
#[derive(Debug)]
pub struct Known {
    /// Inodes of other file systems are not known here; that of the first that is learnt where none was given.
    device: OnceLock<u64>,
    shards: Vec<Mutex<HashMap<u64, Short>>>,
}

impl Known {
    pub fn of_device(device: Option<u64>) -> Self {
        Self {
            device: device.map_or_else(OnceLock::new, OnceLock::from),
            shards: (0..SHARDS).map(|_| Mutex::default()).collect(),
        }
    }

    /// Whether the inode was read and had this digest; `None` when it was not read.
    pub fn had(&self, device: u64, inode: u64, digest: &Digest) -> Option<bool> {
        if self.device.get() != Some(&device) {
            return None;
        }
        let shard = self.shard(inode);
        let known = shard.lock().unwrap_or_else(PoisonError::into_inner);
        known.get(&inode).map(|known| *known == short(digest))
    }

    pub fn learn(&self, device: u64, inode: u64, digest: &Digest) {
        if *self.device.get_or_init(|| device) != device {
            return;
        }
        let shard = self.shard(inode);
        let mut known = shard.lock().unwrap_or_else(PoisonError::into_inner);
        if known.len() < MOST_IN_A_SHARD {
            known.insert(inode, short(digest));
        }
    }

    /// Neighbours are read one after another: they are spread over the shards.
    fn shard(&self, inode: u64) -> &Mutex<HashMap<u64, Short>> {
        let index = usize::try_from(inode % SHARDS as u64).unwrap_or(0);
        &self.shards[index]
    }
}

fn short(digest: &Digest) -> Short {
    let mut short = Short::default();
    short.copy_from_slice(&digest.0[..16]);
    short
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_read_is_known_by_device_and_inode() {
        let known = Known::of_device(Some(3));
        let (good, other) = (Digest([1; 32]), Digest([2; 32]));
        known.learn(3, 7, &good);
        known.learn(4, 8, &good);
        assert_eq!(known.had(3, 7, &good), Some(true));
        assert_eq!(known.had(3, 7, &other), Some(false));
        assert_eq!(known.had(3, 8, &good), None);
        assert_eq!(known.had(4, 8, &good), None);
    }

    #[test]
    fn beyond_its_room_it_learns_nothing_more_and_stays_right() {
        let known = Known::of_device(None);
        let digest = Digest([9; 32]);
        for inode in 0..(MOST_IN_A_SHARD as u64 + 5) {
            known.learn(1, inode * SHARDS as u64, &digest);
        }
        let last = (MOST_IN_A_SHARD as u64 + 4) * SHARDS as u64;
        assert_eq!(known.had(1, 0, &digest), Some(true));
        assert_eq!(known.had(1, last, &digest), None);
    }
}
