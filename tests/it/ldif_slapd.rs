//! LDIF against `OpenLDAP` itself, with a directory of the test's own: slapadd(8) takes what we write, we read what
//! slapcat(8) writes, and ldapmodify(1) with our changes makes live entries the wanted ones.

use std::process::Stdio;

use hayloft::ldif::{
    AttributeName, AttributeNames, AttributeValue, ChangeRecord, Digests, Dn, Entry, Reader,
    Record, Writer, changes, difference, escaped, is_kept_by_server, subtree,
};
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::select;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;

use crate::ldif_directory::{BASE, Directory};
use crate::world::ok;

fn entries(text: &[u8]) -> Vec<Entry> {
    let entries: Result<Vec<Entry>, _> = Reader::new(text).entries().collect();
    entries.unwrap()
}

fn written(records: &[Record]) -> Vec<u8> {
    let mut writer = Writer::begin(Vec::new()).unwrap();
    for record in records {
        writer.record(record).unwrap();
    }
    writer.finish().unwrap()
}

fn written_entries(entries: &[Entry]) -> Vec<u8> {
    let mut writer = Writer::for_slapadd(Vec::new());
    for entry in entries {
        writer.entry(entry).unwrap();
    }
    writer.finish().unwrap()
}

/// What slapadd and slapd write by themselves.
fn of_server() -> AttributeNames {
    AttributeNames::new([
        "structuralObjectClass",
        "entryUUID",
        "creatorsName",
        "createTimestamp",
        "entryCSN",
        "modifiersName",
        "modifyTimestamp",
        "contextCSN",
    ])
}

fn value(name: &str, value: impl Into<Vec<u8>>) -> AttributeValue {
    AttributeValue {
        name: AttributeName::parse(name.as_bytes()).unwrap(),
        value: value.into(),
    }
}

fn top() -> Entry {
    Entry {
        dn: Dn::parse(BASE).unwrap(),
        values: vec![value("objectClass", "domain"), value("dc", "studio")],
    }
}

/// Attributes of inetOrgPerson; of `audio` and `facsimileTelephoneNumber` no values can be compared by the server.
fn attribute() -> impl Strategy<Value = AttributeValue> {
    let text = "[a-z:<#é営][a-zé営, :+#]{0,20}[a-z](, [a-z]{60,200})?";
    let text = (
        select(vec![
            "description",
            "title",
            "cn;lang-pt",
            "displayName",
            "o",
        ]),
        text,
    );
    let bytes = (
        select(vec!["userPassword", "audio"]),
        vec(any::<u8>(), 1..200),
    );
    prop_oneof![
        3 => text.prop_map(|(name, text)| value(name, text)),
        2 => bytes.prop_map(|(name, bytes)| value(name, bytes)),
        1 => "[a-z]{1,9}@studio\\.example".prop_map(|mail| value("mail", mail)),
        1 => "\\+351 [0-9]{3} [0-9]{3}".prop_map(|number| value("facsimileTelephoneNumber", number)),
    ]
}

/// Two states of one entry with this number.
fn person(number: usize) -> impl Strategy<Value = (Entry, Entry)> {
    let name = "[a-zé営][a-zé営,+\"\\\\<>;=#]{0,8}";
    (name, vec(attribute(), 0..9), vec(attribute(), 0..9)).prop_map(move |(name, one, other)| {
        let name = format!("{name}{number}");
        let dn = Dn::parse(&format!("cn={},{BASE}", escaped(name.as_bytes()))).unwrap();
        let of = |mut more: Vec<AttributeValue>| {
            // displayName has one value only
            let mut has_one = false;
            more.retain(|one| {
                one.name.as_str() != "displayName" || !std::mem::replace(&mut has_one, true)
            });
            more.sort();
            more.dedup();
            let mut values = vec![
                value("objectClass", "inetOrgPerson"),
                value("cn", name.clone()),
                value("sn", "a"),
            ];
            values.append(&mut more);
            Entry {
                dn: dn.clone(),
                values,
            }
        };
        (of(one), of(other))
    })
}

fn people(count: usize) -> Vec<(Entry, Entry)> {
    let mut runner = TestRunner::deterministic();
    let one = |number| person(number).new_tree(&mut runner).unwrap().current();
    (0..count).map(one).collect()
}

fn assert_same(found: &[Entry], expected: &[Entry]) {
    assert_eq!(found.len(), expected.len());
    let mut sorted = found.to_vec();
    sorted.sort_by(|a, b| a.dn.cmp(&b.dn));
    for expected in expected {
        let at = sorted.binary_search_by(|one| one.dn.cmp(&expected.dn));
        let found = &sorted[at.unwrap_or_else(|_| panic!("{} is missing", expected.dn))];
        let difference = difference(found, expected, &of_server());
        assert!(difference.is_empty(), "{}: {difference:?}", expected.dn);
    }
}

