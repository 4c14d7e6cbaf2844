//! The examples of RFC 2849, from memory; those that point to a file are refused, as they must be.

use super::*;

fn read(text: &str) -> Result<Vec<Record>, LdifError> {
    Reader::new(text.as_bytes()).collect()
}

fn entries(text: &str) -> Vec<Entry> {
    let entries: Result<Vec<_>, _> = Reader::new(text.as_bytes()).entries().collect();
    entries.unwrap()
}

fn values(entry: &Entry, name: &str) -> Vec<String> {
    let name = AttributeName::parse(name.as_bytes()).unwrap();
    let values = entry.values_of(&name);
    values
        .map(|value| String::from_utf8(value.to_vec()).unwrap())
        .collect()
}

const SIMPLE: &str = "\
version: 1
dn: cn=Barbara Jensen, ou=Product Development, dc=airius, dc=com
objectclass: top
objectclass: person
objectclass: organizationalPerson
cn: Barbara Jensen
cn: Barbara J Jensen
cn: Babs Jensen
sn: Jensen
uid: bjensen
telephonenumber: +1 408 555 1212
description: A big sailing fan.

dn: cn=Bjorn Jensen, ou=Accounting, dc=airius, dc=com
objectclass: top
objectclass: person
objectclass: organizationalPerson
cn: Bjorn Jensen
sn: Jensen
telephonenumber: +1 408 555 1212
";

#[test]
fn example_1_is_a_simple_file_with_two_entries() {
    let entries = entries(SIMPLE);
    assert_eq!(entries.len(), 2);
    let first = "cn=Barbara Jensen, ou=Product Development, dc=airius, dc=com";
    assert_eq!(entries[0].dn.as_str(), first);
    assert_eq!(entries[0].dn.depth(), 4);
    let names = ["Barbara Jensen", "Barbara J Jensen", "Babs Jensen"];
    assert_eq!(values(&entries[0], "cn"), names);
    assert_eq!(values(&entries[1], "telephoneNumber"), ["+1 408 555 1212"]);
    assert_eq!(entries[1].values.len(), 6);
}

#[test]
fn example_2_has_a_folded_value() {
    let text = "\
version: 1
dn:cn=Barbara Jensen, ou=Product Development, dc=airius, dc=com
objectclass:top
objectclass:person
objectclass:organizationalPerson
cn:Barbara Jensen
cn:Barbara J Jensen
cn:Babs Jensen
sn:Jensen
uid:bjensen
telephonenumber:+1 408 555 1212
description:Babs is a big sailing fan, and travels extensively in sea
 rch of perfect sailing conditions.
title:Product Manager, Rod and Reel Division
";
    let entry = &entries(text)[0];
    let told = "Babs is a big sailing fan, and travels extensively in search of perfect sailing conditions.";
    assert_eq!(values(entry, "description"), [told]);
    assert_eq!(
        values(entry, "title"),
        ["Product Manager, Rod and Reel Division"]
    );
}

#[test]
fn example_3_has_a_value_in_base64() {
    let text = "\
version: 1
dn: cn=Gern Jensen, ou=Product Testing, dc=airius, dc=com
objectclass: top
objectclass: person
objectclass: organizationalPerson
cn: Gern Jensen
cn: Gern O Jensen
sn: Jensen
uid: gernj
telephonenumber: +1 408 555 1212
description:: V2hhdCBhIGNhcmVmdWwgcmVhZGVyIHlvdSBhcmUhICBUaGlzIHZhbHVlIGlzIGJhc2UtNjQtZW5jb2RlZCBiZWNhdXNlIGl0IGhhcyBhIGNvbnRyb2wgY2hhcmFjdGVyIGluIGl0IChhIENSKS4NICBCeSB0aGUgd2F5LCB5b3Ugc2hvdWxkIHJlYWxseSBnZXQgb3V0IG1vcmUu
";
    let told = "What a careful reader you are!  This value is base-64-encoded because it has a control character in it \
         (a CR).\r  By the way, you should really get out more.";
    assert_eq!(values(&entries(text)[0], "description"), [told]);
}

