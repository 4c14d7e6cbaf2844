//! What is read, what is refused, and at which line.

use super::*;

fn read(text: impl AsRef<[u8]>) -> Result<Vec<Record>, LdifError> {
    Reader::new(text.as_ref()).collect()
}

fn value_of(text: impl AsRef<[u8]>) -> Vec<u8> {
    let records = read(text).unwrap();
    let [Record::Content(entry)] = records.as_slice() else {
        panic!("{records:?}");
    };
    let [one] = entry.values.as_slice() else {
        panic!("{entry:?}");
    };
    one.value.clone()
}

#[track_caller]
fn refused(text: impl AsRef<[u8]>, line: u64, words: &str) {
    let text = text.as_ref();
    let shown = read(text).unwrap_err().to_string();
    assert!(
        shown.starts_with(&format!("line {line}: ")) && shown.contains(words),
        "{shown}"
    );
}

#[test]
fn a_value_begins_behind_the_fill_and_keeps_the_rest() {
    let values: [(&str, &[u8]); 9] = [
        ("cn: a", b"a"),
        ("cn:a", b"a"),
        ("cn:    a b  ", b"a b  "),
        ("cn:", b""),
        ("cn:   ", b""),
        ("cn: a: b", b"a: b"),
        ("cn: caf\u{e9}", "café".as_bytes()),
        ("cn::", b""),
        ("cn::   AP8=", b"\x00\xff"),
    ];
    for (line, value) in values {
        assert_eq!(value_of(format!("dn: cn=a\n{line}\n")), value, "{line}");
        assert_eq!(
            value_of(format!("dn: cn=a\r\n{line}\r\n\r\n")),
            value,
            "{line}"
        );
    }
}

#[test]
fn lines_may_be_folded_anywhere_even_comments() {
    assert_eq!(
        value_of("d\n n\n : cn=\n a\nc\n n\n :\n :\n  Y\n W\n E=\n"),
        b"aa"
    );
    assert_eq!(
        value_of("# one\n two\n\nversion:\n  1\ndn: cn=a\n# a\n b\ncn: x\n  y\n \n"),
        b"x y"
    );
    assert_eq!(value_of("dn: cn=a\r\ncn: x\r\n  y\r\n \r\n"), b"x y");
}

#[test]
fn any_number_of_empty_lines_parts_records() {
    let text = "\n\nversion: 1\n\n\ndn: cn=a\ncn: a\n\n\n\n# b\n\ndn: cn=b\ncn: b\n\n\n";
    assert_eq!(read(text).unwrap().len(), 2);
    for nothing in [
        "",
        "\n",
        "version: 1\n",
        "# none\n",
        "version: 1\n\n# none\n\n",
    ] {
        assert_eq!(read(nothing).unwrap(), [], "{nothing:?}");
    }
}

#[test]
fn only_version_1_is_read() {
    refused(
        "version: 2\ndn: cn=a\ncn: a\n",
        1,
        "newer or unknown version",
    );
    refused("# LDIF\nversion: one\n", 2, "newer or unknown version");
    refused("version:: MQ==\n", 1, "expected one colon");
    refused("dn: cn=a\ncn: a\n\nversion: 1\n", 4, "expected `dn:`");
}

#[test]
fn a_file_that_ends_within_a_line_is_cut_off() {
    for text in [
        "dn: cn=a\ncn: a",
        "dn: cn=a\ncn: a\n ",
        "version: 1",
        "dn: cn=a\ncn: a\n\n# b",
        "# a\n ",
        "\r",
    ] {
        let error = read(text).unwrap_err();
        assert!(
            matches!(error.trouble, LdifTrouble::CutOff),
            "{text:?}: {error}"
        );
    }
    refused("dn: cn=a\ncn: a\ncn:: YW", 3, "cut off");
}

#[test]
fn whether_the_last_record_was_ended_is_told() {
    for (text, ended) in [
        ("dn: cn=a\ncn: a\n\n", true),
        ("dn: cn=a\ncn: a\n\n\n# b\n", true),
        ("dn: cn=a\ncn: a\n", false),
        ("dn: cn=a\ncn: a", false),
        ("", false),
    ] {
        let mut reader = Reader::new(text.as_bytes());
        assert!(!reader.ended_in_empty_line());
        reader.by_ref().for_each(drop);
        assert_eq!(reader.ended_in_empty_line(), ended, "{text:?}");
        assert_eq!(reader.bytes(), text.len() as u64);
    }
}

