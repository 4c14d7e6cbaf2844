//! `user@host`: another computer, reached by key.

use std::fmt;
use std::net::Ipv6Addr;
use std::path::PathBuf;

use super::Mistake;
use super::account::{self, is_account_name};
use super::path_text::read_secret_file;
use super::reading::Table;

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SshHost {
    pub user: String,
    /// A host name or address; an IPv6 address without its brackets.
    pub host: String,
    /// 22 unless `port` is given.
    pub port: u16,
    /// Private key file; ssh's own choice unless `identity` is given.
    pub identity: Option<PathBuf>,
}

impl SshHost {
    pub const EXPECTED: &str =
        "a user and a host, such as \"ines@laptop.example\" or \"ines@[2001:db8::5]\"";

    /// Registered for ssh (RFC 4253 section 4.1).
    pub const PORT: u16 = 22;

    /// Parse `user@host`. Nothing in it can be taken for an option or split by a shell on the other side.
    pub fn parse(text: &str) -> Result<Self, Mistake> {
        let wrong = |message: String| Mistake::new(message).allowed(Self::EXPECTED);
        let Some((user, host)) = text.split_once('@') else {
            return Err(wrong(format!("`{text}` has no `user@`")));
        };
        if !is_account_name(user) {
            let message = format!("`{user}` is no user name");
            return Err(wrong(message).at(0..user.len()).help(account::EXPECTED));
        }
        let at = user.len() + 1..text.len();
        let host = host_name(host).map_err(|mistake| mistake.or_allowed(Self::EXPECTED).at(at))?;
        Ok(Self {
            user: user.to_owned(),
            host,
            port: Self::PORT,
            identity: None,
        })
    }

    /// `ssh`, `port` and `identity` of a table. `None` when `ssh` is wrong or missing.
    pub(super) fn read(table: &mut Table<'_>) -> Option<Self> {
        let host = table.required("ssh", Self::EXPECTED, Self::parse);
        let port = table
            .take("port")
            .and_then(|v| v.whole_number(&(1..=65535)));
        let identity = read_secret_file(table, "identity");
        Some(Self {
            port: port
                .and_then(|p| u16::try_from(p).ok())
                .unwrap_or(Self::PORT),
            identity,
            ..host?
        })
    }
}

/// A host name (RFC 1123 section 2.1, and `_` as found at home), IPv4, or IPv6 in brackets, which go.
pub(super) fn host_name(text: &str) -> Result<String, Mistake> {
    if let Some(inner) = text.strip_prefix('[').and_then(|t| t.strip_suffix(']')) {
        return match inner.parse::<Ipv6Addr>() {
            Ok(_) => Ok(inner.to_owned()),
            Err(_) => Err(Mistake::new(format!("`{inner}` is no IPv6 address"))),
        };
    }
    if text.parse::<Ipv6Addr>().is_ok() {
        return Err(Mistake::new(format!("`{text}` must stand in brackets"))
            .nearest(Some(format!("[{text}]"))));
    }
    if let Some((_, rest)) = text.split_once(':') {
        let help = if rest.starts_with('/') {
            "the folder goes into the key `path`"
        } else {
            "a port goes into the key `port`"
        };
        return Err(Mistake::new(format!("`{text}` is more than a host")).help(help));
    }
    let label = |l: &str| {
        !l.is_empty()
            && !l.starts_with('-')
            && l.bytes()
                .all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_')
    };
    let name = text.strip_suffix('.').unwrap_or(text);
    if name.len() <= 253 && name.split('.').all(label) {
        Ok(text.to_owned())
    } else {
        Err(Mistake::new(format!("`{text}` is no host name")))
    }
}

impl fmt::Display for SshHost {
    /// `user@host`, and `user@host:port` where the port is not 22: for messages, not for commands.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (open, close) = if self.host.contains(':') {
            ("[", "]")
        } else {
            ("", "")
        };
        write!(f, "{}@{open}{}{close}", self.user, self.host)?;
        if self.port != Self::PORT {
            write!(f, ":{}", self.port)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn names_and_addresses_are_hosts() {
        for text in [
            "hay@barn.example",
            "ines@192.0.2.7",
            "ines@[2001:db8::5]",
            "a_b@my-host",
        ] {
            assert_eq!(SshHost::parse(text).unwrap().to_string(), text);
        }
        assert_eq!(
            SshHost::parse("ines@[2001:db8::5]").unwrap().host,
            "2001:db8::5"
        );
    }

    #[test]
    fn nothing_that_ssh_or_a_shell_could_take_for_more_is_a_host() {
        for text in [
            "barn.example",
            "@barn",
            "hay@",
            "hay@-oProxyCommand=x",
            "-l@barn",
            "hay@barn;x",
            "hay@ barn",
            "h ay@barn",
            "hay@barn example",
            "hay@barn:22",
            "hay@barn:/srv",
            "hay@2001:db8::5",
            "hay@[x]",
            "hay@a..b",
            "a@b@c",
            "hay@$(x)",
            "hay@barn\n",
        ] {
            assert!(SshHost::parse(text).is_err(), "{text:?}");
        }
    }

    #[test]
    fn a_port_is_shown_only_when_it_is_not_the_registered_one() {
        let host = SshHost {
            port: 2222,
            ..SshHost::parse("hay@barn").unwrap()
        };
        assert_eq!(host.to_string(), "hay@barn:2222");
    }

    proptest! {
        #[test]
        fn a_host_reads_back_as_shown(text in "[a-z_-]{1,4}@[a-z0-9:.\\[\\]-]{1,9}") {
            if let Ok(host) = SshHost::parse(&text) {
                prop_assert_eq!(host.to_string(), text);
            }
        }
    }
}
