//! dpkg(1) and dpkg-query(1): what is installed.

use crate::plan::Argv;

/// `PACKAGE VERSION WANTED STATUS` with tabs between, a package a line; `bash:amd64` where it can be there for several
/// architectures.
pub fn versions() -> Argv {
    query("${binary:Package}\\t${Version}\\t${db:Status-Want}\\t${db:Status-Status}\\n")
}

/// `PATH MD5` of every file that is a setting, as its package brought it; `obsolete` behind it where it brings it no more.
pub fn conffiles() -> Argv {
    query("${Conffiles}\\n")
}

fn query(format: &str) -> Argv {
    Argv::new("dpkg-query")
        .arg("--show")
        .option("--showformat", format)
}

pub fn architecture() -> Argv {
    Argv::new("dpkg").arg("--print-architecture")
}

pub fn foreign_architectures() -> Argv {
    Argv::new("dpkg").arg("--print-foreign-architectures")
}

/// The installed packages with their versions, out of what [`versions`] prints.
pub fn read_versions(text: &str) -> impl Iterator<Item = (&str, &str)> {
    text.lines().filter_map(|line| {
        let fields: Vec<&str> = line.split('\t').collect();
        match fields[..] {
            [package, version, _, "installed"] => Some((package, version)),
            _ => None,
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_removed_or_is_half_installed_does_not_count() {
        // the words of dpkg(1), "Package states"
        let text = "adduser\t3.134\tinstall\tinstalled\nlibc6:amd64\t2.36-9\thold\tinstalled\n\
                    slapd\t2.5\tdeinstall\tconfig-files\ncron\t3.0\tinstall\thalf-configured\n";
        let read: Vec<_> = read_versions(text).collect();
        assert_eq!(read, [("adduser", "3.134"), ("libc6:amd64", "2.36-9")]);
    }
}