#[test]
fn slapadd_takes_what_we_write_and_we_read_what_slapcat_writes() {
    let (Some(first), Some(second)) = (Directory::new(), Directory::new()) else {
        return;
    };
    let mut all = vec![top()];
    all.extend(people(300).into_iter().map(|(one, _)| one));
    // an empty value, which LDIF tells without anything behind the colon
    all[1].values.push(value("userPassword", ""));
    first.add(&written_entries(&all));
    let export = first.export();
    let mut reader = Reader::new(export.as_slice());
    let digests = Digests::of(&mut reader, &AttributeNames::default()).unwrap();
    assert_eq!(digests.len(), all.len());
    assert!(reader.ended_in_empty_line());
    let found = entries(&export);
    assert_same(&found, &all);

    // with all that the server wrote, entry by entry
    second.add(&written_entries(&found));
    let again = Digests::of(
        &mut Reader::new(second.export().as_slice()),
        &AttributeNames::default(),
    )
    .unwrap();
    assert!(Digests::compare(&digests, &again).is_same());

    let one = all[7].dn.clone();
    let found: Result<Vec<Record>, _> =
        subtree(Reader::new(export.as_slice()), one.clone()).collect();
    assert_eq!(found.unwrap().len(), 1);
    assert_eq!(
        subtree(Reader::new(export.as_slice()), one.parent().unwrap()).count(),
        all.len()
    );
}

#[test]
fn ldapmodify_with_our_changes_makes_live_entries_the_wanted_ones() {
    let Some(mut directory) = Directory::new() else {
        return;
    };
    let people = people(300);
    let (there, missing) = people.split_at(200);
    let mut live = vec![top()];
    live.extend(there.iter().map(|(live, _)| live.clone()));
    directory.add(&written_entries(&live));
    directory.start();
    // as of an export: with what the server wrote itself, and which it would refuse
    let exported = entries(&directory.export());
    let mut list: Vec<ChangeRecord> = Vec::new();
    let mut wanted = vec![top()];
    for (number, (_, other)) in people.iter().enumerate() {
        let mut other = other.clone();
        other.values.push(value(
            "entryCSN",
            "20261125023000.000000Z#000000#000#000000",
        ));
        other
            .values
            .push(value("creatorsName", format!("cn=another,{BASE}")));
        let live = exported.iter().find(|one| one.dn == other.dn);
        assert_eq!(live.is_some(), number < there.len());
        list.extend(changes(live, &other).unwrap());
        wanted.push(other);
    }
    assert!(list.len() > 250 && !missing.is_empty());
    let records: Vec<Record> = list.into_iter().map(Record::Change).collect();
    directory.modify(&written(&records));
    let made = entries(&directory.export());
    assert_same(&made, &wanted);
    // and then there is nothing left to do
    for one in &wanted[1..] {
        let live = made.iter().find(|live| live.dn == one.dn);
        assert_eq!(changes(live, one), Ok(Vec::new()));
    }
}

#[test]
fn values_of_the_name_are_not_taken_from_the_server() {
    let Some(mut directory) = Directory::new() else {
        return;
    };
    let of = |lines: &str| {
        entries(format!("dn: cn=Ines+uid=ines,{BASE}\n{lines}\n").as_bytes()).remove(0)
    };
    let live = of("objectClass: inetOrgPerson\ncn: Ines\ncn: Nês\nuid: ines\nsn: a");
    directory.add(&written_entries(&[top(), live.clone()]));
    directory.start();
    // in other letters, and not at all
    let wanted = of("objectClass: inetOrgPerson\ncn: INES\nsn: b");
    let records: Vec<Record> = changes(Some(&live), &wanted)
        .unwrap()
        .into_iter()
        .map(Record::Change)
        .collect();
    directory.modify(&written(&records));
    let expected = of("objectClass: inetOrgPerson\ncn: Ines\nuid: ines\nsn: b");
    assert_same(&entries(&directory.export()), &[top(), expected]);
}

#[test]
fn what_the_schema_says_the_server_keeps_is_known() {
    let Some(mut directory) = Directory::new() else {
        return;
    };
    directory.add(&written_entries(&[top()]));
    directory.start();
    let answer = ok(directory
        .search("cn=subschema", "attributeTypes")
        .stdout(Stdio::piped()))
    .stdout;
    let schema = entries(&answer).remove(0);
    let mut unknown = Vec::new();
    for one in &schema.values {
        let text = String::from_utf8(one.value.clone()).unwrap();
        let Some((_, names)) = text.split_once("NAME ") else {
            continue;
        };
        let name = names.split('\'').nth(1).unwrap();
        let attribute = AttributeName::parse(name.as_bytes()).unwrap();
        let is_kept = text.contains("NO-USER-MODIFICATION");
        if is_kept != is_kept_by_server(&attribute) {
            unknown.push(format!("{name}: {is_kept}"));
        }
    }
    assert!(schema.values.len() > 100);
    assert_eq!(unknown, Vec::<String>::new());
}
