//! LDIF against python-ldap and ldap3, on random records: theirs read by us, and ours by them. ldap3 2.9 only writes
//! LDIF; python-ldap 3.4 reads entries and `modify`.

use std::io::Write as _;
use std::process::{Command, Stdio};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use hayloft::ldif::{
    AttributeName, AttributeValue, Change, ChangeRecord, Control, Criticality, Dn, Entry,
    Modification, ModificationKind, OldRdn, Reader, Record, Rename, Writer, escaped,
};
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::select;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;
use serde_json::{Value, json};

use crate::world::skip;

const PYTHON: &str = "/usr/bin/python3";
const SCRIPT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/it/ldif_oracle.py");

pub fn has_python() -> bool {
    let answer = Command::new(PYTHON)
        .args(["-c", "import ldap, ldif, ldap3"])
        .output();
    let has = answer.is_ok_and(|answer| answer.status.success());
    if !has {
        skip("python3-ldap and python3-ldap3 are not installed");
    }
    has
}

fn ask(command: &str, input: &[u8]) -> Vec<u8> {
    let mut child = Command::new(PYTHON)
        .args([SCRIPT, command])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let input = input.to_owned();
    let writer = std::thread::spawn(move || stdin.write_all(&input).unwrap());
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap();
    assert!(output.status.success(), "{command}");
    output.stdout
}

pub fn ask_json(command: &str, input: &[u8]) -> Value {
    serde_json::from_slice(&ask(command, input)).unwrap()
}

pub fn many<T: std::fmt::Debug>(count: usize, of: impl Strategy<Value = T>) -> Vec<T> {
    let mut runner = TestRunner::deterministic();
    let one = |_| of.new_tree(&mut runner).unwrap().current();
    (0..count).map(one).collect()
}

fn value() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        3 => "[ -~]{0,40}".prop_map(String::into_bytes),
        1 => "[A-Za-z]{50,400}".prop_map(String::into_bytes),
        2 => "[ :<#-]?[a-zé営 ]{0,30} {0,2}".prop_map(String::into_bytes),
        2 => vec(any::<u8>(), 0..300),
        1 => Just(Vec::new()),
    ]
}

/// With lengths about the column where lines are folded.
fn name() -> impl Strategy<Value = AttributeName> {
    "(cn|sn|mail|jpegPhoto|userCertificate|2\\.5\\.4\\.13|x-[a-z]{1,60})(;binary|;lang-pt|;x-[a-z0-9]{1,12})?"
        .prop_map(|name| AttributeName::parse(name.as_bytes()).unwrap())
}

pub fn dn() -> impl Strategy<Value = Dn> {
    let text = "[A-Za-zé営 ]{1,12}[,+\"\\\\<>;=# a]{0,3}[a-z]{0,30}";
    (
        text,
        vec(
            select(vec!["people", "Grupos e mais", "firing, glazing"]),
            0..3,
        ),
    )
        .prop_map(|(own, above)| {
            let mut name = format!("cn={}", escaped(own.as_bytes()));
            for level in above {
                name.push_str(",ou=");
                name.push_str(&escaped(level.as_bytes()));
            }
            Dn::parse(&format!("{name},dc=studio,dc=example")).unwrap()
        })
}

fn values() -> impl Strategy<Value = Vec<AttributeValue>> {
    let attribute = (name(), vec(value(), 1..4));
    vec(attribute, 1..8).prop_map(|mut attributes| {
        attributes.sort_by(|a, b| a.0.cmp(&b.0));
        attributes.dedup_by(|a, b| a.0 == b.0);
        let one = |(name, values): (AttributeName, Vec<Vec<u8>>)| {
            let pair = move |value| AttributeValue {
                name: name.clone(),
                value,
            };
            values.into_iter().map(pair)
        };
        attributes.into_iter().flat_map(one).collect()
    })
}

fn entry() -> impl Strategy<Value = Entry> {
    (dn(), values()).prop_map(|(dn, values)| Entry { dn, values })
}

fn modifications() -> impl Strategy<Value = Vec<Modification>> {
    use ModificationKind::{Add, Delete, Increment, Replace};
    let kind = select(vec![Add, Delete, Replace, Increment]);
    let one = (kind, name(), vec(value(), 0..4)).prop_map(|(kind, name, mut values)| {
        match kind {
            Increment => values.resize(1, b"-1".to_vec()),
            Add if values.is_empty() => values.push(b"a".to_vec()),
            _ => {}
        }
        Modification { kind, name, values }
    });
    vec(one, 1..5)
}

fn change() -> impl Strategy<Value = ChangeRecord> {
    // ldap3 leaves a control without a value out
    let control =
        ("1(\\.[1-9]){3,9}", any::<bool>(), value()).prop_map(|(oid, is_critical, mut value)| {
            value.push(b'v');
            Control {
                oid,
                criticality: if is_critical {
                    Criticality::Critical
                } else {
                    Criticality::NotCritical
                },
                value: Some(value),
            }
        });
    let rename =
        (dn(), any::<bool>(), prop::option::of(dn())).prop_map(|(own, is_kept, new_superior)| {
            let own = own.naming_values().remove(0);
            Change::Rename(Rename {
                new_rdn: Dn::parse(&format!("cn={}", escaped(own.value().unwrap()))).unwrap(),
                old_rdn: if is_kept {
                    OldRdn::Kept
                } else {
                    OldRdn::Deleted
                },
                new_superior,
            })
        });
    let change = prop_oneof![
        values().prop_map(Change::Add),
        Just(Change::Delete),
        modifications().prop_map(Change::Modify),
        rename,
    ];
    (dn(), vec(control, 0..3), change).prop_map(|(dn, controls, change)| ChangeRecord {
        dn,
        controls,
        change,
    })
}

