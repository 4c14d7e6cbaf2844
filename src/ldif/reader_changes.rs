//! Reads the records that change entries: RFC 2849, `ldif-change-record`.

use std::io::BufRead;

use super::attribute::AttributeName;
use super::dn::Dn;
use super::error::{LdifError, LdifTrouble, quoted};
use super::reader::Reader;
use super::record::{
    Change, ChangeRecord, Control, Criticality, Modification, ModificationKind, OldRdn, Rename,
};
use super::spec::Spec;

impl<R: BufRead> Reader<R> {
    /// By the line after `dn:`.
    pub(super) fn begins_change(&self) -> Result<bool, LdifError> {
        let spec = self.spec()?;
        Ok(spec.is("changetype") || spec.is("control"))
    }

    pub(super) fn change(&mut self, dn: Dn) -> Result<ChangeRecord, LdifError> {
        let mut controls = Vec::new();
        while self.spec_in_record("`changetype:`")?.is("control") {
            let control = control(self.spec()?).map_err(|trouble| self.error(trouble))?;
            controls.push(control);
            self.advance()?;
        }
        let change = match self.word("changetype")?.to_ascii_lowercase().as_str() {
            "add" => {
                self.advance()?;
                Change::Add(self.values()?)
            }
            "delete" => {
                self.advance()?;
                Change::Delete
            }
            "modify" => {
                self.advance()?;
                Change::Modify(self.modifications()?)
            }
            "modrdn" | "moddn" => {
                self.advance()?;
                Change::Rename(self.rename()?)
            }
            other => {
                return Err(self.error(LdifTrouble::expected(
                    "`add`, `delete`, `modify`, `modrdn` or `moddn` as the type of change",
                    quoted(other.as_bytes()),
                )));
            }
        };
        if self.is_at_line() {
            let trouble = LdifTrouble::expected("the end of the record", "another line");
            return Err(self.error(trouble));
        }
        Ok(ChangeRecord {
            dn,
            controls,
            change,
        })
    }

    /// The present line, which this was expected to be.
    fn spec_in_record(&self, expected: &'static str) -> Result<Spec<'_>, LdifError> {
        if self.is_at_line() {
            self.spec()
        } else {
            Err(self.error(LdifTrouble::expected(expected, "the end of the record")))
        }
    }

    /// The plain value of the present line, which must have this name.
    fn word(&self, name: &'static str) -> Result<String, LdifError> {
        let spec = self.named(name)?;
        let word = spec.word().map_err(|trouble| self.error(trouble))?;
        Ok(word.to_owned())
    }

    fn named(&self, name: &'static str) -> Result<Spec<'_>, LdifError> {
        let spec = self.spec_in_record(name)?;
        if spec.is(name) {
            return Ok(spec);
        }
        let found = quoted(spec.name);
        Err(self.error(LdifTrouble::expected(name, found)))
    }

    fn modifications(&mut self) -> Result<Vec<Modification>, LdifError> {
        let mut modifications = Vec::new();
        while self.is_at_line() {
            modifications.push(self.modification()?);
        }
        Ok(modifications)
    }

    fn modification(&mut self) -> Result<Modification, LdifError> {
        let spec = self.spec()?;
        let kind = ModificationKind::ALL
            .into_iter()
            .find(|kind| spec.is(kind.word()));
        let Some(kind) = kind else {
            let expected = "`add:`, `delete:`, `replace:` or `increment:`";
            let found = quoted(spec.name);
            return Err(self.error(LdifTrouble::expected(expected, found)));
        };
        let word = spec.word().map_err(|trouble| self.error(trouble))?;
        let name = AttributeName::parse(word.as_bytes()).map_err(|malformed| {
            let found = format!("`{}`", malformed.name);
            self.error(LdifTrouble::expected("the name of an attribute", found))
        })?;
        let mut values = Vec::new();
        self.advance()?;
        loop {
            if self.is_at_line() && self.lines.line() == b"-" {
                break;
            }
            let spec = self.spec_in_record("`-` after the values to modify")?;
            let has_name = AttributeName::parse(spec.name).is_ok_and(|found| found == name);
            if !has_name {
                let expected = "a value of the attribute to modify, or `-`";
                let found = quoted(spec.name);
                return Err(self.error(LdifTrouble::expected(expected, found)));
            }
            values.push(spec.value().map_err(|trouble| self.error(trouble))?);
            self.advance()?;
        }
        let fits = match kind {
            ModificationKind::Add => !values.is_empty(),
            ModificationKind::Increment => values.len() == 1,
            ModificationKind::Delete | ModificationKind::Replace => true,
        };
        if !fits {
            let expected = "a value to add, or one number to increment by";
            let found = format!("{} values", values.len());
            return Err(self.error(LdifTrouble::expected(expected, found)));
        }
        self.advance()?;
        Ok(Modification { kind, name, values })
    }

    fn rename(&mut self) -> Result<Rename, LdifError> {
        let new_rdn = self.named("newrdn")?.dn();
        let new_rdn = new_rdn.map_err(|trouble| self.error(trouble))?;
        if new_rdn.depth() != 1 {
            let found = quoted(new_rdn.as_str().as_bytes());
            let expected = "a name of one level as `newrdn`";
            return Err(self.error(LdifTrouble::expected(expected, found)));
        }
        self.advance()?;
        let old_rdn = match self.word("deleteoldrdn")?.as_str() {
            "0" => OldRdn::Kept,
            "1" => OldRdn::Deleted,
            other => {
                let found = quoted(other.as_bytes());
                return Err(self.error(LdifTrouble::expected("`0` or `1`", found)));
            }
        };
        let new_superior = if self.advance()? {
            let dn = self.named("newsuperior")?.dn();
            let dn = dn.map_err(|trouble| self.error(trouble))?;
            self.advance()?;
            Some(dn)
        } else {
            None
        };
        Ok(Rename {
            new_rdn,
            old_rdn,
            new_superior,
        })
    }
}

/// `control: OID [true|false][: value]`
fn control(spec: Spec<'_>) -> Result<Control, LdifTrouble> {
    let word = spec.word()?;
    let (head, value) = match word.split_once(':') {
        // the value is told as any other, after a colon of its own
        Some((head, _)) => {
            let value = Spec::of(&word.as_bytes()[head.len()..])?;
            (head, Some(value.within(b"control").value()?))
        }
        None => (word, None),
    };
    let mut words = head.split(' ').filter(|word| !word.is_empty());
    let oid = words.next().unwrap_or_default();
    let is_oid = oid.bytes().next().is_some_and(|byte| byte.is_ascii_digit());
    let criticality = match words.next() {
        None => Some(Criticality::NotCritical),
        Some(word) if word.eq_ignore_ascii_case("true") => Some(Criticality::Critical),
        Some(word) if word.eq_ignore_ascii_case("false") => Some(Criticality::NotCritical),
        Some(_) => None,
    };
    match criticality {
        Some(criticality)
            if is_oid
                && super::attribute::is_attribute_type(oid.as_bytes())
                && words.next().is_none() =>
        {
            let oid = oid.to_owned();
            Ok(Control {
                oid,
                criticality,
                value,
            })
        }
        _ => Err(LdifTrouble::expected(
            "the OID of a control, then `true`, `false` or nothing",
            quoted(head.as_bytes()),
        )),
    }
}
