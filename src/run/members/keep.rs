//! Keeps what a program writes until the archive is written: how long it is must be known first (POSIX.1-2024, pax).
//!
//! It lies in a file without a name, closed with a key that is known to this process only. So nobody can read it at any
//! moment, nothing of it is left after a kill or a power cut, and it may be larger than the memory.

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, Write};
use std::path::Path;

use age::stream::StreamWriter;
use age::x25519::Identity;
use sha2::{Digest as _, Sha256};

use crate::ldif;
use crate::plan::{Content, Member};
use crate::prove::archive::{Tee, hand_on};
use crate::prove::manifest::Digest;
use crate::prove::tables::Tables;
use crate::record::{Count, Counted, Exported};
use crate::report::safe_line;
use crate::run::manifest_writing::passing_file;

/// Read at a time.
const PIECE: usize = 256 * 1024;

/// Of a database that go into the record of a run.
const NOTES: usize = 5;

/// A member, and what is known of it.
pub struct Kept {
    pub told: Exported,
    /// What figures tell a person.
    pub notes: Vec<String>,
    file: File,
    key: Identity,
}

/// Reads `input` to its end.
///
/// # Errors
/// When a stream breaks, the file cannot be written, or what comes is not what the member should hold.
pub fn keep(member: &Member, input: impl Read, scratch: &Path) -> io::Result<Kept> {
    let file = passing_file(scratch)?;
    let key = Identity::generate();
    let mut closing = Closing::begin(file.try_clone()?, &key)?;
    let mut tee = Tee {
        input,
        output: &mut closing,
    };
    let mut notes = Vec::new();
    let count = match member.content {
        Content::Ldif => Some(Count {
            amount: entries(BufReader::with_capacity(PIECE, &mut tee), &member.name)?,
            of: Counted::Entries,
        }),
        Content::Tables => {
            let tables = figures(&mut tee, &member.name)?;
            notes = told_of(&tables, &member.name);
            Some(Count {
                amount: tables.rows(),
                of: Counted::Rows,
            })
        }
        Content::Plain => None,
    };
    hand_on(&mut tee, |_| Ok(()))?;
    let (bytes, sha256) = closing.finish()?;
    Ok(Kept {
        told: Exported {
            name: member.name.clone(),
            bytes,
            sha256,
            count,
        },
        notes,
        file,
        key,
    })
}

impl Kept {
    /// Reads it, from its beginning.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn open(&self) -> io::Result<impl Read + use<>> {
        let mut file = self.file.try_clone()?;
        file.rewind()?;
        let decryptor = age::Decryptor::new_buffered(BufReader::with_capacity(PIECE, file))
            .map_err(io::Error::other)?;
        let key: &dyn age::Identity = &self.key;
        decryptor
            .decrypt(std::iter::once(key))
            .map_err(io::Error::other)
    }
}

fn figures(mut input: impl Read, name: &str) -> io::Result<Tables> {
    let mut text = Vec::new();
    input.read_to_end(&mut text)?;
    let tables = Tables::parse(&text, Path::new(name));
    tables.map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error))
}

/// The notes of one database: a few, since each of thousands of tables may have one.
fn told_of(tables: &Tables, name: &str) -> Vec<String> {
    let notes = tables.notes.iter().take(NOTES);
    let mut told: Vec<String> = notes
        .map(|note| safe_line(&format!("database `{}`: {note}", tables.database)))
        .collect();
    let more = tables.notes.len().saturating_sub(NOTES);
    if more > 0 {
        told.push(safe_line(&format!(
            "{more} more like these are in `{name}` of the export"
        )));
    }
    told
}

/// How many entries there are. A content that ends within one, or has none, is no export.
fn entries(input: impl io::BufRead, name: &str) -> io::Result<u64> {
    let wrong = |why: String| {
        let words = format!("`{name}` is not whole LDIF: {why}");
        io::Error::new(io::ErrorKind::InvalidData, words)
    };
    let mut amount = 0;
    let mut reader = ldif::Reader::new(input);
    for record in reader.by_ref() {
        match record.map_err(|error| wrong(error.to_string()))? {
            ldif::Record::Content(_) => amount += 1,
            ldif::Record::Change(change) => {
                return Err(wrong(format!("it holds a change, of `{}`", change.dn)));
            }
        }
    }
    if amount == 0 {
        return Err(wrong("it holds no entry".to_owned()));
    }
    // slapcat(8) ends every entry with one
    if !reader.ended_in_empty_line() {
        return Err(wrong("it ends within an entry".to_owned()));
    }
    Ok(amount)
}

/// Closes what is written to it, and sums it up.
struct Closing {
    to: StreamWriter<File>,
    bytes: u64,
    hasher: Sha256,
}

impl Closing {
    fn begin(file: File, key: &Identity) -> io::Result<Self> {
        let recipient = key.to_public();
        let recipients = std::iter::once(&recipient as &dyn age::Recipient);
        let encryptor = age::Encryptor::with_recipients(recipients).map_err(io::Error::other)?;
        Ok(Self {
            to: encryptor.wrap_output(file)?,
            bytes: 0,
            hasher: Sha256::new(),
        })
    }

    fn finish(self) -> io::Result<(u64, String)> {
        self.to.finish()?;
        let digest = Digest(self.hasher.finalize().into());
        Ok((self.bytes, digest.to_string()))
    }
}

impl Write for Closing {
    fn write(&mut self, buffer: &[u8]) -> io::Result<usize> {
        let written = self.to.write(buffer)?;
        self.bytes += written as u64;
        self.hasher.update(&buffer[..written]);
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn member(content: Content) -> Member {
        Member {
            name: "people.ldif".to_owned(),
            content,
        }
    }

    #[test]
    fn what_is_kept_comes_back_and_cannot_be_found_in_the_folder() {
        let folder = tempfile::tempdir().unwrap();
        let text = b"glaze and ash ".repeat(100_000);
        let kept = keep(&member(Content::Plain), &text[..], folder.path()).unwrap();
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
        assert_eq!(kept.told.bytes, text.len() as u64);
        for _ in 0..2 {
            let mut back = Vec::new();
            kept.open().unwrap().read_to_end(&mut back).unwrap();
            assert_eq!(back, text);
        }
        let mut raw = Vec::new();
        let mut file = kept.file.try_clone().unwrap();
        file.rewind().unwrap();
        file.read_to_end(&mut raw).unwrap();
        assert!(!raw.windows(9).any(|some| some == b"glaze and"));
    }

    #[test]
    fn ldif_that_is_cut_off_or_empty_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let keep = |text: &[u8]| keep(&member(Content::Ldif), text, folder.path());
        let whole = b"dn: dc=studio,dc=example\nobjectClass: domain\ndc: studio\n\n";
        let count = keep(whole).unwrap().told.count.unwrap();
        assert_eq!(count.amount, 1);
        assert!(keep(b"").is_err());
        assert!(keep(&whole[..30]).is_err());
        assert!(keep(b"password is required\n").is_err());
    }
}