#[test]
fn a_record_begins_with_its_name() {
    refused(
        "cn: a\n",
        1,
        "expected `dn:` at the beginning of a record, found `cn`",
    );
    refused("-\n", 1, "expected `dn:`");
    refused("dn: cn=a\ncn: a\n\nsn: b\n", 4, "expected `dn:`");
    refused(" dn: cn=a\n", 1, "begins with a space");
    refused("dn: cn=a\ncn: a\n\n dn: cn=b\n", 4, "begins with a space");
    refused(
        "dn: cn=a\ncn: a\ndn: cn=b\ncn: b\n",
        3,
        "expected an empty line between",
    );
    refused("dn: cn=a\n\n", 1, "expected at least one attribute");
    refused("dn: cn=a\n", 1, "expected at least one attribute");
    refused("\n\ndn: cn=a,\ncn: a\n", 3, "is no distinguished name");
    refused("dn:: /w==\ncn: a\n", 1, "in UTF-8");
    refused("\u{feff}dn: cn=a\ncn: a\n", 1, r"found `\xef\xbb\xbfdn`");
}

#[test]
fn damaged_lines_are_refused_without_showing_their_values() {
    refused("dn: cn=a\nsecret\n", 2, "found a line without a colon");
    refused("dn: cn=a\ncn: a\n\n# c\nc d: a\n", 5, "expected `dn:`");
    refused(
        "dn: cn=a\nc d: a\n",
        2,
        "expected the name of an attribute before the colon, found `c d`",
    );
    refused("dn: cn=a\n-\n", 2, "found `-`");
    for (value, words) in [
        ("YQ", "found it without its padding"),
        ("YQ=", "found"),
        ("YR==", "something else at its character 2"),
        ("YQ==\n ", ""),
        ("Y*==", "character 2"),
        ("YQ== ", "character"),
        ("YWJj\u{e9}", "character 5"),
    ] {
        let text = format!("dn: cn=a\nuserPassword:: {value}\n");
        if words.is_empty() {
            assert_eq!(value_of(text), b"a");
        } else {
            refused(&text, 2, words);
            assert!(!read(&text).unwrap_err().to_string().contains(value));
        }
    }
    refused(
        b"dn: cn=a\ncn: a\0b\n",
        2,
        "holds a NUL; expected it in base64",
    );
    refused(b"dn: cn=a\ncn: a\rb\n", 2, "holds a carriage return");
    refused(b"dn: cn=a\ncn: \xff\n", 2, "no UTF-8");
    refused([0; 4096], 1, "cut off");
}

#[test]
fn urls_are_refused_whatever_they_name() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("photo");
    std::fs::write(&file, "there").unwrap();
    for url in [
        format!("file://{}", file.display()),
        "http://studio.example/".to_owned(),
        String::new(),
    ] {
        for line in [
            format!("cn:<{url}"),
            format!("cn:< {url}"),
            format!("cn:\n <  {url}"),
        ] {
            refused(format!("dn: cn=a\n{line}\n"), 2, "URLs are never opened");
        }
    }
    refused("dn:< file:///etc/hostname\ncn: a\n", 1, "never opened");
    refused(
        "dn: cn=a\nchangetype: modify\nadd: cn\ncn:< file:///x\n-\n",
        4,
        "never opened",
    );
    refused(
        "dn: cn=a\ncontrol: 1.2 true:< file:///x\nchangetype: delete\n",
        2,
        "never opened",
    );
}

#[test]
fn changes_are_told_apart_from_content() {
    let records = read("dn: cn=a\nchangetype: delete\n\ndn: cn=b\ncn: b\n").unwrap();
    assert!(matches!(
        records.as_slice(),
        [Record::Change(_), Record::Content(_)]
    ));
    let entries: Vec<_> = Reader::new(&b"dn: cn=b\ncn: b\n\ndn: cn=a\nchangetype: delete\n"[..])
        .entries()
        .collect();
    let [Ok(_), Err(error)] = entries.as_slice() else {
        panic!("{entries:?}");
    };
    assert_eq!(
        error.to_string(),
        "line 4: expected an entry, found a change of one"
    );
}

