//! How fast 200,000 entries go; run by hand, see below.

use std::fmt::Write as _;
use std::io::{BufReader, BufWriter};
use std::time::{Duration, Instant};

use super::{AttributeNames, Digests, Reader, Record, Writer};

const ENTRIES: u32 = 200_000;

/// As slapcat(8) writes people of the studio.
fn export() -> String {
    let mut text = String::new();
    for number in 0..ENTRIES {
        write!(
            text,
            "dn: uid=p{number},ou=people,dc=studio,dc=example\nobjectClass: top\nobjectClass: inetOrgPerson\n\
             objectClass: posixAccount\nuid: p{number}\ncn: Potter {number}\nsn:: UG90dGVyIMOp\nuidNumber: {number}\n\
             gidNumber: 1000\nhomeDirectory: /home/p{number}\nmail: p{number}@studio.example\n\
             userPassword:: e1NTSEF9MTIzNDU2Nzg5MDEyMzQ1Njc4OTAxMjM0NTY3ODkwMTI=\n\
             description: throws bowls and plates, glazes them in blue and green, and fires \n  them twice\n\
             structuralObjectClass: inetOrgPerson\nentryUUID: 4f0c3a52-8d1e-4a55-9a4e-{number:012}\n\
             creatorsName: cn=admin,dc=studio,dc=example\ncreateTimestamp: 20261125023000Z\n\
             entryCSN: 20261125023000.{:06}Z#000000#000#000000\n\
             modifiersName: cn=admin,dc=studio,dc=example\nmodifyTimestamp: 20261125023000Z\n\n",
            number % 1_000_000
        )
        .unwrap();
    }
    text
}

fn tell(what: &str, bytes: usize, took: Duration) {
    let bytes = u32::try_from(bytes).unwrap();
    let speed = f64::from(bytes) / 1e6 / took.as_secs_f64();
    eprintln!("{what}: {bytes} bytes in {took:?}, {speed:.0} MB/s");
}

/// `cargo test --lib --config 'profile.test.package.hayloft.opt-level=3' two_hundred_thousand_entries -- --ignored
/// --nocapture`; with `HAYLOFT_EXPORT` the file is left there, to be read by others.
#[test]
#[ignore = "only measures"]
fn two_hundred_thousand_entries() {
    let text = export();
    let file = std::env::var_os("HAYLOFT_EXPORT");
    let folder = tempfile::tempdir().unwrap();
    let path = file.map_or_else(|| folder.path().join("export.ldif"), Into::into);
    std::fs::write(&path, &text).unwrap();
    let open = || {
        Reader::new(BufReader::with_capacity(
            1 << 16,
            std::fs::File::open(&path).unwrap(),
        ))
    };

    let begun = Instant::now();
    let found = open().map(Result::unwrap).count();
    tell("counted", text.len(), begun.elapsed());
    assert_eq!(found, ENTRIES as usize);

    let begun = Instant::now();
    let digests = Digests::of(&mut open(), &AttributeNames::default()).unwrap();
    tell("digested", text.len(), begun.elapsed());
    assert_eq!(digests.len(), ENTRIES as usize);

    let records: Vec<Record> = open().map(Result::unwrap).collect();
    let begun = Instant::now();
    let output = BufWriter::new(std::fs::File::create(folder.path().join("written.ldif")).unwrap());
    let mut writer = Writer::begin(output).unwrap();
    for record in &records {
        writer.record(record).unwrap();
    }
    writer.finish().unwrap();
    tell("written", text.len(), begun.elapsed());
}
