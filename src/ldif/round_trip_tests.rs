//! Laws: what is written is read again; no bytes do harm.

use proptest::collection::vec;
use proptest::prelude::*;

use super::*;

fn value() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        2 => "[ -~]{0,90}".prop_map(String::into_bytes),
        1 => "\\PC{0,60}".prop_map(String::into_bytes),
        2 => vec(any::<u8>(), 0..200),
        1 => vec(prop::sample::select(b" :<\n\r\0a-#\xc3".to_vec()), 0..6),
        1 => (60..90_usize, any::<u8>()).prop_map(|(length, byte)| vec![byte; length]),
    ]
}

fn name() -> impl Strategy<Value = AttributeName> {
    "([A-Za-z][A-Za-z0-9-]{0,8}|[1-9](\\.[0-9]{1,3}){1,3})(;[a-z0-9-]{1,70}){0,2}"
        .prop_filter("begins the record", |name| {
            let first = name.split(';').next().unwrap_or_default().to_lowercase();
            !["dn", "changetype", "control", "add", "delete"].contains(&first.as_str())
        })
        .prop_map(|name| AttributeName::parse(name.as_bytes()).unwrap())
}

fn dn() -> impl Strategy<Value = Dn> {
    vec(("[a-z]{1,4}", value()), 0..4).prop_map(|levels| {
        let level = |(name, value): &(String, Vec<u8>)| format!("{name}={}", escaped(value));
        let text = levels.iter().map(level).collect::<Vec<_>>().join(",");
        Dn::parse(&text).unwrap()
    })
}

fn values() -> impl Strategy<Value = Vec<AttributeValue>> {
    let one = (name(), value()).prop_map(|(name, value)| AttributeValue { name, value });
    vec(one, 1..8)
}

fn modification() -> impl Strategy<Value = Modification> {
    let kind = prop::sample::select(ModificationKind::ALL.to_vec());
    (kind, name(), vec(value(), 0..4)).prop_map(|(kind, name, mut values)| {
        match kind {
            ModificationKind::Increment => values.resize(1, b"2".to_vec()),
            ModificationKind::Add if values.is_empty() => values.push(Vec::new()),
            _ => {}
        }
        Modification { kind, name, values }
    })
}

fn control() -> impl Strategy<Value = Control> {
    (
        "[1-9](\\.[1-9]){1,4}",
        any::<bool>(),
        prop::option::of(value()),
    )
        .prop_map(|(oid, is_critical, value)| {
            let criticality = if is_critical {
                Criticality::Critical
            } else {
                Criticality::NotCritical
            };
            Control {
                oid,
                criticality,
                value,
            }
        })
}

fn rename() -> impl Strategy<Value = Rename> {
    let old_rdn = prop::sample::select(vec![OldRdn::Kept, OldRdn::Deleted]);
    (value(), old_rdn, prop::option::of(dn())).prop_map(|(value, old_rdn, new_superior)| Rename {
        new_rdn: Dn::parse(&format!("cn={}", escaped(&value))).unwrap(),
        old_rdn,
        new_superior,
    })
}

fn record() -> impl Strategy<Value = Record> {
    let change = prop_oneof![
        values().prop_map(Change::Add),
        Just(Change::Delete),
        vec(modification(), 0..4).prop_map(Change::Modify),
        rename().prop_map(Change::Rename),
    ];
    let change = (dn(), vec(control(), 0..3), change).prop_map(|(dn, controls, change)| {
        Record::Change(ChangeRecord {
            dn,
            controls,
            change,
        })
    });
    prop_oneof![
        2 => (dn(), values()).prop_map(|(dn, values)| Record::Content(Entry { dn, values })),
        1 => change,
    ]
}

fn written(records: &[Record]) -> Vec<u8> {
    let mut writer = Writer::begin(Vec::new()).unwrap();
    for record in records {
        writer.record(record).unwrap();
    }
    writer.finish().unwrap()
}

fn read(text: &[u8]) -> Result<Vec<Record>, LdifError> {
    Reader::new(text).with_most_bytes(1 << 20).collect()
}

/// Reads to the end or the first error; every record holds less than was read for it.
fn survey(text: &[u8]) -> bool {
    let mut reader = Reader::new(text).with_most_bytes(5000);
    let mut is_well = true;
    for record in reader.by_ref() {
        match record {
            Ok(Record::Content(entry)) => {
                let bytes: usize = entry.values.iter().map(|one| one.value.len()).sum();
                assert!(bytes + entry.dn.as_str().len() <= 5000);
                assert!(!entry.values.is_empty());
            }
            Ok(Record::Change(_)) => {}
            Err(error) => {
                let lines = text.split(|byte| *byte == b'\n').count();
                assert!(error.line >= 1 && error.line <= lines as u64 + 1, "{error}");
                is_well = false;
            }
        }
    }
    assert!(reader.bytes() <= text.len() as u64);
    is_well
}

