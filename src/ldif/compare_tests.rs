//! What differs between entries and between exports, and what has to be changed.

use proptest::prelude::*;

use super::*;

fn entries(text: &str) -> Vec<Entry> {
    let entries: Result<Vec<_>, _> = Reader::new(text.as_bytes()).entries().collect();
    entries.unwrap()
}

fn ines(lines: &str) -> Entry {
    let text = format!("dn: uid=ines,dc=studio,dc=example\n{lines}\n");
    entries(&text).remove(0)
}

fn shown(values: &[AttributeValue]) -> Vec<String> {
    let shown = |one: &AttributeValue| format!("{}: {}", one.name, one.value.escape_ascii());
    values.iter().map(shown).collect()
}

fn none() -> AttributeNames {
    AttributeNames::default()
}

const OLD: &str = "\
dn: dc=studio,dc=example
objectClass: domain
dc: studio
contextCSN: 20261125023000.000000Z#000000#000#000000

dn: uid=ines,dc=studio,dc=example
uid: ines
cn: Ines
mail: ines@studio.example

dn: uid=rui,dc=studio,dc=example
uid: rui
cn: Rui

dn: uid=gone,dc=studio,dc=example
uid: gone

";

const NEW: &str = "\
dn: UID=rui, dc=studio, dc=example
CN: Rui
uid: rui

dn: dc=studio,dc=example
contextCSN: 20261126023000.000000Z#000000#000#000000
dc: studio
objectClass: domain

dn: uid=ines,dc=studio,dc=example
uid: ines
cn: Ines
cn;lang-pt: Inês
mail: ines@kiln.studio.example

dn: uid=new,dc=studio,dc=example
uid: new

";

fn digests(text: &str, aside: &AttributeNames) -> Digests {
    Digests::of(&mut Reader::new(text.as_bytes()), aside).unwrap()
}

fn names<'k>(keys: impl IntoIterator<Item = &'k DnKey>) -> Vec<String> {
    keys.into_iter().map(DnKey::to_string).collect()
}

#[test]
fn two_exports_are_compared_entry_by_entry() {
    let aside = AttributeNames::new(["contextCSN"]);
    let compared = Digests::compare(&digests(OLD, &aside), &digests(NEW, &aside));
    assert_eq!(names(&compared.only_old), ["uid=gone,dc=studio,dc=example"]);
    assert_eq!(names(&compared.only_new), ["uid=new,dc=studio,dc=example"]);
    assert_eq!(names(&compared.differ), ["uid=ines,dc=studio,dc=example"]);
    assert_eq!(compared.same, 2);
    assert!(!compared.is_same());
    let (old, new) = (Reader::new(OLD.as_bytes()), Reader::new(NEW.as_bytes()));
    let found = differences(old, new, &compared, &aside, 10).unwrap();
    assert_eq!(found.len(), 1);
    assert_eq!(
        shown(&found[0].difference.only_old),
        ["mail: ines@studio.example"]
    );
    let only_new = [r"cn;lang-pt: In\xc3\xaas", "mail: ines@kiln.studio.example"];
    assert_eq!(shown(&found[0].difference.only_new), only_new);
}

#[test]
fn what_is_not_left_aside_is_a_difference_and_no_more_are_told_than_wanted() {
    let compared = Digests::compare(&digests(OLD, &none()), &digests(NEW, &none()));
    assert_eq!(compared.differ.len(), 2);
    let (old, new) = (Reader::new(OLD.as_bytes()), Reader::new(NEW.as_bytes()));
    let found = differences(old, new, &compared, &none(), 1).unwrap();
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].dn.as_str(), "dc=studio,dc=example");
    assert!(Digests::compare(&digests(OLD, &none()), &digests(OLD, &none())).is_same());
}

#[test]
fn an_entry_that_is_there_twice_is_an_error() {
    let text = format!("{OLD}dn: UID=Ines,  dc=studio,dc=example\nuid: ines\n");
    let error = Digests::of(&mut Reader::new(text.as_bytes()), &none()).unwrap_err();
    assert_eq!(error.line, 18);
    assert!(
        error.to_string().contains("a second record of `UID=Ines"),
        "{error}"
    );
}

#[test]
fn values_move_between_attributes_and_lengths_without_the_same_digest() {
    let one = ines("cn: ab\nsn: c");
    for other in [
        "cn: a\nsn: bc",
        "cn: ab\nsn;x-a: c",
        "cn: ab",
        "cn: ab\ncn: c",
        "cn: AB\nsn: c",
        "cn: ab\nsn: c\nsn:",
    ] {
        let other = ines(other);
        assert_ne!(Digest::of(&one, &none()), Digest::of(&other, &none()));
        assert!(!difference(&one, &other, &none()).is_empty());
    }
    let same = ines("SN: c\nCN: ab\ncn: ab");
    assert_eq!(Digest::of(&one, &none()), Digest::of(&same, &none()));
    assert!(difference(&one, &same, &none()).is_empty());
}

/// As ldapmodify(1) would be given it.
fn told(live: Option<&Entry>, wanted: &Entry) -> String {
    let mut writer = Writer::begin(Vec::new()).unwrap();
    for change in changes(live, wanted).unwrap() {
        writer.change(&change).unwrap();
    }
    let text = String::from_utf8(writer.finish().unwrap()).unwrap();
    let text = text.strip_prefix("version: 1\n\n").unwrap();
    text.replace("dn: uid=ines,dc=studio,dc=example\nchangetype: ", "")
}

