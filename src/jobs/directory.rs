//! `kind = "directory"`: a directory service, what of it is exported, and how it is reached and halted.

use std::path::PathBuf;

use super::kind_reading::some_text;
use super::path_text::{ABSOLUTE, absolute_path, read_secret_file};
use super::reading::{Table, Value};
use super::step::argv;
use super::{Encrypt, Mistake};

#[derive(Debug, Clone, PartialEq)]
pub struct Directory {
    /// The unit of systemd that is stopped and started around a load.
    pub service: String,
    /// `config`, and the suffixes of databases.
    pub databases: Vec<String>,
    /// The folder of its configuration, slapd-config(5).
    pub config: PathBuf,
    /// Where it is asked: ldap.conf(5), `URI`. By a local socket, root is known without a password.
    pub uri: String,
    pub control: Control,
    /// Who is tried to log in when an export is rehearsed.
    pub login: Option<Login>,
    pub encrypt: Encrypt,
}

/// How the service is stopped and started, where not by systemctl(1).
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Control {
    pub stop: Option<Vec<String>>,
    pub start: Option<Vec<String>>,
}

/// An entry of the directory with its password.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Login {
    pub dn: String,
    /// The password is the first line.
    pub password_file: PathBuf,
}

const SERVICE: &str = "\"slapd\"";
const CONFIG: &str = "/etc/ldap/slapd.d";
const URI: &str = "ldapi:///";
const URIS: &str = "a local socket, such as \"ldapi:///\" or \"ldapi://%2Frun%2Fslapd%2Fldapi\"";
const LOGIN: &str = "{ dn = \"uid=ines,ou=people,dc=studio,dc=example\", password_file = \"/etc/hayloft/ines-password\" }";
const DATABASES: &str = "\"config\" and suffixes, such as [\"config\", \"dc=studio,dc=example\"]";

impl Directory {
    pub(super) fn read(table: &mut Table<'_>) -> Option<Self> {
        let service = table
            .require("service", "such as \"slapd\"")
            .and_then(|value| value.parse(SERVICE, service));
        let databases = table
            .require(
                "databases",
                "such as [\"config\", \"dc=studio,dc=example\"]",
            )
            .and_then(|value| databases(&value));
        let config = table.optional("config", ABSOLUTE, absolute_path);
        let uri = table.optional("uri", URIS, uri);
        let control = Control {
            stop: table.take("stop").and_then(|value| argv(&value)),
            start: table.take("start").and_then(|value| argv(&value)),
        };
        let login = table.take("login").and_then(|value| login(&value));
        let encrypt = Encrypt::required(table, "it holds password hashes");
        Some(Self {
            service: service?,
            databases: databases?,
            config: config.unwrap_or_else(|| CONFIG.into()),
            uri: uri.unwrap_or_else(|| URI.to_owned()),
            control,
            login,
            encrypt: encrypt?,
        })
    }

    /// Whether the configuration is exported, which is a database of its own.
    pub fn has_config(&self) -> bool {
        self.databases.iter().any(|name| name == CONFIG_DATABASE)
    }

    /// The suffixes that are exported.
    pub fn suffixes(&self) -> impl Iterator<Item = &String> {
        self.databases
            .iter()
            .filter(|name| *name != CONFIG_DATABASE)
    }
}

/// The word for `cn=config`.
pub const CONFIG_DATABASE: &str = "config";

fn service(text: &str) -> Result<String, Mistake> {
    if text == "slapd" {
        return Ok(text.to_owned());
    }
    Err(Mistake::new(format!(
        "`{text}` is no directory service that can be exported"
    )))
}

fn uri(text: &str) -> Result<String, Mistake> {
    if text.starts_with("ldapi://") {
        return some_text(text);
    }
    Err(Mistake::new(format!("`{text}` is no local socket"))
        .help("the service must run on this server: its files are read"))
}

fn databases(value: &Value<'_>) -> Option<Vec<String>> {
    let names = value.list_of(DATABASES, suffix)?;
    if value.list(DATABASES).is_some_and(|list| list.is_empty()) {
        value.refuse(
            Mistake::new("`databases` is empty: nothing would be exported").allowed(DATABASES),
        );
    }
    let twice = names
        .iter()
        .enumerate()
        .find(|(at, name)| names[..*at].contains(name));
    if let Some((_, name)) = twice {
        value.refuse(Mistake::new(format!("`{name}` is named twice")).allowed(DATABASES));
    }
    Some(names)
}

/// It becomes the name of a file in the export as well.
fn suffix(text: &str) -> Result<String, Mistake> {
    let name = some_text(text)?;
    if name == CONFIG_DATABASE {
        return Ok(name);
    }
    if name == "cn=config" {
        return Err(Mistake::new("`cn=config` is written `config`"));
    }
    if !name.contains('=') {
        return Err(Mistake::new(format!("`{name}` is no suffix")));
    }
    if name.contains('/') || name.len() > LONGEST {
        return Err(Mistake::new(format!(
            "`{name}` cannot be the name of a file: it holds `/` or is longer than {LONGEST} bytes"
        )));
    }
    Ok(name)
}

/// The name of a member of a tar archive has 100 bytes without extensions (POSIX.1-2024, pax, "ustar Interchange Format").
const LONGEST: usize = 90;

fn login(value: &Value<'_>) -> Option<Login> {
    let mut table = value.table("`login`", LOGIN)?;
    let dn = table
        .require("dn", LOGIN)
        .and_then(|value| value.parse(LOGIN, some_text));
    if !table.holds("password_file") {
        table.miss("password_file", LOGIN);
    }
    let password_file = read_secret_file(&mut table, "password_file");
    table.finish();
    Some(Login {
        dn: dn?,
        password_file: password_file?,
    })
}