#[derive(Debug, Clone)]
enum Damage {
    Flip(u8),
    Cut,
    Double(usize),
    Drop(usize),
    Put(&'static str),
}

fn damage() -> impl Strategy<Value = (prop::sample::Index, Damage)> {
    let pieces = vec![
        "\n",
        "\n ",
        "\n\n",
        "\r",
        " ",
        ":",
        "::",
        ":<",
        "#",
        "-\n",
        "\0",
        "\ndn: cn=a\n",
        "\nchangetype: modify\n",
        "=",
        "version: 1\n",
        "é",
    ];
    let damage = prop_oneof![
        any::<u8>().prop_map(Damage::Flip),
        Just(Damage::Cut),
        (1..300_usize).prop_map(Damage::Double),
        (1..300_usize).prop_map(Damage::Drop),
        prop::sample::select(pieces).prop_map(Damage::Put),
    ];
    (any::<prop::sample::Index>(), damage)
}

fn damaged(mut text: Vec<u8>, list: &[(prop::sample::Index, Damage)]) -> Vec<u8> {
    for (at, damage) in list {
        if text.is_empty() {
            break;
        }
        let at = at.index(text.len());
        match damage {
            Damage::Flip(bits) => text[at] ^= bits,
            Damage::Cut => text.truncate(at),
            Damage::Double(length) => {
                let end = text.len().min(at + length);
                text.extend_from_within(at..end);
                text[at..].rotate_right(end - at);
            }
            Damage::Drop(length) => drop(text.drain(at..text.len().min(at + length))),
            Damage::Put(piece) => drop(text.splice(at..at, piece.bytes())),
        }
    }
    text
}

proptest! {
    #[test]
    fn what_is_written_is_read_again(records in vec(record(), 0..6)) {
        let text = written(&records);
        let again = read(&text).unwrap();
        prop_assert_eq!(&again, &records);
        for (one, other) in again.iter().zip(&records) {
            prop_assert_eq!(one.dn().as_str(), other.dn().as_str());
        }
    }

    #[test]
    fn lines_are_graphic_ascii_of_at_most_76_columns(records in vec(record(), 0..6)) {
        for line in written(&records).split(|byte| *byte == b'\n') {
            prop_assert!(line.len() <= 76);
            prop_assert!(line.iter().all(|byte| matches!(byte, b' '..=b'~')));
        }
    }

    #[test]
    fn foldings_comments_and_line_ends_change_nothing(
        records in vec(record(), 1..4),
        cuts in vec(any::<prop::sample::Index>(), 0..20),
        with_returns: bool,
        with_comments: bool,
    ) {
        let mut text = written(&records);
        for cut in cuts {
            // not at an empty line, where nothing can be folded
            let at = cut.index(text.len());
            if at > 0 && text[at - 1] != b'\n' {
                text.splice(at..at, *b"\n ");
            }
        }
        if with_comments {
            let mut commented = b"# one\n two\n".to_vec();
            for line in text.split_inclusive(|byte| *byte == b'\n') {
                if !line.starts_with(b" ") {
                    commented.extend_from_slice(b"# cn: x\n  :\n");
                }
                commented.extend_from_slice(line);
            }
            text = commented;
        }
        if with_returns {
            text = text.split(|byte| *byte == b'\n').collect::<Vec<_>>().join(&b"\r\n"[..]);
        }
        prop_assert_eq!(read(&text).unwrap(), records);
    }

    #[test]
    fn a_file_cut_within_a_line_is_cut_off(records in vec(record(), 1..4), at: prop::sample::Index) {
        let text = written(&records);
        let cut = &text[..at.index(text.len())];
        let found: Vec<_> = Reader::new(cut).collect();
        let (whole, last) = match found.split_last() {
            Some((Err(error), whole)) => (whole, Some(&error.trouble)),
            _ => (found.as_slice(), None),
        };
        if !cut.is_empty() && !cut.ends_with(b"\n") {
            prop_assert!(matches!(last, Some(LdifTrouble::CutOff)));
        }
        // only the last one may have lost something
        let sure = whole.len().saturating_sub(1);
        for (found, record) in whole[..sure].iter().zip(&records) {
            prop_assert_eq!(found.as_ref().unwrap(), record);
        }
    }

    #[test]
    fn no_bytes_panic(text in vec(any::<u8>(), 0..400)) {
        survey(&text);
    }

    #[test]
    fn no_damage_panics(records in vec(record(), 1..5), list in vec(damage(), 1..6)) {
        survey(&damaged(written(&records), &list));
    }
}

/// `HAYLOFT_CASES=1000000 cargo test --lib --config 'profile.test.package.hayloft.opt-level=3' damaged_files_for_long
/// -- --ignored --nocapture`
#[test]
#[ignore = "goes on for long"]
fn damaged_files_for_long() {
    use proptest::strategy::ValueTree;
    let cases: u32 = std::env::var("HAYLOFT_CASES").map_or(100_000, |text| text.parse().unwrap());
    let mut runner = proptest::test_runner::TestRunner::default();
    let begun = std::time::Instant::now();
    let files = vec(record(), 1..5);
    let list = vec(damage(), 1..6);
    let (mut well, mut bytes) = (0, 0);
    let mut text = Vec::new();
    for case in 0..cases {
        // a new file now and then: to make one takes far longer than to damage it
        if case % 50 == 0 {
            text = written(&files.new_tree(&mut runner).unwrap().current());
        }
        let harm = list.new_tree(&mut runner).unwrap().current();
        let damaged = damaged(text.clone(), &harm);
        bytes += damaged.len();
        well += u32::from(survey(&damaged));
    }
    let took = begun.elapsed();
    eprintln!("{cases} damaged files, {bytes} bytes, {well} of them still well, in {took:?}");
}
