//! The configuration of a slapd(8) as entries: slapd-config(5).

use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use crate::ldif::{AttributeValue, Dn, Entry};

/// A database with a folder of its own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Configured {
    pub suffix: Option<Dn>,
    pub folder: PathBuf,
}

/// The database that an entry configures, if it keeps its data in a folder.
pub fn database(entry: &Entry) -> Option<Configured> {
    let folder = value(entry, "olcdbdirectory")?;
    let suffix = value(entry, "olcsuffix").and_then(|text| std::str::from_utf8(text).ok());
    Some(Configured {
        suffix: suffix.and_then(|text| Dn::parse(text).ok()),
        folder: Path::new(OsStr::from_bytes(folder)).to_owned(),
    })
}

fn value<'e>(entry: &'e Entry, name: &str) -> Option<&'e [u8]> {
    let found = entry.values.iter().find(|one| one.name.key() == name);
    found.map(|one| one.value.as_slice())
}

/// What names files, keys and other hosts: a service that is tried out has none of them, and reaches nobody.
const LEFT_OUT: [&str; 16] = [
    "olcargsfile",
    "olclogfile",
    "olctlscacertificatefile",
    "olctlscacertificatepath",
    "olctlscertificatefile",
    "olctlscertificatekeyfile",
    "olctlscacertificate",
    "olctlscertificate",
    "olctlscertificatekey",
    "olctlscrlfile",
    "olctlsdhparamfile",
    "olctlsrandfile",
    "olcsyncrepl",
    "olcmirrormode",
    "olcmultiprovider",
    "olcupdateref",
];

/// The entry as it is in a folder of its own: databases lie in numbered folders below it.
#[must_use]
pub fn in_folder(mut entry: Entry, folder: &Path, number: usize) -> Entry {
    entry
        .values
        .retain(|one| !LEFT_OUT.contains(&one.name.type_key()));
    for AttributeValue { name, value } in &mut entry.values {
        let path = match name.key() {
            "olcdbdirectory" => data_folder(folder, number),
            "olcpidfile" => run_folder(folder).join("pid"),
            "olcauditlogfile" => run_folder(folder).join("audit.ldif"),
            _ => continue,
        };
        *value = path.into_os_string().as_encoded_bytes().to_vec();
    }
    entry
}

/// For what it makes while it runs, such as its socket.
pub fn run_folder(folder: &Path) -> PathBuf {
    folder.join("run")
}

/// Where the database lies whose entry is the so-manieth with a folder.
pub fn data_folder(folder: &Path, number: usize) -> PathBuf {
    folder.join(format!("data-{number}"))
}
