//! Reads the members of a tar archive in POSIX form, as they come.
//!
//! POSIX.1-2024, pax, "ustar Interchange Format" and "pax Extended Header"; for large numbers GNU tar's manual, "Extensions
//! to the archive format". The crate `tar` was tried: it ends a record of an extended header at its first newline, and
//! attributes and names may hold such.

use std::collections::HashMap;
use std::io::{self, Read};

use super::hand_on;

const BLOCK: usize = 512;
/// An extended header holds the attributes of one file, which the kernel limits to some 64 KiB each (xattr(7)).
const MOST_RECORDS: u64 = 64 << 20;

/// The members of an archive. What is read from it is the content of the one that came last.
#[derive(Debug)]
pub struct Members<R> {
    from: R,
    left: u64,
    padding: u64,
}

/// What stands before a member's content.
#[derive(Debug)]
pub struct Head {
    pub name: Vec<u8>,
    pub target: Vec<u8>,
    /// The field `typeflag`.
    pub kind: u8,
    pub mode: u64,
    pub uid: u64,
    pub gid: u64,
    /// Seconds since 1970.
    pub modified: i64,
    pub device: (u64, u64),
    /// By keyword.
    pub records: HashMap<Vec<u8>, Vec<u8>>,
}

impl<R: Read> Members<R> {
    pub fn new(from: R) -> Self {
        Self {
            from,
            left: 0,
            padding: 0,
        }
    }

    pub fn into_inner(self) -> R {
        self.from
    }

    /// The next member; none at the end of the archive.
    ///
    /// # Errors
    /// When the stream breaks or ends before the archive does, or what comes is no header.
    pub fn next(&mut self) -> io::Result<Option<Head>> {
        let mut records = HashMap::new();
        loop {
            let skipped = self.left + self.padding;
            let mut gone = 0;
            hand_on((&mut self.from).take(skipped), |piece| {
                gone += piece.len() as u64;
                Ok(())
            })?;
            if gone < skipped {
                return Err(io::ErrorKind::UnexpectedEof.into());
            }
            (self.left, self.padding) = (0, 0);
            let mut block = [0; BLOCK];
            self.from.read_exact(&mut block)?;
            if block.iter().all(|byte| *byte == 0) {
                return Ok(None);
            }
            let fields = Fields(&block);
            fields.check()?;
            self.begin(fields.number(124..136)?)?;
            match fields.kind() {
                b'x' => records = self.records()?,
                // of all members to come; GNU tar writes none that matters here
                b'g' => {}
                _ => {
                    let head = fields.head(records)?;
                    if let Some(size) = head.number(b"size") {
                        self.begin(size)?;
                    }
                    return Ok(Some(head));
                }
            }
        }
    }

    fn begin(&mut self, size: u64) -> io::Result<()> {
        let whole = size.checked_next_multiple_of(BLOCK as u64);
        self.left = size;
        self.padding = whole.ok_or_else(malformed)? - size;
        Ok(())
    }

    /// `LENGTH KEYWORD=VALUE\n`, one after the other; the length is that of all of it.
    fn records(&mut self) -> io::Result<HashMap<Vec<u8>, Vec<u8>>> {
        if self.left > MOST_RECORDS {
            return Err(malformed());
        }
        let mut text = Vec::new();
        self.read_to_end(&mut text)?;
        if self.left > 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        let mut records = HashMap::new();
        let mut rest = text.as_slice();
        while !rest.is_empty() {
            let (keyword, value, behind) = record(rest).ok_or_else(malformed)?;
            records.insert(keyword.to_vec(), value.to_vec());
            rest = behind;
        }
        Ok(records)
    }
}

/// The content of the member that came last.
impl<R: Read> Read for Members<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = (&mut self.from).take(self.left).read(buffer)?;
        self.left -= read as u64;
        Ok(read)
    }
}

impl<R> Members<R> {
    /// Whether all of the content was read.
    pub fn is_through(&self) -> bool {
        self.left == 0
    }
}

impl Head {
    /// A record that is a number.
    pub fn number(&self, keyword: &[u8]) -> Option<u64> {
        self.text(keyword)?.parse().ok()
    }

    /// A record that is text.
    pub fn text(&self, keyword: &[u8]) -> Option<&str> {
        std::str::from_utf8(self.records.get(keyword)?).ok()
    }
}

