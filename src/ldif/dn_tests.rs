//! Distinguished names: the examples of RFC 4514, from memory, and laws.

use proptest::prelude::*;

use super::{Dn, escaped};

fn dn(text: &str) -> Dn {
    Dn::parse(text).unwrap()
}

fn naming(text: &str) -> Vec<(String, Option<Vec<u8>>)> {
    let values = dn(text).naming_values();
    let pair = |one: &super::NamingValue| {
        let value = one.value().map(<[u8]>::to_vec);
        (one.attribute().to_owned(), value)
    };
    values.iter().map(pair).collect()
}

fn pair(attribute: &str, value: &[u8]) -> (String, Option<Vec<u8>>) {
    (attribute.to_owned(), Some(value.to_vec()))
}

#[test]
fn the_examples_of_rfc_4514_are_read() {
    // section 4
    let simple = "UID=jsmith,DC=example,DC=net";
    assert_eq!(naming(simple), [pair("UID", b"jsmith")]);
    assert_eq!(dn(simple).depth(), 3);
    let several = "OU=Sales+CN=J.  Smith,DC=example,DC=net";
    assert_eq!(
        naming(several),
        [pair("OU", b"Sales"), pair("CN", b"J.  Smith")]
    );
    assert_eq!(dn(several).depth(), 3);
    let quotes = r#"CN=James \"Jim\" Smith\, III,DC=example,DC=net"#;
    assert_eq!(naming(quotes), [pair("CN", br#"James "Jim" Smith, III"#)]);
    let carriage_return = r"CN=Before\0dAfter,DC=example,DC=net";
    assert_eq!(naming(carriage_return), [pair("CN", b"Before\rAfter")]);
    let ber = "1.3.6.1.4.1.1466.0=#04024869";
    assert_eq!(naming(ber), [("1.3.6.1.4.1.1466.0".to_owned(), None)]);
    assert_eq!(
        naming(r"CN=Lu\C4\8Di\C4\87"),
        [pair("CN", "Lučić".as_bytes())]
    );
    assert_eq!(dn(r"CN=Lu\C4\8Di\C4\87"), dn("cn=Lučić"));
}

#[test]
fn names_are_the_same_whatever_their_spelling() {
    let one = dn(r"cn=Kiln\, large+l=Porto,ou=Firing,dc=studio,dc=example");
    for same in [
        r"CN=kiln\2c LARGE+L=porto,OU=firing,DC=Studio,DC=Example",
        r"l=Porto+cn=Kiln\,   large , ou = Firing , dc=studio,dc=example",
        r#"2.5.4.3="Kiln, large"+localityName=Porto;2.5.4.11=Firing;dc=studio;domainComponent=example"#,
    ] {
        assert_eq!(one, dn(same), "{same}");
    }
    for other in [
        r"cn=Kiln\, large,ou=Firing,dc=studio,dc=example",
        r"cn=Kiln\, large\+l=Porto,ou=Firing,dc=studio,dc=example",
        r"cn=Kiln,large=x+l=Porto,ou=Firing,dc=studio,dc=example",
    ] {
        assert_ne!(one, dn(other), "{other}");
    }
    assert_eq!(dn("cn=ÇA É"), dn("cn=ça é"));
    assert_ne!(dn("cn=#0402"), dn(r"cn=\#0402"));
    assert_ne!(dn(r"cn=\E9"), dn(r"cn=\EA"));
}

#[test]
fn what_is_no_distinguished_name_is_refused() {
    for wrong in [
        ",",
        " ",
        "cn",
        "=x",
        "cn=a,",
        "cn=a,,dc=b",
        "cn=a+",
        "cn=a\\",
        "cn=a\\zz",
        "cn=<a",
        "cn=a\"b",
        "cn=\"a",
        "cn=\"a\"b",
        "cn=#",
        "cn=#0",
        "cn=#0g",
        "cn=a\0b",
        "c n=a",
        "cn;lang-pt=a",
        "-=a",
        "1.=a",
        "cn=a>b",
    ] {
        assert!(Dn::parse(wrong).is_err(), "{wrong}");
    }
    let error = Dn::parse("cn=a,dc<b").unwrap_err().to_string();
    let expected =
        "`cn=a,dc<b` is no distinguished name: expected the name of an attribute and `=` at byte 8";
    assert_eq!(error, expected);
}

#[test]
fn parents_and_subtrees_go_by_whole_levels() {
    let base = dn("dc=studio,dc=example");
    let person = dn("uid=ines, ou=People, DC=studio, dc=example");
    assert_eq!(
        person.parent().unwrap().as_str(),
        "ou=People, DC=studio, dc=example"
    );
    assert_eq!(person.parent().unwrap().parent().unwrap(), base);
    assert_eq!(base.parent().unwrap().parent().unwrap(), Dn::root());
    assert_eq!(Dn::root().parent(), None);
    assert!(person.is_below(&base) && person.is_within(&base) && person.is_below(&Dn::root()));
    assert!(base.is_within(&base) && !base.is_below(&base) && !base.is_within(&person));
    assert!(!dn("dc=studio,dc=example2").is_within(&dn("dc=example")));
    assert!(!dn("uid=a,xdc=studio,dc=example").is_within(&base));
    assert!(!dn(r"cn=a\,dc=studio,dc=example").is_within(&base));
}

#[test]
fn the_order_is_that_of_the_tree() {
    let mut names = [
        "uid=b,ou=p,dc=s",
        "dc=t",
        "ou=p,dc=s",
        "ou=p-a,dc=s",
        "dc=s",
        "uid=a,ou=p,dc=s",
        "",
    ]
    .map(dn);
    names.sort();
    let sorted = names.each_ref().map(Dn::as_str);
    let expected = [
        "",
        "dc=s",
        "ou=p,dc=s",
        "uid=a,ou=p,dc=s",
        "uid=b,ou=p,dc=s",
        "ou=p-a,dc=s",
        "dc=t",
    ];
    assert_eq!(sorted, expected);
}

fn hostile() -> impl Strategy<Value = String> {
    let pieces = prop::sample::select(vec![
        "cn", "=", ",", "+", ";", " ", "\\", "\"", "#", "0", "4F", "e9", "<", ">", "\0", "a", "B",
        "é", "1.2", "-", ".", "\\,", "\\41", "\\c3\\a9", "\n", "\\ ", "cn=a", ",dc=b",
    ]);
    prop::collection::vec(pieces, 0..14).prop_map(|pieces| pieces.concat())
}

proptest! {
    #[test]
    fn every_value_comes_back_escaped(value in prop::collection::vec(any::<u8>(), 0..40), more: bool) {
        let text = format!("cn={}{}", escaped(&value), if more { ",dc=x" } else { "" });
        prop_assert_eq!(naming(&text), [pair("cn", &value)]);
    }

    #[test]
    fn every_text_comes_back_escaped(value in "[ #a,+\"\\\\<>;=\0é\n]{0,12}") {
        let text = format!("cn={}", escaped(value.as_bytes()));
        prop_assert_eq!(naming(&text), [pair("cn", value.as_bytes())]);
    }

    #[test]
    fn a_key_is_a_name_of_its_own_key(text in hostile()) {
        if let Ok(name) = Dn::parse(&text) {
            let again = dn(&name.key().to_string());
            prop_assert_eq!(&again, &name);
            prop_assert_eq!(again.depth(), name.depth());
        }
    }

    #[test]
    fn a_parent_has_one_level_less_and_the_same_key_either_way(text in hostile()) {
        if let Ok(name) = Dn::parse(&text) {
            let Some(parent) = name.parent() else {
                prop_assert_eq!(name.depth(), 0);
                return Ok(());
            };
            prop_assert_eq!(parent.depth() + 1, name.depth());
            prop_assert_eq!(&dn(parent.as_str()), &parent);
            prop_assert!(name.is_below(&parent));
        }
    }

    #[test]
    fn no_text_panics(text: String) {
        let _ = Dn::parse(&text);
    }
}
