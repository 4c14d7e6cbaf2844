//! `encrypt`: with what an archive or export is closed (age v1, C2SP age specification).

use std::path::PathBuf;
use std::str::FromStr as _;

use super::Mistake;
use super::path_text::read_secret_file;
use super::reading::{Table, Value};

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Encrypt {
    /// The passphrase is the first line of this file; it is never on a command line.
    Passphrase(PathBuf),
    /// The passphrase is a credential of the service (systemd.exec(5), `LoadCredential=`), by its name.
    Credential(String),
    /// Public keys, `age1…`.
    Recipients(Vec<String>),
}

impl Encrypt {
    pub const EXPECTED: &str = "{ passphrase_file = \"/etc/hayloft/passphrase\" }, { recipients = [\"age1…\"] } or { credential = \"NAME\" }";
    const KEYS: [&str; 3] = ["passphrase_file", "recipients", "credential"];
    const RECIPIENT: &str = "age public keys, which begin with `age1` and have 62 characters";

    pub(super) fn read(table: &mut Table<'_>) -> Option<Self> {
        let mut table = table.take("encrypt")?.table("`encrypt`", Self::EXPECTED)?;
        let held = Self::KEYS.iter().filter(|key| table.holds(key)).count();
        if held != 1 {
            let how = if held == 0 { "none" } else { "more than one" };
            let message =
                format!("`encrypt` has {how} of `passphrase_file`, `recipients` and `credential`");
            table
                .findings
                .error(&table.range, Mistake::new(message).allowed(Self::EXPECTED));
        }
        let passphrase = read_secret_file(&mut table, "passphrase_file").map(Self::Passphrase);
        let recipients = table.take("recipients").and_then(|v| recipients(&v));
        let credential = table.optional("credential", CREDENTIAL, credential);
        table.finish();
        passphrase
            .or(recipients.map(Self::Recipients))
            .or(credential.map(Self::Credential))
    }

    /// As [`Encrypt::read`], for what must not lie on a drive in the clear.
    pub(super) fn required(table: &mut Table<'_>, why: &str) -> Option<Self> {
        if !table.holds("encrypt") {
            table.miss(
                "encrypt",
                &format!("{why}: add encrypt = {}", Self::EXPECTED),
            );
        }
        Self::read(table)
    }
}

const CREDENTIAL: &str = "the name of a credential of the service, such as \"accounts\"";

/// It is the name of a file in the folder that systemd makes for the service.
fn credential(text: &str) -> Result<String, Mistake> {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
    if text.is_empty() || text.starts_with('.') || !text.chars().all(plain) {
        return Err(Mistake::new(format!("`{text}` is no name of a credential")));
    }
    Ok(text.to_owned())
}

fn recipients(value: &Value<'_>) -> Option<Vec<String>> {
    let keys = value.list_of(Encrypt::RECIPIENT, recipient)?;
    if value
        .list(Encrypt::RECIPIENT)
        .is_some_and(|list| list.is_empty())
    {
        value.refuse(
            Mistake::new("`recipients` is empty: nobody could open the copies")
                .allowed(Encrypt::RECIPIENT),
        );
    }
    Some(keys)
}

fn recipient(text: &str) -> Result<String, Mistake> {
    if text.starts_with("AGE-SECRET-KEY-") {
        return Err(Mistake::new("this is a secret key, and a recipient is a public one").help(
            "take it out of this file, and write the public key that `age-keygen -y KEYFILE` prints",
        ));
    }
    match age::x25519::Recipient::from_str(text) {
        Ok(_) => Ok(text.to_owned()),
        Err(_) if text.starts_with("age1") => Err(Mistake::new(format!(
            "`{text}` is damaged: its checksum is wrong"
        ))
        .help("copy the whole key again: `age-keygen -y KEYFILE` prints it")),
        Err(_) => Err(Mistake::new(format!("`{text}` is no age public key"))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_published_recipient_is_accepted_and_one_wrong_letter_is_not() {
        // The recipient in the README of age (github.com/FiloSottile/age), from memory; its checksum vouches for it.
        let key = "age1ql3z7hjy54pw3hyww5ayyfg7zqgvc7w3j2elw8zmrj2kg5sfn9aqmcac8p";
        assert_eq!(recipient(key).unwrap(), key);
        let wrong = key.replace("hjy54", "hjy55");
        assert!(recipient(&wrong).unwrap_err().message.contains("damaged"));
        assert!(
            recipient("ines")
                .unwrap_err()
                .message
                .contains("no age public key")
        );
    }

    #[test]
    fn a_secret_key_is_refused_without_being_repeated() {
        let mistake = recipient("AGE-SECRET-KEY-1CLAY").unwrap_err();
        assert!(!mistake.to_string().contains("CLAY"));
    }
}
