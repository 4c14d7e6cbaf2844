//! Copies what is in a file, with its digest worked out in the same read, and with the holes that it has.

use std::io;
use std::num::NonZeroU64;
use std::os::fd::OwnedFd;
use std::sync::mpsc::sync_channel;

use rustix::fs::{Advice, SeekFrom, Stat, fadvise, fstat, ftruncate, seek};
use rustix::io::Errno;
use sha2::{Digest as _, Sha256};

use super::Trouble;
use super::copy_file::Place;
use super::halt::Halt;
use super::reading::PIECE;
use crate::prove::manifest::Digest;

/// From this length on, digesting and writing are done by two hands.
const LARGE: u64 = 4 << 20;

/// Gives digest and length of what was read. The length of the copy is to be set where it ends in a hole.
///
/// # Errors
/// With the path, and whether it was the source or the drive.
pub fn copy_content(
    place: Place,
    source: &OwnedFd,
    copy: &OwnedFd,
    stat: &Stat,
    halt: &Halt,
) -> Result<(Digest, u64), Trouble> {
    let length = stat.st_size.cast_unsigned();
    if is_sparse(stat) {
        copy_data_only(place, source, copy, halt)
    } else if length >= LARGE {
        copy_with_two_hands(place, source, copy, length, halt)
    } else {
        copy_all(place, source, copy, length, halt)
    }
}

fn is_sparse(stat: &Stat) -> bool {
    stat.st_size > 0 && stat.st_blocks.saturating_mul(512) < stat.st_size
}

fn copy_all(
    place: Place,
    source: &OwnedFd,
    copy: &OwnedFd,
    expected: u64,
    halt: &Halt,
) -> Result<(Digest, u64), Trouble> {
    let mut hasher = Sha256::new();
    let mut size = 0;
    with_buffer(|buffer| {
        loop {
            halt.look()?;
            let wanted = still_wanted(buffer.len(), expected, size);
            let read = rustix::io::read(source, &mut buffer[..wanted])
                .map_err(|error| place.read(error))?;
            hasher.update(&buffer[..read]);
            write_sparsely(copy, &buffer[..read]).map_err(|error| place.written(error))?;
            size += read as u64;
            halt.count_bytes(read as u64);
            if read == 0 || size == expected {
                return Ok((Digest(hasher.finalize_reset().into()), size));
            }
        }
    })
}

/// A file that grows while it is copied is copied as far as it was when that began: one that grows faster has no end.
/// Of files that the kernel makes up the length is not known, and is 0.
fn still_wanted(room: usize, expected: u64, size: u64) -> usize {
    if expected == 0 {
        return room;
    }
    room.min(usize::try_from(expected.saturating_sub(size)).unwrap_or(usize::MAX))
}

/// A buffer that each hand keeps: making one for each small file would take longer than the copying.
fn with_buffer<T>(work: impl FnOnce(&mut [u8]) -> T) -> T {
    thread_local! {
        static BUFFER: std::cell::RefCell<Vec<u8>> = const { std::cell::RefCell::new(Vec::new()) };
    }
    BUFFER.with_borrow_mut(|buffer| {
        buffer.resize(PIECE, 0);
        work(buffer)
    })
}

/// Digesting goes on while the next piece is read and written.
fn copy_with_two_hands(
    place: Place,
    source: &OwnedFd,
    copy: &OwnedFd,
    expected: u64,
    halt: &Halt,
) -> Result<(Digest, u64), Trouble> {
    const AHEAD: usize = 4;
    std::thread::scope(|scope| {
        let (full, to_digest) = sync_channel::<(Vec<u8>, usize)>(AHEAD);
        let (done, empty) = sync_channel::<Vec<u8>>(AHEAD + 1);
        let digesting = scope.spawn(move || {
            let mut hasher = Sha256::new();
            for (buffer, length) in to_digest {
                hasher.update(&buffer[..length]);
                // the other hand may have no more use for it
                let _ = done.send(buffer);
            }
            Digest(hasher.finalize().into())
        });
        let mut size = 0;
        let mut made = 0;
        loop {
            halt.look()?;
            let mut buffer = if made <= AHEAD {
                made += 1;
                vec![0; 4 * PIECE]
            } else {
                empty.recv().unwrap_or_else(|_| vec![0; 4 * PIECE])
            };
            let wanted = still_wanted(buffer.len(), expected, size);
            let read = rustix::io::read(source, &mut buffer[..wanted])
                .map_err(|error| place.read(error))?;
            if read == 0 {
                break;
            }
            write_sparsely(copy, &buffer[..read]).map_err(|error| place.written(error))?;
            begin_writing(copy, size, read);
            size += read as u64;
            halt.count_bytes(read as u64);
            let _ = full.send((buffer, read));
        }
        drop(full);
        let digest = digesting
            .join()
            .map_err(|_| place.read(io::Error::other("the digest could not be worked out")))?;
        Ok((digest, size))
    })
}

