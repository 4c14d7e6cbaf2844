//! The names of one folder as bytes: little-endian numbers, names and targets with their lengths.

use std::io;

use super::{Marks, Seen, SeenKind};
use crate::prove::manifest::{Digest, Time};

const FOLDER: u8 = 0;
const FILE: u8 = 1;
const FILE_WITH_DIGEST: u8 = 2;
const LINK: u8 = 3;
const FIFO: u8 = 4;
const SOCKET: u8 = 5;
const CHAR_DEVICE: u8 = 6;
const BLOCK_DEVICE: u8 = 7;

/// Room for a digest is always left, so that a block keeps its length when one is filled in.
pub fn encode(names: &[Seen]) -> Vec<u8> {
    let mut out = Vec::with_capacity(names.len() * 128);
    for seen in names {
        put_bytes(&mut out, &seen.name);
        out.push(kind_number(&seen.kind));
        out.push(seen.marks.0);
        for number in [seen.mode, seen.uid, seen.gid, seen.born] {
            out.extend(number.to_le_bytes());
        }
        for time in [seen.modified, seen.changed] {
            out.extend(time.seconds.to_le_bytes());
            out.extend(time.nanos.to_le_bytes());
        }
        out.extend(seen.inode.to_le_bytes());
        out.extend(seen.file_system.to_le_bytes());
        out.extend(seen.blocks.to_le_bytes());
        match &seen.kind {
            SeenKind::Folder { block } => out.extend(block.to_le_bytes()),
            SeenKind::File { size, digest } => {
                out.extend(size.to_le_bytes());
                out.extend(digest.map_or([0; 32], |digest| digest.0));
            }
            SeenKind::Link { target } => put_bytes(&mut out, target),
            SeenKind::Fifo | SeenKind::Socket => {}
            SeenKind::CharDevice { number } | SeenKind::BlockDevice { number } => {
                out.extend(number.to_le_bytes());
            }
        }
    }
    out
}

fn kind_number(kind: &SeenKind) -> u8 {
    match kind {
        SeenKind::Folder { .. } => FOLDER,
        SeenKind::File { digest: None, .. } => FILE,
        SeenKind::File { .. } => FILE_WITH_DIGEST,
        SeenKind::Link { .. } => LINK,
        SeenKind::Fifo => FIFO,
        SeenKind::Socket => SOCKET,
        SeenKind::CharDevice { .. } => CHAR_DEVICE,
        SeenKind::BlockDevice { .. } => BLOCK_DEVICE,
    }
}

fn put_bytes(out: &mut Vec<u8>, bytes: &[u8]) {
    // a name has at most 255 bytes, a link's target less than 4096 (path_resolution(7))
    let length = u16::try_from(bytes.len()).unwrap_or(u16::MAX);
    out.extend(length.to_le_bytes());
    out.extend(&bytes[..usize::from(length)]);
}

/// # Errors
/// When the bytes are no block.
pub fn decode(bytes: &[u8]) -> io::Result<Vec<Seen>> {
    let mut from = Bytes(bytes);
    let mut names = Vec::with_capacity(bytes.len() / 96);
    while !from.0.is_empty() {
        names.push(from.seen()?);
    }
    Ok(names)
}

struct Bytes<'a>(&'a [u8]);

