//! The clients of a directory service: ldapsearch(1), ldapwhoami(1) and ldapmodify(1).

use super::Verdict;
use crate::plan::Argv;

/// Asks for the root of all entries (RFC 4512, section 5.1), as nobody in particular.
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

/// ldapsearch(1), DIAGNOSTICS: the result code of the server, who has answered then, whatever it allows; or one of the
/// client's own, which are negative (ldap.h), that it could not be asked.
pub fn judge(words: &str, code: i32) -> Verdict {
    if code > LAST_OF_SERVERS {
        Verdict::Again(words.to_owned())
    } else {
        Verdict::Well
    }
}

/// RFC 4511, 4.1.9, has none above 80; negative ones are 128 and more as an exit status.
const LAST_OF_SERVERS: i32 = 127;