#[test]
fn example_4_has_names_in_utf_8_options_and_comments_that_look_like_lines() {
    let text = "\
version: 1
dn:: b3U95Za25qWt6YOoLG89QWlyaXVz
# dn:: ou=<JapaneseOU>,o=Airius
objectclass: top
objectclass: organizationalUnit
ou:: 5Za25qWt6YOo
# ou:: <JapaneseOU>
ou;lang-ja:: 5Za25qWt6YOo
# ou;lang-ja:: <JapaneseOU>
ou;lang-ja;phonetic:: 44GI44GE44GO44KH44GG44G2
# ou;lang-ja:: <JapaneseOU_in_phonetic_representation>
ou;lang-en: Sales
description: Japanese office
";
    let entry = &entries(text)[0];
    assert_eq!(entry.dn.as_str(), "ou=営業部,o=Airius");
    assert_eq!(values(entry, "ou"), ["営業部"]);
    assert_eq!(values(entry, "ou;phonetic;LANG-JA"), ["えいぎょうぶ"]);
    assert_eq!(values(entry, "ou;lang-en"), ["Sales"]);
    assert_eq!(entry.values.len(), 7);
}

#[test]
fn example_5_points_to_a_file_and_is_refused_at_that_line() {
    let text = "\
version: 1
dn: cn=Horatio Jensen, ou=Product Testing, dc=airius, dc=com
objectclass: top
objectclass: person
objectclass: organizationalPerson
cn: Horatio Jensen
cn: Horatio N Jensen
sn: Jensen
uid: hjensen
telephonenumber: +1 408 555 1212
jpegphoto:< file:///usr/local/directory/photos/hjensen.jpg
";
    let error = read(text).unwrap_err();
    assert_eq!(error.line, 11);
    assert!(matches!(&error.trouble, LdifTrouble::Url { name } if name == "jpegphoto"));
    assert!(
        error
            .to_string()
            .starts_with("line 11: the value of `jpegphoto` is only pointed to, by a URL")
    );
}

/// Without the line of the first record that points to a file.
const CHANGES: &str = "\
version: 1
# Add a new entry
dn: cn=Fiona Jensen, ou=Marketing, dc=airius, dc=com
changetype: add
objectclass: top
objectclass: person
objectclass: organizationalPerson
cn: Fiona Jensen
sn: Jensen
uid: fiona
telephonenumber: +1 408 555 1212

# Delete an existing entry
dn: cn=Robert Jensen, ou=Marketing, dc=airius, dc=com
changetype: delete

# Modify an entry's relative distinguished name
dn: cn=Paul Jensen, ou=Product Development, dc=airius, dc=com
changetype: modrdn
newrdn: cn=Paula Jensen
deleteoldrdn: 1

# Rename an entry and move all of its children to a new location in
# the directory tree (only implemented by LDAPv3 servers).
dn: ou=PD Accountants, ou=Product Development, dc=airius, dc=com
changetype: modrdn
newrdn: ou=Product Development Accountants
deleteoldrdn: 0
newsuperior: ou=Accounting, dc=airius, dc=com

# Modify an entry: add an additional value to the postaladdress
# attribute, completely delete the description attribute, replace
# the telephonenumber attribute with two values, and delete a specific
# value from the facsimiletelephonenumber attribute
dn: cn=Paula Jensen, ou=Product Development, dc=airius, dc=com
changetype: modify
add: postaladdress
postaladdress: 123 Anystreet $ Sunnyvale, CA $ 94086
-
delete: description
-
replace: telephonenumber
telephonenumber: +1 408 555 1234
telephonenumber: +1 408 555 5678
-
delete: facsimiletelephonenumber
facsimiletelephonenumber: +1 408 555 9876
-

