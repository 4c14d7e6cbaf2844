//! Distinguished names against `OpenLDAP`'s own library, asked by python-ldap.
//!
//! It takes some names that RFC 4514 does not have, found out by running it: with tabs and newlines for spaces, or
//! one behind a backslash (no such names are tried); with an option behind the attribute; with anything between
//! `#hex` and the comma; with hex pairs in quotes, which it takes as they stand.

use hayloft::ldif::{Dn, NamingValue};
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::select;
use serde_json::Value;

use crate::ldif_oracle::{ask_json, dn, has_python, many};

/// The levels of a name, each with its parts; values told in BER have none here.
fn levels(dn: &Dn) -> Vec<Vec<(String, Option<Vec<u8>>)>> {
    std::iter::successors(Some(dn.clone()), Dn::parent)
        .take_while(|dn| dn.depth() > 0)
        .map(|dn| {
            let values = dn.naming_values();
            let part =
                |one: &NamingValue| (one.attribute().to_owned(), one.value().map(<[u8]>::to_vec));
            values.iter().map(part).collect()
        })
        .collect()
}

fn told_levels(told: &Value) -> Vec<Vec<(String, Option<Vec<u8>>)>> {
    let part = |part: &Value| {
        let value = part[1].as_str().map(|text| text.as_bytes().to_vec());
        (part[0].as_str().unwrap().to_owned(), value)
    };
    let level = |level: &Value| level.as_array().unwrap().iter().map(part).collect();
    told.as_array().unwrap().iter().map(level).collect()
}

fn hostile_name() -> impl Strategy<Value = String> {
    let pieces = select(vec![
        "cn=", "cn=a", "ou=B", "=", ",", ", ", " + ", "+", ";", " ", "\\", "\"", "#", "0", "4F",
        "e9", "<", ">", "a", "B", "é", "1.2=", "-", ".", "\\,", "\\ ", "\\41", "\\c3\\a9", "\\ff",
        "\\#", "=#0402", ",dc=b", "dc=b",
    ]);
    vec(pieces, 0..9).prop_map(|pieces| pieces.concat())
}

/// What only `OpenLDAP`'s library takes, see above; `at` is where we do not.
fn is_beyond_rfc_4514(name: &str, at: usize) -> bool {
    let rest = &name.as_bytes()[at..];
    let is_option = rest.first() == Some(&b';');
    let is_in_quotes = name[..at].contains('"') && name[..at].ends_with('\\');
    is_option || is_in_quotes || name.replace(' ', "").contains("=#")
}

#[test]
fn names_are_taken_apart_as_by_openldap() {
    if !has_python() {
        return;
    }
    let mut names = many(60_000, hostile_name());
    names.extend(many(2000, dn()).iter().map(Dn::to_string));
    // where it takes the space for one behind a backslash
    names.retain(|name| !name.contains(r"\\ "));
    let answers = ask_json("names", Value::from(names.clone()).to_string().as_bytes());
    let (mut right, mut wrong, mut wide, mut beyond) = (0, 0, 0, 0);
    for (name, answer) in names.iter().zip(answers.as_array().unwrap()) {
        match (Dn::parse(name), answer) {
            (Err(_), Value::Null) => wrong += 1,
            (Ok(_), Value::String(_)) => wide += 1,
            (Ok(dn), Value::Array(_)) => {
                right += 1;
                assert_eq!(levels(&dn), told_levels(answer), "{name:?}");
            }
            (Err(error), Value::Array(_) | Value::String(_))
                if is_beyond_rfc_4514(name, error.at) =>
            {
                beyond += 1;
            }
            (ours, _) => panic!("{name:?}: {ours:?}, and OpenLDAP: {answer}"),
        }
    }
    assert!(
        right > 5000 && wrong > 5000 && wide > 50 && beyond < 1000,
        "{right} {wrong} {wide} {beyond}"
    );
}

/// As caseIgnoreMatch compares what `OpenLDAP`'s library found.
fn told_key(told: &Value) -> Vec<Vec<(String, String)>> {
    let part = |(kind, value): (String, Option<Vec<u8>>)| {
        let value = String::from_utf8(value.unwrap()).unwrap();
        let words: Vec<&str> = value.split(' ').filter(|word| !word.is_empty()).collect();
        (kind.to_lowercase(), words.join(" ").to_lowercase())
    };
    let level = |level: Vec<_>| {
        let mut parts: Vec<_> = level.into_iter().map(part).collect();
        parts.sort();
        parts
    };
    told_levels(told).into_iter().map(level).collect()
}

#[test]
fn names_are_alike_and_below_each_other_as_what_openldap_takes_apart() {
    if !has_python() {
        return;
    }
    let part = select(vec![
        "cn=a",
        "CN=A",
        "cn=a ",
        "sn=\\41",
        "SN=a",
        "cn=a  b",
        "cn=A b",
        "cn=\\c3\\89",
        "cn=é",
    ]);
    let level = vec(part, 1..3).prop_map(|parts| parts.join("+"));
    let names = many(600, vec(level, 0..3).prop_map(|levels| levels.join(", ")));
    let answers = ask_json("names", Value::from(names.clone()).to_string().as_bytes());
    let keys: Vec<_> = answers.as_array().unwrap().iter().map(told_key).collect();
    let dns: Vec<Dn> = names.iter().map(|name| Dn::parse(name).unwrap()).collect();
    let mut alike = 0;
    for (key, dn) in keys.iter().zip(&dns) {
        for (other_key, other) in keys.iter().zip(&dns) {
            assert_eq!(dn == other, key == other_key, "{dn} and {other}");
            assert_eq!(
                dn.is_within(other),
                key.ends_with(other_key),
                "{dn} and {other}"
            );
            alike += usize::from(key == other_key);
        }
    }
    assert!(alike > 2 * names.len(), "{alike}");
}
