//! passwd(5) and group(5), without what is secret in them: a password may stand in their second field.

use std::collections::BTreeMap;

/// An account, but for its password.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AccountLine {
    pub number: String,
    pub group: String,
    pub comment: String,
    pub home: String,
    pub shell: String,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GroupLine {
    pub number: String,
    pub members: Vec<String>,
}

/// By name. A line that is none, or of NIS, does not count.
pub fn read_passwd(text: &[u8]) -> BTreeMap<String, AccountLine> {
    let text = String::from_utf8_lossy(text);
    let read = |line: &str| {
        let fields: Vec<&str> = line.split(':').collect();
        let [name, _, number, group, comment, home, shell] = fields[..] else {
            return None;
        };
        let line = AccountLine {
            number: number.to_owned(),
            group: group.to_owned(),
            comment: comment.to_owned(),
            home: home.to_owned(),
            shell: shell.to_owned(),
        };
        is_name(name).then(|| (name.to_owned(), line))
    };
    text.lines().filter_map(read).collect()
}

/// By name.
pub fn read_groups(text: &[u8]) -> BTreeMap<String, GroupLine> {
    let text = String::from_utf8_lossy(text);
    let read = |line: &str| {
        let fields: Vec<&str> = line.split(':').collect();
        let [name, _, number, members] = fields[..] else {
            return None;
        };
        let members = members.split(',').filter(|member| !member.is_empty());
        let line = GroupLine {
            number: number.to_owned(),
            members: members.map(ToOwned::to_owned).collect(),
        };
        is_name(name).then(|| (name.to_owned(), line))
    };
    text.lines().filter_map(read).collect()
}

fn is_name(name: &str) -> bool {
    !name.is_empty() && !name.starts_with(['+', '-', '#'])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn accounts_are_read_without_a_password_that_stands_in_their_line() {
        // passwd(5): an encrypted password may stand in the second field
        let text = b"root:x:0:0:root:/root:/bin/bash\nines:$6$salt$hash:1501:1500:Ines, the potter,,:/home/ines:\n\
                     +::::::\nbroken:x:1\n";
        let read = read_passwd(text);
        assert_eq!(read.keys().collect::<Vec<_>>(), ["ines", "root"]);
        assert_eq!(read["ines"].comment, "Ines, the potter,,");
        assert!(!format!("{read:?}").contains("salt"));
    }

    #[test]
    fn groups_are_read_with_their_members() {
        let read = read_groups(b"glaze:x:1600:ines,orders\nempty:!secret:5:\n");
        assert_eq!(read["glaze"].members, ["ines", "orders"]);
        assert!(read["empty"].members.is_empty());
        assert!(!format!("{read:?}").contains("secret"));
    }
}