# Modify an entry: replace the postaladdress attribute with an empty
# set of values (which will cause the attribute to be removed), and
# delete the entire description attribute. Note that the first will
# always succeed, while the second will only succeed if at least
# one value for the description attribute is present.
dn: cn=Ingrid Jensen, ou=Product Support, dc=airius, dc=com
changetype: modify
replace: postaladdress
-
delete: description
-
";

#[test]
fn example_6_has_every_kind_of_change() {
    let changes: Vec<Change> = read(CHANGES)
        .unwrap()
        .into_iter()
        .map(|record| match record {
            Record::Change(change) => change.change,
            Record::Content(entry) => panic!("{entry:?}"),
        })
        .collect();
    let [
        add,
        Change::Delete,
        Change::Rename(name),
        Change::Rename(place),
        Change::Modify(four),
        Change::Modify(two),
    ] = changes.as_slice()
    else {
        panic!("{changes:?}");
    };
    assert!(matches!(add, Change::Add(values) if values.len() == 7));
    assert_eq!(name.new_rdn, Dn::parse("cn=Paula Jensen").unwrap());
    assert_eq!((name.old_rdn, &name.new_superior), (OldRdn::Deleted, &None));
    assert_eq!(place.old_rdn, OldRdn::Kept);
    assert_eq!(
        place.new_superior,
        Some(Dn::parse("ou=Accounting, dc=airius, dc=com").unwrap())
    );
    let shape = |list: &[Modification]| -> Vec<(ModificationKind, String, usize)> {
        let shape = |one: &Modification| (one.kind, one.name.to_string(), one.values.len());
        list.iter().map(shape).collect()
    };
    let expected = [
        (ModificationKind::Add, "postaladdress".to_owned(), 1),
        (ModificationKind::Delete, "description".to_owned(), 0),
        (ModificationKind::Replace, "telephonenumber".to_owned(), 2),
        (
            ModificationKind::Delete,
            "facsimiletelephonenumber".to_owned(),
            1,
        ),
    ];
    assert_eq!(shape(four), expected);
    let expected = [
        (ModificationKind::Replace, "postaladdress".to_owned(), 0),
        (ModificationKind::Delete, "description".to_owned(), 0),
    ];
    assert_eq!(shape(two), expected);
}

#[test]
fn example_6_as_it_stands_points_to_a_file_too() {
    let line = "telephonenumber: +1 408 555 1212\n";
    let url = "jpegphoto:< file:///usr/local/directory/photos/fiona.jpg\n";
    let text = CHANGES.replacen(line, &format!("{line}{url}"), 1);
    assert_eq!(read(&text).unwrap_err().line, 12);
}

#[test]
fn example_7_has_a_control() {
    let text = "\
version: 1
# Delete the following entry. The operation will attach the LDAPv3
# Tree Delete Control defined in [9]. The criticality
# field is \"true\" and the controlValue field is absent, as
# required by [9].
dn: ou=Product Development, dc=airius, dc=com
control: 1.2.840.113556.1.4.805 true
changetype: delete
";
    let records = read(text).unwrap();
    let [Record::Change(record)] = records.as_slice() else {
        panic!("{records:?}");
    };
    assert_eq!(record.change, Change::Delete);
    let control = Control {
        oid: "1.2.840.113556.1.4.805".to_owned(),
        criticality: Criticality::Critical,
        value: None,
    };
    assert_eq!(record.controls, [control]);
}

#[test]
fn the_examples_are_the_same_when_written_and_with_line_ends_of_two_bytes() {
    for text in [SIMPLE, CHANGES] {
        let records = read(text).unwrap();
        assert_eq!(read(&text.replace('\n', "\r\n")).unwrap(), records);
        let mut writer = Writer::begin(Vec::new()).unwrap();
        for record in &records {
            writer.record(record).unwrap();
        }
        let written = String::from_utf8(writer.finish().unwrap()).unwrap();
        assert_eq!(read(&written).unwrap(), records);
    }
}