#[test]
fn an_entry_that_is_not_there_is_added_without_what_the_server_writes() {
    let wanted = ines(
        "objectClass: account\nentryUUID: 0\nentryCSN: 0\ncreateTimestamp: 0\ncreatorsName: cn=a\nmodifiersName: cn=a\n\
         modifyTimestamp: 0\nstructuralObjectClass: account\ncontextCSN: 0\nsubschemaSubentry: cn=s\nhasSubordinates: FALSE\n\
         entryDN: uid=ines\nuid: Ines\ncn: Ines",
    );
    assert_eq!(
        told(None, &wanted),
        "add\nobjectClass: account\nuid: Ines\ncn: Ines\n\n"
    );
    assert_eq!(
        told(None, &ines("cn: Ines")),
        "add\ncn: Ines\nuid: ines\n\n"
    );
}

#[test]
fn attributes_are_added_replaced_and_deleted() {
    let live = ines(
        "uid: ines\ncn: Ines\nmail: a@studio.example\nmail: b@studio.example\nphoto: x\nentryCSN: 1",
    );
    let wanted = ines(
        "UID: ines\nCN: Ines\nmail: b@studio.example\nmail: c@studio.example\ntitle: Potter\nentryCSN: 2",
    );
    let expected = "modify\nreplace: mail\nmail: b@studio.example\nmail: c@studio.example\n-\n\
                    add: title\ntitle: Potter\n-\ndelete: photo\n-\n\n";
    assert_eq!(told(Some(&live), &wanted), expected);
    assert_eq!(changes(Some(&live), &live), Ok(Vec::new()));
    let same = ines(
        "cn: Ines\nmail: b@studio.example\nuid: ines\nphoto: x\nmail: a@studio.example\nentryCSN: 9",
    );
    assert_eq!(changes(Some(&live), &same), Ok(Vec::new()));
}

#[test]
fn values_of_the_name_stay_as_they_are() {
    let live = ines("uid: Ines\nuid: i\ncn: a");
    for (wanted, expected) in [
        ("uid: ines\nuid: i\ncn: a", ""),
        ("uid: i\ncn: a", ""),
        ("cn: a", "modify\nreplace: uid\nuid: Ines\n-\n\n"),
        (
            "uid: INES\nuid: k\ncn: a",
            "modify\nreplace: uid\nuid: Ines\nuid: k\n-\n\n",
        ),
        (
            "uid: ines\nuid: i\nuid;x-a: n\ncn: a",
            "modify\nadd: uid;x-a\nuid;x-a: n\n-\n\n",
        ),
    ] {
        assert_eq!(told(Some(&live), &ines(wanted)), expected, "{wanted}");
    }
    assert_eq!(
        changes(Some(&ines("userid: ines\nsn: a")), &ines("sn: a")),
        Ok(Vec::new())
    );
}

#[test]
fn a_name_in_ber_leaves_its_attribute_alone() {
    let of = |lines: &str| entries(&format!("dn: 2.5.4.3=#0c0161,dc=studio\n{lines}\n")).remove(0);
    assert_eq!(
        changes(Some(&of("cn: a\nsn: b")), &of("cn: c\nsn: b")),
        Ok(Vec::new())
    );
    assert_eq!(
        changes(Some(&of("cn: a\nsn: b")), &of("sn: b")),
        Ok(Vec::new())
    );
}

#[test]
fn another_entry_is_not_changed_into_this_one() {
    let other = entries(OLD).remove(0);
    let error = changes(Some(&other), &ines("uid: ines")).unwrap_err();
    assert!(
        error
            .to_string()
            .contains("`dc=studio,dc=example` cannot be made `uid=ines,"),
        "{error}"
    );
}

/// What a server does: RFC 4511, section 4.6.
fn applied(live: &Entry, change: &ChangeRecord) -> Entry {
    let Change::Modify(list) = &change.change else {
        panic!("{change:?}");
    };
    let mut entry = live.clone();
    for one in list {
        let is_there = entry.values.iter().any(|value| value.name == one.name);
        assert_eq!(is_there, one.kind != ModificationKind::Add);
        entry.values.retain(|value| value.name != one.name);
        for value in &one.values {
            let (name, value) = (one.name.clone(), value.clone());
            entry.values.push(AttributeValue { name, value });
        }
    }
    entry
}

fn lines() -> impl Strategy<Value = String> {
    let line = prop::sample::select(vec![
        "cn: a",
        "cn: b",
        "CN: c",
        "cn;x-a: a",
        "cn;X-A: b",
        "sn: a",
        "SN: b",
        "sn:",
        "photo:: AP8=",
        "uid: x",
    ]);
    prop::collection::vec(line, 0..12).prop_map(|lines| format!("uid: ines\n{}", lines.join("\n")))
}

proptest! {
    #[test]
    fn changes_make_the_live_entry_the_wanted_one(live in lines(), wanted in lines()) {
        let (live, wanted) = (ines(&live), ines(&wanted));
        let made = match changes(Some(&live), &wanted).unwrap().as_slice() {
            [] => live.clone(),
            [change] => applied(&live, change),
            more => panic!("{more:?}"),
        };
        prop_assert!(difference(&made, &wanted, &none()).is_empty());
    }

    #[test]
    fn digests_are_the_same_where_there_is_no_difference(one in lines(), other in lines()) {
        let (one, other) = (ines(&one), ines(&other));
        let same = Digest::of(&one, &none()) == Digest::of(&other, &none());
        prop_assert_eq!(same, difference(&one, &other, &none()).is_empty());
        prop_assert_eq!(same, changes(Some(&one), &other).unwrap().is_empty());
    }
}