/// Has the disk begin with what was just written, while the next piece is read; and the kernel keep none of it longer
/// than needed: a large copy would push out what others have in the page cache (`posix_fadvise(2)`).
fn begin_writing(copy: &OwnedFd, at: u64, length: usize) {
    // advice: it may as well be refused
    let _ = fadvise(copy, at, NonZeroU64::new(length as u64), Advice::DontNeed);
}

/// Leaves holes where the source has them (lseek(2), `SEEK_DATA`).
fn copy_data_only(
    place: Place,
    source: &OwnedFd,
    copy: &OwnedFd,
    halt: &Halt,
) -> Result<(Digest, u64), Trouble> {
    let wrong = |error: Errno| place.read(error);
    let mut hasher = Sha256::new();
    let mut at = 0;
    let expected = fstat(source).map_err(wrong)?.st_size.cast_unsigned();
    ftruncate(copy, expected).map_err(|error| place.written(error))?;
    loop {
        let data = match seek(source, SeekFrom::Data(at)) {
            Ok(data) if data < expected => data,
            Ok(_) | Err(Errno::NXIO) => break,
            Err(error) => return Err(wrong(error)),
        };
        let hole = seek(source, SeekFrom::Hole(data))
            .map_err(wrong)?
            .min(expected);
        update_with_zeros(&mut hasher, data - at, halt)?;
        seek(source, SeekFrom::Start(data)).map_err(wrong)?;
        seek(copy, SeekFrom::Start(data)).map_err(|error| place.written(error))?;
        at = data + copy_range(place, source, copy, hole - data, &mut hasher, halt)?;
        if at < hole {
            break;
        }
    }
    let size = expected.max(at);
    update_with_zeros(&mut hasher, size - at, halt)?;
    Ok((Digest(hasher.finalize().into()), size))
}

/// Gives how much there was, which is less than `length` where the file was cut short meanwhile.
fn copy_range(
    place: Place,
    source: &OwnedFd,
    copy: &OwnedFd,
    length: u64,
    hasher: &mut Sha256,
    halt: &Halt,
) -> Result<u64, Trouble> {
    let mut left = length;
    with_buffer(|buffer| {
        while left > 0 {
            halt.look()?;
            let wanted = buffer
                .len()
                .min(usize::try_from(left).unwrap_or(usize::MAX));
            let read = rustix::io::read(source, &mut buffer[..wanted])
                .map_err(|error| place.read(error))?;
            if read == 0 {
                break;
            }
            hasher.update(&buffer[..read]);
            write_sparsely(copy, &buffer[..read]).map_err(|error| place.written(error))?;
            halt.count_bytes(read as u64);
            left -= read as u64;
        }
        Ok(length - left)
    })
}

fn update_with_zeros(hasher: &mut Sha256, length: u64, halt: &Halt) -> Result<(), Trouble> {
    static ZEROS: [u8; 64 * 1024] = [0; 64 * 1024];
    let mut left = length;
    while left > 0 {
        halt.look()?;
        let part = ZEROS.len().min(usize::try_from(left).unwrap_or(usize::MAX));
        hasher.update(&ZEROS[..part]);
        left -= part as u64;
    }
    Ok(())
}

/// Writes at the place reached, and leaves a hole where there are only zeros. The file's end is to be set at last.
fn write_sparsely(copy: &OwnedFd, mut bytes: &[u8]) -> io::Result<()> {
    let is_hole = |block: &[u8]| block.len() == BLOCK && block.iter().all(|byte| *byte == 0);
    if !bytes.chunks(BLOCK).any(is_hole) {
        return write_all(copy, bytes);
    }
    let alike = |one: &&[u8], other: &&[u8]| is_hole(one) == is_hole(other);
    let blocks: Vec<&[u8]> = bytes.chunks(BLOCK).collect();
    for run in blocks.chunk_by(alike) {
        let length: usize = run.iter().map(|block| block.len()).sum();
        let (part, rest) = bytes.split_at(length);
        if is_hole(run[0]) {
            // XFS gives out room ahead where a file's end is written to, and keeps it where a hole follows
            let end = seek(copy, SeekFrom::Current(0))? + bytes.len() as u64;
            if end > fstat(copy)?.st_size.cast_unsigned() {
                ftruncate(copy, end)?;
            }
            seek(copy, SeekFrom::Current(i64::try_from(length).unwrap_or(0)))?;
        } else {
            write_all(copy, part)?;
        }
        bytes = rest;
    }
    Ok(())
}

/// What most file systems give out at a time, and so the smallest hole.
const BLOCK: usize = 4096;

fn write_all(copy: &OwnedFd, mut bytes: &[u8]) -> io::Result<()> {
    while !bytes.is_empty() {
        match rustix::io::write(copy, bytes) {
            Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
            Ok(written) => bytes = &bytes[written..],
            Err(Errno::INTR) => {}
            Err(error) => return Err(error.into()),
        }
    }
    Ok(())
}