impl Bytes<'_> {
    fn seen(&mut self) -> io::Result<Seen> {
        let name = self.bytes()?;
        let [kind, marks] = self.take()?;
        let (mode, uid, gid, born) = (self.u32()?, self.u32()?, self.u32()?, self.u32()?);
        let (modified, changed) = (self.time()?, self.time()?);
        let inode = self.u64()?;
        let file_system = u16::from_le_bytes(self.take()?);
        let blocks = self.u64()?;
        Ok(Seen {
            name,
            kind: self.kind(kind)?,
            mode,
            uid,
            gid,
            modified,
            changed,
            inode,
            file_system,
            marks: Marks(marks),
            born,
            blocks,
        })
    }

    fn kind(&mut self, number: u8) -> io::Result<SeenKind> {
        Ok(match number {
            FOLDER => SeenKind::Folder { block: self.u32()? },
            FILE | FILE_WITH_DIGEST => {
                let size = self.u64()?;
                let digest = Digest(self.take()?);
                let digest = (number == FILE_WITH_DIGEST).then_some(digest);
                SeenKind::File { size, digest }
            }
            LINK => SeenKind::Link {
                target: self.bytes()?,
            },
            FIFO => SeenKind::Fifo,
            SOCKET => SeenKind::Socket,
            CHAR_DEVICE => SeenKind::CharDevice {
                number: self.u64()?,
            },
            BLOCK_DEVICE => SeenKind::BlockDevice {
                number: self.u64()?,
            },
            _ => return Err(damaged()),
        })
    }

    fn take<const N: usize>(&mut self) -> io::Result<[u8; N]> {
        let (taken, rest) = self.0.split_first_chunk().ok_or_else(damaged)?;
        self.0 = rest;
        Ok(*taken)
    }

    fn bytes(&mut self) -> io::Result<Vec<u8>> {
        let length = usize::from(u16::from_le_bytes(self.take()?));
        let (taken, rest) = self.0.split_at_checked(length).ok_or_else(damaged)?;
        self.0 = rest;
        Ok(taken.to_owned())
    }

    fn u32(&mut self) -> io::Result<u32> {
        Ok(u32::from_le_bytes(self.take()?))
    }

    fn u64(&mut self) -> io::Result<u64> {
        Ok(u64::from_le_bytes(self.take()?))
    }

    fn time(&mut self) -> io::Result<Time> {
        let seconds = i64::from_le_bytes(self.take()?);
        let nanos = u32::from_le_bytes(self.take()?);
        Ok(Time { seconds, nanos })
    }
}

pub fn damaged() -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, "it is damaged")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn kinds() -> impl Strategy<Value = SeenKind> {
        let bytes = prop::collection::vec(any::<u8>(), 0..300);
        prop_oneof![
            any::<u32>().prop_map(|block| SeenKind::Folder { block }),
            (any::<u64>(), any::<Option<[u8; 32]>>()).prop_map(|(size, digest)| SeenKind::File {
                size,
                digest: digest.map(Digest),
            }),
            bytes.prop_map(|target| SeenKind::Link { target }),
            Just(SeenKind::Fifo),
            Just(SeenKind::Socket),
            any::<u64>().prop_map(|number| SeenKind::CharDevice { number }),
            any::<u64>().prop_map(|number| SeenKind::BlockDevice { number }),
        ]
    }

    prop_compose! {
        fn names()(
            name in prop::collection::vec(1_u8.., 1..256),
            kind in kinds(),
            numbers in any::<[u32; 4]>(),
            times in any::<[(i64, u32); 2]>(),
            (inode, blocks) in any::<(u64, u64)>(),
            file_system in any::<u16>(),
            marks in any::<u8>(),
        ) -> Seen {
            let [mode, uid, gid, born] = numbers;
            let time = |(seconds, nanos)| Time { seconds, nanos };
            let (modified, changed) = (time(times[0]), time(times[1]));
            Seen {
                name, kind, mode, uid, gid, modified, changed, inode, file_system,
                marks: Marks(marks), born, blocks,
            }
        }
    }

    proptest! {
        #[test]
        fn a_block_reads_back_as_written(names in prop::collection::vec(names(), 0..20)) {
            prop_assert_eq!(decode(&encode(&names)).unwrap(), names);
        }

        #[test]
        fn any_bytes_are_read_without_a_panic(bytes in prop::collection::vec(any::<u8>(), 0..500)) {
            let _ = decode(&bytes);
        }

        #[test]
        fn a_digest_that_is_filled_in_keeps_the_length(mut one in names(), digest in any::<[u8; 32]>()) {
            let before = encode(std::slice::from_ref(&one)).len();
            one.set_digest(Digest(digest));
            prop_assert_eq!(encode(&[one]).len(), before);
        }
    }
}
