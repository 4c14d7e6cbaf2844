//! Keys of distinguished names: the same for all spellings of one name, and in the order of the tree.

use std::fmt;

use super::dn_text::{Part, PartValue, Rdn, escaped};

/// The levels from the top down, each with a NUL after it: what lies below a name begins with its key, and
/// sorts behind it.
///
/// Two names are the same if their levels are, each with the same parts in any order. Attributes are compared
/// without regard to case and by the table of RFC 4514, section 3 (`2.5.4.3` is `cn`); values as by
/// caseIgnoreMatch (RFC 4517, section 4.2.11), the rule of nearly all attributes that entries are named by:
/// small and capital letters are alike, so are one space and several. Other than there, letters with accents
/// in composed and decomposed form are apart. A value in `#hex` is only like one of the same bytes in `#hex`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DnKey(Box<str>);

/// Bytes that stand for themselves beside attributes and values: escaped values hold no NUL and no bare `+`.
const LEVEL: char = '\0';
const PART: &str = "+";

impl DnKey {
    pub(super) fn of(rdns: &[Rdn<'_>]) -> Self {
        let mut key = String::new();
        for rdn in rdns.iter().rev() {
            if let [part] = rdn.parts.as_slice() {
                push_part(part, &mut key);
            } else {
                let mut parts: Vec<String> = rdn.parts.iter().map(part_key).collect();
                parts.sort_unstable();
                key.push_str(&parts.join(PART));
            }
            key.push(LEVEL);
        }
        Self(key.into())
    }

    pub fn depth(&self) -> usize {
        self.0.bytes().filter(|byte| *byte == 0).count()
    }

    /// Equal to `base`, or below it.
    pub fn is_within(&self, base: &Self) -> bool {
        self.0.starts_with(&*base.0)
    }

    /// `None` for the root.
    pub fn parent(&self) -> Option<Self> {
        let levels = self.0.strip_suffix(LEVEL)?;
        let end = levels.rfind(LEVEL).map_or(0, |at| at + 1);
        Some(Self(levels[..end].into()))
    }

    pub fn as_bytes(&self) -> &[u8] {
        self.0.as_bytes()
    }
}

/// A distinguished name again, in small letters.
impl fmt::Display for DnKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut between = "";
        for level in self.0.split_terminator(LEVEL).rev() {
            write!(f, "{between}{level}")?;
            between = ",";
        }
        Ok(())
    }
}

fn part_key(part: &Part<'_>) -> String {
    let mut key = String::new();
    push_part(part, &mut key);
    key
}

fn push_part(part: &Part<'_>, key: &mut String) {
    let lower = part.attribute.to_ascii_lowercase();
    key.push_str(short_name(&lower));
    key.push('=');
    match &part.value {
        PartValue::Text(value) => key.push_str(&escaped(&folded(value))),
        PartValue::Ber(value) => {
            key.push('#');
            let digit = |digit: u8| char::from_digit(digit.into(), 16).unwrap_or('0');
            key.extend(
                value
                    .iter()
                    .flat_map(|byte| [digit(byte >> 4), digit(byte & 15)]),
            );
        }
    }
}

/// The table of RFC 4514, section 3, with the long names of RFC 4519; from small letters to small letters.
pub fn short_name(attribute: &str) -> &str {
    match attribute {
        "2.5.4.3" | "commonname" => "cn",
        "2.5.4.6" | "countryname" => "c",
        "2.5.4.7" | "localityname" => "l",
        "2.5.4.8" | "stateorprovincename" => "st",
        "2.5.4.9" | "streetaddress" => "street",
        "2.5.4.10" | "organizationname" => "o",
        "2.5.4.11" | "organizationalunitname" => "ou",
        "0.9.2342.19200300.100.1.1" | "userid" => "uid",
        "0.9.2342.19200300.100.1.25" | "domaincomponent" => "dc",
        other => other,
    }
}

/// A value as caseIgnoreMatch sees it; bytes that are no UTF-8 stay as they are.
pub fn folded(value: &[u8]) -> Vec<u8> {
    let Ok(text) = std::str::from_utf8(value) else {
        return value.to_vec();
    };
    let mut out = String::with_capacity(text.len());
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        if !out.is_empty() {
            out.push(' ');
        }
        out.extend(word.chars().flat_map(char::to_lowercase));
    }
    out.into_bytes()
}
