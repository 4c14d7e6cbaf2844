//! `encrypt`: with what an archive or export is closed (age v1, C2SP age specification).

use std::path::PathBuf;

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Encrypt {
    /// The passphrase is the first line of this file; it is never on a command line.
    Passphrase(PathBuf),
    /// Public keys, `age1…`.
    Recipients(Vec<String>),
}