fn told_values(values: &[AttributeValue]) -> Value {
    let one = |one: &AttributeValue| json!([one.name.as_str(), STANDARD.encode(&one.value)]);
    values.iter().map(one).collect()
}

fn told_entry(entry: &Entry) -> Value {
    json!({ "dn": entry.dn.as_str(), "values": told_values(&entry.values) })
}

fn told_modifications(list: &[Modification]) -> Value {
    let one = |one: &Modification| {
        let kind = format!("{:?}", one.kind).to_lowercase();
        let values: Vec<String> = one
            .values
            .iter()
            .map(|value| STANDARD.encode(value))
            .collect();
        json!([kind, one.name.as_str(), values])
    };
    list.iter().map(one).collect()
}

fn told_change(record: &ChangeRecord) -> Value {
    let control = |one: &Control| {
        let value = one.value.as_deref().unwrap_or_default();
        json!([
            one.oid,
            one.criticality == Criticality::Critical,
            STANDARD.encode(value)
        ])
    };
    let controls: Value = record.controls.iter().map(control).collect();
    let mut told = json!({ "dn": record.dn.as_str(), "controls": controls });
    match &record.change {
        Change::Add(values) => told["add"] = told_values(values),
        Change::Delete => {}
        Change::Modify(list) => told["modify"] = told_modifications(list),
        Change::Rename(rename) => {
            let superior = rename.new_superior.as_ref().map(Dn::as_str);
            told["rename"] = json!([
                rename.new_rdn.as_str(),
                rename.old_rdn == OldRdn::Deleted,
                superior
            ]);
        }
    }
    told
}

fn asked(records: &[Value], columns: usize, line_end: &str) -> Vec<u8> {
    let asked = json!({ "records": records, "columns": columns, "line_end": line_end });
    asked.to_string().into_bytes()
}

/// Names as they are spelt as well, and the values in the order of names.
fn assert_same(found: &[u8], expected: &[Record]) {
    let found: Result<Vec<Record>, _> = Reader::new(found).collect();
    let mut found = found.unwrap();
    for record in &mut found {
        if let Record::Content(Entry { values, .. })
        | Record::Change(ChangeRecord {
            change: Change::Add(values),
            ..
        }) = record
        {
            values.sort_by(|a, b| a.name.cmp(&b.name));
        }
    }
    assert_eq!(found.len(), expected.len());
    for (found, expected) in found.iter().zip(expected) {
        assert_eq!(found, expected);
        assert_eq!(found.dn().as_str(), expected.dn().as_str());
    }
}

fn written(records: &[Record]) -> Vec<u8> {
    let mut writer = Writer::begin(Vec::new()).unwrap();
    for record in records {
        writer.record(record).unwrap();
    }
    writer.finish().unwrap()
}

#[test]
fn entries_that_python_ldap_and_ldap3_write_are_read() {
    if !has_python() {
        return;
    }
    let entries = many(600, entry());
    let expected: Vec<Record> = entries.iter().cloned().map(Record::Content).collect();
    for (columns, line_end) in [(76, "\n"), (2, "\n"), (7, "\r\n"), (100_000, "\n")] {
        let input = asked(
            &entries.iter().map(told_entry).collect::<Vec<_>>(),
            columns,
            line_end,
        );
        assert_same(&ask("write", &input), &expected);
    }
    let input = asked(&entries.iter().map(told_entry).collect::<Vec<_>>(), 0, "");
    assert_same(&ask("ldap3", &input), &expected);
}

#[test]
fn entries_that_we_write_are_read_by_python_ldap() {
    if !has_python() {
        return;
    }
    let entries = many(600, entry());
    let records: Vec<Record> = entries.iter().cloned().map(Record::Content).collect();
    let text = written(&records);
    let folded = text.windows(2).filter(|pair| pair == b"\n ").count();
    assert!(folded > 1000, "{folded}");
    let expected: Vec<Value> = entries.iter().map(told_entry).collect();
    assert_eq!(ask_json("read", &text), Value::from(expected));
}

#[test]
fn changes_that_python_ldap_and_ldap3_write_are_read() {
    if !has_python() {
        return;
    }
    let changes = many(600, change());
    let expected: Vec<Record> = changes.iter().cloned().map(Record::Change).collect();
    let input = asked(&changes.iter().map(told_change).collect::<Vec<_>>(), 0, "");
    assert_same(&ask("ldap3-changes", &input), &expected);

    let plain = |record: &ChangeRecord| {
        record.controls.is_empty() && matches!(record.change, Change::Modify(_))
    };
    let modify: Vec<ChangeRecord> = changes.into_iter().filter(plain).collect();
    assert!(modify.len() > 30, "{}", modify.len());
    let expected: Vec<Record> = modify.iter().cloned().map(Record::Change).collect();
    let input = asked(
        &modify.iter().map(told_change).collect::<Vec<_>>(),
        30,
        "\n",
    );
    assert_same(&ask("write-changes", &input), &expected);
}

#[test]
fn changes_that_we_write_are_read_by_python_ldap() {
    if !has_python() {
        return;
    }
    let modify: Vec<(Dn, Vec<Modification>)> = many(400, (dn(), modifications()));
    let record = |(dn, list): &(Dn, Vec<Modification>)| {
        Record::Change(ChangeRecord {
            dn: dn.clone(),
            controls: Vec::new(),
            change: Change::Modify(list.clone()),
        })
    };
    let records: Vec<Record> = modify.iter().map(record).collect();
    let expected: Vec<Value> = modify
        .iter()
        .map(|(dn, list)| json!({ "dn": dn.as_str(), "modify": told_modifications(list) }))
        .collect();
    assert_eq!(
        ask_json("changes", &written(&records)),
        Value::from(expected)
    );
}