#[test]
fn controls_have_a_criticality_and_a_value_or_not() {
    let text = "dn: cn=a\ncontrol: 1.2.3\ncontrol:1.2.4  false\ncontrol: 1.2.5 true: x: y\n\
                control: 1.2.6:: AP8=\ncontrol: 1.2.7 true:\nchangetype: moddn\nnewrdn:: Y249Yg==\ndeleteoldrdn: 1\n\
                newsuperior:\n";
    let records = read(text).unwrap();
    let [Record::Change(record)] = records.as_slice() else {
        panic!("{records:?}");
    };
    let shape = |control: &Control| {
        (
            control.oid.clone(),
            control.criticality,
            control.value.clone(),
        )
    };
    let expected = [
        ("1.2.3".to_owned(), Criticality::NotCritical, None),
        ("1.2.4".to_owned(), Criticality::NotCritical, None),
        (
            "1.2.5".to_owned(),
            Criticality::Critical,
            Some(b"x: y".to_vec()),
        ),
        (
            "1.2.6".to_owned(),
            Criticality::NotCritical,
            Some(b"\0\xff".to_vec()),
        ),
        ("1.2.7".to_owned(), Criticality::Critical, Some(Vec::new())),
    ];
    assert_eq!(
        record.controls.iter().map(shape).collect::<Vec<_>>(),
        expected
    );
    let rename = Rename {
        new_rdn: Dn::parse("cn=b").unwrap(),
        old_rdn: OldRdn::Deleted,
        new_superior: Some(Dn::root()),
    };
    assert_eq!(record.change, Change::Rename(rename));
}

#[test]
fn malformed_changes_are_refused_where_they_are_wrong() {
    for (rest, line, words) in [
        ("changetype: rename", 2, "found `rename`"),
        (
            "control: 1.2 maybe\nchangetype: delete",
            2,
            "then `true`, `false`",
        ),
        (
            "control: tree true\nchangetype: delete",
            2,
            "the OID of a control",
        ),
        ("control: 1.2", 3, "expected `changetype:`, found the end"),
        ("control: 1.2\ncn: a", 3, "expected changetype, found `cn`"),
        (
            "changetype: delete\ncn: a",
            3,
            "expected the end of the record",
        ),
        ("changetype: add", 1, "expected at least one attribute"),
        (
            "changetype: modify\nput: cn\ncn: a\n-",
            3,
            "expected `add:`, `delete:`",
        ),
        ("changetype: modify\nadd: cn\nsn: a\n-", 4, "found `sn`"),
        ("changetype: modify\nadd: cn\ncn: a", 5, "expected `-`"),
        ("changetype: modify\nadd: cn\n-", 4, "found 0 values"),
        (
            "changetype: modify\nincrement: n\nn: 1\nn: 2\n-",
            6,
            "found 2 values",
        ),
        (
            "changetype: modrdn\nnewrdn: cn=b,dc=c\ndeleteoldrdn: 1",
            3,
            "of one level",
        ),
        (
            "changetype: modrdn\nnewrdn: cn=b",
            4,
            "expected deleteoldrdn",
        ),
        (
            "changetype: modrdn\nnewrdn: cn=b\ndeleteoldrdn: yes",
            4,
            "expected `0` or `1`",
        ),
        (
            "changetype: modrdn\nnewrdn: cn=b\ndeleteoldrdn: 0\ncn: a",
            5,
            "expected newsuperior",
        ),
    ] {
        refused(format!("dn: cn=a\n{rest}\n"), line, words);
    }
}

#[test]
fn nothing_comes_after_an_error() {
    let mut reader = Reader::new(&b"dn: cn=a\ncn a\n\ndn: cn=b\ncn: b\n"[..]);
    assert!(reader.next().unwrap().is_err());
    assert!(reader.next().is_none());
}

#[test]
fn a_subtree_is_its_base_and_what_is_below() {
    let text = "dn: dc=studio,dc=example\ndc: studio\n\ndn: ou=people,dc=studio,dc=example\nou: people\n\n\
                dn: uid=ines, OU=People, dc=studio, dc=example\nuid: ines\n\ndn: ou=people2,dc=studio,dc=example\nou: p\n";
    let base = Dn::parse("ou=People,dc=studio,dc=example").unwrap();
    let records: Result<Vec<Record>, _> =
        subtree(Reader::new(text.as_bytes()), base.clone()).collect();
    let names: Vec<String> = records
        .unwrap()
        .iter()
        .map(|one| one.dn().to_string())
        .collect();
    assert_eq!(
        names,
        [
            "ou=people,dc=studio,dc=example",
            "uid=ines, OU=People, dc=studio, dc=example"
        ]
    );
    let damaged = format!("{text}cn");
    assert!(subtree(Reader::new(damaged.as_bytes()), base).any(|record| record.is_err()));
}
