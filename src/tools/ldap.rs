//! The clients of a directory service: ldapsearch(1), ldapwhoami(1) and ldapmodify(1).

use super::Verdict;
use crate::plan::Argv;

/// Asks for the root of all entries, which every server tells everybody (RFC 4512, section 5.1).
pub fn ask_root(uri: &str) -> Argv {
    Argv::new("ldapsearch")
        .args(["-x", "-LLL", "-H", uri, "-s", "base", "-b", ""])
        .arg("1.1")
}

/// Logs in as `dn`, with the password on standard input.
pub fn log_in(uri: &str, dn: &str) -> Argv {
    Argv::new("ldapwhoami").args(["-x", "-H", uri, "-D", dn, "-y", "/dev/stdin"])
}

/// Applies change records on standard input, as the account that runs it (RFC 4422, EXTERNAL).
pub fn modify(uri: &str) -> Argv {
    Argv::new("ldapmodify").args(["-Q", "-Y", "EXTERNAL", "-H", uri])
}

/// ldapsearch(1), DIAGNOSTICS: the result code of the server, or above 127 that none could be asked.
pub fn judge(words: &str, code: i32) -> Verdict {
    if code == NOT_REACHED {
        Verdict::Again(words.to_owned())
    } else {
        Verdict::Failed(words.to_owned())
    }
}

/// `LDAP_SERVER_DOWN`, -1 in ldap.h, as an exit status.
const NOT_REACHED: i32 = 255;
