//! What has to be changed so that a live entry becomes a wanted one.

use std::fmt;

use super::attribute::{AttributeName, AttributeNames, AttributeValue};
use super::compare::sorted;
use super::dn::NamingValue;
use super::record::{Change, ChangeRecord, Entry, Modification, ModificationKind};

/// What the server writes itself and refuses from others (NO-USER-MODIFICATION): RFC 4512, sections 3.4 and 4.2;
/// RFC 2589, 3045, 4530 and 5020; the rest is of `OpenLDAP` 2.5 and its overlays, as their schema says, but for
/// `numSubordinates`, which other servers have (common practice, no source). `memberOf` follows from the groups.
const KEPT_BY_SERVER: [&str; 27] = [
    "createtimestamp",
    "creatorsname",
    "modifiersname",
    "modifytimestamp",
    "structuralobjectclass",
    "governingstructurerule",
    "subschemasubentry",
    "hassubordinates",
    "numsubordinates",
    "entrydn",
    "entryuuid",
    "entrycsn",
    "contextcsn",
    "mincsn",
    "entryttl",
    "dynamicsubtrees",
    "vendorname",
    "vendorversion",
    "auditcontext",
    "memberof",
    "pwdlastsuccess",
    "pwdchangedtime",
    "pwdfailuretime",
    "pwdhistory",
    "pwdgraceusetime",
    "pwdaccounttmplockoutend",
    "authtimestamp",
];

/// The live entry has another name than the wanted one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OtherEntry {
    pub live: String,
    pub wanted: String,
}

pub fn is_kept_by_server(name: &AttributeName) -> bool {
    KEPT_BY_SERVER.contains(&name.type_key())
}

/// What makes of `live` the entry `wanted`; nothing if it is so already, and of an entry that is not there, one that
/// is. An attribute that differs is replaced as a whole, as values of some cannot be added or deleted one by
/// one (those without a rule to compare them by: RFC 4511, section 4.6).
///
/// Values that the entry is named by stay as they are, in number and spelling: only a rename changes them.
///
/// # Errors
/// [`OtherEntry`] when the two do not have the same name.
pub fn changes(live: Option<&Entry>, wanted: &Entry) -> Result<Vec<ChangeRecord>, OtherEntry> {
    let naming = wanted.dn.naming_values();
    let change = match live {
        None => {
            let values = wanted
                .values
                .iter()
                .filter(|one| !is_kept_by_server(&one.name));
            let mut values: Vec<AttributeValue> = values.cloned().collect();
            values.extend(missing_names(&naming, &values));
            Change::Add(values)
        }
        Some(live) if live.dn != wanted.dn => {
            return Err(OtherEntry {
                live: live.dn.to_string(),
                wanted: wanted.dn.to_string(),
            });
        }
        Some(live) => {
            let modifications = modifications(live, wanted, &naming);
            if modifications.is_empty() {
                return Ok(Vec::new());
            }
            Change::Modify(modifications)
        }
    };
    Ok(vec![ChangeRecord {
        dn: wanted.dn.clone(),
        controls: Vec::new(),
        change,
    }])
}

/// The values of the name that are not among these, where servers want them.
fn missing_names(naming: &[NamingValue], values: &[AttributeValue]) -> Vec<AttributeValue> {
    let missing = naming.iter().filter_map(|naming| {
        let name = AttributeName::parse(naming.attribute().as_bytes()).ok()?;
        let value = naming.value()?.to_vec();
        let is_there = values.iter().any(|one| names(naming, one));
        (!is_there).then_some(AttributeValue { name, value })
    });
    missing.collect()
}

/// Whether this is the value in the entry's name. An attribute with options is another one.
fn names(naming: &NamingValue, one: &AttributeValue) -> bool {
    naming.is_of(one.name.key()) && naming.is_like(&one.value)
}

fn modifications(live: &Entry, wanted: &Entry, naming: &[NamingValue]) -> Vec<Modification> {
    let nothing_aside = AttributeNames::default();
    let live = grouped(&sorted(live, &nothing_aside));
    let wanted = grouped(&sorted(wanted, &nothing_aside));
    let mut modifications = Vec::new();
    for group in &wanted {
        let name = group.name.clone();
        let found = find(&live, &name);
        let values = with_names(group, found, naming);
        let kind = match found {
            None => ModificationKind::Add,
            Some(live) if live.values == values => continue,
            Some(_) => ModificationKind::Replace,
        };
        modifications.push(Modification { kind, name, values });
    }
    for group in live
        .iter()
        .filter(|group| find(&wanted, &group.name).is_none())
    {
        let name = group.name.clone();
        let empty = Group {
            values: Vec::new(),
            ..group.clone()
        };
        let values = with_names(&empty, Some(group), naming);
        let kind = match values.as_slice() {
            [] => ModificationKind::Delete,
            left if left == group.values => continue,
            _ => ModificationKind::Replace,
        };
        modifications.push(Modification { kind, name, values });
    }
    modifications.retain(|one| !is_kept_by_server(&one.name) && !is_named_in_ber(one, naming));
    modifications
}

/// Values told in BER cannot be recognised among the others, and so none is touched.
fn is_named_in_ber(modification: &Modification, naming: &[NamingValue]) -> bool {
    naming
        .iter()
        .any(|naming| naming.value().is_none() && naming.is_of(modification.name.key()))
}

/// All values of one attribute, sorted.
#[derive(Clone)]
struct Group {
    name: AttributeName,
    values: Vec<Vec<u8>>,
}

fn grouped(sorted: &[&AttributeValue]) -> Vec<Group> {
    sorted
        .chunk_by(|a, b| a.name == b.name)
        .map(|group| Group {
            name: group[0].name.clone(),
            values: group.iter().map(|one| one.value.clone()).collect(),
        })
        .collect()
}

/// Among groups in the order of names.
fn find<'g>(groups: &'g [Group], name: &AttributeName) -> Option<&'g Group> {
    let at = groups.binary_search_by(|group| group.name.cmp(name)).ok()?;
    Some(&groups[at])
}

/// The wanted values, sorted, with those of the entry's name as the live entry has them.
fn with_names(wanted: &Group, live: Option<&Group>, naming: &[NamingValue]) -> Vec<Vec<u8>> {
    let mut values = wanted.values.clone();
    for naming in naming.iter().filter(|one| one.is_of(wanted.name.key())) {
        let kept = live.and_then(|live| live.values.iter().find(|value| naming.is_like(value)));
        if let Some(kept) = kept {
            values.retain(|value| !naming.is_like(value));
            values.push(kept.clone());
        }
    }
    values.sort_unstable();
    values
}

impl fmt::Display for OtherEntry {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { live, wanted } = self;
        write!(
            f,
            "`{live}` cannot be made `{wanted}` by changing its values: give the live entry of the same name, or rename it"
        )
    }
}

impl std::error::Error for OtherEntry {}