/// The first record, and what is behind it.
fn record(text: &[u8]) -> Option<(&[u8], &[u8], &[u8])> {
    let blank = text.iter().position(|byte| *byte == b' ')?;
    let length: usize = std::str::from_utf8(&text[..blank]).ok()?.parse().ok()?;
    let (record, behind) = text.split_at_checked(length)?;
    let record = record.get(blank + 1..)?.strip_suffix(b"\n")?;
    let equals = record.iter().position(|byte| *byte == b'=')?;
    Some((&record[..equals], &record[equals + 1..], behind))
}

/// A header block.
struct Fields<'a>(&'a [u8; BLOCK]);

impl Fields<'_> {
    fn kind(&self) -> u8 {
        self.0[156]
    }

    /// The field `chksum`: the sum of all bytes, its own taken for blanks.
    fn check(&self) -> io::Result<()> {
        let all: u64 = self.0.iter().map(|byte| u64::from(*byte)).sum();
        let own: u64 = self.0[148..156].iter().map(|byte| u64::from(*byte)).sum();
        if self.number(148..156)? == all - own + 8 * u64::from(b' ') {
            Ok(())
        } else {
            Err(malformed())
        }
    }

    fn head(&self, records: HashMap<Vec<u8>, Vec<u8>>) -> io::Result<Head> {
        let mut name = self.text(0..100).to_vec();
        let prefix = self.text(345..500);
        if self.0[257..263] == *b"ustar\0" && !prefix.is_empty() {
            name = [prefix, b"/", &name].concat();
        }
        let record = |keyword: &[u8]| records.get(keyword).cloned();
        Ok(Head {
            name: record(b"GNU.sparse.name")
                .or_else(|| record(b"path"))
                .unwrap_or(name),
            target: record(b"linkpath").unwrap_or_else(|| self.text(157..257).to_vec()),
            kind: self.kind(),
            mode: self.number(100..108)?,
            uid: self.number(108..116)?,
            gid: self.number(116..124)?,
            modified: i64::try_from(self.number(136..148)?).map_err(|_| malformed())?,
            device: (self.number(329..337)?, self.number(337..345)?),
            records,
        })
    }

    fn text(&self, at: std::ops::Range<usize>) -> &[u8] {
        let field = &self.0[at];
        let end = field.iter().position(|byte| *byte == 0);
        &field[..end.unwrap_or(field.len())]
    }

    /// Octal digits, or with the highest bit set a binary number. One that is negative does not count: a record tells it.
    fn number(&self, at: std::ops::Range<usize>) -> io::Result<u64> {
        let field = &self.0[at];
        match field[0] {
            0xff => Ok(0),
            0x80 => field[1..].iter().try_fold(0_u64, |number, byte| {
                let next = number.checked_mul(256);
                next.map(|next| next + u64::from(*byte))
                    .ok_or_else(malformed)
            }),
            _ => {
                let is_blank = |byte: &u8| matches!(byte, 0 | b' ');
                let digits = field.iter().skip_while(|byte| is_blank(byte));
                let mut digits = digits.take_while(|byte| !is_blank(byte));
                digits.try_fold(0_u64, |number, byte| match byte {
                    b'0'..=b'7' => Ok(number * 8 + u64::from(byte - b'0')),
                    _ => Err(malformed()),
                })
            }
        }
    }
}

fn malformed() -> io::Error {
    io::Error::new(
        io::ErrorKind::InvalidData,
        "the archive is not as tar writes it in POSIX form",
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_record_may_hold_anything() {
        let text = b"19 path=new\nline=\xff\n20 comment=and more\n";
        let (keyword, value, behind) = record(text).unwrap();
        assert_eq!((keyword, value), (&b"path"[..], &b"new\nline=\xff"[..]));
        assert_eq!(record(behind).unwrap().1, b"and more");
        for wrong in [
            "", "5", "99 a=b\n", "7 a=b\n", "5 ab\n", "0 a=b\n", "x a=b\n",
        ] {
            assert_eq!(record(wrong.as_bytes()), None, "{wrong}");
        }
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_without_a_panic(
            mut bytes in prop::collection::vec(any::<u8>(), 0..2000),
            sum in any::<bool>(),
        ) {
            if sum && bytes.len() >= BLOCK {
                bytes[148..156].fill(b' ');
                let all: u64 = bytes[..BLOCK].iter().map(|byte| u64::from(*byte)).sum();
                bytes[148..156].copy_from_slice(format!("{all:06o}\0 ").as_bytes());
            }
            let mut members = Members::new(&bytes[..]);
            while let Ok(Some(_)) = members.next() {}
        }
    }
}
